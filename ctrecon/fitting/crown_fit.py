"""Teeth that stand on an end face: their angles, the ring they stand on, the planes of roots and tips.

Sums of grey over a tooth keep their value however the scan blurs: angles are centroids of grey, the ring is fitted to
every tooth's sum along the radius, both planes to the sum of all teeth from plane to plane.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.optimize import least_squares
from scipy.special import ndtr

from ctrecon.core.fit_result import FitFailed
from ctrecon.core.frames import Floats
from ctrecon.fitting.wheel_start import RimWave, find_teeth

__all__ = ["CrownFit", "CrownStart", "fit_crown"]

_PER_PX = 3.0  # angles per px of the ring
_BESIDE_PX = 4.5  # of radius that are looked at beside the ring's wall
_RADIAL_PX = 0.5
_AGREE = 0.75  # of the middle height; a lower tooth says nothing of the ring
_TRUST_PX, _TRUST_PLANES = 0.005, 0.02  # what even sectors, straight flanks and level gaps leave open (own phantoms)
_REACH = 7.0  # planes that roots and tips may lie off where the teeth's outlines begin and end
_SOLID = 0.85  # of the grey below the roots; less is another shape
_CORE_PX = 1.5  # of the wall that blur dims beside its faces
_LEAST_STEP = 0.15  # of full grey that the teeth must lack at their roots


@dataclass(frozen=True, eq=False)
class CrownStart:
    """Where a crown is looked for: centre and radii (px), how many teeth a whole rim would have, its planes."""

    x: float
    y: float
    inner: float
    outer: float
    teeth: float
    first: int
    last: int


@dataclass(frozen=True, eq=False)
class CrownFit:
    """A fitted crown; px of the part grid, planes and radians.

    Attributes
    ----------
    names, values, covariance : tuple of str, (5,) array, (5, 5) array
        x, y, outer and inner radius, and the blur.
    angles, u_angles, left : (n,) arrays
        Middle of every tooth, ascending; u if the centre were known; its grey as a share of the middle tooth's.
    root, tip, width : (value, u)
        Planes of roots and tips; thickness of the mean tooth half-way between, at the middle of the wall.
    """

    names: tuple[str, ...]
    values: Floats
    covariance: Floats
    angles: Floats
    u_angles: Floats
    left: Floats
    root: tuple[float, float]
    tip: tuple[float, float]
    width: tuple[float, float]

    def value(self, name: str) -> float:
        """Return one parameter."""
        return float(self.values[self.names.index(name)])

    def u(self, name: str) -> float:
        """Return its standard uncertainty."""
        k = self.names.index(name)
        return float(np.hypot(np.sqrt(max(self.covariance[k, k], 0.0)), _TRUST_PX))


def fit_crown(
    plane: Callable[[int], Floats], planes: tuple[int, int], start: CrownStart, *, within: tuple[int, int],
    noise: float, grain: float, blur: float,
) -> CrownFit | FitFailed:  # fmt: skip
    """Fit teeth that stand on an end face.

    Parameters
    ----------
    plane : callable
        Returns a squared plane (rows, columns), air 0 and metal 1.
    planes : (int, int)
        First and last plane that may be looked at.
    start : CrownStart
        Where to begin.
    within : (int, int)
        First and last plane that lie well within the teeth.
    noise, grain : float
        Standard deviation of one voxel's grey; by how much its correlation raises the variance of a sum.
    blur : float
        Of the scan, px.
    """
    mean = np.mean([plane(k) for k in range(within[0], within[1] + 1)], axis=0)
    sd = noise * np.sqrt(grain / (within[1] - within[0] + 1))
    x, y = start.x, start.y
    for _ in range(2):  # angles are taken about the centre that the ring gives
        angles, u_angles, half = _angles(mean, x, y, start, sd)
        if len(angles) < 5:
            return FitFailed("fewer than five teeth stand out of the end face")
        ring = _ring(mean, x, y, start, angles, half, blur)
        if isinstance(ring, FitFailed):
            return ring
        values, covariance, left = ring
        x, y = float(values[0]), float(values[1])
    good = left > _AGREE * np.median(left)
    steps = _planes(plane, planes, start, values, angles[good], half)
    if isinstance(steps, FitFailed):
        return steps
    root, tip, width = steps
    names = ("x", "y", "outer", "inner", "blur")
    return CrownFit(names, values, covariance, angles, u_angles, left / np.median(left), root, tip, width)


def _fit(rest: Callable[[Floats], Floats], begin: Floats, bounds: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the least-squares parameters, the slopes of what is left there, and that."""
    found = least_squares(rest, begin, bounds=(bounds[0], bounds[1]))
    return np.asarray(found.x), np.asarray(found.jac), np.asarray(found.fun)


