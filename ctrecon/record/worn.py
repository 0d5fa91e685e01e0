"""What time took of an edge: a property of the edge, not a feature of its own."""

from dataclasses import dataclass
from typing import ClassVar

from ctrecon.core.measured import FINITE, Measured

__all__ = ["Worn", "WornStretch"]


@dataclass(frozen=True, kw_only=True)
class WornStretch:
    """One stretch of the edge as it was found: the points (x, y; mm) it runs through, from sound edge to sound edge.

    The points are at the feature's mid depth, as those of an outline are. `deepest_mm` is what it lost at most against
    the sound shape; the depths are stack z of its ends, None where it runs through the whole feature.
    """

    __pydantic_config__: ClassVar[dict[str, bool]] = FINITE
    edge_mm: tuple[tuple[float, float], ...]
    deepest_mm: float
    depth_from_mm: float | None = None
    depth_to_mm: float | None = None


@dataclass(frozen=True, kw_only=True)
class Worn:
    """What corrosion or breakage took of an edge: share of it, greatest depth, where in a sentence and in stretches."""

    __pydantic_config__: ClassVar[dict[str, bool]] = FINITE
    share: float
    deepest_mm: Measured
    says: str
    stretches: tuple[WornStretch, ...] = ()
