"""Where an outline really runs, cell by cell along it and through depth, read from the original voxels."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, median_filter
from scipy.spatial import cKDTree
from scipy.special import ndtr

from ctrecon.core.fit_result import ShapeFit
from ctrecon.core.frames import Floats
from ctrecon.features.candidates import OTHER, Candidate, Span
from ctrecon.features.collect_voxels import VoxelRequest, Voxels
from ctrecon.features.size import FittedCandidate
from ctrecon.features.stack_border import stretched, used_planes
from ctrecon.grey.square_up import SquaredStack

__all__ = ["CELL_PX", "EdgeCells", "cells_of", "levelled", "with_whole_edge"]

_BAND_PX = 4.5  # px either side of the outline that are read
_FINE_PX = 0.7  # steps of the outlines that candidates carry
_GROUP = 3  # fine steps to a cell: about two pixels, two to three times the blur
_FEWEST = 18  # cells of a short outline: with fewer, a bite and the cells beside it would leave nothing sound
CELL_PX = _FINE_PX * _GROUP
"""Length of a cell along its outline, px; cells of an outline shorter than 38 px are shorter."""
_LEAST_PLANES, _MOST_BLOCKS = 4, 5  # of a block of depth; blocks of a whole feature
_MOST_VOXELS = 60_000  # of one edge; more cost time only
_STEPS = 5  # Gauss-Newton steps of each cell's offset
_LEAST_NOISE = 0.002  # share of the contrast: eight-bit grey has no less
_FARTHEST_PX = 3.2  # an edge farther than this from the outline of its stretch is outside the band that was read
_FLAT = (2.5, 4.5)  # px from the edge where only air or only metal counts, and other edges are not near
_LEAST_STEP = 0.2  # contrasts; what rises by less is not an edge
_LEVEL_CELLS = 13  # cells over which air and metal are taken as even


@dataclass(frozen=True, eq=False)
class EdgeCells:
    """The edge of one stretch in cells: stations along its outline, blocks of planes through depth.

    `points` (S, 2) and `normal` (S, 2; into the metal) are px of the part grid at the feature's own middle;
    `offset` (B, S) is how far deeper in the metal than its station the edge is at half height, NaN where it
    is not seen, `u` how well if neighbouring voxels share no noise. `planes` (B, 2) are the first and last plane of
    each block, `fine` (N,) the station of each point of the span's outline; `levels` (2, S) are air and metal beside
    each station.
    """

    span: Span
    points: Floats
    normal: Floats
    offset: Floats
    u: Floats
    planes: NDArray[np.int64]
    fine: NDArray[np.int64]
    levels: Floats

    @property
    def places(self) -> Floats:
        """Return the edge points (B, S, 2)."""
        return np.asarray(self.points[None] + self.offset[..., None] * self.normal[None])


def with_whole_edge(candidate: Candidate, want: VoxelRequest | None) -> VoxelRequest | None:
    """Return the want with the voxels beside the whole outline added, eaten stretches too."""
    if want is None:
        return None
    low, high = used_planes(candidate)
    maps = [(a - 0.5, b + 0.5, span, _near_map(span)) for a, b, span in stretched(candidate.spans, low, high)]

    def select(column: Floats, row: Floats, plane: Floats) -> NDArray[np.bool_]:
        keep = want.select(column, row, plane)
        for a, b, span, near in maps:
            at = np.flatnonzero((plane >= a) & (plane <= b) & ~keep)
            keep[at[near[_pixel(span, column[at], row[at])]]] = True
        return keep

    return replace(want, select=select)


def _near_map(span: Span) -> NDArray[np.bool_]:
    """Mark the pixels of a span's window within reach of its outline that belong to no other one."""
    away = np.ones(span.nearest.shape, dtype=bool)
    away[_pixel(span, span.points[:, 0], span.points[:, 1])] = False
    return np.asarray((distance_transform_edt(away) <= _BAND_PX + 0.5) & (span.nearest != OTHER))


