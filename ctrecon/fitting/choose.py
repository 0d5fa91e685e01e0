"""Which shape an outline is: circle, square, rectangle, slot, polygon, arcs, or none of these."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from skimage.measure import EllipseModel

from ctrecon.core.frames import Floats
from ctrecon.fitting.d_bore import d_of
from ctrecon.fitting.outline_candidates import (
    BLURS,
    OFF_CENTRE,
    SIDES,
    Waves,
    arc_of,
    circle_of,
    misfit_of,
    near_shape,
    normals_of,
    polygons_of,
    rectangle_from_waves,
    refined_rectangle,
    straight_sided,
    wave_of_polygon,
    waves_of,
)
from ctrecon.fitting.teeth import is_toothed
from ctrecon.shapes import Circle, Ellipse, Rectangle, RegularPolygon, Shape

__all__ = ["Choice", "as_good_as_round", "choose_shape", "gaps_of", "reliefs_of"]

_MOSTLY = 0.5  # of a stretch on a circle about the same centre: the inside of a ring, however often it is bitten
_DEEP_ARC_DEG = 90.0  # what is eaten is wider than deep (a judgement)
_ENOUGH = 0.62
"""Share of the outline that must be on a shape for it to be called that shape."""
_ENOUGH_SIDED = 0.72
"""The same for regular polygons: three sides of a trapezium make no triangle."""
_ARC_LEAST_DEG = 30.0  # a shorter arc fits any circle
_ROOM = 0.6
"""Share of a circle's area that its hole must fill: bites only add to it; a half-round hole fills half."""
_CLEAR = 15.0
"""Ln odds on the outline beyond which the grey values need not be asked."""
_FORM, _FORM_PX = 0.01, 0.6
"""What a round thing may be out of round, of its size and in px: common practice, no source."""
_TIGHT, _STUBBY = 0.4, 1.12
_ROUND_END = 0.47
"""Corner radius over width from which a rectangle has round ends and no flats between them."""
_SIDE_SEEN, _LITTLE, _LITTLE_PX, _STRAIGHT = 0.25, 0.12, 8.0, 1.25
"""Share of a side that must show; the share and px that will do for one of four, if it is straight (judgements)."""
_NEARER = 0.6
"""Where an oval passes near a circle it is this much nearer to the outline; two bites in a bore only look oval."""
_ESTIMATE_OVAL: Callable[[Floats], Any] = EllipseModel.from_estimate


@dataclass(frozen=True, eq=False)
class Choice:
    """The shape chosen for an outline: `kind` is round, d, square, rectangular, slot, polygon or free.

    `near` marks the outline points that are on the shape, `share` is their share. `rivals`
    are other kinds with their shapes that the outline alone does not rule out.
    """

    kind: str
    shape: Shape | None
    near: NDArray[np.bool_]
    share: float
    toothed: bool = False
    rivals: tuple[tuple[str, Shape], ...] = ()

    @property
    def may_hide_teeth(self) -> bool:
        """Whether teeth too fine for the outline could have been taken for this shape."""
        return not self.toothed and self.kind in ("round", "free")


