"""Pictures of seams, made while the grey is at hand: unrolled along the outline, and the mean section."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.frames import Floats
from ctrecon.features.build import MeasuredFeature
from ctrecon.grey.square_up import SquaredStack
from ctrecon.record.kinds import kind_of
from ctrecon.record.pictures import FaceSeamPicture, SeamPicture
from ctrecon.seams.line_kinds import SeamShape, grown, line_kind

__all__ = ["make_seam_pictures"]

_ON_PX = np.array([-0.7, -0.35, 0.0, 0.35, 0.7])
_BESIDE_PX = np.array([-5.0, -4.375, -3.75, -3.125, -2.5, 2.5, 3.125, 3.75, 4.375, 5.0])
_SOLID = 0.75  # beside the line; less is an edge of the metal
_LEAST_BEYOND = 8  # planes shown beyond each end
_BEYOND_SHARE = 0.35
_MOST_ROWS = 160
_MOST_COLUMNS = 720
_WINDOW_PX = 10
_LOCAL_PX = 8.0
_EDGE_PX = 3
_MOST_WALK_PX = 0.5  # a tapered line may move so far on the mean section
_FACE_BESIDE = (2.5, 5.0)  # planes
_MOST_SEAMS = 6
_MEETS_PLANES = 3.0
_FEWEST_POINTS = 4
_CALM_PX = 0.8
_HALF = 0.5
_MOST_AIR = 0.1  # of the planes; more and the place counts as outside the metal
_FULL = 0.95  # of the grey of metal


@dataclass(frozen=True, eq=False)
class _Path:
    """Points along an outline with their normals, (N, 2) as (column, row)."""

    points: Floats
    normals: Floats
    along: Floats


def make_seam_pictures(
    squared: SquaredStack, drafts: Sequence[MeasuredFeature]
) -> tuple[SeamPicture | FaceSeamPicture, ...]:
    """Make one picture of each seam, the surest six of them, in the order of the drafts.

    Parameters
    ----------
    squared : SquaredStack
        The grid the drafts are given on.
    drafts : sequence of MeasuredFeature
        Features with their ids; only seams are looked at.
    """
    seams = [d for d in drafts if d.seam is not None]
    surest = sorted(seams, key=lambda d: -(d.seam.z if d.seam is not None else 0.0))[:_MOST_SEAMS]
    out: list[SeamPicture | FaceSeamPicture] = []
    for draft in (d for d in seams if d in surest):
        if kind_of(draft.feature).is_face:
            depth = draft.depths[0]
            meeting = [s for s in seams if s.sized.candidate.shape is not None and _meets(s, depth)]
            flat = _face(squared, draft, [_outline(s) for s in meeting])
            out += [] if flat is None else [flat]
        elif draft.sized.candidate.shape is not None and len(_outline(draft)) > _FEWEST_POINTS:
            out.append(_side(squared, draft))
    return tuple(out)


def _meets(side: MeasuredFeature, depth: float) -> bool:
    """Return whether a side seam ends at a depth."""
    return min(abs(side.depths[0] - depth), abs(side.depths[1] - depth)) < _MEETS_PLANES


def _outline(draft: MeasuredFeature) -> Floats:
    shape = draft.sized.candidate.shape
    assert shape is not None
    return shape.outline()


def _side(squared: SquaredStack, draft: MeasuredFeature) -> SeamPicture:
    shape, growth = _at_its_middle(draft, squared.pitch_mm), draft.sized.candidate.growth_px
    low, high = draft.depths
    middle = (low + high) / 2
    path = _path_along(shape.outline(720))
    beyond = max(_LEAST_BEYOND, _BEYOND_SHARE * (high - low))
    first, last = max(0, round(low - beyond)), min(len(squared) - 1, round(high + beyond))
    stride = int(np.ceil((last - first + 1) / _MOST_ROWS))
    planes = range(first, last + 1, stride)
    inner = _inner_planes(low, high, growth, planes)
    window = _window(shape.outline(), squared.shape)
    total, count, air = (np.zeros(squared.shape[1:]) for _ in range(3))
    rows = []
    for k in planes:
        plane = squared.plane(k)
        own = _path_along(grown(shape, growth * (k - middle)).outline(720), len(path.points)) if growth else path
        rows.append(_line_contrast(plane, own))
        if k in inner:
            known = np.isfinite(plane)
            total += np.where(known, plane, 0.0)
            count += known
            air += ndimage.gaussian_filter(np.nan_to_num(plane), _CALM_PX) < _HALF
    mean = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    centre = shape.centre
    corner = np.array([window[1].start, window[0].start])
    return SeamPicture(
        feature=draft.feature.id,
        along_px=path.along,
        angle_deg=np.degrees(np.arctan2(path.points[:, 1] - centre[1], path.points[:, 0] - centre[0])) % 360,
        corners_px=tuple(float(v) for v in _corners(path)),
        depth_slices=_slices(squared, centre, planes),
        contrast=np.array(rows, dtype=np.float32),
        section=_without_local_mean(mean, _clear(air > _MOST_AIR * len(inner)))[window],
        outline_px=shape.outline() - corner,
        planes=len(inner),
    )


def _at_its_middle(draft: MeasuredFeature, pitch_mm: float) -> SeamShape:
    """Return the seam's shape at its middle depth, for which the record gives its size."""
    shape: SeamShape = draft.sized.candidate.shape  # type: ignore[assignment]  # seams follow such shapes only
    f = draft.feature
    if not draft.sized.candidate.growth_px:
        return shape
    width = f.diameter_mm or f.flats_mm
    return shape if width is None else line_kind(shape).of_width(shape, width.value / pitch_mm)


