"""Closed lines that are tried about a point, or inside a known outline, by size and turn."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.seams.base import Base
from ctrecon.seams.line_kinds import SeamShape, along, box_points, line_kind, turned_points
from ctrecon.seams.parallel import Parallel
from ctrecon.shapes import Circle, Rectangle

__all__ = ["Line", "circles", "parallels", "squares"]

LEAST_RADIUS_PX = 2.5
_SIDEWAYS_PX = 0.9  # the end of a flat is off by this much at most between two turns tried
_SIZE_STEP_PX = 0.5
_SQUARE_STEP_PX = 1.0


@dataclass(frozen=True, eq=False)
class Line:
    """One size tried in several turns: points about 1 px apart, (turns, points, 2) as x, y; the shape of the first."""

    points: Floats
    first: SeamShape
    turns: Floats

    def shape(self, turn: int) -> SeamShape:
        """Return the shape of one of the turns."""
        return line_kind(self.first).turned(self.first, float(self.turns[turn]))


def circles(x: float, y: float, reach: float, *, step: float = _SIZE_STEP_PX) -> Iterator[Line]:
    """Yield circles about a point, by size."""
    for r in np.arange(LEAST_RADIUS_PX, reach, step):
        shape = Circle(x, y, float(r))
        yield Line(along(shape)[None], shape, np.zeros(1))


def squares(x: float, y: float, reach: float, *, least: float = 0.0, step: float = _SQUARE_STEP_PX) -> Iterator[Line]:
    """Yield squares about a point, from the half width `least` on, in as many turns as their size asks for."""
    for h in (float(v) for v in np.arange(max(LEAST_RADIUS_PX + 0.5, least), reach / 2**0.5, step)):
        turns = _turns(h)
        yield Line(turned_points(box_points(h, h), turns, x, y), Rectangle(x, y, 2 * h, 2 * h, 0.0), turns)


def parallels(base: Base, *, step: float = _SIZE_STEP_PX) -> Iterator[Line]:
    """Yield the lines parallel to an outline, inwards, until nothing is left."""
    for offset in np.arange(3.0, 400.0, step):
        shape = Parallel(base, float(offset))
        if shape.length < 2 * np.pi * LEAST_RADIUS_PX:
            return
        yield Line(along(shape)[None], shape, np.zeros(1))


def _turns(half: float) -> Floats:
    count = int(np.clip(np.ceil(90 / np.degrees(2 * _SIDEWAYS_PX / half)), 6, 60))
    return np.arange(count) * 90.0 / count
