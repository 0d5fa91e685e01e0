"""Turns distances into slices: cells of half a voxel where an edge is near, then the blur and the voxels' own means.

A part is a sum of layers (distance, grey): pieces of metal beside each other add up, so a gap of a hundredth of a
px between two of them comes out as thin as it is. Shares nothing with the package.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.special import ndtr
from worn.shapes import Distance, Floats

Layer = tuple[Distance, float]


@dataclass(frozen=True)
class Pose:
    """Where a part lies in its stack: own point (0, 0, 0) at `centre` (x, y, z), its axis leaning over; px, degrees.

    `voxel` is (dz, dy, dx), `shape` (slices, rows, columns).
    """

    shape: tuple[int, int, int]
    voxel: tuple[float, float, float]
    centre: tuple[float, float, float]
    tilt_deg: float = 0.0
    towards_deg: float = 0.0
    rotation: Floats = field(init=False)

    def __post_init__(self) -> None:
        t, a = np.radians(self.tilt_deg), np.radians(self.towards_deg)
        x, y, z = np.sin(t) * np.cos(a), np.sin(t) * np.sin(a), np.cos(t)
        k = np.array([[0, 0, x], [0, 0, y], [-x, -y, 0]])
        object.__setattr__(self, "rotation", np.eye(3) + k + k @ k / (1 + z))

    @property
    def axis(self) -> Floats:
        """Direction of the part's axis in the stack (x, y, z)."""
        return self.rotation[:, 2]

    def to_stack(self, x: float, y: float, z: float) -> Floats:
        """Place of a point of the part in the stack, px."""
        return self.rotation @ np.array([x, y, z]) + np.array(self.centre)

    def to_part(self, x: Floats, y: Floats, z: Floats) -> tuple[Floats, Floats, Floats]:
        """Places of the stack in the part's own frame."""
        r = self.rotation.astype(np.float32)
        off = [np.asarray(v, np.float32) - np.float32(c) for v, c in zip((x, y, z), self.centre, strict=True)]
        a, b, c = (r[0, i] * off[0] + r[1, i] * off[1] + r[2, i] * off[2] for i in range(3))
        return a, b, c


def blur_matrix(voxels: int, cells: int, edge: float, sigma: float) -> Floats:
    """Weights (voxels, voxels * cells) of each cell in each voxel's blurred mean; the ends go on as they are.

    A box as wide as the cell, blurred by a Gaussian, averaged over the voxel: second integrals of the Gaussian.
    """
    voxel = (np.arange(voxels + 1) - 0.5) * edge
    cell = (np.arange(voxels * cells + 1) / cells - 0.5) * edge

    def second(x: Floats) -> Floats:
        if sigma == 0:
            return np.maximum(x, 0)
        return x * ndtr(x / sigma) + sigma * np.exp(-0.5 * (x / sigma) ** 2) / np.sqrt(2 * np.pi)

    g = second(voxel[:, None] - cell[None, :])
    out = np.diff(g, axis=0)
    out = (out[:, :-1] - out[:, 1:]) / edge
    lost = np.clip(1 - out.sum(axis=1), 0, None)
    middle = voxels // 2
    out[:middle, 0] += lost[:middle]
    out[middle:, -1] += lost[middle:]
    return out.astype(np.float32)


def _children(at: Floats) -> Floats:
    """Eight halves of each block: indices (3, n) to (3, n, 2, 2, 2)."""
    step = np.indices((2, 2, 2))
    return 2 * at[:, :, None, None, None] + step[:, None]


def cells_of(distance: Distance, pose: Pose, by: int, first: int, last: int) -> Floats:
    """Share of metal in cells of half a voxel (1 / `by` along depth) of the slices from `first` to before `last`.

    Blocks of 8 x 8 x 8 cells are halved as long as an edge may cross them: a distance may be twice the true one.
    """
    dz, dy, dx = pose.voxel
    step = np.array([dz / by, dy / 2, dx / 2])
    origin = np.array([(first - 0.5) * dz, -0.5 * dy, -0.5 * dx])
    cells = np.array([(last - first) * by, pose.shape[1] * 2, pose.shape[2] * 2])
    shape = tuple(int(v) for v in -(-cells // 8))
    at = np.indices(shape).reshape(3, -1)
    out = np.zeros(shape, np.float32)
    for size in (8, 4, 2):
        middle = origin[:, None] + step[:, None] * size * (at + 0.5)
        d = distance(*pose.to_part(middle[2], middle[1], middle[0]))
        out[at[0], at[1], at[2]] = d > 0
        near = np.abs(d) <= size * float(np.linalg.norm(step))
        at = at[:, near]
        if size > 2:
            at = _children(at).reshape(3, -1)
            out = out.repeat(2, 0).repeat(2, 1).repeat(2, 2)
    at = _children(at)
    out = out.repeat(2, 0).repeat(2, 1).repeat(2, 2)
    for part in np.array_split(np.arange(at.shape[1]), max(1, at.shape[1] // 40000)):
        if len(part):
            some = at[:, part]
            z, y, x = (o + s * (a + 0.5) for o, s, a in zip(origin, step, some, strict=True))
            d = distance(*pose.to_part(x, y, z))
            # a cell's width along the surface's normal is the change of distance from cell to cell
            change = [np.diff(d, axis=a) ** 2 for a in (1, 2, 3)]
            width = np.sqrt(change[0] + change[1] + change[2])
            out[some[0], some[1], some[2]] = np.clip(0.5 + d / np.maximum(width, 0.1), 0, 1)
    return out[: cells[0], : cells[1], : cells[2]]


def render(layers: Sequence[Layer], pose: Pose, psf: float) -> Floats:
    """Grey of a part, air 0 and metal 1, blurred by `psf` px in all directions: float32 (slices, rows, columns)."""
    slices, rows, columns = pose.shape
    by = 2 if pose.voxel[0] < 1.5 else 4
    kz = blur_matrix(slices, by, pose.voxel[0], psf)
    ky = blur_matrix(rows, 2, pose.voxel[1], psf)
    kx = blur_matrix(columns, 2, pose.voxel[2], psf).T.copy()
    out = np.zeros((slices, rows * columns), np.float32)
    some = max(8, int(32e6 / (16 * rows * columns)))
    some += -some % 4
    for first in range(0, slices, some):
        last = min(first + some, slices)
        grey = np.zeros(((last - first) * by, rows * 2, columns * 2), np.float32)
        for distance, weight in layers:
            grey += np.float32(weight) * cells_of(distance, pose, by, first, last)
        plane = np.matmul(ky, grey @ kx).reshape(len(grey), -1)
        out += kz[:, first * by : last * by] @ plane
    return out.reshape(pose.shape)
