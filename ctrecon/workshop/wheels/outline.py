"""The outline of a wheel to be made, every tooth of it, as lines and arcs: involute teeth, ogives, or as found."""

from collections.abc import Sequence
from math import atan2, ceil, cos, hypot, pi, radians, sin, sqrt, tan

import numpy as np
from shapely.geometry import LineString

from ctrecon.core.frames import Floats
from ctrecon.core.measured import format_value
from ctrecon.shapes import Vertex
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.wheels.tooth import ToothSizes

__all__ = ["points_of", "wheel_outline"]

_FLANK_ARCS = 4
"""Arcs per involute flank: they follow it to 0.001 modules."""

_FOUND_MM = 0.002
"""A measured flank is drawn by the fewest lines that follow it this closely: finer than a scan shows."""

_POINTED = 1e-9

Profile = Sequence[tuple[float, float]]
"""(radius from the wheel's centre, half width of the tooth; mm) from root to tip."""


def wheel_outline(
    sizes: ToothSizes, *, profile: Profile = (), turn_deg: float = 0.0, pressure_deg: float = 20.0
) -> tuple[Vertex, ...]:
    """Return the outline of a wheel, its centre at (0, 0), mm.

    Parameters
    ----------
    sizes : ToothSizes
        Of its teeth.
    profile : sequence of (radius, half width)
        The tooth as found; empty: by the form of the sizes.
    turn_deg : float
        Direction of the middle of a tooth.
    pressure_deg : float
        Pressure angle of spur teeth.

    Notes
    -----
    Spur teeth: involutes from the base circle or the root, whichever is larger, radial below it; half of a pitch wide
    at the pitch circle; the cutter's fillet at the root is not drawn. Clock teeth: radial flanks to the pitch circle,
    then arcs of the ogive's radius that meet at the tip in the tooth's middle; so width, addendum and radius are all
    those stated (own construction; within 0.07 modules of the epicycloid). As found: the mean sound tooth, without
    undercuts.

    Raises
    ------
    PlanError
        If the flanks of a tooth meet below its tip, or neighbouring teeth meet above the root.
    """
    half = sizes.tooth_width.value / sizes.pitch_diameter.value
    if profile:
        flank = _as_found(sizes, profile)
    else:
        flank = _involute(sizes, half, radians(pressure_deg)) if sizes.tip_radius is None else _ogive(sizes, half)
    pitch = 2 * pi / sizes.teeth
    low, top = (atan2(flank[k][1], flank[k][0]) for k in (0, -1))
    if low >= pitch / 2:
        raise PlanError(
            f"teeth of the {sizes.form} of {sizes.teeth} meet above their roots; use a deeper pitch or fewer teeth"
        )
    up = [(x, -y, -bulge) for x, y, bulge in flank[:-1]]
    tip = [(flank[-1][0], -flank[-1][1], tan(top / 2)), (*flank[-1][:2], -flank[-2][2])]
    down = [(*flank[k][:2], -flank[k - 1][2]) for k in range(len(flank) - 2, 0, -1)]
    root = (*flank[0][:2], tan((pitch / 2 - low) / 2))
    one = [*up, *(tip if top > _POINTED else tip[1:]), *down, root]
    found = []
    for k in range(sizes.teeth):
        c, s = cos(radians(turn_deg) + k * pitch), sin(radians(turn_deg) + k * pitch)
        found += [(c * x - s * y, s * x + c * y, bulge) for x, y, bulge in one]
    return tuple(found)


def points_of(vertices: Sequence[Vertex], step_deg: float = 4.0) -> Floats:
    """Return points (N, 2) along a closed outline of lines and arcs, at least one every `step_deg` of an arc.

    Examples
    --------
    >>> len(points_of([(1.0, 0.0, 1.0), (-1.0, 0.0, 1.0)], step_deg=90.0))
    4
    """
    found = []
    for (x, y, bulge), (to_x, to_y, _) in zip(vertices, [*vertices[1:], vertices[0]], strict=True):
        turn = 4 * np.arctan(bulge)
        steps = max(ceil(abs(np.degrees(turn)) / step_deg), 1)
        part = np.arange(steps)[:, None] / steps
        a, b = np.array([x, y]), np.array([to_x, to_y])
        if bulge == 0:
            found.append(a + part * (b - a))
            continue
        # on an arc the chord to a share t of it is sin(t turn / 2) / sin(turn / 2) long, and leans by (1 - t) turn / 2
        long, lean = np.sin(part * turn / 2) / np.sin(turn / 2), -(1 - part) * turn / 2
        ahead, aside = b - a, np.array([a[1] - b[1], b[0] - a[0]])
        found.append(a + long * (np.cos(lean) * ahead + np.sin(lean) * aside))
    return np.concatenate(found)


