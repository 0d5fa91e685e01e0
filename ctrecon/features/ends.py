"""Ends of features: which face ends them, found as a plane in the original voxels."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.frames import Floats
from ctrecon.features.candidates import Candidate
from ctrecon.features.gather import Want
from ctrecon.fitting.models import FaceModel
from ctrecon.fitting.result import FitFailed, ShapeFit
from ctrecon.fitting.solve import Samples, fit_grey
from ctrecon.slices.square_up import SquaredStack

__all__ = ["End", "EndPlan", "end_want", "fit_end", "plan_end"]

_REACH_PX = 60.0
_LOOK = 8
_MOST_VOXELS = 40_000
_SLOPE_PRIOR = 0.02


@dataclass(frozen=True, eq=False)
class EndPlan:
    """Where to look for an end face: pixels of the square grid, planes, side of the metal.

    `near_outline` is the share of the metal round the feature that ends in this face.
    """

    region: NDArray[np.bool_]
    corner: tuple[int, int]
    planes: tuple[float, float]
    rough: float
    metal_above: bool


@dataclass(frozen=True)
class End:
    """An end on the feature's own axis, in planes of the square grid; None where unknown, with the reason."""

    plane: float | None
    u: float | None
    reason: str = ""
    by_slice: bool = False
    slope_x: float | None = None
    slope_y: float | None = None
    u_slope: float | None = None


