"""The divider's habits: where the circle was closed, which parts were marked first, how pitches were divided."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.special import fdtrc, stdtr

from ctrecon.core.frames import Floats
from ctrecon.core.measured import format_percent, format_value
from ctrecon.teeth.rim import Rim

__all__ = ["CHANCE", "Habit", "habits_of"]

CHANCE = 0.01
"""A habit is told only where chance would do as well in fewer than one of a hundred rims, all places tried paid for."""

_PARTS = (2, 3, 4, 5, 6, 8)
"""Parts a circle is first divided into (common practice, no source)."""

_CORNERED = ("closing", "closing in parts", "parts")

_WALKS = (0.0, 0.001, 0.01, 0.1, 1.0, 10.0)
"""Variance of a step's error over that of a tooth's own that are weighed."""

_EVERY = (2, 3, 4)
"""Every second, third or fourth tooth: marks set first, those between afterwards (common practice, no source)."""

_LEAST_STEPS = 8
"""Fewer steps show no habit."""

_BESIDE = 8
"""Harmonics beside one that say how large it would be by chance."""


@dataclass(frozen=True)
class Habit:
    """What the divider did: `kind` is closing, closing in parts, parts or every; `by` parts or teeth, and where.

    `at` is the number of the tooth after the (first) step in question, or of the first tooth of a part; `size_deg` is
    the step's excess, the root mean square error of the parts' corners, or the shift of every by-th tooth.
    """

    kind: str
    by: int
    at: int
    size_deg: float
    chance: float
    reason: str


def habits_of(rim: Rim, where: Floats, error: Floats, pitch: float, whole: bool) -> tuple[Habit, ...]:
    """Return the habits that chance would hardly imitate, least likely first.

    Parameters
    ----------
    rim : Rim
        The teeth that are left.
    where, error : (n,) arrays
        Number of each tooth, and its error, radians.
    pitch : float
        Radians.
    whole : bool
        Every tooth is there.

    Notes
    -----
    A step is judged against the others by Student's t; corners of equal parts by Fisher's F after independent errors
    and a closed walk, their share by likelihood, are whitened; every by-th tooth by its harmonic against those
    beside it. Each chance is times the places tried (Bonferroni).
    """
    inside = [i for i in rim.inside if i not in rim.bent and i - 1 not in rim.bent]
    if len(inside) < _LEAST_STEPS:
        return ()
    steps = error[inside] - error[np.array(inside) - 1]
    after = where[inside].astype(int)
    if whole:  # the step from the last tooth to the first
        steps, after = np.append(steps, error[0] - error[-1]), np.append(after, 0)
    found: list[Habit | None] = [_closing(steps, after)]
    n = len(error)
    if len(steps) == n:  # every step once round
        ordered = np.roll(steps, 1)  # step k leads to tooth k
        found += [_closing_in_parts(ordered, parts) for parts in _PARTS if n % parts == 0 and n // parts >= 4]
        turn = 2 * np.pi * np.arange(n) / n
        plain = np.column_stack([np.ones(n), np.cos(turn), np.sin(turn)])
        whiten = _whitening(error, plain)
        found += [
            _parts(error, whiten, plain, parts) for parts in _PARTS if parts > 3 and n % parts == 0 and n // parts >= 4
        ]
    found += [_every(rim, where, error, by, pitch) for by in _EVERY]
    told = [one for one in found if one is not None and one.chance < CHANCE]
    # of one step, or of steps a part apart, only the likeliest story is told
    likely: list[Habit] = []
    for one in sorted(told, key=lambda one: (one.chance, one.kind)):
        if not (one.kind in _CORNERED and any(other.kind in _CORNERED for other in likely)):
            likely.append(one)
    return tuple(likely)


def _outlying(one: float, others: Floats, count: int) -> float:
    """Return how often chance gives a mean of `count` values this far from the others."""
    n = len(others)
    sd = float(np.std(others, ddof=1)) * np.sqrt(1 / count + 1 / n)
    if sd == 0:
        return 1.0
    return float(2 * stdtr(n - 1, -abs(one - float(np.mean(others))) / sd))


def _closing(steps: Floats, after: Floats) -> Habit:
    """Return the step that departs most from the others."""
    k = int(np.argmax(np.abs(steps - np.median(steps))))
    others = np.delete(steps, k)
    size = float(np.degrees(steps[k] - np.mean(others)))
    chance = min(_outlying(float(steps[k]), others, 1) * len(steps), 1.0)
    says = (
        f"the step before tooth {int(after[k]) + 1} is {format_value(size, 3, sign=True)}° off the others: "
        "the divider closed the circle there"
    )
    return Habit("closing", 1, int(after[k]), size, chance, says)


def _closing_in_parts(steps: Floats, parts: int) -> Habit:
    """Return the equally spaced steps that depart most: each part was closed by itself."""
    each = len(steps) // parts
    by_place = steps.reshape(parts, each)
    k = int(np.argmax(np.abs(by_place.mean(axis=0) - steps.mean())))
    others = np.delete(by_place, k, axis=1).ravel()
    mean = float(by_place[:, k].mean())
    # each of the steps must depart the same way, else one alone (the closing of the circle) would do
    apart = by_place[:, k] - float(np.mean(others))
    chance = min(_outlying(mean, others, parts) * each * len(_PARTS), 1.0)
    same = bool(np.all(np.sign(apart) == np.sign(apart[0])) and np.min(np.abs(apart)) > 0.25 * np.max(np.abs(apart)))
    size = float(np.degrees(mean - np.mean(others)))
    says = (
        f"every {each}th step, from tooth {k + 1} on, is {format_value(size, 3, sign=True)}° off: the circle "
        f"was divided in {parts} and each part closed"
    )
    return Habit("closing in parts", parts, k, size, chance if same else 1.0, says)


def _whitening(error: Floats, plain: Floats) -> Floats:
    """Return the inverse root of the errors' covariance: independent errors and a closed walk, by likelihood."""
    n = len(error)
    k = np.arange(n)
    walk = np.minimum(k[:, None], k[None, :]) - k[:, None] * k[None, :] / n
    best, chosen = -np.inf, np.eye(n)
    for ratio in _WALKS:
        lower = np.linalg.cholesky(np.eye(n) + ratio * walk)
        design = np.linalg.solve(lower, plain)
        white = np.linalg.solve(lower, error)
        rest = white - design @ np.linalg.lstsq(design, white, rcond=None)[0]
        likely = -0.5 * n * float(np.log(np.mean(rest**2) + 1e-300)) - float(np.sum(np.log(np.diag(lower))))
        if likely > best:
            best, chosen = likely, np.linalg.inv(lower)
    return chosen


