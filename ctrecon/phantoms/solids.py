"""Solid bodies by signed distance, in the part's own frame (mm, axis along +z).

Every `distance` is negative in the metal, zero on its skin, positive outside, and never
changes faster than 1 mm per mm. It may fall short of the true distance (beside a sharp
edge, say) but never exceeds it, so a voxel farther from the skin than its own half
diagonal is wholly metal or wholly air. The sign is exact.
"""

import math
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Balls",
    "Cylinder",
    "Difference",
    "Rectangle",
    "RoughCut",
    "Sector",
    "Solid",
    "Union",
    "eaten_rim",
    "square",
    "tube",
]

Array = NDArray[np.floating[Any]]


class Solid(Protocol):
    """Anything that knows how far a point is from its skin."""

    def distance(self, x: Array, y: Array, z: Array) -> Array:
        """Return the signed distance in mm at points of the part frame."""
        ...


def _slab(z: Array, z_from: float, z_to: float) -> Array:
    gap: Array = np.maximum(z_from - z, z - z_to)
    return gap


@dataclass(frozen=True, slots=True, kw_only=True)
class Cylinder:
    """A round body along z, straight or tapered.

    Parameters
    ----------
    diameter : float
        At mid-length, mm.
    z_from, z_to : float
        End faces, mm; infinite ends are allowed when the body is straight.
    x, y : float
        Axis, mm.
    taper : float
        Change of diameter per mm of z.
    """

    diameter: float
    z_from: float
    z_to: float
    x: float = 0.0
    y: float = 0.0
    taper: float = 0.0

    def distance(self, x: Array, y: Array, z: Array) -> Array:
        """Return the signed distance in mm."""
        wall = np.hypot(x - self.x, y - self.y) - 0.5 * self.diameter
        if self.taper:
            slope = 0.5 * self.taper
            wall = (wall - slope * (z - 0.5 * (self.z_from + self.z_to))) / math.hypot(1.0, slope)
        inside: Array = np.maximum(wall, _slab(z, self.z_from, self.z_to))
        return inside


@dataclass(frozen=True, slots=True, kw_only=True)
class Rectangle:
    """A rectangular body along z.

    Parameters
    ----------
    long, short : float
        Lengths of the sides along and across `turn_deg`, mm.
    z_from, z_to : float
        End faces, mm.
    x, y : float
        Axis, mm.
    turn_deg : float
        Direction of the long side, from +x towards +y.
    corner_radius : float
        Radius of the four corners, mm.
    """

    long: float
    short: float
    z_from: float
    z_to: float
    x: float = 0.0
    y: float = 0.0
    turn_deg: float = 0.0
    corner_radius: float = 0.0

    def distance(self, x: Array, y: Array, z: Array) -> Array:
        """Return the signed distance in mm."""
        c, s = math.cos(math.radians(self.turn_deg)), math.sin(math.radians(self.turn_deg))
        along = np.abs(c * (x - self.x) + s * (y - self.y)) - 0.5 * self.long
        across = np.abs(c * (y - self.y) - s * (x - self.x)) - 0.5 * self.short
        side = np.maximum(along, across)
        r = self.corner_radius
        if r > 0:
            round_part = np.hypot(np.maximum(along + r, 0.0), np.maximum(across + r, 0.0)) - r
            side = np.where((along > -r) & (across > -r), round_part, side)
        return np.maximum(side, _slab(z, self.z_from, self.z_to))