def plan_end(squared: SquaredStack, candidate: Candidate, *, at_start: bool) -> EndPlan | End:
    """Find the face that ends a candidate: the metal that stops or begins around its outline."""
    edge, inward = (candidate.first, 1) if at_start else (candidate.last, -1)
    span = candidate.spans[0] if at_start else candidate.spans[-1]
    length = candidate.last - candidate.first + 1
    inside_plane = edge + inward * min(3, max(1, (length - 1) // 2), length - 1)
    outside_plane = edge - inward * 3
    rough = edge - 0.5 * inward
    rows, columns = squared.shape[1:]
    reach = 24
    left, top = max(0, span.corner[0] - reach), max(0, span.corner[1] - reach)
    right = min(columns, span.corner[0] + span.nearest.shape[1] + reach)
    bottom = min(rows, span.corner[1] + span.nearest.shape[0] + reach)
    if not 0 <= outside_plane < len(squared):
        return _runs_out()
    window = np.s_[top:bottom, left:right]
    inner, outer = (squared.plane(k)[window] for k in (inside_plane, outside_plane))
    yy, xx = np.mgrid[top:bottom, left:right]
    grid = np.column_stack([xx.ravel(), yy.ravel()]).astype(float)
    if candidate.shape is not None:
        distance = candidate.shape.signed_distance(grid).reshape(xx.shape)
    else:
        distance = _polygon_distance(span.points, xx, yy)
    close = np.abs(distance) < 6
    lost = ~np.isfinite(outer)
    if lost[close].mean() > 0.5:
        return _runs_out()
    with np.errstate(invalid="ignore"):
        metal_in = ndimage.gaussian_filter(np.nan_to_num(inner), 0.8) > 0.5
        metal_out = ndimage.gaussian_filter(np.nan_to_num(outer), 0.8) > 0.5
    usable = np.isfinite(inner) & np.isfinite(outer)
    stops, begins = metal_in & ~metal_out & usable, ~metal_in & metal_out & usable
    around = np.abs(distance) < 14
    metal_stops = int((stops & around).sum()) >= int((begins & around).sum())
    mask = stops if metal_stops else begins
    # keep what touches the outline's neighbourhood, thick enough to hold sound columns
    labels, _ = ndimage.label(mask)
    touching = np.unique(labels[close & mask])
    mask = np.isin(labels, touching[touching > 0]) & (np.abs(distance) < _REACH_PX)
    region = _core(mask)
    if region is None:
        return End(rough, 0.5, by_slice=True)
    # metal lies inside the feature's own depth where it stops, outside where it begins
    metal_above = metal_stops == at_start
    planes = _clear_range(squared, region, (left, top), rough, metal_above)
    if planes is None:
        return End(rough, 0.5, by_slice=True)
    return EndPlan(region, (left, top), planes, rough, metal_above)


def _runs_out() -> End:
    return End(None, None, "the feature runs out of the stack at this end")


def _core(mask: NDArray[np.bool_]) -> NDArray[np.bool_] | None:
    for iterations in (3, 2, 1):
        core = ndimage.binary_erosion(mask, iterations=iterations)
        if core.sum() >= 40:
            return np.asarray(core)
    return mask if mask.sum() >= 25 else None


def _polygon_distance(points: Floats, xx: NDArray[np.int64], yy: NDArray[np.int64]) -> Floats:
    seeds = np.ones(xx.shape, dtype=bool)
    at = np.round(points).astype(int)
    seeds[np.clip(at[:, 1] - yy[0, 0], 0, xx.shape[0] - 1), np.clip(at[:, 0] - xx[0, 0], 0, xx.shape[1] - 1)] = False
    return np.asarray(ndimage.distance_transform_edt(seeds))


def _clear_range(
    squared: SquaredStack, region: NDArray[np.bool_], corner: tuple[int, int], rough: float, metal_above: bool
) -> tuple[float, float] | None:
    """Planes round the face over which the column is metal on one side and air on the other."""
    rows, columns = region.shape
    window = np.s_[corner[1] : corner[1] + rows, corner[0] : corner[0] + columns]
    first, last = max(0, int(rough) - _LOOK), min(len(squared) - 1, int(np.ceil(rough)) + _LOOK)
    profile = np.array(
        [
            np.nanmean(values) if np.isfinite(values := squared.plane(k)[window][region]).any() else np.nan
            for k in range(first, last + 1)
        ]
    )
    if not metal_above:
        profile = profile[::-1]
    place = (rough - first) if metal_above else (last - rough)
    crossings = [i for i in range(len(profile) - 1) if profile[i] < 0.5 <= profile[i + 1]]
    if not crossings:
        return None
    at = min(crossings, key=lambda i: abs(i + 0.5 - place))
    low, high = at, at + 1
    while low > 0 and np.isfinite(profile[low - 1]) and profile[low - 1] < profile[low] + 0.1:
        low -= 1
    while high < len(profile) - 1 and np.isfinite(profile[high + 1]) and profile[high + 1] > profile[high] - 0.1:
        high += 1
    if high - low < 3:
        return None
    return (first + low - 0.5, first + high + 0.5) if metal_above else (last - high - 0.5, last - low + 0.5)


def end_want(plan: EndPlan) -> Want:
    """Return which voxels the fit of this end face needs."""
    rows, columns = plan.region.shape
    left, top = plan.corner

    def select(column: Floats, row: Floats, _plane: Floats) -> NDArray[np.bool_]:
        i, j = np.round(row - top).astype(int), np.round(column - left).astype(int)
        inside = (i >= 0) & (j >= 0) & (i < rows) & (j < columns)
        return np.asarray(inside & plan.region[np.clip(i, 0, rows - 1), np.clip(j, 0, columns - 1)])

    at_row, at_column = np.nonzero(plan.region)
    box = (
        float(left + at_column.min() - 1),
        float(top + at_row.min() - 1),
        float(left + at_column.max() + 1),
        float(top + at_row.max() + 1),
    )
    expected = plan.region.sum() * (plan.planes[1] - plan.planes[0])
    return Want(box, plan.planes, select, min(1.0, _MOST_VOXELS / max(float(expected), 1.0)))


def fit_end(
    plan: EndPlan,
    data: tuple[Floats, Floats, Floats, Floats],
    axis_px: tuple[float, float],
    squared: SquaredStack,
    noise: float,
) -> End:
    """Fit the face as a plane and return where the feature's axis (column, row) crosses it.

    The slopes carry a weak prior of 0.02 (about one degree) about square to the axis, so
    that a narrow face does not tip over.
    """
    column, row, plane, grey = data
    if len(grey) < 40:
        return End(plan.rough, 0.5, by_slice=True)
    mx, my = float(column.mean()), float(row.mean())
    ratio = squared.pitch_mm / squared.depth_step_mm  # planes per px
    samples = Samples((column - mx) * ratio, (row - my) * ratio, plane, grey, _clusters(column - mx, row - my))
    start = np.array([plan.rough, 0.0, 0.0])
    fit = fit_grey(
        FaceModel(plan.metal_above),
        start,
        samples,
        noise=noise,
        prior_sd=np.array([np.inf, _SLOPE_PRIOR, _SLOPE_PRIOR]),
        blur_start_px=0.85,
    )
    if isinstance(fit, FitFailed):
        return End(plan.rough, 0.5, by_slice=True)
    arm = np.array([1.0, (axis_px[0] - mx) * ratio, (axis_px[1] - my) * ratio])
    at = float(arm @ fit.values[:3])
    if abs(at - plan.rough) > 4:
        return End(plan.rough, 0.5, by_slice=True)
    u = float(np.sqrt(arm @ fit.covariance[:3, :3] @ arm + 0.003**2))
    return End(at, u, slope_x=fit.value("slope_x"), slope_y=fit.value("slope_y"), u_slope=_slope_u(fit))


def _clusters(x: Floats, y: Floats) -> NDArray[np.int64]:
    """Patches of about 5 px: the columns of one patch share its errors."""
    return np.asarray((np.floor(x / 5) + 500).astype(np.int64) * 1000 + (np.floor(y / 5) + 500).astype(np.int64))


def _slope_u(fit: ShapeFit) -> float:
    return max(fit.u("slope_x"), fit.u("slope_y"), 1e-5)
