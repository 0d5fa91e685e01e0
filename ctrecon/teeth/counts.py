"""How many teeth a wheel had, from those that are left: every count with its probability."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ctrecon.core.errors import InputError
from ctrecon.core.frames import Floats
from ctrecon.core.measured import Measured, format_percent, format_short, format_value
from ctrecon.teeth.habits import HAND_DIVISION, DivisionHabits, Hypothesis
from ctrecon.teeth.likelihood import Weighed, covariance, slope_variance, weigh
from ctrecon.teeth.rim import SURE_CENTRE, Centre, Rim, read_rim, seen_words

__all__ = ["CERTAIN", "LEAST_TEETH", "MOST_TEETH", "CountOdds", "CountOfTeeth", "count_teeth"]

CERTAIN = 0.95
"""A count is given as the count only above this probability."""

LEAST_TEETH, MOST_TEETH = 6, 400
"""Counts tried unless others are stated, each as likely as another before the rim is seen."""

_LEAST_ODDS = 1e-4
"""Counts less likely than this are not listed."""

_DROPPED = 1e-7
"""The search for counts ends after a long row of counts this much less likely than the best."""

_HALF_TOOTH_SD = 0.5 / 1.96
"""A spread of the count (k = 1) at which half a tooth is 95 %."""


@dataclass(frozen=True)
class CountOdds:
    """One count with its probability."""

    teeth: int
    probability: float


@dataclass(frozen=True)
class CountOfTeeth:
    """How many teeth there were.

    Attributes
    ----------
    teeth : int or None
        The count, where one has more than 95 %.
    teeth_range : tuple of int
        The fewest and most teeth of the likeliest counts that hold 95 % together.
    table : tuple of CountOdds
        Counts with their probabilities, likeliest first.
    tried : tuple of int
        Least and most teeth of the flat prior.
    estimate : Measured
        Mean count and its standard uncertainty, as if it need not be whole.
    pitch_deg : Measured
        Mean angle of a tooth on what is left of the rim, free of the count.
    random_deg, drift_deg : float
        Independent error per tooth, and drifting error per step, that the rim itself shows, degrees.
    bent : tuple of int
        Teeth (from 0 in the order given) that look bent and count little.
    numbers : tuple of int
        Number of each tooth round the rim, the first being 0, for the likeliest count.
    settle : tuple of str
        What would settle the count; empty where it is settled.
    reason : str
        One sentence.
    """

    teeth: int | None
    teeth_range: tuple[int, int]
    table: tuple[CountOdds, ...]
    tried: tuple[int, int]
    estimate: Measured
    pitch_deg: Measured
    random_deg: float
    drift_deg: float
    bent: tuple[int, ...]
    numbers: tuple[int, ...]
    settle: tuple[str, ...]
    reason: str


def count_teeth(
    runs: Sequence[Sequence[Measured]],
    *,
    radius: float,
    centre: Centre = SURE_CENTRE,
    whole: bool = False,
    least: int = LEAST_TEETH,
    most: int = MOST_TEETH,
    habits: DivisionHabits = HAND_DIVISION,
) -> CountOfTeeth:
    """Return how many teeth the wheel had.

    Parameters
    ----------
    runs : sequence of sequences of Measured
        Angles of the teeth that are left (degrees, anticlockwise, each with u), one sequence per stretch of
        neighbours; between two stretches the rim is lost.
    radius : float
        At which the angles were taken, mm.
    centre : Centre
        Uncertainty of the centre they were taken about, mm.
    whole : bool
        The rim is whole, in one stretch: its teeth are simply counted.
    least, most : int
        Counts to weigh.
    habits : DivisionHabits
        Errors of hand division to weigh.

    Raises
    ------
    InputError
        If the teeth can't be counted, with what is wrong.

    Examples
    --------
    >>> left = [Measured(7.5 * k, 0.05) for k in range(20)]
    >>> found = count_teeth([left], radius=20.0, centre=Centre(0.01, 0.01))
    >>> found.teeth, found.teeth_range
    (48, (48, 48))
    """
    if radius <= 0 or min(centre.u_x, centre.u_y) < 0 or abs(centre.r) > 1:
        raise InputError("a rim needs a radius above 0, and its centre uncertainties of 0 or more; correct them")
    if not 3 <= least < most:
        raise InputError(f"counts from {least} to {most} can't be weighed; give 3 or more, the larger last")
    rim = read_rim(runs)
    if whole:
        return _counted(rim, least, most)
    weighed = _search(rim, least, most, radius=radius, centre=centre, habits=habits)
    logs = np.array([one.log_likelihood for one in weighed])
    odds = np.exp(logs - logs.max())
    odds /= odds.sum()
    order = sorted(range(len(weighed)), key=lambda i: (-odds[i], weighed[i].teeth))
    best = weighed[order[0]]
    within = order[: int(np.searchsorted(np.cumsum(odds[order]), CERTAIN)) + 1]
    counts = [weighed[i].teeth for i in within]
    likely, dividing = _division(weighed, odds, habits)
    sd = _spread(rim, best, dividing, radius, centre, habits)
    mean = float(np.sum(odds * [one.teeth for one in weighed]))
    listed = tuple(CountOdds(weighed[i].teeth, float(odds[i])) for i in order if odds[i] >= _LEAST_ODDS)
    teeth = best.teeth if listed[0].probability > CERTAIN else None
    settle = () if teeth else _settle(rim, best, dividing, radius, centre, habits)
    reach = (min(counts), max(counts))
    return CountOfTeeth(
        teeth, reach, listed, (least, most), Measured(mean, sd), _pitch(rim, radius, centre),
        float(np.degrees(dividing.random * rim.step)),
        float(np.degrees(dividing.drift * rim.step)), rim.bent, best.numbers, settle,
        _reason(rim, listed, reach, (least, most), likely),
    )  # fmt: skip


def _counted(rim: Rim, least: int, most: int) -> CountOfTeeth:
    """Return the count of a whole rim, where no tooth is missing."""
    n = len(rim.angles)
    closing = float(rim.angles[0] + 2 * np.pi - rim.angles[-1]) / rim.step
    if len(rim.first_of) > 1 or not 0.5 < closing < 1.5:
        raise InputError(
            f"the rim is not whole: the step from the last tooth to the first is {format_short(closing, 3)} times the "
            "others; give it as broken, or the missing teeth"
        )
    says = f"the rim is whole: {n} teeth, counted; no step is wide enough to hold another"
    numbers = tuple(range(n))
    return CountOfTeeth(
        n,
        (n, n),
        (CountOdds(n, 1.0),),
        (least, most),
        Measured(n, 0.0),
        Measured(360 / n, float(np.degrees(np.sqrt(2) * np.median(rim.u))) / n),
        *_plain_errors(rim),
        rim.bent,
        numbers,
        (),
        says,
    )


def _plain_errors(rim: Rim) -> tuple[float, float]:
    """Return random error and drift (degrees) of a whole rim from its first and second differences."""
    steps = np.diff(rim.angles)
    first, second = float(np.var(steps)), float(np.mean(np.diff(steps) ** 2))
    # var of a step = 2 r² + d²; mean square of the next less this = 6 r² + 2 d²
    random = max(second - 2 * first, 0.0) / 2
    return float(np.degrees(np.sqrt(random))), float(np.degrees(np.sqrt(max(first - 2 * random, 0.0))))


def _search(rim: Rim, least: int, most: int, *, radius: float, centre: Centre, habits: DivisionHabits) -> list[Weighed]:
    """Return the counts worth weighing, from the nearest to the median step outwards."""
    n = len(rim.angles)
    start = min(max(round(2 * np.pi / rim.step), least, n), most)
    if n > most:
        raise InputError(f"{n} teeth are left, more than the {most} that may be weighed; raise the limit")
    found = {start: weigh(rim, start, radius=radius, centre=centre, habits=habits)}
    for way in (-1, 1):
        teeth, silent = start + way, 0
        while max(least, n) <= teeth <= most:
            found[teeth] = weigh(rim, teeth, radius=radius, centre=centre, habits=habits)
            top = max(one.log_likelihood for one in found.values())
            silent = silent + 1 if found[teeth].log_likelihood < top + np.log(_DROPPED) else 0
            if silent > max(3, 0.02 * start):
                break
            teeth += way
    if not any(np.isfinite(one.log_likelihood) for one in found.values()):
        raise InputError("no count in the range fits the teeth that are left; check their order and the lost parts")
    return [found[teeth] for teeth in sorted(found)]


def _division(weighed: list[Weighed], odds: Floats, habits: DivisionHabits) -> tuple[Hypothesis, Hypothesis]:
    """Return the likeliest way of dividing, and the mean of all by their odds."""
    all_ways = habits.hypotheses()
    odds_of = np.zeros(len(all_ways))
    for one, probability in zip(weighed, odds, strict=True):
        if probability > 0:
            share = np.exp(one.by_hypothesis - one.by_hypothesis.max())
            odds_of += probability * share / share.sum()
    means = [
        float(np.sum(odds_of * [getattr(one, name) for one in all_ways])) for name in ("random", "drift", "eccentric")
    ]
    return all_ways[int(np.argmax(odds_of))], Hypothesis(*means)


def _closing_variance(teeth: int, habits: DivisionHabits) -> float:
    """Return the variance of the pitch (pitches²) from what the closing left over."""
    return float(np.mean(np.square(habits.closing))) / teeth**2


def _spread(
    rim: Rim, best: Weighed, dividing: Hypothesis, radius: float, centre: Centre, habits: DivisionHabits
) -> float:
    """Return the standard uncertainty of the count as if it need not be whole."""
    numbers = np.array(best.numbers, dtype=float)
    cov = covariance(rim, best.teeth, numbers, [dividing], radius, centre)[0]
    pitch = 2 * np.pi / best.teeth
    extra = _closing_variance(best.teeth, habits) * pitch**2
    return float(best.teeth / pitch * np.sqrt(slope_variance(cov, numbers, extra=extra)))


def _pitch(rim: Rim, radius: float, centre: Centre) -> Measured:
    """Return the mean step (degrees) of the teeth that are left, by least squares within each stretch.

    It is free of the count, and of how the lost teeth were divided; u is that of the angles and of the centre.
    """
    n = len(rim.angles)
    stretch = np.searchsorted(rim.first_of, np.arange(n), side="right") - 1
    own = stretch[:, None] == np.arange(len(rim.first_of))
    design = np.column_stack([own, np.arange(n) - np.array(rim.first_of)[stretch]]).astype(float)
    straight = np.setdiff1d(np.arange(n), rim.bent)
    weights = np.zeros(n)
    weights[straight] = np.linalg.pinv(design[straight])[-1]
    shift = weights @ np.column_stack([np.sin(rim.angles), -np.cos(rim.angles)]) / radius
    across = centre.r * centre.u_x * centre.u_y
    variance = float(shift @ np.array([[centre.u_x**2, across], [across, centre.u_y**2]]) @ shift)
    variance += float(weights**2 @ rim.u**2)
    return Measured(float(np.degrees(weights @ rim.angles)), float(np.degrees(np.sqrt(variance))))


def _settle(
    rim: Rim, best: Weighed, dividing: Hypothesis, radius: float, centre: Centre, habits: DivisionHabits
) -> tuple[str, ...]:
    """Return what would bring the spread of the count down to where half a tooth is 95 %."""
    says = []
    worst = float(np.hypot(centre.u_x, centre.u_y))
    if worst > 0:
        for part in (0.5, 0.2, 0.1, 0.05, 0.02):
            closer = Centre(centre.u_x * part, centre.u_y * part, centre.r)
            if _spread(rim, best, dividing, radius, closer, habits) <= _HALF_TOOTH_SD:
                says.append(
                    f"the centre of the bore to ±{format_short(2 * part * worst, 2)} mm (k = 2) instead of "
                    f"±{format_short(2 * worst, 2)}"
                )
                break
    needed = _more_rim(rim, best, dividing, radius, centre, habits)
    if needed is not None:
        seen = best.numbers[-1] + 1
        says.append(f"{needed - seen} more teeth beside those left ({needed} in one stretch instead of {seen})")
    says.append(
        "a wheel it meshed with: its count, its pitch, and the distance of the two arbors to a quarter of a module"
    )
    return tuple(says)


def _more_rim(
    rim: Rim, best: Weighed, dividing: Hypothesis, radius: float, centre: Centre, habits: DivisionHabits
) -> int | None:
    """Return how many teeth in one stretch would settle the count; None where less than the whole rim would not."""
    typical = float(np.median(rim.u))
    for n in range(best.numbers[-1] + 2, best.teeth):
        numbers = np.arange(n)
        angles = rim.angles[0] + 2 * np.pi / best.teeth * numbers
        wider = Rim(angles, np.full(n, typical), (0,), (), rim.step)
        as_if = Weighed(best.teeth, 0.0, np.zeros(1), tuple(int(k) for k in numbers))
        if _spread(wider, as_if, dividing, radius, centre, habits) <= _HALF_TOOTH_SD:
            return n
    return None


def _reason(
    rim: Rim, listed: tuple[CountOdds, ...], reach: tuple[int, int], tried: tuple[int, int], likely: Hypothesis
) -> str:
    """Return the sentence of the count."""
    best = listed[0]
    odds = format_percent(best.probability, 1 if best.probability < 0.9995 else 0)
    odds = f"more than {format_percent(0.999, 1)}" if best.probability >= 0.9995 else odds
    says = f"{seen_words(rim, best.teeth)}: {best.teeth} teeth has {odds}"
    if best.probability <= CERTAIN:
        others = ", ".join(f"{one.teeth} {format_percent(one.probability)}" for one in listed[1:4])
        says = f"{says} ({others}), so no count is given, only the range {reach[0]} to {reach[1]}"
    bent = "" if not rim.bent else f"; {len(rim.bent)} bent teeth count little"
    return (
        f"{says}; counts from {tried[0]} to {tried[1]} were equally likely before, and the rim shows random errors of "
        f"about {format_value(100 * likely.random, 1)} % of a pitch{bent}"
    )
