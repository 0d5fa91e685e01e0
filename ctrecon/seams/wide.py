"""Sums along rectangles and slots about one point: all sizes of one turn are read from the same running sums."""

from collections.abc import Iterator
from itertools import groupby

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from ctrecon.core.frames import Floats
from ctrecon.seams.paths import LEAST_RADIUS_PX, Line
from ctrecon.shapes import Rectangle

__all__ = ["rectangle_sums", "summed"]

_SIDEWAYS_PX = 0.9  # the end of a flat is off by this much at most between two turns tried
_STEP_PX = 2
_LONGER = 1.1  # than wide: below that it is a square to the search
_FINEST_DEG = 3.0
_GROUP = 1.25  # sizes within this ratio are tried in the same turns
_CHUNK = 400_000  # points looked up at a time, to bound the memory they take


def rectangle_sums(
    table: NDArray[np.float32], size: tuple[int, int], x: float, y: float, reach: float, least: float,
    *, corner: tuple[int, int] = (0, 0),
) -> tuple[list[Line], NDArray[np.float32], Floats]:
    """Sum a table of pixels along rectangles, and slots with round ends, about a point.

    They are longer than wide by a tenth or more, half their length is `least` or more, and their corners lie
    within `reach`. Along a flat the pixels nearest to points 1 px apart count, as in any other line; sides of
    different sizes share their running sums, so only the round ends are walked along size by size.

    Parameters
    ----------
    table : (rows x columns + 1, channels) array
        What is to be summed; the last row stands for all that lies outside.
    size : (rows, columns)
    corner : (column, row)
        Where the first pixel of the table lies; the point and the lines are given in the whole picture.

    Returns
    -------
    lines : list of Line
        One for each size, with its turns.
    sums : (lines and turns, channels) array
    points : (lines and turns,) array
        Points along each.
    """
    lines: list[Line] = []
    sums: list[NDArray[np.float32]] = []
    points: list[Floats] = []
    for most, pairs, turns in _groups(reach, least):
        flats, ends = _rectangles(table, size, x - corner[0], y - corner[1], most, pairs, turns)
        for k, (a, b) in enumerate(pairs):
            for rounded, found, count in ((0.0, flats[k], 4 * (a + b)), (b, ends[k], 4 * (a - b) + 2 * _end(b))):
                lines.append(Line(np.empty(0), Rectangle(x, y, 2.0 * a, 2.0 * b, 0.0, float(rounded)), turns))
                sums.append(found)
                points.append(np.full(len(turns), float(count)))
    if not lines:
        return [], np.empty((0, table.shape[1]), np.float32), np.empty(0)
    return lines, np.concatenate(sums), np.concatenate(points)


def summed(
    table: NDArray[np.float32], pixels: NDArray[np.int32], points: int | NDArray[np.int64]
) -> NDArray[np.float32]:
    """Sum a table (pixels, channels) over lines given one after the other: (lines, channels).

    `points` is how many pixels each line has, or all of them. A sparse product adds them up as it goes, so that no
    copy of all the points' values is made.
    """
    if isinstance(points, int):
        ends = np.arange(0, pixels.size + 1, points, dtype=np.int32)
    else:
        ends = np.concatenate([[0], np.cumsum(points)]).astype(np.int32)
    ones = np.ones(pixels.size, np.float32)
    which = sparse.csr_array((ones, pixels.ravel(), ends), shape=(len(ends) - 1, len(table)))
    return np.asarray(which @ table)


def _groups(reach: float, least: float) -> Iterator[tuple[int, list[tuple[int, int]], Floats]]:
    """Yield, for sizes that share their turns, the greatest, the pairs of half length and half width, the turns."""
    halves = np.arange(round(LEAST_RADIUS_PX + 0.5), int(np.ceil(reach)), _STEP_PX)
    first = 2 * _SIDEWAYS_PX / np.radians(_FINEST_DEG)  # up to this size the finest turn is fine enough

    def group_of(a: int) -> int:
        return max(int(np.ceil(np.log(a / first) / np.log(_GROUP))), 0)

    for _, longs in groupby((int(a) for a in halves if a >= least), key=group_of):
        own = list(longs)
        pairs = [(a, int(b)) for a in own for b in halves if a > _LONGER * b and a * a + b * b < reach**2]
        if not pairs:
            continue
        step = min(_FINEST_DEG, float(np.degrees(2 * _SIDEWAYS_PX / max(own))))
        count = 2 * int(np.ceil(90 / step - 1e-9))  # even, so that each turn has the one square to it
        yield max(own), pairs, np.arange(count) * (180.0 / count)


