"""Register pins of the whole stack: where they may go, which, their holes, and that plates fit one way only."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from math import hypot

from shapely import Point, Polygon

from ctrecon.core.measured import format_short, format_value
from ctrecon.workshop.assembly.model import Assembly, PlannedPart
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.pins.broach import five_sided_broach
from ctrecon.workshop.pins.choose import PinChoice, choose_pin
from ctrecon.workshop.pins.choose_places import Level, OneWayPins, pins_of_levels
from ctrecon.workshop.pins.free_area import FreeArea, Obstacle, free_area
from ctrecon.workshop.pins.one_way import RegisterHole, StackedPlate, judge_plates
from ctrecon.workshop.pins.place import place_pins
from ctrecon.workshop.pins.tapered import depth_stop
from ctrecon.workshop.plan.model import FAILS, GOOD, LOOK, Check, PlacedPin, Registration
from ctrecon.workshop.plan.turning import centre_of, swept_radius

__all__ = ["register"]

_ROUND = 0.001
_EVEN_MM = 0.01
"""Outlines are smoothed so far, and the margin to the edge is as much wider: a scan's outline has many points."""

_MOST_FIXED = 2
"""So many pins hold a pair; a third is found by the plan where two let it go together wrongly."""

_KINDS = {"pillar": "pillar", "ring": "ring", "spacer": "ring", "wheel": "wheel", "hub": "wheel", "bearing": "bearing"}


@dataclass(frozen=True)
class _Pair:
    upper: PlannedPart
    lower: PlannedPart
    obstacles: tuple[Obstacle, ...]
    choice: PinChoice
    area: FreeArea


def register(assembly: Assembly) -> tuple[tuple[Registration, ...], tuple[Check, ...]]:
    """Place the register pins of every pair of neighbouring plates, top down.

    Raises
    ------
    PlanError
        If a pair has no place for its pins, or none that fits one way only; the sentence names what limits it.
    """
    plates = assembly.plates
    if len(plates) < 2:
        return (), ()
    pairs = [_pair(assembly, upper, lower) for upper, lower in pairwise(plates)]
    levels = [
        Level(one.area, _shared(assembly, one), None, assembly.overrides.pins.get((one.upper.id, one.lower.id), ()))
        for one in pairs
    ]
    found = pins_of_levels(levels, least_mm=assembly.shop.one_way_miss_mm)
    number = 0
    out = []
    checks = []
    for pair, pins in zip(pairs, found, strict=True):
        placed, number = _placed(assembly, pair, pins, number)
        out.append(placed)
        own = (pair.upper.id, pair.lower.id) in assembly.overrides.pins
        state = LOOK if pair.choice.warnings or not pins.judged.ok else GOOD
        names = f"{pair.upper.name} to {pair.lower.name}"
        says = (
            f"{names}: {len(placed.pins)} pins of {pair.choice.pin.basic_mm:g} mm, "
            f"{format_value(placed.distance_mm, 2)} mm apart."
        )
        why = " ".join(f"{text}." for text in (pins.reason, pair.choice.reason, *pair.choice.warnings))
        checks.append(
            Check(topic="register pins", about=pair.upper.id, says=says, why=why, state=state, overridden=own)
        )
    checks.append(_whole_stack(assembly, pairs, found))
    return tuple(out), tuple(checks)


def _pair(assembly: Assembly, upper: PlannedPart, lower: PlannedPart) -> _Pair:
    obstacles = tuple(_obstacles(assembly, upper, lower))
    shop = assembly.shop

    outlines = {one.name: _even(one.outline) for one in (upper, lower)}

    def area_for(pin_mm: float) -> FreeArea:
        edge = max(shop.edge_margin_mm, (shop.pin_edge_diameters - 0.5) * pin_mm)
        return free_area(outlines, obstacles, pin_mm=pin_mm, edge_mm=edge + _EVEN_MM)

    fixed = assembly.overrides.pins.get((upper.id, lower.id), ())
    if len(fixed) > _MOST_FIXED:
        why = f"{len(fixed)} places are given, and two pins are placed; give two at most"
        raise PlanError(f"{assembly.source}: overrides.pins.{upper.id}/{lower.id}: {why}")

    def has_place(pin_mm: float) -> str | None:
        try:
            place_pins(area_for(pin_mm), apart_mm=shop.pin_spacing_diameters * pin_mm, fixed=fixed)
        except PlanError as error:
            return str(error)
        return None

    thick = [upper.thickness.value, lower.thickness.value]
    wide = 2 * hypot(upper.thickness.u or 0.0, lower.thickness.u or 0.0)
    choice = choose_pin(
        thick,
        standard="iso" if str(shop.pin_taper) == "50" else "inch",
        has_place=has_place,
        set_below_mm=shop.pin_below_face_mm,
        end_above_mm=shop.pin_below_face_mm,
        stack_U_mm=wide,
    )
    return _Pair(upper, lower, obstacles, choice, area_for(choice.hole.entry_mm))


def _even(outline: Polygon) -> Polygon:
    even = outline.simplify(_EVEN_MM)
    return even if isinstance(even, Polygon) and even.is_valid else outline