def choose_shape(points: Floats, *, hole: bool = False, tolerance_px: float = 0.45) -> Choice:
    """Choose the shape that holds the largest share of an outline within the tolerance.

    Parameters
    ----------
    points : (N, 2) array
        Points at even steps along the closed outline, px.
    hole : bool
        A closed hole is called a partial circle only where half its outline is on it;
        a fragment of a rim may show less.
    tolerance_px : float
        A point belongs to a shape when it is this near.

    Notes
    -----
    Every candidate is found robustly (sampled circles; sides by the direction of the
    outline), so a bite out of the rim neither spoils nor decides it. A shape needs 62 %
    of the outline; a circle that holds less but at least an unbroken arc of 30 degrees
    is a partial circle; all else is free. A circle must be within its outline's own bulge,
    and that of a hole must be mostly hole: the outer edge of a room between spokes is none.
    """
    circle, others = _own_circle(points, tolerance_px, hole=hole)
    bore = d_of(points, circle, tolerance_px) if hole and circle is not None else None
    if bore is not None:
        near = near_shape(bore, points, tolerance_px)
        return Choice("d", bore, near, float(near.mean()))
    waves = None if circle is None else waves_of(circle, points)
    found: list[tuple[str, Shape]] = [] if circle is None else [("round", circle)]
    sided = straight_sided(points, tolerance_px)
    if circle is not None and waves is not None and (not sided or circle.radius < 12):
        small = rectangle_from_waves(circle, waves, points, tolerance_px)
        if small is not None and all(
            misfit_of(small, points, tolerance_px) < 0.95 * misfit_of(one, points, tolerance_px) for _, one in sided
        ):
            even = abs(small.a - small.b) < max(0.6, 0.012 * max(small.a, small.b))
            as_slot = not even and small.corner_radius > 0.44 * min(small.a, small.b)
            sided = [("square" if even else "slot" if as_slot else "rectangular", small)]
    found += [(k, one) for k, one in sided if circle is None or not as_good_as_round(k, one)]
    if not _plainly_round(circle, waves):
        found += [("polygon", one) for one in polygons_of(points, circle, tolerance_px)]
    found = [(k, one) for k, one in found if _fills(k, one, points, tolerance_px)]
    oval = None if circle is None else _oval(points, tolerance_px, circle)
    if oval is not None:
        # a shape that is clearly farther off than the ellipse is none; one that is as near goes to the grey values
        if not sided:
            small = refined_rectangle(
                Rectangle(oval.x, oval.y, 0.97 * oval.a, 0.97 * oval.b, oval.turn_deg, 0.4 * min(oval.a, oval.b)),
                points, tolerance_px,
            )  # fmt: skip
            as_slot = small.corner_radius > 0.44 * min(small.a, small.b)
            found.append(("slot" if as_slot else "rectangular", small))
        most = 1.15 * misfit_of(oval, points, tolerance_px)
        found = [(k, one) for k, one in found if k != "round" and misfit_of(one, points, tolerance_px) < most]
    kind, shape, share = _best(found, points, tolerance_px)
    if kind == "round" and not hole and is_toothed(points):
        return Choice("free", None, np.zeros(len(points), dtype=bool), 0.0, toothed=True)
    if shape is not None and share >= _ENOUGH:
        rivals = _rivals(found, shape, points, circle, waves)
        if oval is not None:
            # an eaten bore may look oval: the grey values see how much of it is on a circle
            mostly = circle is not None and _share(circle, points, tolerance_px) >= _ENOUGH
            rivals = (*rivals, ("free", oval), *((("round", circle),) if mostly and circle is not None else ()))
        return Choice(kind, shape, near_shape(shape, points, tolerance_px), share, rivals=rivals)
    toothed = is_toothed(points)
    if not toothed and circle is not None and oval is not None and _share(circle, points, tolerance_px) >= _ENOUGH:
        near = near_shape(circle, points, tolerance_px)
        return Choice("round", circle, near, float(near.mean()), rivals=(("free", oval),))
    if not toothed and circle is not None and oval is None:
        near = near_shape(circle, points, tolerance_px)
        if kind == "round" or share < 0.45:
            arc = _longest_arc_deg(circle, points, near)
            long_enough = np.radians(arc) * circle.radius > 12 and near.mean() > (0.5 if hole else 0.38 * others)
            # points that merely pass through the band of tolerance spread evenly over it
            lies_on = float(np.sqrt(np.mean(circle.signed_distance(points[near]) ** 2))) < 0.45 * tolerance_px
            if arc >= _ARC_LEAST_DEG and long_enough and lies_on:
                return Choice("round", circle, near, float(near.mean()))
    if not toothed and shape is not None and kind in ("rectangular", "square") and share >= 0.5:
        return Choice(kind, shape, near_shape(shape, points, tolerance_px), share)
    return Choice("free", None, np.zeros(len(points), dtype=bool), 0.0, toothed)


