"""Signed distances of the worn parts: solids, toothed rims, and what time eats from their edges.

Lengths are px (the shorter voxel edge in the slice plane), in the part's own frame: (x, y) across its axis, z along
it. A distance is positive inside metal, right to first order near the edge, and never more than twice the true one.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating]
Distance = Callable[[Floats, Floats, Floats], Floats]
Loss = Callable[[Floats, Floats], Floats]
"""How much of an edge is gone: (degrees or px along the edge, depth) to px."""


@dataclass(frozen=True, kw_only=True)
class Bite:
    """A stretch of eaten edge.

    `at` and `half` run along the edge (degrees of a rim, px of a straight edge), `z` and `half_z` along depth (inf:
    the same all through); `deep` px at its middle. `form`: "smooth" dies away gently, "round" ends sharp like a
    shallow arc, "notch" is a V. `lean` is how much deeper a through bite gets over half_lean px of depth.
    """

    at: float
    half: float
    deep: float
    z: float = 0.0
    half_z: float = np.inf
    form: str = "smooth"
    lean: float = 0.0

    def loss(self, along: Floats, z: Floats, period: float | None) -> Floats:
        """Depth of this bite, px."""
        off = along - self.at
        if period is not None:
            off = (off + period / 2) % period - period / 2
        off = np.clip(np.abs(off) / self.half, 0, 1)
        if self.form == "smooth":
            out = np.cos(off * np.float32(np.pi / 2)) ** 2
        elif self.form == "round":
            out = 1 - off**2
        else:
            out = 1 - off
        out = out * self.deep
        if self.lean:
            out = out * np.clip(1 + self.lean * (z - self.z), 0, 2)
        if np.isfinite(self.half_z):
            out = out * np.cos(np.clip(np.abs(z - self.z) / self.half_z, 0, 1) * np.float32(np.pi / 2))
        return out


def loss_of(bites: Sequence[Bite], period: float | None = 360.0) -> Loss | None:
    """Deepest of all bites, or None where there are none."""
    if not bites:
        return None

    def loss(along: Floats, z: Floats) -> Floats:
        out = bites[0].loss(along, z, period)
        for one in bites[1:]:
            out = np.maximum(out, one.loss(along, z, period))
        return out

    return loss


def round_distance(rho: Floats, radius: Floats | float) -> Floats:
    """Distance to a circle, such that the area comes out exact when it is turned into coverage of cells."""
    return 2 * radius * (radius - rho) / (radius + rho)


def disc(
    x: float, y: float, radius: float, *, growth: float = 0.0, mid: float = 0.0, loss: Loss | None = None
) -> Distance:
    """Return a cylinder along depth; `growth` is the change of its radius per px of depth, exact at `mid`."""

    def distance(xx: Floats, yy: Floats, zz: Floats) -> Floats:
        r: Floats | float = radius
        if growth:
            r = radius + growth * (zz - mid)
        if loss is not None:
            r = r - loss(np.degrees(np.arctan2(yy - y, xx - x)), zz)
        return round_distance(np.hypot(xx - x, yy - y), r)

    return distance


def hole(
    x: float, y: float, radius: float, *, growth: float = 0.0, mid: float = 0.0, loss: Loss | None = None
) -> Distance:
    """Return the room of a round hole: as `disc`, but a loss makes it wider."""
    wider = None if loss is None else (lambda along, z: -loss(along, z))
    return disc(x, y, radius, growth=growth, mid=mid, loss=wider)


def box(x: float, y: float, a: float, b: float, turn_deg: float, corner: float = 0.0) -> Distance:
    """A rectangle a by b along depth, its first flat's normal at `turn_deg`, its corners rounded."""
    c, s = float(np.cos(np.radians(turn_deg))), float(np.sin(np.radians(turn_deg)))

    def distance(xx: Floats, yy: Floats, zz: Floats) -> Floats:
        u = np.abs((xx - x) * c + (yy - y) * s) - (a / 2 - corner)
        v = np.abs((yy - y) * c - (xx - x) * s) - (b / 2 - corner)
        inside = np.minimum(np.maximum(u, v), 0)
        return corner - inside - np.hypot(np.maximum(u, 0), np.maximum(v, 0))

    return distance