def _pixel(span: Span, column: Floats, row: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    i = np.clip(np.round(row - span.corner[1]).astype(np.int64), 0, span.nearest.shape[0] - 1)
    j = np.clip(np.round(column - span.corner[0]).astype(np.int64), 0, span.nearest.shape[1] - 1)
    return i, j


def cells_of(one: FittedCandidate, voxels: Voxels, squared: SquaredStack, noise: float) -> list[EdgeCells]:
    """Read the edge of a fitted candidate in cells of about two pixels and up to five blocks of planes a stretch.

    Parameters
    ----------
    one : FittedCandidate
        The candidate with its fit: axis, growth and blur are taken from it.
    voxels : tuple of arrays
        Column, row, plane and grey that `with_whole_edge` asked for.
    squared : SquaredStack
        The stack.
    noise : float
        Standard deviation of one voxel in units of the contrast.

    Notes
    -----
    In each cell the blurred step is moved along the outline's normal until it fits (Gauss and Newton), air and metal
    being those found farther out within a dozen cells. Half height of a bent edge is inwards of it by what blur
    does; whoever compares must allow for that.
    """
    fit, candidate = one.fit, one.candidate
    assert isinstance(fit, ShapeFit)
    ratio = squared.depth_step_mm / squared.pitch_mm
    column, row, plane, grey = _near(candidate, voxels)
    z = (plane - one.middle) * ratio
    column, row = column - fit.value("slope_x") * z, row - fit.value("slope_y") * z
    growth = fit.value("growth") if "growth" in fit.names else 0.0
    share = 1.0 if candidate.shape is None else candidate.shape.wall_share
    growth *= -share if candidate.metal_outside else share
    noise = max(noise, _LEAST_NOISE)
    low, high = used_planes(candidate)
    spans = stretched(candidate.spans, low, high)
    planes = sum(b - a + 1 for a, b, _ in spans)
    out = []
    for a, b, span in spans:
        at = np.flatnonzero((plane >= a - 0.5) & (plane <= b + 0.5))
        if b < a or len(at) < 60:
            continue
        most = max(1, round(_MOST_BLOCKS * (b - a + 1) / planes))
        blocks = int(np.clip((b - a + 1) // _LEAST_PLANES, 1, max(most, 2)))
        first = a + np.round(np.arange(blocks + 1) * (b - a + 1) / blocks).astype(np.int64)
        block = np.clip(np.searchsorted(first - 0.5, plane[at], side="right") - 1, 0, blocks - 1)
        grown = growth * (plane[at] - (span.first + span.last) / 2) * ratio
        cells = _cells(span, candidate.metal_outside, column[at], row[at], grown, grey[at], block, blocks,
                       fit.value("blur"), noise, fit.value("air"))  # fmt: skip
        if cells is not None:
            moved = -growth * ((span.first + span.last) / 2 - one.middle) * ratio
            out.append(EdgeCells(span, cells[0] - moved * cells[1], cells[1], cells[2], cells[3],
                                 np.column_stack([first[:-1], first[1:] - 1]), cells[4], cells[5]))  # fmt: skip
    return out


def levelled(cells: Sequence[EdgeCells], voxels: Voxels) -> Voxels:
    """Return the voxels with the grey of each as a share of the step from air to metal beside its own cell.

    A fit takes air and metal as straight over the whole feature. Cupping bends them by a tenth along a long flat; where
    only some of the flat is sound, that would move the edge.
    """
    column, row, plane, grey = voxels
    out = grey.astype(float)
    for one in cells:
        low, high = one.planes[0, 0] - 0.5, one.planes[-1, 1] + 0.5
        at = np.flatnonzero((plane >= low) & (plane <= high))
        _, nearest = cKDTree(one.span.points).query(np.column_stack([column[at], row[at]]))
        air, metal = one.levels[:, one.fine[nearest]]
        step = metal - air
        good = step > _LEAST_STEP
        out[at[good]] = (out[at[good]] - air[good]) / step[good]
    return column, row, plane, out


def _near(candidate: Candidate, voxels: Voxels) -> Voxels:
    """Keep the voxels beside the candidate's own outlines, no more than are needed."""
    keep = np.zeros(len(voxels[0]), dtype=bool)
    for span in candidate.spans:
        keep |= _near_map(span)[_pixel(span, voxels[0], voxels[1])]
    at = np.flatnonzero(keep)
    if len(at) > _MOST_VOXELS:
        at = at[np.sort(np.random.default_rng(43).permutation(len(at))[:_MOST_VOXELS])]
    column, row, plane, grey = (v[at] for v in voxels)
    return column, row, plane, grey


# many: the voxels' own values are columns, and the fit's levels come one by one
def _cells(
    span: Span, hole: bool, column: Floats, row: Floats, grown: Floats, grey: Floats, block: NDArray[np.int64],
    blocks: int, blur: float, noise: float, narrow_air: float,
) -> tuple[Floats, Floats, Floats, Floats, NDArray[np.int64], Floats] | None:  # fmt: skip
    points = span.points
    group = int(np.clip(len(points) // _FEWEST, 1, _GROUP))
    stations = len(points) // group
    if stations < 12:
        return None
    fine = np.minimum(np.arange(len(points)) // group, stations - 1)
    normal = _into_metal(points, hole)
    far, nearest = cKDTree(points).query(np.column_stack([column, row]), distance_upper_bound=_BAND_PX)
    seen = np.isfinite(far)
    nearest, grey, block, grown = np.asarray(nearest)[seen], grey[seen], block[seen], grown[seen]
    place = np.column_stack([column[seen], row[seen]]) - points[nearest]
    t = (place * normal[nearest]).sum(axis=1) + grown
    station = fine[nearest]
    air = _level(grey, station, stations, (t > -_FLAT[1]) & (t < -_FLAT[0]))
    air[~np.isfinite(air)] = narrow_air  # a hole too narrow to show its air: what the fit made of it
    metal = _level(grey, station, stations, (t > _FLAT[0]) & (t < _FLAT[1]))
    contrast = metal - air
    good = contrast[station] > _LEAST_STEP
    t, grey, station, block = t[good], grey[good], station[good], block[good]
    share = (grey - air[station]) / contrast[station]
    cell, count = block * stations + station, blocks * stations
    offset: Floats = np.zeros(count)
    info: Floats = np.zeros(count)
    for _ in range(_STEPS):
        x = (t - offset[cell]) / blur
        pull = np.exp(-0.5 * x * x) / (np.sqrt(2 * np.pi) * blur)
        # a voxel that two edges share must not pull: what misses by half the contrast counts little
        left = ndtr(x) - share
        weight = np.exp(-((left / 0.5) ** 2))
        info = np.asarray(np.bincount(cell, weights=weight * pull * pull, minlength=count), dtype=float)
        step = np.bincount(cell, weights=weight * pull * left, minlength=count) / np.maximum(info, 1e-9)
        offset = np.clip(offset + np.clip(step, -1.0, 1.0), -_FARTHEST_PX - 0.2, _FARTHEST_PX + 0.2)
    middle = np.array([points[fine == k].mean(axis=0) for k in range(stations)])
    towards = np.array([normal[fine == k].mean(axis=0) for k in range(stations)])
    towards /= np.maximum(np.hypot(*towards.T), 1e-9)[:, None]
    levels = np.broadcast_to(contrast, (blocks, stations))
    u = noise / np.maximum(levels, _LEAST_STEP) / np.sqrt(np.maximum(info.reshape(blocks, stations), 1e-9))
    offset = offset.reshape(blocks, stations)
    lost = (np.abs(offset) > _FARTHEST_PX) | (u > 0.6) | ~(levels > _LEAST_STEP)
    offset[lost] = np.nan
    return middle, towards, offset, u, fine, np.array([air, metal])


def _into_metal(points: Floats, hole: bool, reach: int = 2) -> Floats:
    """Return unit normals (N, 2) of a closed outline, pointing into the metal."""
    x, y = points[:, 0], points[:, 1]
    turn = 1.0 if float(x @ np.roll(y, -1) - np.roll(x, -1) @ y) > 0 else -1.0
    along = np.roll(points, -reach, axis=0) - np.roll(points, reach, axis=0)
    along /= np.maximum(np.hypot(*along.T), 1e-9)[:, None]
    inward = turn * np.column_stack([-along[:, 1], along[:, 0]])
    return -inward if hole else inward


def _level(grey: Floats, station: NDArray[np.int64], stations: int, which: NDArray[np.bool_]) -> Floats:
    """Return the level of air or metal beside each station: medians, and the median of a dozen of them."""
    out = np.full(stations, np.nan)
    at = np.flatnonzero(which)
    order = at[np.argsort(station[at], kind="stable")]
    starts = np.searchsorted(station[order], np.arange(stations + 1))
    for k in range(stations):
        if starts[k + 1] - starts[k] >= 3:
            out[k] = np.median(grey[order[starts[k] : starts[k + 1]]])
    known = np.isfinite(out)
    if not known.any():
        return out
    out[~known] = np.median(out[known])
    return np.asarray(median_filter(out, size=min(_LEVEL_CELLS, stations), mode="wrap"))