def _path_along(outline: Floats, count: int | None = None) -> _Path:
    """Return points about 1 px apart along a closed outline, with the normals of its sides."""
    steps = np.hypot(*np.diff(outline, axis=0).T)
    keep = np.r_[True, steps > 1e-9]
    outline, steps = outline[keep], steps[steps > 1e-9]
    reach = np.r_[0.0, np.cumsum(steps)]
    count = count or int(np.clip(round(reach[-1]), 24, _MOST_COLUMNS))
    along = (np.arange(count) + 0.5) / count * reach[-1]
    side = np.clip(np.searchsorted(reach, along, side="right") - 1, 0, len(steps) - 1)
    tangent = np.diff(outline, axis=0)[side] / steps[side, None]
    points = outline[side] + tangent * (along - reach[side])[:, None]
    return _Path(points, np.column_stack([tangent[:, 1], -tangent[:, 0]]), along)


def _corners(path: _Path) -> Floats:
    """Return the lengths along the path at which it turns by more than 30 degrees from one point to the next."""
    turn = np.abs((path.normals * np.roll(path.normals, -1, axis=0)).sum(axis=1))
    at = np.nonzero(turn < np.cos(np.radians(30)))[0]
    step = path.along[1] - path.along[0]
    return np.asarray((path.along[at] + step / 2) % (path.along[-1] + step / 2))


def _line_contrast(plane: Floats, path: _Path) -> NDArray[np.float32]:
    """Return the grey on the line less that beside it, NaN where there is no solid metal on both sides."""

    def across(offsets: Floats) -> Floats:
        spots = path.points[None] + offsets[:, None, None] * path.normals[None]
        where = [spots[..., 1], spots[..., 0]]
        return np.asarray(ndimage.map_coordinates(plane, where, order=1, mode="constant", cval=np.nan))

    beside = across(_BESIDE_PX)
    half = len(_BESIDE_PX) // 2
    solid = (beside[:half].mean(axis=0) > _SOLID) & (beside[half:].mean(axis=0) > _SOLID)
    return np.where(solid, across(_ON_PX).mean(axis=0) - beside.mean(axis=0), np.nan).astype(np.float32)


def _inner_planes(low: float, high: float, growth: float, planes: Sequence[int]) -> list[int]:
    """Return the planes well within a seam, in which a tapered one moves little."""
    middle, half = (low + high) / 2, max((high - low) / 2 - 1.5, 0.0)
    if growth:
        half = min(half, _MOST_WALK_PX / abs(growth))
    within = [k for k in planes if abs(k - middle) <= half]
    return within or [min(planes, key=lambda k: abs(k - middle))]


