"""Where a feature runs out of the stack: its walls are followed to the last voxel, as there is no face."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ctrecon.core.frames import Floats
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
    beside = _Beside(squared, candidate)
    middle = beside((low + high) // 2)
    if middle is None:
        return candidate
    low, high = _follow(squared, beside, low, -1, middle), _follow(squared, beside, high, 1, middle)
    same = (low, high) == trimmed(candidate.first, candidate.last)
    return candidate if same else replace(candidate, reach=(low, high))


def _follow(
    squared: SquaredStack, beside: "_Beside", start: int, step: int, middle: tuple[float, float, int]
) -> int:
    """Return the last plane up to which metal and air stay as they are, where that is where the stack ends."""
    at = start
    while 0 <= at + step < len(squared):
        found = beside(at + step)
        if found is None:
            return at + step  # a few voxels of the outermost slice may be there yet
        slack = _CHANGED + 4 * squared.survey.noise_rel * np.sqrt(squared.survey.correlation.sum / found[2])
        if max(abs(found[0] - middle[0]), abs(found[1] - middle[1])) > slack:
            return start
        at += step
    return at + step


class _Beside:
    """The grey beside the edge of a candidate; which pixels may lie there is worked out once for all planes."""

    def __init__(self, squared: SquaredStack, candidate: Candidate) -> None:
        self._squared, self._candidate = squared, candidate
        self._bands = {id(span): self._band(span) for span in (candidate.spans[0], candidate.spans[-1])}

    def __call__(self, plane: int) -> tuple[float, float, int] | None:
        """Return the mean grey on either side and the lesser number of pixels; None where too few."""
        candidate = self._candidate
        span = candidate.spans[0] if plane <= candidate.spans[0].last else candidate.spans[-1]
        window, at, away = self._bands[id(span)]
        grey = self._squared.window(plane, window)[at]
        away = away + self._grown(plane)
        seen = np.isfinite(grey)
        sides = []
        for sign in (1, -1):
            band = (sign * away > _BESIDE_PX[0]) & (sign * away < _BESIDE_PX[1]) & seen
            sides.append(grey[band])
        if min(len(values) for values in sides) < _LEAST:
            return None
        return float(np.median(sides[0])), float(np.median(sides[1])), min(len(values) for values in sides)

    def _grown(self, plane: float) -> float:
        candidate = self._candidate
        assert candidate.shape is not None
        return candidate.growth_px * (plane - (candidate.first + candidate.last) / 2) * candidate.shape.wall_share

    def _band(self, span: Span) -> tuple[tuple[slice, slice], tuple[NDArray[np.int64], ...], Floats]:
        """Return a window, the rows and columns in it that may lie beside the edge, and how far off they are."""
        count, rows, columns = self._squared.shape
        low = np.maximum(np.floor(span.points.min(axis=0)).astype(int) - 7, 0)
        high = np.minimum(np.ceil(span.points.max(axis=0)).astype(int) + 8, [columns, rows])
        yy, xx = np.mgrid[low[1] : high[1], low[0] : high[0]]
        assert self._candidate.shape is not None
        places = np.column_stack([xx.ravel(), yy.ravel()]).astype(float)
        away = self._candidate.shape.signed_distance(places).reshape(xx.shape)
        reach = _BESIDE_PX[1] + max(abs(self._grown(0)), abs(self._grown(count - 1)))
        at = np.nonzero(np.abs(away) < reach)
        own = _on_own_side(self._candidate, span, xx[at], yy[at])
        at = (at[0][own], at[1][own])
        return np.s_[low[1] : high[1], low[0] : high[0]], at, away[at]


def _on_own_side(
    candidate: Candidate, span: Span, column: NDArray[np.int64], row: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Return which pixels (N,) are beside what there is of an arc: its mouth has air on both sides.

    Other shapes are there all round, or nearly so.
    """
    if not candidate.is_relief and candidate.share >= _PARTLY:
        return np.ones(column.shape, dtype=bool)
    assert candidate.shape is not None
    on = span.points[np.abs(candidate.shape.signed_distance(span.points)) <= _ON_PX]
    if not len(on):
        return np.ones(column.shape, dtype=bool)
    far = cKDTree(on).query(np.column_stack([column, row]), distance_upper_bound=_BESIDE_PX[1] + 1)[0]
    return np.asarray(np.isfinite(far))
