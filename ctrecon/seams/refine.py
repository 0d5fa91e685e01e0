"""A lead of the search, and how it is made to fit: place, size and turn where the summed dip is greatest."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from ctrecon.core.frames import Floats
from ctrecon.seams.base import Base
from ctrecon.seams.family import Maker
from ctrecon.seams.field import SeamField
from ctrecon.seams.paths import LEAST_RADIUS_PX, Parallel, SeamShape, along
from ctrecon.shapes import Circle, Rectangle

_ROUNDS = 30  # more than any climb seen needed: most end after eight
_LEAST_STEP = 0.03  # of the first step, some 0.02 px: a tenth of what the place of a faint seam is known by
_NO_GAIN = 1e-6
_IN_METAL = 0.3  # of a line: less is a line along a wall
_FEWEST_POINTS = 8  # along a line that is climbed with

__all__ = ["SET", "SeamCandidate", "Scale", "freedom", "grown", "refine", "sampled", "scaled"]

SET = "set"
"""Name of leads that stand out together with others of their size; see `seam_sets`."""


@dataclass(frozen=True)
class Scale:
    """Median and robust spread of the scores a line was judged by."""

    middle: float
    spread: float

    def times(self, by: float) -> "Scale":
        """Return the scale of scores that are `by` times as large."""
        return Scale(self.middle * by, self.spread * by)


@dataclass(frozen=True, eq=False)
class SeamCandidate:
    """A line that stands out: its shape at the middle of blocks `first` to `last` (inclusive), and by how much.

    `z` is in robust deviations of all lines tried; `growth` the change of half its size per plane. `against` says
    that it was judged against the same line at other depths; `makers` make the lines it was judged among, then
    those whose scatter is the least that theirs is taken for; empty where it was judged among all places of the
    metal. `raw` is its score before it was set against theirs, `cell` the width of the cells it was found in.
    """

    name: str
    shape: SeamShape
    first: int
    last: int
    z: float
    bright: bool
    growth: float
    scale: Scale
    raw: float
    against: bool = False
    makers: tuple[Maker, ...] = ()
    cell: int = 1


def freedom(shape: SeamShape) -> tuple[Floats, Floats, Callable[[Floats], SeamShape]]:
    """Return the parameters of a shape, a fair first step for each, and the way back from parameters to a shape."""
    if isinstance(shape, Circle):
        return np.array([shape.x, shape.y, shape.radius]), np.array([0.7, 0.7, 0.4]), lambda p: Circle(*map(float, p))
    if isinstance(shape, Parallel):
        base = shape.base
        start = np.array([shape.x, shape.y, shape.offset])
        return start, np.array([0.7, 0.7, 0.4]), lambda p: Parallel(base, float(p[2]), float(p[0]), float(p[1]))
    if shape.a == shape.b:
        return (
            np.array([shape.x, shape.y, shape.a / 2, shape.turn_deg]),
            np.array([0.7, 0.7, 0.4, 40.0 / shape.a]),
            lambda p: Rectangle(float(p[0]), float(p[1]), 2 * float(p[2]), 2 * float(p[2]), float(p[3])),
        )
    is_slot = shape.corner_radius > 0

    def back(p: Floats) -> SeamShape:
        a, b = 2 * float(p[2]), 2 * float(p[3])
        return Rectangle(float(p[0]), float(p[1]), a, b, float(p[4]), min(a, b) / 2 if is_slot else 0.0)

    start = np.array([shape.x, shape.y, shape.a / 2, shape.b / 2, shape.turn_deg])
    return start, np.array([0.7, 0.7, 0.7, 0.7, 60.0 / shape.a]), back


def grown(shape: SeamShape, by: float) -> SeamShape:
    """Return the shape with every side moved outwards by some px."""
    if isinstance(shape, Circle):
        return replace(shape, radius=max(shape.radius + by, 0.5))
    if isinstance(shape, Parallel):
        return replace(shape, offset=shape.offset - by)
    a, b = max(shape.a + 2 * by, 1.0), max(shape.b + 2 * by, 1.0)
    return replace(shape, a=a, b=b, corner_radius=min(a, b) / 2 if shape.corner_radius > 0 else 0.0)


def scaled(shape: SeamShape, by: float) -> SeamShape:
    """Return a shape in the pixels of a picture whose cells are `by` times as narrow."""
    if by == 1:
        return shape
    if isinstance(shape, Circle):
        return Circle((shape.x + 0.5) * by - 0.5, (shape.y + 0.5) * by - 0.5, shape.radius * by)
    if isinstance(shape, Parallel):
        return Parallel(Base((shape.base.points + 0.5) * by - 0.5), shape.offset * by, shape.x * by, shape.y * by)
    x, y = (shape.x + 0.5) * by - 0.5, (shape.y + 0.5) * by - 0.5
    return Rectangle(x, y, shape.a * by, shape.b * by, shape.turn_deg, shape.corner_radius * by)


def sampled(field: SeamField, shape: SeamShape, a: int, b: int, growth: float = 0.0) -> tuple[Floats, Floats]:
    """Return fine grey and weight at the points along a line, by block: two arrays (blocks a to b, points)."""
    places = _places(field, shape, a, b, growth)
    fine, weight = _looked_up(field, places.reshape(-1, 3))
    return fine.reshape(places.shape[:2]), weight.reshape(places.shape[:2])


def _looked_up(field: SeamField, places: Floats) -> tuple[Floats, Floats]:
    """Return fine grey (between the pixels) and weight (of the nearest) at block, row, column."""
    block = places[:, 0].astype(np.int64)
    if len(block) and (block == block[0]).all():
        where, one = places[:, 1:].T, int(block[0])
        return (
            ndimage.map_coordinates(field.fine[one], where, order=1, mode="nearest"),
            ndimage.map_coordinates(field.weight[one], where, order=0, mode="constant"),
        )
    return (
        ndimage.map_coordinates(field.fine, places.T, order=1, mode="nearest"),
        ndimage.map_coordinates(field.weight, places.T, order=0, mode="constant"),
    )


def _places(field: SeamField, shape: SeamShape, a: int, b: int, growth: float) -> Floats:
    """Return block, row and column of the points along a line in each of its blocks: (blocks, points, 3)."""
    points = along(shape)
    starts = np.asarray(field.starts)
    by = growth * ((starts[a : b + 1] + starts[a + 1 : b + 2] - 1) / 2 - (starts[a] + starts[b + 1] - 1) / 2)
    out = np.empty((b + 1 - a, len(points), 3))
    out[..., 0] = np.arange(a, b + 1)[:, None]
    if not growth:
        out[..., 1:] = points[:, ::-1]
    elif isinstance(shape, Circle):
        centre = np.array([shape.x, shape.y])
        factor = np.maximum(shape.radius + by, 0.5) / shape.radius
        out[..., 1:] = (centre + (points - centre) * factor[:, None, None])[..., ::-1]
    elif isinstance(shape, Rectangle) and not shape.corner_radius:
        u, v = shape.own_axes(points)
        u = u * (np.maximum(shape.a + 2 * by, 1.0) / shape.a)[:, None]
        v = v * (np.maximum(shape.b + 2 * by, 1.0) / shape.b)[:, None]
        c, s = np.cos(np.radians(shape.turn_deg)), np.sin(np.radians(shape.turn_deg))
        out[..., 1], out[..., 2] = shape.y + u * s + v * c, shape.x + u * c - v * s
    else:
        for i, own in enumerate(along(grown(shape, float(one))) for one in by):
            pick = np.linspace(0, len(own), len(points), endpoint=False).astype(int)
            out[i, :, 1:] = own[pick, ::-1] if len(own) else -9.0
    return out


def refine(field: SeamField, lead: SeamCandidate) -> SeamCandidate:
    """Move, turn and size a lead until its summed dip is greatest; its strength stays as it was found.

    Noise climbs by this as well as a seam does, so a strength made greater by it would say less. What was found in
    coarse cells is refined in these first, then in finer ones.
    """
    blocks = range(lead.first, lead.last + 1)
    if not lead.growth:
        fine, weight = field.run(lead.first, lead.last)
        field = replace(field, fine=fine[None], weight=weight[None], mean=field.mean[:0], starts=(0, 1), joined=())
        blocks = range(1)
    shape, cell = lead.shape, lead.cell
    while cell >= 1:
        own = replace(lead, shape=scaled(shape, 1 / cell), growth=lead.growth / cell)
        shape = scaled(_climb(field.coarser(cell), own, blocks), float(cell))
        cell //= 2
    if isinstance(shape, Rectangle) and abs(shape.a - shape.b) < max(0.8, 0.03 * shape.a):
        size = (shape.a + shape.b) / 2
        is_round = shape.corner_radius > 0
        shape = Circle(shape.x, shape.y, size / 2) if is_round else replace(shape, a=size, b=size)
    return replace(lead, shape=shape)


def _climb(field: SeamField, lead: SeamCandidate, blocks: range) -> SeamShape:
    """Return the shape near a lead's whose summed dip is greatest, in the cells of this field.

    Each round looks a step either way of every parameter, all in one look-up, and goes to the bottom of the parabolas
    through what it saw; steps shrink where nothing is gained. Points along a line move straight with its parameters
    within a round, and are laid out anew for the next.
    """
    sign = -1.0 if lead.bright else 1.0
    shape = lead.shape
    p, step, back = freedom(shape)
    least = (LEAST_RADIUS_PX - 0.7) / field.cell
    sized = slice(2, 4) if len(p) == 5 else slice(2, 3)
    starts = np.asarray(field.starts)
    a, b = blocks[0], blocks[-1]
    by = lead.growth * ((starts[a : b + 1] + starts[a + 1 : b + 2] - 1) / 2 - (starts[a] + starts[b + 1] - 1) / 2)
    shrunk = 1.0
    for _ in range(_ROUNDS):
        points, slopes = _tangent(shape)
        if len(points) < _FEWEST_POINTS:
            return shape
        outwards = np.multiply.outer(-by if isinstance(shape, Parallel) else by, slopes[sized].sum(axis=0))
        steps = np.diag(step * shrunk)
        around = np.concatenate([np.zeros((1, len(p))), steps, -steps])
        seen = _moved(field, points, slopes, around, outwards, a) * ((p + around)[:, sized].min(axis=1) >= least) * sign
        best, up, down = float(seen[0]), seen[1 : len(p) + 1], seen[len(p) + 1 :]
        bend = up - 2 * best + down
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(bend > 0, 0.5 * (down - up) / bend, np.sign(down - up))
        moved = np.clip(np.nan_to_num(share), -1.0, 1.0) * step * shrunk
        moves = np.concatenate([around, moved[None]])
        fair = (p + moved)[sized].min() >= least
        seen = np.append(seen, _moved(field, points, slopes, moved[None], outwards, a) * fair * sign)
        at = int(np.argmin(seen))
        gained = seen[at] < best - _NO_GAIN * abs(best)
        if gained:
            p = p + moves[at]
            shape = back(p)
        if not gained or (at == len(moves) - 1 and bool((np.abs(moved) < 0.3 * step * shrunk).all())):
            shrunk *= 0.4
        if shrunk < _LEAST_STEP:
            break
    return shape


def _tangent(shape: SeamShape) -> tuple[Floats, Floats]:
    """Return points (N, 2) along a line and how they move (parameters, N, 2) with each of its parameters."""
    points = along(shape)
    across = [np.broadcast_to(unit, points.shape) for unit in np.eye(2)]
    if isinstance(shape, Parallel):
        return points, np.array([*across, shape.base.inwards(points - [shape.x, shape.y])])
    middle = points - [shape.x, shape.y]
    if isinstance(shape, Circle):
        return points, np.array([*across, middle / shape.radius])
    u, v = shape.own_axes(points)
    t = np.radians(shape.turn_deg)
    first, second = np.array([np.cos(t), np.sin(t)]), np.array([-np.sin(t), np.cos(t)])
    sizes = [along_u[:, None] * first + along_v[:, None] * second for along_u, along_v in _widening(shape, u, v)]
    if shape.a == shape.b:
        sizes = [sizes[0] + sizes[1]]
    turned = np.column_stack([-middle[:, 1], middle[:, 0]]) * np.pi / 180
    return points, np.array([*across, *sizes, turned])


def _widening(shape: Rectangle, u: Floats, v: Floats) -> list[tuple[Floats, Floats]]:
    """Return how points on a rectangle or slot move along its own axes with half of either width."""
    nothing = np.zeros_like(u)
    if not shape.corner_radius:
        return [(2 * u / shape.a, nothing), (nothing, 2 * v / shape.b)]
    # round ends move with the length, and grow with the width
    long, wide = (u, v) if shape.a >= shape.b else (v, u)
    straight = abs(shape.a - shape.b) / 2
    end = np.clip(long / max(straight, 1e-9), -1.0, 1.0)
    grow = ((long - end * straight) / shape.corner_radius - end, wide / shape.corner_radius)
    return [(end, nothing), grow] if shape.a >= shape.b else [grow[::-1], (nothing, end)]


def _moved(
    field: SeamField, points: Floats, slopes: Floats, moves: Floats, outwards: Floats, first: int
) -> Floats:
    """Return the summed grey, over the root of its weight, of a line moved by each row of `moves`.

    `outwards` (blocks, points, 2) is what each block has on top of that; 0 where too little of a line lies in metal.
    """
    lines = points + np.tensordot(moves, slopes, axes=1)
    shape = (len(moves), len(outwards), len(points))
    fine, weight = np.empty(shape), np.empty(shape)
    for k, out in enumerate(outwards):
        where = (lines + out).reshape(-1, 2).T[::-1]
        f = ndimage.map_coordinates(field.fine[first + k], where, order=1, mode="nearest")
        w = ndimage.map_coordinates(field.weight[first + k], where, order=0, mode="constant")
        fine[:, k], weight[:, k] = f.reshape(len(moves), -1), w.reshape(len(moves), -1)
    total, seen = (fine * weight).sum(axis=(1, 2)), weight.sum(axis=(1, 2))
    good = (seen > 0) & (seen >= _IN_METAL * len(outwards) * len(points) * weight.max(axis=(1, 2)))
    return np.where(good, total / np.sqrt(np.where(good, seen, 1.0)), 0.0)
