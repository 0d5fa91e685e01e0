"""From solid bodies to voxels: how much of each voxel is metal.

Only voxels near a skin are divided. Each small cell takes its share from the signed
distance by a ramp as wide as the cell is along the normal, so a face through a cell is
weighed, not counted: a flat face is exact to rounding, and a gap far thinner than a voxel
takes away exactly its thickness.
"""

import itertools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.frames import Voxel
from ctrecon.phantoms.solids import Array, Solid

__all__ = ["Body", "Placement", "coverage", "render"]

_BLOCK = (4, 8, 8)
_CHUNK = 150_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """Where and how a part lies in the stack.

    Parameters
    ----------
    centre_xyz : (x, y, z)
        Stack position of the origin of the part's own frame, mm.
    tilt_deg : float
        Angle between the part axis and z.
    towards_deg : float
        Direction the axis leans to with growing depth, from +x towards +y.
    turn_deg : float
        Turn of the part about its axis, from +x towards +y.
    flipped : bool
        Turned over first (half a turn about its own x), so that its top comes first.
    """

    centre_xyz: tuple[float, float, float]
    tilt_deg: float = 0.0
    towards_deg: float = 0.0
    turn_deg: float = 0.0
    flipped: bool = False

    def direction(self) -> Array:
        """Return the part axis as a unit vector (x, y, z)."""
        t, a = math.radians(self.tilt_deg), math.radians(self.towards_deg)
        return np.array([math.sin(t) * math.cos(a), math.sin(t) * math.sin(a), math.cos(t)])

    def matrix(self) -> Array:
        """Return the rotation from the part's own frame to the stack.

        Turn about z, then lean about the level line square to the lean: the lean is the
        smallest rotation that takes z to the part axis.
        """
        lean = _about_z(self.towards_deg) @ _about_y(self.tilt_deg) @ _about_z(-self.towards_deg)
        own: Array = _about_z(self.turn_deg)
        if self.flipped:
            own = own @ np.diag([1.0, -1.0, -1.0])
        both: Array = lean @ own
        return both

    def to_stack(self, points: Array) -> Array:
        """Turn points (..., 3) of the part's own frame into stack x, y, z mm."""
        placed: Array = np.asarray(points, dtype=float) @ self.matrix().T + np.asarray(self.centre_xyz)
        return placed


def _about_z(deg: float) -> Array:
    c, s = math.cos(math.radians(deg)), math.sin(math.radians(deg))
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def _about_y(deg: float) -> Array:
    c, s = math.cos(math.radians(deg)), math.sin(math.radians(deg))
    return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """One piece of material.

    Parameters
    ----------
    name : str
        What it is called in the truth.
    solid : Solid
        Its shape in the part's own frame, or in the stack frame when `fixed`.
    grey : float
        Grey above air, as a share of the full contrast.
    fixed : bool
        Whether it lies in the stack frame (a holder, another body) instead of the part's.
    grain : float
        Unevenness of its grey (relative, standard deviation), for foam.
    """

    name: str
    solid: Solid
    grey: float = 1.0
    fixed: bool = False
    grain: float = 0.0


@dataclass(frozen=True, slots=True)
class _Field:
    """A solid as seen from (slice, row, column)."""

    solid: Solid
    matrix: Array
    centre: Array
    voxel: Voxel

    def at(self, k: Array, j: Array, i: Array) -> Array:
        dz, dy, dx = self.voxel
        m = self.matrix
        x, y, z = i * dx - self.centre[0], j * dy - self.centre[1], k * dz - self.centre[2]
        # The transpose of a rotation undoes it: stack to part.
        return self.solid.distance(
            m[0, 0] * x + m[1, 0] * y + m[2, 0] * z,
            m[0, 1] * x + m[1, 1] * y + m[2, 1] * z,
            m[0, 2] * x + m[1, 2] * y + m[2, 2] * z,
        )


