"""The counts a lost wheel could have had, from the wheels it drove and the distances of arbors, ranked with odds."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import exp, pi, sqrt

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.core.measured import Measured, format_percent, format_value
from ctrecon.teeth.counts import CERTAIN, CountOdds
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.wheels.meshes import ADDENDUM, DEPTHING, TrainWheel, module_of
from ctrecon.workshop.wheels.modules import NO_STANDARD, module_hypotheses

__all__ = ["LostWheel", "PairOdds", "lost_pair", "lost_wheel"]

_LEAST_U = 1e-6
"""A size without uncertainty is taken to this part of itself."""

_LEAST_ODDS = 1e-4
"""Counts less likely than this are not listed."""


@dataclass(frozen=True)
class LostWheel:
    """Counts of a lost wheel: the one above 95 % or None, the range that holds 95 %, all of them likeliest first."""

    teeth: int | None
    teeth_range: tuple[int, int]
    table: tuple[CountOdds, ...]
    reason: str


@dataclass(frozen=True)
class PairOdds:
    """Two lost wheels that would have meshed: counts, turns of the second per turn of the first, odds, module (mm)."""

    first: int
    second: int
    ratio: Fraction
    probability: float
    module: float
    reason: str


def _normal(difference: float, u: float) -> float:
    return exp(-0.5 * (difference / u) ** 2) / (u * sqrt(2 * pi))


_GRID = 401
_REACH_SD = 5.0
"""The module is summed over this many standard uncertainties either way, in this many steps."""


def _densities(difference: Floats, u: Floats | float) -> Floats:
    return np.asarray(np.exp(-0.5 * (difference / u) ** 2) / (u * sqrt(2 * pi)))


def _by_module(mate: TrainWheel, distance: Measured, teeth: Floats, module: Floats, depthing: float) -> Floats:
    """Return how likely a mate's own module and the distance are, (counts, modules), over the counts it may have."""
    total = np.zeros((len(teeth), len(module)))
    for count, probability in _odds(mate).items():
        own = module_of(mate, count)
        total += probability * _densities(own.value - module, own.u or _LEAST_U * own.value) * _at(
            distance, count, teeth, module, depthing
        )  # fmt: skip
    return total


def _at(distance: Measured, count: int, teeth: Floats, module: Floats, depthing: float) -> Floats:
    """Return how likely the distance is, (counts, modules), where its mate has this count."""
    u = np.hypot(distance.u or 0.0, depthing * module)
    return _densities(distance.value - module * (count + teeth[:, None]) / 2, u)


def _odds(mate: TrainWheel) -> Mapping[int, float]:
    return {mate.teeth: 1.0} if mate.odds is None else mate.odds


def _likelihoods(
    mates: Sequence[tuple[TrainWheel, Measured]],
    teeth: Floats,
    tip_diameter: Measured | None,
    addendum: Measured,
    depthing: float,
) -> Floats:
    """Return how likely all that is known is, per count of the lost wheel.

    All wheels in mesh share one module: the best known one is summed over, the others are judged against it.
    """
    (known, apart), *others = sorted(mates, key=lambda one: (module_of(one[0]).u or 0.0) / module_of(one[0]).value)
    likely = np.zeros(len(teeth))
    for count, probability in _odds(known).items():
        own = module_of(known, count)
        steps = np.linspace(-_REACH_SD, _REACH_SD, _GRID)
        module = own.value + (own.u or _LEAST_U * own.value) * steps
        joint = _at(apart, count, teeth, module, depthing)
        for mate, distance in others:
            joint = joint * _by_module(mate, distance, teeth, module, depthing)
        if tip_diameter is not None:
            u = np.hypot(tip_diameter.u or 0.0, 2 * module * max(addendum.u or 0.0, _LEAST_U))
            joint = joint * _densities(tip_diameter.value - module * (teeth[:, None] + 2 * addendum.value), u)
        weight = np.exp(-0.5 * steps**2)
        likely += probability * (joint @ (weight / weight.sum()))
    return likely


