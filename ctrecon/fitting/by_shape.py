"""Which grey-value model a shape is fitted with, where it starts, and which voxels belong to its walls alone."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.frames import Floats
from ctrecon.fitting.d_bore import d_off_corners, d_start
from ctrecon.fitting.models import PolygonModel, RectangleModel, RoundModel, SlotModel
from ctrecon.fitting.solve import GreyModel
from ctrecon.fitting.track_band import TrackModel
from ctrecon.shapes import Circle, DShape, Rectangle, RegularPolygon, Shape

__all__ = ["Setting", "Start", "off_corners", "start_of", "track_start"]

_POLYGON_CORNER_PX = 4.5  # px beside a corner that the fit of sides leaves out
_CORNER_PX = 3.0  # px beside a round corner that the fit of flats leaves out
_CORNER_SHARE = 0.3
"""Voxels this near to a corner are left out: blur rounds it. Less on narrow shapes, or no flat would be left."""


@dataclass(frozen=True)
class Setting:
    """What of a fit is known beforehand: on which side the metal is, and which of axis and taper are free.

    `growth` is that of the shape's size per px of depth; `grows` tells whether the outlines showed one.
    """

    metal_outside: bool
    axis_free: bool
    taper_free: bool
    growth: float
    grows: bool


@dataclass(frozen=True, eq=False)
class Start:
    """A model with its start, its free parameters, and the direction (radians) of the edge's normal at every voxel."""

    model: GreyModel
    values: Floats
    active: NDArray[np.bool_]
    normal: Floats | float


def start_of(kind: str, shape: Shape, setting: Setting, points: Floats) -> Start:
    """Return the model of a shape.

    Parameters
    ----------
    kind : str
        As the choice of a shape has it: a rectangle may be a slot.
    shape : Shape
        As the outline has it, px.
    setting : Setting
        What is known beforehand.
    points : (N, 2) array
        The voxels (column, row).
    """
    x, y = shape.centre
    free, out = setting.axis_free, setting.metal_outside
    angle = np.arctan2(points[:, 1] - y, points[:, 0] - x)
    if isinstance(shape, Circle):
        start = np.array([x, y, shape.radius, 0.0, 0.0, setting.growth])
        return Start(RoundModel(out), start, np.array([True] * 3 + [free, free, setting.taper_free]), angle)
    if isinstance(shape, Rectangle) and kind == "slot":
        along = np.radians(shape.turn_deg) + (0.0 if shape.a >= shape.b else np.pi / 2)
        start = np.array([x, y, max(shape.a, shape.b), min(shape.a, shape.b), along, 0.0, 0.0])
        return Start(SlotModel(out), start, np.array([True] * 5 + [free, free]), along + np.pi / 2)
    if isinstance(shape, Rectangle):
        start = np.array([x, y, shape.a, shape.b, np.radians(shape.turn_deg), 0.0, 0.0, setting.growth])
        active = np.array([True] * 5 + [free, free, setting.taper_free and setting.grows])
        u, v = shape.own_axes(points)
        on_a = shape.a / 2 - np.abs(u) < shape.b / 2 - np.abs(v)
        return Start(RectangleModel(out), start, active, np.radians(shape.turn_deg) + np.where(on_a, 0.0, np.pi / 2))
    if isinstance(shape, DShape):
        return Start(*d_start(shape, points, metal_outside=out, axis_free=free))
    assert isinstance(shape, RegularPolygon)
    start = np.array([x, y, shape.inradius, np.radians(shape.turn_deg), 0.0, 0.0])
    return Start(PolygonModel(out, shape.sides), start, np.array([True] * 4 + [free, free]), angle)


def off_corners(kind: str, shape: Shape, points: Floats, grown: Floats) -> NDArray[np.bool_]:
    """Mark the points (N, 2) that no corner is near; `grown` is how much wider the shape is at each."""
    if isinstance(shape, Rectangle) and kind != "slot":
        u, v = shape.own_axes(points)
        keep_off = min(shape.corner_radius + _CORNER_PX, _CORNER_SHARE * min(shape.a, shape.b))
        near_u = np.abs(u) > shape.a / 2 + grown / 2 - keep_off
        near_v = np.abs(v) > shape.b / 2 + grown / 2 - keep_off
        return np.asarray(~(near_u & near_v))
    if isinstance(shape, RegularPolygon):
        _, across = shape.side_of(points)
        return np.asarray(np.abs(across) < shape.inradius * np.tan(np.pi / shape.sides) - _POLYGON_CORNER_PX)
    if isinstance(shape, DShape):
        return d_off_corners(shape, points)
    return np.ones(len(points), dtype=bool)


def track_start(
    shape: Circle | Rectangle | RegularPolygon, hole: bool, pitch: float
) -> tuple[TrackModel, list[float], float]:
    """Return the model of an edge that is followed from slice to slice, its sizes and turn, and its corner radius.

    Parameters
    ----------
    shape : Circle, Rectangle or RegularPolygon
        Place and size in any length.
    hole : bool
        Metal is outside it.
    pitch : float
        One px in that length; all that is returned is in px and radians.
    """
    if isinstance(shape, Circle):
        return RoundModel(hole), [shape.radius / pitch], 0.0
    turn = float(np.radians(shape.turn_deg))
    if isinstance(shape, Rectangle):
        return RectangleModel(hole), [shape.a / pitch, shape.b / pitch, turn], shape.corner_radius / pitch
    return PolygonModel(hole, shape.sides), [shape.inradius / pitch, turn], 0.0
