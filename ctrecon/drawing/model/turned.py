"""Which sizes stand on the section along the axis, which in the table alone, and which depths are cut across."""

import math

from ctrecon.drawing.model.dimension_text import HALF_TURN, places_of
from ctrecon.drawing.model.views import Drawn, Model
from ctrecon.record.kinds import is_crown, is_hole, kind_of

__all__ = ["LEAST_HOLES", "SECTION_LETTERS", "tabled_holes", "turned_ids", "view_name", "view_numbers"]

LEAST_HOLES = 4
"""So many holes off the datum axis are left to the table of features; fewer are dimensioned in the view."""

COAXIAL_MM = 0.02
COAXIAL_SHARE = 0.01
"""Off the axis by less than this, in parts of its diameter, or by less than U, a circle is turned about the axis."""

SECTION_LETTERS = "BCFGHJKLMNPRSTUVW"
"""A is the section along the axis, D and E are datums, I and O could be read as figures, X to Z are axes."""


def tabled_holes(model: Model) -> frozenset[str]:
    """Return the ids of holes off the axis whose places and sizes the table alone has; none where they are few."""
    holes = [d for d in model.drawn if is_hole(d.feature) and d.contour is not None]
    holes = [d for d in holes if "not_along_depth" not in d.feature.flags]
    off = [d for d in holes if math.hypot(d.x, d.y) > COAXIAL_MM]
    return frozenset(d.feature.id for d in off) if len(off) >= LEAST_HOLES else frozenset()


def turned_ids(model: Model) -> frozenset[str]:
    """Return the ids of circles about the datum axis: their diameters stand on the section along it."""
    if not model.has_depth or not model.zones:
        return frozenset()
    tabled = tabled_holes(model)
    drawn = {d.feature.id for zone in model.zones for d in zone.drawn}
    return frozenset(
        d.feature.id
        for d in model.drawn
        if d.feature.id in drawn and d.feature.id not in tabled and _is_turned(model, d)
    )


def _is_turned(model: Model, d: Drawn) -> bool:
    f, kind = d.feature, kind_of(d.feature)
    if not (kind.is_round or is_crown(f)) or kind.is_relief or f.diameter_mm is None or "not_along_depth" in f.flags:
        return False
    if f.arc_deg is not None and f.arc_deg < HALF_TURN:
        return False
    u = max((one for one in places_of(model, d) if one is not None), default=0.0)
    return math.hypot(d.x, d.y) <= max(COAXIAL_MM, COAXIAL_SHARE * f.diameter_mm.value, u)


def view_numbers(model: Model) -> dict[int, int]:
    """Return the number of the view of every zone that is drawn: the first, and each that shows what no other does."""
    seen = set(turned_ids(model))
    numbers: dict[int, int] = {}
    for n, zone in enumerate(model.zones):
        fresh = {d.feature.id for d in zone.drawn} - seen
        seen |= fresh
        if fresh - model.elsewhere or n == 0:
            numbers[n] = len(numbers) + 1
    return numbers


def view_name(model: Model, zone: int) -> str:
    """Return what a zone's view is called: the first is what is seen, all others are cut across the axis."""
    number = view_numbers(model)[zone]
    if number == 1:
        return "START VIEW" if model.has_depth else "VIEW"
    letter = SECTION_LETTERS[number - 2] if number - 2 < len(SECTION_LETTERS) else str(number)
    return f"SECTION {letter}–{letter}"
