"""Places in the assembly frame with their covariance: what places of one scan share cancels between them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import radians

import numpy as np
from numpy.typing import NDArray

from ctrecon.workshop.errors import PlanError

__all__ = ["Place", "ScanU", "joint_covariance"]


@dataclass(frozen=True)
class ScanU:
    """What the scale and the setting of one scan add to all of its places alike, as standard uncertainties.

    `shift` (mm) moves them together, `scale` (relative) spreads them from the frame's origin, `turn_deg` turns
    them about it: how well the scan is placed in the assembly frame.
    """

    shift: float = 0.0
    scale: float = 0.0
    turn_deg: float = 0.0


@dataclass(frozen=True)
class Place:
    """A point of the assembly frame (mm; X right, Y up, seen from the top) and the standard u of its own.

    `r` is the correlation of `u_x` and `u_y`; `scan` names the scan it was measured in, whose `ScanU` comes on
    top; None where it was typed.
    """

    x: float
    y: float
    u_x: float = 0.0
    u_y: float = 0.0
    r: float = 0.0
    scan: str | None = None


def joint_covariance(
    places: Sequence[Place], scans: Mapping[str, ScanU], *, direction: tuple[float, str | None] | None = None
) -> NDArray[np.float64]:
    """Return the covariance of x0, y0, x1, y1, ... of several places, and of a direction where one is given.

    Parameters
    ----------
    places : sequence of Place
        n places, mm.
    scans : mapping of str to ScanU
        What each scan adds to its places.
    direction : (float, str or None), optional
        Standard u (degrees) of the direction of an edge and the scan it was measured in; it turns with that scan.

    Returns
    -------
    ndarray, shape (2n, 2n) or (2n + 1, 2n + 1)
        Covariance, mm²; the direction, last, in radians.

    Raises
    ------
    PlanError
        If a u is negative, a correlation beyond 1, or a place names a scan that is not given.

    Notes
    -----
    Law of propagation with correlated inputs, GUM (JCGM 100:2008) 5.2.2: a shared error e enters each place through
    its own column, so its part of the covariance is the outer product of that column.
    """
    n = len(places)
    last = () if direction is None else (0.0,)
    out = np.zeros((2 * n + len(last),) * 2)
    if direction is not None:
        out[-1, -1] = radians(direction[0]) ** 2
    for i, one in enumerate(places):
        if one.u_x < 0 or one.u_y < 0 or abs(one.r) > 1:
            raise PlanError(f"the place ({one.x:g}, {one.y:g}) has a negative u or a correlation beyond 1; correct it")
        if one.scan is not None and one.scan not in scans:
            raise PlanError(f"the place ({one.x:g}, {one.y:g}) names scan {one.scan}, which is not given; add its u")
        both = one.r * one.u_x * one.u_y
        out[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] = [[one.u_x**2, both], [both, one.u_y**2]]
    for name in sorted({one.scan for one in places if one.scan is not None}):
        shared = scans[name]
        mine = np.array([one.scan == name for one in places], dtype=float)
        x, y = (np.array([getattr(one, axis) for one in places]) * mine for axis in "xy")
        turn = radians(shared.turn_deg)
        turned = turn if direction is not None and direction[1] == name else 0.0
        for at_x, at_y, by in (
            (shared.shift * mine, 0 * mine, 0.0), (0 * mine, shared.shift * mine, 0.0),
            (shared.scale * x, shared.scale * y, 0.0), (-turn * y, turn * x, turned),
        ):  # fmt: skip
            column = np.append(np.stack([at_x, at_y], axis=1).ravel(), [by] * len(last))
            out += np.outer(column, column)
    return out
