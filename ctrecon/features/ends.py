"""Ends of features: which face ends them, found as a plane in the original voxels."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.fit_result import FitFailed
from ctrecon.core.frames import Floats
from ctrecon.features.candidates import Candidate
from ctrecon.features.collect_voxels import VoxelRequest, Voxels
from ctrecon.features.face_place import place_by_sum
from ctrecon.features.flat_part import depth_map, flat_part, leans
from ctrecon.fitting.models import FaceModel
from ctrecon.fitting.solve import Samples, fit_grey
from ctrecon.grey.square_up import SquaredStack

__all__ = ["End", "EndPlan", "end_request", "fit_end", "plan_end"]

_REACH_PX = 60.0  # px from the wall within which a face is looked at
_LOOK = 8  # planes either side of the rough end
_MOST_VOXELS = 40_000  # of a face; more cost time only
_SLOPE_PRIOR = 0.02  # slices per px; end faces are turned square to the axis, nearly
_LEAST_NOISE = 0.02  # of the contrast; the form of a real blur differs from the model's by that much
_FORM_U = 0.02  # slice; what trusting the form of the blur may cost
_BROKEN_U = 0.012  # slice; what a chamfer or round left in the face may cost (seen on chamfered and worn parts)
_CONE = 0.1  # px a plane; features that taper faster are cones
_PLACE_U = 0.003  # slice; no face of a real part is known better


@dataclass(frozen=True, eq=False)
class EndPlan:
    """Where to look for an end face: pixels of the part grid, planes, side of the metal.

    `broken_px` is the width of a chamfer or round between the face and the outline.
    """

    region: NDArray[np.bool_]
    corner: tuple[int, int]
    planes: tuple[float, float]
    rough: float
    metal_above: bool
    broken_px: float = 0.0


@dataclass(frozen=True)
class End:
    """An end on the feature's own axis, in planes of the part grid; None where unknown, with the reason."""

    plane: float | None
    u: float | None
    reason: str = ""
    by_slice: bool = False
    slope_x: float | None = None
    slope_y: float | None = None
    u_slope: float | None = None
    broken_px: float = 0.0


def plan_end(squared: SquaredStack, candidate: Candidate, *, at_start: bool) -> EndPlan | End:
    """Find the face that ends a candidate: the metal that stops or begins around its outline.

    Where that metal leans towards the outline (a chamfer), or there is no air beyond it yet,
    the face itself is looked for farther out; what is not flat is left out.
    """
    near = _plan(squared, candidate, at_start, 3)
    if isinstance(near, End):
        return near
    plan, doubtful = near
    if not doubtful or abs(candidate.growth_px) > _CONE:
        return plan
    far = _plan(squared, candidate, at_start, 6)
    if isinstance(far, End) or far[0].region.sum() <= 1.3 * plan.region.sum():
        return plan
    return far[0]


