"""Turns and flips that bring an outline, or a set of holes, onto itself: the ways a plate could be put on wrongly."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import permutations
from math import atan2, cos, degrees, hypot, pi, radians, sin

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar
from shapely.geometry import Polygon

from ctrecon.core.errors import InputError
from ctrecon.core.measured import format_value
from ctrecon.workshop.pins.misses import least_miss_mm

__all__ = ["SEEN_MM", "Motion", "OutlineSymmetry", "hole_motions", "outline_off_mm", "outline_symmetry"]

SEEN_MM = 1.0
"""An outline that stands off by so much is seen to be on wrongly: common practice, no source."""
_STEPS = 720
_SAMPLES = 400
Points = NDArray[np.float64]


@dataclass(frozen=True)
class Motion:
    """A turn about a centre, or a flip: turning the plate over, which is a mirror in plan.

    Parameters
    ----------
    flipped : bool
        Whether the plate is turned over.
    angle_deg : float
        Angle of the turn, anticlockwise; of a flip, direction of the line it is turned over about.
    x, y : float
        A point (mm) that stays: the centre, or one on the line.
    shift_mm : tuple of float
        What is moved after that; (0, 0) for motions of an outline about its centre.
    """

    flipped: bool
    angle_deg: float
    x: float
    y: float
    shift_mm: tuple[float, float] = (0.0, 0.0)

    @cached_property
    def matrix(self) -> Points:
        """Its matrix (2, 2)."""
        if self.flipped:
            c, s = _trig(2 * self.angle_deg)
            return np.array([[c, s], [s, -c]])
        c, s = _trig(self.angle_deg)
        return np.array([[c, -s], [s, c]])

    def __call__(self, points: Points) -> Points:
        """Return where points (n, 2) come to lie."""
        centre = np.array([self.x, self.y])
        return np.asarray((np.asarray(points, float) - centre) @ self.matrix.T + centre + self.shift_mm)

    def of(self, shape: Polygon) -> Polygon:
        """Return where a shape comes to lie."""
        return shapely.transform(shape, self)

    @property
    def name(self) -> str:
        """The motion in words."""
        if not self.flipped:
            angle = self.angle_deg % 360
            if angle < 1e-6 or angle > 360 - 1e-6:
                return "as it is" if self.shift_mm == (0.0, 0.0) else "shifted"
            return "turned half round" if abs(angle - 180) < 1e-6 else f"turned by {round(angle, 1):g}°"
        line = self.angle_deg % 180
        if min(line, 180 - line) < 1e-6:
            return "turned over top to bottom"
        if abs(line - 90) < 1e-6:
            return "turned over left to right"
        return f"turned over about the line at {round(line, 1) % 180:g}°"


def _trig(angle_deg: float) -> tuple[float, float]:
    """Return cosine and sine, exact at quarter turns."""
    quarter = angle_deg / 90
    if abs(quarter - round(quarter)) < 1e-12:
        return ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[round(quarter) % 4]
    return cos(radians(angle_deg)), sin(radians(angle_deg))


@dataclass(frozen=True)
class OutlineSymmetry:
    """Turns and flips that bring an outline onto itself, as near as the eye tells.

    Parameters
    ----------
    centre : tuple of float
        Centroid of the outline (mm).
    motions : tuple of Motion
        All but leaving it as it is; empty for a round outline, which any turn brings onto itself.
    off_mm : tuple of float
        How far the outline then stands off at most, by motion.
    round_ : bool
        Whether the outline is round.
    reason : str
        The finding in one sentence.
    """

    centre: tuple[float, float]
    motions: tuple[Motion, ...]
    off_mm: tuple[float, ...]
    round_: bool
    reason: str


def _boundary_points(outline: Polygon) -> Points:
    ring = outline.exterior
    along = np.linspace(0, ring.length, _SAMPLES, endpoint=False)
    between = shapely.get_coordinates(shapely.line_interpolate_point(ring, along))
    return np.vstack([between, np.asarray(ring.coords)[:-1, :2]])


def outline_off_mm(outline: Polygon, motion: Motion, other: Polygon | None = None) -> float:
    """Return how far (mm) an outline that was moved stands off at most (Hausdorff distance of the boundaries).

    Parameters
    ----------
    outline : shapely Polygon
        The outline that is moved.
    motion : Motion
        How.
    other : shapely Polygon, optional
        The outline it then lies on; itself when not given.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> round(outline_off_mm(box(-30, -20, 30, 20), Motion(False, 180, 1, 0)), 6)
    2.0
    """
    other = outline if other is None else other
    moved = motion.of(outline)
    there = shapely.distance(shapely.points(_boundary_points(moved)), other.exterior)
    back = shapely.distance(shapely.points(_boundary_points(other)), moved.exterior)
    return float(max(there.max(), back.max()))


def _tidy(angle: float, period: float, off: float, score: object) -> float:
    """Return an angle of a whole number of degrees, or of equal parts of a turn, where that fits as well."""
    parts = [360 / n * round(angle * n / 360) for n in (360, 7, 11, 13, 14)]
    for one in sorted(parts, key=lambda each: abs(each - angle)):
        if abs(one - angle) < 0.5 and score(one) <= off + 1e-4:  # type: ignore[operator]
            return one % period
    return angle % period


def outline_symmetry(outline: Polygon, *, seen_mm: float = SEEN_MM) -> OutlineSymmetry:
    """Return the turns and flips after which an outline looks as before.

    Parameters
    ----------
    outline : shapely Polygon
        Outline (mm).
    seen_mm : float
        An outline that stands off by so much is seen to be wrong; what stands off less counts as looking the same.

    Raises
    ------
    InputError
        If the outline is no simple closed area.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> [one.name for one in outline_symmetry(box(0, 0, 60, 40)).motions]
    ['turned half round', 'turned over top to bottom', 'turned over left to right']
    """
    if not isinstance(outline, Polygon) or outline.is_empty or not outline.is_valid:
        raise InputError("the outline is no simple closed area; mend the outline")
    return _symmetry(outline, seen_mm)


@lru_cache(maxsize=64)
def _symmetry(outline: Polygon, seen_mm: float) -> OutlineSymmetry:
    cx, cy = float(outline.centroid.x), float(outline.centroid.y)
    ring = np.asarray(outline.exterior.coords)[:, :2] - (cx, cy)
    phi = np.arange(_STEPS) * 2 * pi / _STEPS
    # support function: its change is never more than the outline's, so it sorts out most angles at once
    support = (ring @ np.array([np.cos(phi), np.sin(phi)])).max(axis=0)
    index = np.arange(_STEPS)
    found: list[tuple[Motion, float]] = []
    for flipped in (False, True):
        sign = -1 if flipped else 1
        change = np.abs(support[(sign * index[None, :] + index[:, None]) % _STEPS] - support[None, :]).max(axis=1)
        lowest = (change <= np.roll(change, 1)) & (change <= np.roll(change, -1)) & (change < seen_mm)
        if not flipped and change.max() < seen_mm and _all_round(outline, (cx, cy), seen_mm):
            why = f"the outline is round within {format_value(seen_mm, 2)} mm: it looks the same at any turn"
            return OutlineSymmetry((cx, cy), (), (), True, why)
        step = 360 / _STEPS / (2 if flipped else 1)
        for k in np.flatnonzero(lowest):
            if not flipped and k == 0:
                continue
            angle, off = _best_angle(outline, flipped, k * step, step, (cx, cy))
            if off >= seen_mm or (not flipped and min(angle % 360, 360 - angle % 360) < 1.0):
                continue
            motion = Motion(flipped, angle, cx, cy)
            if all(one.flipped != flipped or _apart(one, motion) > 2 * step for one, _ in found):
                found.append((motion, off))
    found.sort(key=lambda each: (each[0].flipped, each[0].angle_deg))
    motions, offs = tuple(one for one, _ in found), tuple(off for _, off in found)
    if motions:
        names = ", ".join(one.name for one in motions)
        reason = f"the outline looks the same {names} (within {format_value(max(offs), 2)} mm)"
    else:
        reason = f"no turn or flip brings the outline onto itself within {format_value(seen_mm, 2)} mm"
    return OutlineSymmetry((cx, cy), motions, offs, False, reason)


def _apart(one: Motion, other: Motion) -> float:
    period = 180 if one.flipped else 360
    gap = abs(one.angle_deg - other.angle_deg) % period
    return min(gap, period - gap)


def _all_round(outline: Polygon, centre: tuple[float, float], seen_mm: float) -> bool:
    angles = [360 * k / 97 for k in range(1, 97)]
    return all(outline_off_mm(outline, Motion(False, angle, *centre)) < seen_mm for angle in angles[::4])


def _best_angle(
    outline: Polygon, flipped: bool, start: float, step: float, centre: tuple[float, float]
) -> tuple[float, float]:
    def off(angle: float) -> float:
        return outline_off_mm(outline, Motion(flipped, float(angle), *centre))

    tidy = _tidy(start, 180 if flipped else 360, off(start), off)
    if off(tidy) < 1e-6:
        return tidy, off(tidy)
    best = minimize_scalar(off, bounds=(start - step, start + step), method="bounded", options={"xatol": 1e-4})
    angle = _tidy(float(best.x), 180 if flipped else 360, float(best.fun), off)
    return angle, off(angle)


def hole_motions(
    places: Sequence[tuple[float, float]], diameters: Sequence[float] | None = None, *, within_mm: float = 1e-6
) -> tuple[tuple[Motion, float], ...]:
    """Return the turns and flips that bring a set of holes onto itself, with how far the holes then miss at most.

    Two equal holes have four, leaving them included: the half-turn about their middle, and the flips about the line
    through them and about the line midway between them.

    Parameters
    ----------
    places : sequence of (x, y)
        Centres (mm).
    diameters : sequence of float, optional
        Their diameters; holes of different size are not brought onto each other. All are equal when not given.
    within_mm : float
        How far holes may miss.

    Examples
    --------
    >>> [one.name for one, _ in hole_motions([(-5, 0), (5, 0)])]
    ['turned half round', 'turned over top to bottom', 'turned over left to right']
    """
    points = np.asarray(places, float).reshape(-1, 2)
    sizes = [0.0] * len(points) if diameters is None else list(diameters)
    if len(points) < 2:
        raise InputError("the motions of a set of holes need two holes or more")
    found: list[tuple[Motion, float]] = []
    i, j = _farthest(points)
    for k, m in permutations(range(len(points)), 2):
        if abs(sizes[i] - sizes[k]) > 1e-9 or abs(sizes[j] - sizes[m]) > 1e-9:
            continue
        from_, to = points[j] - points[i], points[m] - points[k]
        for flipped in (False, True):
            a, b = atan2(from_[1], from_[0]), atan2(to[1], to[0])
            angle = degrees((a + b) / 2) % 180 if flipped else degrees(b - a) % 360
            angle = round(angle, 9)
            middle = (points[i] + points[j]) / 2
            plain = Motion(flipped, angle, float(middle[0]), float(middle[1]))
            shift = (points[k] + points[m]) / 2 - plain(middle[None])[0]
            motion = _about_its_own(plain, shift)
            miss = least_miss_mm(motion(points), points, sizes, sizes, exact_sizes=True)
            known = _leaves(motion, points) or any(_same(motion, one, points) for one, _ in found)
            if miss <= within_mm and not known:
                found.append((motion, miss))
    return tuple(sorted(found, key=lambda each: (each[0].flipped, each[0].angle_deg)))


def _about_its_own(plain: Motion, shift: Points) -> Motion:
    """Return the motion with a shift taken into its centre or line as far as that goes."""
    still = np.eye(2) - plain.matrix
    if not plain.flipped and abs(np.linalg.det(still)) > 1e-9:
        centre = np.array([plain.x, plain.y]) + np.linalg.solve(still, shift)
        return Motion(False, plain.angle_deg, float(centre[0]), float(centre[1]))
    if plain.flipped:
        c, s = _trig(plain.angle_deg)
        along = float(shift @ (c, s))
        across = shift - along * np.array([c, s])
        at = np.array([plain.x, plain.y]) + across / 2
        rest = (0.0, 0.0) if abs(along) < 1e-9 else (along * c, along * s)
        return Motion(True, plain.angle_deg, float(at[0]), float(at[1]), rest)
    rest = (0.0, 0.0) if hypot(*shift) < 1e-9 else (float(shift[0]), float(shift[1]))
    return Motion(False, plain.angle_deg, plain.x, plain.y, rest)


def _farthest(points: Points) -> tuple[int, int]:
    """Return the two places that lie farthest apart; of equals the first."""
    pairs = permutations(range(len(points)), 2)
    return max(pairs, key=lambda ij: (round(hypot(*(points[ij[1]] - points[ij[0]])), 9), -ij[0], -ij[1]))


def _leaves(motion: Motion, points: Points) -> bool:
    return not motion.flipped and float(np.abs(motion(points) - points).max()) < 1e-6


def _same(one: Motion, other: Motion, points: Points) -> bool:
    return one.flipped == other.flipped and float(np.abs(one(points) - other(points)).max()) < 1e-6
