"""Circle or square through points that a person set on an outline: least squares, with u from their scatter."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from ctrecon.core.circle_points import fit_circle_points
from ctrecon.core.errors import InputError
from ctrecon.core.fit_result import FitFailed
from ctrecon.core.frames import Floats
from ctrecon.record.part import Part

__all__ = ["HAND_U_VOXELS", "ByPoints", "check_on_stack", "circle_by_points", "square_by_points"]

HAND_U_VOXELS = 0.5
"""Standard uncertainty of a point set by hand, in voxels: a step of the picture (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class ByPoints:
    """A shape through points: place and size (diameter, or distance across the flats), each with u; mm.

    `turn_deg` is where the first flat faces (square only), `rms_mm` the scatter of the points.
    """

    x_mm: tuple[float, float]
    y_mm: tuple[float, float]
    size_mm: tuple[float, float]
    turn_deg: tuple[float, float] | None
    rms_mm: float


def _sigma(residuals: Floats, free: int, least: float) -> float:
    """Return the u of one point: what the points themselves scatter, never less than a hand can set them."""
    scatter = float(np.sqrt(residuals @ residuals / free)) if free > 0 else 0.0
    return max(scatter, least)


def _checked(points_mm: Floats, what: str, least: int) -> Floats:
    points = np.asarray(points_mm, dtype=float).reshape(-1, 2)
    if len(points) < least:
        raise InputError(f"a {what} needs at least {least} points on its outline, not {len(points)}; set more")
    return points


def check_on_stack(part: Part, number: int, points_px: Sequence[tuple[float, float]]) -> None:
    """Refuse a slice or points (column, row) that are not in the stack of a record.

    Raises
    ------
    InputError
        If the slice, or a point by more than a voxel, lies outside.
    """
    stack = part.stack
    if not 0 <= number < stack.slices:
        raise InputError(f"there is no slice {number}; the stack has slices 0 to {stack.slices - 1}")
    for x, y in points_px:
        if not (-1 <= x <= stack.columns and -1 <= y <= stack.rows):
            raise InputError(
                f"the point at column {x:g}, row {y:g} lies outside the slices of {stack.columns} x {stack.rows} px; "
                "set it again"
            )


def circle_by_points(points_mm: Floats, *, point_u_mm: float) -> ByPoints:
    """Fit a circle to points.

    Parameters
    ----------
    points_mm : (N, 2) array
        At least three points (x, y), mm.
    point_u_mm : float
        Least standard uncertainty of one point, mm.

    Raises
    ------
    InputError
        If the points settle no circle.

    Examples
    --------
    >>> found = circle_by_points(np.array([[3.0, 1], [1, 3], [-1, 1], [1, -1]]), point_u_mm=0.1)
    >>> round(found.size_mm[0], 6)
    4.0
    """
    points = _checked(points_mm, "circle", 3)
    fit = fit_circle_points(points)
    if isinstance(fit, FitFailed):
        raise InputError(f"no circle goes through these points ({fit.reason}); set them round the whole outline")
    x, y, radius = (float(one) for one in fit.values)
    away = np.hypot(points[:, 0] - x, points[:, 1] - y)
    if radius > 20 * float(np.ptp(points, axis=0).max()):
        raise InputError("these points lie in a line, not on a circle; set them round the whole outline")
    jacobian = np.column_stack([-(points[:, 0] - x) / away, -(points[:, 1] - y) / away, -np.ones(len(points))])
    u = _sigma(away - radius, len(points) - 3, point_u_mm) * np.sqrt(np.diag(np.linalg.inv(jacobian.T @ jacobian)))
    return ByPoints(
        x_mm=(x, float(u[0])), y_mm=(y, float(u[1])), size_mm=(2 * radius, 2 * float(u[2])), turn_deg=None,
        rms_mm=float(np.sqrt(np.mean((away - radius) ** 2))),
    )  # fmt: skip


def _off_square(p: Floats, points: Floats) -> Floats:
    """Return how far each point lies outside the nearest side's line of a square (x, y, half, turn in radians)."""
    c, s = np.cos(p[3]), np.sin(p[3])
    a = c * (points[:, 0] - p[0]) + s * (points[:, 1] - p[1])
    b = -s * (points[:, 0] - p[0]) + c * (points[:, 1] - p[1])
    return np.asarray(np.maximum(np.abs(a), np.abs(b)) - p[2])


def square_by_points(points_mm: Floats, *, point_u_mm: float) -> ByPoints:
    """Fit a square to points on its sides.

    Parameters
    ----------
    points_mm : (N, 2) array
        At least five points (x, y), mm, some on every side.
    point_u_mm : float
        Least standard uncertainty of one point, mm.

    Raises
    ------
    InputError
        If the points settle no square.

    Notes
    -----
    Each point is held to the side it is nearest to; started at 18 turns, since the sum of squares has several
    minima, and the best is kept. The turn is given from 0 to 90 degrees.
    """
    points = _checked(points_mm, "square", 5)
    middle = (points.max(axis=0) + points.min(axis=0)) / 2
    half = float(np.hypot(*(points - middle).T).mean()) / 1.14  # mean distance of a square's outline over half flats
    if half <= 0:
        raise InputError("these points lie in one place, not on a square; set them round the whole outline")
    best = None
    for turn in np.radians(np.arange(-45, 45, 5)):
        fit = least_squares(_off_square, [*middle, half, turn], args=(points,), x_scale=[half, half, half, 0.3])
        if best is None or fit.cost < best.cost - 1e-15:
            best = fit
    assert best is not None
    x, y, h, turn = (float(one) for one in best.x)
    jacobian = np.asarray(best.jac)
    normal = jacobian.T @ jacobian
    if h <= 0 or np.linalg.matrix_rank(normal) < 4 or np.linalg.cond(normal) > 1e12:
        raise InputError("these points settle no square; set at least one on every side, and two on one of them")
    u = _sigma(best.fun, len(points) - 4, point_u_mm) * np.sqrt(np.diag(np.linalg.inv(normal)))
    if u[2] > h / 2:
        raise InputError("these points settle no square; set at least one on every side, and two on one of them")
    degrees = float(np.degrees(turn)) % 90
    return ByPoints(
        x_mm=(x, float(u[0])), y_mm=(y, float(u[1])), size_mm=(2 * h, 2 * float(u[2])),
        turn_deg=(degrees, float(np.degrees(u[3]))), rms_mm=float(np.sqrt(np.mean(best.fun**2))),
    )  # fmt: skip
