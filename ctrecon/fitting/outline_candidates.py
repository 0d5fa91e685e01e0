"""Shapes that an outline may be: each found robustly from its points, to be compared afterwards."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from ctrecon.core.circle_points import fit_circle_points
from ctrecon.core.frames import Floats
from ctrecon.shapes import Circle, Rectangle, RegularPolygon, Shape

__all__ = [
    "BLURS", "OFF_CENTRE", "SIDES", "Waves", "arc_of", "circle_of", "mean_secant", "misfit_of", "near_shape",
    "normals_of", "polygons_of", "rectangle_from_waves", "refined_rectangle", "straight_sided", "wave_of_polygon",
    "waves_of",
]  # fmt: skip

BLURS = (0.7, 1.0, 1.4)
"""Blur (px) an outline may have: that of the scan and of the smoothing before tracing."""
OFF_CENTRE = 0.1
"""Of the radius: an arc on a broken outline settles its centre no better (a judgement)."""
_RING = 0.7  # of what another circle shows: one about a known centre has none to choose (a judgement)
SIDES = (3, 5, 6, 7, 8, 9, 10, 11, 12)
"""Regular polygons that are looked for; four sides are the square's."""


@dataclass(frozen=True, eq=False)
class Waves:
    """Waves of an outline's radius about a circle: complex size by number of waves, and their uncertainty (px)."""

    size: dict[int, complex]
    u: float


def near_shape(shape: Shape, points: Floats, tolerance: float) -> NDArray[np.bool_]:
    """Mark the points within the tolerance of a shape."""
    return np.asarray(np.abs(shape.signed_distance(points)) <= tolerance)


def circle_of(points: Floats, tolerance: float) -> Circle | None:
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
    # near counts more than nearly: a bite out of the rim must not draw the circle into a compromise
    score = np.maximum(1 - (gap / (1.5 * tolerance)) ** 2, 0).mean(axis=1) * (radius < 3 * size)
    best = int(np.argmax(score))
    return _settled(Circle(float(centre[best, 0]), float(centre[best, 1]), float(radius[best])), points, tolerance)


def arc_of(points: Floats, about: Circle | None, tolerance: float) -> Circle | None:
    """Return the circle that most of a stretch lies on.

    One about the same centre as `about` comes first: the breaks beside the inside of a ring may be as long as it.
    """
    circle = circle_of(points, tolerance)
    if about is None:
        return circle
    away = np.sort(np.hypot(points[:, 0] - about.x, points[:, 1] - about.y))
    many = np.searchsorted(away, away + 2 * tolerance, side="right") - np.arange(len(away))
    ring = Circle(about.x, about.y, float(away[np.argmax(many)]) + tolerance)
    settled = _settled(ring, points, tolerance)  # breaks may draw it away
    if settled is not None and np.hypot(settled.x - about.x, settled.y - about.y) < OFF_CENTRE * settled.radius:
        ring = settled
    share = near_shape(ring, points, tolerance).mean()
    return ring if circle is None or share >= _RING * near_shape(circle, points, tolerance).mean() else circle


def _settled(circle: Circle, points: Floats, tolerance: float) -> Circle | None:
    for factor in (3.0, 2.0, 1.5, 1.5):
        near = points[near_shape(circle, points, factor * tolerance)]
        if len(near) < 6:
            return None
        fit = fit_circle_points(near)
        if not fit:
            return None
        circle = Circle(fit.value("x"), fit.value("y"), fit.value("radius"))
    return circle


def normals_of(points: Floats, reach: int = 3) -> Floats:
    """Direction (radians) of the outward normal at every point of the closed outline."""
    x, y = points[:, 0], points[:, 1]
    if float(x @ np.roll(y, -1) - np.roll(x, -1) @ y) < 0:
        reach = -reach
    ahead, behind = np.roll(points, -reach, axis=0), np.roll(points, reach, axis=0)
    tangent = ahead - behind
    return np.asarray(np.arctan2(tangent[:, 1], tangent[:, 0]) - np.pi / 2)


def straight_sided(points: Floats, tolerance: float) -> list[tuple[str, Shape]]:
    """Rectangle (square, slot) that fits the straight stretches best."""
    normal = normals_of(points)
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
    return out


def polygons_of(points: Floats, circle: Circle | None, tolerance: float) -> list[RegularPolygon]:
    """Return the regular polygons of 3 and 5 to 12 sides that the outline may be, each fitted to it.

    Started from the direction of straight stretches, and on small outlines, where blur
    leaves none, from the waves of the radius.
    """
    normal = normals_of(points)
    bend = np.angle(np.exp(1j * (np.roll(normal, -3) - np.roll(normal, 3))))
    weight = np.exp(-((bend / 0.12) ** 2))
    waves = None if circle is None else waves_of(circle, points)
    out = []
    for sides in SIDES:
        starts = []
        phase = np.sum(weight * np.exp(1j * sides * normal)) / max(float(weight.sum()), 1e-9)
        if weight.sum() > 8 and abs(phase) > 0.6:
            starts.append(_polygon(points, normal, weight, sides, float(np.angle(phase)) / sides))
        if waves is not None and circle is not None and sides in waves.size:
            seen, wanted = abs(waves.size[sides]), wave_of_polygon(sides, circle.radius, BLURS[-1])
            if seen > 0.25 * wanted:
                turn = -float(np.angle(-waves.size[sides])) / sides
                inradius = circle.radius / mean_secant(sides)
                starts.append(RegularPolygon(circle.x, circle.y, sides, inradius, float(np.degrees(turn))))
        fitted = [_refined(one, points, tolerance) for one in starts if one is not None]
        if fitted:
            out.append(min(fitted, key=lambda one: misfit_of(one, points, tolerance)))
    return out


