"""What the assembly file asks for that the plan has nothing to do with, or that a later change may move."""

from collections.abc import Iterable, Iterator, Sequence

from ctrecon.core.measured import format_value
from ctrecon.workshop.assembly.model import Assembly, PlannedPart
from ctrecon.workshop.assembly.schema import nearest
from ctrecon.workshop.plan.drilling import set_up_id
from ctrecon.workshop.plan.joints import Joint
from ctrecon.workshop.plan.model import LOOK, Check, PlanStep, Registration
from ctrecon.workshop.plan.stock import is_flat

__all__ = ["asked_checks"]


def asked_checks(
    assembly: Assembly, joints: Iterable[Joint], registrations: Sequence[Registration], steps: Sequence[PlanStep]
) -> tuple[Check, ...]:
    """Say which words of the file the plan could not follow, so that none is passed over in silence.

    Parameters
    ----------
    assembly : Assembly
        Its done steps and overrides.
    joints : iterable of Joint
        What goes through which hole.
    registrations : sequence of Registration
        Register pins.
    steps : sequence of PlanStep
        All steps.
    """
    return (
        *_done(assembly, steps),
        *_made_not_done(assembly, steps),
        *_fits(assembly, joints),
        *_drilled_pins(assembly, registrations),
    )


def _check(topic: str, about: str, says: str, why: str) -> Check:
    return Check(topic=topic, about=about, says=says, why=why, state=LOOK, overridden=True)


def _done(assembly: Assembly, steps: Sequence[PlanStep]) -> Iterator[Check]:
    known = [one.id for one in steps]
    for ident in assembly.done:
        if ident not in known:
            says = f"Done names {ident}, which is no step of this plan."
            yield _check("steps", assembly.parts[0].id, says, f"It counts for nothing; {nearest(ident, known)}")


def _made_not_done(assembly: Assembly, steps: Sequence[PlanStep]) -> Iterator[Check]:
    """Ask for the steps that made a size: else the plan has them done, and their stock bought, once more."""
    open_ids = [one.id for one in steps if not one.done]
    for part in assembly.parts:
        keys = [key for key in assembly.made if key.split(".")[0] == part.id]
        made_by = {step for key in keys for step in _made_by(part, key)}
        waiting = [one for one in open_ids if one in made_by]
        if waiting:
            are, them = ("is", "it") if len(waiting) == 1 else ("are", "them")
            says = f"Sizes of {part.name} are made, but {' and '.join(waiting)} {are} not done."
            why = f"Add {them} to done once nothing is left of {them}, so that nothing is bought or cut twice."
            yield _check("steps", part.id, says, why)


def _made_by(part: PlannedPart, key: str) -> tuple[str, ...]:
    if key == f"{part.id}.thickness" and is_flat(part):
        return (f"blank-{part.id}",)
    return (f"open-{part.id}" if part.role == "plate" else f"make-{part.id}",)


def _fits(assembly: Assembly, joints: Iterable[Joint]) -> Iterator[Check]:
    fitted = {one.hole.size_key for one in joints if one.mate is not None and one.alike}
    for key, code in assembly.overrides.fits.items():
        if key not in fitted:
            says = f"The fit {code} for {key} is not used."
            yield _check("fit", key.split(".")[0], says, "No part of the same section goes through that hole.")


def _drilled_pins(assembly: Assembly, registrations: Sequence[Registration]) -> Iterator[Check]:
    for one in registrations:
        if set_up_id((one.upper, one.lower)) in assembly.done and (one.upper, one.lower) not in assembly.overrides.pins:
            places = ", ".join(f"[{format_value(pin.x, 3)}, {format_value(pin.y, 3)}]" for pin in one.pins[:2])
            says = f"The pin holes of {assembly[one.upper].name} and {assembly[one.lower].name} are drilled."
            why = (
                f'Write "{one.upper}/{one.lower}" = [{places}] under [overrides.pins], or the places they truly have, '
                "so that no later change of the file moves them on paper."
            )
            yield _check("register pins", one.upper, says, why)
