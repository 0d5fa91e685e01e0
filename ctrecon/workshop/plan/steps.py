"""The steps of the work in order: blanks, register pins, drilling, squares, outlines, turned parts, fitting."""

from collections.abc import Iterable, Iterator, Mapping

from ctrecon.core.measured import format_short, format_value
from ctrecon.workshop.abrasives import papers
from ctrecon.workshop.assembly.model import Assembly
from ctrecon.workshop.cautions import cautions_for
from ctrecon.workshop.plan.drilling import set_up_id
from ctrecon.workshop.plan.making import openings, turned_parts
from ctrecon.workshop.plan.model import PlanStep, Registration, SetUp
from ctrecon.workshop.plan.stock import is_flat
from ctrecon.workshop.plan.work import Draft, WorkPlan

__all__ = ["LEAD_PERCENT", "cautions_of", "plan_steps"]

LEAD_PERCENT: Mapping[str, float] = {
    "C36000": 3.0,
    "C38500": 3.5,
    "CuZn39Pb3": 3.5,
    "C26000": 0.07,
    "C28000": 0.3,
    "C46400": 0.2,
    "CuZn37": 0.1,
    "C51000": 0.05,
    "C90500": 0.3,
    "C93200": 7.0,
    "copper": 0.0,
    "steel": 0.35,
}
"""Most lead (%) that the metals of the table hold today (from memory, alloy standards differ); C36000 was 3.7 once."""

_THIN_DIAMETERS = 0.5
"""A plate thinner than half the drill lets the point out before the lips cut full size: a 118° point is 0.3 D high."""


def plan_steps(work: WorkPlan) -> tuple[PlanStep, ...]:
    """Return the steps in order, those already done first; each with its tools and what can hurt.

    Parameters
    ----------
    work : WorkPlan
        Stock, pins, set-ups, fits, reliefs and gaps.
    """
    done = set(work.assembly.done)
    # what is turned is the gauge of the holes it goes through, so it is made before they are opened
    drafts = [*_blanks(work), *_drilling(work), *turned_parts(work), *openings(work), *_outlines(work)]
    drafts += _together(work, tuple(one.step.id for one in drafts))
    drafts += _riveting(work)
    known = {one.step.id for one in drafts}
    out = []
    said: set[str] = set()
    for draft in drafts:
        lead = _lead(work.assembly, draft.step.parts)
        texts = [one for one in cautions_for(draft.operations, lead_percent=lead) if one.key not in ("local_rules",)]
        fresh = tuple(one.text for one in texts if one.text not in said)
        said |= set(fresh)
        step = draft.step
        out.append(
            PlanStep(
                id=step.id,
                title=step.title,
                parts=step.parts,
                does=step.does,
                tools=step.tools,
                set_up=step.set_up,
                cautions=fresh,
                after=tuple(one for one in step.after if one in known),
                done=step.id in done,
            )
        )
    return tuple(sorted(out, key=lambda one: not one.done))


def cautions_of(assembly: Assembly) -> tuple[str, ...]:
    """Return the cautions for the whole of the work, that of local rules first."""
    found = cautions_for(
        ("drill_thin", "rub", "broach", "drive"), lead_percent=_lead(assembly, [one.id for one in assembly.parts])
    )
    return tuple(one.text for one in found)


def _lead(assembly: Assembly, parts: Iterable[str]) -> float | None:
    shares = [LEAD_PERCENT.get((assembly[one].material or "").strip()) for one in parts]
    return None if any(one is None for one in shares) else max((one for one in shares if one is not None), default=0.0)