def _own_circle(points: Floats, tolerance: float, *, hole: bool) -> tuple[Circle | None, float]:
    """Return the circle of an outline that bulges as the outline does and, for a hole, is filled by it.

    The inside of a ring fragment bulges the other way, and may show more of its circle than a worn outside does: the
    second number is the share of the outline that is not the inside's.
    """
    circle, others = circle_of(points, tolerance), 1.0
    if circle is not None and not _bulges(circle, points, tolerance):
        inside = near_shape(circle, points, 2 * tolerance)
        others = 1.0 - float(inside.mean())
        circle = circle_of(points[~inside], tolerance) if (~inside).sum() >= 12 else None
        if circle is not None and not _bulges(circle, points, tolerance):
            circle = None
    elif circle is not None and not hole:
        others = _without_inside(circle, points, tolerance)
    if circle is not None and hole and _area(points) < _ROOM * np.pi * circle.radius**2:
        circle = None
    return circle, others


def _without_inside(circle: Circle, points: Floats, tolerance: float) -> float:
    """Return the share of an outline that is not the inside of a ring fragment about the centre of its outside."""
    left = points[~near_shape(circle, points, 2 * tolerance)]
    inside = circle_of(left, tolerance) if len(left) >= 12 else None
    if inside is None or _bulges(inside, points, tolerance) or _apart(inside, circle) > OFF_CENTRE * circle.radius:
        return 1.0
    return 1.0 - float(near_shape(inside, points, 2 * tolerance).mean())


def _bulges(circle: Circle, points: Floats, tolerance: float) -> bool:
    """Return whether the outline's outward normals point away from the circle's centre where it is on it."""
    near = near_shape(circle, points, tolerance)
    away = np.arctan2(points[:, 1] - circle.y, points[:, 0] - circle.x)
    return not near.any() or float(np.mean(np.cos(normals_of(points) - away)[near])) > 0


def _area(points: Floats) -> float:
    x, y = points[:, 0], points[:, 1]
    return abs(float(x @ np.roll(y, -1) - np.roll(x, -1) @ y)) / 2


def as_good_as_round(kind: str, shape: Shape) -> bool:
    """Recognise a square whose corners are so round that it leaves a circle by less than a real bore or disc does.

    A slot hardly longer than wide is a round rim with a bite out of it, or an oval.
    """
    if not isinstance(shape, Rectangle):
        return False
    width = min(shape.a, shape.b)
    if kind == "slot" or shape.corner_radius > _ROUND_END * width:
        return max(shape.a, shape.b) < _STUBBY * width
    if kind != "square":
        return False
    return bool((np.sqrt(2) - 1) * (width / 2 - shape.corner_radius) < max(_FORM_PX, _FORM * width))


def _best(found: list[tuple[str, Shape]], points: Floats, tolerance: float) -> tuple[str, Shape | None, float]:
    """Pick the shape with the largest share; among those that hold nearly as much, the one that is nearest.

    A shape with more freedom must be clearly nearer than the circle to be taken for it.
    """
    best: tuple[str, Shape | None, float] = ("free", None, 0.0)
    if not found:
        return best
    shares = [_share(one, points, tolerance) for _, one in found]
    least = np.inf
    for (kind, shape), share in zip(found, shares, strict=True):
        handicap = 1.0 if kind == "round" else 1.1 if kind == "polygon" else 1.2
        misfit = handicap * misfit_of(shape, points, tolerance)
        if share >= max(shares) - 0.05 and misfit < least:
            least, best = misfit, (kind, shape, share)
    return _bitten_circle(found, best, points, tolerance) or best


def _bitten_circle(
    found: list[tuple[str, Shape]], best: tuple[str, Shape | None, float], points: Floats, tolerance: float
) -> tuple[str, Shape | None, float] | None:
    """Return the circle where a stubby slot or an oblong rectangle only follows a bite out of a round rim.

    The sound part of a bitten circle is on it as closely as noise allows; a slot with
    flats has no such part as long.
    """
    kind, shape, _ = best
    if kind not in ("slot", "rectangular") or not isinstance(shape, Rectangle):
        return None
    if max(shape.a, shape.b) > 1.3 * min(shape.a, shape.b):
        return None
    for name, one in found:
        if name != "round":
            continue
        near, theirs = near_shape(one, points, tolerance), near_shape(shape, points, tolerance)
        tight = float(np.sqrt(np.mean(one.signed_distance(points[near]) ** 2)))
        loose = float(np.sqrt(np.mean(shape.signed_distance(points[theirs]) ** 2)))
        if near.mean() >= 0.65 and tight < 0.75 * loose:
            return "round", one, float(near.mean())
    return None


