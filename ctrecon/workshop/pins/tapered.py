"""A tapered hole through clamped plates: its diameters, pilot, pin, and how deep to cut it with the pin as gauge.

Depths run from the face the pin enters (z = 0) to the far face of the stack. A taper 1:K changes the diameter by 1 mm
in K mm of length.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate, pairwise
from math import hypot, isfinite

from ctrecon.core.errors import InputError
from ctrecon.core.measured import format_value
from ctrecon.workshop.drills import DrillChoice, largest_drill_up_to
from ctrecon.workshop.errors import PlanError

__all__ = [
    "COUNTERSINK_MM", "END_ABOVE_MM", "SET_BELOW_MM", "STAND_OFF_IN_ARMY_MM", "STAND_OFF_MM", "DepthStop",
    "TaperedHole", "depth_stop", "engaged_mm", "opening_per_mm", "seat_spread_mm", "seat_u_mm", "taper_mismatch_mm",
    "tapered_hole", "travel_mm",
]  # fmt: skip

SET_BELOW_MM = 0.25
"""How far the pin's head lies below the face it enters: 0.2 to 0.5 from memory, no source."""
END_ABOVE_MM = 0.2
"""How far the pin's end stays above the far face, so that the next plate seats: 0.2 to 0.5 from memory, no source."""
COUNTERSINK_MM = 0.2
"""Countersink per side, 90°: 0.1 to 0.3 from memory, no source; only the burr has to go."""
STAND_OFF_MM = 0.3
"""How far a pin pushed in by hand stands off its final place: a few tenths to one diameter (from memory)."""
STAND_OFF_IN_ARMY_MM = 25.4 / 16
"""The same in US Army TM 9-254: within 1/16 in of the final place, then one sharp tap."""


@dataclass(frozen=True)
class TaperedHole:
    """A tapered hole with its pin in place.

    Parameters
    ----------
    taper : float
        K of 1:K.
    small_end_mm, large_end_mm, length_mm : float
        The pin.
    set_below_mm : float
        Pin's head below the entry face.
    plates_mm : tuple of float
        Thicknesses, entry side first.
    entry_mm, exit_mm : float
        Diameters at the two outer faces.
    joints_mm : tuple of float
        Diameters where plate meets plate, one fewer than plates.
    end_above_mm : float
        How far the pin's end stays above the far face.
    engagement_mm : tuple of float
        Length of pin inside each plate.
    pilot : DrillChoice
        Drill for the pilot hole; not over the exit diameter.
    countersink_mm : float
        Countersink per side (90°), at the entry and far face.
    reason : str
        The hole in one sentence.
    """

    taper: float
    small_end_mm: float
    large_end_mm: float
    length_mm: float
    set_below_mm: float
    plates_mm: tuple[float, ...]
    entry_mm: float
    joints_mm: tuple[float, ...]
    exit_mm: float
    end_above_mm: float
    engagement_mm: tuple[float, ...]
    pilot: DrillChoice
    countersink_mm: float
    reason: str

    @property
    def stack_mm(self) -> float:
        """Thickness (mm) of all plates."""
        return sum(self.plates_mm)

    def diameter_at(self, z_mm: float) -> float:
        """Return the diameter (mm) at a depth below the entry face."""
        return self.entry_mm - z_mm / self.taper


@dataclass(frozen=True)
class DepthStop:
    """When to stop cutting a tapered hole.

    Parameters
    ----------
    stand_off_mm : float
        How far the pin, pushed in by hand, stands off its final place.
    head_mm : float
        Where its head is then: above the entry face, or below where negative.
    interference_mm : float
        What driving it home adds on diameter.
    entry_cut_mm, exit_cut_mm : float
        Diameters of the hole when to stop.
    last_travel_mm : float
        Tool travel that opens the hole by the last 0.01 mm.
    collar_mm : float or None
        Distance from the tool's point to a collar that stops it at the entry face; None where the tool is not known.
    past_mm : float or None
        How far the tool's point is then past the far face.
    reason : str
        The stop in one sentence.
    """

    stand_off_mm: float
    head_mm: float
    interference_mm: float
    entry_cut_mm: float
    exit_cut_mm: float
    last_travel_mm: float
    collar_mm: float | None
    past_mm: float | None
    reason: str


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not (isfinite(value) and value > 0):
            raise InputError(f"{name} is {value}; give a number above 0")


def travel_mm(opening_mm: float, taper: float = 50.0) -> float:
    """Return the tool travel (mm) that opens a 1:K hole by so much on diameter.

    Parameters
    ----------
    opening_mm : float
        Change of diameter (mm).
    taper : float
        K.

    Examples
    --------
    >>> travel_mm(0.01), travel_mm(0.1, 48)
    (0.5, 4.800000000000001)
    """
    return taper * opening_mm


