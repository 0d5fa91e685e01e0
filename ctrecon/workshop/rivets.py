"""Rivets: length for a head, hole, edge distance and pitch, and where a countersink may go.

The length of shank that makes a head is the head's volume over the shank's area. Trade rules say more or the same;
where they disagree the range is shown and the rule used is named.
"""

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from math import pi
from typing import Literal

from ctrecon.core.measured import format_short, format_value
from ctrecon.workshop.drilling.drills import LIST, Drill, nearest_between
from ctrecon.workshop.errors import PlanError

__all__ = [
    "EDGE_D", "HEADS", "HOLE_OVER_MM", "LEAST_EDGE_D", "PITCH_D", "Countersink", "RivetDiameter", "RivetHole",
    "RivetLength", "RivetSpacing", "countersink", "head_volume_d", "rivet_diameter", "rivet_hole", "rivet_length",
    "rivet_spacing",
]  # fmt: skip

Head = Literal["snap", "flat", "countersunk_90", "countersunk_60", "raised_45"]

HEADS: tuple[Head, ...] = ("snap", "flat", "countersunk_90", "countersunk_60", "raised_45")
"""The heads that can be formed; those that are sunk need a sheet thicker than the head."""

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
class RivetLength:
    """Shank under the head (mm): `length` by the rule used, `low` and `high` by all rules and the head's volume.

    `rules` are (source, length of shank for the head, length in all) in mm.
    """

    length: float
    low: float
    high: float
    allowance: float
    rules: tuple[tuple[str, float, float], ...]
    source: str
    reason: str


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

    drill: Drill
    gap: float
    filling_per_mm: float
    reason: str


@dataclass(frozen=True)
class Countersink:
    """A countersink for a sunk head: its diameter and depth, and what is left of the sheet under it (mm)."""

    diameter: float
    depth: float
    left: float
    reason: str


@dataclass(frozen=True)
class _HeadRule:
    words: str
    diameter_d: float
    height_d: float
    sunk: bool
    shape: str
    rules: tuple[tuple[str, float], ...]