def _through(points: Floats) -> list[Vertex]:
    """Return arcs through three points each, an odd number of points in all, as vertices."""
    found: list[Vertex] = []
    for k in range(0, len(points) - 1, 2):
        first, second = points[k + 1] - points[k], points[k + 2] - points[k + 1]
        # the angle between both chords is half of what the arc turns by
        turn = atan2(first[0] * second[1] - first[1] * second[0], float(first @ second))
        found.append((float(points[k][0]), float(points[k][1]), tan(turn / 2)))
    return [*found, (float(points[-1][0]), float(points[-1][1]), 0.0)]


def _as_found(sizes: ToothSizes, profile: Profile) -> list[Vertex]:
    """Return one flank of the tooth as found, from root to tip circle, as lines."""
    radius, half = np.array(sorted(profile), dtype=float).T
    root, tip = sizes.root_diameter.value / 2, sizes.blank_diameter.value / 2
    at = np.concatenate([[root], radius[(radius > root) & (radius < tip)], [tip]])
    # a tooth that is rounded into its neighbour has no bottom between: one of a hundredth of a pitch is left
    angle = np.minimum(np.arcsin(np.clip(np.interp(at, radius, half) / at, 0, 1)), 0.99 * pi / sizes.teeth)
    angle = np.maximum.accumulate(angle[::-1])[::-1]  # a cutter from outside leaves no gap wider inside than outside
    line = LineString(np.column_stack([at * np.cos(angle), at * np.sin(angle)])).simplify(_FOUND_MM)
    return [(x, y, 0.0) for x, y in line.coords]


def _involute(sizes: ToothSizes, half: float, pressure: float) -> list[Vertex]:
    """Return one flank of an involute tooth, from root to tip."""
    pitch_radius = sizes.pitch_diameter.value / 2
    base, root = pitch_radius * cos(pressure), sizes.root_diameter.value / 2
    tip = sizes.blank_diameter.value / 2
    # even steps of the roll: the curve is sharpest at the base circle
    roll = np.linspace(sqrt(max((root / base) ** 2 - 1, 0)), sqrt((tip / base) ** 2 - 1), 2 * _FLANK_ARCS + 1)
    halves = half + (tan(pressure) - pressure) - (roll - np.arctan(roll))
    if halves[-1] <= 0:
        raise PlanError(
            f"the flanks of {sizes.teeth} involute teeth meet below the tip circle; use a smaller tip diameter"
        )
    radii = base * np.hypot(1, roll)
    flank = _through(np.column_stack([radii * np.cos(halves), radii * np.sin(halves)]))
    return [(root * cos(halves[0]), root * sin(halves[0]), 0.0), *flank] if root < base else flank


def _ogive(sizes: ToothSizes, half: float) -> list[Vertex]:
    """Return one flank of a clock tooth: radial, then an arc to the tip in its middle."""
    pitch_radius, root = sizes.pitch_diameter.value / 2, sizes.root_diameter.value / 2
    tip, arc = sizes.blank_diameter.value / 2, 0.0 if sizes.tip_radius is None else sizes.tip_radius.value
    x, y = pitch_radius * cos(half), pitch_radius * sin(half)
    chord = hypot(tip - x, y)
    if chord > 2 * arc:
        raise PlanError(
            f"an ogive of {format_value(arc, 3)} mm radius is too small to close a tooth "
            f"{format_value(sizes.tooth_width.value, 3)} mm wide; check radius and width"
        )
    # the arc leaves its chord by (arc - apothem) at most, towards the outside of the tooth: it runs clockwise, upwards
    sagitta = arc - sqrt(arc * arc - chord * chord / 4)
    return [(root * cos(half), root * sin(half), 0.0), (x, y, -2 * sagitta / chord), (tip, 0.0, 0.0)]
