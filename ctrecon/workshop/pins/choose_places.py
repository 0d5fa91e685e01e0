"""Register pins of plates that fit one way only: uneven places first, then pins of two sizes, then a third pin."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf

import numpy as np

from ctrecon.core.measured import format_value
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.pins.condition import LEAST_MISS_MM, one_way_condition
from ctrecon.workshop.pins.free_area import PIN_APART_DIAMETERS, FreeArea, Obstacle
from ctrecon.workshop.pins.misses import least_miss_mm
from ctrecon.workshop.pins.motions import SEEN_MM, Motion, hole_motions, outline_off_mm, outline_symmetry
from ctrecon.workshop.pins.one_way import OneWay, RegisterHole, StackedPlate, judge_plates
from ctrecon.workshop.pins.place import PinPlace, Placement, check_place, place_pins
from ctrecon.workshop.pins.search import apart, border_places

__all__ = ["DEAREST_SHARE", "Level", "OneWayPins", "one_way_pins", "pins_of_levels", "third_pin"]

DEAREST_SHARE = 0.85
"""Uneven places may bring two pins nearer than they could lie, down to this share: common practice, no source."""


@dataclass(frozen=True)
class OneWayPins:
    """Register pins of plates that lie on each other.

    Parameters
    ----------
    plates : tuple of str
        The plates they hold.
    placement : Placement
        Two pins.
    third : PinPlace or None
        The third pin where one is needed.
    diameters_mm : tuple of float
        Diameter of each pin at its thick end, the third last.
    how : str
        ``uneven place``, ``shared holes`` (outline and other holes stop every wrong way), ``unequal pins``,
        ``third pin``, or ``as given``.
    judged : OneWay
        Every wrong turn and flip, and what stops it.
    reason : str
        The choice in one sentence.
    """

    plates: tuple[str, ...]
    placement: Placement
    third: PinPlace | None
    diameters_mm: tuple[float, ...]
    how: str
    judged: OneWay
    reason: str

    @property
    def pins(self) -> tuple[PinPlace, ...]:
        """All pins."""
        return self.placement.pins if self.third is None else (*self.placement.pins, self.third)

    @property
    def holes(self) -> tuple[RegisterHole, ...]:
        """The pins' holes, to judge a stack by."""
        return tuple(
            RegisterHole(pin.x, pin.y, size, f"pin {i}")
            for i, (pin, size) in enumerate(zip(self.pins, self.diameters_mm, strict=True), start=1)
        )


def third_pin(
    area: FreeArea,
    places: Sequence[tuple[float, float]],
    *,
    apart_mm: float | None = None,
    least_mm: float = LEAST_MISS_MM,
    seen_mm: float = SEEN_MM,
) -> tuple[PinPlace, float]:
    """Return a third pin that makes every wrong turn and flip miss, far from the other two, and by how much all miss.

    Parameters
    ----------
    area : FreeArea
        Where pins may go.
    places : sequence of (x, y)
        The two pins (mm).
    apart_mm : float, optional
        How far it is to lie from them at least; three diameters when not given.
    least_mm : float
        By how much pins are to miss; beyond twice that, distance from the others counts.
    seen_mm : float
        An outline that stands off by so much is seen to be wrong.

    Raises
    ------
    PlanError
        If no place makes all miss by `least_mm`.
    """
    least = PIN_APART_DIAMETERS * area.pin_mm if apart_mm is None else apart_mm
    two = np.array(places, float)
    candidates = np.vstack([area.corners, border_places(area)])
    away = apart(candidates, two).min(axis=1) if len(candidates) else np.empty(0)
    candidates, away = candidates[away >= least], away[away >= least]
    wrong = _wrong_motions(area, places, seen_mm)

    def missed(x: float, y: float) -> float:
        three = np.vstack([two, (x, y)])
        return min((least_miss_mm(three, one(three), [0.0] * 3, [0.0] * 3) for one in wrong), default=inf)

    best: tuple[float, float, int] | None = None
    for k in range(len(candidates)):
        score = (min(missed(*candidates[k]), 2 * least_mm), float(away[k]), -k)
        if best is None or score > best:
            best = score
    if best is None or best[0] < least_mm - 1e-9:
        far = 0.0 if best is None else best[0]
        raise PlanError(
            f"no third pin in {' and '.join(area.plates)} makes every wrong turn miss by "
            f"{format_value(least_mm, 2)} mm: the best misses by {format_value(far, 2)} mm; {area.reason}"
        )
    x, y = map(float, candidates[-best[2]])
    return check_place(area, x, y, fixed=False), missed(x, y)