def lost_wheel(
    mates: Sequence[tuple[TrainWheel, Measured]],
    *,
    seen: Mapping[int, float] | None = None,
    tip_diameter: Measured | None = None,
    addendum: Measured = ADDENDUM,
    least: int = 6,
    most: int = 400,
    depthing: float = DEPTHING,
) -> LostWheel:
    """Return the counts that a lost wheel on a known arbor could have had.

    Parameters
    ----------
    mates : sequence of (TrainWheel, Measured)
        Each wheel it meshed with, and the distance of the two arbors, mm.
    seen : mapping of int to float, or None
        Probabilities from a piece of its rim (`CountOfTeeth.table`); None: every count equally likely.
    tip_diameter : Measured or None
        Over its tips, mm, where a rim or a recess for it still shows it.
    addendum : Measured
        Of its teeth, modules; used with the tip diameter.
    least, most : int
        Counts to weigh.
    depthing : float
        How far a distance may be off the pitch radii, modules (k = 1).

    Notes
    -----
    Distance = m (z + z_mate) / 2, with u of the distance, of the depthing, and of the module m, which all wheels in
    mesh share and which is integrated out. An error of the scale is common to all lengths and moves no count.

    Examples
    --------
    >>> mate = TrainWheel("pinion", "A", 20, Measured(22.0, 0.01), Measured(1.0, 0.0))
    >>> lost_wheel([(mate, Measured(30.0, 0.02))]).teeth
    40
    """
    if not mates:
        raise PlanError("a lost wheel needs a wheel it meshed with; give one, with the distance of their arbors")
    if not 3 <= least < most:
        raise PlanError(f"counts from {least} to {most} can't be weighed; give 3 or more, the larger last")
    counts = list(range(least, most + 1))
    if not depthing > 0 and any(not distance.u for _, distance in mates):
        raise PlanError("neither a distance nor the depthing has a standard uncertainty; give one of them")
    likely = _likelihoods(mates, np.array(counts, dtype=float), tip_diameter, addendum, depthing)
    if seen is not None:
        likely *= [seen.get(one, 0.0) for one in counts]
    if not likely.sum() > 0:
        raise PlanError(
            f"no count from {least} to {most} fits {' and '.join(mate.name for mate, _ in mates)} at these distances; "
            "check which wheels meshed"
        )
    odds = likely / likely.sum()
    order = sorted(range(len(counts)), key=lambda i: (-odds[i], counts[i]))
    within = [counts[i] for i in order[: int(np.searchsorted(np.cumsum(odds[order]), CERTAIN)) + 1]]
    table = tuple(CountOdds(counts[i], float(odds[i])) for i in order if odds[i] >= _LEAST_ODDS)
    best = table[0]
    named = " and ".join(f"{mate.name} ({mate.teeth})" for mate, _ in mates)
    rest = ", ".join(f"{one.teeth} {format_percent(one.probability)}" for one in table[1:4])
    says = f"in mesh with {named} a lost wheel of {best.teeth} teeth has {format_percent(best.probability)}"
    says += f" ({rest})" if rest else ""
    sure = best.probability > CERTAIN
    says += "" if sure else f"; no count is given, only the range {min(within)} to {max(within)}"
    return LostWheel(best.teeth if sure else None, (min(within), max(within)), table, says)


def lost_pair(
    distance: Measured,
    module: Measured,
    *,
    ratio: Measured | Fraction | None = None,
    least: int = 6,
    most: int = 400,
    no_standard: float = NO_STANDARD,
    depthing: float = DEPTHING,
    listed: int = 40,
) -> tuple[PairOdds, ...]:
    """Return the pairs of counts that two lost wheels between two known arbors could have had, likeliest first.

    Parameters
    ----------
    distance : Measured
        Of the arbors, mm.
    module : Measured
        Of the train, by its other wheels, mm.
    ratio : Measured, Fraction or None
        Turns of the second per turn of the first, where the rest of the train asks for it.
    least, most : int
        Counts to weigh.
    no_standard : float
        Probability beforehand that the module is no common one; each common module is weighed as well.
    depthing : float
        As for `lost_wheel`.
    listed : int
        How many pairs to return; the probabilities are over all.

    Examples
    --------
    >>> best = lost_pair(Measured(30.0, 0.02), Measured(1.0, 0.01), ratio=Fraction(1, 2))[0]
    >>> best.first, best.second
    (20, 40)
    """
    if not 3 <= least < most or distance.value <= 0:
        raise PlanError(
            "two lost wheels need a distance above 0 and counts of 3 or more, the larger last; correct them"
        )
    sums: dict[int, tuple[float, float]] = {}
    guesses = module_hypotheses(module, no_standard=no_standard)
    for total in range(2 * least, 2 * most + 1):
        each = []
        for guess in guesses:
            u_module = guess.module.u or 0.0
            u = sqrt((distance.u or 0.0) ** 2 + (depthing * guess.module.value) ** 2 + (total / 2 * u_module) ** 2)
            if u <= 0:
                raise PlanError("the distance of the arbors has no standard uncertainty; give one")
            weight = guess.probability * _normal(distance.value - guess.module.value * total / 2, u)
            each.append((weight, guess.module.value))
        sums[total] = (sum(weight for weight, _ in each), max(each)[1])
    found = []
    for first in range(least, most + 1):
        for second in _seconds(first, ratio, least, most):
            weight, likely = sums[first + second]
            if isinstance(ratio, Measured):
                weight *= _normal(first / second - ratio.value, ratio.u or 1e-12)
            if weight > 0:
                found.append((weight, first, second, likely))
    everything = sum(one[0] for one in found)
    if everything == 0:
        raise PlanError("no pair of counts fits the distance, the module and the ratio; check which arbors they joined")
    found.sort(key=lambda one: (-one[0], one[1], one[2]))
    return tuple(
        PairOdds(
            first, second, Fraction(first, second), weight / everything, likely,
            f"{first} and {second} teeth (ratio {Fraction(first, second)}) at module {likely:.4g} have "
            f"{format_percent(weight / everything, 1)}: pitch radii {format_value(likely * (first + second) / 2, 2)} "
            f"in {format_value(distance.value, 2)} mm",
        )
        for weight, first, second, likely in found[:listed]
    )  # fmt: skip


def _seconds(first: int, ratio: Measured | Fraction | None, least: int, most: int) -> range | list[int]:
    """Return the counts of the second wheel worth weighing for the first."""
    if not isinstance(ratio, Fraction):
        return range(least, most + 1)
    if ratio <= 0:
        raise PlanError(f"a ratio of {ratio} can't be made by two wheels; give turns above 0, without the direction")
    second = first / ratio
    return [int(second)] if second.denominator == 1 and least <= second <= most else []
