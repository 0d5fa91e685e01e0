"""Which plates are drilled together, in which order, from where, and with which drill."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from shapely import Point, Polygon, affinity

from ctrecon.core.measured import Measured, format_short, format_value
from ctrecon.workshop.assembly.model import Assembly, Place, PlannedHole, PlannedPart
from ctrecon.workshop.drilling.checked import check_setups
from ctrecon.workshop.drilling.coordinates import Coordinate, Coordinates, PickUp, choose_pick_up
from ctrecon.workshop.drilling.drill_list import largest_up_to
from ctrecon.workshop.drilling.places import Place as ScanPlace
from ctrecon.workshop.drilling.places import ScanU
from ctrecon.workshop.drilling.plan import plan_drilling as order_drilling
from ctrecon.workshop.drilling.setups import DrillAxis
from ctrecon.workshop.drilling.setups import SetUp as PlateSet
from ctrecon.workshop.drilling.speeds import break_through, spindle_speed
from ctrecon.workshop.drills import drills
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.plan.model import GOOD, LOOK, Check, DrilledHole, Registration, SetUp
from ctrecon.workshop.squares import Method, SquarePlan, plan_square

__all__ = ["DrillingPlan", "drill_list", "plan_drilling", "set_up_id", "square_by"]

REAM_MM = 0.1
"""Left in a round hole for reamer, broach or boring to size (common practice, no source)."""

TO_SIZE_MM = 0.02
"""A drill so near below a size makes it without reaming (common practice, no source)."""

_DRILL = "drill-"

_METHODS: Mapping[str, Method] = {"file": "file", "drift": "drift", "broach": "broach"}


@dataclass(frozen=True)
class DrillingPlan:
    """Set-ups in order, the checks, and the squares by (part, hole)."""

    set_ups: tuple[SetUp, ...]
    checks: tuple[Check, ...]
    squares: Mapping[tuple[str, str], SquarePlan]
    pilots: Mapping[tuple[str, str], float]


@dataclass(frozen=True)
class _Axis:
    """What is drilled in one pass: a shared axis, a register pin or one plate's own hole."""

    id: str
    kind: str
    place: Place
    plates: tuple[str, ...]
    drill_mm: float
    drill: str
    then: str


def drill_list(assembly: Assembly) -> dict[str, float]:
    """Return the drills to choose from, by name: those at hand, else the metric series."""
    if assembly.stock.drills_mm:
        return {f"{format_short(mm)} mm": mm for mm in assembly.stock.drills_mm}
    return {f"{format_short(one.diameter_mm)} mm": one.diameter_mm for one in drills("metric")}


def square_by(assembly: Assembly, flats: float) -> SquarePlan:
    """Return how the shop makes a square hole of this size (mm): its pilot by its method and the drills at hand."""
    return plan_square(flats, _METHODS[assembly.shop.square_method], drill_list(assembly))


def set_up_id(plates: Sequence[str]) -> str:
    """Return what the plan calls the step that drills these plates together: the same whatever the order of work."""
    return _DRILL + "+".join(plates)


def plan_drilling(
    assembly: Assembly, registrations: Sequence[Registration], to_make: Mapping[str, float]
) -> DrillingPlan:
    """Find the set-ups, their order, coordinates and drills.

    Parameters
    ----------
    assembly : Assembly
        Plates, axes, shop habits; steps done stay done.
    registrations : sequence of Registration
        Register pins, top pair first; each next plate waits for those above it.
    to_make : mapping of str to float
        Sizes to make (mm) by key.

    Raises
    ------
    PlanError
        If no drill serves a hole, or the file's set-ups can't drill it.
    """
    squares: dict[tuple[str, str], SquarePlan] = {}
    pilots: dict[tuple[str, str], float] = {}
    axes = [*_pin_axes(registrations), *_hole_axes(assembly, to_make, squares, pilots)]
    wanted = [DrillAxis(one.id, frozenset(one.plates), matched=len(one.plates) > 1) for one in axes]
    forced = assembly.overrides.set_ups
    pins = [pin.id for one in registrations for pin in one.pins]
    worked = [frozenset(ident.removeprefix(_DRILL).split("+")) for ident in assembly.done if ident.startswith(_DRILL)]
    if forced:
        turn = {plates: k for k, plates in enumerate(worked)}  # what is done stays first
        asked = _forced(assembly, wanted, forced)
        sets, order = tuple(sorted(asked, key=lambda one: turn.get(frozenset(one.plates), len(turn)))), None
        try:
            why = f"set by the file; {check_setups(sets, wanted)}"
        except PlanError as error:
            raise PlanError(f"{assembly.source}: overrides.set_ups: {error}") from None
    else:
        plan = order_drilling(wanted, assembly.stack, pins=pins, worked=worked)
        sets, order, why = tuple(one.setup for one in plan.steps), plan.order, plan.reason
        for one in sets:
            why = re.sub(rf"\b{one.id}\b", " + ".join(assembly[plate].name for plate in one.plates), why)
    moves = "" if order is None else f", {order.moves} plates put in or taken out"
    check = Check(
        topic="drilling",
        about=assembly.stack[0],
        says=f"{len(sets)} {'set-up' if len(sets) == 1 else 'set-ups'}{moves}.",
        why=f"{why}.",
        state=GOOD if order is None or not order.broken else LOOK,
        overridden=bool(forced),
    )
    made: list[SetUp] = []
    drilled: set[str] = set()
    for number, one in enumerate(sets, 1):
        made.append(_set_up(assembly, one, axes, drilled, registrations, f"U{number}"))
        drilled |= set(one.axes)
    return DrillingPlan(tuple(made), (check,), squares, pilots)


