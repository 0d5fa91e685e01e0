"""The voxels round the edge of a shape that is followed from slice to slice, and how far each is from the edge."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.frames import Floats
from ctrecon.fitting.models import PolygonModel, RectangleModel, RoundModel, SlotModel
from ctrecon.fitting.solve import Samples
from ctrecon.shapes import Rectangle, RegularPolygon

__all__ = ["Band", "Grid", "TrackModel", "edge_distance", "lay_band", "lever"]

TrackModel = RoundModel | RectangleModel | SlotModel | PolygonModel

_REBUILD = 0.5  # px that the edge may have grown before its band is laid anew
_SECTOR_PX = 12.0  # length of a sector along the edge
_CORNER_PX = 3.0  # px beside a corner that are left out
_THINNED = 4  # every fourth voxel far from the edge


@dataclass(frozen=True, eq=False)
class Grid:
    """Where voxels are in the frame square to the feature's axis: `matrix` takes (column, row) there, in px."""

    matrix: Floats
    voxel_px: tuple[float, float]
    pitch_mm: float

    @classmethod
    def of(cls, rotation: Floats, dy: float, dx: float) -> "Grid":
        """Return the grid for the rotation from stack to part and the voxel edges in mm."""
        pitch = min(dy, dx)
        return cls(rotation[:2, :2] * (np.array([dx, dy]) / pitch), (dx / pitch, dy / pitch), pitch)

    def voxel_near(self, p: Floats) -> tuple[int, int]:
        """Return row and column of the voxel nearest to a place."""
        column, row = np.linalg.solve(self.matrix, p[:2])
        return round(float(row)), round(float(column))

    def place(self, at: tuple[int, int]) -> Floats:
        """Return the place of the voxel (row, column), px."""
        return np.asarray(self.matrix @ np.array([at[1], at[0]], dtype=float))


@dataclass(frozen=True, eq=False)
class Band:
    """Voxels round the edge as steps from a voxel near its middle, sorted by direction.

    `u`, `v` are their places from that voxel (px of the grid), `places` the same from -1 to 1, `shape` the
    parameters for which the band was laid.
    """

    down: NDArray[np.int64]
    along: NDArray[np.int64]
    u: Floats
    v: Floats
    places: Floats
    sector: NDArray[np.int64]
    shape: Floats

    def left_by(self, local: Floats, levers: Floats) -> bool:
        """Return whether a shape has outgrown the band."""
        return bool(np.abs((local - self.shape) * levers)[2:].max() > _REBUILD)

    def voxels(
        self, anchor: tuple[int, int], shape: tuple[int, ...]
    ) -> tuple[NDArray[np.int64], slice | NDArray[np.int64]]:
        """Return flat numbers of the voxels that are in a slice, and which of the band they are."""
        rows, columns = shape
        row, column = anchor[0] + self.down, anchor[1] + self.along
        inside = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
        if inside.all():
            return row * columns + column, slice(None)
        keep = np.flatnonzero(inside)
        return (row * columns + column)[keep], keep

    def starts(self, inside: slice | NDArray[np.int64]) -> NDArray[np.int64]:
        """Return where each sector begins among the voxels that are in a slice."""
        sector = self.sector[inside]
        return np.flatnonzero(np.diff(sector, prepend=-1))