def _polar(plane: Floats, x: float, y: float, radii: Floats, angles: Floats, order: Literal[1, 3] = 3) -> Floats:
    """Return the plane at radii (along the first axis) and angles."""
    shape = (slice(None), *(None,) * angles.ndim)
    rows, columns = y + radii[shape] * np.sin(angles), x + radii[shape] * np.cos(angles)
    return np.asarray(ndimage.map_coordinates(plane, np.stack([rows, columns]), order=order, mode="nearest"))


def _angles(mean: Floats, x: float, y: float, start: CrownStart, sd: float) -> tuple[Floats, Floats, float]:
    """Return the middle of every tooth with u, and half the sector that belongs to one."""
    radii = np.arange(start.inner, start.outer + 0.1, _RADIAL_PX)
    count = int(2 * np.pi * start.outer * _PER_PX)
    signal = _polar(mean, x, y, radii, 2 * np.pi * np.arange(count) / count).mean(axis=0)
    wave = RimWave(x, y, round(start.teeth), start.inner, start.outer, 0.0, np.clip(signal, -0.2, 1.2))
    angles = find_teeth(wave)
    half = np.pi / start.teeth
    off = np.linspace(-half, half, int(2 * half * start.outer * _PER_PX) | 1)
    total = np.ones(len(angles))
    for _ in range(3):
        grey = (_polar(mean, x, y, radii, angles[:, None] + off, 1) * radii[:, None, None]).mean(axis=0)
        grey -= grey.min(axis=1, keepdims=True)
        total = np.maximum(grey.sum(axis=1), 1e-9)
        angles = angles + np.clip((grey @ off) / total, -0.2 * half, 0.2 * half)
    # the sum of grey (px²) over a sector, and that of the noise weighted with the angle
    wall, middle = start.outer - start.inner, (start.outer + start.inner) / 2
    metal = total * (off[1] - off[0]) * wall
    u = sd * np.sqrt(middle * wall * 2 * half**3 / 3) / np.maximum(metal, 1e-9)
    order = np.argsort(angles)
    return angles[order], u[order], float(half)


def _ring(
    mean: Floats, x: float, y: float, start: CrownStart, angles: Floats, half: float, blur: float
) -> tuple[Floats, Floats, Floats] | FitFailed:
    """Return x, y, outer, inner and blur with their covariance from every tooth's sum along the radius, and those."""
    radii = np.arange(max(start.inner - _BESIDE_PX, 1.0), start.outer + _BESIDE_PX, _RADIAL_PX)
    off = np.linspace(-half, half, int(2 * half * start.outer * _PER_PX) | 1)
    grey = _polar(mean, x, y, radii, angles[:, None] + off).mean(axis=2).T * radii
    middle = (start.inner + start.outer) / 2

    def model(p: Floats) -> Floats:
        """Sum of grey along the radius of a tooth as high as 1; blur moves both faces of the wall inwards."""
        away = p[0] * np.cos(angles) + p[1] * np.sin(angles)
        r = radii + p[4] ** 2 / (2 * radii)
        wall = ndtr((p[2] + away[:, None] - r) / p[4]) - ndtr((p[3] + away[:, None] - r) / p[4])
        return np.asarray((1 + p[5] * (radii / middle - 1)) * wall)

    def highs(m: Floats) -> Floats:
        return np.asarray((grey * m).sum(axis=1) / (m * m).sum(axis=1))

    def rest(p: Floats, use: NDArray[np.bool_]) -> Floats:
        m = model(p)
        return np.asarray((grey - highs(m)[:, None] * m)[use])

    begin = np.array([0.0, 0.0, start.outer, start.inner, blur, 1.0])
    bounds = np.array([[-3, 3], [-3, 3], [middle, 2 * middle], [1, middle], [0.3, 3], [-3, 3]]).T
    use = np.ones(len(angles), dtype=bool)
    best: Floats = begin
    high: Floats = np.ones(len(angles))
    for _ in range(2):
        best, jac, fun = _fit(lambda p, u=use: rest(p, u).ravel(), begin, bounds)  # type: ignore[misc]
        high = highs(model(best))
        use = high > _AGREE * np.median(high)
        if use.sum() < 5:
            return FitFailed("fewer than five teeth have one height")
    jacobian = jac.reshape(-1, len(radii), len(begin))
    inverse = np.linalg.pinv(jac.T @ jac)
    scores = np.einsum("krp,kr->kp", jacobian, fun.reshape(-1, len(radii)))
    n = len(scores)
    covariance = inverse @ (scores.T @ scores) @ inverse * n / max(n - 4, 1)
    values = best + [x, y, 0, 0, 0, 0]
    return values[:5], covariance[:5, :5], high