def _plainly_round(circle: Circle | None, waves: Waves | None) -> bool:
    """Recognise a circle whose radius shows none of the waves that a polygon would."""
    if circle is None or waves is None:
        return False
    return all(_odds_of_polygon(n, circle, waves) < -_CLEAR for n in SIDES)


def _odds_of_polygon(sides: int, circle: Circle, waves: Waves) -> float:
    """Ln odds of the sharp polygon over the circle by the one wave that tells them apart; 0 where it is not seen."""
    if sides not in waves.size:
        return 0.0
    seen = abs(waves.size[sides])
    # the blur of the outline is not known here: the one that speaks most for the polygon
    wanted = (wave_of_polygon(sides, circle.radius, blur) for blur in BLURS)
    return max((2 * seen * one - one**2) / (2 * waves.u**2) for one in wanted)


def _rivals(
    found: list[tuple[str, Shape]], chosen: Shape, points: Floats, circle: Circle | None, waves: Waves | None
) -> tuple[tuple[str, Shape], ...]:
    """Return the shapes that the outline leaves open beside the chosen one: at most three polygons, the likeliest."""
    out: list[tuple[str, Shape]] = []
    polygons: list[tuple[float, RegularPolygon]] = []
    base = misfit_of(chosen, points, 0.45) + 0.02
    for kind, one in found:
        if one is chosen:
            continue
        behind = 0.35 * len(points) * float(np.log((misfit_of(one, points, 0.45) + 0.02) / base))
        if isinstance(one, RegularPolygon):
            if circle is not None and waves is not None:
                best = _odds_of_polygon(chosen.sides, circle, waves) if isinstance(chosen, RegularPolygon) else 0.0
                behind = min(behind, best - _odds_of_polygon(one.sides, circle, waves))
            if behind < _CLEAR:
                polygons.append((behind, one))
        elif isinstance(one, Circle) and isinstance(chosen, RegularPolygon):
            # a round hole that is eaten has waves, too: what the sound part of it says the grey values know
            out.append((kind, one))
        elif behind < _CLEAR and not (isinstance(chosen, Circle) and waves and abs(waves.size[4]) < 4.5 * waves.u):
            out.append((kind, one))
    out += [("polygon", one) for _, one in sorted(polygons, key=lambda item: item[0])[:3]]
    return tuple(out)


def _fills(kind: str, shape: Shape, points: Floats, tolerance: float) -> bool:
    """Return whether a shape with flats shows on all sides, lacking less than a quarter of its area."""
    if not isinstance(shape, (Rectangle, RegularPolygon)) or kind == "slot":
        return True
    area = _area(points)
    ring = shape.outline(240)
    full = abs(float(ring[:-1, 0] @ ring[1:, 1] - ring[1:, 0] @ ring[:-1, 1])) / 2
    if not 0.75 * full <= area <= 1.2 * full:
        return False
    on = points[near_shape(shape, points, tolerance)]
    if len(on) < 4:
        return False
    if isinstance(shape, RegularPolygon):
        _, across = shape.side_of(on)
        side = np.round((np.arctan2(on[:, 1] - shape.y, on[:, 0] - shape.x) - np.radians(shape.turn_deg))
                        / (2 * np.pi / shape.sides)).astype(int) % shape.sides  # fmt: skip
        length = 2 * shape.inradius * np.tan(np.pi / shape.sides)
        if float(near_shape(shape, points, tolerance).mean()) < _ENOUGH_SIDED:
            return False
        spread = [float(np.ptp(across[side == k])) if (side == k).any() else 0.0 for k in range(shape.sides)]
        seen_sides = sum(one > 0.4 * length - 1.5 for one in spread)
        return bool(seen_sides >= shape.sides - (shape.sides > 6))
    return _four_sides(shape, points, tolerance)


