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

    def depths(self, first: Measured | None, last: Measured | None, z0: float, z1: float) -> tuple[float, float]:
        """Return between which depths it runs where its feature's ends `first` and `last` (stack z) lie at z0 and z1.

        It runs from z0 to z1 where nothing else is said.
        """
        if self.depth_from_mm is None or self.depth_to_mm is None or first is None or last is None:
            return z0, z1
        by = (z1 - z0) / max(last.value - first.value, 1e-9)
        return z0 + (self.depth_from_mm - first.value) * by, z0 + (self.depth_to_mm - first.value) * by


@dataclass(frozen=True, kw_only=True)
class Worn:
    """What corrosion or breakage took of an edge: share of it, greatest depth, where in a sentence and in stretches."""

    __pydantic_config__: ClassVar[dict[str, bool]] = FINITE
    share: float
    deepest_mm: Measured
    says: str
    stretches: tuple[WornStretch, ...] = ()
