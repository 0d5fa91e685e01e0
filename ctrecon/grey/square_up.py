"""Squares the stack up to the part axis: finds the tilt and resamples squared planes."""

from collections import OrderedDict
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.frames import Floats, Voxel, direction_from_slopes, rotation_to_part, to_mm
from ctrecon.grey.survey import Survey

__all__ = ["AxisGuess", "SquaredStack", "axis_from_normals", "square_up"]

_FEWEST_SLICES = 4
_CACHE_BYTES = 48_000_000
_RECENT = 0.2  # share of the planes kept that are the last ones asked for
_PART = 3  # a window of more than a third of its plane is cut from the whole, which is then kept
_FEW = 6  # pixels one by one cost some six times what they cost in a whole plane
_ROUNDING = 1e-9
_TILE_SLICES, _LEAST_TILE = 4.0, 96  # slices that a tile may pass, and its least width, px


@dataclass(frozen=True)
class AxisGuess:
    """Direction of the part axis from its surfaces, as slopes dx/dz, dy/dz with their uncertainty."""

    slope_x: float
    slope_y: float
    u_slope: float


def axis_from_normals(normals: Floats) -> AxisGuess | None:
    """Find the axis to which the surface normals are square (walls) or parallel (faces).

    Weighted least squares with Welsch weights whose width shrinks from 10 degrees to
    three times the scatter of the normals, so chamfers and broken edges drop out.

    Returns
    -------
    AxisGuess or None
        None where fewer than 50 normals agree.
    """
    if len(normals) < 50:
        return None
    slope = np.zeros(2)
    width = np.radians(10.0)
    covariance = np.eye(2)
    for _ in range(40):
        a = direction_from_slopes(*slope)
        cosine = normals @ a
        wall = np.abs(cosine) < 0.5
        face = np.abs(cosine) > 0.87
        n_wall, n_face = normals[wall], normals[face]
        r_wall = n_wall[:, 2] + n_wall[:, :2] @ slope
        r_face = n_face[:, :2] - n_face[:, 2:] * slope
        w_wall = np.exp(-((r_wall / width) ** 2))
        w_face = np.exp(-((r_face**2).sum(axis=1) / width**2))
        lhs = (n_wall[:, :2] * w_wall[:, None]).T @ n_wall[:, :2] + np.eye(2) * (w_face @ n_face[:, 2] ** 2)
        rhs = -(n_wall[:, :2] * w_wall[:, None]).T @ n_wall[:, 2] + (
            w_face[:, None] * n_face[:, 2:] * n_face[:, :2]
        ).sum(axis=0)
        used = w_wall.sum() + w_face.sum()
        if used < 30 or np.linalg.cond(lhs) > 1e8:
            return None
        new = np.linalg.solve(lhs, rhs)
        scatter2 = (w_wall @ r_wall**2 + (w_face[:, None] * r_face**2).sum() / 2) / used
        covariance = np.linalg.inv(lhs) * scatter2
        moved = float(np.abs(new - slope).max())
        slope = np.clip(new, -0.3, 0.3)
        width = max(0.7 * width, 3.0 * float(np.sqrt(scatter2)), np.radians(0.5))
        if moved < 1e-6:
            break
    # neighbouring voxels share their noise: count one normal in eight as independent
    return AxisGuess(float(slope[0]), float(slope[1]), float(np.sqrt(8 * np.trace(covariance) / 2)))