def square(
    *, flats: float, z_from: float, z_to: float, x: float = 0.0, y: float = 0.0, turn_deg: float = 0.0,
    corner_radius: float = 0.0,
) -> Rectangle:
    """Return a square body: a rectangle with equal sides (mm)."""
    return Rectangle(
        long=flats, short=flats, z_from=z_from, z_to=z_to, x=x, y=y, turn_deg=turn_deg, corner_radius=corner_radius
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class RoughCut:
    """Everything beyond an uneven upright fracture face; take it from a plate to break a corner.

    Parameters
    ----------
    direction_deg : float
        Outward normal of the face, from +x towards +y.
    at : float
        Distance of the mean face from the part axis, mm.
    height, length : float
        Swing and wavelength of the unevenness, mm.
    """

    direction_deg: float
    at: float
    height: float = 0.0
    length: float = 1.0

    def distance(self, x: Array, y: Array, z: Array) -> Array:
        """Return the signed distance in mm."""
        c, s = math.cos(math.radians(self.direction_deg)), math.sin(math.radians(self.direction_deg))
        out = self.at - (c * x + s * y)
        if not self.height:
            return out
        k = 2 * math.pi / self.length
        along = c * y - s * x
        wave = 0.6 * np.sin(k * along + 0.7 * k * z) + 0.4 * np.sin(1.7 * k * along - 1.1 * k * z + 1.0)
        steepest = self.height * k * (0.6 * math.hypot(1.0, 0.7) + 0.4 * math.hypot(1.7, 1.1))
        return (out + self.height * wave) / math.hypot(1.0, steepest)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sector:
    """The wedge from `from_deg` over `arc_deg` (at most 180) about an axis, endless along z."""

    from_deg: float
    arc_deg: float
    x: float = 0.0
    y: float = 0.0

    def distance(self, x: Array, y: Array, z: Array) -> Array:
        """Return the signed distance in mm."""
        a, b = math.radians(self.from_deg), math.radians(self.from_deg + self.arc_deg)
        u, v = x - self.x, y - self.y
        return np.maximum(math.sin(a) * u - math.cos(a) * v, math.cos(b) * v - math.sin(b) * u)


@dataclass(frozen=True, slots=True)
class Balls:
    """Several balls: pits to take from a rim.

    Parameters
    ----------
    pits : tuple of (x, y, z, radius)
        Centres and radii, mm.
    """

    pits: tuple[tuple[float, float, float, float], ...]

    def distance(self, x: Array, y: Array, z: Array) -> Array:
        """Return the signed distance in mm."""
        best = np.full(np.shape(x), np.inf)
        for px, py, pz, radius in self.pits:
            np.minimum(best, np.sqrt((x - px) ** 2 + (y - py) ** 2 + (z - pz) ** 2) - radius, out=best)
        return best


@dataclass(frozen=True, slots=True)
class Union:
    """Metal where any of the parts has metal."""

    parts: tuple[Solid, ...]

    def distance(self, x: Array, y: Array, z: Array) -> Array:
        """Return the signed distance in mm."""
        best = self.parts[0].distance(x, y, z)
        for part in self.parts[1:]:
            best = np.minimum(best, part.distance(x, y, z))
        return best


@dataclass(frozen=True, slots=True)
class Difference:
    """A body with other bodies taken out of it."""

    body: Solid
    taken: tuple[Solid, ...]

    def distance(self, x: Array, y: Array, z: Array) -> Array:
        """Return the signed distance in mm."""
        best = self.body.distance(x, y, z)
        for part in self.taken:
            best = np.maximum(best, -part.distance(x, y, z))
        return best


def tube(
    *, outer: float, inner: float, z_from: float, z_to: float, x: float = 0.0, y: float = 0.0
) -> Difference:
    """Return a straight tube (diameters in mm): a bush, a holder ring."""
    return Difference(
        Cylinder(diameter=outer, z_from=z_from, z_to=z_to, x=x, y=y),
        (Cylinder(diameter=inner, z_from=-math.inf, z_to=math.inf, x=x, y=y),),
    )


def eaten_rim(
    rng: np.random.Generator, *, diameter: float, z_from: float, z_to: float, from_deg: float, arc_deg: float,
    depth: float, pits: int = 40,
) -> Balls:
    """Return pits along a stretch of a round rim, to be taken from it.

    Parameters
    ----------
    rng : Generator
        Where the pits fall.
    diameter, z_from, z_to : float
        The rim, mm.
    from_deg, arc_deg : float
        The stretch that is eaten.
    depth : float
        Deepest bite, mm.
    pits : int
        How many.
    """
    angle = np.radians(from_deg + arc_deg * rng.random(pits))
    radius = depth * rng.uniform(0.5, 1.0, pits)
    out = 0.5 * diameter + rng.uniform(-0.2, 0.2, pits) * depth
    z = rng.uniform(z_from, z_to, pits)
    x, y = out * np.cos(angle), out * np.sin(angle)
    return Balls(tuple((float(a), float(b), float(c), float(r)) for a, b, c, r in zip(x, y, z, radius, strict=True)))
