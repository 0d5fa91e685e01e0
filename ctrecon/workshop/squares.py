"""Square holes: the pilot by the method that makes the square, and what it leaves for the file or the broach.

Closed forms for a square of flats s with a round pilot d about its centre; no single pilot rule is right, since a
file wants the flats untouched and a broach wants little to cut.
"""

import csv
from dataclasses import dataclass
from functools import cache
from importlib import resources
from math import acos, pi, sqrt
from typing import Literal

from shapely.geometry import Point, box
from shapely.ops import unary_union

from ctrecon.core.measured import format_percent, format_short, format_value
from ctrecon.workshop.drilling.drill_list import DrillList, ListedDrill, largest_up_to, nearest_between
from ctrecon.workshop.errors import PlanError

__all__ = ["METHODS", "OFF_CENTRE_MM", "SquareLeft", "SquarePlan", "plan_square", "square_left"]

Method = Literal["file", "drift", "broach", "rotary_broach", "chain", "corner_holes"]

METHODS: tuple[Method, ...] = ("file", "drift", "broach", "rotary_broach", "chain", "corner_holes")
"""How the square is made: by file, square drift, square broach or rotary broach, or drilled out and filed."""

OFF_CENTRE_MM = 0.1
"""How far a drilled pilot may be from the square's centre (mm; common practice, no source)."""

CHAIN_WEB_MM = 0.2
"""Web between the holes of a chain, so that the drill does not run into its neighbour (common practice, no source)."""

CHAIN_MARGIN_MM = 0.2
"""What a chain of holes leaves inside the line (mm; common practice, no source)."""

ROTARY_DEPTH = 1.75
"""Depth of the pilot of a blind square over the broached depth (a rotary-broach catalogue)."""


@dataclass(frozen=True)
class SquareLeft:
    """What a centred pilot leaves of a square.

    Per corner: area (mm²) and length along the diagonal (mm). `on_flat` is what is left over each flat (0 from
    d = s on), `flat_end` the length of a flat left untouched at each of its ends; `overcut_depth` and
    `overcut_width` are the hollow a larger pilot leaves in the flat; `corners_left` is how many corners the file
    or the tool has yet to cut: 4, or 0 from d = s√2 on.
    """

    ratio: float
    per_corner: float
    diagonal: float
    on_flat: float
    flat_end: float
    overcut_depth: float
    overcut_width: float
    corners_left: int


@dataclass(frozen=True)
class SquarePlan:
    """How a square hole is begun and what is left to do.

    `holes` are x, y, diameter (mm) from the square's centre, all with `drill`; `left_area` what is left to take
    out in all, `left_per_piece` of one bit of it and `pieces` how many such bits; `left` is the rest of a single
    pilot, None for several holes. `break_out` is how far past a flat the worst pilot may cut; `web` the metal
    between neighbouring holes of a chain (mm).
    """

    method: Method
    flats: float
    drill: ListedDrill
    holes: tuple[tuple[float, float, float], ...]
    left: SquareLeft | None
    left_area: float
    left_per_piece: float
    pieces: int
    corners_left: int
    break_out: float
    web: float | None
    source: str
    reason: str


def square_left(flats: float, pilot: float) -> SquareLeft:
    """Return what a round pilot in the middle leaves of a square hole.

    Parameters
    ----------
    flats, pilot : float
        Size across the flats of the square and diameter of the pilot, mm.

    Examples
    --------
    >>> left = square_left(5, 4.9)
    >>> round(left.per_corner, 4), round(left.diagonal, 4), round(left.on_flat, 2)
    (1.5356, 1.0855, 0.05)
    """
    if flats <= 0 or pilot <= 0:
        raise PlanError(f"a square of {flats:g} mm with a pilot of {pilot:g} mm does not exist; give sizes above 0")
    s, k, r, h = flats, pilot / flats, pilot / 2, flats / 2
    if k >= sqrt(2):
        return SquareLeft(k, 0.0, 0.0, 0.0, 0.0, s * (k - 1) / 2, s, 0)
    beyond = 4 * (r * r * acos(h / r) - h * sqrt(r * r - h * h)) if k > 1 else 0.0
    per_corner = (s * s - (pi * r * r - beyond)) / 4
    width = s * sqrt(k * k - 1) if k > 1 else 0.0
    return SquareLeft(
        k, per_corner, s * (sqrt(2) - k) / 2, max(0.0, (s - pilot) / 2), (s - width) / 2,
        max(0.0, s * (k - 1) / 2), width, 4,
    )  # fmt: skip