@dataclass(frozen=True, eq=False)
class SquaredStack:
    """The part's own window of the stack, resampled square to its axis.

    Plane k, row i, column j lies at part-frame mm (x0 + j·pitch, y0 + i·pitch, z0 + k·dz).
    """

    survey: Survey
    rotation: Floats
    origin_mm: tuple[float, float, float]
    pitch_mm: float
    depth_step_mm: float
    shape: tuple[int, int, int]
    _source: "OrderedDict[int, Floats]"
    _cache: dict[int, NDArray[np.float16]]
    _late: "OrderedDict[int, NDArray[np.float16]]"

    def __len__(self) -> int:
        return self.shape[0]

    def plane(self, k: int) -> Floats:
        """Return squared plane k as float32 (rows, columns); NaN outside the data."""
        kept = self._kept(k)
        if kept is not None:
            return kept.astype(np.float32)
        _, rows, columns = self.shape
        out = self._resample(k, slice(0, rows), slice(0, columns))
        room = _CACHE_BYTES // (out.size * 2)
        recent = int(np.ceil(room * _RECENT))
        if len(self._cache) < room - recent:
            self._cache[k] = out.astype(np.float16)
        elif recent:
            self._late[k] = out.astype(np.float16)
            if len(self._late) > recent:
                self._late.popitem(last=False)
        return out

    def _kept(self, k: int) -> NDArray[np.float16] | None:
        """Return a plane that is kept.

        Most stages go through all planes: were the oldest dropped where there is no room for all, each plane would
        be gone when its turn comes again. So the first to come stay, and a few of the last.
        """
        kept = self._cache.get(k)
        if kept is None and k in self._late:
            self._late.move_to_end(k)
            kept = self._late[k]
        return kept

    def window(self, k: int, window: tuple[slice, slice]) -> Floats:
        """Return a window (rows, columns) of squared plane k; of a large plane nothing else is worked out."""
        kept = self._kept(k)
        if kept is not None:
            return kept[window].astype(np.float32)
        rows, columns = (slice(*one.indices(n)[:2]) for one, n in zip(window, self.shape[1:], strict=True))
        area, plane = (rows.stop - rows.start) * (columns.stop - columns.start), self.shape[1] * self.shape[2]
        if len(self) * plane * 2 <= _CACHE_BYTES or _PART * area > plane:
            return self.plane(k)[window]
        return self._resample(k, rows, columns)

    def at(self, k: int, rows: NDArray[np.int64], columns: NDArray[np.int64]) -> Floats:
        """Return squared plane k at some pixels (N,); of a large plane nothing else is worked out."""
        kept = self._kept(k)
        if kept is not None:
            return kept[rows, columns].astype(np.float32)
        plane = self.shape[1] * self.shape[2]
        if len(self) * plane * 2 <= _CACHE_BYTES or _FEW * len(rows) > plane:
            return self.plane(k)[rows, columns]
        index = self._index(k, rows, columns)
        out = np.full(len(rows), np.nan, np.float32)
        first, last = self._slices(index[0])
        count = (len(self.survey.stack), *self.survey.stack.shape[1:])
        # at the very border rounding decides whether a place is in the data
        known = np.logical_and.reduce(
            [(at >= -_ROUNDING) & (at <= n - 1 + _ROUNDING) for at, n in zip(index, count, strict=True)]
        )
        if len(self.survey.stack) == 1:  # a single plane: no depth to interpolate in
            known = np.abs(index[0]) <= 0.5
        low = np.clip(np.floor(index[0]).astype(int), 0, len(self.survey.stack) - 1)
        for i in range(first, last + 1):
            own = np.flatnonzero(known & (low == i))
            if not len(own):
                continue
            part = (index[0][own] - i).astype(np.float32)
            where = np.stack([np.clip(at[own], 0, n - 1) for at, n in zip(index[1:], count[1:], strict=True)])
            ends = [
                ndimage.map_coordinates(self._plane_of_stack(n, last - first + 4), where, order=1, prefilter=False)
                for n in (i, min(i + 1, len(self.survey.stack) - 1))
            ]
            out[own] = ends[0] + part * (ends[1] - ends[0])
        return out

    def depth_mm(self, k: float) -> float:
        """Return the part-frame depth Z (mm) of plane k."""
        return self.origin_mm[2] + k * self.depth_step_mm

    def to_stack_mm(self, column: float, row: float, plane: float) -> Floats:
        """Return stack x, y, z (mm) of a place on the part grid."""
        x0, y0, z0 = self.origin_mm
        part = np.array([x0 + column * self.pitch_mm, y0 + row * self.pitch_mm, z0 + plane * self.depth_step_mm])
        return np.asarray(self.rotation.T @ part)

    def voxels_of(self, column: Floats, row: Floats, plane: Floats) -> NDArray[np.int64]:
        """Return the (slice, row, column) numbers of the voxels nearest to places on the part grid, (N, 3)."""
        x0, y0, z0 = self.origin_mm
        part = np.column_stack(
            [x0 + column * self.pitch_mm, y0 + row * self.pitch_mm, z0 + plane * self.depth_step_mm]
        )
        dz, dy, dx = self.survey.stack.voxel_mm or (1.0, 1.0, 1.0)
        return np.rint((part @ self.rotation)[:, ::-1] / [dz, dy, dx]).astype(np.int64)

    def cut_by_slice(self, points_px: Floats, z_mm: float) -> Floats:
        """Return stack x, y (mm) where lines along the axis through (column, row) points cross the slice plane z."""
        x0, y0, _ = self.origin_mm
        r = self.rotation
        square = points_px * self.pitch_mm + [x0, y0]
        return np.asarray(np.linalg.solve(r[:2, :2], (square - r[:2, 2] * z_mm).T).T)

    def _resample(self, k: int, rows: slice, columns: slice) -> Floats:
        """Return a window of plane k, tile by tile: a tilted plane passes many slices, a tile of it only a few."""
        steep = float(np.abs(self.rotation[:2, 2]).max()) * self.pitch_mm / self.depth_step_mm
        tile = int(np.clip(_TILE_SLICES / max(steep, 1e-9), _LEAST_TILE, 1e6))
        ends = ((0, self.shape[1] - 1), (0, self.shape[2] - 1))
        first, last = self._slices(self._index(k, np.array(ends[0])[:, None], np.array(ends[1]))[0])
        out = np.empty((rows.stop - rows.start, columns.stop - columns.start), np.float32)
        for i in range(rows.start, rows.stop, tile):
            for j in range(columns.start, columns.stop, tile):
                below, beyond = min(i + tile, rows.stop), min(j + tile, columns.stop)
                own = slice(i - rows.start, below - rows.start), slice(j - columns.start, beyond - columns.start)
                out[own] = self._tile(k, slice(i, below), slice(j, beyond), last - first + 4)
        return out

    def _index(self, k: int, rows: NDArray[np.int64], columns: NDArray[np.int64]) -> list[Floats]:
        """Return slice, row and column (fractional) in the stack of places on plane k."""
        x0, y0, z0 = self.origin_mm
        dz, dy, dx = self.survey.stack.voxel_mm or (1.0, 1.0, 1.0)
        back = self.rotation.T
        x, y, z = x0 + columns * self.pitch_mm, y0 + rows * self.pitch_mm, z0 + k * self.depth_step_mm
        return [
            (back[axis, 0] * x + back[axis, 1] * y + back[axis, 2] * z) / edge
            for axis, edge in ((2, dz), (1, dy), (0, dx))
        ]

    def _slices(self, index: Floats) -> tuple[int, int]:
        """Return the first and last slice that lie about some fractional slice numbers."""
        count = len(self.survey.stack)
        first = min(max(int(np.floor(index.min())), 0), count - 1)
        return first, max(min(int(np.ceil(index.max())), count - 1), first)

    def _tile(self, k: int, rows: slice, columns: slice, window: int) -> Floats:
        """Return the grey of a window of plane k; `window` is how many slices are worth keeping for the next."""
        count, stack_rows, stack_columns = self.survey.stack.shape
        ends = np.array([rows.start, rows.stop - 1])[:, None], np.array([columns.start, columns.stop - 1])
        corners = self._index(k, *ends)
        first, last = self._slices(corners[0])
        top = max(int(corners[1].min()) - 1, 0)
        left = max(int(corners[2].min()) - 1, 0)
        bottom = min(int(corners[1].max()) + 3, stack_rows)
        right = min(int(corners[2].max()) + 3, stack_columns)
        shape = (rows.stop - rows.start, columns.stop - columns.start)
        if bottom <= top or right <= left:
            return np.full(shape, np.nan, dtype=np.float32)
        block = np.stack(
            [self._plane_of_stack(i, window)[top:bottom, left:right] for i in range(first, last + 1)]
        )
        origin = [float(at[0, 0]) - low for at, low in zip(corners, (first, top, left), strict=True)]
        edges = self.survey.stack.voxel_mm or (1.0, 1.0, 1.0)
        slopes = self.rotation.T[::-1, 1::-1] * self.pitch_mm / np.array(edges)[:, None]
        if count == 1:  # a single plane: no depth to interpolate in
            origin[0], slopes[0] = 0.0 if np.abs(corners[0]).max() <= 0.5 else np.nan, 0.0
        if not np.isfinite(origin[0]):
            return np.full(shape, np.nan, dtype=np.float32)
        out = ndimage.affine_transform(
            block, np.column_stack([np.zeros(3), slopes]), origin, output_shape=(1, *shape), output=np.float32, order=1,
            mode="constant", cval=np.nan, prefilter=False,
        )  # fmt: skip
        return np.asarray(out[0])

    def _plane_of_stack(self, index: int, window: int) -> Floats:
        plane = self._source.get(index)
        if plane is None:
            plane = self.survey.bridged_plane(index)
            self._source[index] = plane
            while len(self._source) > window:
                self._source.popitem(last=False)
        else:
            self._source.move_to_end(index)
        return plane


