"""A lead of the search, and how it is made to fit: place, size and turn where the summed dip is greatest."""

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from ctrecon.core.frames import Floats
from ctrecon.seams.family import Maker
from ctrecon.seams.field import SeamField
from ctrecon.seams.line_kinds import SeamShape, along, line_kind, scaled
from ctrecon.seams.paths import LEAST_RADIUS_PX

_ROUNDS = 30  # more than any climb seen needed: most end after eight
_LEAST_STEP = 0.03  # of the first step, some 0.02 px: a tenth of what the place of a faint seam is known by
_NO_GAIN = 1e-6
_IN_METAL = 0.3  # of a line: less is a line along a wall
_FEWEST_POINTS = 8  # along a line that is climbed with

__all__ = ["SET", "SeamCandidate", "Scale", "refine", "sampled"]

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
    else:
        out[..., 1:] = line_kind(shape).spread(shape, points, by)[..., ::-1]
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
    return replace(lead, shape=line_kind(shape).evened(shape))


def _climb(field: SeamField, lead: SeamCandidate, blocks: range) -> SeamShape:
    """Return the shape near a lead's whose summed dip is greatest, in the cells of this field.

    Each round looks a step either way of every parameter, all in one look-up, and goes to the bottom of the parabolas
    through what it saw; steps shrink where nothing is gained. Points along a line move straight with its parameters
    within a round, and are laid out anew for the next.
    """
    sign = -1.0 if lead.bright else 1.0
    shape = lead.shape
    kind = line_kind(shape)
    p, step, back = kind.freedom(shape)
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
        outwards = np.multiply.outer(kind.outwards * by, slopes[sized].sum(axis=0))
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
    return points, np.array([*across, *line_kind(shape).slopes(shape, points)])


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