def plate(a: float, b: float, turn_deg: float, losses: Sequence[Loss | None] = (None,) * 4) -> Distance:
    """A rectangle a by b about the axis, its sides (+a, +b, -a, -b) eaten; a loss runs along its side from the middle."""
    c, s = float(np.cos(np.radians(turn_deg))), float(np.sin(np.radians(turn_deg)))

    def distance(xx: Floats, yy: Floats, zz: Floats) -> Floats:
        u, v = xx * c + yy * s, yy * c - xx * s
        sides = [(a / 2 - u, v), (b / 2 - v, -u), (a / 2 + u, -v), (b / 2 + v, u)]
        out = None
        for (far, along), loss in zip(sides, losses, strict=True):
            one = far if loss is None else far - loss(along, zz)
            out = one if out is None else np.minimum(out, one)
        return out

    return distance


def slot(x: float, y: float, length: float, width: float, turn_deg: float) -> Distance:
    """A slot with round ends, `length` overall, its longer side along `turn_deg`."""
    c, s = float(np.cos(np.radians(turn_deg))), float(np.sin(np.radians(turn_deg)))
    half = (length - width) / 2

    def distance(xx: Floats, yy: Floats, zz: Floats) -> Floats:
        u = (xx - x) * c + (yy - y) * s
        v = (yy - y) * c - (xx - x) * s
        return width / 2 - np.hypot(np.maximum(np.abs(u) - half, 0), v)

    return distance


@dataclass(frozen=True, kw_only=True)
class Teeth:
    """A toothed rim: `count` teeth with straight flanks, the middle of one at `turn_deg`.

    `root_half` and `tip_half` are half the thickness of a tooth at its root and at its tip, px. `errors` is how far
    each tooth stands off equal steps, pitches.
    """

    count: int
    tip: float
    root: float
    root_half: float
    tip_half: float
    turn_deg: float
    errors: tuple[float, ...] = ()

    @property
    def angles_deg(self) -> Floats:
        """Middle of every tooth."""
        off = np.array(self.errors or (0.0,) * self.count)
        return self.turn_deg + (np.arange(self.count) + off) * 360 / self.count

    @property
    def pitch(self) -> float:
        """Angle from tooth to tooth, radians."""
        return 2 * np.pi / self.count

    def distance(self, xx: Floats, yy: Floats, zz: Floats) -> Floats:
        """Distance to the sound rim."""
        rho = np.hypot(xx, yy)
        angle = np.arctan2(yy, xx) - np.float32(np.radians(self.turn_deg))
        if not self.errors:
            angle = (angle + self.pitch / 2) % self.pitch - self.pitch / 2
            flank = self._flank(rho, angle)
        else:
            before = np.floor(angle / np.float32(self.pitch)).astype(np.int64)
            off = np.array(self.errors, np.float32)
            both = [angle - np.float32(self.pitch) * (k + off[k % self.count]) for k in (before, before + 1)]
            flank = np.maximum(*(self._flank(rho, one) for one in both))
        tooth = np.minimum(flank, round_distance(rho, self.tip))
        return np.maximum(tooth, round_distance(rho, self.root))

    def _flank(self, rho: Floats, angle: Floats) -> Floats:
        """Distance to the flank of a tooth at an angle from its middle, positive inside."""
        u, v = rho * np.cos(angle), rho * np.abs(np.sin(angle))
        rise, run = self.root_half - self.tip_half, self.tip - self.root
        return ((self.root_half - v) * run - (u - self.root) * rise) / float(np.hypot(rise, run))

    def area(self) -> float:
        """Area within the rim, px²: half the integral of its radius squared over the turn."""
        angle = (np.arange(4000) + 0.5) / 4000 * self.pitch / 2
        low, high = np.full(4000, self.root * 0.9), np.full(4000, self.tip * 1.05)
        turn, even = np.radians(self.turn_deg), replace(self, errors=())
        for _ in range(50):
            mid = (low + high) / 2
            inside = even.distance(mid * np.cos(angle + turn), mid * np.sin(angle + turn), mid) > 0
            low, high = np.where(inside, mid, low), np.where(inside, high, mid)
        return float(np.pi * np.mean(low**2))


@dataclass(frozen=True, kw_only=True)
class CrownTeeth:
    """Teeth along the axis on a ring: straight flanks, `root_half` wide at depth `root`, `tip_half` at depth `tip`.

    Half widths (px) are those at the middle of the ring's wall; flanks point to the axis. `angles_deg` ascend.
    """

    inner: float
    outer: float
    root: float
    tip: float
    root_half: float
    tip_half: float
    angles_deg: tuple[float, ...]

    def distance(self, xx: Floats, yy: Floats, zz: Floats) -> Floats:
        """Distance to the teeth; they go on below their roots."""
        rho, angle = np.hypot(xx, yy), np.arctan2(yy, xx)
        places = np.radians(np.array(self.angles_deg, np.float32))
        off = np.full(np.shape(rho), 4.0, np.float32)
        for place in places:
            np.minimum(off, np.abs((angle - place + np.pi) % (2 * np.pi) - np.pi), out=off)
        slope = (self.root_half - self.tip_half) / (self.tip - self.root)
        half = np.minimum(self.root_half - slope * (zz - self.root), 1.2 * self.root_half)
        middle = (self.inner + self.outer) / 2
        flank = (half * rho / middle - rho * off) / float(np.hypot(1, slope))
        wall = np.minimum(round_distance(rho, self.outer), -round_distance(rho, self.inner))
        return np.minimum(flank, np.minimum(wall, self.tip - zz))


