"""Grey between slices: each is laid on the part grid along the part axis, planes drawn from the two about them."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from skimage import transform

from ctrecon.core.frames import Floats, Voxel

__all__ = ["AlongAxis", "Window"]

_WARP: Callable[..., Floats] = transform.warp

Window = tuple[int, int, int, int]
"""First row, row after the last, first column, column after the last, on the part grid."""

_ROWS = 32  # rows of a plane that are worked on together: what they need stays in the processor's own memory
_SLICES_KEPT = 4  # slices as they are, for windows that are read one after the other at the same depth
_ROUNDING = 1e-6  # slices
_SPARE = 2  # slices kept beyond those that a plane meets, for the planes that follow


class AlongAxis:
    """Draws planes square to the part axis from slices that are askew to it.

    Lines along the axis meet each slice at places that are an affine map of the part grid. Each slice is laid on the
    grid there once (bilinear); a plane is, on each line, between two slices (linear). That takes a third of
    the time of eight voxels about every place, and follows walls along the axis instead of cutting across them.

    Parameters
    ----------
    rotation : array (3, 3)
        From stack to part frame.
    origin_mm, pitch_mm, depth_step_mm
        The part grid.
    voxel_mm : (dz, dy, dx)
        Voxel edges of the stack, mm.
    count : int
        Slices of the stack.
    slice_at : callable
        Returns a slice with air 0, metal 1, NaN where there are no data.
    """

    def __init__(
        self, rotation: Floats, origin_mm: tuple[float, float, float], pitch_mm: float, depth_step_mm: float,
        voxel_mm: Voxel, count: int, slice_at: Callable[[int], Floats],
    ) -> None:  # fmt: skip
        self._count, self._slice_at = count, slice_at
        self._kept: dict[int, Floats] = {}
        x0, y0, z0 = origin_mm
        dz, dy, dx = voxel_mm
        back = rotation.T[2] / dz
        # slice number of a place on the grid: at column 0, row 0, plane 0; and its steps by row, column, plane
        self._start = float(back @ [x0, y0, z0])
        self._by_row, self._by_column = float(back[1] * pitch_mm), float(back[0] * pitch_mm)
        self._by_plane = float(back[2] * depth_step_mm)
        # stack column and row at which the line through a place on the grid meets slice z
        cross = np.linalg.inv(rotation[:2, :2])
        scale = np.array([1 / dx, 1 / dy])
        self._per_px = scale[:, None] * cross * pitch_mm
        self._at_first = scale * (cross @ [x0, y0])
        self._per_slice = -scale * (cross @ rotation[:2, 2]) * dz
        self._window: Window = (0, 0, 0, 0)
        self._laid = np.empty((0, 0, 0), dtype=np.float32)
        self._holds: NDArray[np.int64] = np.empty(0, dtype=np.int64)

    def plane(self, k: int, window: Window) -> Floats:
        """Return a window of plane k as float32; NaN outside the data."""
        top, bottom, left, right = window
        start = self._start + self._by_plane * k
        by_row = start + self._by_row * np.arange(top, bottom)
        by_column = self._by_column * np.arange(left, right)
        low = float(by_row.min() + by_column.min())
        high = float(by_row.max() + by_column.max())
        first = min(max(int(np.floor(low)), 0), self._count - 1)
        last = max(min(int(np.ceil(high)), self._count - 1), first)
        # room for as many slices as any plane meets: near the stack's ends the next plane meets one more
        self._lay(window, first, last, min(int(np.ceil(high - low)) + 2, self._count))
        shape = (bottom - top, right - left)
        if first == last:  # a plane on a slice, or beyond the stack: no depth to interpolate in
            thick = 0.5 if self._count == 1 else _ROUNDING
            far = np.abs(by_row[:, None] + by_column - first) > thick
            return np.where(far, np.float32(np.nan), self._laid[first % len(self._laid)])
        out = np.empty(shape, dtype=np.float32)
        flat, room = self._laid.reshape(-1), shape[0] * shape[1]
        slots = np.arange(first, last + 1) % len(self._laid) * room
        place = np.arange(_ROWS * shape[1]).reshape(_ROWS, shape[1])
        for i in range(0, shape[0], _ROWS):
            own = slice(i, min(i + _ROWS, shape[0]))
            depth = by_row[own, None] + (by_column - first)
            below = np.clip(depth.astype(np.int64), 0, last - first - 1)
            at = place[: len(depth)] + i * shape[1]
            one = flat.take(slots[:-1].take(below) + at)
            two = flat.take(slots[1:].take(below) + at)
            two -= one
            two *= (depth - below).astype(np.float32)
            np.add(one, two, out=out[own])
            if low < 0 or high > self._count - 1:
                outside = (depth < -first) | (depth > self._count - 1 - first)
                out[own][outside] = np.nan
        return out

    def _lay(self, window: Window, first: int, last: int, most: int) -> None:
        """Make sure that slices first to last are on the window; no plane of it meets more than `most`."""
        need = most + _SPARE
        if window != self._window or need > len(self._laid):
            self._window = window
            self._laid = np.empty((need, window[1] - window[0], window[3] - window[2]), dtype=np.float32)
            self._holds = np.full(need, -1, dtype=np.int64)
        for z in range(first, last + 1):
            slot = z % len(self._holds)
            if self._holds[slot] != z:
                self._laid[slot] = self._on_grid(z, window)
                self._holds[slot] = z

    def _slice(self, z: int) -> Floats:
        grey = self._kept.get(z)
        if grey is None:
            grey = self._kept[z] = self._slice_at(z)
            if len(self._kept) > _SLICES_KEPT:
                del self._kept[next(iter(self._kept))]
        return grey

    def _on_grid(self, z: int, window: Window) -> Floats:
        """Return slice z on a window of the grid, each place read where its line along the axis meets the slice."""
        top, bottom, left, right = window
        grey = self._slice(z)
        corner = self._at_first + self._per_slice * z + self._per_px @ [left, top]
        matrix = np.eye(3)
        matrix[:2, :2], matrix[:2, 2] = self._per_px, corner
        laid = _WARP(
            grey, matrix, output_shape=(bottom - top, right - left), order=1, mode="constant",
            cval=np.nan, preserve_range=True, clip=False,
        )  # fmt: skip
        return np.asarray(laid, dtype=np.float32)
