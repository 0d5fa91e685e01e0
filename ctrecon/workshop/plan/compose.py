"""Makes the plan of an assembly: every choice in its turn, each checked, then the steps in order."""

from ctrecon.workshop.assembly.model import Assembly
from ctrecon.workshop.plan.asked import asked_checks
from ctrecon.workshop.plan.bench import bench_checks
from ctrecon.workshop.plan.buying import to_buy
from ctrecon.workshop.plan.drilling import plan_drilling
from ctrecon.workshop.plan.gaps import close_gaps
from ctrecon.workshop.plan.joints import fit_joints
from ctrecon.workshop.plan.model import Check, Plan, Registration
from ctrecon.workshop.plan.pieces import piece_sheets, sizes_to_make
from ctrecon.workshop.plan.register import register
from ctrecon.workshop.plan.riveting import plan_rivets
from ctrecon.workshop.plan.running import running_checks
from ctrecon.workshop.plan.squares import square_checks
from ctrecon.workshop.plan.steps import cautions_of, plan_steps
from ctrecon.workshop.plan.stock import choose_stock
from ctrecon.workshop.plan.wording import names_of, worded
from ctrecon.workshop.plan.work import WorkPlan

__all__ = ["make_plan"]


# long: every choice in its turn, in one place; half of it documents the call
def make_plan(assembly: Assembly, *, known: Plan | None = None) -> Plan:
    """Plan the work on an assembly: stock, fits, clearances, register pins, drilling, steps, what to buy.

    Parameters
    ----------
    assembly : Assembly
        As `read_assembly` gives it.
    known : Plan or None
        A plan made before: its register pins, the longest search, are taken over where nothing has changed that
        they follow from, as when a step was ticked.

    Returns
    -------
    Plan
        Plain data; checks whose state is "fails" say what can't go on as planned and the cheapest way out.

    Raises
    ------
    PlanError
        If the plan is impossible: no place for register pins, no drill for a hole. The sentence says what limits it.
    InputError
        If the file decided something that is not known, such as the letters of a fit.

    Examples
    --------
    >>> from pathlib import Path
    >>> import ctrecon as ct
    >>> plate = 'role = "plate", outline = {size_mm = [40, 30]}, holes = [{axis = "main", diameter_mm = "3±0.01"}]'
    >>> text = f'''
    ... name = "two plates"
    ... stack = ["upper", "lower"]
    ... axes.main = {{}}
    ... parts.upper = {{thickness_mm = "1.5±0.02", {plate}}}
    ... parts.lower = {{thickness_mm = "2±0.02", {plate}}}
    ... '''
    >>> Path("two_plates.toml").write_text(text, encoding="utf-8") > 0
    True
    >>> plan = ct.make_plan(ct.read_assembly("two_plates.toml"))
    >>> plan.next_step.id
    'blank-upper'
    >>> [(pin.id, round(pin.x, 2), round(pin.y, 2)) for pin in plan.registrations[0].pins]
    [('P1', -18.4, -13.4), ('P2', 18.4, 12.4)]
    """
    stocks = choose_stock(assembly)
    to_make = sizes_to_make(assembly, stocks)
    planned = {f"{one.part}.thickness": one.thickness_mm for one in stocks if one.thickness_mm is not None}
    gaps = close_gaps(assembly, planned)
    fits = fit_joints(assembly, to_make)
    running, reliefs = running_checks(assembly, tuple(one for one, _, _ in fits))
    registrations, pins = _registered(assembly, known)
    drilling = plan_drilling(assembly, registrations, to_make)
    rivets = plan_rivets(assembly, to_make)
    work = WorkPlan(assembly, to_make, stocks, registrations, drilling, fits, reliefs, gaps, rivets)
    steps = plan_steps(work)
    pieces = piece_sheets(assembly, to_make, stocks, fits, reliefs)
    checks: list[Check] = [
        *bench_checks(assembly, gaps, fits),
        *asked_checks(assembly, tuple(one for one, _, _ in fits), registrations, steps),
        *(one.check for one in stocks),
        *(check for one in gaps for check in one.checks),
        *(check for _, _, check in fits),
        *running,
        *pins,
        *drilling.checks,
        *square_checks(assembly, drilling, to_make),
        *(one.check for one in rivets),
        *(
            Check(topic="placing", about=assembly.stack[0] if assembly.stack else "", says=text)
            for text in assembly.notes
        ),
    ]
    names = names_of(assembly)
    return Plan(
        assembly=assembly,
        checks=worded(tuple(checks), names),
        registrations=worded(registrations, names),
        set_ups=worded(drilling.set_ups, names),
        steps=worded(steps, names),
        pieces=worded(pieces, names),
        buy=worded(to_buy(work, steps), names),
        cautions=cautions_of(assembly),
        names=names,
    )


def _registered(assembly: Assembly, known: Plan | None) -> tuple[tuple[Registration, ...], tuple[Check, ...]]:
    if known is None or _pins_follow_from(assembly) != _pins_follow_from(known.assembly):
        return register(assembly)
    return known.registrations, tuple(known.of("register pins"))


def _pins_follow_from(assembly: Assembly) -> tuple[object, ...]:
    return (
        assembly.parts,
        assembly.stack,
        assembly.axes,
        assembly.keep_outs,
        assembly.rivets,
        assembly.shop,
        assembly.overrides.pins,
    )
