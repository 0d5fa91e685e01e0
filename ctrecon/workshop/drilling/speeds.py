"""A drill's cone and break-through, and the speed it runs at."""

from dataclasses import dataclass
from math import pi, radians, tan

from ctrecon.core.measured import format_short, format_value
from ctrecon.workshop.errors import PlanError

__all__ = ["BRASS_HSS_M_MIN", "BREAK_THROUGH_MM", "Feed", "Speed", "break_through", "cone_height", "spindle_speed"]

BRASS_HSS_M_MIN = (30.0, 60.0)
"""Cutting speed of high-speed steel drills in brass (m/min): 100-200 sfm in published drill charts."""

BREAK_THROUGH_MM = 0.5
"""How far the full diameter passes the lower face (mm), into the backing board (common practice, no source)."""


@dataclass(frozen=True)
class Feed:
    """How deep to feed a drill from first touch, and where it stands when the point comes through (mm)."""

    cone: float
    depth: float
    point_through_at: float
    thin: bool
    reason: str


@dataclass(frozen=True)
class Speed:
    """The speed to set (1/min), what the cutting speed asks for, and whether the machine limits it."""

    rpm: float
    wanted_rpm: float
    limited: bool
    m_min: float
    reason: str


def cone_height(diameter: float, *, point_deg: float = 118.0) -> float:
    """Return the height (mm) of the drill's point, (d/2) / tan(point/2).

    Examples
    --------
    >>> round(cone_height(1.0), 5), round(cone_height(1.0, point_deg=135), 5)
    (0.30043, 0.20711)
    """
    if diameter <= 0 or not 0 < point_deg < 180:
        raise PlanError(f"a drill of {diameter:g} mm with a point of {point_deg:g}° does not exist; correct it")
    return diameter / 2 / tan(radians(point_deg / 2))


def break_through(
    thickness: float, diameter: float, *, point_deg: float = 118.0, beyond: float = BREAK_THROUGH_MM
) -> Feed:
    """Return how deep to feed for a clean hole through, from the first touch of the point.

    Parameters
    ----------
    thickness : float
        Of the plate or stack, mm.
    diameter, point_deg : float
        Of the drill, mm and degrees.
    beyond : float
        How far the full diameter is to pass the lower face, mm; the backing board must be thicker than the cone
        and this.
    """
    if thickness <= 0 or beyond < 0:
        raise PlanError(f"a plate of {thickness:g} mm drilled {beyond:g} mm beyond makes no hole; correct the figures")
    cone = cone_height(diameter, point_deg=point_deg)
    depth = thickness + cone + beyond
    thin = cone >= thickness
    says = f"feed {format_value(depth, 2)} mm from first touch: {format_value(cone, 2)} mm of it is the drill's point"
    says += f", so back the work with more than {format_value(cone + beyond, 2)} mm of board"
    if thin:
        says += "; the point is through before the lips cut full size, so the drill can snatch: clamp between boards"
    return Feed(cone, depth, thickness, thin, says)


def spindle_speed(diameter: float, *, highest: float, m_min: float = BRASS_HSS_M_MIN[0], lowest: float = 0.0) -> Speed:
    """Return the speed to set, n = 1000 v / (pi D), no higher than the machine goes.

    Parameters
    ----------
    diameter : float
        Of the drill, mm.
    highest, lowest : float
        Highest and lowest speed of the machine, 1/min.
    m_min : float
        Cutting speed, m/min.

    Examples
    --------
    >>> round(spindle_speed(2, highest=1e6).rpm), spindle_speed(2, highest=3000).rpm
    (4775, 3000.0)
    """
    if diameter <= 0 or m_min <= 0 or highest <= 0 or lowest > highest:
        raise PlanError(
            "a speed needs a drill, a cutting speed and a highest speed of the machine above 0; correct them"
        )
    wanted = 1000 * m_min / (pi * diameter)
    rpm = float(min(max(wanted, lowest), highest))
    says = f"{format_value(m_min, 0)} m/min on ⌀{format_short(diameter, 4)} asks for {format_value(wanted, 0)} rpm"
    if wanted > highest:
        says += f"; the machine's highest is {format_value(highest, 0)}, so run that and feed gently"
    elif wanted < lowest:
        says += f"; the machine's lowest is {format_value(lowest, 0)}, faster than asked for: use a smaller drill first"
    return Speed(rpm, wanted, rpm != wanted, m_min, says)