def lay_band(
    model: TrackModel, grid: Grid, local: Floats, reach_px: float, corner_px: float, *, far_px: float = 0.0
) -> Band:
    """Choose the voxels within `reach_px` of the edge, and a quarter of those up to `far_px`; corners left out."""
    far = _far(model, local) + max(reach_px, far_px) + 2
    half = int(np.ceil(far / np.linalg.svd(grid.matrix, compute_uv=False)[-1])) + 1
    steps = np.arange(-half, half + 1)
    along, down = (a.ravel() for a in np.meshgrid(steps, steps))
    m = grid.matrix
    u: Floats
    v: Floats
    u, v = m[0, 0] * along + m[0, 1] * down, m[1, 0] * along + m[1, 1] * down
    near = np.flatnonzero(np.hypot(u, v) <= far)
    along, down, u, v = along[near], down[near], u[near], v[near]
    d, _ = edge_distance(model, local, u, v, 0.0)
    keep = np.abs(d) <= reach_px
    if far_px > reach_px:
        keep |= (np.abs(d) <= far_px) & ((along + 2 * down) % _THINNED == 0)
    if isinstance(model, RectangleModel):
        x, y, a, b, turn = local
        p, q = (np.abs(w) for w in Rectangle(x, y, a, b, float(np.degrees(turn))).own_axes(np.column_stack([u, v])))
        off = min(corner_px + _CORNER_PX, 0.3 * min(a, b))
        keep &= ~((p > a / 2 - off) & (q > b / 2 - off))
    elif isinstance(model, PolygonModel):
        x, y, inradius, turn = local
        polygon = RegularPolygon(x, y, model.sides, inradius, float(np.degrees(turn)))
        _, across = polygon.side_of(np.column_stack([u, v]))
        flat = inradius * np.tan(np.pi / model.sides)
        keep &= np.abs(across) < flat - min(corner_px + _CORNER_PX, 0.3 * flat)
    else:
        keep &= np.hypot(u - local[0], v - local[1]) > 0.5
    along, down, u, v = along[keep], down[keep], u[keep], v[keep]
    count = int(np.clip(2 * np.pi * far / _SECTOR_PX, 12, 120))
    sector = ((np.arctan2(v - local[1], u - local[0]) / (2 * np.pi) + 0.5) * count).astype(np.int64) % count
    order = np.argsort(sector, kind="stable")
    u, v = u[order].astype(float), v[order].astype(float)
    places = np.stack([(w - w.mean()) / max(float(np.ptp(w)) / 2, 1.0) for w in (u, v)]) if len(u) else np.empty((2, 0))
    return Band(down[order], along[order], u, v, places, sector[order], local.copy())


def edge_distance(model: TrackModel, local: Floats, u: Floats, v: Floats, blur_px: float) -> tuple[Floats, Floats]:
    """Return distance (N,) to the half-height edge, positive in metal, and its derivatives (shape, N)."""
    if isinstance(model, RoundModel):
        x, y, radius = local
        du, dv = u - x, v - y
        rho = np.maximum(np.sqrt(du * du + dv * dv), 1e-9)
        pull = blur_px**2 / (2 * max(radius, 0.5))
        sign = -1.0 if model.hole else 1.0
        jac = np.empty((3, len(u)))
        inverse = sign / rho
        np.multiply(du, inverse, out=jac[0])
        np.multiply(dv, inverse, out=jac[1])
        jac[2] = sign * (1 + pull / max(radius, 0.5))
        return sign * (radius - pull - rho), jac
    nothing = np.zeros(len(u))
    full = np.concatenate([local, np.zeros(len(model.names) - len(local))])
    d, by_each = model.distance(full, Samples(u, v, nothing, nothing, np.zeros(0, dtype=np.int64)), blur_px)
    return d, np.ascontiguousarray(by_each[:, : len(local)].T)


def _far(model: TrackModel, local: Floats) -> float:
    """Return how far from its middle a shape reaches, px."""
    if isinstance(model, RoundModel):
        return float(local[2])
    if isinstance(model, PolygonModel):
        return float(local[2] / np.cos(np.pi / model.sides))
    return float(np.hypot(local[2], local[3]) / 2)


def lever(model: TrackModel, p: Floats) -> Floats:
    """Return by how many px the edge moves, at most, for a change of each parameter."""
    if isinstance(model, RoundModel):
        return np.ones(3)
    if isinstance(model, PolygonModel):
        return np.array([1.0, 1.0, 1.0, _far(model, p) * np.sin(np.pi / model.sides)])
    return np.array([1.0, 1.0, 0.5, 0.5, max(p[2], p[3]) / 2])
