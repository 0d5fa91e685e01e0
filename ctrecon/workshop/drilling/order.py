"""The order of the set-ups with the fewest changes of stack, what must come first coming first.

A change costs one move for each plate added and each taken out, and the first load counts. The search goes
layer by layer over (steps done, step last done), the Held-Karp dynamic programme (Held & Karp 1962, "A
dynamic programming approach to sequencing problems"), here with precedence.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from ctrecon.workshop.drilling.setups import SetUp
from ctrecon.workshop.errors import PlanError

__all__ = ["MOST_STATES", "SetUpOrder", "Step", "as_steps", "best_order", "pins_first"]

MOST_STATES = 13_000
"""States kept in a layer; up to 13 steps are never cut by it, above it the order may not be the best."""


@dataclass(frozen=True)
class Step:
    """A step at the drilling machine and the plates clamped for it."""

    id: str
    plates: frozenset[str]


@dataclass(frozen=True)
class SetUpOrder:
    """The steps in order.

    `moves` are plates added and taken out from here on, `each` those before each step; `exact` is whether no
    order has fewer, `equal` how many orders have as few (this one included; None where the search was cut);
    `done` the steps done before, `broken` pairs (first, then) of which `then` is done and `first` is not.
    """

    order: tuple[str, ...]
    moves: int
    each: tuple[int, ...]
    exact: bool
    equal: int | None
    done: tuple[str, ...]
    broken: tuple[tuple[str, str], ...]
    reason: str


def as_steps(setups: Sequence[SetUp]) -> tuple[Step, ...]:
    """Return one step for each set-up, under its id."""
    return tuple(Step(one.id, frozenset(one.plates)) for one in setups)


def pins_first(steps: Sequence[Step], pins: Sequence[str]) -> tuple[tuple[str, str], ...]:
    """Return what must come before what where plates are registered top down, each to the one below.

    The pin steps follow each other as listed; every other step that clamps plates held by a pin waits for it. A
    plate drilled alone waits for none.

    Parameters
    ----------
    steps : sequence of Step
        All steps.
    pins : sequence of str
        Ids of the steps that put in register pins, top joint first.

    Returns
    -------
    tuple of (str, str)
        Pairs (first, then) for `best_order`.
    """
    by_id = _by_id(steps)
    for pin in pins:
        if pin not in by_id:
            raise PlanError(f"pin step {pin} is not among the steps; correct its id")
    chain = list(pairwise(pins))
    waits = [(pin, one.id) for pin in pins for one in steps if one.id not in pins and by_id[pin].plates <= one.plates]
    return (*chain, *waits)


def best_order(
    steps: Sequence[Step], *, before: Sequence[tuple[str, str]] = (), done: Sequence[str] = (),
    clamped: frozenset[str] | None = None, most_states: int = MOST_STATES,
) -> SetUpOrder:  # fmt: skip
    """Return the order of the steps with the fewest plates added and taken out.

    Parameters
    ----------
    steps : sequence of Step
        All steps, also those done.
    before : sequence of (str, str)
        Pairs (first, then) of ids.
    done : sequence of str
        Steps done already, in their order; they stay as they are and the rest is ordered anew.
    clamped : set of str, optional
        Plates on the machine now; those of the last step done when not given.
    most_states : int
        Bound of the search; where it is reached `exact` is False.

    Raises
    ------
    PlanError
        If an id is unknown or listed twice, a step has no plates, or steps wait for each other in a ring.

    Examples
    --------
    >>> sets = [Step("both", frozenset("ab")), Step("lower", frozenset("bc")), Step("top", frozenset("a"))]
    >>> best_order(sets).order, best_order(sets).moves
    (('top', 'both', 'lower'), 4)
    """
    by_id = _by_id(steps)
    for name in (*done, *(one for pair in before for one in pair)):
        if name not in by_id:
            raise PlanError(f"step {name} is not among the steps; correct its id")
    if len(set(done)) < len(done):
        raise PlanError("a step is marked as done twice; list it once")
    rest = [one for one in steps if one.id not in done]
    index = {one.id: i for i, one in enumerate(rest)}
    broken = tuple((a, b) for a, b in before if b in done and (a not in done or done.index(a) > done.index(b)))
    waits = [0] * len(rest)
    for first, then in before:
        if then in index and first in index:
            waits[index[then]] |= 1 << index[first]
    at_start = clamped if clamped is not None else by_id[done[-1]].plates if done else frozenset()
    path, cost, equal, cut = _layers(rest, waits, at_start, most_states)
    stacks = [at_start, *(by_id[name].plates for name in path)]
    each = tuple(len(a ^ b) for a, b in pairwise(stacks))
    reason = _reason(path, cost, equal, cut, len(done), [pair for pair in broken if pair[0] not in done])
    return SetUpOrder(path, cost, each, not cut, None if cut else equal, tuple(done), broken, reason)


def _by_id(steps: Sequence[Step]) -> dict[str, Step]:
    out: dict[str, Step] = {}
    for one in steps:
        if one.id in out:
            raise PlanError(f"two steps are called {one.id}; give each its own id")
        if not one.plates:
            raise PlanError(f"step {one.id} clamps no plates; name them")
        out[one.id] = one
    return out


def _refuse_ring(rest: Sequence[Step], waits: Sequence[int]) -> None:
    free = 0
    while True:
        more = sum(1 << i for i in range(len(rest)) if not free >> i & 1 and not waits[i] & ~free)
        if not more:
            break
        free |= more
    stuck = [one.id for i, one in enumerate(rest) if not free >> i & 1]
    if stuck:
        raise PlanError(f"the steps {', '.join(stuck)} wait for each other in a ring; drop one of the conditions")


def _layers(
    rest: Sequence[Step], waits: Sequence[int], start: frozenset[str], most_states: int
) -> tuple[tuple[str, ...], int, int, bool]:
    """Return the best path, its cost, how many share it and whether states were dropped."""
    n = len(rest)
    if not n:
        return (), 0, 1, False
    _refuse_ring(rest, waits)
    moves = [[len(a.plates ^ b.plates) for b in rest] for a in rest]
    # (steps done as bits, last step) -> (cost, number of ways, path)
    layer: dict[tuple[int, int], tuple[int, int, tuple[int, ...]]] = {
        (1 << i, i): (len(start ^ rest[i].plates), 1, (i,)) for i in range(n) if not waits[i]
    }
    cut = False
    for _ in range(n - 1):
        following: dict[tuple[int, int], tuple[int, int, tuple[int, ...]]] = {}
        for (mask, last), (cost, ways, path) in layer.items():
            for i in range(n):
                if mask >> i & 1 or waits[i] & ~mask:
                    continue
                key, new = (mask | 1 << i, i), cost + moves[last][i]
                old = following.get(key)
                if old is None or (new, (*path, i)) < (old[0], old[2]):
                    also = old[1] if old is not None and old[0] == new else 0
                    following[key] = (new, ways + also, (*path, i))
                elif new == old[0]:
                    following[key] = (old[0], old[1] + ways, old[2])
        if len(following) > most_states:
            cut = True
            kept = sorted(following.items(), key=lambda item: (item[1][0], item[1][2]))[:most_states]
            following = dict(kept)
        layer = following
    cost = min(value[0] for value in layer.values())
    best = [value for value in layer.values() if value[0] == cost]
    path = min(value[2] for value in best)
    return tuple(rest[i].id for i in path), cost, sum(value[1] for value in best), cut


def _reason(
    path: Sequence[str], cost: int, equal: int, cut: bool, done: int, broken: Sequence[tuple[str, str]]
) -> str:  # fmt: skip
    if not path:
        return "all steps are done"
    says = f"{', '.join(path)}: {cost} plate{'s' if cost != 1 else ''} put in or taken out"
    if cut:
        says += "; there are too many steps to try all orders, so it may not be the fewest"
    else:
        says += ", the fewest of all orders that keep the conditions"
        says += f" ({equal} orders have as few)" if equal > 1 else ""
    if done:
        says += f"; counted from the {done} step{'s' if done > 1 else ''} already done"
    for first, then in broken:
        says += f"; {first} should have come before {then}, which is done: check that the plates still register"
    return says