def _planes(
    plane: Callable[[int], Floats], planes: tuple[int, int], start: CrownStart, ring: Floats, angles: Floats,
    half: float,
) -> tuple[tuple[float, float], tuple[float, float], tuple[float, float]] | FitFailed:
    """Return the planes of roots and tips, and the teeth's thickness half-way, from the grey of all on each plane."""
    x, y, outer, inner, blur = (float(v) for v in ring)
    core = min(_CORE_PX * blur, 0.35 * (outer - inner))
    radii = np.arange(inner + core, outer - core + 0.01, _RADIAL_PX)
    off = np.linspace(-half, half, int(2 * half * outer * _PER_PX) | 1)
    at = angles[:, None] + off
    index = np.arange(planes[0], planes[1] + 1)
    sectors = (_polar(plane(int(k)), x, y, radii, at, 1).mean(axis=(1, 2)) for k in index)
    grey = np.array([float(np.average(one, weights=radii)) for one in sectors])
    before, after = (index < start.first - 1).nonzero()[0], (index > start.last + 1).nonzero()[0]
    ends = [float(grey[one].max()) if len(one) else 0.0 for one in (before, after)]
    up = ends[0] > ends[1]  # the teeth rise with the planes
    full, air = max(ends), min(ends)
    if full < 0.5 or air > 0.5:
        return FitFailed("it is not on one side alone that its teeth stand on metal")
    if not up:
        index, grey = -index[::-1], grey[::-1]
        before, after = (len(index) - 1 - one[::-1] for one in (after, before))
    low = before[grey[before] > _SOLID * full][-1]
    while low > 0 and grey[low - 1] > _SOLID * full:
        low -= 1
    keep = slice(low + (2 if low > 0 else 0), None)
    index, grey = index[keep].astype(float), grey[keep]
    first, last = (start.first, start.last) if up else (-start.last, -start.first)
    inside = grey[(index >= first) & (index <= last)]

    def model(p: Floats) -> Floats:
        root, tip, sigma, level, at_root, at_tip = p
        a, b = (root - index) / sigma, (tip - index) / sigma
        slope = (at_tip - at_root) / (tip - root)
        line = (at_root + slope * (index - root)) * (ndtr(b) - ndtr(a))
        bell = np.exp(-0.5 * a**2) - np.exp(-0.5 * b**2)
        return np.asarray(level * ndtr(a) + line + slope * sigma * bell / np.sqrt(2 * np.pi))

    begin = np.array([first - 0.5, last + 0.5, 0.9, full, inside[0], inside[-1]])
    margin = np.array([_REACH, _REACH, 0.6, 0.3, 0.6, 0.6])
    low_bound, high_bound = begin - margin, begin + margin
    low_bound[4:] = 0.0
    begin = np.clip(begin, low_bound + 1e-6, high_bound)
    best, jac, fun = _fit(lambda p: model(p) - grey, begin, np.array([low_bound, high_bound]))
    root, tip, _, level, at_root, at_tip = (float(v) for v in best)
    if level - at_root < _LEAST_STEP * level:
        return FitFailed("its teeth leave no gaps at their roots")
    scatter = float(fun @ fun) / max(len(grey) - 6, 1)
    covariance = np.linalg.pinv(jac.T @ jac) * scatter
    u = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    sign = 1.0 if up else -1.0
    share = (at_root + at_tip) / 2 / level
    wide = 2 * half * (outer + inner) / 2
    u_share = float(np.sqrt(max(covariance[4, 4] + covariance[5, 5] + 2 * covariance[4, 5], 0.0)) / 2 / level)
    return (
        (sign * root, float(np.hypot(u[0], _TRUST_PLANES))), (sign * tip, float(np.hypot(u[1], _TRUST_PLANES))),
        (share * wide, float(np.hypot(u_share * wide, 2 * _TRUST_PX))),
    )  # fmt: skip
