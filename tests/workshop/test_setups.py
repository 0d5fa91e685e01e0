"""Set-ups for drilling and their order, judged by trying everything."""

from itertools import chain, combinations, permutations

import numpy as np
import pytest

from ctrecon.workshop.drilling.checked import check_setups
from ctrecon.workshop.drilling.order import Step, as_steps, best_order, pins_first
from ctrecon.workshop.drilling.setups import DrillAxis, SetUp, fewest_setups
from ctrecon.workshop.errors import PlanError


def axes_of(matched: list[str], free: list[str]) -> list[DrillAxis]:
    return [DrillAxis(f"m{x}", frozenset(x), True) for x in matched] + [DrillAxis(f"f{x}", frozenset(x)) for x in free]


def sets_of(axes: list[DrillAxis], stack: str, **options: object) -> set[str]:
    plan = fewest_setups(axes, stack, **options)  # type: ignore[arg-type]
    check_setups(plan.setups, axes)
    return {"".join(one.plates) for one in plan.setups}


def steps_of(*names: str) -> list[Step]:
    return [Step(name, frozenset(name)) for name in names]


# Own worked cases, found by exhaustive search in a separate script (the disjoint-union form of Set Basis).
CASES = [
    (["12", "23"], ["123", "1"], "123", {"12", "23", "1"}),
    (["12", "23", "34"], ["1234", "123", "234", "14"], "1234", {"12", "23", "34", "1", "4"}),
]


@pytest.mark.parametrize("neighbours_only", [True, False])
@pytest.mark.parametrize(("matched", "free", "stack", "wanted"), CASES)
def test_worked_cases(matched: list[str], free: list[str], stack: str, wanted: set[str], neighbours_only: bool) -> None:
    """Three and four plates: the fewest set-ups are the only ones, also when any plates may be clamped together."""
    axes = axes_of(matched, free)
    assert sets_of(axes, stack, neighbours_only=neighbours_only) == wanted
    plan = fewest_setups(axes, stack, neighbours_only=neighbours_only)
    assert plan.exact
    assert plan.equal == 0
    assert plan.at_least == len(wanted)


def fewest_by_trying(axes: list[DrillAxis], stack: str, neighbours_only: bool) -> int:
    """Return the fewest set-ups, by trying every family of sets from the smallest on."""
    every = [frozenset(c) for n in range(1, len(stack) + 1) for c in combinations(stack, n)]
    forced = {one.plates for one in axes if one.matched}
    if neighbours_only:
        every = [one for one in every if "".join(sorted(one)) in stack or one in forced]

    def splits(wanted: frozenset[str], family: list[frozenset[str]]) -> bool:
        return any(
            frozenset(chain(*some)) == wanted and sum(map(len, some)) == len(wanted)
            for n in range(1, len(family) + 1)
            for some in combinations(family, n)
        )

    for extra in range(len(stack) + 1):
        for more in combinations([one for one in every if one not in forced], extra):
            family = [*forced, *more]
            if all(one.matched or splits(one.plates, family) for one in axes):
                return len(family)
    raise AssertionError


@pytest.mark.parametrize("neighbours_only", [True, False])
def test_fewest_as_by_trying_everything(neighbours_only: bool) -> None:
    """On random stacks of three and four plates no family of sets is smaller, and the plan drills each axis rightly."""
    rng = np.random.default_rng(41)
    for _ in range(60):
        stack = "1234"[: int(rng.integers(3, 5))]
        axes = []
        for k in range(int(rng.integers(2, 6))):
            plates = frozenset(p for p in stack if rng.random() < 0.6) or frozenset(stack[0])
            axes.append(DrillAxis(f"a{k}", plates, bool(rng.random() < 0.35)))
        plan = fewest_setups(axes, stack, neighbours_only=neighbours_only)
        check_setups(plan.setups, axes)
        assert plan.exact
        assert len(plan.setups) == fewest_by_trying(axes, stack, neighbours_only), axes


