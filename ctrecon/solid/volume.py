"""The volume of a body straight from its record: areas of its sections, summed through depth.

It shares nothing with the kernel that builds the solid, so each checks the other.
"""

import itertools
import math
from typing import Any

import numpy as np

from ctrecon.drawing.paper.contours import Contour
from ctrecon.solid.plan import Bar, Block, Body, Run

__all__ = ["record_volume", "section_at", "stops_of"]

_STEP_DEG = 0.5
_NODES = 3  # exact for areas that change as the square of the depth
_BAR_NODES = 24
_BAR_POINTS = 65


def record_volume(body: Body) -> float:
    """Return the volume of a body in mm³, from shapes of its sections only.

    Parameters
    ----------
    body : Body
        A piece of the record.

    Returns
    -------
    float
        mm³; blocks that share metal count it once.
    """
    from shapely import unary_union

    stops = {z for block in body.blocks for z in stops_of(block)}
    has_bar = any(isinstance(cut, Bar) for block in body.blocks for cut in block.cuts)
    nodes, weights = np.polynomial.legendre.leggauss(_BAR_NODES if has_bar else _NODES)
    total = 0.0
    for low, high in itertools.pairwise(sorted(stops)):
        half = (high - low) / 2
        if half < 1e-9:
            continue
        for node, weight in zip(nodes, weights, strict=True):
            z = (low + high) / 2 + half * float(node)
            areas = [section_at(block, z) for block in body.blocks if block.run.low < z < block.run.high]
            total += half * float(weight) * float(unary_union(areas).area if areas else 0.0)
    return total


def stops_of(block: Block) -> set[float]:
    """Return the depths at which the sections of a block begin or cease to change evenly."""
    found = {block.run.low, block.run.high}
    for cut in block.cuts:
        if isinstance(cut, Run):
            found |= {cut.low, cut.high}
        else:
            depth, reach = -cut.point[2], cut.radius + abs(cut.direction[2]) * max(abs(cut.first), abs(cut.last))
            found |= {depth - reach, depth, depth + reach}
    return {z for z in found if block.run.low <= z <= block.run.high}


def section_at(block: Block, z: float) -> Any:
    """Return the metal of a block at a depth."""
    area = _area(block.run, z)
    for cut in block.cuts:
        if isinstance(cut, Bar):
            area = area.difference(_bar_area(cut, z))
        elif cut.low < z < cut.high:
            area = area.difference(_area(cut, z))
    return area


def _area(run: Run, z: float) -> Any:
    from shapely.geometry import Polygon

    if not run.tapers:
        return Polygon(_points(run.first))
    t = (z - run.low) / (run.high - run.low)
    first, last = np.array(_points(run.first)), np.array(_points(run.last))
    return Polygon(first + (last - first) * t)


def _points(contour: Contour) -> list[tuple[float, float]]:
    """Return points along it, close enough for a part in ten thousand; those of a circle enclose its own area."""
    if contour.round_of is None:
        return contour.points(_STEP_DEG)
    x, y, r = contour.round_of
    step = math.radians(_STEP_DEG)
    r *= math.sqrt(step / math.sin(step))  # a polygon of the circle's own area
    return [(x + r * math.cos(k * step), y + r * math.sin(k * step)) for k in range(round(2 * math.pi / step))]


def _bar_area(bar: Bar, z: float) -> Any:
    """Return where a level cuts a hole across."""
    from shapely.geometry import Polygon

    x, y, depth = bar.point[0], bar.point[1], -bar.point[2]
    level = math.hypot(bar.direction[0], bar.direction[1])
    u, v = bar.direction[0] / level, bar.direction[1] / level
    rise = -bar.direction[2] / level  # depth gained on the way along
    along = np.linspace(bar.first, bar.last, _BAR_POINTS) * level
    off = (z - depth - rise * along) * level
    half = np.sqrt(np.maximum(bar.radius**2 - off**2, 0.0))
    keep = half > 0
    if int(keep.sum()) < 2:
        return Polygon()
    one = np.column_stack([x + along * u - half * v, y + along * v + half * u])[keep]
    two = np.column_stack([x + along * u + half * v, y + along * v - half * u])[keep]
    return Polygon(np.concatenate([one, two[::-1]]))