@dataclass(frozen=True)
class _Rule:
    words: str
    low: float
    high: float
    floor: float
    source: str


@cache
def _rules() -> dict[str, _Rule]:
    text = resources.files("ctrecon.workshop").joinpath("tables", "square_pilots.csv").read_text(encoding="utf-8")
    return {
        row["method"]: _Rule(row["words"], float(row["low"]), float(row["high"]), float(row["floor"]), row["source"])
        for row in csv.DictReader(text.splitlines()[1:])
    }


def plan_square(
    flats: float, method: Method, drills: DrillList, *, off_centre: float = OFF_CENTRE_MM, keep_flats: bool = False,
    web: float = CHAIN_WEB_MM, margin: float = CHAIN_MARGIN_MM,
) -> SquarePlan:  # fmt: skip
    """Return how a square hole is drilled for the method that finishes it.

    Parameters
    ----------
    flats : float
        Size across the flats, mm.
    method : str
        One of `METHODS`.
    drills : mapping of str to float, sequence of float, or sequence of drills
        The drills at hand, mm.
    off_centre : float
        How far the pilot may be off towards a flat, mm.
    keep_flats : bool
        For a drift or broach: no hollow in the flats, so a pilot just under them, and more to cut.
    web, margin : float
        For a chain: least metal between holes, and what it leaves inside the line, mm.

    Raises
    ------
    PlanError
        If the method is unknown or no drill of the list serves it.
    """
    if method not in METHODS:
        raise PlanError(f"a square hole by {method!r} is not known; choose from {', '.join(METHODS)}")
    if flats <= 0 or min(off_centre, margin) < 0 or web <= 0:
        raise PlanError(f"a square of {flats:g} mm cannot be planned with these figures; give sizes above 0")
    if method == "chain":
        return _chain(flats, drills, off_centre, web, margin)
    if method == "corner_holes":
        return _corner_holes(flats, drills, off_centre)
    rule = _rules()[method]
    what = f"a square of {format_short(flats, 4)} mm by {rule.words}"
    # no break-out as long as the pilot, off by as much as it may be, stays inside the line
    under = flats - 2 * off_centre
    if method == "file" or keep_flats:
        drill = largest_up_to(drills, under, what)
        if drill.diameter_mm < _rules()["file"].floor * flats:
            raise PlanError(
                f"the largest drill under the flats for {what} is only {drill.name}: chain drill it instead"
            )
        why = f"the largest drill that stays inside the flats when {format_short(off_centre, 3)} mm off centre"
        source = _rules()["file"].source if method == "file" else "asked for: flats without hollows"
    else:
        try:
            drill = nearest_between(drills, rule.low * flats, rule.high * flats, rule.low * flats, what)
            why = "the smallest drill of the rule for this tool, so that the hollow in the flats stays small"
        except PlanError:
            drill = nearest_between(drills, rule.floor * flats, rule.high * flats, rule.low * flats, what)
            why = "no drill at hand is as large as the rule asks, so the broach has more to cut"
        why += "; where whole flats are wanted, take a drill just under them and more cuts"
        source = rule.source
    left = square_left(flats, drill.diameter_mm)
    out = max(0.0, drill.diameter_mm / 2 + off_centre - flats / 2)
    says = f"{rule.words}: pilot {drill.name}, {format_percent(left.ratio)} of the flats, {why}; {_left_words(left)}"
    if method == "rotary_broach":
        lead = format_value(flats * sqrt(2), 2)
        says += f"; turn a 45° lead to ⌀{lead}, and drill a blind hole {ROTARY_DEPTH:g} times as deep as the square"
    return SquarePlan(
        method, flats, drill, ((0.0, 0.0, drill.diameter_mm),), left, 4 * left.per_corner, left.per_corner,
        left.corners_left, left.corners_left, out, None, source, says,
    )  # fmt: skip


