"""Circles that roundness is measured from: least squares, minimum zone, minimum circumscribed, maximum inscribed.

Terms of ISO 12181-1: LSCI, MZCI, MCCI, MICI. All of them are exact to rounding: the
last step solves the contact points, not an approximation.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.spatial import QhullError, Voronoi

from ctrecon.core.circle_points import fit_circle_points
from ctrecon.core.fit_result import FitFailed
from ctrecon.core.frames import Floats

__all__ = ["Zone", "least_squares_circle", "maximum_inscribed", "minimum_circumscribed", "minimum_zone"]

_MOST_CONTACTS = 12  # farthest and nearest points tried as contacts
_ALL_SETS = 14  # so few points are tried in all sets
_FARTHEST = 50.0  # radii; a centre farther off is that of a line
_NEAR = 1e-6  # of the ring's width: so near the best centre its contact points are known, and they give the rest


@dataclass(frozen=True)
class Zone:
    """A reference circle's centre and the smallest ring about it that holds all points (unit of the points).

    `radius` is that of the reference circle itself: the least-squares radius, the middle
    of the minimum zone, the circumscribed or the inscribed radius.
    """

    kind: str
    x: float
    y: float
    radius: float
    inner: float
    outer: float

    @property
    def width(self) -> float:
        """Roundness about this centre: outer less inner radius."""
        return self.outer - self.inner


def least_squares_circle(points: Floats) -> Zone | FitFailed:
    """Return the ring about the least-squares circle (LSCI)."""
    fit = fit_circle_points(points)
    if isinstance(fit, FitFailed):
        return fit
    return _ring("LSCI", points, (fit.value("x"), fit.value("y")), fit.value("radius"))


def minimum_circumscribed(points: Floats) -> Zone | FitFailed:
    """Return the smallest circle round all points (MCCI).

    The circle through two or three contact points is grown by the farthest point outside
    it until none is left; each step enlarges it, so it ends.
    """
    points = _checked(points)
    middle = points.mean(axis=0)
    active = [int(np.argmax(np.hypot(*(points - middle).T)))]
    active.append(int(np.argmax(np.hypot(*(points - points[active[0]]).T))))
    scale = float(np.abs(points - middle).max())
    if not scale > 0:
        return FitFailed("all points lie in one place")
    centre, radius, contacts = _smallest(points, active)
    for _ in range(10 * len(points)):
        distance = np.hypot(*(points - centre).T)
        far = int(np.argmax(distance))
        if distance[far] <= radius + 1e-13 * scale or far in contacts:
            break
        centre, radius, contacts = _smallest(points, [*contacts, far])
    return _ring("MCCI", points, centre, radius)


def maximum_inscribed(points: Floats) -> Zone | FitFailed:
    """Return the largest empty circle that the points hold from all sides (MICI).

    Its centre is equally far from at least three points that surround it: a corner of the
    Voronoi cells. Of equal circles the one with the larger x, then y is taken. Points on an
    arc of half a turn or less hold no circle.
    """
    points = _checked(points)
    middle = points.mean(axis=0)
    scale = float(np.abs(points - middle).max())
    if not scale > 0:
        return FitFailed("all points lie in one place")
    try:
        corners = np.asarray(Voronoi((points - middle) / scale).vertices) * scale + middle
    except (QhullError, ValueError):
        return FitFailed("the points lie in one line or in one place")
    best: tuple[float, float, float] | None = None
    for corner in corners[np.abs(corners - middle).max(axis=1) <= scale]:
        away = points - corner
        distance = np.hypot(*away.T)
        radius = float(distance.min())
        touching = away[distance <= radius + 1e-9 * scale]
        if radius <= 0 or _widest_gap(touching) > np.pi + 1e-6:
            continue
        found = (radius, float(corner[0]), float(corner[1]))
        gain = np.inf if best is None else (radius - best[0]) / scale
        if best is None or gain > 1e-10 or (gain > -1e-10 and found[1:] > best[1:]):
            best = found
    if best is None:
        return FitFailed("no circle is held from all sides: the points lie on an arc")
    return _ring("MICI", points, best[1:], best[0])


def minimum_zone(points: Floats) -> Zone | FitFailed:
    """Return the narrowest ring that holds all points (MZCI).

    Linear programs about the centre so far (from each of the other three centres), then
    the exact centre from the contact points: two outer and two inner ones, or three and
    one. Up to 14 points every contact set is tried, so the answer is the global one.

    References
    ----------
    S. Gass, C. Witzgall, H. Harary, Int. J. Flex. Manuf. Syst. 10 (1998): the linear-programming view.
    """
    points = _checked(points)
    ls = least_squares_circle(points)
    if isinstance(ls, FitFailed):
        return ls
    starts = [ls, minimum_circumscribed(points), maximum_inscribed(points)]
    reach = _FARTHEST * max(ls.radius, float(np.abs(points - points.mean(axis=0)).max()))
    best: tuple[float, Floats] = (ls.width, np.array([ls.x, ls.y]))
    for start in starts:
        if isinstance(start, Zone):
            best = min(best, _descend(points, np.array([start.x, start.y]), reach), key=lambda one: one[0])
    for _ in range(20):
        found = _by_contacts(points, best[1], reach)
        if found is None or found[0] >= best[0] * (1 - 1e-13):
            break
        best = found
    zone = _ring("MZCI", points, best[1], 0.0)
    return Zone("MZCI", zone.x, zone.y, (zone.inner + zone.outer) / 2, zone.inner, zone.outer)


def _checked(points: Floats) -> Floats:
    points = np.asarray(points, dtype=float)
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < 3 or not np.isfinite(points).all():
        raise ValueError("a circle needs at least three points with finite coordinates")
    return points


def _ring(kind: str, points: Floats, centre: tuple[float, ...] | Floats, radius: float) -> Zone:
    distance = np.hypot(points[:, 0] - centre[0], points[:, 1] - centre[1])
    return Zone(kind, float(centre[0]), float(centre[1]), radius, float(distance.min()), float(distance.max()))


def _circumcentres(triples: Floats) -> Floats:
    """Return the centres of circles through (M, 3, 2) points; NaN where they are in a line."""
    a, b, c = triples[:, 0], triples[:, 1] - triples[:, 0], triples[:, 2] - triples[:, 0]
    cross = 2 * (b[:, 0] * c[:, 1] - b[:, 1] * c[:, 0])
    bb, cc = (b**2).sum(axis=1), (c**2).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        x = (c[:, 1] * bb - b[:, 1] * cc) / cross
        y = (b[:, 0] * cc - c[:, 0] * bb) / cross
    out = a + np.column_stack([x, y])
    return np.asarray(np.where(np.isfinite(out), out, np.nan))


def _smallest(points: Floats, active: list[int]) -> tuple[Floats, float, list[int]]:
    """Return centre, radius and contacts of the smallest circle round a few points, by trying all pairs and triples."""
    own = points[active]
    options: Iterator[tuple[int, ...]] = (c for size in (2, 3) for c in combinations(range(len(active)), size))
    best: tuple[float, Floats, list[int]] | None = None
    for chosen in options:
        some = own[list(chosen)]
        centre = some.mean(axis=0) if len(chosen) == 2 else _circumcentres(some[None])[0]
        if not np.isfinite(centre).all():
            continue
        radius = float(np.hypot(*(some - centre).T).max())
        holds = bool((np.hypot(*(own - centre).T) <= radius * (1 + 1e-12)).all())
        if holds and (best is None or radius < best[0]):
            best = (radius, centre, [active[i] for i in chosen])
    assert best is not None
    return best[1], best[0], best[2]


def _widest_gap(directions: Floats) -> float:
    """Return the widest angle (radians) without a direction."""
    angle = np.sort(np.arctan2(directions[:, 1], directions[:, 0]))
    return float(np.diff(np.concatenate([angle, angle[:1] + 2 * np.pi])).max())


def _width(points: Floats, centres: Floats) -> Floats:
    distance = np.hypot(points[:, 0, None] - centres[:, 0], points[:, 1, None] - centres[:, 1])
    return np.asarray(np.ptp(distance, axis=0))


def _descend(points: Floats, centre: Floats, reach: float) -> tuple[float, Floats]:
    """Move the centre by linear programs while the ring gets narrower by more than a millionth."""
    best = float(_width(points, centre[None])[0])
    trust = max(best, 1e-9 * reach)
    for _ in range(60):
        away = points - centre
        distance = np.maximum(np.hypot(*away.T), 1e-300)
        unit = away / distance[:, None]
        one = np.ones((len(points), 1))
        # unknowns: step x, y, outer, inner; outer >= distance - unit.step >= inner
        rows = np.vstack([np.hstack([-unit, -one, 0 * one]), np.hstack([unit, 0 * one, one])])
        limits = [(-trust, trust), (-trust, trust), (None, None), (None, None)]
        answer: Any = linprog([0, 0, 1, -1], A_ub=rows, b_ub=np.concatenate([-distance, distance]), bounds=limits)
        if not answer.success:
            break
        moved = centre + np.asarray(answer.x)[:2]
        width = float(_width(points, moved[None])[0])
        if width < best and float(np.hypot(*(moved - points.mean(axis=0)))) < reach:
            gain, best, centre = best - width, width, moved
            if gain < _NEAR * best:
                break
        else:
            trust /= 4
            if trust < _NEAR * max(best, 1e-12 * reach):
                break
    return best, centre


def _by_contacts(points: Floats, centre: Floats, reach: float) -> tuple[float, Floats] | None:
    """Return the best centre among those that contact points would give, near or (few points) anywhere."""
    if len(points) <= _ALL_SETS:
        outer = inner = np.arange(len(points))
    else:
        distance = np.hypot(*(points - centre).T)
        outer, inner = np.argsort(-distance)[:_MOST_CONTACTS], np.argsort(distance)[:_MOST_CONTACTS]
    pairs_out, pairs_in = _pairs(outer), _pairs(inner)
    triples = [_circumcentres(points[np.array(list(combinations(group, 3)))]) for group in (outer, inner)]
    centres = np.concatenate([_crossings(points, pairs_out, pairs_in), *triples])
    centres = centres[np.isfinite(centres).all(axis=1)]
    centres = centres[np.hypot(*(centres - points.mean(axis=0)).T) < reach]
    if not len(centres):
        return None
    width = _width(points, centres)
    at = int(np.argmin(width))
    return float(width[at]), centres[at]


def _pairs(group: NDArray[np.int64]) -> NDArray[np.int64]:
    return np.array(list(combinations(group.tolist(), 2)), dtype=np.int64)


def _crossings(points: Floats, first: NDArray[np.int64], second: NDArray[np.int64]) -> Floats:
    """Return where the bisectors of the first pairs cross those of the second, (M, 2)."""

    def lines(pairs: NDArray[np.int64]) -> tuple[Floats, Floats]:
        a, b = points[pairs[:, 0]], points[pairs[:, 1]]
        return b - a, ((b - a) * (a + b) / 2).sum(axis=1)

    n1, c1 = lines(first)
    n2, c2 = lines(second)
    cross = n1[:, 0, None] * n2[None, :, 1] - n1[:, 1, None] * n2[None, :, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        x = (c1[:, None] * n2[None, :, 1] - n1[:, 1, None] * c2[None]) / cross
        y = (n1[:, 0, None] * c2[None] - c1[:, None] * n2[None, :, 0]) / cross
    return np.column_stack([x.ravel(), y.ravel()])
