"""Places of register pins: as far apart as the free area lets them, or refused with what limits them."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, isfinite

import numpy as np

from ctrecon.core.errors import InputError
from ctrecon.core.measured import format_short, format_value
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.pins.condition import OneWayCondition
from ctrecon.workshop.pins.free_area import PIN_APART_DIAMETERS, FreeArea
from ctrecon.workshop.pins.limits import Points
from ctrecon.workshop.pins.search import SAME_MM, apart, farthest_allowed, farthest_pairs, first_of

__all__ = ["PinPlace", "Placement", "Room", "check_place", "largest_room", "place_pins"]

_HELD_MM = 5e-3
"""What clears a margin by less is said to stand against it."""


@dataclass(frozen=True)
class PinPlace:
    """Where a pin stands.

    Parameters
    ----------
    x, y : float
        Its centre (mm, assembly frame).
    fixed : bool
        Whether the user put it there.
    clearance_mm : float
        What is left of the room beyond all margins; 0 where it stands against a limit.
    limits : tuple of str
        The limits it stands against; the nearest one where it stands free.
    reason : str
        The same in a sentence.
    """

    x: float
    y: float
    fixed: bool
    clearance_mm: float
    limits: tuple[str, ...]
    reason: str

    @property
    def xy(self) -> tuple[float, float]:
        """Its centre."""
        return self.x, self.y


@dataclass(frozen=True)
class Placement:
    """Places of the register pins of plates that lie on each other.

    Parameters
    ----------
    pins : tuple of PinPlace
        Left to right.
    distance_mm : float
        How far the two farthest lie apart.
    most_mm : float
        The greatest distance without the one-way condition.
    miss_mm : float or None
        By how much pins miss at least at each wrong turn or flip; None without a condition.
    worst_way : str
        The wrong way that misses least.
    short_mm : float
        By how much, at most, better places could lie farther apart; 0 where these are the best there are.
    reason : str
        The choice in one sentence.
    """

    pins: tuple[PinPlace, ...]
    distance_mm: float
    most_mm: float
    miss_mm: float | None
    worst_way: str
    short_mm: float
    reason: str


@dataclass(frozen=True)
class Room:
    """How much more, or less where negative, could be kept from every limit until no place is left.

    Found to about 0.001 mm: the geometry library lets go of areas narrower than that.

    Parameters
    ----------
    extra_mm : float
        That distance.
    margin_mm : float or None
        The distance of a pin's centre from every limit then, where it is the same for all.
    places : tuple of (x, y)
        The last places.
    reason : str
        The same in a sentence.
    """

    extra_mm: float
    margin_mm: float | None
    places: tuple[tuple[float, float], ...]
    reason: str


def check_place(area: FreeArea, x: float, y: float, *, fixed: bool = True) -> PinPlace:
    """Return a pin at a given place, checked against every limit.

    Parameters
    ----------
    area : FreeArea
        Where pins may go.
    x, y : float
        Place (mm).
    fixed : bool
        Whether the user put it there.

    Raises
    ------
    PlanError
        If it is too near to something, saying to what and by how much.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> from ctrecon.workshop.pins.free_area import free_area
    >>> area = free_area({"top": box(0, 0, 20, 20), "base": box(0, 0, 20, 20)}, pin_mm=2, edge_mm=1)
    >>> check_place(area, 3, 10).clearance_mm
    1.0
    """
    if not (isfinite(x) and isfinite(y)):
        raise InputError(f"a pin cannot stand at ({x}, {y}); give two numbers")
    clearance, limit = area.clearance_of(x, y)
    at = f"({format_short(x)}, {format_short(y)})"
    if clearance < -SAME_MM:
        raise PlanError(
            f"no pin of {format_value(area.pin_mm, 2)} mm can stand at {at}: it is {format_value(-clearance, 2)} mm "
            f"too near to {limit}; move it away or take a smaller pin or margin"
        )
    clearance = max(clearance, 0.0)
    held = tuple(area.names[k] for k in area.limits.touching(np.array([x, y]), _HELD_MM))
    if held:
        reason = f"at {at} it stands against the margin of {' and '.join(held)}"
    else:
        reason = f"at {at} it clears the margin of {limit} by {format_value(clearance, 2)} mm"
    return PinPlace(float(x), float(y), fixed, clearance, held or (limit,), reason)


def largest_room(area: FreeArea, *, apart_mm: float = 0.0) -> Room:
    """Return how much more could be kept from every limit until no place, or no two places so far apart, are left.

    Parameters
    ----------
    area : FreeArea
        Where pins may go; it may have no room at all.
    apart_mm : float
        How far two places are to lie apart; 0 asks for one place.

    Raises
    ------
    PlanError
        If there would be none even without any margin.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> from ctrecon.workshop.pins.free_area import free_area
    >>> area = free_area({"top": box(0, 0, 20, 20), "base": box(0, 0, 20, 20)}, pin_mm=2, edge_mm=1)
    >>> round(largest_room(area, apart_mm=10).margin_mm, 3)
    6.464
    """

    def places(extra: float) -> list[Points]:
        corners = area.with_extra(extra).corners
        if not len(corners):
            return []
        if apart_mm <= 0:
            return [corners[0]]
        pairs = farthest_pairs(corners, corners, None, 1)
        if not pairs:
            return []
        p, q, d = first_of(pairs)
        return [p, q] if d >= apart_mm - SAME_MM else []

    whole = 0.0 if area.common.is_empty else area.spread_mm() / 2
    last = places(0.0)
    low, high = (0.0, whole) if last else (-max(area.needs_mm), 0.0)
    last = last or places(low)
    if not last:
        raise PlanError(f"{' and '.join(area.plates)} leave no place for pins even without margins; {area.reason}")
    while high - low > 2e-6:
        middle = (low + high) / 2
        found = places(middle)
        low, high, last = (middle, high, found) if found else (low, middle, last)
    same = len({round(one, 9) for one in area.needs_mm}) == 1
    margin = area.needs_mm[0] + low if same else None
    what = f"two places {format_value(apart_mm, 1)} mm apart" if apart_mm > 0 else "a place"
    if margin is not None:
        reason = (
            f"{what} would be left up to {format_value(margin, 3)} mm between pin centre and every limit; "
            f"{format_value(area.needs_mm[0], 3)} mm are asked for"
        )
    else:
        how = "more" if low >= 0 else "less"
        reason = f"{what} would be left with up to {format_value(abs(low), 3)} mm {how} kept from every limit"
    return Room(low, margin, tuple((float(x), float(y)) for x, y in last), reason)


def _refused(area: FreeArea, apart_mm: float, wanted: str, *, one_way: bool = False) -> PlanError:
    """Return the refusal: what was asked, what limits, and the largest margin with room."""
    parts = [f"no place for {wanted} of {format_value(area.pin_mm, 2)} mm in {' and '.join(area.plates)}"]
    if one_way:
        parts[0] += " that fits one way only"
    if one_way:  # more room is not what is missing
        return PlanError(f"{parts[0]}; take unequal pins, a third pin, or a smaller miss")
    row = area.limiting
    if row is not None and row.alone_mm2 > 0.005:
        more = format_value(row.alone_mm2, 0)
        parts.append(f"it is limited by {row.called} ({more} mm² more would be free without it)")
    elif row is not None:
        most = max(area.taken, key=lambda one: one.area_mm2)
        parts.append(f"several limits overlap, most is taken by {most.called} ({format_value(most.area_mm2, 0)} mm²)")
    try:
        parts.append(largest_room(area, apart_mm=apart_mm).reason)
    except PlanError:
        parts.append("not even without margins")
    return PlanError("; ".join(parts))


def place_pins(
    area: FreeArea,
    *,
    condition: OneWayCondition | None = None,
    apart_mm: float | None = None,
    fixed: Sequence[tuple[float, float]] = (),
) -> Placement:
    """Return two pins as far apart as the free area lets them, fitting one way only where that is asked for.

    Parameters
    ----------
    area : FreeArea
        Where pins may go.
    condition : OneWayCondition, optional
        What they have to miss when the plate is put on wrongly.
    apart_mm : float, optional
        How far apart they are to lie at least; three diameters when not given.
    fixed : sequence of (x, y)
        Pins the user placed, none, one or two: checked and kept.

    Raises
    ------
    PlanError
        If no two places will do, with the limit and the largest margin that has room; or if a pin the user placed
        is too near to something, or lets the plate go on wrongly.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> from ctrecon.workshop.pins.free_area import free_area
    >>> area = free_area({"top": box(0, 0, 60, 40), "base": box(0, 0, 60, 40)}, pin_mm=2, edge_mm=2)
    >>> [pin.xy for pin in place_pins(area).pins]
    [(3.0, 3.0), (57.0, 37.0)]
    """
    least = PIN_APART_DIAMETERS * area.pin_mm if apart_mm is None else float(apart_mm)
    if len(fixed) > 2:
        raise InputError(f"{len(fixed)} pins are given and two are placed; give two at most")
    own = [check_place(area, *map(float, one)) for one in fixed]
    if not own and area.empty:
        raise _refused(area, 0.0, "a pin")
    free = farthest_pairs(area.corners, area.corners, None, 1)
    most = free[0][2] if free else 0.0
    if len(own) == 2:
        p, q = np.array(own[0].xy), np.array(own[1].xy)
        d = hypot(*(p - q))
        if condition is not None and not condition.allows(p, q[None])[0]:
            raise PlanError(
                f"the pins as given let the plate go on {condition.worst_way(p, q[None])}: they miss by "
                f"{format_value(float(condition.worst(p, q[None])[0]), 2)} mm, less than the "
                f"{format_value(condition.least_mm, 2)} mm asked for; move one, or take unequal pins or a third"
            )
        found = [(p, q, d)]
    else:
        held = np.array(own[0].xy) if own else None
        found = farthest_allowed(area, condition, held)
        if not found:
            one_way = condition is not None and (held is not None or most >= least)
            raise _refused(area, least, "a second pin" if own else "two pins", one_way=one_way)
    p, q, d = first_of(found)
    if d < least - SAME_MM:
        what = f"two pins {format_value(least, 1)} mm apart"
        raise _refused(area, least, what, one_way=condition is not None and most >= least)
    pins = tuple(next((one for one in own if one.xy == tuple(xy)), None) or check_place(area, *xy, fixed=False)
                 for xy in (p.tolist(), q.tolist()))  # fmt: skip
    miss = way = None
    if condition is not None:
        miss, way = float(condition.worst(p, q[None])[0]), condition.worst_way(p, q[None])
    bound = most if not own else float(apart(np.array([own[0].xy]), area.corners).max(initial=d))
    exact = condition is None or d >= bound - SAME_MM
    return Placement(
        pins, d, max(most, d), miss if miss is not None and isfinite(miss) else None, way or "",
        0.0 if exact or len(own) == 2 else bound - d, _placed(pins, d, most, miss, way, condition),
    )  # fmt: skip


def _placed(
    pins: Sequence[PinPlace],
    d: float,
    most: float,
    miss: float | None,
    way: str | None,
    condition: OneWayCondition | None,
) -> str:
    places = " and ".join(f"({format_value(one.x, 3)}, {format_value(one.y, 3)})" for one in pins)
    reason = f"pins at {places}, {format_value(d, 2)} mm apart"
    if all(one.fixed for one in pins):
        reason += " as given"
    elif any(one.fixed for one in pins):
        reason += ", the farthest from the one given"
    else:
        reason += ", the farthest the free area allows" if d >= most - SAME_MM else ""
    if condition is not None and miss is not None and isfinite(miss):
        if d < most - SAME_MM and not any(one.fixed for one in pins):
            less = format_value(most - d, 2)
            reason += f", {less} mm less than the free area allows so that they fit one way only"
        reason += f"; {way} they miss by {format_value(miss, 2)} mm"
    limits = sorted({name for one in pins for name in one.limits if one.clearance_mm < _HELD_MM})
    return reason + (f"; held by {', '.join(limits)}" if limits else "")
