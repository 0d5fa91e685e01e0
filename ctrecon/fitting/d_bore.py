"""The bore with one flat: found on an outline that is a circle but for one chord, and its grey-value model."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.frames import Floats
from ctrecon.fitting.solve import Samples
from ctrecon.shapes import Circle, DShape

__all__ = ["DModel", "d_off_corners", "d_of", "d_start"]

_LEAST_DEPTH_PX = 1.5
"""A flat must be this much inside the circle: less is form, or a burr (a judgement)."""
_LEAST_POINTS = 8  # on the flat; fewer are noise of a round rim
_ARC_SHARE = 0.5
"""Share of the outline that must be round: a half circle and its diameter leave 61 %."""
_STRAIGHT = 0.6
"""Rms of the flat's points off their line, in tolerances: noise leaves as much, an arc of product more."""
_WHOLE_SHARE = 0.85  # of the outline that must be on circle and flat
_CORNER_PX, _CORNER_SHARE = 4.0, 0.3
"""Voxels this near to a corner are left out: blur rounds it; of a short flat never more than this share."""


def d_of(points: Floats, circle: Circle, tolerance: float) -> DShape | None:
    """Return the circle with one flat that a closed outline is, or None.

    Parameters
    ----------
    points : (N, 2) array
        Points at even steps along the outline, px.
    circle : Circle
        Found on the outline beforehand, robustly.
    tolerance : float
        A point belongs to a shape when it is this near.
    """
    depth = circle.signed_distance(points)
    if float(np.mean(np.abs(depth) <= tolerance)) < _ARC_SHARE or depth.max() < _LEAST_DEPTH_PX:
        return None
    # the flat's middle, where no corner rounded by blur is near
    deep = points[depth > max(0.5 * float(depth.max()), 2 * tolerance)]
    if len(deep) < _LEAST_POINTS:
        return None
    middle = deep.mean(axis=0)
    normal = np.linalg.svd(deep - middle, full_matrices=False)[2][1]
    off = (deep - middle) @ normal
    if float(np.sqrt(np.mean(off**2))) > _STRAIGHT * tolerance:
        return None
    away = float((middle - circle.centre) @ normal)
    if away < 0:
        away, normal = -away, -normal
    turn = float(np.degrees(np.arctan2(normal[1], normal[0])))
    found = DShape(circle.x, circle.y, circle.radius, circle.radius + away, turn)
    share = float(np.mean(np.abs(found.signed_distance(points)) <= tolerance))
    return found if share >= _WHOLE_SHARE else None


@dataclass(frozen=True)
class DModel:
    """A circle with one flat: centre, radius, width b across the flat, turn (radians) of its normal, slopes."""

    hole: bool
    names: tuple[str, ...] = ("x", "y", "radius", "b", "turn", "slope_x", "slope_y")

    def distance(self, p: Floats, s: Samples, blur_px: float) -> tuple[Floats, Floats]:
        """Distance to the nearer of flat and rim; blur pulls the rim towards its centre by σ²/2R."""
        x, y, radius, b, turn, slope_x, slope_y = p
        c, n = np.cos(turn), np.sin(turn)
        dx = s.x - x - slope_x * s.z
        dy = s.y - y - slope_y * s.z
        rho = np.maximum(np.hypot(dx, dy), 1e-9)
        at = max(radius, 0.5)
        pull = blur_px**2 / (2 * at)
        to_rim = at - pull - rho
        to_flat = b - radius - (dx * c + dy * n)
        on_flat = to_flat < to_rim
        by_x, by_y = np.where(on_flat, c, dx / rho), np.where(on_flat, n, dy / rho)
        jac = np.column_stack([
            by_x, by_y, np.where(on_flat, -1.0, 1 + pull / at), np.where(on_flat, 1.0, 0.0),
            np.where(on_flat, dx * n - dy * c, 0.0), s.z * by_x, s.z * by_y,
        ])  # fmt: skip
        d = np.where(on_flat, to_flat, to_rim)
        return (-d, -jac) if self.hole else (d, jac)


def d_start(
    shape: DShape, points: Floats, *, metal_outside: bool, axis_free: bool
) -> tuple[DModel, Floats, NDArray[np.bool_], Floats]:
    """Return the model, its start and free parameters, and the direction of the edge's normal at the voxels."""
    start = np.array([shape.x, shape.y, shape.radius, shape.across, np.radians(shape.turn_deg), 0.0, 0.0])
    u, v = shape.own_axes(points)
    on_flat = shape.flat - u < shape.radius - np.hypot(u, v)
    normal = np.radians(shape.turn_deg) + np.where(on_flat, 0.0, np.arctan2(v, u))
    return DModel(metal_outside), start, np.array([True] * 5 + [axis_free, axis_free]), normal


def d_off_corners(shape: DShape, points: Floats) -> NDArray[np.bool_]:
    """Mark the points (N, 2) that no corner is near."""
    u, v = shape.own_axes(points)
    reach = min(_CORNER_PX, _CORNER_SHARE * shape.half_flat)
    return np.asarray(np.hypot(u - shape.flat, np.abs(v) - shape.half_flat) > reach)
