"""Grey between slices: each is laid on the part grid along the part axis, planes drawn from the two about them."""

from collections.abc import Callable
from itertools import pairwise

import numpy as np
from skimage import transform

from ctrecon.core.frames import Floats, Voxel

__all__ = ["AlongAxis", "Window"]

_WARP: Callable[..., Floats] = transform.warp

Window = tuple[int, int, int, int]
"""First row, row after the last, first column, column after the last, on the part grid."""

_TILE = 128  # rows and columns that are worked on together: what they need stays in the processor's own memory
_SLICES_KEPT = 4  # slices as they are, for windows that are read one after the other at the same depth
_ROUNDING = 1e-6  # slices


class _Tile:
    """Part of a window and the slices laid on it; the newest takes the place of the one `room` before it."""

    def __init__(self, rows: slice, columns: slice, shape: tuple[int, int, int]) -> None:
        self.rows, self.columns = rows, columns
        self._laid = np.empty(shape, dtype=np.float32)
        self._of = np.full(shape[0], -1, dtype=np.int64)

    @property
    def room(self) -> int:
        """How many slices it holds."""
        return len(self._laid)

    def holds(self, z: int) -> bool:
        """Return whether slice z is laid on it."""
        return bool(self._of[z % len(self._of)] == z)

    def put(self, z: int, laid: Floats) -> None:
        """Take slice z."""
        slot = z % len(self._of)
        self._laid[slot], self._of[slot] = laid, z

    def meets(self, by_row: Floats, by_column: Floats, count: int) -> tuple[int, int]:
        """Return the first and last slice that a plane meets here, of `count`."""
        first = min(max(int(np.floor(by_row.min() + by_column.min())), 0), count - 1)
        return first, max(min(int(np.ceil(by_row.max() + by_column.max())), count - 1), first)

    def draw(self, by_row: Floats, by_column: Floats, count: int, out: Floats) -> None:
        """Draw a plane into `out` (rows, columns) between the two slices about each place; NaN outside the data."""
        first, last = self.meets(by_row, by_column, count)
        depth = by_row[:, None] + (by_column - first)
        if first == last:  # a plane on a slice, or beyond the stack: no depth to interpolate in
            thick = 0.5 if count == 1 else _ROUNDING
            out[:] = np.where(np.abs(depth) > thick, np.float32(np.nan), self._laid[first % len(self._laid)])
            return
        flat, place = self._laid.reshape(-1), np.arange(out.size).reshape(out.shape)
        slots = np.arange(first, last + 1) % len(self._laid) * out.size
        below = np.clip(depth.astype(np.int64), 0, last - first - 1)
        one = flat.take(slots[:-1].take(below) + place)
        two = flat.take(slots[1:].take(below) + place)
        two -= one
        two *= (depth - below).astype(np.float32)
        np.add(one, two, out=out)
        outside = (depth < -first) | (depth > count - 1 - first)
        out[outside] = np.nan


def _parts(length: int) -> list[slice]:
    """Cut a length into even parts no longer than a tile."""
    cuts = np.linspace(0, length, -(-length // _TILE) + 1).round().astype(int)
    return [slice(int(a), int(b)) for a, b in pairwise(cuts)]


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
        self._tiles: list[_Tile] = []
        self._plane = 0

    def plane(self, k: int, window: Window) -> Floats:
        """Return a window of plane k as float32; NaN outside the data."""
        top, bottom, left, right = window
        start = self._start + self._by_plane * k
        by_row = start + self._by_row * np.arange(top, bottom)
        by_column = self._by_column * np.arange(left, right)
        self._lay(window, by_row, by_column, upwards=k >= self._plane)
        self._plane = k
        out = np.empty((bottom - top, right - left), dtype=np.float32)
        for tile in self._tiles:
            tile.draw(by_row[tile.rows], by_column[tile.columns], self._count, out[tile.rows, tile.columns])
        return out

    def _lay(self, window: Window, by_row: Floats, by_column: Floats, *, upwards: bool) -> None:
        """Make sure that what a plane meets is on the tiles of a window.

        A slice is laid where the plane meets it, and beside that where the planes that follow will: not where they
        have passed, so that of all slices that a leaning plane meets about half are held.
        """
        if window != self._window:
            self._window = window
            # room for as many slices as any plane meets: near the stack's ends the next plane meets one more
            lows, highs = by_row.min() + by_column.min(), by_row.max() + by_column.max()
            self._tiles = []
            for rows in _parts(len(by_row)):
                for columns in _parts(len(by_column)):
                    low = by_row[rows].min() + by_column[columns].min()
                    high = by_row[rows].max() + by_column[columns].max()
                    most = int(np.ceil(highs - low if self._by_plane > 0 else high - lows)) + 2
                    shape = (min(most, self._count), len(by_row[rows]), len(by_column[columns]))
                    self._tiles.append(_Tile(rows, columns, shape))
        meets = [tile.meets(by_row[tile.rows], by_column[tile.columns], self._count) for tile in self._tiles]
        onwards = upwards == (self._by_plane > 0)
        for z in range(min(first for first, _ in meets), max(last for _, last in meets) + 1):
            lacking = [
                tile for tile, (first, last) in zip(self._tiles, meets, strict=True)
                if first <= z <= last and not tile.holds(z)
            ]  # fmt: skip
            if not lacking:
                continue
            coming = [
                tile for tile, (first, last) in zip(self._tiles, meets, strict=True)
                if not tile.holds(z) and (first <= z < first + tile.room if onwards else last - tile.room < z <= last)
            ]  # fmt: skip
            self._put(z, coming)

    def _put(self, z: int, tiles: "list[_Tile]") -> None:
        """Lay a slice on some tiles, all in one go over what holds them."""
        top, left = min(tile.rows.start for tile in tiles), min(tile.columns.start for tile in tiles)
        bottom, right = max(tile.rows.stop for tile in tiles), max(tile.columns.stop for tile in tiles)
        row, _, column, _ = self._window
        laid = self._on_grid(z, (row + top, row + bottom, column + left, column + right))
        for tile in tiles:
            tile.put(z, laid[tile.rows.start - top : tile.rows.stop - top,
                             tile.columns.start - left : tile.columns.stop - left])  # fmt: skip

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
