"""Rivets in sheet: diameter, drill, distance from the edge and pitch."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from ctrecon.core.measured import format_short, format_value
from ctrecon.workshop.drilling.drill_list import DrillList, ListedDrill, nearest_between
from ctrecon.workshop.errors import PlanError

__all__ = [
    "EDGE_D", "HOLE_OVER_MM", "LEAST_EDGE_D", "PITCH_D", "RivetDiameter", "RivetHole", "RivetSpacing", "rivet_diameter",
    "rivet_hole", "rivet_spacing",
]  # fmt: skip

EDGE_D = 2.0
"""Least distance of a rivet's centre from the edge, in diameters, one row (AC 43.13-1B)."""

LEAST_EDGE_D = 1.5
"""Edge distance in diameters below which the fastener must be changed (TM 1-1520-240-BD)."""

PITCH_D = (3.0, 4.0, 8.0)
"""Pitch in diameters: never below the first, seldom below the second or above the third (US Navy training manual)."""

DIAMETER_T = (1.0, 3.0)
"""Rivet diameter in thicknesses of the thickest sheet (US Navy training manual)."""

HOLE_OVER_MM = 0.1
"""Hole over shank (mm), after a published table (1/8 in takes drill No. 30, 0.1285 in)."""


@dataclass(frozen=True)
class RivetSpacing:
    """Whether edge distance and pitch (mm) suit a rivet, with the least of each."""

    least_edge: float
    least_pitch: float
    verdict: Literal["good", "close"]
    reason: str


@dataclass(frozen=True)
class RivetDiameter:
    """The range of rivet diameters (mm) for sheets."""

    low: float
    high: float
    suits: bool | None
    reason: str


@dataclass(frozen=True)
class RivetHole:
    """The drill for a rivet's hole, the gap on diameter (mm) and the shank that fills it per mm of grip."""

    drill: ListedDrill
    gap: float
    filling_per_mm: float
    reason: str


def rivet_spacing(diameter: float, edge: float, pitch: float | None = None) -> RivetSpacing:
    """Return whether a rivet keeps its distance from the edge and from its neighbour.

    Parameters
    ----------
    diameter, edge, pitch : float
        Shank diameter, distance of its centre from the edge, and distance of two centres (mm; None for one rivet).

    Raises
    ------
    PlanError
        Below 1.5 D from the edge, or 3 D from the next rivet.
    """
    if diameter <= 0:
        raise PlanError("a rivet needs a diameter above 0; correct it")
    least_edge, least_pitch = EDGE_D * diameter, PITCH_D[0] * diameter
    at = f"{format_value(edge, 2)} mm from the edge, {format_value(edge / diameter, 2)} D"
    shank = f"⌀{format_short(diameter, 4)}"
    if edge < LEAST_EDGE_D * diameter:
        raise PlanError(f"a {shank} rivet {at}, tears out: at least {LEAST_EDGE_D:g} D, better {EDGE_D:g} D")
    if pitch is not None and pitch < least_pitch:
        raise PlanError(
            f"{shank} rivets {format_value(pitch, 2)} mm apart are too close: "
            f"at least {PITCH_D[0]:g} D, {format_value(least_pitch, 2)} mm"
        )
    close = edge < least_edge
    says = at + (
        f": under the {EDGE_D:g} D preferred, so set it gently" if close else f": {EDGE_D:g} D or more is kept"
    )
    if pitch is not None and not PITCH_D[1] * diameter <= pitch <= PITCH_D[2] * diameter:
        close = True
        says += (
            f"; a pitch of {format_value(pitch / diameter, 1)} D is seldom used ({PITCH_D[1]:g} to {PITCH_D[2]:g} D is)"
        )
    return RivetSpacing(least_edge, least_pitch, "close" if close else "good", says)


def rivet_diameter(sheets: Sequence[float], diameter: float | None = None) -> RivetDiameter:
    """Return the diameters that suit sheets (mm): from the thickest to three times that; and whether one does."""
    if not sheets or min(sheets) <= 0:
        raise PlanError("rivets need sheets of a thickness above 0; name them")
    low, high = (times * max(sheets) for times in DIAMETER_T)
    suits = None if diameter is None else low <= diameter <= high
    says = f"⌀{format_short(low, 4)} to ⌀{format_short(high, 4)} suits sheet up to {format_short(max(sheets), 4)} mm"
    if diameter is not None:
        says += f"; ⌀{format_short(diameter, 4)} {'does' if suits else 'does not'}"
    return RivetDiameter(low, high, suits, says)


def rivet_hole(diameter: float, drills: DrillList, *, over: float = HOLE_OVER_MM) -> RivetHole:
    """Return the drill for a rivet's hole, nearest to the shank and `over` (mm) and never below the shank.

    Parameters
    ----------
    diameter : float
        Of the shank, mm.
    drills : mapping of str to float, sequence of float, or sequence of drills
        The drills at hand, mm.
    over : float
        Wanted gap on diameter, mm.
    """
    if diameter <= 0 or over < 0:
        raise PlanError("a rivet hole needs a shank above 0 and no negative gap; correct them")
    what = f"a ⌀{format_short(diameter, 4)} rivet"
    drill = nearest_between(drills, diameter, diameter + 3 * over, diameter + over, what)
    gap = drill.diameter_mm - diameter
    says = f"drill {drill.name} for a ⌀{format_short(diameter, 4)} shank, {format_value(gap, 3)} mm over it"
    return RivetHole(drill, gap, (drill.diameter_mm / diameter) ** 2 - 1, says)
