"""The drilling plan of a stack: the fewest set-ups, in the order with the fewest changes, pins first.

Among plans with as few set-ups, those with the fewest passes keep most holes in line; of these the one with the
fewest plates put in and taken out is chosen.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ctrecon.workshop.drilling.order import SetUpOrder, as_steps, best_order, pins_first
from ctrecon.workshop.drilling.setups import DrillAxis, SetUp, SetUpPlan, fewest_setups
from ctrecon.workshop.errors import PlanError

__all__ = ["DrillingPlan", "DrillingStep", "plan_drilling"]


@dataclass(frozen=True)
class DrillingStep:
    """A set-up in its turn.

    `take_out` and `put_in` are the plates changed before it; `pins` are the axes drilled and pinned first, in the
    order given, `then` those drilled after, with the pins in.
    """

    setup: SetUp
    take_out: tuple[str, ...]
    put_in: tuple[str, ...]
    pins: tuple[str, ...]
    then: tuple[str, ...]
    reason: str


@dataclass(frozen=True)
class DrillingPlan:
    """The steps in order, with the set-ups and the order they come from; `exact` where both are the fewest."""

    steps: tuple[DrillingStep, ...]
    setups: SetUpPlan
    order: SetUpOrder
    exact: bool
    reason: str


def plan_drilling(
    axes: Sequence[DrillAxis], stack: Sequence[str], *, pins: Sequence[str] = (),
    done: Mapping[str, frozenset[str]] | None = None, worked: Sequence[frozenset[str]] = (),
    clamped: frozenset[str] = frozenset(), neighbours_only: bool = True,
) -> DrillingPlan:  # fmt: skip
    """Return the set-ups and their order for everything that is still to be drilled.

    Parameters
    ----------
    axes : sequence of DrillAxis
        All axes with their plates.
    stack : sequence of str
        Ids of the plates, top first.
    pins : sequence of str
        Ids of the axes that are register pins, top joint first; each must be matched. Whatever clamps the plates
        of a joint waits for its pins.
    done : mapping of axis id to set of str, optional
        Plates in which an axis is drilled already.
    worked : sequence of set of str
        Set-ups that are done, by their plates: they stay the first steps, and the rest is ordered anew.
    clamped : set of str
        Plates on the machine now; those of the last set-up done where none are given.
    neighbours_only : bool
        As in `fewest_setups`.

    Raises
    ------
    PlanError
        If a pin is not a matched axis, or `fewest_setups` or `best_order` refuses.
    """
    by_id = {one.id: one for one in axes}
    for pin in pins:
        if pin not in by_id or not by_id[pin].matched:
            raise PlanError(f"register pin {pin} is not among the axes drilled in one pass; list it as matched")
    unknown = sorted(clamped - set(stack))
    if unknown:
        raise PlanError(f"plate {unknown[0]} is said to be on the machine but is not in the stack; correct it")
    plan = fewest_setups(axes, stack, done=done, neighbours_only=neighbours_only)
    best, order = min(
        ((one, _ordered(one, pins, worked, clamped)) for one in (plan.setups, *plan.others)),
        key=lambda pair: (-len(pair[1].done), pair[1].moves),
    )
    exact = plan.exact and order.exact
    says = plan.reason if not order.order else f"{plan.reason}; in the order {order.reason}"
    return DrillingPlan(_steps(best, order, pins, clamped, stack), plan, order, exact, says)


def _ordered(
    setups: Sequence[SetUp], pins: Sequence[str], worked: Sequence[frozenset[str]], clamped: frozenset[str]
) -> SetUpOrder:
    steps = as_steps(setups)
    # pins drilled before are in already; two pins of one joint share a set-up
    pinned = [one.id for pin in pins for one in setups if pin in one.axes]
    done = [one.id for plates in worked for one in steps if one.plates == plates]
    before = pins_first(steps, list(dict.fromkeys(pinned)))
    return best_order(steps, before=before, done=done, clamped=clamped if clamped or not done else None)


def _steps(
    setups: Sequence[SetUp], order: SetUpOrder, pins: Sequence[str], clamped: frozenset[str], stack: Sequence[str]
) -> tuple[DrillingStep, ...]:
    by_id = {one.id: one for one in setups}
    out, on = [], frozenset[str]() if order.done else clamped
    for name in (*order.done, *order.order):
        setup = by_id[name]
        plates = frozenset(setup.plates)
        take = tuple(plate for plate in stack if plate in on - plates)
        put = tuple(plate for plate in stack if plate in plates - on)
        first = tuple(pin for pin in pins if pin in setup.axes)
        then = tuple(axis for axis in setup.axes if axis not in first)
        change = "; ".join([f"take out {', '.join(take)}"] * bool(take) + [f"put in {', '.join(put)}"] * bool(put))
        says = f"{change or 'leave the stack as it is'}: {setup.reason}"
        if first and then:
            says += f"; drill and fit {', '.join(first)} before {', '.join(then)}"
        out.append(DrillingStep(setup, take, put, first, then, says))
        on = plates
    return tuple(out)