@cache
def _heads() -> dict[str, _HeadRule]:
    text = resources.files("ctrecon.workshop").joinpath("tables", "rivet_heads.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()[1:]))
    out: dict[str, _HeadRule] = {}
    for head in HEADS:
        mine = [row for row in rows if row["head"] == head]
        rules = tuple((row["source"], float(row["rule_d"])) for row in mine if row["rule_d"])
        one = mine[0]
        size = float(one["diameter_d"]), float(one["height_d"])
        out[head] = _HeadRule(one["words"], *size, one["sunk"] == "1", one["shape"], rules)
    return out


def _head(head: str) -> _HeadRule:
    if head not in HEADS:
        raise PlanError(f"a rivet head called {head!r} is not known; choose from {', '.join(HEADS)}")
    return _heads()[head]


def head_volume_d(head: Head) -> float:
    """Return the length of shank, in diameters, whose volume makes the head; grip counted to the outer faces.

    Parameters
    ----------
    head : str
        One of `HEADS`.

    Examples
    --------
    >>> round(head_volume_d("snap"), 4), round(head_volume_d("countersunk_90"), 4)
    (1.1247, 0.6667)
    """
    one = _head(head)
    a, h = one.diameter_d / 2, one.height_d
    if one.shape == "cap":
        volume = pi * h / 6 * (3 * a**2 + h**2)
    elif one.shape == "cylinder":
        volume = pi * a**2 * h
    else:
        # the cone, less the shank that would fill the hole there anyway
        volume = pi * h / 3 * (a**2 + a / 2 + 0.25) - pi / 4 * h
        if one.shape == "cone_and_cap":
            volume += pi * _RAISED_D / 6 * (3 * a**2 + _RAISED_D**2)
    return volume / (pi / 4)


_RAISED_D = 0.201
"""Height of the round on a raised countersunk head, in diameters (BS 275)."""


def rivet_length(
    grip: float, diameter: float, head: Head, *, hole: float | None = None, rule: str | None = None
) -> RivetLength:
    """Return how long a rivet or pin must be for a head of this form.

    Parameters
    ----------
    grip : float
        Sheets together, to their outer faces, mm.
    diameter : float
        Of the shank, mm.
    head : str
        One of `HEADS`.
    hole : float, optional
        Diameter of the hole, mm; the shank must fill it. As large as the shank when not given.
    rule : str, optional
        Beginning of the source of the rule to use; the first published one of this head, or its volume, when not
        given.

    Raises
    ------
    PlanError
        If the hole is smaller than the shank, or no rule of the head has that source.

    Notes
    -----
    L = grip + S + grip ((D_h / D)² - 1).

    Examples
    --------
    >>> one = rivet_length(4, 2, "snap")
    >>> one.length, one.high
    (6.25, 7.0)
    """
    form = _head(head)
    hole = diameter if hole is None else hole
    if grip <= 0 or diameter <= 0 or hole < diameter:
        raise PlanError("a rivet needs a grip and a shank above 0, and a hole no smaller than the shank; correct them")
    filling = grip * ((hole / diameter) ** 2 - 1)
    by_volume = ("volume of the head", head_volume_d(head))
    each = (*form.rules, by_volume)
    lengths = tuple((source, d * diameter, grip + filling + d * diameter) for source, d in each)
    chosen = next((one for one in lengths if rule is None or one[0].startswith(rule)), None)
    if chosen is None:
        raise PlanError(f"no rule for a {form.words} is from {rule!r}; choose from {'; '.join(s for s, _ in each)}")
    low, high = min(one[2] for one in lengths), max(one[2] for one in lengths)
    says = f"{form.words}: {format_value(chosen[2], 2)} mm under the head by {chosen[0]}"
    if high - low > 0.02 * diameter:
        says += (
            f"; rules disagree, {format_value(low, 2)} to {format_value(high, 2)} mm: the head's volume asks "
            f"for {format_value(lengths[-1][2], 2)}, a longer shank fills the hole better; try on scrap"
        )
    if filling > 0:
        says += f"; {format_value(filling, 2)} mm of it fill the ⌀{format_short(hole, 4)} hole"
    return RivetLength(chosen[2], low, high, chosen[1], lengths, chosen[0], says)


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


def rivet_hole(diameter: float, drills: LIST, *, over: float = HOLE_OVER_MM) -> RivetHole:
    """Return the drill for a rivet's hole, nearest to the shank and `over` (mm) and never below the shank.

    Parameters
    ----------
    diameter : float
        Of the shank, mm.
    drills : mapping of str to float, or sequence of float
        The drills at hand, mm.
    over : float
        Wanted gap on diameter, mm.
    """
    if diameter <= 0 or over < 0:
        raise PlanError("a rivet hole needs a shank above 0 and no negative gap; correct them")
    what = f"a ⌀{format_short(diameter, 4)} rivet"
    drill = nearest_between(drills, diameter, diameter + 3 * over, diameter + over, what)
    gap = drill.mm - diameter
    says = f"drill {drill.name} for a ⌀{format_short(diameter, 4)} shank, {format_value(gap, 3)} mm over it"
    return RivetHole(drill, gap, (drill.mm / diameter) ** 2 - 1, says)


def countersink(sheet: float, diameter: float, head: Head) -> Countersink:
    """Return the countersink for a sunk head.

    Parameters
    ----------
    sheet : float
        Thickness of the sheet it goes in, mm.
    diameter : float
        Of the shank, mm.
    head : str
        A sunk head of `HEADS`.

    Raises
    ------
    PlanError
        If the head is not a sunk one, or the sheet is not thicker than the head: the sheet would have a knife edge.
    """
    form = _head(head)
    if not form.sunk:
        raise PlanError(f"a {form.words} needs no countersink; choose a countersunk head")
    deep = form.height_d * diameter
    if sheet <= deep:
        raise PlanError(
            f"a {form.words} of ⌀{format_short(diameter, 4)} is {format_value(deep, 2)} mm deep and the sheet only "
            f"{format_short(sheet, 4)} mm: countersink only in thicker sheet; use a snap head or a smaller rivet"
        )
    says = f"countersink to ⌀{format_value(form.diameter_d * diameter, 2)}, {format_value(deep, 2)} mm deep; "
    says += f"{format_value(sheet - deep, 2)} mm of the sheet stay under it"
    return Countersink(form.diameter_d * diameter, deep, sheet - deep, says)