def opening_per_mm(taper: float = 50.0) -> float:
    """Return how much (mm) a 1:K hole opens on diameter per mm of tool travel.

    Examples
    --------
    >>> opening_per_mm(50)
    0.02
    """
    return 1 / taper


def seat_spread_mm(tolerance_mm: float, taper: float = 50.0) -> float:
    """Return over how much depth (mm) pins of one size seat, when their diameter spreads over a tolerance.

    Parameters
    ----------
    tolerance_mm : float
        Whole width of the pin's tolerance on diameter, as h10.
    taper : float
        K.

    Examples
    --------
    >>> seat_spread_mm(0.040)
    2.0
    """
    return taper * tolerance_mm


def seat_u_mm(u_hole_mm: float, u_pin_mm: float, taper: float = 50.0) -> float:
    """Return the standard uncertainty (mm) of the depth at which a pin seats: K sqrt(u_hole² + u_pin²).

    Parameters
    ----------
    u_hole_mm, u_pin_mm : float
        Standard uncertainties of the two diameters (mm).
    taper : float
        K.

    Examples
    --------
    >>> round(seat_u_mm(0.003, 0.004), 6)
    0.25
    """
    return taper * hypot(u_hole_mm, u_pin_mm)


def taper_mismatch_mm(taper: float, other: float, length_mm: float) -> float:
    """Return by how much (mm on diameter) two tapers part over a length: a 1:48 tool under a 1:50 pin, say.

    Parameters
    ----------
    taper, other : float
        K of either.
    length_mm : float
        Length over which both run.

    Examples
    --------
    >>> round(taper_mismatch_mm(48, 50, 6.0), 6)
    0.005
    """
    return abs(1 / taper - 1 / other) * length_mm


def engaged_mm(plates: Sequence[float], start: float, end: float) -> tuple[float, ...]:
    """Return the length (mm) inside each plate of a pin that runs from one depth to another.

    Parameters
    ----------
    plates : sequence of float
        Thicknesses (mm), entry side first.
    start, end : float
        Depths (mm) of the pin's ends.

    Examples
    --------
    >>> engaged_mm([3, 3], 0.5, 5.5)
    (2.5, 2.5)
    """
    edges = [0.0, *accumulate(plates)]
    return tuple(max(0.0, min(end, low) - max(start, high)) for high, low in pairwise(edges))


# long: half of it documents the call
def tapered_hole(
    plates_mm: Sequence[float],
    *,
    small_end_mm: float,
    length_mm: float,
    taper: float = 50.0,
    set_below_mm: float = SET_BELOW_MM,
    countersink_mm: float = COUNTERSINK_MM,
    series: str | Sequence[str] | None = "metric",
    drill_over_mm: float = 0.0,
) -> TaperedHole:
    """Return the tapered hole that holds a pin in clamped plates.

    Parameters
    ----------
    plates_mm : sequence of float
        Thicknesses (mm), the plate the pin enters first.
    small_end_mm, length_mm : float
        Pin's diameter at its small end and its length (mm).
    taper : float
        K of 1:K; 50 (ISO 2339) or 48 (ASME B18.8.2).
    set_below_mm : float
        How far the pin's head lies below the entry face; 0 is flush.
    countersink_mm : float
        Countersink per side, against the burr.
    series : str or sequence of str, optional
        Series of drills at hand for the pilot.
    drill_over_mm : float
        How much the drill is known to cut over its size; the pilot is chosen smaller by that.

    Raises
    ------
    InputError
        If a size is no positive number.
    PlanError
        If the pin would stand out of the far face, or no drill is small enough.

    Examples
    --------
    >>> hole = tapered_hole([3, 3], small_end_mm=2, length_mm=5, set_below_mm=0.5)
    >>> [round(d, 3) for d in (hole.entry_mm, *hole.joints_mm, hole.exit_mm)], hole.pilot.drill.name
    ([2.11, 2.05, 1.99], '1.95 mm')
    """
    plates = tuple(float(one) for one in plates_mm)
    if not plates:
        raise InputError("a tapered hole needs at least one plate; give its thickness")
    for one in plates:
        _positive(**{"a plate's thickness (mm)": one})
    _positive(**{"the pin's small end (mm)": small_end_mm, "the pin's length (mm)": length_mm})
    _positive(**{"the taper 1:K has a K that": taper})
    if not (0 <= set_below_mm < plates[0]):
        raise InputError(
            f"the pin's head is set {set_below_mm} mm below the face of a plate of {format_value(plates[0], 2)} mm; "
            "give 0 or more, and less than the plate"
        )
    stack = sum(plates)
    above = stack - set_below_mm - length_mm
    if above < -1e-9:
        raise PlanError(
            f"a pin of {format_value(length_mm, 2)} mm set {format_value(set_below_mm, 2)} mm below the face stands "
            f"{format_value(-above, 2)} mm out of the far face of {format_value(stack, 2)} mm of plates; "
            "take a shorter pin or cut it"
        )
    entry = small_end_mm + (length_mm + set_below_mm) / taper
    exit_mm = entry - stack / taper
    _positive(**{"the diameter at the far face (mm)": exit_mm})
    pilot = largest_drill_up_to(exit_mm - drill_over_mm, series)
    joints = tuple(entry - z / taper for z in list(accumulate(plates))[:-1])
    between = f", {', '.join(format_value(d, 3) for d in joints)} at the joint" if joints else ""
    reason = (
        f"1:{taper:g}, {format_value(entry, 3)} mm at the entry{between}, {format_value(exit_mm, 3)} mm at the far "
        f"face; pilot {pilot.drill}, not over the far diameter; the pin lies {format_value(set_below_mm, 2)} mm below "
        f"the face and ends {format_value(max(above, 0.0), 2)} mm above the far face, so that the next plate seats"
    )
    return TaperedHole(
        taper=taper,
        small_end_mm=small_end_mm,
        large_end_mm=small_end_mm + length_mm / taper,
        length_mm=length_mm,
        set_below_mm=set_below_mm,
        plates_mm=plates,
        entry_mm=entry,
        joints_mm=joints,
        exit_mm=exit_mm,
        end_above_mm=max(above, 0.0),
        engagement_mm=engaged_mm(plates, set_below_mm, set_below_mm + length_mm),
        pilot=pilot,
        countersink_mm=countersink_mm,
        reason=reason,
    )