def _obstacles(assembly: Assembly, upper: PlannedPart, lower: PlannedPart) -> Iterator[Obstacle]:
    shop = assembly.shop
    axes = {one.id: one.name for one in assembly.axes}
    for plate in (upper, lower):
        for hole in plate.holes:
            name = f"{axes.get(hole.axis or '', hole.id)} hole of {plate.name}"
            disc = (*hole.place.xy, hole.size.value / 2) if hole.form.round else None
            yield Obstacle(name, "hole", shape=None if disc else _even(hole.shape), disc=disc)
        for k, seam in enumerate(plate.seams, 1):
            yield Obstacle(f"seam {k} of {plate.name}", "seam", shape=_even(seam), margin_mm=shop.seam_margin_mm)
    for part in assembly.parts:
        if part.role == "plate":
            continue
        yield from _part_obstacles(assembly, part, upper, lower)
    for one in assembly.keep_outs:
        if upper.id in one.plates or lower.id in one.plates:
            margin = shop.keep_out_margin_mm if one.margin_mm is None else one.margin_mm
            yield Obstacle(one.name, "keep-out", shape=_even(one.shape), margin_mm=margin)


def _part_obstacles(
    assembly: Assembly, part: PlannedPart, upper: PlannedPart, lower: PlannedPart
) -> Iterator[Obstacle]:
    """Return what a part takes where it lies on or in one of the plates, or turns beside their faces."""
    near = assembly.shop.sweep_margin_mm if part.moving else 1e-6
    margin = assembly.shop.sweep_margin_mm if part.moving else assembly.shop.keep_out_margin_mm
    kind = _KINDS.get(part.role, "ring")
    sections = [(one.shape, one.from_z, one.to_z) for one in part.steps] or [(part.outline, part.from_z, part.to_z)]
    for shape, low, high in sections:
        if not any(low <= plate.to_z + near and high >= plate.from_z - near for plate in (upper, lower)):
            continue
        if part.moving:
            centre = centre_of(assembly, part)
            yield Obstacle(part.name, kind, disc=(*centre, swept_radius(part, shape, centre)), margin_mm=margin)
            continue
        disc = _disc(shape)
        yield Obstacle(part.name, kind, shape=None if disc else _even(shape), disc=disc, margin_mm=margin)


def _disc(shape: Polygon) -> tuple[float, float, float] | None:
    """Return centre and radius of a round section, None for any other."""
    middle = shape.centroid
    radii = [middle.distance(Point(x, y)) for x, y in shape.exterior.coords]
    if len(radii) < 24 or max(radii) - min(radii) > _ROUND * max(radii):
        return None
    return middle.x, middle.y, max(radii)


def _shared(assembly: Assembly, pair: _Pair) -> tuple[RegisterHole, ...]:
    out = []
    for axis in assembly.axes:
        upper, lower = pair.upper.hole_on(axis.id), pair.lower.hole_on(axis.id)
        if upper is not None and lower is not None and _something_stands(assembly, axis.id):
            x, y = axis.place.xy
            out.append(RegisterHole(x, y, min(upper.size.value, lower.size.value), axis.name))
    return tuple(out)


def _something_stands(assembly: Assembly, axis: str) -> bool:
    return any(part.axis == axis and part.role != "plate" for part in assembly.parts)


def _placed(assembly: Assembly, pair: _Pair, pins: OneWayPins, number: int) -> tuple[Registration, int]:
    hole, length = pair.choice.hole, pair.choice.length
    stop = depth_stop(hole, tolerance_mm=pair.choice.pin.tolerance_mm)
    cut = f", {format_value(length.cut_mm, 1)} mm cut off the {length.cut_end} end" if length.cut_mm else ""
    says = [
        hole.reason,
        five_sided_broach(hole.entry_mm).reason,
        f"countersink both faces lightly, {format_value(assembly.shop.pin_countersink_mm, 1)} mm, so "
        "that no burr holds the plates apart",
    ]
    placed = []
    for place, _ in zip(pins.pins, pins.diameters_mm, strict=True):
        number += 1
        placed.append(
            PlacedPin(
                id=f"P{number}",
                x=place.x,
                y=place.y,
                pin=f"taper pin {pair.choice.pin} x {length.bought.label}{cut}",
                entry_mm=hole.entry_mm,
                exit_mm=hole.exit_mm,
                pilot_mm=hole.pilot.drill.diameter_mm,
                pilot=f"{format_short(hole.pilot.drill.diameter_mm)} mm",
                length_mm=length.length_mm,
                below_mm=length.set_below_mm,
                above_mm=length.end_above_mm,
                says=(f"{stop.reason}.",),
            )
        )
    obstacles = tuple((one.name, one.grown(0.0, 32)) for one in pair.obstacles)
    sentences = tuple(f"{text}." for text in (pins.reason, pair.area.reason, pair.choice.reason, length.reason, *says))
    registration = Registration(
        upper=pair.upper.id,
        lower=pair.lower.id,
        pins=tuple(placed),
        region=pair.area.region,
        obstacles=obstacles,
        distance_mm=pins.placement.distance_mm,
        miss_mm=pins.judged.miss_mm,
        says=sentences,
    )
    return registration, number


def _whole_stack(assembly: Assembly, pairs: list[_Pair], found: tuple[OneWayPins, ...]) -> Check:
    """Judge all plates at once, swaps included."""
    plates = []
    for k, plate in enumerate(assembly.plates):
        down = found[k].holes if k < len(found) else ()
        up = found[k - 1].holes if k > 0 else ()
        shared = tuple(
            dict.fromkeys(
                hole for one in pairs if plate.id in (one.upper.id, one.lower.id) for hole in _shared(assembly, one)
            )
        )
        plates.append(StackedPlate(plate.name, _even(plate.outline), up=up, down=down, shared=shared))
    judged = judge_plates(plates, least_mm=assembly.shop.one_way_miss_mm)
    why = " ".join(f"{text}." for text in judged.remedies)
    return Check(
        topic="register pins",
        about=assembly.stack[0],
        says=f"{judged.reason}.",
        why=why,
        # plates in each other's place are told apart by marking them, so that the work can go on
        state=GOOD if judged.ok else LOOK if all(one.kind == "swap" for one in judged.open_ways) else FAILS,
    )