def coverage(
    solid: Solid, *, placement: Placement | None, shape: tuple[int, int, int], voxel_mm: Voxel, cells: int = 3
) -> NDArray[np.float32]:
    """Return the share of each voxel that is inside a solid.

    Parameters
    ----------
    solid : Solid
        The body.
    placement : Placement or None
        How it lies; None when it is given in the stack frame.
    shape : (slices, rows, columns)
        Size of the stack.
    voxel_mm : (dz, dy, dx)
        Voxel edges.
    cells : int
        Small cells along each edge of a voxel on a skin.

    Returns
    -------
    (slices, rows, columns) array
        0 to 1.
    """
    matrix = placement.matrix() if placement else np.eye(3)
    centre = np.asarray(placement.centre_xyz if placement else (0.0, 0.0, 0.0))
    field = _Field(solid, matrix, centre, voxel_mm)
    padded = tuple(-(-n // b) * b for n, b in zip(shape, _BLOCK, strict=True))
    out = np.zeros(padded, dtype=np.float32)
    blocks = out.reshape(tuple(v for n, b in zip(padded, _BLOCK, strict=True) for v in (n // b, b)))
    blocks = blocks.transpose(0, 2, 4, 1, 3, 5)

    starts = np.meshgrid(*(np.arange(n // b) for n, b in zip(padded, _BLOCK, strict=True)), indexing="ij")
    middle = [s * b + 0.5 * (b - 1) for s, b in zip(starts, _BLOCK, strict=True)]
    reach = 0.5 * math.sqrt(sum((b * v) ** 2 for b, v in zip(_BLOCK, voxel_mm, strict=True)))
    far = field.at(*middle)
    blocks[far < -reach] = 1.0

    near = np.argwhere(np.abs(far) <= reach)
    inner = np.stack(np.meshgrid(*(np.arange(b) for b in _BLOCK), indexing="ij"), axis=-1).reshape(-1, 3)
    per_chunk = max(1, _CHUNK // len(inner))
    for first in range(0, len(near), per_chunk):
        part = near[first : first + per_chunk]
        index = (part[:, None, :] * np.asarray(_BLOCK) + inner).reshape(-1, 3)
        out[index[:, 0], index[:, 1], index[:, 2]] = _shares(field, index, cells)
    return out[: shape[0], : shape[1], : shape[2]]


def _shares(field: _Field, index: NDArray[np.integer[Any]], cells: int) -> Array:
    k, j, i = (index[:, a].astype(float) for a in range(3))
    d = field.at(k, j, i)
    share = (d < 0).astype(float)
    skin = np.abs(d) <= 0.5 * math.sqrt(sum(v * v for v in field.voxel))
    if not skin.any():
        return share
    k, j, i = k[skin], j[skin], i[skin]
    # Change of distance across the voxel along each edge. Seen along the normal a cell is the
    # overlay of three uniform spreads this wide; the two widest are kept as they are (a
    # trapezium), the third only adds its variance to the second.
    across = np.abs(
        [
            field.at(k + 0.5, j, i) - field.at(k - 0.5, j, i),
            field.at(k, j + 0.5, i) - field.at(k, j - 0.5, i),
            field.at(k, j, i + 0.5) - field.at(k, j, i - 0.5),
        ]
    )
    third, second, first = np.sort(across, axis=0) / cells
    first = np.maximum(first, 0.25 * min(field.voxel) / cells)
    second = np.clip(np.hypot(second, third), 1e-3 * first, first)
    steps = (np.arange(cells) + 0.5) / cells - 0.5
    total = np.zeros_like(k)
    for a, b, c in itertools.product(steps, steps, steps):
        total += _below(-field.at(k + a, j + b, i + c), first, second)
    share[skin] = total / cells**3
    return share


def _below(s: Array, wide: Array, narrow: Array) -> Array:
    """Return the share of a trapezium (two uniform spreads overlaid, middle 0) that lies below s."""
    both, apart = 0.5 * (wide + narrow), 0.5 * (wide - narrow)
    share = np.zeros_like(s)
    for shift, sign in ((both, 1.0), (apart, -1.0), (-apart, -1.0), (-both, 1.0)):
        share += sign * np.maximum(s + shift, 0.0) ** 2
    below: Array = np.clip(share / (2.0 * wide * narrow), 0.0, 1.0)
    return below


def render(
    bodies: tuple[Body, ...], *, placement: Placement, shape: tuple[int, int, int], voxel_mm: Voxel,
    rng: np.random.Generator, cells: int = 3,
) -> NDArray[np.float32]:
    """Return the clean stack: 0 in air, 1 in metal of full contrast.

    Parameters
    ----------
    bodies : tuple of Body
        Pieces that do not overlap.
    placement : Placement
        How the part lies.
    shape, voxel_mm
        Size of the stack and voxel edges (dz, dy, dx) in mm.
    rng : Generator
        For the grain of foam.
    cells : int
        See `coverage`.
    """
    total = np.zeros(shape, dtype=np.float32)
    for body in bodies:
        share = coverage(
            body.solid, placement=None if body.fixed else placement, shape=shape, voxel_mm=voxel_mm, cells=cells
        )
        if body.grain:
            grain = ndimage.gaussian_filter(rng.standard_normal(shape, dtype=np.float32), 1.5)
            share = share * np.maximum(1.0 + body.grain / float(grain.std()) * grain, 0.0).astype(np.float32)
        total += np.float32(body.grey) * share
    return total