def _blanks(work: WorkPlan) -> Iterator[Draft]:
    for stock in work.stocks:
        part = work.assembly[stock.part]
        if not is_flat(part):
            continue
        left, low, right, high = part.outline.bounds
        more = work.assembly.shop.saw_allowance_mm
        does = [
            f"Cut a blank {format_value(right - left + 2 * more, 1)} by "
            f"{format_value(high - low + 2 * more, 1)} mm: {stock.says}",
            "Flatten it, and file two neighbouring edges straight and square to each other: they are "
            "what is picked up first.",
        ]
        tools, operations = ["piercing saw", "files", "square"], ["saw", "file"]
        chosen = stock.chosen
        if stock.thickness_mm is None and chosen is not None:
            grades = papers(chosen.steps) if chosen.steps else ""
            target = format_value(work.to_make[f"{part.id}.thickness"], 2)
            does.append(
                f"Rub it down to {target} mm on paper laid on a flat plate ({format_value(chosen.off_least_mm, 2)} to "
                f"{format_value(chosen.off_most_mm, 2)} mm off); {grades or 'finish on fine paper'}. "
                "Turn it a quarter as you go, and check all corners."
            )
            tools += ["surface plate", "micrometer", *(f"abrasive paper {one.grade}" for one in chosen.steps)]
            operations.append("rub")
        elif chosen is not None and chosen.kind == "measure first":
            does.append("Put the micrometer to the sheet before cutting: it is right only where it happens to be true.")
            tools.append("micrometer")
        if part.role == "plate" and part.id == work.assembly.stack[0]:
            does.append(
                "Blue the top face and prick the hole centres of its set-ups; enlarge with the centre punch on a block."
            )
            tools += ["layout blue", "scriber", "prick and centre punch"]
        yield Draft(
            PlanStep(id=f"blank-{part.id}", title="Blank", parts=(part.id,), does=tuple(does), tools=tuple(tools)),
            tuple(operations),
        )


def _drilling(work: WorkPlan) -> Iterator[Draft]:
    pins = {set_up_id((one.upper, one.lower)): one for one in work.registrations}
    before: tuple[str, ...] = ()
    for one in work.drilling.set_ups:
        ident = set_up_id(one.plates)
        registration = pins.get(ident)
        yield _drill(work, one, ident, before)
        before = (ident,)
        if registration is not None:
            yield _pin_step(work, registration, ident)
            before = (f"pins-{registration.upper}-{registration.lower}",)


def _drill(work: WorkPlan, one: SetUp, ident: str, before: tuple[str, ...]) -> Draft:
    names = [work.assembly[plate].name for plate in one.plates]
    stacked = names[0] if len(names) == 1 else f"{', '.join(names[:-1])} on {names[-1]}"
    held = (
        f" Hold them to each other by their register pins {', '.join(pin for pin, _, _ in one.pins)}."
        if one.pins
        else ""
    )
    does = [
        f"Clamp {stacked}, top faces up, edges flush, on a backing board.{held}",
        one.pick_up,
        f"Spot, then drill right through: {', '.join(f'{hole.id} {hole.drill}' for hole in one.holes)}.",
    ]
    if len(one.plates) > 1 and not one.pins:
        does.append(
            "Put a close pin or drill shank into the first hole before drilling the next, so that nothing creeps."
        )
    tools = [
        "drilling machine",
        "clamps and backing board",
        "centre drill",
        *dict.fromkeys(f"drill {hole.drill}" for hole in one.holes),
    ]
    thin = min(work.assembly[plate].thickness.value for plate in one.plates) < _THIN_DIAMETERS * max(
        hole.drill_mm for hole in one.holes
    )
    step = PlanStep(
        id=ident,
        title="Drill together" if len(names) > 1 else "Drill",
        parts=one.plates,
        does=tuple(does),
        tools=tuple(tools),
        set_up=one.id,
        after=(*before, *(f"blank-{plate}" for plate in one.plates)),
    )
    return Draft(step, ("drill_thin" if thin else "drill",))


