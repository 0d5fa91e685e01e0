"""What the widgets say of a plan: steps, clearances, and what differs between two plans."""

import math
from collections.abc import Iterator, Mapping

from ctrecon.core.measured import format_pair, format_value
from ctrecon.workshop.assembly.model import Assembly, PlannedSize
from ctrecon.workshop.plan.model import FAILS, GOOD, LOOK, Check, PlacedPin, Plan, PlanStep
from ctrecon.workshop.plan.wording import worded

__all__ = ["STATES", "part_rows", "size_label", "step_title", "what_changed"]

STATES = {GOOD: "good", LOOK: "look", FAILS: "fails"}
_ONE_EACH = ("clearance", "stock")
"""Topics with one check for each gap or part; of the others a part may have several."""

_MOVED_MM = 0.005  # what two decimals don't show is no move


def size_label(size: PlannedSize, names: Mapping[str, str]) -> str:
    """Return how a size stands in a list: its words, with the names people use, and what is known of it.

    Examples
    --------
    >>> from ctrecon.core.measured import Measured
    >>> size = PlannedSize(key="a_1.thickness", words="thickness of a_1", size=Measured(1.5, 0.002), basis="made")
    >>> size_label(size, {"a_1": "top plate"})
    'thickness of top plate: 1.500 ± 0.004 (made)'
    """
    return f"{worded(size.words, names)}: {format_pair(size.size, size.U, '')} ({size.basis})"


def step_title(plan: Plan, step: PlanStep) -> str:
    """Return a step in a few words with the parts in hand."""
    names = ", ".join(plan.names.get(one, one) for one in step.parts)
    whole = len(step.parts) == len(plan.assembly.parts)
    return step.title + (f" ({names})" if names and not whole else "")


def part_rows(assembly: Assembly) -> Iterator[tuple[str, str, str, str, str]]:
    """Go through the parts, the highest first: name, role, lower and upper face (mm), thickness with U."""
    for part in assembly.parts:
        size = part.sizes.get(f"{part.id}.thickness")
        thick = format_value(part.thickness.value, 3) if size is None else format_pair(size.size, size.U, "")
        known = "" if size is None else size.basis
        yield part.name, part.role, f"{format_value(part.from_z, 2)} to {format_value(part.to_z, 2)}", thick, known


def what_changed(before: Plan, after: Plan) -> tuple[str, ...]:
    """Say what differs between two plans of one assembly, one sentence each, in the order a person asks.

    Parameters
    ----------
    before, after : Plan
        Both plans.
    """
    says = [*_next(before, after), *_steps(before, after), *_checks(before, after), *_pins(before, after)]
    return tuple(says) or ("Nothing in the plan changes.",)


def _next(before: Plan, after: Plan) -> Iterator[str]:
    old, new = before.next_step, after.next_step
    if new is None:
        yield "All steps are done."
    elif old is None or old.id != new.id:
        yield f"Next: {step_title(after, new)}."
    elif old.does != new.does:
        yield f"Next is still {step_title(after, new)}, with other sizes: {' '.join(new.does)}"


def _steps(before: Plan, after: Plan) -> Iterator[str]:
    old, new = {one.id: one for one in before.steps}, {one.id: one for one in after.steps}
    for ident, step in new.items():
        if ident not in old:
            yield f"New step: {step_title(after, step)}. {' '.join(step.does)}"
        elif old[ident].does != step.does and ident.startswith("adjust"):
            yield f"{step_title(after, step)}: {' '.join(step.does)}"
    for ident, step in old.items():
        if ident not in new:
            yield f"No longer needed: {step_title(before, step)}."


def _said(plan: Plan) -> dict[tuple[str, str, str], Check]:
    """Return the clearances, fits and bench answers by what they are of."""
    return {
        (one.topic, one.about, "" if one.topic in _ONE_EACH else one.says): one
        for one in plan.checks
        if one.topic in ("bench", "fit", *_ONE_EACH)
    }


def _checks(before: Plan, after: Plan) -> Iterator[str]:
    old, told = _said(before), ""
    for key, check in _said(after).items():
        if key not in old or (old[key].says, old[key].why) != (check.says, check.why):
            mark = "" if check.state == GOOD else f"{STATES[check.state]}: "
            why = "" if check.why in told else check.why  # the bench answer gives the advice for its clearances
            yield f"{mark}{_sentence(check.says)} {_sentence(why)}".strip()
            told += check.why


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _pins(before: Plan, after: Plan) -> Iterator[str]:
    old = {one.id: one for pair in before.registrations for one in pair.pins}
    new = {one.id: one for pair in after.registrations for one in pair.pins}
    for ident, pin in new.items():
        was = old.get(ident)
        if was is None:
            yield f"New pin {ident} at {_place(pin)}."
        elif math.hypot(pin.x - was.x, pin.y - was.y) > _MOVED_MM:
            yield f"{ident} moves from {_place(was)} to {_place(pin)}."
        if was is not None and was.pin != pin.pin:
            yield f"{ident} is now {pin.pin}."
    for ident in old:
        if ident not in new:
            yield f"Pin {ident} falls away."


def _place(pin: PlacedPin) -> str:
    return f"({format_value(pin.x, 2)}, {format_value(pin.y, 2)})"