def rectangle_from_waves(circle: Circle, waves: Waves, points: Floats, tolerance: float) -> Rectangle | None:
    """Return the rectangle that a small outline may be, whose sides blur has bent, from its waves."""
    if abs(waves.size[4]) < 4.5 * waves.u:
        return None
    turn = -float(np.angle(-waves.size[4])) / 4
    share = min(1.0, abs(waves.size[4]) / wave_of_polygon(4, circle.radius))
    inradius = circle.radius / (1 + (mean_secant(4) - 1) * share)
    longer = 2 * float(np.real(waves.size[2] * np.exp(2j * turn)))

    start = Rectangle(
        circle.x, circle.y, 2 * inradius + longer, 2 * inradius - longer, float(np.degrees(turn)),
        (1 - share) * inradius + 0.1 * inradius,
    )  # fmt: skip
    return refined_rectangle(start, points, tolerance)


def refined_rectangle(start: Rectangle, points: Floats, tolerance: float) -> Rectangle:
    """Return the rectangle with round corners that is nearest to the points, found from a start."""

    def shape(q: Floats) -> Rectangle:
        a, b = max(float(q[2]), 1.0), max(float(q[3]), 1.0)
        return Rectangle(
            float(q[0]), float(q[1]), a, b, start.turn_deg + float(np.degrees(q[4])),
            min(abs(float(q[5])), min(a, b) / 2),
        )

    thin = points[:: max(1, len(points) // 240)]

    def off(q: Floats) -> Floats:
        return shape(q).signed_distance(thin)

    fit = least_squares(
        off, [start.x, start.y, start.a, start.b, 0.0, start.corner_radius],
        loss="cauchy", f_scale=tolerance / 2, x_scale=[1.0, 1.0, 1.0, 1.0, 2 / max(start.a, start.b), 1.0], max_nfev=30,
    )  # fmt: skip
    return shape(fit.x)


def misfit_of(shape: Shape, points: Floats, tolerance: float) -> float:
    """Root mean square distance of the points, none counted beyond twice the tolerance."""
    return float(np.sqrt(np.mean(np.minimum(np.abs(shape.signed_distance(points)), 2 * tolerance) ** 2)))


def _refined(start: RegularPolygon, points: Floats, tolerance: float) -> RegularPolygon:
    def shape(q: Floats) -> RegularPolygon:
        return RegularPolygon(float(q[0]), float(q[1]), start.sides, float(q[2]), start.turn_deg + float(q[3]))

    thin = points[:: max(1, len(points) // 240)]
    reach = np.degrees(1 / max(start.inradius, 1.0))

    def off(q: Floats) -> Floats:
        return shape(q).signed_distance(thin)

    fit = least_squares(
        off, [start.x, start.y, start.inradius, 0.0], loss="cauchy",
        f_scale=tolerance / 2, x_scale=[1.0, 1.0, 1.0, reach], max_nfev=25,
    )  # fmt: skip
    return shape(fit.x)


def waves_of(circle: Circle, points: Floats) -> Waves | None:
    """Fit up to 13 waves of the radius to the points near the circle; None where too much of it is missing."""
    dx, dy = points[:, 0] - circle.x, points[:, 1] - circle.y
    angle, off = np.arctan2(dy, dx), np.hypot(dx, dy) - circle.radius
    use = np.abs(off) < max(0.08 * circle.radius, 1.0)
    most = min(13, int(use.sum()) // 3 - 1)
    if most < 8 or len(np.unique((np.degrees(angle[use]) // 10).astype(int))) < 30:
        return None
    k = np.arange(1, most + 1)
    design = np.hstack([np.ones((int(use.sum()), 1)), np.cos(np.outer(angle[use], k)), np.sin(np.outer(angle[use], k))])
    solved = np.linalg.lstsq(design, off[use], rcond=None)[0]
    left = off[use] - design @ solved
    # neighbouring points share their noise over about two pixels
    u = float(np.sqrt((left @ left) / (len(left) - 2 * most - 1) * 4 / max(2 * np.pi * circle.radius, 1.0)))
    sizes = solved[1 : most + 1] + 1j * -solved[most + 1 :]
    return Waves({int(n): complex(sizes[n - 1]) for n in k}, max(u, 0.006))


def mean_secant(sides: int) -> float:
    """Mean radius of a regular polygon of inradius 1."""
    half = np.pi / sides
    return float(np.log(1 / np.cos(half) + np.tan(half)) / half)


def wave_of_polygon(sides: int, radius: float, blur_px: float = 1.0) -> float:
    """Size (px) of the wave that a blurred regular polygon of this mean radius shows, one wave a side."""
    angle = (np.arange(200) + 0.5) / 200 * np.pi / sides
    sharp = float(-2 * np.mean(np.cos(sides * angle) / np.cos(angle))) / mean_secant(sides)
    return radius * sharp * float(np.exp(-0.5 * (sides * blur_px / max(radius, 1.0)) ** 2))


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
    if even and straight < 0.08:
        return None  # hardly any flats left: a circle
    if radius > 0.88 * limit and not even:
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