def _pin_step(work: WorkPlan, one: Registration, drilled: str) -> Draft:
    upper, lower = work.assembly[one.upper].name, work.assembly[one.lower].name
    first = one.pins[0]
    does = (
        f"Still clamped, open {', '.join(pin.id for pin in one.pins)} from the top of {upper} with the "
        "taper broach, a little at a time, trying the pin: it is the gauge.",
        *first.says,
        f"Once driven, its head lies {format_value(first.below_mm, 2)} mm below the top face.",
        f"Countersink lightly {format_value(work.assembly.shop.pin_countersink_mm, 1)} mm on every "
        "face, clean out the chips, press the pins home.",
        f"The thin ends must stay {format_value(first.above_mm, 2)} mm inside {lower}; mark top face "
        "and front edge of both plates.",
    )
    tools = (
        "taper broach for the pins",
        "countersink by hand",
        "hammer and flat punch",
        *dict.fromkeys(pin.pin for pin in one.pins),
    )
    step = PlanStep(
        id=f"pins-{one.upper}-{one.lower}",
        title="Register pins",
        parts=(one.upper, one.lower),
        does=does,
        tools=tools,
        after=(drilled,),
    )
    return Draft(step, ("broach", "drive"))


def _outlines(work: WorkPlan) -> Iterator[Draft]:
    plates = work.assembly.plates
    alike = len(plates) > 1 and all(
        one.outline.symmetric_difference(plates[0].outline).area < 0.03 * plates[0].outline.area for one in plates
    )
    pinned = tuple(f"pins-{one.upper}-{one.lower}" for one in work.registrations)
    if alike and work.registrations:
        text = "Pin all plates together and saw and file the outline of all at once, to the line of the top plate."
        groups = [(tuple(one.id for one in plates), text, "outline-all")]
    else:
        groups = [
            ((one.id,), f"Saw and file the outline of {one.name} to the line.", f"outline-{one.id}") for one in plates
        ]
    for ids, text, ident in groups:
        step = PlanStep(
            id=ident,
            title="Outline",
            parts=ids,
            does=(text, "Break every edge; do not round the ones that are measured from."),
            tools=("piercing saw", "files"),
            after=pinned,
        )
        yield Draft(step, ("saw", "file"))


def _riveting(work: WorkPlan) -> Iterator[Draft]:
    for one in work.rivets:
        made = tuple(f"make-{part}" for part in one.parts)
        tools = ["riveting hammer or press", "rivet set or flat punch", "stake"]
        if one.rivets is not None:
            tools.append(f"rivets {format_short(one.rivets.diameter_mm)} mm")
        step = PlanStep(
            id=one.id,
            title="Rivet",
            parts=one.parts,
            does=("Try everything together once before this step: it can't be undone.", *one.does),
            tools=tuple(tools),
            after=("try-together", *(f"adjust-{gap.gap.id}" for gap in work.gaps), *made),
        )
        yield Draft(step, ("rivet",))


def _together(work: WorkPlan, before: tuple[str, ...]) -> Iterator[Draft]:
    parts = tuple(one.id for one in work.assembly.parts)
    does = ["Clean every face and hole; stack from the bottom, try that each part goes home by hand."]
    coarse = [
        f"{joint.part.name} in {joint.hole_part.name}"
        for joint, choice, _ in work.fits
        if choice is not None and not choice.trusted
    ]
    if coarse:
        pairs = "; ".join(dict.fromkeys(coarse))
        does.append(f"Fit these to each other, the scan is too coarse for their numbers: {pairs}.")
    step = PlanStep(
        id="try-together",
        title="Put together and try",
        parts=parts,
        does=tuple(dict.fromkeys(does)),
        tools=("feeler gauges", "caliper"),
        after=before,
    )
    yield Draft(step, ("file",))
    for one in work.gaps:
        if one.adjustment is None or one.adjustment.kind == "none":
            continue
        words = f"{one.gap.name}: {one.adjustment.reason}."
        step = PlanStep(
            id=f"adjust-{one.gap.id}",
            title="Adjust",
            parts=tuple(dict.fromkeys(term.key.split(".")[0] for term in one.gap.terms)),
            does=(words,),
            tools=("feeler gauges", "abrasive paper on a flat plate"),
            after=("try-together",),
        )
        yield Draft(step, ("rub",))