def _four_sides(shape: Rectangle, points: Floats, tolerance: float) -> bool:
    """Return whether all four sides show; of one, reliefs and lost corners may leave little, if that is straight.

    A round end that touches a side's line leaves it ever faster: twice as far off there is half as much more of it.
    """
    u, v = shape.own_axes(points)
    little = 0
    for mine, half, along, length in (
        (u, shape.a / 2, v, shape.b), (-u, shape.a / 2, v, shape.b),
        (v, shape.b / 2, u, shape.a), (-v, shape.b / 2, u, shape.a),
    ):  # fmt: skip
        off, flat = np.abs(mine - half), length - 2 * shape.corner_radius
        beside = np.abs(along) <= length / 2 + tolerance
        seen = along[beside & (off <= tolerance)]
        if len(seen) < 3 or np.ptp(seen) < _LITTLE * flat:
            return False
        if np.ptp(seen) >= _SIDE_SEEN * flat:
            continue
        little += 1
        straight = (beside & (off <= 2 * tolerance)).sum() < _STRAIGHT * len(seen)
        if little > 1 or np.ptp(seen) < _LITTLE_PX or not straight:
            return False
    return True


def _share(shape: Shape, points: Floats, tolerance: float) -> float:
    return float(near_shape(shape, points, tolerance).mean())


def _longest_arc_deg(circle: Circle, points: Floats, near: NDArray[np.bool_]) -> float:
    """Length (degrees) of the longest run of near points, small breaks forgiven."""
    filled = _close_runs(near, max(3, len(points) // 60))
    start, stop = _longest_run(filled)
    angle = np.unwrap(np.arctan2(points[:, 1] - circle.y, points[:, 0] - circle.x))
    turned = np.concatenate([angle, angle + np.sign(angle[-1] - angle[0]) * 2 * np.pi])
    return float(abs(np.degrees(turned[stop - 1] - turned[start])))


def _close_runs(flags: NDArray[np.bool_], gap: int) -> NDArray[np.bool_]:
    """Fill false runs of at most `gap` in a cyclic row of flags."""
    n = len(flags)
    wide = np.concatenate([flags, flags, flags])
    index = np.arange(3 * n)
    last = np.maximum.accumulate(np.where(wide, index, -(10**9)))
    following = np.minimum.accumulate(np.where(wide, index, 10**9)[::-1])[::-1]
    return np.asarray((following - last - 1 <= gap)[n : 2 * n] | flags)


def _longest_run(flags: NDArray[np.bool_]) -> tuple[int, int]:
    """Start and stop of the longest true run; stop may pass the end of the cyclic row."""
    n = len(flags)
    if flags.all():
        return 0, n
    first = int(np.argmin(flags))
    turned = np.roll(flags, -first)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], turned.astype(int), [0]])))
    starts, stops = edges[::2], edges[1::2]
    if not len(starts):
        return 0, 1
    k = int(np.argmax(stops - starts))
    return int(starts[k]) + first, int(stops[k]) + first


def runs_of(flags: NDArray[np.bool_]) -> list[NDArray[np.int64]]:
    """Return the index runs where a cyclic row of flags is true."""
    n = len(flags)
    if flags.all():
        return [np.arange(n)]
    first = int(np.argmin(flags))
    turned = np.roll(flags, -first)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], turned.astype(int), [0]])))
    return [(np.arange(a, b) + first) % n for a, b in zip(edges[::2], edges[1::2], strict=True)]


