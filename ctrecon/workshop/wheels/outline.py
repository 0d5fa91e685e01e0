"""The outline of a wheel to be made, every tooth of it: involute teeth, or clock teeth with ogives."""

from math import atan2, cos, hypot, pi, radians, sin, sqrt, tan

import numpy as np
from shapely.geometry import Polygon

from ctrecon.core.frames import Floats
from ctrecon.core.measured import format_value
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.wheels.tooth import ToothSizes

__all__ = ["wheel_outline"]

_FLANK_POINTS = 24
_ARC_POINTS = 7


def wheel_outline(sizes: ToothSizes, *, turn_deg: float = 0.0, pressure_deg: float = 20.0) -> Polygon:
    """Return the outline of a wheel, its centre at (0, 0), mm.

    Parameters
    ----------
    sizes : ToothSizes
        Of its teeth.
    turn_deg : float
        Direction of the middle of a tooth.
    pressure_deg : float
        Pressure angle of spur teeth.

    Notes
    -----
    Spur teeth: involutes from the base circle or the root, whichever is larger, radial below it; half of a pitch wide
    at the pitch circle; the cutter's fillet at the root is not drawn. Clock teeth: radial flanks to the pitch circle,
    then arcs of the ogive's radius that meet at the tip in the tooth's middle; so width, addendum and radius are all
    those stated (own construction; within 0.07 modules of the epicycloid).

    Raises
    ------
    PlanError
        If the flanks of a tooth meet below its tip, or neighbouring teeth meet above the root.
    """
    half = sizes.tooth_width.value / sizes.pitch_diameter.value
    flank = _involute(sizes, half, radians(pressure_deg)) if sizes.tip_radius is None else _ogive(sizes, half)
    pitch = 2 * pi / sizes.teeth
    if flank[0, 1] >= pitch / 2:
        raise PlanError(
            f"teeth of the {sizes.form} of {sizes.teeth} meet above their roots; use a deeper pitch or fewer teeth"
        )
    tip, root = flank[-1], flank[0]
    over = np.linspace(tip[1], -tip[1], _ARC_POINTS)[1:-1]
    between = np.linspace(root[1], pitch - root[1], _ARC_POINTS)[1:-1]
    one = np.concatenate(
        [
            np.column_stack([flank[:, 0], -flank[:, 1]]),
            np.column_stack([np.full(len(over), tip[0]), -over]) if tip[1] > 1e-12 else np.empty((0, 2)),
            flank[::-1] if tip[1] > 1e-12 else flank[-2::-1],
            np.column_stack([np.full(len(between), root[0]), between]),
        ]
    )
    turns = radians(turn_deg) + pitch * np.arange(sizes.teeth)
    angle = (one[:, 1][None, :] + turns[:, None]).ravel()
    radius = np.tile(one[:, 0], sizes.teeth)
    return Polygon(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]))


def _involute(sizes: ToothSizes, half: float, pressure: float) -> Floats:
    """Return (radius, half angle) up one flank of an involute tooth."""
    pitch_radius = sizes.pitch_diameter.value / 2
    base, root = pitch_radius * cos(pressure), sizes.root_diameter.value / 2
    tip = sizes.blank_diameter.value / 2
    radii = np.linspace(max(base, root), tip, _FLANK_POINTS)
    at = np.arccos(np.minimum(base / radii, 1.0))
    halves = half + (tan(pressure) - pressure) - (np.tan(at) - at)
    if halves[-1] <= 0:
        raise PlanError(
            f"the flanks of {sizes.teeth} involute teeth meet below the tip circle; use a smaller tip diameter"
        )
    rows = np.column_stack([radii, halves])
    return np.vstack([[root, halves[0]], rows]) if root < base else rows


def _ogive(sizes: ToothSizes, half: float) -> Floats:
    """Return (radius, half angle) up one flank of a clock tooth: radial, then an arc to the tip in its middle."""
    pitch_radius, root = sizes.pitch_diameter.value / 2, sizes.root_diameter.value / 2
    tip, arc = sizes.blank_diameter.value / 2, 0.0 if sizes.tip_radius is None else sizes.tip_radius.value
    x, y = pitch_radius * cos(half), pitch_radius * sin(half)
    along, chord = (tip - x, -y), hypot(tip - x, y)
    if chord > 2 * arc:
        raise PlanError(
            f"an ogive of {format_value(arc, 3)} mm radius is too small to close a tooth "
            f"{format_value(sizes.tooth_width.value, 3)} mm wide; check radius and width"
        )
    # the centre lies square to the chord, on the far side of the tooth's middle
    back = sqrt(arc * arc - chord * chord / 4)
    centre = ((x + tip) / 2 + along[1] / chord * back, y / 2 - along[0] / chord * back)
    first = atan2(y - centre[1], x - centre[0])
    last = atan2(-centre[1], tip - centre[0])
    turn = np.linspace(first, last, _FLANK_POINTS)
    at_x, at_y = centre[0] + arc * np.cos(turn), centre[1] + arc * np.sin(turn)
    rows = np.column_stack([np.hypot(at_x, at_y), np.arctan2(at_y, at_x)])
    rows[0], rows[-1] = (pitch_radius, half), (tip, 0.0)
    return np.vstack([[root, half], rows])
