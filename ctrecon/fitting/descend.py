"""Robust least squares by damped Gauss-Newton steps on the normal equations.

A grey-value fit has tens of thousands of residuals and some fifteen unknowns. A general solver factorises the
whole table of derivatives at every step; here only its small square is formed, which takes a tenth of the time.
"""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.frames import Floats
from ctrecon.fitting.uncertainty import WELSCH

__all__ = ["Ties", "descend"]

_DAMPED = 1e-6  # first damping, in units of the diagonal: the start is within a pixel, so steps are nearly whole
_MOST_DAMPED = 1e10  # beyond this no step, however short, lowers the cost
_NO_GAIN = 1e-9  # relative fall of the cost at which a step was the last, as the general solver had it
_SETTLED = 1e-4  # fall of the cost below which a step moved no unknown by more than 0.015 of its u


class Ties(NamedTuple):
    """Gaussian priors: which unknowns are tied (T,), by 1/sd (T,), to which values (T,)."""

    which: NDArray[np.int64]
    weight: Floats
    centre: Floats

    def before(self, which: NDArray[np.int64], weight: float, centre: Floats) -> "Ties":
        """Return these ties with others put before them."""
        return Ties(
            np.concatenate([which, self.which]),
            np.concatenate([np.full(len(which), weight), self.weight]),
            np.concatenate([centre, self.centre]),
        )

    def rows(self, count: int) -> Floats:
        """Return the ties as rows of a table of derivatives with so many columns."""
        rows = np.zeros((len(self.which), count))
        rows[np.arange(len(self.which)), self.which] = self.weight
        return rows


def descend(
    model: Callable[[Floats], tuple[Floats, Floats]],
    start: Floats,
    scale: float,
    ties: Ties,
    *,
    tolerance: float,
    most: int,
    settled: float = _SETTLED,
    within: tuple[int, float, float] | None = None,
) -> tuple[Floats, tuple[Floats, Floats]]:
    """Return the unknowns that minimise Welsch's loss of residuals over `scale`, and residuals and derivatives there.

    Parameters
    ----------
    model : callable
        Returns residuals (N,) and their derivatives (N, Q) at a place.
    start : (Q,) array
        Where to begin.
    scale : float
        One sigma of the residuals.
    ties : Ties
        Priors.
    tolerance : float
        Relative length of the last step.
    most : int
        Most places looked at.
    settled : float
        Fall of the cost at which a step was the last: half the square of a move in units of u.
    within : (unknown, least, most), optional
        One unknown that stays within bounds; where it would leave them it stays and the others go on.

    Notes
    -----
    Levenberg-Marquardt with the second derivative of the loss where it is positive (B. Triggs et al., Bundle
    adjustment - a modern synthesis, 1999, section 4.3), damped by the largest diagonal seen so far
    (J. J. More, The Levenberg-Marquardt algorithm, 1978).
    """
    q = np.asarray(start, dtype=float)
    raw, jac = model(q)
    cost = _cost(raw / scale, q, ties)
    damping, diagonal = _DAMPED, np.zeros(len(q))
    for _ in range(most):
        z = (raw / scale / WELSCH) ** 2
        weight = np.exp(-z)
        bend = weight * np.maximum(1 - 2 * z, 0.0)
        normal = (jac * (bend / scale**2)[:, None]).T @ jac
        np.add.at(normal, (ties.which, ties.which), ties.weight**2)
        gradient = jac.T @ (weight * raw) / scale**2
        np.add.at(gradient, ties.which, ties.weight**2 * (q[ties.which] - ties.centre))
        if within is not None and _pushed_out(q, gradient, within):
            at = within[0]
            normal[at], normal[:, at], normal[at, at], gradient[at] = 0.0, 0.0, 1.0, 0.0
        diagonal = np.maximum(diagonal, np.diag(normal))
        floor = np.maximum(diagonal, 1e-12 * max(float(diagonal.max()), 1e-300))
        while True:
            step = -np.linalg.solve(normal + np.diag(damping * floor), gradient)
            if within is not None:
                step[within[0]] = np.clip(q[within[0]] + step[within[0]], *within[1:]) - q[within[0]]
            there = model(q + step)
            lower = _cost(there[0] / scale, q + step, ties)
            if lower <= cost or damping > _MOST_DAMPED:
                break
            damping = max(damping, 1e-4) * 8
        if not lower <= cost:
            break
        gain, cost = cost - lower, lower
        q, (raw, jac) = q + step, there
        damping = max(damping / 8, 1e-9)
        if gain <= max(_NO_GAIN * cost, settled) or np.linalg.norm(step) <= tolerance * (tolerance + np.linalg.norm(q)):
            break
    return q, (raw, jac)


def _pushed_out(q: Floats, gradient: Floats, within: tuple[int, float, float]) -> bool:
    """Return whether the cost falls beyond the bound that an unknown is at."""
    at, least, most = within
    return bool((q[at] <= least and gradient[at] > 0) or (q[at] >= most and gradient[at] < 0))


def _cost(residual: Floats, q: Floats, ties: Ties) -> float:
    loss = 0.5 * WELSCH**2 * float(-np.expm1(-((residual / WELSCH) ** 2)).sum())
    cost = loss + 0.5 * float((((q[ties.which] - ties.centre) * ties.weight) ** 2).sum())
    return cost if np.isfinite(cost) else np.inf