def test_nothing_is_drilled_where_it_does_not_belong() -> None:
    """No set-up clamps all plates unless an axis goes through all of them; an override that would is refused."""
    axes = axes_of(["12"], ["23", "1"])
    assert all(len(one.plates) < 3 for one in fewest_setups(axes, "123").setups)
    wrong = SetUp("X", ("1", "2", "3"), ("m12",), (), "")
    with pytest.raises(PlanError, match="set-up X would drill m12 through 3"):
        check_setups([wrong], axes)
    with pytest.raises(PlanError, match="no set-up drills f23"):
        check_setups([SetUp("X", ("1", "2"), ("m12",), (), "")], axes)
    twice = [SetUp("X", ("2", "3"), ("f23",), (), ""), SetUp("Y", ("3",), ("f23",), (), "")]
    with pytest.raises(PlanError, match="f23 is drilled twice"):
        check_setups(twice, axes_of([], ["23"]))
    halves = [SetUp("X", ("1",), ("m12",), (), ""), SetUp("Y", ("2",), ("m12",), (), "")]
    with pytest.raises(PlanError, match="m12 must be drilled in one pass"):
        check_setups(halves, axes_of(["12"], []))


def test_what_is_drilled_stays_drilled() -> None:
    """Only the rest is planned; a hole that had to go through both plates at once and did not is refused."""
    axes = axes_of(["12"], ["123"])
    plan = fewest_setups(axes, "123", done={"m12": frozenset("12"), "f123": frozenset("1")})
    assert [(one.plates, one.axes) for one in plan.setups] == [(("2", "3"), ("f123",))]
    assert (
        fewest_setups(axes, "123", done={"m12": frozenset("12"), "f123": frozenset("123")}).reason
        == "nothing is left to drill"
    )
    with pytest.raises(PlanError, match="m12 must be drilled in one pass through 1 \\+ 2, but 1 already has it"):
        fewest_setups(axes, "123", done={"m12": frozenset("1")})


def test_a_search_cut_short_says_so() -> None:
    """With a bound of a few steps the plan still drills all, and owns that it may not be the fewest."""
    axes = axes_of(["12", "23", "34"], ["1234", "123", "234", "14"])
    plan = fewest_setups(axes, "1234", most_nodes=2)
    check_setups(plan.setups, axes)
    assert not plan.exact
    assert plan.at_least < len(plan.setups)
    assert "may not be the fewest" in plan.reason


def test_a_search_cut_short_still_lessens() -> None:
    """Two axes through four plates each: not a set-up for every plate, even where nothing could be searched."""
    axes = axes_of([], ["1234", "5678", "12345678"])
    plan = fewest_setups(axes, "12345678", most_nodes=0)
    check_setups(plan.setups, axes)
    assert len(plan.setups) == 2
    assert len(fewest_setups(axes, "12345678").setups) == 2


def test_bad_axes_are_refused() -> None:
    """An axis without plates, in an unknown plate or twice is named."""
    for axes, words in (
        ([DrillAxis("a", frozenset())], "axis a goes through no plate"),
        ([DrillAxis("a", frozenset("9"))], "plate 9, which is not in the stack"),
        ([DrillAxis("a", frozenset("1")), DrillAxis("a", frozenset("2"))], "same id"),
    ):
        with pytest.raises(PlanError, match=words):
            fewest_setups(axes, "12")


def moves_of(order: tuple[Step, ...], start: frozenset[str] = frozenset()) -> int:
    """Return plates added and taken out, counted one by one."""
    on, moves = set(start), 0
    for step in order:
        moves += len(step.plates - on) + len(on - step.plates)
        on = set(step.plates)
    return moves


