"""What time took of an edge: a property of the edge, not a feature of its own."""

from dataclasses import dataclass
from typing import ClassVar

from ctrecon.core.measured import FINITE, Measured

__all__ = ["Worn"]


@dataclass(frozen=True, kw_only=True)
class Worn:
    """What corrosion or breakage took of an edge: share of it, greatest depth, and a sentence on where."""

    __pydantic_config__: ClassVar[dict[str, bool]] = FINITE
    share: float
    deepest_mm: Measured
    says: str
