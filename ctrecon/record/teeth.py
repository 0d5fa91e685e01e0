"""What a record holds of single teeth: the form of the mean one, and where each that is left stands."""

from dataclasses import dataclass
from typing import ClassVar

from ctrecon.core.measured import FINITE, Measured

__all__ = ["Flank", "ToothPlace"]


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
