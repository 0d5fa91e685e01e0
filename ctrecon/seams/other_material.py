"""Tells a line round another material from a line between two pieces of the same metal."""

from dataclasses import dataclass

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.features.build import MeasuredFeature
from ctrecon.grey.square_up import SquaredStack
from ctrecon.seams.line_kinds import SeamShape

__all__ = ["Inside", "grey_inside", "is_filling_of"]

_MOST_PLANES = 12
_CLEAR_PX, _REACH_PX = 2.5, 7.0  # of the blurred line; of what is compared
_SECTORS, _FEWEST_SECTORS, _FEWEST_PIXELS = 8, 6, 3
_CLEAR_SHARE = 0.5  # of the way from the line to the middle, where that is less than clear of the blur
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
        """Return whether that is more than noise and shading explain."""
        return abs(self.step) > max(_LEAST, _SURE * self.u_step)


def is_filling_of(seam: MeasuredFeature, hole: MeasuredFeature) -> bool:
    """Return whether a seam and a small hole are one rod of another material, met by either search."""
    if not all("other_material" in one.feature.flags for one in (seam, hole)):
        return False
    shape, bore = seam.sized.candidate.circle, hole.sized.candidate.circle
    if shape is None or bore is None or not hole.sized.candidate.hole:
        return False
    return float(np.hypot(shape.x - bore.x, shape.y - bore.y)) < min(shape.radius, bore.radius)


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
    clear = min(_CLEAR_PX, _CLEAR_SHARE * float(d.max())) if len(d) else 0.0
    near = (d > -_REACH_PX) & (d < _REACH_PX) & ((d > clear) | (d < -_CLEAR_PX))
    grey, inside, points = mean[y[near], x[near]], d[near] > 0, points[near]
    cx, cy = shape.centre
    turn = np.arctan2(points[:, 1] - cy, points[:, 0] - cx) / (2 * np.pi) % 1
    sector = np.minimum((turn * _SECTORS).astype(int), _SECTORS - 1)
    whole = grey[inside]
    if len(whole) < _FEWEST_PIXELS or float(np.median(whole)) < _AIR:
        return None
    steps: list[float] = []
    for s in range(_SECTORS):
        around = grey[~inside & (grey > 0.5) & (sector == s)]
        own = grey[inside & (sector == s)]
        if len(around) >= _FEWEST_PIXELS:  # of a thin rod all there is inside, not a sector of it
            steps.append(float(np.median(own if len(own) >= _FEWEST_PIXELS else whole) - np.median(around)))
    if len(steps) < _FEWEST_SECTORS:
        return None
    return Inside(float(np.median(steps)), _spread(np.array(steps)) / len(steps) ** 0.5)


def _spread(values: Floats) -> float:
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))
