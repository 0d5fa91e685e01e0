"""A lead of the search, and how it is made to fit: place, size and turn where the summed dip is greatest."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from ctrecon.core.frames import Floats
from ctrecon.pieces.seam_field import SeamField
from ctrecon.pieces.seam_paths import LEAST_RADIUS_PX, Base, Line, Parallel, SeamShape, along
from ctrecon.shapes import Circle, Rectangle

_ROUNDS = 30  # more than any climb seen needed: most end after eight
_LEAST_STEP = 0.03  # of the first step, some 0.02 px: a tenth of what the place of a faint seam is known by
_NO_GAIN = 1e-6
_IN_METAL = 0.3  # of a line: less is a line along a wall

__all__ = ["SET", "Lead", "Scale", "freedom", "grown", "refine", "sampled", "scaled"]

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
class Lead:
    """A line that stands out: its shape at the middle of blocks `first` to `last` (inclusive), and by how much.

    `z` is in robust deviations of all lines tried; `growth` the change of half its size per plane. `against` says
    that it was judged against the same line at other depths; `lines` makes the lines it was judged among, then
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
    lines: tuple[Callable[[], Iterable[Line]], ...] = ()
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


def refine(field: SeamField, lead: Lead) -> Lead:
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


def _climb(field: SeamField, lead: Lead, blocks: range) -> SeamShape:
    """Return the shape near a lead's whose summed dip is greatest, in the cells of this field.

    Each round looks a step either way of every parameter, all in one look-up, and goes to the bottom of the parabolas
    through what it saw; steps shrink where nothing is gained.
    """
    sign = -1.0 if lead.bright else 1.0
    p, step, back = freedom(lead.shape)
    least = (LEAST_RADIUS_PX - 0.7) / field.cell
    shrunk = 1.0

    def costs(places: Floats) -> Floats:
        width = places[:, 2:4].min(axis=1) if places.shape[1] == 5 else places[:, 2]
        out = np.zeros(len(places))
        fair = np.flatnonzero(width >= least)
        out[fair] = sign * _dips(field, [back(places[i]) for i in fair], blocks, lead.growth)
        return out

    best = float(costs(p[None])[0])
    for _ in range(_ROUNDS):
        steps = np.diag(step * shrunk)
        around = np.concatenate([p + steps, p - steps])
        seen = costs(around)
        up, down = seen[: len(p)], seen[len(p) :]
        bend = up - 2 * best + down
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(bend > 0, 0.5 * (down - up) / bend, np.sign(down - up))
        moved = p + np.clip(np.nan_to_num(share), -1.0, 1.0) * step * shrunk
        places = np.concatenate([around, moved[None]])
        seen = np.append(seen, costs(moved[None]))
        at = int(np.argmin(seen))
        if seen[at] < best - _NO_GAIN * abs(best):
            short = at == len(places) - 1 and bool((np.abs(places[at] - p) < 0.3 * step * shrunk).all())
            p, best = places[at], float(seen[at])
            shrunk *= 0.4 if short else 1.0
        else:
            shrunk *= 0.4
        if shrunk < _LEAST_STEP:
            break
    return back(p)


def _dips(field: SeamField, shapes: list[SeamShape], blocks: range, growth: float) -> Floats:
    """Return the summed grey of each line over the root of its weight; 0 where too little of it lies in metal."""
    out = np.zeros(len(shapes))
    if not shapes:
        return out
    nowhere = np.array([[[blocks[0], -9.0, -9.0]]])  # a line that is not there: one point outside the picture
    places = [_places(field, shape, blocks[0], blocks[-1], growth) for shape in shapes]
    flat = [(one if one.size else nowhere).reshape(-1, 3) for one in places]
    count = np.array([len(one) for one in flat])
    first = np.concatenate([[0], np.cumsum(count)[:-1]])
    fine, w = _looked_up(field, np.concatenate(flat))
    total = np.add.reduceat((fine * w).astype(float), first)
    weight = np.add.reduceat(w.astype(float), first)
    most = count * np.maximum.reduceat(w, first)
    good = (weight > 0) & (weight >= _IN_METAL * most)
    out[good] = total[good] / np.sqrt(weight[good])
    return out