def _forced(assembly: Assembly, wanted: Sequence[DrillAxis], sets: Sequence[Sequence[str]]) -> tuple[PlateSet, ...]:
    """Return the file's set-ups, each with the axes that go through exactly its plates or lie in them alone."""
    out = []
    for number, plates in enumerate(sets, 1):
        ordered = tuple(one for one in assembly.stack if one in plates)
        mine = tuple(
            one.id
            for one in wanted
            if one.plates == frozenset(ordered) or (not one.matched and frozenset(ordered) <= one.plates)
        )
        out.append(PlateSet(f"S{number}", ordered, mine, mine, "set by the file"))
    return tuple(out)


def _pin_axes(registrations: Sequence[Registration]) -> Iterator[_Axis]:
    for one in registrations:
        for pin in one.pins:
            place = Place(x=Measured(pin.x, 0.0), y=Measured(pin.y, 0.0))
            then = f"open with the taper broach to {format_value(pin.entry_mm, 2)} mm at the top, with the pin as gauge"
            yield _Axis(pin.id, "pin", place, (one.upper, one.lower), pin.pilot_mm, pin.pilot, then)


def _hole_axes(
    assembly: Assembly,
    to_make: Mapping[str, float],
    squares: dict[tuple[str, str], SquarePlan],
    pilots: dict[tuple[str, str], float],
) -> Iterator[_Axis]:
    at_hand = drill_list(assembly)
    shared: dict[str, list[tuple[PlannedPart, PlannedHole]]] = {}
    for plate in assembly.plates:
        for hole in plate.holes:
            name = hole.axis if hole.axis is not None else f"{plate.id}.{hole.id}"
            shared.setdefault(name, []).append((plate, hole))
    axes = {one.id: one for one in assembly.axes}
    for name, members in shared.items():
        most = []
        for plate, hole in members:
            size = to_make.get(hole.size_key, hole.size.value)
            if hole.form.square:
                plan = square_by(assembly, size)
                squares[plate.id, hole.id] = plan
                most.append(plan.drill.diameter_mm)
            else:
                direct = largest_up_to(at_hand, size + 1e-6, f"the hole of {format_short(size)} mm in {plate.name}")
                right = size - direct.diameter_mm <= TO_SIZE_MM
                most.append(direct.diameter_mm if right else size - REAM_MM)
        limit = min(most)
        drill = largest_up_to(at_hand, limit + 1e-6, f"the {axes[name].name if name in axes else name}")
        for plate, hole in members:
            pilots[plate.id, hole.id] = drill.diameter_mm
        place = axes[name].place if name in axes else members[0][1].place
        plates = tuple(plate.id for plate, _ in members)
        then = "" if len(plates) > 1 else _then(members[0][1], drill.diameter_mm, to_make)
        if len(plates) > 1:
            then = "open plate by plate afterwards"
        yield _Axis(name, "shared" if len(plates) > 1 else "own", place, plates, drill.diameter_mm, drill.name, then)


def _then(hole: PlannedHole, drill_mm: float, to_make: Mapping[str, float]) -> str:
    size = to_make.get(hole.size_key, hole.size.value)
    if hole.form.square:
        return f"then the square of {format_value(size, 2)} mm"
    return "" if size - drill_mm <= TO_SIZE_MM else f"open to {format_value(size, 2)} mm"


