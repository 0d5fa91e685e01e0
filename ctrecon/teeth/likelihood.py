"""The likelihood of a count: teeth at equal steps, with the errors of hand division, of the centre and of the angles.

With N teeth, tooth k is at phi0 + 2 pi k / N + e_k. The errors e are Gaussian: independent ones; a walk
that closes round the rim (a Brownian bridge, covariance min(j, k) - j k / N); a shift of the centre (cosine of the
angle between two teeth); and what was left over at the closing, c (k / N - [k past the seam]), wherever the seam is.
phi0 is unknown and integrated out. Own derivation; for independent errors alone the spread of N is the textbook
regression's, sigma_N = N² / (2 pi) sigma sqrt(12 / (n (n² - 1))).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy.special import logsumexp

from ctrecon.core.frames import Floats
from ctrecon.teeth.habits import DivisionHabits, Hypothesis
from ctrecon.teeth.rim import Centre, Rim

__all__ = ["Weighed", "covariance", "gap_steps", "slope_variance", "weigh"]

_MOST_COMBINATIONS = 81
"""Ways of numbering the stretches that are weighed for one count: four lost parts, three numbers of teeth each."""


@dataclass(frozen=True, eq=False)
class Weighed:
    """ln likelihood of one count, and that of each hypothesis of the division within it."""

    teeth: int
    log_likelihood: float
    by_hypothesis: Floats
    numbers: tuple[int, ...]


def gap_steps(rim: Rim, teeth: int) -> list[tuple[int, ...]]:
    """Return the ways in which the teeth can be numbered: how many steps each lost part may hold, nearest first."""
    pitch = 2 * np.pi / teeth
    ways = []
    for first in rim.first_of[1:]:
        near = (rim.angles[first] - rim.angles[first - 1]) / pitch
        whole = max(round(near), 1)
        around = sorted({whole, *(m for m in (whole - 1, whole + 1) if m >= 1)}, key=lambda m: abs(m - near))
        ways.append(around)
    while np.prod([len(one) for one in ways], initial=1) > _MOST_COMBINATIONS:
        longest = max(range(len(ways)), key=lambda i: len(ways[i]))
        ways[longest] = ways[longest][:-1]
    within = len(rim.inside)
    return [one for one in product(*ways) if within + sum(one) <= teeth - 1]


def _numbers(rim: Rim, steps: Sequence[int]) -> Floats:
    """Return the number of each tooth, the first being 0."""
    each = np.ones(len(rim.angles))
    each[0] = 0
    each[list(rim.first_of[1:])] = steps
    return np.cumsum(each)


def covariance(
    rim: Rim, teeth: int, numbers: Floats, hypotheses: Sequence[Hypothesis], radius: float, centre: Centre
) -> Floats:
    """Return the covariance of the angles (radians²) without the closing, one (n, n) matrix per hypothesis."""
    jacobian = np.column_stack([np.sin(rim.angles), -np.cos(rim.angles)]) / radius
    across = centre.r * centre.u_x * centre.u_y
    known = jacobian @ np.array([[centre.u_x**2, across], [across, centre.u_y**2]]) @ jacobian.T
    known += np.diag(rim.u**2)
    together = np.cos(rim.angles[:, None] - rim.angles[None, :])
    bridge = np.minimum(numbers[:, None], numbers[None, :]) - numbers[:, None] * numbers[None, :] / teeth
    sizes = np.array(
        [[(one.random * rim.step) ** 2, (one.drift * rim.step) ** 2, one.eccentric**2] for one in hypotheses]
    )
    kernels = np.stack([np.eye(len(numbers)), bridge, together])
    return np.asarray(known + np.tensordot(sizes, kernels, axes=1))


def _closings(teeth: int, numbers: Floats) -> tuple[Floats, Floats]:
    """Return what a pitch left over at the closing does to each tooth (pitches) per place of the seam, and the odds."""
    n = len(numbers)
    past = np.tri(n, n, -1)  # column s: teeth after step s; the last column holds none: the seam is not seen
    steps = np.append(np.diff(numbers), teeth - numbers[-1])
    return numbers[:, None] / teeth - past, steps / teeth


def weigh(rim: Rim, teeth: int, *, radius: float, centre: Centre, habits: DivisionHabits) -> Weighed:
    """Return how likely the angles are if the wheel had this many teeth.

    Parameters
    ----------
    rim : Rim
        The teeth that are left.
    teeth : int
        The count that is tried.
    radius : float
        At which the centre's uncertainty acts, mm.
    centre : Centre
        Its uncertainty.
    habits : DivisionHabits
        The errors to weigh.
    """
    hypotheses = habits.hypotheses()
    parts, ways = [], gap_steps(rim, teeth)
    if not ways:
        return Weighed(teeth, -np.inf, np.full(len(hypotheses), -np.inf), ())
    for steps in ways:
        numbers = _numbers(rim, steps)
        cov = covariance(rim, teeth, numbers, hypotheses, radius, centre)
        rest = rim.angles - rim.angles[0] - 2 * np.pi / teeth * numbers
        shapes, odds = _closings(teeth, numbers)
        columns = np.column_stack([np.ones(len(numbers)), rest, shapes * rim.step])
        lower = np.linalg.cholesky(cov)
        white = np.linalg.solve(lower, np.broadcast_to(columns, (len(cov), *columns.shape)))
        ones = white[:, :, 0]
        length = np.sqrt(np.sum(ones**2, axis=1))
        free = white - (ones / length[:, None] ** 2)[:, :, None] * np.einsum("hi,hij->hj", ones, white)[:, None, :]
        plain = -0.5 * np.sum(free[:, :, 1] ** 2, axis=1) - np.log(length)
        plain -= np.sum(np.log(np.diagonal(lower, axis1=1, axis2=2)), axis=1)
        size = np.sum(free[:, :, 2:] ** 2, axis=1)
        along = np.einsum("hi,his->hs", free[:, :, 1], free[:, :, 2:])
        by_closing = []
        for sd in habits.closing:
            grown = 1 + sd**2 * size
            gained = 0.5 * sd**2 * along**2 / grown - 0.5 * np.log(grown) + np.log(odds)
            by_closing.append(logsumexp(gained, axis=1))
        parts.append(plain + logsumexp(by_closing, axis=0) - np.log(len(habits.closing)))
    # a lost part may be any number of steps long: each is one in N
    by_hypothesis = logsumexp(parts, axis=0) - len(rim.first_of[1:]) * np.log(teeth)
    best = ways[int(np.argmax([part.max() for part in parts]))]
    total = float(logsumexp(by_hypothesis)) - float(np.log(len(hypotheses)))
    return Weighed(teeth, total, by_hypothesis, tuple(int(k) for k in _numbers(rim, best)))


def slope_variance(cov: Floats, numbers: Floats, *, extra: float = 0.0) -> float:
    """Return the variance of the pitch (radians²) from angles of this covariance by generalised least squares.

    Parameters
    ----------
    cov : (n, n) array
        Covariance of the angles, radians².
    numbers : (n,) array
        Of the teeth.
    extra : float
        Variance of the pitch that no tooth shows, radians².
    """
    design = np.column_stack([np.ones(len(numbers)), numbers])
    information = design.T @ np.linalg.solve(cov, design)
    return float(np.linalg.inv(information)[1, 1]) + extra