def test_worked_orders() -> None:
    """The worked cases' orders: 4 moves; 7, with pins the only one, 9 with all pins first; 5, and 7 with pins first."""
    a = best_order(steps_of("12", "23", "1"))
    assert (a.order, a.moves, a.equal) == (("1", "12", "23"), 4, 1)
    b = steps_of("12", "23", "34", "1", "4")
    free = best_order(b)
    assert (free.moves, free.equal) == (7, 2)
    assert free.order in (("1", "12", "23", "34", "4"), ("4", "34", "23", "12", "1"))
    plan = fewest_setups(axes_of(*CASES[1][:2]), "1234")
    assert best_order(as_steps(plan.setups)).moves == 7
    pins = best_order(b, before=pins_first(b, ["12", "23", "34"]))
    assert (pins.order, pins.moves, pins.equal) == (("1", "12", "23", "34", "4"), 7, 1)
    all_first = [("12", "23"), ("23", "34"), *((pin, one) for pin in ("12", "23", "34") for one in ("1", "4"))]
    first = best_order(b, before=all_first)
    assert (first.order, first.moves) == (("12", "23", "34", "4", "1"), 9)
    c = steps_of("12", "23", "123", "1", "3")
    assert (best_order(c).moves, best_order(c).equal) == (5, 2)
    pins = best_order(c, before=pins_first(c, ["12", "23"]))
    assert (pins.moves, pins.equal) == (7, 5)


def test_best_as_by_trying_every_order() -> None:
    """On random steps and conditions no order that keeps them has fewer moves, and as many orders share the fewest."""
    rng = np.random.default_rng(17)
    for _ in range(40):
        steps = []
        for k in range(int(rng.integers(1, 7))):
            plates = frozenset(p for p in "abcde" if rng.random() < 0.5) or frozenset("a")
            steps.append(Step(f"s{k}", plates))
        before = [(one.id, two.id) for i, one in enumerate(steps) for two in steps[i + 1 :] if rng.random() < 0.2]
        keeps = [
            order
            for order in permutations(steps)
            if all([s.id for s in order].index(x) < [s.id for s in order].index(y) for x, y in before)
        ]
        moves = [moves_of(order) for order in keeps]
        found = best_order(steps, before=before)
        assert found.exact
        assert found.moves == min(moves) == sum(found.each)
        assert found.equal == moves.count(min(moves))
        by_id = {one.id: one for one in steps}
        assert moves_of(tuple(by_id[name] for name in found.order)) == found.moves


def test_done_steps_stay_and_the_rest_is_ordered_anew() -> None:
    """From the stack that is on the machine, with what a done step should have waited for named."""
    c = steps_of("12", "23", "123", "1", "3")
    found = best_order(c, before=pins_first(c, ["12", "23"]), done=["123"])
    rest = [one for one in c if one.id != "123"]
    wanted = min(
        moves_of(order, frozenset("123"))
        for order in permutations(rest)
        if [s.id for s in order].index("12") < [s.id for s in order].index("23")
    )
    assert found.moves == wanted
    assert found.broken == (("12", "123"), ("23", "123"))
    assert "12 should have come before 123, which is done" in found.reason
    assert best_order(c, done=[one.id for one in c]).reason == "all steps are done"
    assert best_order(c, done=["12"], clamped=frozenset()).each[0] == 1


def test_many_steps_are_searched_within_a_bound() -> None:
    """Above the bound the order keeps the conditions and says that it may not be the best."""
    steps = steps_of("12", "23", "34", "45", "123", "234", "1", "5")
    found = best_order(steps, before=[("45", "12")], most_states=5)
    assert not found.exact
    assert found.equal is None
    assert sorted(found.order) == sorted(one.id for one in steps)
    assert found.order.index("45") < found.order.index("12")
    assert found.moves >= best_order(steps, before=[("45", "12")]).moves
    assert "may not be the fewest" in found.reason


def test_conditions_in_a_ring_are_refused() -> None:
    """Steps that wait for each other are named, and those that do not are not."""
    steps = steps_of("1", "2", "3")
    with pytest.raises(PlanError, match="the steps 1, 2 wait for each other"):
        best_order(steps, before=[("1", "2"), ("2", "1")])
    with pytest.raises(PlanError, match="step 9 is not among the steps"):
        best_order(steps, before=[("9", "1")])
    with pytest.raises(PlanError, match="clamps no plates"):
        best_order([Step("x", frozenset())])
    with pytest.raises(PlanError, match="pin step 9"):
        pins_first(steps, ["9"])
