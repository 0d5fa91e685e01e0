"""What a record keeps of how its true scale was found."""

from dataclasses import dataclass
from typing import ClassVar

from ctrecon.core.measured import FINITE, Measured

__all__ = ["KnownSize", "ScaleFound"]


@dataclass(frozen=True, kw_only=True)
class KnownSize:
    """A size of the real part that a person typed in, and how the scan agrees with it (mm).

    `u_mm` is one standard uncertainty, `before_mm` what the scan gave, `residual_mm` what is left
    between the two once scale and edge are put right; `used` tells whether it took part in that.
    """

    __pydantic_config__: ClassVar[dict[str, bool]] = FINITE
    name: str
    value_mm: float
    u_mm: float
    before_mm: float
    residual_mm: float
    used: bool = True


@dataclass(frozen=True, kw_only=True)
class ScaleFound:
    """How true scale was found from known sizes.

    `factor` (z, y, x) is by how much each voxel edge grew, `edge_mm` how much further out of the
    metal the true edge lies than it was measured, `chi2` and `freedom` how the known sizes agree,
    `says` the same in sentences.
    """

    __pydantic_config__: ClassVar[dict[str, bool]] = FINITE
    knowns: tuple[KnownSize, ...]
    factor: tuple[Measured, Measured, Measured]
    edge_mm: Measured
    chi2: float
    freedom: int
    says: tuple[str, ...]
