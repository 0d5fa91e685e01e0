"""End faces as surfaces: flatness, bend and wedge, from the original voxels across each face."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from scipy.special import ndtr

from ctrecon.core.fit_result import FitFailed, ShapeFit
from ctrecon.core.frames import Floats
from ctrecon.features.candidates import Candidate
from ctrecon.features.collect_voxels import VoxelRequest, Voxels
from ctrecon.features.form import Extreme, extreme_of
from ctrecon.fitting.solve import Samples, fit_grey
from ctrecon.grey.square_up import SquaredStack

__all__ = ["Face", "FacePlan", "FaceSurface", "face_request", "fit_face", "plan_face"]

_LOOK = 14  # planes that are searched for a face
_MARGIN_PX = 3.8  # px that a face keeps from its rim, where the walls blur
_MOST_VOXELS = 40_000  # of a face; more cost time only
_LEAST_PIXELS = 150  # a smaller face says nothing of its form
_LEAST_CELLS = 9  # cells; fewer leave no freedom beside plane and bend
_CELLS_ACROSS = 12  # cells along the longer side of a face
_DRAWS = 400  # of noise; its spread is then known to 4 %


@dataclass(frozen=True, eq=False)
class FacePlan:
    """Pixels of the part grid that a face covers, the plane it has in each (to about a third), and its side."""

    region: NDArray[np.bool_]
    height: Floats
    corner: tuple[int, int]
    metal_above: bool


@dataclass(frozen=True, eq=False)
class Face:
    """A face as plane + bend, px of the part grid: z = place + slopes + xx x² + xy xy + yy y² from (x, y) = middle.

    `values` and `covariance` are of (place, slope_x, slope_y, xx, xy, yy) in px; `flat` is the
    range of its cells about their plane, `bend` that of the smooth bend over the region.
    """

    middle: tuple[float, float]
    values: Floats
    covariance: Floats
    flat: Extreme
    bend: Extreme
    cells: int

    def height(self, x: Floats, y: Floats) -> Floats:
        """Return the depth (px) of the face at places of the grid."""
        return np.asarray(_columns(x - self.middle[0], y - self.middle[1]) @ self.values)

    @property
    def bent(self) -> bool:
        """True where flatness and the smooth bend in it stand out of the noise and the bend exceeds 2U (four u)."""
        return self.flat.resolved and self.bend.resolved and self.bend.value > 4 * self.bend.u


@dataclass(frozen=True)
class FaceSurface:
    """The face as a model of grey: depth is a quadratic surface over the section."""

    metal_above: bool
    names: tuple[str, ...] = ("place", "slope_x", "slope_y", "xx", "xy", "yy")

    def distance(self, p: Floats, s: Samples, blur_px: float) -> tuple[Floats, Floats]:
        """Distance along depth, into the metal."""
        rows = _columns(s.x, s.y)
        d = s.z - rows @ p
        return (d, -rows) if self.metal_above else (-d, rows)


def _columns(x: Floats, y: Floats) -> Floats:
    x, y = np.ravel(x), np.ravel(y)
    return np.column_stack([np.ones(len(x)), x, y, x * x, x * y, y * y])


def plan_face(squared: SquaredStack, candidate: Candidate, *, at_start: bool) -> FacePlan | None:
    """Find where the metal of an outside ends: the pixels in which air turns to metal once, near one smooth surface."""
    edge, inward = (candidate.first, 1) if at_start else (candidate.last, -1)
    span = candidate.spans[0] if at_start else candidate.spans[-1]
    length = candidate.last - candidate.first + 1
    outer, inner = edge - inward * _LOOK, edge + inward * min(_LOOK, max(2, length // 2))
    planes = [k for k in range(outer, inner + inward, inward) if 0 <= k < len(squared)]
    if len(planes) < 5:
        return None
    left, top = (max(0, int(v)) for v in span.points.min(axis=0))
    right, bottom = (int(v) + 2 for v in span.points.max(axis=0))
    window = np.s_[top:bottom, left:right]
    blurred = (ndimage.gaussian_filter(np.nan_to_num(squared.window(k, window)), 0.8) for k in planes)
    once, crossing = _turns_once(blurred)
    yy, xx = np.mgrid[top:bottom, left:right]
    inside = np.asarray(shapely.contains_xy(shapely.Polygon(span.points).buffer(0), xx, yy))
    # blur of the side walls and of what is on the face reaches this far in
    region = ndimage.distance_transform_edt(np.pad(once & inside, 1))[1:-1, 1:-1] > _MARGIN_PX
    if region.sum() < _LEAST_PIXELS:
        return None
    height = planes[0] + inward * crossing
    y, x = np.nonzero(region)
    rows = _columns((x - x.mean()) / 100, (y - y.mean()) / 100)
    z = height[region]
    keep = np.abs(z - (edge - 0.5 * inward)) < 3.0
    for _ in range(8):  # grow from the pixels near the expected end to all that are on one smooth surface
        if keep.sum() < _LEAST_PIXELS:
            return None
        q = np.linalg.lstsq(rows[keep], z[keep], rcond=None)[0]
        smooth = rows @ q
        keep = np.abs(z - smooth) < 1.2
    on = np.zeros_like(region)
    on[y[keep], x[keep]] = True
    surface = np.zeros(region.shape)
    surface[y, x] = smooth
    return FacePlan(on, surface, (left, top), at_start)


def _turns_once(planes: Iterator[Floats]) -> tuple[NDArray[np.bool_], Floats]:
    """Return which pixels turn from air to metal once and for all, and at which plane (a fraction) they cross half."""
    before = next(planes)
    first = last = before > 0.5
    turns, crossing = np.zeros(before.shape, np.int16), np.zeros(before.shape)
    for i, plane in enumerate(planes):
        metal = plane > 0.5
        new = metal & (turns == 0)
        crossing[new] = i + ((0.5 - before[new]) / np.maximum(plane[new] - before[new], 1e-3)).astype(float)
        turns += metal != last
        last, before = metal, plane
    return (turns == 1) & ~first & last, crossing


def face_request(plan: FacePlan, squared: SquaredStack) -> VoxelRequest:
    """Return which voxels the surface of this face needs."""
    rows, columns = plan.region.shape
    left, top = plan.corner
    reach = 4.0 * max(1.0, squared.pitch_mm / squared.depth_step_mm)
    heights = plan.height[plan.region]

    def select(column: Floats, row: Floats, plane: Floats) -> NDArray[np.bool_]:
        i, j = np.round(row - top).astype(int), np.round(column - left).astype(int)
        inside = (i >= 0) & (j >= 0) & (i < rows) & (j < columns)
        i, j = np.clip(i, 0, rows - 1), np.clip(j, 0, columns - 1)
        return np.asarray(inside & plan.region[i, j] & (np.abs(plane - plan.height[i, j]) < reach))

    expected = float(plan.region.sum()) * 2 * reach
    box = (float(left), float(top), float(left + columns), float(top + rows))
    ends = (float(heights.min()) - reach, float(heights.max()) + reach)
    return VoxelRequest(box, ends, select, min(1.0, _MOST_VOXELS / max(expected, 1.0)))


def fit_face(
    plan: FacePlan, data: Voxels, squared: SquaredStack, noise: float, *, seed: int = 0
) -> Face | FitFailed:
    """Fit the smooth surface, then each cell of the face on its own; judge their range against their noise."""
    column, row, plane, grey = data
    if len(grey) < 400:
        return FitFailed("too few voxels across the face")
    ratio = squared.depth_step_mm / squared.pitch_mm
    middle = (float(column.mean()), float(row.mean()))
    x, y, z = column - middle[0], row - middle[1], plane * ratio
    cluster = ((np.floor(x / 5) + 500) * 1000 + np.floor(y / 5) + 500).astype(np.int64)
    at = np.round(np.column_stack([row - plan.corner[1], column - plan.corner[0]])).astype(int)
    limits = np.array(plan.region.shape) - 1
    expected = plan.height[tuple(np.clip(at, 0, limits).T)] * ratio
    start = np.linalg.lstsq(_columns(x, y), expected, rcond=None)[0]
    samples = Samples(x, y, z, grey, cluster)
    fit = fit_grey(FaceSurface(plan.metal_above), start, samples, noise=noise, blur_start_px=0.85)
    if isinstance(fit, FitFailed):
        return fit
    size = max(5.0, float(max(np.ptp(x), np.ptp(y))) / _CELLS_ACROSS)
    cells = _cells(fit, plan.metal_above, samples, size)
    if len(cells) < _LEAST_CELLS:
        return FitFailed("the face is too small to show its form")
    cx, cy, off, var = cells.T
    var = var * _extra_noise(cx, cy, off, var, size)
    values, covariance = fit.values[:6], fit.covariance[:6, :6]
    rows = _columns(cx, cy)
    plane_out = np.eye(len(cx)) - rows[:, :3] @ np.linalg.pinv(rows[:, :3])
    whole = plane_out @ (rows @ values + off)
    rng = np.random.default_rng(seed)
    noise_draws = rng.standard_normal((_DRAWS, len(cx))) * np.sqrt(var) @ plane_out
    flat = extreme_of(
        float(np.ptp(whole)), np.ptp(noise_draws, axis=1), np.ptp(noise_draws + whole, axis=1), floor=0.005
    )
    curve = plane_out @ rows[:, 3:]
    smooth = curve @ values[3:]
    draws = noise_draws @ (curve @ np.linalg.pinv(curve)).T  # the noise of the cells holds for the smooth part too
    bend = extreme_of(
        float(np.ptp(smooth)), np.ptp(draws, axis=1), np.ptp(draws + smooth, axis=1), floor=0.005, resolution=0.998
    )
    return Face(middle, values, covariance, flat, bend, len(cx))


def _cells(fit: ShapeFit, metal_above: bool, s: Samples, size: float) -> Floats:
    """Return x, y, offset in depth and its variance (px) of each well-filled cell, its own air and metal left free."""
    blur, air, contrast = fit.value("blur"), fit.value("air"), fit.value("contrast")
    sign = 1.0 if metal_above else -1.0
    t = sign * (s.z - _columns(s.x, s.y) @ fit.values[:6]) / blur
    step = ndtr(t)
    pull = -sign * contrast * np.exp(-0.5 * t * t) / np.sqrt(2 * np.pi) / blur
    left = s.grey - air - contrast * step
    cell = (np.floor(s.x / size) + 500).astype(np.int64) * 1000 + (np.floor(s.y / size) + 500).astype(np.int64)
    order = np.argsort(cell, kind="stable")
    starts = np.flatnonzero(np.diff(cell[order], prepend=-1))
    groups = np.split(order, starts[1:])
    full = float(np.median([len(g) for g in groups]))
    out = []
    for g in groups:
        if len(g) < max(12.0, 0.4 * full):
            continue
        design = np.column_stack([pull[g], np.ones(len(g)), step[g]])
        inverse = np.linalg.inv(design.T @ design + 1e-9 * np.eye(3))
        q = inverse @ (design.T @ left[g])
        var = float(((left[g] - design @ q) ** 2).sum()) / (len(g) - 3) * float(inverse[0, 0])
        out.append((float(s.x[g].mean()), float(s.y[g].mean()), float(q[0]), var))
    return np.array(out).reshape(-1, 4)


def _extra_noise(x: Floats, y: Floats, off: Floats, var: Floats, size: float) -> float:
    """Return how much larger the scatter between neighbouring cells is than their own variances say; at least 1."""
    right = [(i, j) for i in range(len(x)) for j in range(len(x))
             if 0.7 * size < x[j] - x[i] < 1.3 * size and abs(y[j] - y[i]) < 0.3 * size]  # fmt: skip
    if len(right) < 6:
        return 1.0
    i, j = np.array(right).T
    return max(float(np.mean((off[i] - off[j]) ** 2 / (var[i] + var[j]))), 1.0)
