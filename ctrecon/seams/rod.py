"""The outline of a rod of another material: its edge is a step of grey, and a line found in it lies on the flank."""

from dataclasses import dataclass

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.fitting.outline_candidates import circle_of, near_shape
from ctrecon.grey.square_up import SquaredStack
from ctrecon.outlines.trace import even_points, trace
from ctrecon.seams.line_kinds import SeamShape
from ctrecon.shapes import Circle

__all__ = ["Rod", "rod_round"]

_MOST_PLANES = 12
_REACH_PX = 14.0  # beyond the line
_AROUND_PX = (4.5, 9.0)  # beyond it, where the metal around is looked at
_LEAST_STEP = 0.1  # contrasts
_TOLERANCE_PX, _ROUND_SHARE = 0.45, 0.62  # as where the shapes of all other outlines are chosen
_LARGER = 4.0  # times the line's own reach: a larger outline is another thing
_FLOOR_PX = 0.2
"""What tracing leaves open of a step: its unknown blur draws a radius of 5 px inwards by it, and shading moves it."""
_TOGETHER_PX = 2.0  # of the outline, over which its noise goes together
_SMOOTH_PX = 0.7


@dataclass(frozen=True)
class Rod:
    """A round outline half-way up the step of grey, px of the part grid, with the u of x, y and radius."""

    shape: Circle
    u: tuple[float, float, float]


def rod_round(squared: SquaredStack, line: SeamShape, first: float, last: float) -> Rod | None:
    """Trace the step of grey round what lies inside a line, and tell its circle.

    Parameters
    ----------
    squared : SquaredStack
        The stack.
    line : Circle, Rectangle or outline
        A line with another material inside it.
    first, last : float
        Planes between which the line runs.

    Returns
    -------
    Rod or None
        None where the step shows no closed outline round the line's middle, or one that is not round.
    """
    low, high = round(first + 1), max(round(last - 1), round(first + 1))
    planes = sorted({round(k) for k in np.linspace(low, high, min(high - low + 1, _MOST_PLANES))})
    ring = line.outline(120)
    reach = _REACH_PX + float(np.abs(ring - np.array(line.centre)).max())
    rows, columns = squared.plane(planes[0]).shape
    left, top = (max(int(c - reach), 0) for c in line.centre)
    right, bottom = (min(int(c + reach) + 2, n) for c, n in zip(line.centre, (columns, rows), strict=True))
    mean = np.mean([squared.plane(k)[top:bottom, left:right] for k in planes], axis=0)
    y, x = np.indices(mean.shape)
    d = line.signed_distance(np.column_stack([x.ravel() + left, y.ravel() + top])).reshape(mean.shape)
    core, around = mean[d > 0.5 * d.max()], mean[(d < -_AROUND_PX[0]) & (d > -_AROUND_PX[1]) & (mean > 0.5)]
    if not len(core) or not len(around):
        return None
    inner, outer = float(np.median(core)), float(np.median(around))
    if abs(inner - outer) < _LEAST_STEP:
        return None
    metal = np.clip((mean - inner) / (outer - inner), 0.0, 1.0)
    middle, size = np.array(line.centre) - [left, top], float(np.ptp(ring, axis=0).max())
    for one in trace(metal, smooth_px=_SMOOTH_PX):
        if one.hole and np.hypot(one.x_px - middle[0], one.y_px - middle[1]) < size / 2:
            found = _round(even_points(one.points))
            if found is not None and found.shape.radius < _LARGER * size / 2:
                return Rod(found.shape.moved(left, top), found.u)
    return None


def _round(points: Floats) -> Rod | None:
    """Return the circle that an outline is, with the u its scatter leaves."""
    circle = circle_of(points, _TOLERANCE_PX)
    if circle is None:
        return None
    near = near_shape(circle, points, _TOLERANCE_PX)
    if float(near.mean()) < _ROUND_SHARE:
        return None
    off = circle.signed_distance(points[near])
    apart = max(2 * np.pi * circle.radius * float(near.mean()) / _TOGETHER_PX, 3.0)
    u = float(np.sqrt(np.mean(off**2) / apart))
    place = float(np.hypot(2**0.5 * u, _FLOOR_PX))
    return Rod(circle, (place, place, float(np.hypot(u, _FLOOR_PX))))
