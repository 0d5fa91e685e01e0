"""The bench's own renderer: signed distances, area coverage on a finer grid, Gaussian blur, voxel means, noise.

It shares nothing with the package or its phantoms. Lengths are px (the shorter voxel edge in the slice plane).
Coordinates are (X, Y, Z) = (column, row, depth). Distances are positive inside metal.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.floating]
Distance = Callable[[Floats, Floats, Floats], Floats]

PSF = 0.8
"""Standard deviation of the blur, px."""


def round_distance(rho: Floats, radius: Floats | float) -> Floats:
    """Distance to a circle such that the area comes out exact."""
    return 2 * radius * (radius - rho) / (radius + rho)


def disc(x: float, y: float, radius: float, growth: float = 0.0) -> Distance:
    """Return a cylinder along depth; `growth` is the change of its radius per px of depth.

    2R (R - rho) / (R + rho), which is R - rho near the edge, keeps the area exact when it is turned into coverage:
    the levels between -h/2 and h/2 enclose pi R² on average, where those of R - rho enclose pi (R² + h²/12).
    """

    def distance(xx: Floats, yy: Floats, zz: Floats) -> Floats:
        return round_distance(np.hypot(xx - x, yy - y), radius + growth * zz)

    return distance


def box(x: float, y: float, a: float, b: float, turn_deg: float, corner: float = 0.0) -> Distance:
    """A rectangle a by b along depth, its first flat's normal at `turn_deg`, its corners rounded."""
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))

    def distance(xx: Floats, yy: Floats, zz: Floats) -> Floats:
        u = np.abs((xx - x) * c + (yy - y) * s) - a / 2 + corner
        v = np.abs((yy - y) * c - (xx - x) * s) - b / 2 + corner
        inside = np.minimum(np.maximum(u, v), 0)
        return corner - inside - np.hypot(np.maximum(u, 0), np.maximum(v, 0))

    return distance


def sector(x: float, y: float, from_deg: float, to_deg: float) -> Distance:
    """A wedge of less than 180 degrees with its point at (x, y)."""
    p, q = np.radians(from_deg), np.radians(to_deg)

    def distance(xx: Floats, yy: Floats, zz: Floats) -> Floats:
        return np.minimum(np.cos(p) * (yy - y) - np.sin(p) * (xx - x), np.sin(q) * (xx - x) - np.cos(q) * (yy - y))

    return distance


def between(shape: Distance, low: float, high: float) -> Distance:
    """The part of a shape that lies between two depths."""
    return lambda xx, yy, zz: np.minimum(shape(xx, yy, zz), np.minimum(zz - low, high - zz))


def union(*shapes: Distance) -> Distance:
    """All shapes together."""

    def distance(xx: Floats, yy: Floats, zz: Floats) -> Floats:
        out = shapes[0](xx, yy, zz)
        for one in shapes[1:]:
            out = np.maximum(out, one(xx, yy, zz))
        return out

    return distance


def cut(shape: Distance, *holes: Distance) -> Distance:
    """A shape without the holes."""

    def distance(xx: Floats, yy: Floats, zz: Floats) -> Floats:
        out = shape(xx, yy, zz)
        for one in holes:
            out = np.minimum(out, -one(xx, yy, zz))
        return out

    return distance


def both(first: Distance, second: Distance) -> Distance:
    """What two shapes have in common."""
    return lambda xx, yy, zz: np.minimum(first(xx, yy, zz), second(xx, yy, zz))


@dataclass(frozen=True)
class Pose:
    """Where a part lies in its stack: own point (0, 0, 0) at `centre`, its axis leaning over.

    `voxel` is (dz, dy, dx) in px, `shape` (slices, rows, columns).
    """

    shape: tuple[int, int, int]
    centre: tuple[float, float, float]
    voxel: tuple[float, float, float] = (1.0, 1.0, 1.0)
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


def coverage(part: Distance, pose: Pose, *, fine: int | None = None, psf: float = PSF) -> Floats:
    """Share of each voxel filled with metal, after the blur: float32 (slices, rows, columns).

    Half-voxel cells are fine enough: at their Nyquist frequency the blur leaves 3e-6. A single slice is the
    middle of a long bar: nothing is blurred along depth.
    """
    flat = pose.shape[0] == 1
    n = (4 if flat else 2) if fine is None else fine
    by = (1 if flat else n, n, n)
    cells = [c * m for c, m in zip(pose.shape, by, strict=True)]
    step = [v / m for v, m in zip(pose.voxel, by, strict=True)]
    first = [(-0.5 + 0.5 / m) * v for v, m in zip(pose.voxel, by, strict=True)]
    z, y, x = (
        (f + s * np.arange(c) - o).astype(np.float32)
        for f, s, c, o in zip(first, step, cells, pose.centre[::-1], strict=True)
    )
    r = pose.rotation.astype(np.float32)
    out = np.empty(cells, np.float32)
    for k, depth in enumerate(z):
        own = [r[0, i] * x[None, :] + r[1, i] * y[:, None] + r[2, i] * depth for i in range(3)]
        out[k] = part(*own)
    # a cell's width along the surface's normal is the change of distance from cell to cell
    width = np.zeros(cells, np.float32)
    for axis in (1, 2) if flat else (0, 1, 2):
        width += np.gradient(out, axis=axis) ** 2
    np.sqrt(width, out=width)
    out = np.clip(0.5 + out / np.maximum(width, np.float32(0.2) * np.float32(step[2])), 0, 1)
    sigma = [0.0 if flat else psf / step[0], psf / step[1], psf / step[2]]
    ndimage.gaussian_filter(out, sigma, mode="nearest", output=out)
    slices, rows, columns = pose.shape
    return out.reshape(slices, by[0], rows, n, columns, n).mean(axis=(1, 3, 5), dtype=np.float32)


def noise(shape: tuple[int, ...], sd: float, rng: np.random.Generator, correlation: float = 0.0) -> Floats:
    """Gaussian noise; `correlation` is the sd (px) of the Gaussian it was smoothed with before it was scaled back."""
    out = rng.standard_normal(shape, dtype=np.float32)
    if correlation:
        out = ndimage.gaussian_filter(out, [correlation if n > 1 else 0.0 for n in shape], mode="wrap")
        out /= out.std()
    return out * np.float32(sd)


AIR, METAL = 22000, 42000
"""Grey of air and metal: far enough from both ends of uint16 that noise at SNR 5 is not clipped."""


def grey16(volume: Floats) -> NDArray[np.uint16]:
    """Turn air 0, metal 1 into stored grey values."""
    return np.clip(np.rint(AIR + (METAL - AIR) * volume), 0, 65535).astype(np.uint16)
