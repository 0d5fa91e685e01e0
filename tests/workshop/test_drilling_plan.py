"""The drilling plan: set-ups and order together, judged by trying every family and every order."""

from itertools import chain, combinations, permutations

import numpy as np
import pytest

from ctrecon.workshop.drilling.checked import check_setups
from ctrecon.workshop.drilling.plan import DrillingPlan, plan_drilling
from ctrecon.workshop.drilling.setups import DrillAxis
from ctrecon.workshop.errors import PlanError


def axes_of(matched: list[str], free: list[str]) -> list[DrillAxis]:
    return [DrillAxis(f"m{x}", frozenset(x), True) for x in matched] + [DrillAxis(f"f{x}", frozenset(x)) for x in free]


def stacks_of(plan: DrillingPlan) -> list[str]:
    return ["".join(one.setup.plates) for one in plan.steps]


def least_passes(wanted: frozenset[str], family: list[frozenset[str]]) -> int | None:
    """Return in how few sets of the family the plates can be split, by trying all choices."""
    for n in range(1, len(family) + 1):
        for some in combinations(family, n):
            if sum(map(len, some)) == len(wanted) and frozenset(chain(*some)) == wanted:
                return n
    return None


def moves_of(order: tuple[frozenset[str], ...]) -> int:
    return sum(len(a ^ b) for a, b in zip((frozenset(), *order), order, strict=False))


def judged_by_trying(
    every: list[frozenset[str]], forced: set[frozenset[str]], free: set[frozenset[str]]
) -> tuple[int, int, int]:
    """Return the fewest set-ups, then passes, then moves, over all families of these sets in all orders."""
    judged = []
    for n in range(len(every) + 1):
        for family in combinations(every, n):
            passes = [least_passes(one, list(family)) for one in free]
            if forced <= set(family) and None not in passes:
                moves = min(moves_of(order) for order in permutations(family))
                judged.append((n, sum(one for one in passes if one), moves))
        if judged:
            return min(judged)
    raise AssertionError


def test_of_equal_plans_the_one_with_fewer_changes() -> None:
    """Two choices with as few set-ups and passes differ by a move; the one with fewer is planned."""
    axes = axes_of(["34", "24"], ["124", "12", "123"])
    every = [frozenset("1234"[i:j]) for i in range(4) for j in range(i + 1, 5)] + [frozenset("24")]
    found = plan_drilling(axes, "1234")
    judged = judged_by_trying(
        every, {frozenset("34"), frozenset("24")}, {frozenset(one) for one in ("124", "12", "123")}
    )
    assert (len(found.steps), found.setups.passes - 2, found.order.moves) == judged
    assert found.setups.others


def test_worked_case_with_pins() -> None:
    """Four plates (own worked case): 1, 12, 23, 34, 4 with the pins top down, 7 moves; what is changed is named."""
    plan = plan_drilling(axes_of(["12", "23", "34"], ["1234", "123", "234", "14"]), "1234", pins=["m12", "m23", "m34"])
    assert stacks_of(plan) == ["1", "12", "23", "34", "4"]
    assert plan.order.moves == 7
    assert plan.exact
    assert [(one.take_out, one.put_in) for one in plan.steps] == [
        ((), ("1",)), ((), ("2",)), (("1",), ("3",)), (("2",), ("4",)), (("3",), ()),
    ]  # fmt: skip
    assert [one.pins for one in plan.steps] == [(), ("m12",), ("m23",), ("m34",), ()]
    assert "drill and fit m12 before f1234" in plan.steps[1].reason


def test_fewest_setups_then_passes_then_moves() -> None:
    """On random stacks no family with as few set-ups has fewer passes, nor with as few of both fewer moves."""
    rng = np.random.default_rng(77)
    stack = "123"
    every = [frozenset(c) for n in (1, 2, 3) for c in combinations(stack, n)]
    for _ in range(40):
        axes = []
        for k in range(int(rng.integers(2, 6))):
            plates = frozenset(p for p in stack if rng.random() < 0.6) or frozenset("2")
            axes.append(DrillAxis(f"a{k}", plates, bool(rng.random() < 0.3)))
        forced = {one.plates for one in axes if one.matched}
        free = {one.plates for one in axes if not one.matched}
        found = plan_drilling(axes, stack, neighbours_only=False)
        check_setups([one.setup for one in found.steps], axes)
        judged = judged_by_trying(every, forced, free)
        mine = [frozenset(one.setup.plates) for one in found.steps]
        assert (len(mine), sum(least_passes(one, mine) or 0 for one in free), moves_of(tuple(mine))) == judged


def test_done_and_clamped() -> None:
    """With the first pins in and both plates still on, the rest starts from there; all done leaves no step."""
    axes = axes_of(["12", "23"], ["123"])
    plan = plan_drilling(axes, "123", pins=["m12", "m23"], done={"m12": frozenset("12")}, clamped=frozenset("12"))
    assert "m12" not in [name for one in plan.steps for name in one.setup.axes]
    assert stacks_of(plan)[0] == "23"
    assert plan.steps[0].take_out == ("1",)
    every = {one.id: one.plates for one in axes}
    assert plan_drilling(axes, "123", done=every).steps == ()


def test_wrong_pins_are_refused() -> None:
    """A pin must be drilled in one pass, and the plates on the machine must be of this stack."""
    axes = axes_of(["12"], ["123"])
    with pytest.raises(PlanError, match="register pin f123 is not among the axes drilled in one pass"):
        plan_drilling(axes, "123", pins=["f123"])
    with pytest.raises(PlanError, match="plate 9 is said to be on the machine"):
        plan_drilling(axes, "123", clamped=frozenset("9"))
