"""A lead of the search, and how it is made to fit: place, size and turn where the summed dip is greatest."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage
from scipy.optimize import minimize

from ctrecon.core.frames import Floats
from ctrecon.pieces.seam_field import SeamField
from ctrecon.pieces.seam_paths import LEAST_RADIUS_PX, Line, Parallel, SeamShape, along
from ctrecon.shapes import Circle, Rectangle

__all__ = ["Lead", "Scale", "freedom", "grown", "refine", "sampled", "scaled"]


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
    if isinstance(shape, Circle):
        return Circle((shape.x + 0.5) * by - 0.5, (shape.y + 0.5) * by - 0.5, shape.radius * by)
    if isinstance(shape, Parallel):
        return Parallel((shape.base + 0.5) * by - 0.5, shape.offset * by, shape.x * by, shape.y * by)
    x, y = (shape.x + 0.5) * by - 0.5, (shape.y + 0.5) * by - 0.5
    return Rectangle(x, y, shape.a * by, shape.b * by, shape.turn_deg, shape.corner_radius * by)


def sampled(field: SeamField, shape: SeamShape, a: int, b: int, growth: float = 0.0) -> tuple[Floats, Floats]:
    """Return fine grey and weight at the points along a line, by block: two arrays (blocks a to b, points)."""
    points = along(shape)
    middle = (field.starts[a] + field.starts[b + 1] - 1) / 2
    fine, weight = [], []
    for block in range(a, b + 1):
        at = (field.starts[block] + field.starts[block + 1] - 1) / 2 - middle
        if growth:
            own = along(grown(shape, growth * at))
            pick = np.linspace(0, len(own), len(points), endpoint=False).astype(int)
            where = own[pick].T[::-1]
        else:
            where = points.T[::-1]
        weight.append(ndimage.map_coordinates(field.weight[block], where, order=0, mode="constant"))
        fine.append(ndimage.map_coordinates(field.fine[block], where, order=1, mode="nearest"))
    return np.array(fine), np.array(weight)


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
    """Return the shape near a lead's whose summed dip is greatest, in the cells of this field."""
    sign = -1.0 if lead.bright else 1.0
    start, step, back = freedom(lead.shape)
    least = (LEAST_RADIUS_PX - 0.7) / field.cell
    most = 160 if field.cell == 1 else 60

    def cost(p: Floats) -> float:
        if min(p[2:4] if len(p) == 5 else p[2:3]) < least:
            return 0.0
        fine, weight = sampled(field, back(p), blocks[0], blocks[-1], lead.growth)
        total = float(weight.sum())
        if total < 0.3 * weight.size * float(weight.max()) or total <= 0:
            return 0.0
        return float(sign * (fine * weight).sum() / total**0.5)

    simplex = np.vstack([start, *(start + step[i] * np.eye(len(start))[i] for i in range(len(start)))])
    best = minimize(
        cost, start, method="Nelder-Mead",
        options={"initial_simplex": simplex, "maxfev": most, "xatol": 0.02 * field.cell, "fatol": 1e-7},
    )  # fmt: skip
    return back(np.asarray(best.x))
