"""Whether plates go together one way only: every wrong turn, flip and swap, and by how much it misses.

A plate that is put on wrongly is noticed where its register pins miss, where other holes it shares with its neighbours
miss, or where its outline stands off. Two equal pins alone are matched by four motions, so they never suffice by
themselves; tapered holes stop a flip only by a hair, so they are not counted on.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import inf, isfinite

import numpy as np
from shapely.geometry import Polygon

from ctrecon.core.errors import InputError
from ctrecon.core.measured import format_value
from ctrecon.workshop.pins.condition import LEAST_MISS_MM
from ctrecon.workshop.pins.misses import least_miss_mm
from ctrecon.workshop.pins.motions import SEEN_MM, Motion, hole_motions, outline_off_mm, outline_symmetry

__all__ = ["OneWay", "RegisterHole", "StackedPlate", "WrongWay", "judge_plates", "size_miss_mm"]

_LEAST_STEP_MM = 0.2
"""Two tapered pins whose diameters differ by so much go 10 mm apart into a 1:50 hole, which nobody overlooks."""


@dataclass(frozen=True)
class RegisterHole:
    """A hole that has to line up: centre and diameter (mm), and what the plan calls it."""

    x: float
    y: float
    diameter_mm: float
    name: str = ""


@dataclass(frozen=True)
class StackedPlate:
    """A plate in its place in the stack.

    Parameters
    ----------
    name : str
        Its name.
    outline : shapely Polygon
        Its outline (mm, assembly frame).
    up, down : tuple of RegisterHole
        Register pins it shares with the plate above and with the one below.
    shared : tuple of RegisterHole
        Other holes in which something stands that its neighbours hold too: arbors, pillars, screws.
    """

    name: str
    outline: Polygon
    up: tuple[RegisterHole, ...] = ()
    down: tuple[RegisterHole, ...] = ()
    shared: tuple[RegisterHole, ...] = ()

    @property
    def pins(self) -> tuple[RegisterHole, ...]:
        """All its register pins."""
        return (*self.up, *self.down)


@dataclass(frozen=True)
class WrongWay:
    """One way to put plates together wrongly.

    Parameters
    ----------
    plates : tuple of str
        The plate, or the two that change places.
    kind : str
        ``turn``, ``flip`` or ``swap``.
    motion : Motion
        How the plate lies then.
    pins_mm, shared_mm, outline_mm : float
        By how much register pins miss, other shared holes miss, and the outline stands off; infinite where a pin finds
        no hole at all.
    stopped_by : str
        ``pins``, ``sizes``, ``shared holes`` or ``outline``; empty where nothing stops it.
    miss_mm : float
        The distance that goes with it; the largest of the three where nothing stops it.
    reason : str
        The finding in one sentence.
    """

    plates: tuple[str, ...]
    kind: str
    motion: Motion
    pins_mm: float
    shared_mm: float
    outline_mm: float
    stopped_by: str
    miss_mm: float
    reason: str


@dataclass(frozen=True)
class OneWay:
    """Whether plates go together one way only.

    Parameters
    ----------
    ok : bool
        Whether every wrong way is stopped.
    ways : tuple of WrongWay
        All that were tried, those that nothing stops first, then by distance.
    miss_mm : float
        The least distance by which a wrong way misses; infinite where there is none that looks right.
    remedies : tuple of str
        What to do about those that nothing stops.
    reason : str
        The finding in one sentence.
    """

    ok: bool
    ways: tuple[WrongWay, ...]
    miss_mm: float
    remedies: tuple[str, ...]
    reason: str

    @property
    def open_ways(self) -> tuple[WrongWay, ...]:
        """The wrong ways that nothing stops."""
        return tuple(one for one in self.ways if not one.stopped_by)


def _xy(holes: Sequence[RegisterHole]) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    return np.array([(one.x, one.y) for one in holes], float).reshape(-1, 2)


def _sizes(holes: Sequence[RegisterHole]) -> list[float]:
    return [one.diameter_mm for one in holes]


def size_miss_mm(needed: Sequence[RegisterHole], holes: Sequence[RegisterHole], motion: Motion) -> tuple[float, float]:
    """Return by how much (mm) pins miss the holes of a plate that was moved: in place alone, and by size alone.

    Parameters
    ----------
    needed : sequence of RegisterHole
        Where something comes from the neighbours.
    holes : sequence of RegisterHole
        The plate's holes.
    motion : Motion
        How the plate lies.

    Returns
    -------
    tuple of float
        The miss in place with sizes left out of account, and by how much (on diameter) the tightest pin is too thick
        for its hole in the best pairing.
    """
    if not needed:
        return 0.0, 0.0
    if len(holes) < len(needed):
        return inf, 0.0
    moved = motion(_xy(holes))
    place = least_miss_mm(_xy(needed), moved, [0.0] * len(needed), [0.0] * len(holes))
    both = least_miss_mm(_xy(needed), moved, _sizes(needed), _sizes(holes))
    return place, 2 * max(0.0, both - place) if isfinite(place) else 0.0


def _judged(
    plates: tuple[str, ...],
    kind: str,
    motion: Motion,
    needed: StackedPlate,
    given: StackedPlate,
    least_mm: float,
    seen_mm: float,
) -> WrongWay:
    """Judge a plate `given` that lies, moved, in the place of the plate `needed`."""
    pins, step = size_miss_mm(needed.pins, given.pins, motion)
    shared, _ = size_miss_mm(needed.shared, given.shared, motion)
    outline = outline_off_mm(given.outline, motion, needed.outline)
    tests = [("pins", pins, least_mm), ("shared holes", shared, least_mm), ("outline", outline, seen_mm)]
    stops = [(name, value) for name, value, least in tests if value >= least - 1e-9]
    by, miss = stops[0] if stops else ("", max(pins, shared, outline))
    if not by and step >= _LEAST_STEP_MM - 1e-9:
        by, miss = "sizes", step
    what = " and ".join(plates)
    how = f"{what} in each other's place, {motion.name}" if kind == "swap" else f"{what} {motion.name}"
    if by == "sizes":
        reason = f"{how}: a pin is {format_value(step, 2)} mm too thick for the hole it comes to"
    elif by and not isfinite(miss):
        reason = f"{how}: there is no hole for it in the {by}" if by != "pins" else f"{how}: a pin finds no hole"
    elif by == "outline":
        reason = f"{how}: the outline stands off by {format_value(miss, 2)} mm"
    elif by:
        reason = f"{how}: the {by} miss by {format_value(miss, 2)} mm"
    else:
        off = f"pins miss by {format_value(pins, 2)} mm, the outline by {format_value(outline, 2)} mm"
        reason = f"{how}: nothing stops it ({off})"
    return WrongWay(plates, kind, motion, pins, shared, outline, by, miss, reason)


def _still(outline: Polygon) -> Motion:
    return Motion(False, 0.0, float(outline.centroid.x), float(outline.centroid.y))


def _motions(plate: StackedPlate, seen_mm: float, least_mm: float) -> list[Motion]:
    """Return the turns and flips worth trying: those of the outline, of the pins, of the other shared holes."""
    out = list(outline_symmetry(plate.outline, seen_mm=seen_mm).motions)
    for holes in dict.fromkeys((plate.up, plate.down, plate.pins, plate.shared)):
        if len(holes) >= 2:
            # sizes are judged afterwards, so that a pin too thick by a hair is not taken for a stop
            out += [one for one, _ in hole_motions([(h.x, h.y) for h in holes], within_mm=least_mm)]
    return out


def judge_plates(
    plates: Sequence[StackedPlate],
    *,
    least_mm: float = LEAST_MISS_MM,
    seen_mm: float = SEEN_MM,
    swaps: bool = True,
) -> OneWay:
    """Return whether plates go together one way only, with every wrong way and what stops it.

    Parameters
    ----------
    plates : sequence of StackedPlate
        The stack, top first.
    least_mm : float
        By how much pins or shared holes are to miss.
    seen_mm : float
        An outline that stands off by so much is seen to be wrong.
    swaps : bool
        Whether two plates in each other's place count.

    Raises
    ------
    InputError
        If there are no plates.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> holes = (RegisterHole(-25, -15, 2), RegisterHole(22, 15, 2))
    >>> plate = box(-30, -20, 30, 20)
    >>> stack = [StackedPlate("top", plate, down=holes), StackedPlate("base", plate, up=holes)]
    >>> judge_plates(stack, swaps=False).ways[2].reason
    'top turned half round: the pins miss by 3.00 mm'
    """
    if not plates:
        raise InputError("there are no plates to judge; give at least one")
    ways: list[WrongWay] = []
    for plate in plates:
        for motion in _motions(plate, seen_mm, least_mm):
            kind = "flip" if motion.flipped else "turn"
            ways.append(_judged((plate.name,), kind, motion, plate, plate, least_mm, seen_mm))
    for one, other in combinations(plates, 2) if swaps else ():
        ways.append(_swap(one, other, least_mm, seen_mm))
    ways.sort(key=lambda way: (bool(way.stopped_by), way.miss_mm, way.plates, way.motion.name))
    unstopped = [way for way in ways if not way.stopped_by]
    names = ", ".join(plate.name for plate in plates)
    if unstopped:
        more = f", and {len(unstopped) - 1} more wrong ways" if len(unstopped) > 1 else ""
        reason = unstopped[0].reason + more
    elif ways:
        reason = f"{names} go together one way only: of {len(ways)} wrong ways the nearest is {ways[0].reason}"
    else:
        reason = f"{names} go together one way only: no turn, flip or swap looks right"
    stopped_mm = min((way.miss_mm for way in ways), default=inf)
    return OneWay(not unstopped, tuple(ways), stopped_mm, _remedies(unstopped), reason)


def _swap(one: StackedPlate, other: StackedPlate, least_mm: float, seen_mm: float) -> WrongWay:
    """Judge two plates in each other's place: both have to fit there, each lying as suits it best."""
    found = []
    for needed, given in ((one, other), (other, one)):
        tried = [_still(needed.outline), *_motions(needed, seen_mm, least_mm)]
        judged = [_judged((one.name, other.name), "swap", motion, needed, given, least_mm, seen_mm) for motion in tried]
        # the one that goes in most easily
        found.append(min(judged, key=lambda way: (bool(way.stopped_by), way.miss_mm)))
    return max(found, key=lambda way: (bool(way.stopped_by), way.miss_mm))


def _remedies(ways: Sequence[WrongWay]) -> tuple[str, ...]:
    out = []
    for way in ways:
        what = " and ".join(way.plates)
        if way.kind == "swap":
            out.append(f"mark {what} with different punch marks, for they are alike to the pins")
        elif way.kind == "flip":
            out.append(f"move a pin of {what} off the line it is turned over about, or add a third pin")
        else:
            out.append(f"move a pin of {what}, take pins of two sizes, or add a third pin")
    return tuple(dict.fromkeys(out))