def depth_stop(
    hole: TaperedHole,
    *,
    stand_off_mm: float = STAND_OFF_MM,
    tool_point_mm: float | None = None,
    tool_taper: float | None = None,
    tolerance_mm: float | None = None,
) -> DepthStop:
    """Return when to stop cutting: by the pin as gauge, and by a collar where the tool's point is known.

    Parameters
    ----------
    hole : TaperedHole
        The hole with its pin.
    stand_off_mm : float
        How far the pin, pushed in by hand, is to stand off its final place before it is driven. Practices differ: a few
        tenths to one diameter (from memory), or 1/16 in (US Army TM 9-254), which is 33 µm of interference at 1:48.
    tool_point_mm : float, optional
        Diameter (mm) at the point of the reamer or taper broach.
    tool_taper : float, optional
        K of the tool; that of the hole when not given.
    tolerance_mm : float, optional
        Width of the pins' tolerance on diameter (h10), to say how far they seat apart.

    Raises
    ------
    PlanError
        If the tool's point is thicker than the hole.

    Examples
    --------
    >>> hole = tapered_hole([3, 3], small_end_mm=2, length_mm=5, set_below_mm=0.5)
    >>> stop = depth_stop(hole, stand_off_mm=0.5, tool_point_mm=1.9)
    >>> round(stop.interference_mm, 3), stop.head_mm, round(stop.collar_mm, 2)
    (0.01, 0.0, 10.0)
    """
    if not (isfinite(stand_off_mm) and stand_off_mm >= 0):
        raise InputError(f"the pin is to stand {stand_off_mm} mm off its place; give 0 or more")
    head = stand_off_mm - hole.set_below_mm
    over = stand_off_mm / hole.taper
    entry, exit_mm = hole.entry_mm - over, hole.exit_mm - over
    where = "flush with the face"
    if abs(head) >= 0.005:
        where = f"{format_value(abs(head), 2)} mm {'above' if head > 0 else 'below'} the face"
    reason = (
        f"stop when the head of the pin, pushed in by hand, is {where}; driving it the last "
        f"{format_value(stand_off_mm, 2)} mm adds {format_value(1000 * over, 0)} µm on diameter; "
        f"{format_value(travel_mm(0.01, hole.taper), 2)} mm of travel opens the hole by 0.01 mm"
    )
    if tolerance_mm:
        reason += (
            f", and pins of this size seat up to {format_value(seat_spread_mm(tolerance_mm, hole.taper), 1)} mm apart, "
            "so gauge each hole with its own pin"
        )
    collar = past = None
    if tool_point_mm is not None:
        tool = hole.taper if tool_taper is None else tool_taper
        _positive(**{"the tool's point (mm)": tool_point_mm, "the tool's taper 1:K has a K that": tool})
        collar = tool * (entry - tool_point_mm)
        past = collar - hole.stack_mm
        if past < 0:
            raise PlanError(
                f"the tool's point of {format_value(tool_point_mm, 3)} mm does not reach the far face: the hole is "
                f"{format_value(exit_mm, 3)} mm there; take a tool with a thinner point"
            )
        reason += f"; a collar {format_value(collar, 1)} mm from the tool's point stops it there"
    return DepthStop(
        stand_off_mm, head, over, entry, exit_mm, travel_mm(0.01, hole.taper), collar, past, reason
    )
