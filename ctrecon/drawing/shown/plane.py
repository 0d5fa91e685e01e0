"""Where section A–A is cut: straight through the axis, bent through a hole or past a break, or stepped through holes.

ISO 128-3: a cut along several planes is marked wide at its ends and where it changes direction; what a bent plane
meets is shown turned into one plane.
"""

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from ctrecon.drawing.model.edges import is_broken
from ctrecon.drawing.model.turned import turned_ids
from ctrecon.drawing.model.views import Drawn, Model
from ctrecon.drawing.paper.contours import Contour
from ctrecon.drawing.paper.items import Box
from ctrecon.record.kinds import is_hole, kind_of
from ctrecon.record.part import taper_of

__all__ = ["ON_AXIS", "STRAIGHT", "Leg", "Plane", "cutting_plane", "is_beside", "reach_of"]

Point = tuple[float, float]

UP, DOWN = 90.0, 270.0
BENDS = {UP: (-70.0, 45.0), DOWN: (-45.0, 70.0)}
"""How far (degrees) each half may turn: places are dimensioned left of the view and below it."""

WIDEST = 85.0
"""So far a half turns where nothing nearer meets the rim."""

APART_DEG = 90.0
"""Halves nearer to each other would show one place twice."""

FAR = 1e6
ON_AXIS = 0.1
"""A plane nearer to a hole's axis than this part of its radius goes through it."""

WHOLE = 0.97
"""A half meets the rim where its metal reaches this part of the radius."""

BESIDE_DEG = 6.0
"""A half stays this far from a break."""

WALL = 0.3
"""A step keeps this part of a hole's radius from its edge."""


@dataclass(frozen=True)
class Leg:
    """A flat of the plane between two heights of the section: its trace, turned by `turn_deg`, is the upright at X."""

    turn_deg: float = 0.0
    x: float = 0.0
    low: float = -FAR
    high: float = FAR

    def trace(self, y: float) -> Point:
        """Return where on the part a point of the section at this height lies, mm."""
        return _turned((self.x, y), -self.turn_deg)


def _turned(p: Point, by_deg: float) -> Point:
    c, s = math.cos(math.radians(by_deg)), math.sin(math.radians(by_deg))
    return p[0] * c - p[1] * s, p[0] * s + p[1] * c


@dataclass(frozen=True)
class Plane:
    """The flats from the top of the section down, and in words what they are for."""

    legs: tuple[Leg, ...] = (Leg(),)
    says: str = ""

    def laid_flat(self, area: Any) -> Any:
        """Return an area of the part as the section has it: the plane is its upright line at 0."""
        from shapely import affinity, unary_union
        from shapely.geometry import box

        if len(self.legs) == 1:
            return area
        pieces = []
        for leg in self.legs:
            placed = affinity.translate(affinity.rotate(area, leg.turn_deg, origin=(0.0, 0.0)), xoff=-leg.x)
            pieces.append(placed.intersection(box(-FAR, leg.low, FAR, leg.high)))
        return unary_union(pieces)

    def crossings(self, contour: Contour) -> list[float]:
        """Return at which heights of the section the plane crosses a contour, upwards."""
        ring = [] if contour.round_of else contour.points(0.5)
        found: list[float] = []
        for leg in self.legs:
            if contour.round_of:
                (x, y), radius = _turned(contour.round_of[:2], leg.turn_deg), contour.round_of[2]
                half = math.sqrt(max(radius**2 - (x - leg.x) ** 2, 0.0))
                found += [v for v in (y - half, y + half) if half and leg.low <= v < leg.high]
                continue
            spots = [_turned(p, leg.turn_deg) for p in ring] if leg.turn_deg else ring
            for (ax, ay), (bx, by) in itertools.pairwise([*spots, spots[0]]):
                if (ax > leg.x) != (bx > leg.x):
                    y = ay + (by - ay) * (leg.x - ax) / (bx - ax)
                    found += [y] if leg.low <= y < leg.high else []
        return sorted(found)

    def height_of(self, x: float, y: float, near: float) -> float | None:
        """Return at which height of the section a point of the part is, None where the plane is not that near."""
        for leg in self.legs:
            across, up = _turned((x, y), leg.turn_deg)
            if abs(across - leg.x) <= near and leg.low <= up < leg.high:
                return up
        return None

    def behind(self, x: float, y: float) -> tuple[float, float] | None:
        """Return how far behind the plane (negative) and at which height a point of the part is seen, if it is."""
        for leg in self.legs:
            across, up = _turned((x, y), leg.turn_deg)
            if across < leg.x and leg.low <= up < leg.high:
                return across - leg.x, up
        return None

    def line(self, box: Box) -> list[Point]:
        """Return the trace of the plane across a view from its top end to its lower end; it ends at the box."""
        first, last = self.legs[0], self.legs[-1]
        points = [_leaving(first, box, 1.0)]
        for leg, after in itertools.pairwise(self.legs):
            for corner in (leg.trace(leg.low), after.trace(leg.low)):
                if math.dist(corner, points[-1]) > 1e-6:
                    points.append(corner)
        return [*points, _leaving(last, box, -1.0)]