def _wrong_motions(area: FreeArea, places: Sequence[tuple[float, float]], seen_mm: float) -> list[Motion]:
    out: list[Motion] = []
    for outline in area.outlines:
        out += outline_symmetry(outline, seen_mm=seen_mm).motions
        out += [one for one, _ in hole_motions(places) if outline_off_mm(outline, one) < seen_mm]
    return list(dict.fromkeys(out))


def _judge(
    area: FreeArea, holes: Sequence[RegisterHole], shared: Sequence[RegisterHole], least_mm: float, seen_mm: float
) -> OneWay:
    plates = [
        StackedPlate(name, outline, down=tuple(holes), shared=tuple(shared))
        for name, outline in zip(area.plates, area.outlines, strict=True)
    ]
    return judge_plates(plates, least_mm=least_mm, seen_mm=seen_mm, swaps=False)


def _made(
    plates: tuple[str, ...],
    placement: Placement,
    third: PinPlace | None,
    sizes: tuple[float, ...],
    how: str,
    judged: OneWay,
) -> OneWayPins:
    both = " and ".join(format_value(one, 2) for one in sizes)
    words = {
        "uneven place": "two equal pins at uneven places",
        "shared holes": "two equal pins where they lie farthest apart, for outline and other holes stop a wrong turn",
        "unequal pins": f"pins of {both} mm, for equal ones fit more ways",
        "third pin": "a third pin, for two fit more ways",
        "as given": "pins as given",
    }
    extra = f"; the third at ({format_value(third.x, 3)}, {format_value(third.y, 3)})" if third else ""
    miss = "no wrong turn or flip looks right"
    if judged.ways:
        miss = f"of {len(judged.ways)} wrong turns and flips the nearest is {judged.ways[0].reason}"
    return OneWayPins(plates, placement, third, sizes, how, judged, f"{words[how]}: {placement.reason}{extra}; {miss}")


# long: the ways to make plates fit one way only, in the order they are tried
def one_way_pins(
    area: FreeArea,
    *,
    shared: Sequence[RegisterHole] = (),
    other_pin_mm: float | None = None,
    least_mm: float = LEAST_MISS_MM,
    seen_mm: float = SEEN_MM,
    apart_mm: float | None = None,
    fixed: Sequence[tuple[float, float]] = (),
) -> OneWayPins:
    """Return register pins that let plates go together one way only, judged with outline and other shared holes.

    Two equal pins at uneven places are tried first; they cost no other tool. Where that brings them too near, the pins
    stay where they are farthest apart if outline and shared holes stop every wrong way. Then pins of two sizes, then a
    third pin.

    Parameters
    ----------
    area : FreeArea
        Where pins may go.
    shared : sequence of RegisterHole
        Other holes in which something stands that both plates hold.
    other_pin_mm : float, optional
        Diameter of a second size of pin at hand, thinner than that of the area.
    least_mm : float
        By how much pins are to miss at each wrong turn or flip.
    seen_mm : float
        An outline that stands off by so much is seen to be wrong.
    apart_mm : float, optional
        How far apart pins lie at least; three diameters when not given.
    fixed : sequence of (x, y)
        Pins the user placed: one or two are kept, and checked.

    Raises
    ------
    PlanError
        If there is no place, or nothing makes the plates fit one way only.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> from ctrecon.workshop.pins.free_area import free_area
    >>> area = free_area({"top": box(0, 0, 60, 40), "base": box(0, 0, 60, 40)}, pin_mm=2, edge_mm=2)
    >>> chosen = one_way_pins(area)
    >>> chosen.how, round(chosen.judged.miss_mm, 3)
    ('uneven place', 2.0)
    """
    size = area.pin_mm
    refused: list[str] = []
    condition = one_way_condition(*area.outlines, least_mm=least_mm, seen_mm=seen_mm)
    plain = place_pins(area, apart_mm=apart_mm, fixed=fixed)
    if len(fixed) == 2:
        tries = [("as given", (size, size), plain)]
    else:
        tries = []
        try:
            uneven = place_pins(area, condition=condition, apart_mm=apart_mm, fixed=fixed)
        except PlanError as why:
            refused.append(f"uneven places: {why}")
            tries = [("shared holes", (size, size), plain)]
        else:
            near = uneven.distance_mm < DEAREST_SHARE * plain.distance_mm
            tries = [("uneven place", (size, size), uneven)]
            tries.insert(0 if near else 1, ("shared holes", (size, size), plain))
    if other_pin_mm is not None and abs(other_pin_mm - size) > 1e-9 and not fixed:
        try:
            unequal = place_pins(area, condition=replace(condition, unequal=True), apart_mm=apart_mm)
            tries.append(("unequal pins", (size, other_pin_mm), unequal))
        except PlanError as why:
            refused.append(f"pins of two sizes: {why}")
    for how, sizes, placement in tries:
        holes = [RegisterHole(pin.x, pin.y, one) for pin, one in zip(placement.pins, sizes, strict=True)]
        judged = _judge(area, holes, shared, least_mm, seen_mm)
        if judged.ok:
            return _made(area.plates, placement, None, sizes, how, judged)
        refused.append(f"{how}: {judged.reason}")
    try:
        third, _ = third_pin(
            area, [pin.xy for pin in plain.pins], apart_mm=apart_mm, least_mm=least_mm, seen_mm=seen_mm
        )
    except PlanError as why:
        refused.append(f"third pin: {why}")
    else:
        holes = [RegisterHole(pin.x, pin.y, size) for pin in (*plain.pins, third)]
        judged = _judge(area, holes, shared, least_mm, seen_mm)
        if judged.ok:
            return _made(area.plates, plain, third, (size,) * 3, "third pin", judged)
        refused.append(f"third pin: {judged.reason}")
    raise PlanError(f"no pins let {' and '.join(area.plates)} go together one way only; {'; '.join(refused)}")


