"""Counts by the wheels that meshed: those a lost wheel could have had, and those a broken one is left with."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import pi, sqrt

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.core.measured import Measured, format_percent
from ctrecon.teeth.counts import CERTAIN, CountOdds
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.wheels.meshes import ADDENDUM, DEPTHING, TrainWheel, module_of

__all__ = ["CountByMates", "count_by_mates"]

_LEAST_U = 1e-6
"""A size without uncertainty is taken to this part of itself."""

_LEAST_ODDS = 1e-4
"""Counts less likely than this are not listed."""


@dataclass(frozen=True)
class CountByMates:
    """Counts by the mates: the one above 95 % or None, the range that holds 95 %, all of them, likeliest first."""

    teeth: int | None
    teeth_range: tuple[int, int]
    table: tuple[CountOdds, ...]
    reason: str


_GRID = 801
_REACH_SD = 5.0
"""The module is summed over this many standard uncertainties either way, in this many steps."""


def _densities(difference: Floats, u: Floats | float) -> Floats:
    return np.asarray(np.exp(-0.5 * (difference / u) ** 2) / (u * sqrt(2 * pi)))


def _tips(tip: Measured, addendum: Measured, teeth: Floats | int, module: Floats) -> Floats:
    """Return how likely a tip diameter is where the wheel has these teeth of this module."""
    u = np.hypot(max(tip.u or 0.0, _LEAST_U * tip.value), 2 * module * max(addendum.u or 0.0, _LEAST_U))
    return _densities(tip.value - module * (teeth + 2 * addendum.value), u)


def _at(distance: Measured | None, count: int, teeth: Floats, module: Floats, depthing: float) -> Floats:
    """Return how likely the distance is, (counts, modules), where its mate has this count."""
    if distance is None:
        return np.ones((len(teeth), len(module)))
    u = np.hypot(distance.u or 0.0, depthing * module)
    return _densities(distance.value - module * (count + teeth[:, None]) / 2, u)


def _odds(mate: TrainWheel) -> Mapping[int, float]:
    return {mate.teeth: 1.0} if mate.odds is None else mate.odds


def _likelihoods(
    mates: Sequence[tuple[TrainWheel, Measured | None]],
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
            joint = joint * sum(
                chance
                * _tips(mate.tip_diameter, mate.addendum, mates_count, module)
                * _at(distance, mates_count, teeth, module, depthing)
                for mates_count, chance in _odds(mate).items()
            )
        if tip_diameter is not None:
            joint = joint * _tips(tip_diameter, addendum, teeth[:, None], module)
        weight = np.exp(-0.5 * steps**2)
        likely += probability * (joint @ (weight / weight.sum()))
    return likely


def count_by_mates(
    mates: Sequence[tuple[TrainWheel, Measured | None]],
    *,
    name: str = "a lost wheel",
    seen: Mapping[int, float] | None = None,
    tip_diameter: Measured | None = None,
    addendum: Measured = ADDENDUM,
    least: int = 6,
    most: int = 400,
    depthing: float = DEPTHING,
) -> CountByMates:
    """Return the counts that a wheel could have had, by the wheels that it meshed with.

    Parameters
    ----------
    mates : sequence of (TrainWheel, Measured or None)
        Each wheel it meshed with, and the distance of the two arbors, mm; None where that is unknown.
    name : str
        Of the wheel, for the sentence.
    seen : mapping of int to float, or None
        Probabilities from a piece of its rim (`CountOfTeeth.table`); None: every count equally likely.
    tip_diameter : Measured or None
        Over its tips, mm; None for a lost wheel.
    addendum : Measured
        Of its teeth, modules; used with the tip diameter.
    least, most : int
        Counts to weigh.
    depthing : float
        How far a distance may be off the pitch radii, modules (k = 1).

    Notes
    -----
    Distance = m (z + z_mate) / 2, with u of the distance, of the depthing, and of the module m, which all wheels in
    mesh share and which is integrated out, as are the counts of mates that are not settled themselves: with odds on
    both sides this is what the joint odds of both say about one of them. An error of the scale is common to all
    lengths and moves no count.

    Examples
    --------
    >>> mate = TrainWheel("pinion", "A", 20, Measured(22.0, 0.01), Measured(1.0, 0.0))
    >>> count_by_mates([(mate, Measured(30.0, 0.02))]).teeth
    40
    """
    if not mates:
        raise PlanError(f"{name} needs a wheel it meshed with; give one, with the distance of their arbors")
    if tip_diameter is None and any(distance is None for _, distance in mates):
        raise PlanError(
            f"the distance from {name} to the arbor of its mate is unknown; put both on arbors of one record"
        )
    if not 3 <= least < most:
        raise PlanError(f"counts from {least} to {most} can't be weighed; give 3 or more, the larger last")
    counts = list(range(least, most + 1)) if seen is None else sorted(one for one, p in seen.items() if p > 0)
    if not depthing > 0 and any(distance is not None and not distance.u for _, distance in mates):
        raise PlanError("neither a distance nor the depthing has a standard uncertainty; give one of them")
    likely = _likelihoods(mates, np.array(counts, dtype=float), tip_diameter, addendum, depthing)
    if seen is not None:
        likely *= [seen[one] for one in counts]
    if not likely.sum() > 0:
        raise PlanError(
            f"no count from {counts[0]} to {counts[-1]} fits {' and '.join(mate.name for mate, _ in mates)} at these "
            "distances; check which wheels meshed"
        )
    odds = likely / likely.sum()
    order = sorted(range(len(counts)), key=lambda i: (-odds[i], counts[i]))
    within = [counts[i] for i in order[: int(np.searchsorted(np.cumsum(odds[order]), CERTAIN)) + 1]]
    table = tuple(CountOdds(counts[i], float(odds[i])) for i in order if odds[i] >= _LEAST_ODDS)
    best = table[0]
    named = " and ".join(f"{mate.name} ({mate.teeth})" for mate, _ in mates)
    rest = ", ".join(f"{one.teeth} {format_percent(one.probability)}" for one in table[1:4])
    says = f"in mesh with {named}, {name} of {best.teeth} teeth has {format_percent(best.probability)}"
    says += f" ({rest})" if rest else ""
    sure = best.probability > CERTAIN
    says += "" if sure else f"; no count is given, only the range {min(within)} to {max(within)}"
    return CountByMates(best.teeth if sure else None, (min(within), max(within)), table, says)
