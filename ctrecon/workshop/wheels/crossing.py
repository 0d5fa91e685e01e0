"""Crossing out: rim, arms and boss of a wheel, and the windows to be cut between them."""

from dataclasses import dataclass
from math import hypot, pi, sin

import shapely
from shapely.affinity import rotate
from shapely.geometry import Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from ctrecon.core.measured import Measured, format_short, format_value
from ctrecon.workshop.errors import PlanError

__all__ = ["LEAST_WINDOW_MM", "RIM_IN_DEPTHS", "CrossingOut", "cross_out"]

RIM_IN_DEPTHS = 1.0
"""Metal left under the roots, in depths of a tooth (common practice, no source)."""

ARM_IN_RIMS = 1.0
"""Width of an arm, in widths of the rim (common practice, no source)."""

LEAST_WINDOW_MM = 1.0
"""A window that holds no circle of this diameter can't be filed (common practice, no source)."""

_QUAD_SEGS = 64


@dataclass(frozen=True)
class CrossingOut:
    """Widths (mm, with u) of rim under the roots and arms, the windows (mm, centre at 0, 0) and a sentence."""

    boss_diameter: float
    rim_width: Measured
    arm_width: Measured
    inner_diameter: Measured
    windows: tuple[Polygon, ...]
    reason: str


def cross_out(
    root_diameter: Measured,
    depth_of_cut: Measured,
    *,
    boss_diameter: float,
    arms: int,
    rim_width: Measured | None = None,
    arm_width: Measured | None = None,
    turn_deg: float = 0.0,
) -> CrossingOut:
    """Return how a wheel is crossed out.

    Parameters
    ----------
    root_diameter, depth_of_cut : Measured
        Of the teeth, mm.
    boss_diameter : float
        Of the metal left round the arbor, mm.
    arms : int
        How many, 2 or more; parallel-sided.
    rim_width, arm_width : Measured or None
        mm; as found where the wheel shows them. None: the rim as wide as a tooth is deep, the arms as the rim.
    turn_deg : float
        Direction of the first arm.

    Examples
    --------
    >>> out = cross_out(Measured(22.75), Measured(1.125), boss_diameter=7.0, arms=4)
    >>> len(out.windows), out.rim_width.value
    (4, 1.125)
    """
    rim = rim_width or _times(depth_of_cut, RIM_IN_DEPTHS)
    arm = arm_width or _times(rim, ARM_IN_RIMS)
    inner = Measured(root_diameter.value - 2 * rim.value, hypot(root_diameter.u or 0.0, 2 * (rim.u or 0.0)))
    if arms < 2 or min(rim.value, arm.value, boss_diameter) <= 0:
        raise PlanError("crossing out needs 2 arms or more, and a rim, arms and a boss wider than 0; correct them")
    if inner.value <= boss_diameter:
        raise PlanError(
            f"a rim {format_value(rim.value, 2)} mm wide leaves ⌀{format_value(inner.value, 2)} inside, no more than "
            f"the boss of ⌀{format_short(boss_diameter, 4)}; leave the wheel solid or make rim or boss smaller"
        )
    body: BaseGeometry = Point(0, 0).buffer(inner.value / 2, quad_segs=_QUAD_SEGS)
    body = body.difference(Point(0, 0).buffer(boss_diameter / 2, quad_segs=_QUAD_SEGS))
    for k in range(arms):
        bar = box(0, -arm.value / 2, inner.value, arm.value / 2)
        body = body.difference(rotate(bar, turn_deg + 360 * k / arms, origin=(0, 0)))
    windows = tuple(shapely.get_parts(body))
    widest = min((2 * shapely.maximum_inscribed_circle(one).length for one in windows), default=0.0)
    if len(windows) != arms or widest < LEAST_WINDOW_MM:
        raise PlanError(
            f"{arms} arms {format_value(arm.value, 2)} mm wide leave windows that no file enters; "
            "use fewer or thinner arms"
        )
    apart = boss_diameter * sin(pi / arms)
    meets = "" if apart > arm.value else "; the arms run into one another before they reach the boss"
    says = (
        f"{arms} arms {format_value(arm.value, 2)} mm wide, rim {format_value(rim.value, 2)} mm under the roots, boss "
        f"⌀{format_short(boss_diameter, 4)}: the windows hold a circle of ⌀{format_value(widest, 2)}{meets}"
    )
    return CrossingOut(boss_diameter, rim, arm, inner, windows, says)


def _times(size: Measured, factor: float) -> Measured:
    return Measured(size.value * factor, None if size.u is None else size.u * factor)
