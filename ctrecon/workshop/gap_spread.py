"""How the gap of a chain spreads: a normal part by measuring, even or normal parts by making, convolved."""

from collections.abc import Sequence
from math import hypot
from typing import Literal

import numpy as np
from scipy.special import ndtr

from ctrecon.core.frames import Floats

__all__ = ["Spread", "gap_distribution"]

Spread = Literal["rectangular", "three sigma"]
"""How sizes lie within a shop tolerance: anywhere alike, or normal with the limits at three standard deviations."""

_GRID = 40001
_TAIL_SD = 9.0


def gap_distribution(u: float, tolerances: Sequence[float], spread: Spread) -> tuple[Floats, Floats]:
    """Return gaps (less the middle one) and the probability of a lower one: normal and even spreads convolved."""
    some = [one for one in tolerances if one > 0]
    if spread == "three sigma":
        u, some = hypot(u, *(one / 3 for one in some)), []
    reach = _TAIL_SD * u + 2 * sum(some)
    if reach == 0:
        return np.array([-1e-12, 1e-12]), np.array([0.0, 1.0])
    x = np.linspace(-reach, reach, _GRID)
    if u > 0:
        below = ndtr(x / u)
    else:
        first = some.pop(int(np.argmax(some)))
        below = np.clip((x / first + 1) / 2, 0.0, 1.0)
    step = x[1] - x[0]
    for half in some:
        summed = np.concatenate([[0.0], np.cumsum((below[1:] + below[:-1]) * step / 2)])
        upper = np.interp(x + half, x, summed) + np.maximum(x + half - x[-1], 0.0)  # beyond the grid it is certain
        below = np.clip((upper - np.interp(x - half, x, summed)) / (2 * half), 0.0, 1.0)
    return x, np.asarray(below)
