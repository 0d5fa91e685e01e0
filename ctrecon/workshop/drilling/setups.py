"""Which plates are drilled together: the fewest set-ups that drill every axis through its own plates.

A set-up is a set of plates clamped together; whatever is drilled in it goes through all of them. An axis
is "matched" where its holes must line up by being drilled in one pass, and "free" where its plates may be
drilled in several passes. Finding the fewest set-ups is the disjoint-union form of Set Basis with forced
members (Garey & Johnson, Computers and Intractability, SP7: NP-complete), so it is searched with a bound.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from ctrecon.workshop.errors import PlanError

__all__ = ["MOST_APART", "MOST_NODES", "DrillAxis", "SetUp", "SetUpPlan", "fewest_setups"]

MOST_NODES = 40_000
"""Steps of the search before it stops and says that the answer may not be the fewest; guards the waiting time."""

MOST_APART = 12
"""Plates among which any may be clamped with any other; above, there are too many ways to look through."""

_MOST_FAMILIES = 200


@dataclass(frozen=True)
class DrillAxis:
    """An axis and the plates it goes through; `matched` where they must be drilled in one pass."""

    id: str
    plates: frozenset[str]
    matched: bool = False


@dataclass(frozen=True)
class SetUp:
    """Plates clamped together (top first) and the axes drilled in them; `matched` are those that need this set."""

    id: str
    plates: tuple[str, ...]
    axes: tuple[str, ...]
    matched: tuple[str, ...]
    reason: str


@dataclass(frozen=True)
class SetUpPlan:
    """The set-ups, top plate first.

    `exact` is whether no plan has fewer, `at_least` the number proved necessary, `equal` how many other plans
    with as few were seen; `passes` counts each axis once per set-up it is drilled in; `others` are plans with as few
    set-ups and as few passes.
    """

    setups: tuple[SetUp, ...]
    exact: bool
    at_least: int
    equal: int
    passes: int
    others: tuple[tuple[SetUp, ...], ...]
    reason: str


@dataclass
class _Search:
    """The search for extra set-ups: every way to split one unserved axis is tried, with few, then more of them."""

    wanted: list[int]
    forced: frozenset[int]
    neighbours_only: bool
    nodes_left: int
    found: set[frozenset[int]]
    seen: set[tuple[frozenset[int], int]]

    def run(self, new: frozenset[int], budget: int) -> None:
        """Add to `found` every family of `budget` or fewer new set-ups on top of `new` that serves all axes."""
        if (new, budget) in self.seen or self.nodes_left <= 0 or len(self.found) >= _MOST_FAMILIES:
            return
        self.seen.add((new, budget))
        self.nodes_left -= 1
        at_hand = self.forced | new
        unserved = next((one for one in self.wanted if _passes(one, at_hand) is None), None)
        if unserved is None:
            self.found.add(new)
            return
        for blocks in _splits(unserved, at_hand, budget, self.neighbours_only):
            self.run(new | blocks, budget - len(blocks))


def fewest_setups(
    axes: Sequence[DrillAxis], stack: Sequence[str], *, done: Mapping[str, frozenset[str]] | None = None,
    neighbours_only: bool = True, most_nodes: int = MOST_NODES,
) -> SetUpPlan:  # fmt: skip
    """Return the fewest set-ups that drill every axis through exactly its plates.

    Parameters
    ----------
    axes : sequence of DrillAxis
        The axes, each with its plates.
    stack : sequence of str
        Ids of the plates, top first.
    done : mapping of axis id to set of str, optional
        Plates in which an axis is drilled already; only the rest is planned.
    neighbours_only : bool
        Clamp only plates that lie next to each other in the stack, except where a matched axis asks for others.
    most_nodes : int
        Bound of the search; where it is reached `exact` is False.

    Returns
    -------
    SetUpPlan
        Among plans with as few set-ups, the one with the fewest passes, then the first by plates.

    Raises
    ------
    PlanError
        If an axis names no plate or an unknown one, a matched axis is drilled in some of its plates only, or more
        than `MOST_APART` plates are to be clamped in any company.

    Examples
    --------
    >>> pins = [DrillAxis("pin", frozenset("ab"), True), DrillAxis("arbor", frozenset("abc"))]
    >>> [one.plates for one in fewest_setups(pins, "abc").setups]
    [('a', 'b'), ('a', 'b', 'c')]
    """
    if not neighbours_only and len(stack) > MOST_APART:
        raise PlanError(f"{len(stack)} plates in any company are too many to try; clamp neighbours only")
    bits = {plate: 1 << i for i, plate in enumerate(stack)}
    left = _left_to_drill(axes, bits, done or {})
    forced = frozenset(mask for mask, matched in left.values() if matched)
    wanted = sorted({mask for mask, matched in left.values() if not matched}, key=lambda m: (-m.bit_count(), m))
    search = _Search(wanted, forced, neighbours_only, most_nodes, set(), set())
    # at worst each axis, or each plate, gets a set-up of its own
    apart = frozenset(wanted) - forced
    singly = frozenset(bit for one in wanted for bit in bits.values() if one & bit) - forced
    fallback = min((singly, apart) if not neighbours_only or all(map(_one_run, apart)) else (singly,), key=len)
    proved = 0
    for budget in range(len(fallback) + 1):
        search.run(frozenset(), budget)
        if search.found or search.nodes_left <= 0:
            break
        proved = budget + 1
    families = search.found or {_lessened(fallback, wanted, forced, neighbours_only)}
    # at a stop, a larger plan than the proved number may have been found
    least = min(len(one) for one in families)
    exact = least == proved
    best = [one for one in families if len(one) == least]
    each = {new: _all_passes(wanted, forced | new) for new in best}
    even = sorted((new for new in best if each[new] == min(each.values())), key=sorted)
    plans = [_as_setups(left, sorted(forced | new, key=_from_top), wanted, stack, forced) for new in even]
    setups = plans[0]
    passes = sum(len(one.axes) for one in setups)
    at_least = len(forced) + proved
    reason = _plan_reason(setups, exact, at_least, len(forced), len(best) - 1)
    return SetUpPlan(setups, exact, at_least, len(best) - 1, passes, tuple(plans[1:]), reason)


def _left_to_drill(
    axes: Sequence[DrillAxis], bits: Mapping[str, int], done: Mapping[str, frozenset[str]]
) -> dict[str, tuple[int, bool]]:
    """Return for each axis still to be drilled its plates as bits, and whether it is matched."""
    out: dict[str, tuple[int, bool]] = {}
    if len({one.id for one in axes}) < len(axes):
        raise PlanError("two axes have the same id; give each its own")
    for name in done:
        if name not in {one.id for one in axes}:
            raise PlanError(f"axis {name} is marked as drilled but is not among the axes; correct its id")
    for one in axes:
        unknown = sorted(one.plates - set(bits))
        if unknown or not one.plates:
            what = f"plate {unknown[0]}, which is not in the stack" if unknown else "no plate"
            raise PlanError(f"axis {one.id} goes through {what}; correct its plates")
        already = done.get(one.id, frozenset()) & one.plates
        rest = one.plates - already
        if not rest:
            continue
        if one.matched and already:
            raise PlanError(
                f"axis {one.id} must be drilled in one pass through {_named(one.plates, bits)}, but "
                f"{_named(already, bits)} already has it: spot through from there and call the axis free, or remake"
            )
        out[one.id] = (sum(bits[plate] for plate in rest), one.matched)
    return out


def _named(plates: frozenset[str], bits: Mapping[str, int]) -> str:
    return " + ".join(plate for plate in bits if plate in plates)


def _one_run(mask: int) -> bool:
    """Return whether the plates lie next to each other."""
    low = mask // (mask & -mask)
    return low & (low + 1) == 0


def _from_top(mask: int) -> tuple[int, int]:
    return (mask & -mask, mask)


def _blocks(mask: int, at_hand: frozenset[int], neighbours_only: bool) -> Iterator[int]:
    """Return every set-up that may drill the first of these plates, the largest first."""
    first = mask & -mask
    if neighbours_only:
        runs, run = [first], first
        while mask & (run | run << 1) != run:
            run |= mask & run << 1
            runs.append(run)
        yield from sorted({*runs, *(one for one in at_hand if one & mask == one and one & first)}, reverse=True)
        return
    rest = mask ^ first
    sub = rest
    while True:
        yield first | sub
        if sub == 0:
            return
        sub = (sub - 1) & rest


def _splits(mask: int, at_hand: frozenset[int], budget: int, neighbours_only: bool) -> Iterator[frozenset[int]]:
    """Return the new set-ups of each way to split the plates into set-ups at hand and at most `budget` new ones."""
    if mask == 0:
        yield frozenset()
        return
    for block in _blocks(mask, at_hand, neighbours_only):
        old = block in at_hand
        if not old and budget == 0:
            continue
        for rest in _splits(mask ^ block, at_hand, budget - (not old), neighbours_only):
            yield rest if old else rest | {block}


def _lessened(
    family: frozenset[int], wanted: Sequence[int], forced: frozenset[int], neighbours_only: bool
) -> frozenset[int]:
    """Return a family that serves all axes with fewer set-ups, as long as taking in one makes two others needless."""
    parts = {a & b for a in (*wanted, *forced) for b in wanted} | {a & ~b for a in wanted for b in (*wanted, *forced)}
    candidates = sorted(one for one in parts - forced if one and (_one_run(one) or not neighbours_only))
    best, better = family, True
    while better:
        better = False
        for one in (0, *candidates):
            less = best | ({one} if one else set())
            for old in sorted(best):
                if all(_passes(axis, forced | less - {old}) is not None for axis in wanted):
                    less -= {old}
            if len(less) < len(best):
                best, better = less, True
    return best


def _passes(mask: int, at_hand: frozenset[int]) -> tuple[int, ...] | None:
    """Return the fewest set-ups at hand that split the plates between them, None where none do."""
    if mask == 0:
        return ()
    best: tuple[int, ...] | None = None
    for block in sorted(at_hand, reverse=True):
        if block & mask == block and block & mask & -mask:
            rest = _passes(mask ^ block, at_hand)
            if rest is not None and (best is None or len(rest) + 1 < len(best)):
                best = (block, *rest)
    return best


def _all_passes(wanted: Sequence[int], at_hand: frozenset[int]) -> int:
    return sum(len(_passes(one, at_hand) or ()) for one in wanted)


def _as_setups(
    left: Mapping[str, tuple[int, bool]], masks: Sequence[int], wanted: Sequence[int], stack: Sequence[str],
    forced: frozenset[int],
) -> tuple[SetUp, ...]:  # fmt: skip
    served = {one: _passes(one, frozenset(masks)) or () for one in wanted}
    out = []
    for i, mask in enumerate(masks):
        plates = tuple(plate for k, plate in enumerate(stack) if mask >> k & 1)
        matched = tuple(name for name, (own, is_matched) in left.items() if is_matched and own == mask)
        free = tuple(name for name, (own, is_matched) in left.items() if not is_matched and mask in served[own])
        together = " + ".join(plates)
        if mask in forced:
            why = f"{', '.join(matched)} must be drilled in one pass through {together}, and through nothing else"
            if not _one_run(mask):
                why += "; these plates are not neighbours, so pack them flat to each other"
        else:
            part = [name for name in free if left[name][0] != mask]
            whole = [name for name in free if left[name][0] == mask]
            why = "; ".join(
                [f"{', '.join(whole)} goes through {together} and no further"] * bool(whole)
                + [f"{', '.join(part)}: these plates only, the others in other set-ups"] * bool(part)
            )
        out.append(SetUp(f"S{i + 1}", plates, (*matched, *free), matched, why))
    return tuple(out)


def _plan_reason(setups: Sequence[SetUp], exact: bool, at_least: int, forced: int, equal: int) -> str:
    many = f"{len(setups)} set-up{'s' if len(setups) != 1 else ''}"
    asked = f"{forced} of them needed as they are by holes drilled in one pass"
    if not setups:
        return "nothing is left to drill"
    if exact:
        others = f"; {equal} other choice{'s' if equal > 1 else ''} would need as many" if equal else ""
        return f"{many}, {asked}; every smaller choice was tried and fails{others}"
    return f"{many}, {asked}; the search was cut short: it may not be the fewest, at least {at_least} are needed"
