"""Families of lines - circles, squares, rectangles, parallels - and the grey summed along each line, block by block."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.frames import Floats
from ctrecon.seams.base import Base
from ctrecon.seams.field import SeamField
from ctrecon.seams.line_kinds import SeamShape
from ctrecon.seams.paths import Line, circles, parallels, squares
from ctrecon.seams.wide import rectangle_sums, summed

_TOGETHER = 400_000  # coordinates of points summed over at a time, to bound the memory they take

__all__ = ["Family", "Maker", "circle_maker", "parallel_maker", "rectangle_maker", "square_maker"]


@dataclass(frozen=True, eq=False)
class Family:
    """Sums of fine grey along every line of one family, block by block (blocks, lines); dips count positive.

    `maker` makes the same family in another field. `norms` are the sums of the weights, `fill` the share of each
    line that lies in metal. `size_of` numbers the size of each line, `turn_of` is its turn as a share of all turns.
    """

    name: str
    maker: "Maker"
    own: tuple[Line, ...]
    sums: Floats
    norms: Floats
    fill: Floats
    size_of: NDArray[np.int64]
    turn_of: Floats

    def shape(self, index: int) -> SeamShape:
        """Return one of the lines."""
        line = self.own[int(self.size_of[index])]
        return line.shape(round(float(self.turn_of[index]) * len(line.turns)))


Maker = Callable[[SeamField], Family | None]


@dataclass(frozen=True, eq=False)
class _Table:
    """Grey and weight of a window of a field, pixel by pixel, all blocks side by side: one look-up serves them all.

    The last row stands for what lies outside. `counts` tells how many blocks each of the field's was made of,
    (`left`, `top`) is the first column and row of the window.
    """

    values: NDArray[np.float32]
    counts: NDArray[np.float32]
    size: tuple[int, int]
    left: int
    top: int

    @classmethod
    def of(cls, field: SeamField, box: tuple[float, float, float, float]) -> "_Table":
        """Lay out the pixels within a box (least x and y, greatest x and y)."""
        blocks, rows, columns = field.fine.shape
        left, top = (int(np.clip(np.floor(v), 0, most)) for v, most in zip(box[:2], (columns, rows), strict=True))
        right, low = (int(np.clip(np.ceil(v) + 1, 0, most)) for v, most in zip(box[2:], (columns, rows), strict=True))
        window = (slice(top, max(low, top)), slice(left, max(right, left)))
        size = (window[0].stop - top, window[1].stop - left)
        counts = np.array(field.joined or [1] * blocks, dtype=np.float32)
        values = np.zeros((size[0] * size[1] + 1, 2 * blocks), np.float32)
        for k in range(blocks):
            weight = (field.weight[k][window] * counts[k]).ravel()
            values[:-1, k] = field.fine[k][window].ravel() * weight
            values[:-1, blocks + k] = weight
        return cls(values, counts, size, left, top)

    def numbers(self, points: Floats) -> NDArray[np.int32]:
        """Return the rows of the table that hold the pixels nearest to points (..., 2), one after the other."""
        rows, columns = self.size
        i, j = (np.rint(points[..., k]).astype(np.int32) - low for k, low in ((1, self.top), (0, self.left)))
        inside = (i >= 0) & (i < rows) & (j >= 0) & (j < columns)
        return np.where(inside, i * np.int32(columns) + j, np.int32(rows * columns)).ravel()


def circle_maker(x: float, y: float, reach: float) -> Maker:
    """Make circles about a point."""
    return partial(_walked, name="circle", lines=partial(circles, x, y, reach), box=_about(x, y, reach))


def square_maker(x: float, y: float, reach: float, least: float = 0.0) -> Maker:
    """Make squares about a point, from the half width `least` on, in several turns."""
    return partial(_walked, name="square", lines=partial(squares, x, y, reach, least=least), box=_about(x, y, reach))


def parallel_maker(base: Base) -> Maker:
    """Make the lines parallel to an outline."""
    return partial(_walked, name="parallel", lines=partial(parallels, base), box=base.box)


def rectangle_maker(x: float, y: float, reach: float, least: float) -> Maker:
    """Make rectangles, and slots with round ends, about a point, half their length `least` or more."""
    return partial(_wide, x=x, y=y, reach=reach, least=least)


def _about(x: float, y: float, reach: float) -> tuple[float, float, float, float]:
    return x - reach - 1, y - reach - 1, x + reach + 1, y + reach + 1


def _walked(
    field: SeamField, *, name: str, lines: Callable[[], Iterable[Line]], box: tuple[float, float, float, float]
) -> Family | None:
    """Sum along the points of every line."""
    table = _Table.of(field, box)
    own: list[Line] = []
    parts: list[NDArray[np.float32]] = []
    count: list[NDArray[np.int64]] = []
    for some in _together(lines()):
        pixels = np.concatenate([table.numbers(line.points) for line in some])
        count.append(np.concatenate([np.full(len(line.turns), line.points.shape[1]) for line in some]))
        parts.append(summed(table.values, pixels, count[-1]))
        own += [Line(np.empty(0), line.first, line.turns) for line in some]
    if not parts:
        return None
    maker = partial(_walked, name=name, lines=lines, box=box)
    return _family(name, maker, own, np.concatenate(parts), np.concatenate(count).astype(float), table.counts)


def _together(lines: Iterable[Line]) -> Iterator[list[Line]]:
    """Yield lines by groups: many points at a time, but not all the points there are."""
    group: list[Line] = []
    size = 0
    for line in lines:
        group.append(line)
        size += line.points.size
        if size > _TOGETHER:
            yield group
            group, size = [], 0
    if group:
        yield group


def _wide(field: SeamField, *, x: float, y: float, reach: float, least: float) -> Family | None:
    """Sum along rectangles and slots."""
    table = _Table.of(field, _about(x, y, reach))
    corner = table.left, table.top
    own, sums, points = rectangle_sums(table.values, table.size, x, y, reach, least, corner=corner)
    if not own:
        return None
    return _family("rectangle", rectangle_maker(x, y, reach, least), own, sums, points, table.counts)


def _family(name: str, maker: Maker, own: list[Line], table: Floats, points: Floats, counts: Floats) -> Family:
    blocks = len(counts)
    turns = [len(line.turns) for line in own]
    size_of = np.repeat(np.arange(len(own)), turns)
    turn_of = np.concatenate([np.arange(n) / n for n in turns])
    # the noise of a mean of w planes goes with one over the root of w: so does that of the sum
    sums, norms = -table.T[:blocks], table.T[blocks:]
    return Family(name, maker, tuple(own), sums, norms, norms / points / counts[:, None], size_of, turn_of)