def _scan_of(plate: PlannedPart) -> str | None:
    return next((one.scan for one in plate.sizes.values() if one.scan), None)


def _scan_place(place: Place, scan: str | None) -> ScanPlace:
    return ScanPlace(place.x.value, place.y.value, place.x.u or 0.0, place.y.u or 0.0, scan=scan)


def _set_up(
    assembly: Assembly,
    plates: PlateSet,
    axes: Sequence[_Axis],
    drilled: set[str],
    registrations: Sequence[Registration],
    ident: str,
) -> SetUp:
    mine = [one for one in axes if one.id in plates.axes]
    top = assembly[plates.plates[0]]
    scan = _scan_of(top)
    holes = {one.id: _scan_place(one.place, None if one.kind == "pin" else scan) for one in mine}
    scans = _scans(top, scan)
    found = choose_pick_up(_pick_ups(assembly, top, axes, drilled, scan), holes, plates.plates, scans=scans)
    zero = _zero_of(found, assembly, top)
    by_id = {one.id: one for one in mine}
    drilled_here = tuple(_drilled(assembly, one, by_id[one.id]) for one in found.holes)
    thick = sum(assembly[one].thickness.value for one in plates.plates)
    largest = max(one.drill_mm for one in mine)
    feed = break_through(thick, largest)
    shifted = {one: affinity.translate(assembly[one].outline, -zero[0], -zero[1]) for one in plates.plates}
    there = tuple(
        (one.id, _disc_of(one, zero)) for one in axes if one.id in drilled and set(one.plates) & set(plates.plates)
    )
    pins = tuple(
        (pin.id, pin.x - zero[0], pin.y - zero[1])
        for one in registrations
        if {one.upper, one.lower} <= set(plates.plates)
        for pin in one.pins
        if pin.id in drilled
    )
    pinned = {name for name, _, _ in pins}
    return SetUp(
        id=ident,
        plates=plates.plates,
        face_up="top",
        pick_up=(
            f"Pick up {found.reason}. Clamp on a backing board and feed {format_value(feed.depth, 1)} mm "
            "from first touch with the largest drill."
        ),
        holes=drilled_here,
        outlines=tuple((name, shape) for name, shape in shifted.items() if isinstance(shape, Polygon)),
        there=tuple(one for one in there if one[0] not in pinned),
        pins=pins,
        reason=f"{plates.reason}.",
    )


def _disc_of(axis: _Axis, zero: tuple[float, float]) -> Polygon:
    x, y = axis.place.xy
    return Point(x - zero[0], y - zero[1]).buffer(axis.drill_mm / 2, 32)


def _scans(top: PlannedPart, scan: str | None) -> dict[str, ScanU]:
    if scan is None:
        return {}
    thickness = next((one for one in top.sizes.values() if one.scan == scan and one.scale_u), None)
    rel = 0.0 if thickness is None or not thickness.scale_u else thickness.scale_u / thickness.value
    return {scan: ScanU(scale=rel)}


def _pick_ups(
    assembly: Assembly, top: PlannedPart, axes: Sequence[_Axis], drilled: set[str], scan: str | None
) -> list[PickUp]:
    left, low, _, _ = top.outline.bounds
    u = assembly.shop.place_tolerance_mm / 2
    edges = PickUp("at the left and the lower edge", "edges", ScanPlace(left, low, u, u), frozenset((top.id,)))
    out = [edges]
    for one in axes:
        if one.id in drilled and top.id in one.plates and one.kind == "shared":
            name = next((axis.name for axis in assembly.axes if axis.id == one.id), one.id)
            out.append(PickUp(f"the {name}", "bearing", _scan_place(one.place, scan), frozenset(one.plates)))
    return out


def _zero_of(found: Coordinates, assembly: Assembly, top: PlannedPart) -> tuple[float, float]:
    """Return the zero of a set-up in the assembly frame."""
    for one in assembly.axes:
        if found.pick_up == f"the {one.name}":
            return one.place.xy
    left, low, _, _ = top.outline.bounds
    return left, low


def _drilled(assembly: Assembly, found: Coordinate, axis: _Axis) -> DrilledHole:
    speed = spindle_speed(
        axis.drill_mm, highest=assembly.shop.highest_speed_rpm, m_min=assembly.shop.cutting_speed_m_min
    )
    return DrilledHole(
        id=axis.id,
        x=Measured(found.x, found.u_x),
        y=Measured(found.y, found.u_y),
        drill_mm=axis.drill_mm,
        drill=axis.drill,
        rpm=speed.rpm,
        then=axis.then,
        kind=axis.kind,
    )
