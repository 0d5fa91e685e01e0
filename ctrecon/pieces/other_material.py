"""Tells a line round another material from a line between two pieces of the same metal."""

from dataclasses import dataclass

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.pieces.seam_paths import SeamShape
from ctrecon.slices.square_up import SquaredStack

__all__ = ["Inside", "grey_inside"]

_MOST_PLANES = 12
_CLEAR_PX, _REACH_PX = 2.5, 7.0  # of the blurred line; of what is compared
_SECTORS, _FEWEST_SECTORS, _FEWEST_PIXELS = 12, 8, 3
# shading and drift differ by less over the few pixels that are compared: worst rendered cupping, 26 % over a radius of
# 66 px, gives 0.06
_LEAST, _SURE = 0.12, 5.0
_AIR = 0.25  # a share of the contrast; less than that inside is a hole


@dataclass(frozen=True)
class Inside:
    """The grey just inside a line less that just outside it, share of the contrast, and its standard uncertainty."""

    step: float
    u_step: float

    @property
    def other_material(self) -> bool:
        """Tell whether that is more than noise and shading explain."""
        return abs(self.step) > max(_LEAST, _SURE * self.u_step)


def grey_inside(squared: SquaredStack, shape: SeamShape, first: float, last: float) -> Inside | None:
    """Compare the grey on both sides of a line, sector by sector.

    Parameters
    ----------
    squared : SquaredStack
    shape : Circle, Rectangle or outline
    first, last : float
        Planes between which the line runs.

    Returns
    -------
    Inside or None
        None where too little metal lies on both sides, or air inside.
    """
    low, high = round(first + 1), round(last - 1)
    if high < low:
        low = high = round((first + last) / 2)
    planes = sorted({round(k) for k in np.linspace(low, high, min(high - low + 1, _MOST_PLANES))})
    mean = np.mean([squared.plane(k) for k in planes if 0 <= k < len(squared)], axis=0)
    y, x = np.nonzero(np.isfinite(mean))
    points = np.column_stack([x, y]).astype(float)
    d = np.asarray(shape.signed_distance(points))
    near = (np.abs(d) > _CLEAR_PX) & (np.abs(d) < _REACH_PX)
    grey, inside, points = mean[y[near], x[near]], d[near] > 0, points[near]
    kept = inside | (grey > 0.5)
    cx, cy = shape.centre
    turn = np.arctan2(points[:, 1] - cy, points[:, 0] - cx) / (2 * np.pi) % 1
    sector = np.minimum((turn * _SECTORS).astype(int), _SECTORS - 1)
    steps: list[float] = []
    within: list[float] = []
    for s in range(_SECTORS):
        both = [grey[kept & (sector == s) & (inside == side)] for side in (True, False)]
        if min(len(one) for one in both) >= _FEWEST_PIXELS:
            steps.append(float(np.median(both[0]) - np.median(both[1])))
            within.append(float(np.median(both[0])))
    if len(steps) < _FEWEST_SECTORS or float(np.median(within)) < _AIR:
        return None
    return Inside(float(np.median(steps)), _spread(np.array(steps)) / len(steps) ** 0.5)


def _spread(values: Floats) -> float:
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))