STRAIGHT = Plane()


def _leaving(leg: Leg, box: Box, way: float) -> Point:
    """Return where a leg, going up (way 1) or down, leaves a box."""
    (x, y), (tx, ty) = leg.trace(0.0), _turned((0.0, way), -leg.turn_deg)
    lengths = [((box[k] if t < 0 else box[k + 2]) - at) / t for k, (at, t) in enumerate(((x, tx), (y, ty)))
               if abs(t) > 1e-9]  # fmt: skip
    return x + tx * min(lengths), y + ty * min(lengths)


def cutting_plane(model: Model) -> Plane:
    """Choose the plane of section A–A.

    A turned part is cut along two halves from its axis, so that they meet its metal, and a hole beside the axis where
    there is one. Any other part is cut straight through the axis, stepped aside for holes whose depth nothing else
    shows.
    """
    rims = [pair for zone in model.zones for pair in zone.rims]
    if not rims:
        return STRAIGHT
    turned = turned_ids(model)
    body = max(rims, key=lambda pair: pair[1].area())[0]
    off = [d for d in model.drawn if is_beside(d) and d.feature.id not in turned]
    if _is_about_axis(body):
        return _bent(model, off)
    return _stepped(model, [d for d in off if _matters(d)])


def _is_about_axis(d: Drawn) -> bool:
    """Return whether an outside is a round or a toothed rim about the datum axis, or what is left of one."""
    kind = kind_of(d.feature)
    round_rim = kind.is_toothed or (kind.is_round and not kind.is_relief)
    return round_rim and d.contour is not None and math.hypot(d.x, d.y) <= ON_AXIS * reach_of(d)


def is_beside(d: Drawn) -> bool:
    """Return whether a feature is a hole along the depth that has its axis off the datum's."""
    f = d.feature
    return is_hole(f) and d.contour is not None and not kind_of(f).is_outlined and "not_along_depth" not in f.flags


def _matters(d: Drawn) -> bool:
    """Return whether only a cut shows a hole: it is blind, or its wall is no straight one."""
    return len(d.feature.opens_at or ()) == 1 or taper_of(d.feature) is not None


def reach_of(d: Drawn) -> float:
    """Return half of the larger extent of a feature's contour, mm."""
    assert d.contour is not None
    left, bottom, right, top = d.contour.bounds()
    return max(right - left, top - bottom) / 2


