"""Which shape an outline is: circle, square, rectangle, slot, polygon, arcs, or none of these."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from skimage.measure import EllipseModel

from ctrecon.core.frames import Floats
from ctrecon.fitting.circle_points import circle_start, fit_circle_points
from ctrecon.shapes import Circle, Rectangle, RegularPolygon, Shape

__all__ = ["Choice", "choose_shape", "gaps_of", "reliefs_of"]

_ENOUGH = 0.62
"""Share of the outline that must lie on a shape for it to be called that shape."""
_ARC_LEAST_DEG = 30.0
_ESTIMATE_OVAL: Callable[[Floats], Any] = EllipseModel.from_estimate


@dataclass(frozen=True, eq=False)
class Choice:
    """The shape chosen for an outline: `kind` is round, square, rectangular, slot, polygon or free.

    `near` marks the outline points that lie on the shape, `share` is their share.
    """

    kind: str
    shape: Shape | None
    near: NDArray[np.bool_]
    share: float
    toothed: bool = False


def choose_shape(points: Floats, *, hole: bool = False, tolerance_px: float = 0.45) -> Choice:
    """Choose the shape that holds the largest share of an outline within the tolerance.

    Parameters
    ----------
    points : (N, 2) array
        Points at even steps along the closed outline, px.
    hole : bool
        A closed hole is called a partial circle only where half its outline lies on it;
        a fragment of a rim may show less.
    tolerance_px : float
        A point belongs to a shape when it lies this near.

    Notes
    -----
    Every candidate is found robustly (sampled circles; sides by the direction of the
    outline), so a bite out of the rim neither spoils nor decides it. A shape needs 62 %
    of the outline; a circle that holds less but at least an unbroken arc of 30 degrees
    is a partial circle; all else is free.
    """
    found: list[tuple[float, str, Shape]] = []
    circle = _circle(points, tolerance_px)
    if circle is not None:
        found.append((_share(circle, points, tolerance_px), "round", circle))
    for name, straight in _straight_sided(points, tolerance_px):
        found.append((_share(straight, points, tolerance_px), name, straight))
    best = max(found, key=lambda item: item[0], default=None)
    share, kind = best[:2] if best is not None else (0.0, "free")
    shape = best[2] if best is not None else None
    if shape is not None and share >= _ENOUGH:
        return Choice(kind, shape, _near(shape, points, tolerance_px), share)
    toothed = _is_toothed(points)
    if not toothed and circle is not None and not _is_oval(points, tolerance_px):
        near = _near(circle, points, tolerance_px)
        if kind == "round" or share < 0.45:
            arc = _longest_arc_deg(circle, points, near)
            long_enough = np.radians(arc) * circle.radius > 12 and near.mean() > (0.5 if hole else 0.38)
            if arc >= _ARC_LEAST_DEG and long_enough:
                return Choice("round", circle, near, float(near.mean()))
    if not toothed and shape is not None and kind in ("rectangular", "square") and share >= 0.5:
        return Choice(kind, shape, _near(shape, points, tolerance_px), share)
    return Choice("free", None, np.zeros(len(points), dtype=bool), 0.0, toothed)


def _near(shape: Shape, points: Floats, tolerance: float) -> NDArray[np.bool_]:
    return np.asarray(np.abs(shape.signed_distance(points)) <= tolerance)


def _share(shape: Shape, points: Floats, tolerance: float) -> float:
    return float(_near(shape, points, tolerance).mean())


def _circle(points: Floats, tolerance: float) -> Circle | None:
    """Best of 400 circles through three points (fixed seed), then refined on the points near it."""
    rng = np.random.default_rng(20)
    n = len(points)
    a, b, c = (points[rng.integers(0, n, 400)] for _ in range(3))
    d1, d2 = b - a, c - a
    det = 2 * (d1[:, 0] * d2[:, 1] - d1[:, 1] * d2[:, 0])
    size = float(np.ptp(points, axis=0).max())
    good = np.abs(det) > 1e-3 * size * size
    if not good.any():
        return None
    a, d1, d2, det = a[good], d1[good], d2[good], det[good]
    s1, s2 = (d1**2).sum(axis=1), (d2**2).sum(axis=1)
    x = (d2[:, 1] * s1 - d1[:, 1] * s2) / det
    y = (d1[:, 0] * s2 - d2[:, 0] * s1) / det
    radius = np.hypot(x, y)
    centre = a + np.column_stack([x, y])
    thin = points[:: max(1, n // 400)]
    gap = np.abs(np.hypot(thin[None, :, 0] - centre[:, :1], thin[None, :, 1] - centre[:, 1:]) - radius[:, None])
    score = (gap < 2 * tolerance).mean(axis=1) * (radius < 3 * size)
    best = int(np.argmax(score))
    circle = Circle(float(centre[best, 0]), float(centre[best, 1]), float(radius[best]))
    for factor in (3.0, 2.0, 1.5, 1.5):
        near = points[_near(circle, points, factor * tolerance)]
        if len(near) < 6:
            return None
        fit = fit_circle_points(near)
        if not fit:
            return None
        circle = Circle(fit.value("x"), fit.value("y"), fit.value("radius"))
    return circle


def _normals(points: Floats, reach: int = 3) -> Floats:
    """Direction (radians) of the normal at every point of the closed outline."""
    ahead, behind = np.roll(points, -reach, axis=0), np.roll(points, reach, axis=0)
    tangent = ahead - behind
    return np.asarray(np.arctan2(tangent[:, 1], tangent[:, 0]) - np.pi / 2)


def _straight_sided(points: Floats, tolerance: float) -> list[tuple[str, Shape]]:
    """Rectangle (square, slot) and regular polygons that fit the straight stretches best."""
    normal = _normals(points)
    # weigh points by how straight the outline runs there
    bend = np.angle(np.exp(1j * (np.roll(normal, -3) - np.roll(normal, 3))))
    weight = np.exp(-((bend / 0.12) ** 2))
    out: list[tuple[str, Shape]] = []
    if weight.sum() < 8:
        return out
    turn = float(np.angle(np.sum(weight * np.exp(4j * normal)))) / 4
    rectangle = _rectangle(points, normal, weight, turn, tolerance)
    if rectangle is not None:
        out.append(rectangle)
    for sides in (6, 8, 5, 3):
        phase = np.sum(weight * np.exp(1j * sides * normal)) / weight.sum()
        if abs(phase) > 0.6:
            polygon = _polygon(points, normal, weight, sides, float(np.angle(phase)) / sides)
            if polygon is not None:
                out.append(("polygon", polygon))
    return out


def _side_place(distance: Floats, weight: Floats, tolerance: float) -> float | None:
    """Place of a straight side: the densest distance, refined by the weighted mean near it."""
    if weight.sum() < 4:  # hardly straight at all: the round end of a slot
        return float(np.percentile(distance, 90))
    order = np.argsort(distance, kind="stable")
    d, w = distance[order], weight[order]
    total = np.cumsum(w)
    upto = np.searchsorted(d, d + 2 * tolerance, side="right") - 1
    inside = total[upto] - total + w
    at = d[int(np.argmax(inside))] + tolerance
    near = np.abs(distance - at) <= 1.5 * tolerance
    return float(np.average(distance[near], weights=weight[near] + 1e-9)) if near.any() else None


def _rectangle(
    points: Floats, normal: Floats, weight: Floats, turn: float, tolerance: float
) -> tuple[str, Shape] | None:
    centre = points.mean(axis=0)
    place: list[float] = []
    angles = [turn + k * np.pi / 2 for k in range(4)]
    for _ in range(2):
        place = []
        tilt, tilt_weight = 0.0, 0.0
        for angle in angles:
            facing = np.abs(np.angle(np.exp(2j * (normal - angle)))) / 2 < np.radians(12)
            c, s = np.cos(angle), np.sin(angle)
            along = (points - centre) @ [c, s]
            pick = facing & (along > 0)
            if pick.sum() < 5:  # no flat here: the round end of a slot, if anything
                place.append(float(along.max()))
                continue
            at = _side_place(along[pick], weight[pick], tolerance)
            if at is None:
                return None
            place.append(at)
            on = pick & (np.abs(along - at) < 2.5 * tolerance + 0.5)
            if on.sum() >= 5:
                across = (points[on] - centre) @ [-s, c]
                spread = float(np.var(across)) * on.sum()
                if spread > 0:
                    slope = float(np.cov(across, along[on], bias=True)[0, 1] * on.sum() / spread)
                    tilt += -slope * spread
                    tilt_weight += spread
        if tilt_weight > 0:
            angles = [a + tilt / tilt_weight for a in angles]
    c, s = np.cos(angles[0]), np.sin(angles[0])
    du, dv = (place[0] - place[2]) / 2, (place[1] - place[3]) / 2
    x, y = centre + [du * c - dv * s, du * s + dv * c]
    a, b = place[0] + place[2], place[1] + place[3]
    degrees = float(np.degrees(angles[0]))
    if min(a, b) <= 0:
        return None
    limit = min(a, b) / 2
    radii = np.unique(np.clip(np.concatenate([[0.0, limit], np.linspace(0, limit, 25)]), 0, limit))
    shapes = [Rectangle(float(x), float(y), a, b, degrees, float(r)) for r in radii]
    misfit = [float(np.minimum(np.abs(one.signed_distance(points)), 2 * tolerance).mean()) for one in shapes]
    best = int(np.argmin(misfit))
    radius = float(radii[best])
    straight = (max(a, b) - 2 * radius) / max(a, b)
    even = abs(a - b) < max(0.6, 0.012 * max(a, b))
    if even and straight < 0.35:
        return None  # hardly any flats left: a circle
    if radius > 0.88 * limit:
        return "slot", Rectangle(float(x), float(y), a, b, degrees, limit)
    return ("square" if even else "rectangular"), shapes[best]


def _polygon(points: Floats, normal: Floats, weight: Floats, sides: int, turn: float) -> RegularPolygon | None:
    centre = points.mean(axis=0)
    for _ in range(3):
        rows, places = [], []
        for k in range(sides):
            angle = turn + 2 * np.pi * k / sides
            c, s = np.cos(angle), np.sin(angle)
            facing = np.cos(2 * (normal - angle)) > np.cos(np.radians(24))
            along = (points - centre) @ [c, s]
            pick = facing & (along > 0)
            if pick.sum() >= 4:
                at = _side_place(along[pick], weight[pick], 0.5)
                if at is not None:
                    rows.append([c, s, 1.0])
                    places.append(at)
        if len(rows) < sides - 1:
            return None
        solved = np.linalg.lstsq(np.array(rows), np.array(places), rcond=None)[0]
        centre = centre + solved[:2]
    return RegularPolygon(float(centre[0]), float(centre[1]), sides, float(solved[2]), float(np.degrees(turn)))


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

    `from` lies in [0, 360), `to` above it.
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
        `concave` is True where the metal lies outside the arc's circle.
    """
    if choice.shape is None or hole:
        return []
    away = ~_close_runs(choice.near, 2)
    found = []
    for run in runs_of(away):
        stretch = points[run]
        if len(stretch) < 10:
            continue
        circle = _circle(stretch, tolerance_px)
        if circle is None:
            continue
        near = _near(circle, stretch, tolerance_px)
        angle = np.unwrap(np.arctan2(stretch[near, 1] - circle.y, stretch[near, 0] - circle.x))
        arc = float(np.degrees(np.ptp(angle))) if near.any() else 0.0
        unbroken = np.diff(_longest_run(_close_runs(near, 3)))[0] / len(stretch)
        ring = isinstance(choice.shape, Circle) and _apart(circle, choice.shape) < 0.1 * circle.radius
        # a relief is an arc from end to end; the inside of a ring fragment has broken edges beside it
        if (
            min(near.mean(), unbroken) < (0.35 if ring else 0.75)
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


def _is_oval(points: Floats, tolerance: float) -> bool:
    """Tell an ellipse: a piece of it passes for an arc."""
    oval = _ESTIMATE_OVAL(points)
    return bool(oval) and float(np.mean(np.abs(oval.residuals(points)) < 2 * tolerance)) > 0.85


def _is_toothed(points: Floats) -> bool:
    """Tell a toothed rim by eight or more even waves of the radius about its centre."""
    start = circle_start(points)
    if start is None:
        return False
    radius = np.hypot(points[:, 0] - start[0], points[:, 1] - start[1])
    middle = (np.percentile(radius, 5) + np.percentile(radius, 95)) / 2
    swing = np.percentile(radius, 95) - np.percentile(radius, 5)
    band = 0.2 * swing
    state, changes = 0, 0
    for r in radius:
        new = 1 if r > middle + band else -1 if r < middle - band else state
        changes += new != state and state != 0
        state = new
    return bool(swing > 1.5 and changes >= 16)