def _window(outline: Floats, shape: tuple[int, int, int]) -> tuple[slice, slice]:
    """Return the rows and columns round an outline, with a border that shows what lies outside it."""
    low, high = outline.min(axis=0), outline.max(axis=0)
    border = max(_WINDOW_PX, 0.25 * float((high - low).max()))
    left, top = np.maximum(np.floor(low - border).astype(int), 0)
    right, bottom = np.minimum(np.ceil(high + border).astype(int) + 1, [shape[2], shape[1]])
    return slice(int(top), int(bottom)), slice(int(left), int(right))


def _clear(air: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the metal clear of its edges; gaps as narrow as a seam count as metal."""
    wide = ndimage.binary_opening(np.pad(air, 3, mode="edge"), iterations=2)[3:-3, 3:-3]
    return np.asarray(ndimage.distance_transform_edt(~wide) > _EDGE_PX) if wide.any() else ~wide


def _without_local_mean(mean: Floats, metal: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Take off what varies over more than about 8 px, so that a line of half a percent shows."""
    metal = metal & np.isfinite(mean)
    share = ndimage.gaussian_filter(metal.astype(float), _LOCAL_PX)
    local = ndimage.gaussian_filter(np.where(metal, mean, 0.0), _LOCAL_PX) / np.maximum(share, 1e-6)
    return np.where(metal, mean - local, np.nan).astype(np.float32)


def _face(squared: SquaredStack, draft: MeasuredFeature, inner: Sequence[Floats]) -> FaceSeamPicture | None:
    """Look at a flat seam along the axis; None where the part ends too close to it."""
    outline = draft.sized.candidate.spans[0].points
    depth = draft.depths[0]
    near, far = _FACE_BESIDE
    reach = int(np.ceil(far)) + 8
    planes = [k for k in range(round(depth) - reach, round(depth) + reach + 1) if 0 <= k < len(squared)]
    window = _window(outline, squared.shape)
    cut = np.array([squared.window(k, window) for k in planes])
    off = np.array(planes) - depth
    on = np.maximum(1.5 - np.abs(off), 0.0).clip(max=1.0)  # about two planes, shared by their distance
    beside = (np.abs(off) >= near) & (np.abs(off) <= far)
    if not on.any() or not beside.any():
        return None
    weights = on / on.sum() - beside / max(beside.sum(), 1)
    metal = _clear(np.nan_to_num(cut[beside]).min(axis=0) < _HALF)
    corner = np.array([window[1].start, window[0].start])
    inside = _inside(outline - corner, metal.shape) & metal
    for ring in inner:  # where leaving out what lies within a side seam comes nearer to the area found
        less = inside & ~_inside(ring - corner, metal.shape)
        wanted = draft.sized.candidate.area_px2
        if abs(float(less.sum()) - wanted) < abs(float(inside.sum()) - wanted):
            inside = less
    contrast = np.where(metal, np.tensordot(weights, np.nan_to_num(cut), axes=1), np.nan)
    spot = outline.mean(axis=0)
    profile = np.array([float(one[inside].mean()) if inside.any() else np.nan for one in np.nan_to_num(cut)])
    level = float(np.median(profile[beside]))
    beyond = (np.abs(off) > near) & (profile < _FULL * level)  # past the end of the metal
    profile = np.where(beyond, np.nan, profile - level)
    return FaceSeamPicture(
        feature=draft.feature.id, contrast=contrast.astype(np.float32), outline_px=outline - corner,
        depth_slices=_slices(squared, (float(spot[0]), float(spot[1])), planes),
        profile=profile,
    )  # fmt: skip


def _slices(squared: SquaredStack, at: tuple[float, float], planes: Sequence[int]) -> Floats:
    """Return where the planes lie on the line along the axis through a place, in slices of the stack."""
    return np.array([squared.to_stack_mm(*at, k)[2] / squared.depth_step_mm for k in planes])


def _inside(outline: Floats, shape: tuple[int, int]) -> NDArray[np.bool_]:
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    ring = shapely.Polygon(outline)
    return np.asarray(shapely.contains_xy(ring, columns.ravel(), rows.ravel()).reshape(shape))