def _left_words(left: SquareLeft) -> str:
    says = f"{left.corners_left} corners are left, {format_value(left.diagonal, 2)} mm deep on the diagonal"
    if left.on_flat > 0:
        says += f", and {format_value(left.on_flat, 3)} mm on each flat"
    if left.overcut_width > 0:
        says += (
            f"; each flat keeps a hollow {format_value(left.overcut_depth, 2)} mm deep and "
            f"{format_value(left.overcut_width, 2)} mm wide"
        )
    return says


def _corner_holes(flats: float, drills: DrillList, off_centre: float) -> SquarePlan:
    """Four holes near the corners, each as large as half the flats allow; then cut to the lines."""
    drill = largest_up_to(drills, flats / 2 - 2 * off_centre, f"four corner holes in a square of {flats:g} mm")
    at = flats / 2 - off_centre - drill.diameter_mm / 2
    holes = tuple((x * at, y * at, drill.diameter_mm) for x, y in ((-1, -1), (1, -1), (1, 1), (-1, 1)))
    area = _left_of(flats, holes, 0.0)
    # a corner bit is what the hole leaves in a corner of its own size
    bit = (1 - pi / 4) * drill.diameter_mm**2 / 4 + off_centre * (drill.diameter_mm + off_centre)
    says = (
        f"four holes {drill.name}, {format_value(at, 2)} mm each way from the centre: each corner is left with "
        f"{format_value(bit, 3)} mm² to file, against {format_value(square_left(flats, flats).per_corner, 3)} mm² "
        f"from one pilot of the flats; the cross between the holes is sawn or filed out"
    )
    return SquarePlan(
        "corner_holes",
        flats,
        drill,
        holes,
        None,
        area,
        bit,
        4,
        4,
        0.0,
        2 * at - drill.diameter_mm,
        "own geometry",
        says,
    )


def _chain(flats: float, drills: DrillList, off_centre: float, web: float, margin: float) -> SquarePlan:
    """Holes in a row along each side inside the line; the webs are cut and the core drops out."""
    # three or more holes to a side, else a single pilot serves as well
    largest = (flats - 2 * margin - 2 * web) / 3
    drill = largest_up_to(drills, largest, f"a chain of holes in a square of {flats:g} mm")
    half = flats / 2 - margin - drill.diameter_mm / 2
    # one more hole than fits would leave less web than asked for
    per_side = int(2 * half / (drill.diameter_mm + web) + 1e-9)
    step = 2 * half / per_side
    along = [-half + i * step for i in range(per_side)]
    sides = [((t, -half), (half, t), (-t, half), (-half, -t)) for t in along]
    holes = tuple((x, y, drill.diameter_mm) for side in zip(*sides, strict=True) for x, y in side)
    area = _left_of(flats, holes, half)
    left_web = step - drill.diameter_mm
    out = max(0.0, off_centre - margin)
    says = (
        f"a chain of {len(holes)} holes {drill.name}, {format_value(margin, 2)} mm inside the line, "
        f"{format_value(step, 2)} mm apart, leaves webs of {format_value(left_web, 2)} mm: cut them, knock out the "
        f"core and file {format_value(area, 2)} mm² to the line"
    )
    return SquarePlan(
        "chain", flats, drill, holes, None, area, area / 4, 4, 4, out, left_web, "common practice, no source", says
    )


def _left_of(flats: float, holes: tuple[tuple[float, float, float], ...], core: float) -> float:
    """Return what is left of a square inside its line, when the holes and the core between them are out."""
    h = flats / 2
    gone = [Point(x, y).buffer(d / 2, quad_segs=90) for x, y, d in holes]
    left = box(-h, -h, h, h).difference(unary_union([*gone, box(-core, -core, core, core)] if core > 0 else gone))
    return float(left.area)