def gaps_of(choice: Choice, points: Floats) -> list[tuple[float, float, float]]:
    """Return the stretches where a circle is missing: (from, to) degrees and greatest depth in px.

    `from` is in [0, 360), `to` above it.
    """
    if not isinstance(choice.shape, Circle):
        return []
    circle = choice.shape
    angle = np.degrees(np.arctan2(points[:, 1] - circle.y, points[:, 0] - circle.x)) % 360
    off = np.abs(circle.signed_distance(points))
    covered = np.zeros(360, dtype=bool)
    covered[angle[choice.near].astype(int) % 360] = True
    covered = _close_runs(covered, max(2, int(np.ceil(np.degrees(1.5 / circle.radius)))))
    gaps = []
    for run in runs_of(~covered):
        low = float(run[0])
        high = low + len(run)
        inside = ((angle - low) % 360) < len(run)
        gaps.append((low, high, float(off[inside].max()) if inside.any() else circle.radius))
    return gaps


def reliefs_of(
    choice: Choice, points: Floats, *, hole: bool, tolerance_px: float = 0.6
) -> list[tuple[Circle, float, float, bool]]:
    """Find other arcs in the stretches of an outline that leave the chosen shape.

    Returns
    -------
    list of (circle, from_deg, arc_deg, concave)
        `concave` is True where the metal is outside the arc's circle.
    """
    if choice.shape is None or hole:
        return []
    away = ~_close_runs(choice.near, 2)
    found = []
    for run in runs_of(away):
        stretch = points[run]
        if len(stretch) < 10:
            continue
        circle = arc_of(stretch, choice.shape if isinstance(choice.shape, Circle) else None, tolerance_px)
        if circle is None:
            continue
        near = near_shape(circle, stretch, tolerance_px)
        angle = np.unwrap(np.arctan2(stretch[near, 1] - circle.y, stretch[near, 0] - circle.x))
        arc = float(np.degrees(np.ptp(angle))) if near.any() else 0.0
        unbroken = np.diff(_longest_run(_close_runs(near, 3)))[0] / len(stretch)
        ring = isinstance(choice.shape, Circle) and _apart(circle, choice.shape) < OFF_CENTRE * circle.radius
        # a relief is an arc from end to end; the inside of a ring fragment has broken edges beside it, and beside an
        # arc that turns farther than any bite a corner may be lost
        if (
            (min(near.mean(), unbroken) < (0.35 if ring or arc >= _DEEP_ARC_DEG else 0.75)
            and not (ring and near.mean() >= _MOSTLY))
            or circle.radius < 3
            or arc < 20
            or np.radians(arc) * circle.radius < 8
        ):
            continue
        # seen from the whole shape: a concave arc bulges towards the chosen shape's inside
        middle = stretch[near].mean(axis=0)
        towards = np.array([circle.x, circle.y]) - middle
        inward = np.array(choice.shape.centre) - middle
        concave = float(towards @ inward) < 0 or ring
        low = float(np.degrees(min(angle[0], angle[-1]))) % 360
        found.append((circle, low, arc, bool(concave)))
    return found


def _apart(a: Circle, b: Circle) -> float:
    return float(np.hypot(a.x - b.x, a.y - b.y))


def _oval(points: Floats, tolerance: float, circle: Circle) -> Ellipse | None:
    """Return the ellipse that the outline is, a piece of which passes for an arc; None where a circle does as well."""
    found = _ESTIMATE_OVAL(points)
    if not found:
        return None
    axes = np.asarray(found.axis_lengths) * 2
    x, y = (float(v) for v in found.center)
    oval = Ellipse(x, y, float(axes[0]), float(axes[1]), float(np.degrees(found.theta)))
    off = np.abs(oval.signed_distance(points))
    uneven = abs(float(axes[0] - axes[1])) / 4
    if float(np.mean(off < 2 * tolerance)) < 0.85 or uneven < max(0.15, 0.01 * circle.radius):
        return None
    near = near_shape(circle, points, tolerance)
    tight, theirs = (float(np.sqrt(np.mean(s.signed_distance(points[near]) ** 2))) for s in (circle, oval))
    if near.mean() >= 0.6 and (tight < _TIGHT * tolerance or theirs > _NEARER * tight):
        return None  # a bite out of a round rim: what of an oval is near a circle spreads over the tolerance
    nearer = misfit_of(oval, points, tolerance)
    return oval if nearer < 0.6 * misfit_of(circle, points, tolerance) else None