def _bent(model: Model, off: list[Drawn]) -> Plane:
    """Return two halves from the axis: each meets the whole rim, one also the most telling hole that is near."""
    angles = _clear_angles(model)
    reasons = ["clear of the gap"] if any(abs(a - plain) > 1e-9 for plain, a in angles.items()) else []
    choices = sorted(
        (not _matters(d), abs(by), d.feature.id, plain, plain + by, d)
        for d in off
        for plain in (UP, DOWN)
        if math.hypot(d.x, d.y) > reach_of(d)
        for by in [(math.degrees(math.atan2(d.y, d.x)) - plain + 180.0) % 360.0 - 180.0]
        if BENDS[plain][0] <= by <= BENDS[plain][1] and _meets_rim(model, plain + by)
    )  # fmt: skip
    if choices:
        *_, plain, angle, hole = choices[0]
        if math.hypot(hole.x, hole.y) * math.sin(math.radians(abs(angle - angles[plain]))) > ON_AXIS * reach_of(hole):
            angles[plain] = angle
            reasons.append(f"through {hole.feature.id}")
    if all(abs(a - plain) < 1e-9 for plain, a in angles.items()):
        return STRAIGHT
    legs = (Leg(UP - angles[UP], low=0.0), Leg(DOWN - angles[DOWN], high=0.0))
    return Plane(legs, f"bent {' and '.join(reasons)}")


def _clear_angles(model: Model) -> dict[float, float]:
    """Return at which angle each half meets the whole rim, near its plain one; the plain one where none does."""
    found: dict[float, float] = {}
    for limits in (BENDS, dict.fromkeys(BENDS, (-WIDEST, WIDEST)), {UP: (-180.0, 180.0)}):
        for plain, (low, high) in limits.items():
            if plain in found or (found and len(limits) == 1):
                continue
            for by in _outwards(5.0, max(-low, high)):
                apart = [abs((plain + by - other + 180.0) % 360.0 - 180.0) for other in found.values()]
                if low <= by <= high and min(apart, default=180.0) >= APART_DEG and _meets_rim(model, plain + by):
                    found[plain] = plain + by
                    break
    return {UP: UP, DOWN: DOWN} | found


def _outwards(step: float, far: float) -> Iterator[float]:
    yield 0.0
    for k in range(1, round(far / step) + 1):
        yield from (k * step, -k * step)


def _meets_rim(model: Model, angle: float) -> bool:
    """Return whether a half at an angle meets every round outside about the axis where nothing broke off it."""
    for zone in model.zones:
        for d, contour in zone.rims:
            if d.feature.diameter_mm is None or not is_broken(d, contour) or not _is_about_axis(d):
                continue
            for beside in (-BESIDE_DEG, 0.0, BESIDE_DEG):
                half = Plane((Leg(UP - angle - beside),))
                if max(half.crossings(contour), default=0.0) < WHOLE * d.feature.diameter_mm.value / 2:
                    return False
    return True


def _stepped(model: Model, wanted: list[Drawn]) -> Plane:
    """Return upright flats: one through the axis, and one through each hole whose height is free for a step."""
    datum = next((d for d in model.drawn if model.datum is not None and d.feature.id == model.datum.id), None)
    wide = 0.0 if datum is None or not is_hole(datum.feature) or datum.contour is None else reach_of(datum)
    bands = [(-(1 + WALL) * wide, (1 + WALL) * wide, 0.0, "")]
    for d in sorted(wanted, key=lambda one: (abs(one.x), one.feature.id)):
        half = (1 + WALL) * reach_of(d)
        missed = abs(d.x) > ON_AXIS * reach_of(d)
        if missed and all(d.y - half >= high or d.y + half <= low for low, high, *_ in bands):
            bands.append((d.y - half, d.y + half, d.x, d.feature.id))
    bands.sort(reverse=True)
    if len(bands) == 1:
        return STRAIGHT
    ends = [FAR, *((a[0] + b[1]) / 2 for a, b in itertools.pairwise(bands)), -FAR]
    legs = tuple(Leg(0.0, x, low, high) for (_, _, x, _), high, low in zip(bands, ends, ends[1:], strict=False))
    return Plane(legs, f"stepped through {', '.join(sorted(ident for *_, ident in bands if ident))}")
