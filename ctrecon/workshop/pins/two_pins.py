"""How far two pins with play let a plate turn, and the land of a diamond pin that takes an error of pitch."""

from dataclasses import dataclass
from math import acos, asin, degrees, isfinite

from ctrecon.core.errors import InputError
from ctrecon.core.measured import format_value
from ctrecon.workshop.errors import PlanError

__all__ = ["AngularPlay", "DiamondPin", "angular_play", "diamond_pin"]


@dataclass(frozen=True)
class AngularPlay:
    """How far two pins let a plate turn.

    Parameters
    ----------
    turn_rad, turn_arcmin : float
        Greatest turn either way.
    spare_pitch_mm : float
        By how much the pitches may still differ until the plate no longer goes on.
    reason : str
        The same in a sentence.
    """

    turn_rad: float
    turn_arcmin: float
    spare_pitch_mm: float
    reason: str

    def moves_mm(self, radius_mm: float) -> float:
        """Return how far (mm) a point so far from a pin can move."""
        return self.turn_rad * radius_mm


@dataclass(frozen=True)
class DiamondPin:
    """A pin relieved at two sides: width (mm) of the land left on each of the others, and why."""

    land_mm: float
    reason: str


def angular_play(
    first_mm: float, second_mm: float, distance_mm: float, *, pitch_error_mm: float = 0.0
) -> AngularPlay:
    """Return how far two round pins in round holes let a plate turn.

    Parameters
    ----------
    first_mm, second_mm : float
        Clearance (mm on diameter) of each pin in its hole.
    distance_mm : float
        Distance of the pins (mm).
    pitch_error_mm : float
        By how much the distance of the holes differs.

    Raises
    ------
    PlanError
        If the plate does not go on.

    Notes
    -----
    With q half the sum of the clearances and equal pitches the turn is 2 asin(q / 2L); with a difference e its cosine
    is (L² + (L + e)² - q²) / (2 L (L + e)), and the plate goes on while abs(e) is not above q.

    Examples
    --------
    >>> round(angular_play(0.02, 0.02, 60).turn_arcmin, 4)
    1.1459
    """
    for name, value in (("clearance", first_mm), ("clearance", second_mm)):
        if not (isfinite(value) and value >= 0):
            raise InputError(f"a {name} of {value} mm cannot be; give 0 or more")
    other = distance_mm + pitch_error_mm
    if not (isfinite(other) and distance_mm > 0 and other > 0):
        raise InputError(
            f"pins {distance_mm} mm apart with an error of {pitch_error_mm} mm cannot be; give a distance above 0"
        )
    q = (first_mm + second_mm) / 2
    spare = q - abs(pitch_error_mm)
    if spare < -1e-12:
        raise PlanError(
            f"the plate does not go on: the pitches differ by {format_value(abs(pitch_error_mm), 3)} mm and the "
            f"clearances take up {format_value(q, 3)} mm; drill the plates together or relieve one pin"
        )
    if q >= distance_mm + other:
        raise InputError("the clearance is larger than the pins are apart; give the clearance on diameter")
    if pitch_error_mm == 0:
        turn = 2 * asin(min(1.0, q / (2 * distance_mm)))
    else:
        turn = acos(min(1.0, (distance_mm**2 + other**2 - q**2) / (2 * distance_mm * other)))
    arcmin = 60 * degrees(turn)
    return AngularPlay(
        turn, arcmin, max(spare, 0.0),
        f"clearances of {format_value(first_mm, 3)} and {format_value(second_mm, 3)} mm, "
        f"{format_value(distance_mm, 1)} mm apart, let the plate turn by {format_value(arcmin, 2)} arc minutes "
        "either way",
    )  # fmt: skip


def diamond_pin(hole_mm: float, pin_mm: float, pitch_error_mm: float) -> DiamondPin:
    """Return the widest land of a diamond pin that still takes an error of pitch either way.

    Parameters
    ----------
    hole_mm, pin_mm : float
        Diameters (mm).
    pitch_error_mm : float
        Error of the distance (mm) it is to take, to either side.

    Raises
    ------
    PlanError
        If no land is left.

    Notes
    -----
    Land w = (D_hole² - D_pin²) / 4e - e.

    Examples
    --------
    >>> round(diamond_pin(3.02, 3.0, 0.05).land_mm, 4)
    0.552
    """
    if not (isfinite(hole_mm) and 0 < pin_mm <= hole_mm):
        raise InputError(f"a pin of {pin_mm} mm does not go into a hole of {hole_mm} mm; give the hole, then the pin")
    if not pitch_error_mm > 0:
        raise InputError(f"an error of pitch of {pitch_error_mm} mm needs no diamond pin; give a number above 0")
    land = (hole_mm**2 - pin_mm**2) / (4 * pitch_error_mm) - pitch_error_mm
    if land <= 0:
        raise PlanError(
            f"no diamond pin of {format_value(pin_mm, 3)} mm in a hole of {format_value(hole_mm, 3)} mm takes an error "
            f"of {format_value(pitch_error_mm, 3)} mm; make the hole wider or file it to a slot"
        )
    # a land cannot be wider than the pin
    land = min(land, pin_mm)
    return DiamondPin(
        land,
        f"a land of up to {format_value(land, 2)} mm takes an error of pitch of "
        f"{format_value(pitch_error_mm, 3)} mm either way",
    )