def _parts(error: Floats, whiten: Floats, plain: Floats, parts: int) -> Habit:
    """Return whether the errors run straight between the corners of equal parts: these were marked first."""
    n = len(error)
    each = n // parts
    null = whiten @ plain
    white = whiten @ error
    before = float(np.sum((white - null @ np.linalg.lstsq(null, white, rcond=None)[0]) ** 2))
    best = (before, 0, np.zeros(parts))
    for k in range(each):
        place = ((np.arange(n)[:, None] - k - each * np.arange(parts)[None, :]) + n / 2) % n - n / 2
        corners = np.maximum(1 - np.abs(place) / each, 0.0)
        design = whiten @ np.column_stack([plain, corners[:, 1:]])
        fitted = np.linalg.lstsq(design, white, rcond=None)[0]
        left = float(np.sum((white - design @ fitted) ** 2))
        if left < best[0]:
            best = (left, k, np.append(0.0, fitted[plain.shape[1] :]))
    free = n - plain.shape[1] - parts + 1
    ratio = (before - best[0]) / (parts - 1) / max(best[0] / free, 1e-300)
    chance = float(fdtrc(parts - 1, free, ratio)) * each * len(_PARTS)
    # corners that follow one wave per turn are a shifted centre's, not the divider's
    turn = 2 * np.pi * np.arange(parts) / parts
    waves = np.column_stack([np.ones(parts), np.cos(turn), np.sin(turn)])
    own = best[2] - waves @ np.linalg.lstsq(waves, best[2], rcond=None)[0]
    size = float(np.degrees(np.sqrt(np.mean(own**2))))
    says = (
        f"the errors run straight between {parts} corners, tooth {best[1] + 1} and every {each}th on, which are off by "
        f"{format_value(size, 3)}° root mean square: these were marked first"
    )
    return Habit("parts", parts, best[1], size, min(chance, 1.0), says)


def _every(rim: Rim, where: Floats, error: Floats, by: int, pitch: float) -> Habit | None:
    """Return whether every by-th tooth of the longest stretch is shifted against those between."""
    bounds = [*rim.first_of, len(error)]
    first, stop = max(pairwise(bounds), key=lambda one: one[1] - one[0])
    n = (stop - first) // by * by
    if n < 4 * by or n // by < 6:
        return None
    k = np.arange(n)
    part = error[first : first + n]
    part = part - np.polyval(np.polyfit(k, part, 1), k)
    power = np.abs(np.fft.rfft(part)) ** 2
    at = n // by
    beside = sorted((j for j in range(1, (n + 1) // 2) if j != at), key=lambda j: (abs(j - at), j))[:_BESIDE]
    mean = float(np.mean(power[beside]))
    freedom = 1 if 2 * at == n else 2
    # a real wave (two teeth per turn of it) carries one chi-square, of twice the mean power of a complex one's parts
    ratio = float(power[at]) / mean if mean > 0 else 0.0
    chance = float(fdtrc(freedom, 2 * len(beside), ratio)) * len(_EVERY)
    classes = np.array([part[j::by].mean() for j in range(by)])
    j = int(np.argmax(np.abs(classes)))
    size = float(np.degrees(classes[j] - np.delete(classes, j).mean()))
    number = int(where[first + j])
    name = {2: "second", 3: "third", 4: "fourth"}[by]
    says = (
        f"every {name} tooth, from tooth {number + 1} on, is {format_value(size, 3, sign=True)}° off those between "
        f"({format_percent(abs(np.radians(size)) / pitch, 1)} of a pitch): the pitches were divided by {by}"
    )
    return Habit("every", by, number, size, min(chance, 1.0), says)
