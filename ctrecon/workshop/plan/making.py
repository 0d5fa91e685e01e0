"""Steps that finish one piece: holes opened to size, squares, turned parts, reliefs."""

from collections.abc import Iterator

from ctrecon.core.measured import format_short, format_value
from ctrecon.workshop.assembly.model import PlannedHole, PlannedPart
from ctrecon.workshop.plan.drilling import TO_SIZE_MM, set_up_id, square_by
from ctrecon.workshop.plan.model import PlanStep
from ctrecon.workshop.plan.stock import is_flat
from ctrecon.workshop.plan.work import Draft, WorkPlan

__all__ = ["openings", "turned_parts"]

BORE_FROM_MM = 4.0
"""Holes from this size on are bored or reamed, smaller ones broached by hand (common practice, no source)."""


def openings(work: WorkPlan) -> Iterator[Draft]:
    """Open the drilled holes of each plate to size, round and square."""
    last = set_up_id(work.drilling.set_ups[-1].plates) if work.drilling.set_ups else ""
    for plate in work.assembly.plates:
        does, tools, operations = [], [], []
        for hole in plate.holes:
            said = _opening(work, plate, hole)
            if said is None:
                continue
            text, tool, operation = said
            does.append(text)
            tools += tool
            operations.append(operation)
        if does:
            step = PlanStep(
                id=f"open-{plate.id}",
                title="Open the holes to size",
                parts=(plate.id,),
                does=tuple(does),
                tools=tuple(dict.fromkeys(tools)),
                after=(last, *(f"make-{one}" for one in _gauges(work, plate))),
            )
            yield Draft(step, tuple(dict.fromkeys(operations)))


def _gauges(work: WorkPlan, plate: PlannedPart) -> tuple[str, ...]:
    """Return the parts that are tried in the holes of a plate while these are opened."""
    return tuple(dict.fromkeys(one.part.id for one, choice, _ in work.fits if one.hole_part is plate and choice))


def _opening(work: WorkPlan, plate: PlannedPart, hole: PlannedHole) -> tuple[str, list[str], str] | None:
    size = work.to_make.get(hole.size_key, hole.size.value)
    name = next((one.name for one in work.assembly.axes if one.id == hole.axis), hole.id)
    mate = next((joint.part.name for joint, choice, _ in work.fits if joint.hole is hole and choice is not None), None)
    gauge = f", until {mate} goes in" if mate else ""
    square = work.drilling.squares.get((plate.id, hole.id))
    if square is not None:
        edge = (
            "its flats true to the long edge"
            if abs((hole.turn_deg + 45) % 90 - 45) < 1
            else (
                f"its flats turned {format_value((hole.turn_deg + 45) % 90 - 45, 1)}° anticlockwise from the long edge"
            )
        )
        how, tool, operation = _square_words(work, size)
        text = f"{name}: {how} to {format_value(size, 2)} mm across flats, {edge}{gauge}. {square.reason}."
        return text, tool, operation
    pilot = work.drilling.pilots.get((plate.id, hole.id), size)
    if hole.long is not None:
        text = (
            f"{name}: saw or mill the slot from the drilled hole to {format_value(size, 2)} by "
            f"{format_value(hole.long.value, 2)} mm and file it to the line{gauge}."
        )
        return text, ["piercing saw", "files"], "file"
    if size - pilot <= TO_SIZE_MM:
        return None
    step_up = size - pilot > 0.5
    first = "step up with drills, then " if step_up else ""
    drills = ["drills in steps"] if step_up else []
    span = f"from {format_value(pilot, 2)} to {format_value(size, 2)} mm"
    if size >= BORE_FROM_MM:
        text = f"{name}: {span}: {first}bore or ream the last tenth{gauge}."
        return text, [*drills, f"boring head or reamer {format_value(size, 2)} mm"], "ream"
    text = f"{name}: {span}: {first}open with the taper broach from both faces, a hair at a time{gauge}."
    return text, [*drills, f"taper broach to {format_short(size)} mm"], "broach"


def _square_words(work: WorkPlan, size: float) -> tuple[str, list[str], str]:
    """Return how a square is finished, with which tool, and the operation."""
    method = work.assembly.shop.square_method
    if method == "file":
        return "file the corners", ["square file with a safe edge"], "file"
    tool = "square drift" if method == "drift" else "square broach"
    return f"push the {tool} through from the top, guided square", [f"{tool} {format_value(size, 2)} mm"], "press"


def turned_parts(work: WorkPlan) -> Iterator[Draft]:
    """Make every part that is not a plate: sections, fits, square holes, reliefs."""
    by_part = {one.part: one for one in work.stocks}
    for part in work.assembly.parts:
        if part.role in ("plate", "bearing"):
            continue
        stock = by_part.get(part.id)
        does = [stock.says] if stock is not None and not is_flat(part) else []
        does += list(_sections(work, part))
        for relief in work.reliefs:
            if relief.part == part.id:
                does.append(f"Cut the relief for {work.assembly[relief.for_part].name}: {relief.relief.reason}.")
        turned = all(step.form.round or step.form.square for step in part.steps)
        tools = ["lathe", "micrometer"] if turned else ["piercing saw", "files"]
        operations = ["turn", "file"]
        for hole in part.holes:
            if hole.form.square:
                text, tool, operation = _square_in(work, hole)
                does.append(text)
                tools += tool
                operations.append(operation)
        if any(step.form.square for step in part.steps):
            tools += ["filing rest or mill for the flats"]
        ident = f"make-{part.id}"
        after = (f"blank-{part.id}",) if is_flat(part) else ()
        step = PlanStep(id=ident, title="Make", parts=(part.id,), does=tuple(does), tools=tuple(tools), after=after)
        yield Draft(step, tuple(dict.fromkeys(operations)))


def _square_in(work: WorkPlan, hole: PlannedHole) -> tuple[str, list[str], str]:
    """Say how the square hole of a turned part comes about: its pilot on the lathe, then its corners."""
    size = work.to_make.get(hole.size_key, hole.size.value)
    plan = square_by(work.assembly, size)
    how, tool, operation = _square_words(work, size)
    text = (
        f"Square hole of {format_value(size, 2)} mm: drill {plan.drill.name} on the lathe, then {how}. {plan.reason}."
    )
    return text, [f"drill {plan.drill.name}", *tool], operation


def _sections(work: WorkPlan, part: PlannedPart) -> Iterator[str]:
    for step in part.steps:
        if step.size is None or step.size_key is None:
            continue
        size = format_value(work.to_make.get(step.size_key, step.size.value), 2)
        long = step.to_z - step.from_z
        if step.length_key is not None:
            long = work.to_make.get(step.length_key, long)
        mine = [(joint.hole_part.name, choice) for joint, choice, _ in work.fits if joint.step is step]
        mates = [name for name, choice in mine if choice is not None]
        free = [name for name, choice in mine if choice is None]
        fit = f", fitted to {' and '.join(mates)}" if mates else ""
        fit += f", clear of {' and '.join(free)}" if free else ""
        name = "outside" if step.id == step.feature else step.id
        yield f"{name}: {step.form.sign}{size} over {format_value(long, 2)} mm{fit}."
    for hole in part.holes:
        if not hole.form.square:
            size = format_value(work.to_make.get(hole.size_key, hole.size.value), 2)
            yield f"Hole {hole.id}: {hole.form.sign}{size} mm."