def square_up(survey: Survey, axis: AxisGuess | None) -> SquaredStack:
    """Lay a part grid round the largest body, along the axis (or straight, without one)."""
    voxel: Voxel = survey.stack.voxel_mm or (1.0, 1.0, 1.0)
    direction = direction_from_slopes(axis.slope_x, axis.slope_y) if axis else np.array([0.0, 0.0, 1.0])
    rotation = rotation_to_part(direction)
    pitch = min(voxel[1], voxel[2])
    body = survey.bodies[0]
    corners = np.array([[(body.low, body.high)[i >> a & 1][a] for a in range(3)] for i in range(8)], dtype=float)
    square = to_mm(corners, voxel) @ rotation.T
    margin = np.array([8 * pitch, 8 * pitch, 0.0 if len(survey.stack) == 1 else 6 * voxel[0]])
    low, high = square.min(axis=0) - margin, square.max(axis=0) + margin
    steps = np.array([pitch, pitch, voxel[0]])
    low = np.floor(low / steps + 1e-9) * steps
    shape = np.ceil((high - low) / steps - 1e-9).astype(int) + 1
    return SquaredStack(
        survey, rotation, (float(low[0]), float(low[1]), float(low[2])), pitch, voxel[0],
        (int(shape[2]), int(shape[1]), int(shape[0])), OrderedDict(), {}, OrderedDict(),
    )  # fmt: skip


def enough_depth(survey: Survey) -> bool:
    """Return whether the body shows in enough slices to have a direction at all."""
    return bool(survey.bodies) and survey.body_slices >= _FEWEST_SLICES