@dataclass(frozen=True)
class Level:
    """A pair of plates to be registered.

    Parameters
    ----------
    area : FreeArea
        Where its pins may go, pins of other pairs left out.
    shared : tuple of RegisterHole
        Other holes in which something stands that both plates hold.
    other_pin_mm : float or None
        A second size of pin at hand.
    fixed : tuple of (x, y)
        Pins the user placed.
    """

    area: FreeArea
    shared: tuple[RegisterHole, ...] = ()
    other_pin_mm: float | None = None
    fixed: tuple[tuple[float, float], ...] = ()


def pins_of_levels(
    levels: Sequence[Level],
    *,
    least_mm: float = LEAST_MISS_MM,
    seen_mm: float = SEEN_MM,
    apart_mm: float | None = None,
) -> tuple[OneWayPins, ...]:
    """Return the pins of every pair of plates in a stack, out of each other's way.

    Pins the user placed keep their place; of the other pairs the one with least room is served first. Its pins keep the
    rest off, and so do the places to which a wrong turn or flip would bring them: no pin stands over another, and no
    plate can be turned, flipped or swapped so that one pair of pins comes to the holes of another.

    Parameters
    ----------
    levels : sequence of Level
        Pairs of plates, top first.
    least_mm, seen_mm, apart_mm : float
        As for `one_way_pins`.

    Raises
    ------
    PlanError
        If a pair has no place, naming the pair and the limit.
    """
    order = sorted(range(len(levels)), key=lambda k: (-len(levels[k].fixed), round(levels[k].area.area_mm2, 6), k))
    done: dict[int, OneWayPins] = {}
    for k in order:
        level = levels[k]
        kept = level.area
        for i in sorted(done):
            sized = zip(done[i].pins, done[i].diameters_mm, strict=True)
            name = f"pin of {' and '.join(levels[i].area.plates)}"
            kept = kept.with_pins([(*pin.xy, size) for pin, size in sized], name=name)
        # pins of all pairs first, then of those that share a plate with this one, which matter most
        near = {i: one for i, one in done.items() if abs(i - k) == 1}
        areas = [_with_images(kept, done, least_mm, seen_mm)]
        if len(near) < len(done):
            areas.append(_with_images(kept, near, least_mm, seen_mm))
        for area in [kept] if len(level.fixed) == 2 else areas:
            try:
                done[k] = one_way_pins(
                    area, shared=level.shared, other_pin_mm=level.other_pin_mm, least_mm=least_mm, seen_mm=seen_mm,
                    apart_mm=apart_mm, fixed=level.fixed,
                )  # fmt: skip
            except PlanError:
                if area is areas[-1] or len(level.fixed) == 2:
                    raise
            else:
                break
    return tuple(done[k] for k in range(len(levels)))


def _with_images(area: FreeArea, done: dict[int, OneWayPins], least_mm: float, seen_mm: float) -> FreeArea:
    """Return the area without the places to which wrong turns and flips bring pins of other pairs.

    A plate that holds two pairs of pins could else be turned so that either pair comes to the other's holes.
    """
    found = [outline_symmetry(outline, seen_mm=seen_mm) for outline in area.outlines]
    motions = dict.fromkeys(motion for one in found for motion in one.motions)
    more = []
    for i in sorted(done):
        for j, pin in enumerate(done[i].pins, start=1):
            for motion in motions:
                x, y = map(float, motion(np.array([pin.xy]))[0])
                name = f"place of pin {j} of {' and '.join(done[i].plates)} {motion.name}"
                more.append(Obstacle(name, "pin", disc=(x, y, 0.0), margin_mm=max(0.0, least_mm - area.pin_mm / 2)))
    return replace(area, obstacles=(*area.obstacles, *more))
