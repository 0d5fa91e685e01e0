"""Whether a round hole stands open between two stretches of it, where noise or damage hid its outline."""

import numpy as np

from ctrecon.grey.square_up import SquaredStack
from ctrecon.shapes import Circle

__all__ = ["stays_open"]

_OPEN = 0.5  # of the grey of metal: darker half-way to the edge of a hole is air, blurred
_PLANES = 3  # a run of fewer may be dark by noise


def stays_open(squared: SquaredStack, one: Circle | None, other: Circle | None, first: int, last: int) -> bool:
    """Return whether air lies within two circles on planes `first` to `last`, in every few of them; not for None."""
    if one is None or other is None:
        return False
    x, y, half = (one.x + other.x) / 2, (one.y + other.y) / 2, min(one.radius, other.radius) / 2
    rows, columns = (slice(max(round(v - half), 0), round(v + half) + 1) for v in (y, x))
    grey = np.array([np.mean(squared.window(k, (rows, columns))) for k in range(first, last + 1)])
    return all(bool(part.mean() < _OPEN) for part in np.array_split(grey, max(len(grey) // _PLANES, 1)))