def windows(inner: float, outer: float, spokes: int, width: float, turn_deg: float) -> Distance:
    """The rooms between spokes of even width; the middle of a spoke at `turn_deg`."""
    pitch = 2 * np.pi / spokes

    def distance(xx: Floats, yy: Floats, zz: Floats) -> Floats:
        rho = np.hypot(xx, yy)
        angle = np.arctan2(yy, xx) - np.float32(np.radians(turn_deg))
        angle = (angle + pitch / 2) % pitch - pitch / 2
        side = rho * np.abs(np.sin(angle)) - width / 2
        return np.minimum(side, np.minimum(-round_distance(rho, inner), round_distance(rho, outer)))

    return distance


def window_truth(inner: float, outer: float, spokes: int, width: float) -> tuple[float, float]:
    """Area of one room between spokes, px², and how far its centroid lies from the axis, px."""
    r = inner + (outer - inner) * (np.arange(20000) + 0.5) / 20000
    half = np.maximum(np.pi / spokes - np.arcsin(np.minimum(width / (2 * r), 1)), 0)
    area = float(np.mean(2 * r * half) * (outer - inner))
    return area, float(np.mean(2 * r**2 * np.sin(half)) * (outer - inner)) / area


def wedge(from_deg: float, to_deg: float, x: float = 0.0, y: float = 0.0) -> Distance:
    """A sector with its point at (x, y), from one direction on to another."""
    p, q = np.radians(from_deg), np.radians(to_deg)
    small = (to_deg - from_deg) % 360 <= 180

    def distance(xx: Floats, yy: Floats, zz: Floats) -> Floats:
        one = np.float32(np.cos(p)) * (yy - y) - np.float32(np.sin(p)) * (xx - x)
        two = np.float32(np.sin(q)) * (xx - x) - np.float32(np.cos(q)) * (yy - y)
        return np.minimum(one, two) if small else np.maximum(one, two)

    return distance


def rough(shape: Distance, rng: np.random.Generator, height: float, length: float) -> Distance:
    """A shape whose edge wanders as a fracture does: waves of about `height` px, `length` px long and shorter."""
    waves = [
        (rng.normal(0, 1, 3) * 2 * np.pi / length / 1.5 * (1 + i / 3), rng.uniform(0, 2 * np.pi), height / (2 + i / 2))
        for i in range(6)
    ]

    def distance(xx: Floats, yy: Floats, zz: Floats) -> Floats:
        out = shape(xx, yy, zz)
        for k, phase, size in waves:
            wave = np.float32(k[0]) * xx + np.float32(k[1]) * yy + np.float32(k[2]) * zz + np.float32(phase)
            out = out + np.float32(size) * np.sin(wave)
        return out

    return distance


def half_space(direction: Sequence[float], at: float) -> Distance:
    """Everything on the near side of a plane: direction . p <= at."""
    n = np.asarray(direction, float) / np.linalg.norm(direction)

    def distance(xx: Floats, yy: Floats, zz: Floats) -> Floats:
        return np.float32(at) - np.float32(n[0]) * xx - np.float32(n[1]) * yy - np.float32(n[2]) * zz

    return distance


def balls(places: Floats) -> Distance:
    """Balls (x, y, z, radius) together."""

    def distance(xx: Floats, yy: Floats, zz: Floats) -> Floats:
        out = np.full(np.shape(xx), -1e3, np.float32)
        for x, y, z, r in np.asarray(places, np.float32):
            np.maximum(out, r - np.sqrt((xx - x) ** 2 + (yy - y) ** 2 + (zz - z) ** 2), out=out)
        return out

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


def both(*shapes: Distance) -> Distance:
    """What shapes have in common."""

    def distance(xx: Floats, yy: Floats, zz: Floats) -> Floats:
        out = shapes[0](xx, yy, zz)
        for one in shapes[1:]:
            out = np.minimum(out, one(xx, yy, zz))
        return out

    return distance
