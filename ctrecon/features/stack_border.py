"""Where a feature runs out of the stack: its walls are followed to the last voxel, as there is no face."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ctrecon.features.candidates import Candidate, Span, trimmed
from ctrecon.grey.square_up import SquaredStack

__all__ = ["stretched", "used_planes", "with_reach"]

_BESIDE_PX = (2.5, 5.5)  # from the edge: clear of its blur, and near enough to be its own metal and air
_CHANGED = 0.02  # of the contrast; a face beyond lifts or lowers metal or air by more, long before it is reached
_LEAST = 20  # pixels on either side of a wall; fewer do not show it
_PARTLY, _ON_PX = 0.6, 0.6  # share of an outline on its shape below which it is an arc, and how near that is


def used_planes(candidate: Candidate) -> tuple[int, int]:
    """Return the first and last plane whose voxels a size is fitted to."""
    return trimmed(candidate.first, candidate.last) if candidate.reach is None else candidate.reach


def stretched(spans: tuple[Span, ...], low: int, high: int) -> list[tuple[int, int, Span]]:
    """Return the planes (first, last) of each span that are used; the outermost go on to where the walls do."""
    ends = len(spans) - 1
    return [
        (low if i == 0 else max(s.first, low), high if i == ends else min(s.last, high), s) for i, s in enumerate(spans)
    ]


def with_reach(squared: SquaredStack, candidate: Candidate) -> Candidate:
    """Let a candidate that runs out of the stack use its walls up to there, planes seen in part included.

    A lean part leaves the stack plane by plane: what is left of each plane still shows the wall.
    """
    if candidate.shape is None:
        return candidate
    low, high = trimmed(candidate.first, candidate.last)
    middle = _beside(squared, candidate, (low + high) // 2)
    if middle is None:
        return candidate
    low, high = _follow(squared, candidate, low, -1, middle), _follow(squared, candidate, high, 1, middle)
    same = (low, high) == trimmed(candidate.first, candidate.last)
    return candidate if same else replace(candidate, reach=(low, high))


def _follow(
    squared: SquaredStack, candidate: Candidate, start: int, step: int, middle: tuple[float, float, int]
) -> int:
    """Return the last plane up to which metal and air stay as they are, where that is where the stack ends."""
    at = start
    while 0 <= at + step < len(squared):
        found = _beside(squared, candidate, at + step)
        if found is None:
            return at + step  # a few voxels of the outermost slice may be there yet
        slack = _CHANGED + 4 * squared.survey.noise_rel * np.sqrt(squared.survey.correlation.sum / found[2])
        if max(abs(found[0] - middle[0]), abs(found[1] - middle[1])) > slack:
            return start
        at += step
    return at + step


def _beside(squared: SquaredStack, candidate: Candidate, plane: int) -> tuple[float, float, int] | None:
    """Return the mean grey beside the edge on either side and the lesser number of pixels; None where too few."""
    span = candidate.spans[0] if plane <= candidate.spans[0].last else candidate.spans[-1]
    rows, columns = squared.shape[1:]
    low = np.maximum(np.floor(span.points.min(axis=0)).astype(int) - 7, 0)
    high = np.minimum(np.ceil(span.points.max(axis=0)).astype(int) + 8, [columns, rows])
    grey = squared.window(plane, np.s_[low[1] : high[1], low[0] : high[0]])
    yy, xx = np.mgrid[low[1] : high[1], low[0] : high[0]]
    assert candidate.shape is not None
    away = candidate.shape.signed_distance(np.column_stack([xx.ravel(), yy.ravel()]).astype(float)).reshape(xx.shape)
    grown = candidate.growth_px * (plane - (candidate.first + candidate.last) / 2)
    away = away + grown * candidate.shape.wall_share
    seen = np.isfinite(grey) & _on_own_side(candidate, span, xx, yy)
    sides = []
    for sign in (1, -1):
        band = (sign * away > _BESIDE_PX[0]) & (sign * away < _BESIDE_PX[1]) & seen
        sides.append(grey[band])
    if min(len(values) for values in sides) < _LEAST:
        return None
    return float(np.median(sides[0])), float(np.median(sides[1])), min(len(values) for values in sides)


def _on_own_side(
    candidate: Candidate, span: Span, column: NDArray[np.int64], row: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Return which pixels are beside what there is of an arc: its mouth has air on both sides.

    Other shapes are there all round, or nearly so.
    """
    if not candidate.is_relief and candidate.share >= _PARTLY:
        return np.ones(column.shape, dtype=bool)
    assert candidate.shape is not None
    on = span.points[np.abs(candidate.shape.signed_distance(span.points)) <= _ON_PX]
    if not len(on):
        return np.ones(column.shape, dtype=bool)
    far = cKDTree(on).query(np.column_stack([column.ravel(), row.ravel()]), distance_upper_bound=_BESIDE_PX[1] + 1)[0]
    return np.asarray(np.isfinite(far).reshape(column.shape))