def _end(half: int) -> int:
    """Points round one end of a slot."""
    return max(6, round(np.pi * half))


def _rectangles(
    table: NDArray[np.float32], size: tuple[int, int], x: float, y: float, most: int, pairs: list[tuple[int, int]],
    turns: Floats,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:  # fmt: skip
    """Return sums along rectangles and along slots: (pairs, turns, channels) each."""
    a, b = np.array(pairs).T
    offsets = np.unique(np.concatenate([a, b]))
    at_a, at_b = np.searchsorted(offsets, a), np.searchsorted(offsets, b)
    shape = (len(pairs), len(turns), table.shape[1])
    flats, slots = np.empty(shape, np.float32), np.empty(shape, np.float32)
    half = len(turns) // 2
    for k in range(half):
        pair = k, k + half
        own, other = (_sides(table, size, x, y, offsets, most, float(turns[i])) for i in pair)
        for i, first, second in ((pair[0], own, other), (pair[1], other, own)):
            flats[:, i] = first[at_a, b] + second[at_b, a]
            slots[:, i] = second[at_b, a - b]
    for width in np.unique(b):
        which = np.flatnonzero(b == width)
        slots[which] += _round_ends(table, size, x, y, int(width), (a - b)[which], turns)
    return flats, slots


def _sides(
    table: NDArray[np.float32], size: tuple[int, int], x: float, y: float, offsets: NDArray[np.int64], most: int,
    turn: float,
) -> NDArray[np.float32]:  # fmt: skip
    """Return sums along both flats at some offsets from the centre, by their half length: (offsets, most + 1, ch)."""
    along = np.arange(most) + 0.5
    u = np.concatenate([offsets, -offsets]).astype(float)[:, None]
    v = np.concatenate([along, -along])[None, :]
    values = table.take(_pixels(u, v, x, y, turn, size), axis=0)
    n = len(offsets)
    both = values[:n, :most] + values[:n, most:] + values[n:, :most] + values[n:, most:]
    out = np.zeros((n, most + 1, table.shape[1]), np.float32)
    np.cumsum(both, axis=1, out=out[:, 1:])
    return out


def _round_ends(
    table: NDArray[np.float32], size: tuple[int, int], x: float, y: float, half: int, far: NDArray[np.int64],
    turns: Floats,
) -> NDArray[np.float32]:  # fmt: skip
    """Return sums along both round ends of slots of one width, their centres `far` off: (slots, turns, channels).

    The other end, and both ends a quarter of a turn on, are the same places with their signs changed.
    """
    count = _end(half)
    angle = (np.arange(count) + 0.5) * np.pi / count - np.pi / 2
    u = (half * np.cos(angle) + far[:, None]).astype(np.float32)
    v = np.broadcast_to((half * np.sin(angle)).astype(np.float32), u.shape)
    quarter = len(turns) // 2
    out = np.empty((len(far), len(turns), table.shape[1]), np.float32)
    chunk = max(1, _CHUNK // (4 * u.size))
    for start in range(0, quarter, chunk):
        some = np.radians(turns[start : min(start + chunk, quarter), None, None])
        c, s = np.cos(some).astype(np.float32), np.sin(some).astype(np.float32)
        across, down = u * c - v * s, u * s + v * c
        ways = ((across, down), (-across, -down), (-down, across), (down, -across))
        at = np.stack([_numbers(x + p, y + q, size) for p, q in ways])
        found = summed(table, at, count).reshape(2, 2, *across.shape[:2], -1).sum(axis=1)
        for k in (0, 1):
            out[:, start + k * quarter : start + k * quarter + len(some)] = found[k].transpose(1, 0, 2)
    return out


def _pixels(u: Floats, v: Floats, x: float, y: float, turn: float, size: tuple[int, int]) -> NDArray[np.int32]:
    """Return the numbers of the pixels nearest to places given in turned axes about (x, y)."""
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    return _numbers(x + u * c - v * s, y + u * s + v * c, size)


def _numbers(column: Floats, row: Floats, size: tuple[int, int]) -> NDArray[np.int32]:
    """Return the numbers of the pixels nearest to some places; one beyond the last where a place lies outside."""
    rows, columns = size
    i, j = np.rint(row).astype(np.int32), np.rint(column).astype(np.int32)
    at = i * np.int32(columns) + j
    if i.size and (i.min() < 0 or j.min() < 0 or i.max() >= rows or j.max() >= columns):
        at[(i < 0) | (i >= rows) | (j < 0) | (j >= columns)] = rows * columns
    return at