def _plan(squared: SquaredStack, candidate: Candidate, at_start: bool, outwards: int) -> tuple[EndPlan, bool] | End:
    edge, inward = (candidate.first, 1) if at_start else (candidate.last, -1)
    span = candidate.spans[0] if at_start else candidate.spans[-1]
    length = candidate.last - candidate.first + 1
    inside_plane = edge + inward * min(3, max(1, (length - 1) // 2), length - 1)
    outside_plane = edge - inward * outwards
    rough = edge - 0.5 * inward
    rows, columns = squared.shape[1:]
    reach = 24
    left, top = max(0, span.corner[0] - reach), max(0, span.corner[1] - reach)
    right = min(columns, span.corner[0] + span.nearest.shape[1] + reach)
    bottom = min(rows, span.corner[1] + span.nearest.shape[0] + reach)
    if not 0 <= outside_plane < len(squared):
        return _runs_out()
    window = np.s_[top:bottom, left:right]
    inner, outer = (squared.window(k, window) for k in (inside_plane, outside_plane))
    yy, xx = np.mgrid[top:bottom, left:right]
    grid = np.column_stack([xx.ravel(), yy.ravel()]).astype(float)
    if candidate.shape is not None:
        distance = candidate.shape.signed_distance(grid).reshape(xx.shape)
        grown = candidate.growth_px * (edge - (candidate.first + candidate.last) / 2)
        distance = distance + grown * candidate.shape.wall_share
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
    # metal is inside the feature's own depth where it stops, outside where it begins
    metal_above = metal_stops == at_start
    planes = _clear_range(squared, region, (left, top), rough, metal_above)
    if planes is None:
        return End(rough, 0.5, by_slice=True)
    noise = squared.survey.levels.noise_rel
    depth = depth_map(squared, mask, (left, top), planes, metal_above)
    # the face may be just where it was thought to be passed
    doubtful = leans(depth, mask, distance) or _not_air(outer[region], begins=not metal_stops, inner=inner[region])
    flat = flat_part(depth, region, distance, noise, round(planes[1] - planes[0]), metal_above)
    if flat is None:
        return EndPlan(region, (left, top), planes, rough, metal_above), doubtful
    clear = _clear_range(squared, flat.region, (left, top), rough, metal_above) or planes
    broken = 0.0 if abs(candidate.growth_px) > _CONE else flat.broken_px
    return EndPlan(flat.region, (left, top), clear, rough, metal_above, broken), doubtful


def _not_air(outer: Floats, *, begins: bool, inner: Floats) -> bool:
    """Return whether grey on the far side of a face (the near side, where metal begins) is not down to air yet."""
    return float(np.mean(inner if begins else outer)) > 0.15


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
            np.nanmean(values) if np.isfinite(values := squared.window(k, window)[region]).any() else np.nan
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
    slack = 0.04 + 3 * squared.survey.levels.noise_rel / np.sqrt(region.sum())
    low = at - _plateau(-profile[at::-1], slack)
    high = at + 1 + _plateau(profile[at + 1 :], slack)
    if high - low < 3:
        return None
    return (first + low - 0.5, first + high + 0.5) if metal_above else (last - high - 0.5, last - low + 0.5)


def _plateau(profile: Floats, slack: float) -> int:
    """Count the steps for which a profile rises or stays, less one where it falls again: another face's blur."""
    best, steps = profile[0], 0
    for value in profile[1:]:
        if not np.isfinite(value):
            return steps
        if value < best - slack:
            return max(steps - 1, 1)
        best = max(best, value)
        steps += 1
    return steps


def end_request(plan: EndPlan) -> VoxelRequest:
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
    return VoxelRequest(box, plan.planes, select, min(1.0, _MOST_VOXELS / max(float(expected), 1.0)))


def fit_end(
    plan: EndPlan,
    data: Voxels,
    axis_px: tuple[float, float],
    squared: SquaredStack,
    noise: float,
    *,
    shared: Floats,
) -> End:
    """Fit the face as a plane and return where the feature's axis (column, row) crosses it.

    A fit of the grey gives blur, slopes and a first place; sums of grey through depth give
    the place itself. The slopes carry a weak prior of 0.02 (about one degree) about square
    to the axis, so that a narrow face does not tip over.
    `shared` are sums of the correlation of noise by depth, as `Correlation.by_depth` has them.
    """
    column, row, plane, grey = data
    if len(grey) < 40:
        return End(plan.rough, 0.5, by_slice=True)
    mx, my = float(column.mean()), float(row.mean())
    ratio = squared.pitch_mm / squared.depth_step_mm  # planes per px
    x, y = (column - mx) * ratio, (row - my) * ratio
    fit = fit_grey(
        FaceModel(plan.metal_above),
        np.array([plan.rough, 0.0, 0.0]),
        Samples(x, y, plane, grey, _clusters(column - mx, row - my)),
        noise=max(noise, _LEAST_NOISE),
        prior_sd=np.array([np.inf, _SLOPE_PRIOR, _SLOPE_PRIOR]),
        blur_start_px=0.85,
    )
    if isinstance(fit, FitFailed):
        return End(plan.rough, 0.5, by_slice=True)
    arm = np.array([1.0, (axis_px[0] - mx) * ratio, (axis_px[1] - my) * ratio])
    face = place_by_sum(
        x, y, plane, grey, start=fit.values[:3], metal_above=plan.metal_above, blur=fit.value("blur"),
        prior_sd=_SLOPE_PRIOR, shared=shared,
    )  # fmt: skip
    if face is None:
        # a fit alone trusts the blur's form: what that is worth was seen on blurs of other forms
        grain = float(shared[0] + 2 * shared[1:].sum())
        values, covariance, floor = fit.values[:3], fit.covariance[:3, :3] * grain, _FORM_U
    else:
        values, covariance, floor = face.values, face.covariance, _PLACE_U
    at = float(arm @ values)
    if abs(at - plan.rough) > 4:
        return End(plan.rough, 0.5, by_slice=True)
    if plan.broken_px:
        floor = max(floor, _BROKEN_U)
    u = float(np.sqrt(arm @ covariance @ arm + floor**2))
    u_slope = float(np.sqrt(max(covariance[1, 1], covariance[2, 2], 1e-10)))
    return End(at, u, slope_x=float(values[1]), slope_y=float(values[2]), u_slope=u_slope, broken_px=plan.broken_px)


def _clusters(x: Floats, y: Floats) -> NDArray[np.int64]:
    """Patches of about 5 px: the columns of one patch share its errors."""
    return np.asarray((np.floor(x / 5) + 500).astype(np.int64) * 1000 + (np.floor(y / 5) + 500).astype(np.int64))
