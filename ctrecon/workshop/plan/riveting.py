"""What is riveted: length of shank for the head, hole, distance from the edge, and how deep a shoulder is let in."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import hypot

from shapely import Point

from ctrecon.core.measured import format_short, format_value
from ctrecon.workshop.assembly.model import Assembly, RivetSet
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.plan.drilling import drill_list
from ctrecon.workshop.plan.joints import Joint, find_joints
from ctrecon.workshop.plan.model import FAILS, GOOD, LOOK, Check
from ctrecon.workshop.rivet_places import rivet_diameter, rivet_hole, rivet_spacing
from ctrecon.workshop.rivets import countersink, rivet_length
from ctrecon.workshop.shoulders import shoulder_seat

__all__ = ["Riveting", "plan_rivets"]

_SUNK = ("countersunk_90", "countersunk_60", "raised_45")


@dataclass(frozen=True)
class Riveting:
    """One riveted joint: what to call it, its parts, what to do, and the check; `rivets` is the set to buy, if any."""

    id: str
    parts: tuple[str, ...]
    does: tuple[str, ...]
    check: Check
    rivets: RivetSet | None = None
    length_mm: float | None = None


def plan_rivets(assembly: Assembly, to_make: Mapping[str, float]) -> tuple[Riveting, ...]:
    """Plan every set of rivets and every step that is riveted over.

    Parameters
    ----------
    assembly : Assembly
        Its rivets, and the parts that say which of their steps are riveted over.
    to_make : mapping of str to float
        Sizes to make (mm) by key.
    """
    return (*_sets(assembly, to_make), *_shoulders(assembly, to_make))


def _sets(assembly: Assembly, to_make: Mapping[str, float]) -> Iterator[Riveting]:
    for one in assembly.rivets:
        parts = [assembly[ident] for ident in one.parts]
        sheets = [to_make.get(f"{part.id}.thickness", part.thickness.value) for part in parts]
        grip = sum(sheets)
        about, name = one.parts[0], one.name
        try:
            drill = rivet_hole(one.diameter_mm, drill_list(assembly))
            length = rivet_length(grip, one.diameter_mm, one.head, hole=drill.drill.diameter_mm)  # type: ignore[arg-type]
            edge = min(part.outline.exterior.distance(Point(place)) for part in parts for place in one.places)
            spacing = rivet_spacing(one.diameter_mm, edge, _pitch(one))
            suits = rivet_diameter(sheets, one.diameter_mm)
            sunk = [countersink(min(sheets), one.diameter_mm, one.head).reason] if one.head in _SUNK else []  # type: ignore[arg-type]
        except PlanError as error:
            check = Check(topic="rivet", about=about, says=f"{name}: not possible.", why=f"{error}.", state=FAILS)
            yield Riveting(f"rivet-{one.id}", one.parts, (), check, one)
            continue
        says = (
            f"{name}: {len(one.places)} of {format_short(one.diameter_mm)} mm, {format_value(length.length, 1)} mm "
            f"under the head for a grip of {format_value(grip, 2)} mm."
        )
        reasons = [length.reason, drill.reason, spacing.reason, suits.reason, *sunk]
        state = GOOD if spacing.verdict == "good" and suits.suits is not False else LOOK
        check = Check(topic="rivet", about=about, says=says, why=_sentences(reasons), state=state)
        does = (says, *(f"{text}." for text in (drill.reason, length.reason, *sunk)))
        yield Riveting(f"rivet-{one.id}", one.parts, does, check, one, length.length)


def _pitch(one: RivetSet) -> float | None:
    gaps = [hypot(a[0] - b[0], a[1] - b[1]) for k, a in enumerate(one.places) for b in one.places[:k]]
    return min(gaps, default=None)


def _sentences(reasons: list[str]) -> str:
    return " ".join(f"{text}." for text in reasons if text)


def _shoulders(assembly: Assembly, to_make: Mapping[str, float]) -> Iterator[Riveting]:
    joints = find_joints(assembly)
    for part in assembly.parts:
        for step, head in part.riveted.items():
            joint = next((one for one in joints if one.part.id == part.id and one.step.id == step), None)
            if joint is None:
                says = f"{part.name}: its {step} is riveted over, but lies in no hole."
                check = Check(topic="rivet", about=part.id, says=says, state=FAILS)
                yield Riveting(f"rivet-{part.id}-{step}", (part.id,), (), check)
                continue
            yield _over(joint, head, to_make)


def _over(joint: Joint, head: str, to_make: Mapping[str, float]) -> Riveting:
    part, plate, step = joint.part, joint.hole_part, joint.step
    thick = to_make.get(f"{plate.id}.thickness", plate.thickness.value)
    key, long = step.length_key, step.to_z - step.from_z
    length = long if key is None else to_make.get(key, long)
    size = joint.size.value if step.size is None else step.size.value
    across = to_make.get(step.size_key or "", size)
    hole = to_make.get(joint.hole.size_key, joint.size.value)
    beside = [one for one in part.steps if one is not step and one.size is not None]
    shoulder = max((one.size.value for one in beside if one.size is not None), default=0.0)
    ident = f"rivet-{part.id}-{step.id}"
    try:
        seat = shoulder_seat(thick, length, across, shoulder, head, hole=max(hole, across))  # type: ignore[arg-type]
    except PlanError as error:
        says = f"{part.name} in {plate.name}: its {step.id} can't be riveted over as it is."
        check = Check(topic="rivet", about=part.id, says=says, why=f"{error}.", state=LOOK)
        return Riveting(ident, (part.id, plate.id), (f"{says} {error}.",), check)
    says = f"{part.name} in {plate.name}: rivet the {step.id} over, {seat.reason}."
    check = Check(topic="rivet", about=part.id, says=says, state=LOOK if seat.seat_depth > 0 else GOOD)
    return Riveting(ident, (part.id, plate.id), (says,), check)
