"""Squares the stack up to the part axis: finds the tilt and resamples squared planes."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.frames import Floats, Voxel, direction_from_slopes, rotation_to_part, to_mm
from ctrecon.core.memory import give_back
from ctrecon.grey.along_axis import AlongAxis
from ctrecon.grey.plane_store import PlaneStore
from ctrecon.grey.survey import Survey

__all__ = ["AxisGuess", "SquaredStack", "axis_from_normals", "square_up"]

_FEWEST_SLICES = 4  # fewer show no axis
_SMALL = 200_000  # px: of smaller planes the whole is worked out
_PART = 3  # a window of more than a third of its plane is cut from the whole, which is then kept


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

    Plane k, row i, column j is at part-frame mm (x0 + j·pitch, y0 + i·pitch, z0 + k·dz).
    """

    survey: Survey
    rotation: Floats
    origin_mm: tuple[float, float, float]
    pitch_mm: float
    depth_step_mm: float
    shape: tuple[int, int, int]
    _store: PlaneStore

    def __len__(self) -> int:
        return self.shape[0]

    def plane(self, k: int) -> Floats:
        """Return squared plane k as float32 (rows, columns); NaN outside the data."""
        kept = self._store.get(k)
        if kept is not None:
            return kept.astype(np.float32)
        _, rows, columns = self.shape
        out = self._drawn.plane(k, (0, rows, 0, columns))
        self._store.put(k, out)
        return out

    def at(self, k: int, rows: NDArray[np.int64], columns: NDArray[np.int64]) -> Floats:
        """Return squared plane k at some pixels (N,)."""
        kept = self._store.get(k)
        return self.plane(k)[rows, columns] if kept is None else kept[rows, columns].astype(np.float32)

    def window(self, k: int, window: tuple[slice, slice]) -> Floats:
        """Return a window (rows, columns) of squared plane k; of a large plane nothing else is worked out."""
        rows, columns = (slice(*one.indices(n)[:2]) for one, n in zip(window, self.shape[1:], strict=True))
        kept = self._store.get(k, rows)
        if kept is not None:
            return kept[:, columns].astype(np.float32)
        area, plane = (rows.stop - rows.start) * (columns.stop - columns.start), self.shape[1] * self.shape[2]
        if plane <= _SMALL or _PART * area > plane:
            return self.plane(k)[window]
        return self._drawn.plane(k, (rows.start, rows.stop, columns.start, columns.stop))

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

    def rest(self) -> None:
        """Let go of the slices laid on the grid, for a stage that looks elsewhere; the next plane lays its own anew."""
        self.__dict__.pop("_drawn", None)
        give_back()

    @cached_property
    def _drawn(self) -> AlongAxis:
        """What draws the planes."""
        return AlongAxis(
            self.rotation, self.origin_mm, self.pitch_mm, self.depth_step_mm,
            self.survey.stack.voxel_mm or (1.0, 1.0, 1.0), len(self.survey.stack), self.survey.bridged_plane,
        )  # fmt: skip


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
    size = int(shape[2]), int(shape[1]), int(shape[0])
    origin = float(low[0]), float(low[1]), float(low[2])
    return SquaredStack(survey, rotation, origin, pitch, voxel[0], size, PlaneStore(*size))


def enough_depth(survey: Survey) -> bool:
    """Return whether the body shows in enough slices to have a direction at all."""
    return bool(survey.bodies) and survey.body_slices >= _FEWEST_SLICES
