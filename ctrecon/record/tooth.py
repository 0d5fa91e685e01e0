"""What the record says of the teeth of a wheel: the mean one, and where each of them stands."""

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from ctrecon.core.measured import FINITE, Measured

__all__ = ["MOST_COUNTED", "Flank", "ToothPlace"]

MOST_COUNTED = 1000
"""Teeth of a wheel or sides of a polygon that are believed: what goes through them one by one must come to an end."""


@dataclass(frozen=True, kw_only=True)
class Flank:
    """The mean sound tooth of a rim.

    `form` is straight, rounded, involute, cycloidal or free (none of them clearly better); `says` gives the odds.
    `profile_mm` holds (radius from the wheel's centre, half width square to it), from root to tip.
    """

    __pydantic_config__: ClassVar[dict[str, bool]] = FINITE
    form: str
    says: str
    profile_mm: tuple[tuple[float, float], ...]

    @property
    def width_per_edge(self) -> float:
        """Change of the thickness half-way up (mm per mm) as edges lie further out: flanks lean, half-way moves."""
        radius, half = np.array(self.profile_mm).T
        slope = float(np.interp(radius.mean(), radius, np.gradient(half, radius)))
        return 2.0 * (float(np.hypot(1.0, slope)) + slope)


@dataclass(frozen=True, kw_only=True)
class ToothPlace:
    """One tooth that is left: where its middle stands, whether it is whole or bent, which stretch of rim it is in.

    `angle_deg` is taken about the wheel's centre in the part frame; its u is what is left if that centre were known.
    """

    __pydantic_config__: ClassVar[dict[str, bool]] = FINITE
    angle_deg: Measured
    whole: bool
    bent: bool
    stretch: int
