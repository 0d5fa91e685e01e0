"""A quantum that lengths share, without any list: the cosine quantogram of Kendall, significance by simulation.

D. G. Kendall, Hunting quanta, Phil. Trans. R. Soc. A 276 (1974) 231-266. Lengths that are whole
multiples of one quantum q give phi(q) = sqrt(2 N); lengths that are not give about N(0, 1) at
any one q, but the largest phi of a whole range is larger. How large, only simulation tells.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ctrecon.core.errors import InputError
from ctrecon.core.fit_result import FitFailed
from ctrecon.core.frames import Floats
from ctrecon.core.measured import Measured, format_short, format_value

__all__ = ["QuantumResult", "distinct_groups", "find_quantum", "quantogram"]

LEAST_LENGTHS = 4
"""Fewer different lengths than this can't show a quantum: almost any would do."""

SIGNIFICANT = 0.01
"""p below which a quantum is told."""

_PER_PEAK = 12
_CHUNK = 4_000_000
_SAME = 3.0
_LEAST_OVER_U = 5.0


@dataclass(frozen=True)
class QuantumResult:
    """The quantum that fits best (mm; u from the lengths' departures), its phi, and how often chance does as well."""

    quantum_mm: Measured
    phi: float
    p: float
    multiples: tuple[int, ...]
    says: str

    @property
    def significant(self) -> bool:
        """Return whether chance would hardly do as well."""
        return self.p < SIGNIFICANT


def quantogram(lengths: ArrayLike, q: ArrayLike) -> Floats:
    """Return phi(q) = sqrt(2 / N) x sum of cos(2 pi x / q).

    Parameters
    ----------
    lengths : (N,) array
        Lengths, mm.
    q : array
        Quanta to try, mm.

    Examples
    --------
    >>> quantogram([1.0, 2.0], [1.0]).round(6).tolist()
    [2.0]
    """
    x = np.asarray(lengths, dtype=float).ravel()
    per = 1 / np.asarray(q, dtype=float)
    waves = np.cos(2 * np.pi * per[..., None] * x)
    return np.asarray(np.sqrt(2 / max(x.size, 1)) * waves.sum(axis=-1), dtype=float)


def distinct_groups(lengths: Sequence[Measured]) -> list[list[int]]:
    """Return groups of lengths that agree within three joint u: copies of one length, not independent of each other."""
    order = sorted(range(len(lengths)), key=lambda i: (lengths[i].value, i))
    groups: list[list[int]] = []
    for i in order:
        last = None if not groups else lengths[groups[-1][-1]]
        here = lengths[i]
        if last is not None and here.value - last.value <= _SAME * np.hypot(here.u or 0.0, last.u or 0.0):
            groups[-1].append(i)
        else:
            groups.append([i])
    return groups


def find_quantum(
    lengths: Sequence[Measured], q_range: tuple[float, float], *, rng: np.random.Generator, runs: int = 1000
) -> QuantumResult | FitFailed:
    """Return the quantum with the highest phi in a range, with its p-value by simulation.

    Parameters
    ----------
    lengths : sequence of Measured
        Lengths with their u, mm.
    q_range : tuple of float
        From and to which quantum to look, mm.
    rng : Generator
        For the simulation: as many lengths anywhere between the shortest and the longest, lengths that
        agree kept together, the same range of quanta.
    runs : int
        Number of simulated sets; p is never below 1 / (runs + 1).

    Returns
    -------
    QuantumResult or FitFailed
        Falsy where there are fewer than four different lengths, or u is too large for the range.
    """
    low, high = q_range
    if not 0 < low < high:
        raise InputError(f"the range of quanta runs from {low:g} to {high:g} mm; give 0 < from < to")
    x = np.array([one.value for one in lengths], dtype=float)
    if x.size and x.min() <= 0:
        raise InputError("a length of a quantum search is not positive; leave it out")
    groups = distinct_groups(lengths)
    if len(groups) < LEAST_LENGTHS:
        return FitFailed(f"only {len(groups)} different lengths: fewer than {LEAST_LENGTHS} can't show a quantum")
    u = np.array([one.u or 0.0 for one in lengths], dtype=float)
    least = _LEAST_OVER_U * float(np.median(u))
    if least >= high:
        known = format_short(float(np.median(u)), 3)
        return FitFailed(f"the lengths are known to {known} mm: too little for quanta this small")
    low = max(low, least)
    per = _frequencies(low, high, float(x.max()))
    coarse = quantogram(x, 1 / per)
    best = _refined(x, per, coarse)
    # where all multiples share a factor, so much larger a quantum explains the lengths no worse
    common = int(np.gcd.reduce(np.rint(x * best).astype(int)))
    if common > 1 and common / best <= high:
        best /= common
    phi = float(quantogram(x, 1 / best))
    index = np.repeat(np.arange(len(groups)), [len(one) for one in groups])
    p = (1 + _as_high(index, x, per, float(coarse.max()), rng, runs)) / (1 + runs)
    times = np.maximum(np.rint(x * best), 1).astype(int)
    quantum = _least_squares(x, u, times)
    return QuantumResult(quantum, phi, p, tuple(int(k) for k in times), _told(quantum, phi, p, len(x), low, high))


def _frequencies(low: float, high: float, longest: float) -> Floats:
    """Return 1 / q, evenly spaced, fine enough that no peak of the longest length is stepped over."""
    count = int(np.ceil((1 / low - 1 / high) * longest * _PER_PEAK)) + 2
    return np.linspace(1 / high, 1 / low, count)


def _refined(x: Floats, per: Floats, phi: Floats) -> float:
    """Return the 1 / q of the highest peak, sharpened between its neighbours."""
    at = int(np.argmax(phi))
    lo, hi = float(per[max(at - 1, 0)]), float(per[min(at + 1, len(per) - 1)])
    for _ in range(4):
        fine = np.linspace(lo, hi, 41)
        k = int(np.argmax(quantogram(x, 1 / fine)))
        lo, hi = float(fine[max(k - 1, 0)]), float(fine[min(k + 1, 40)])
    return float(fine[k])


def _as_high(
    index: np.ndarray[tuple[int], np.dtype[np.int64]], x: Floats, per: Floats, phi: float,
    rng: np.random.Generator, runs: int,
) -> int:  # fmt: skip
    """Return in how many simulated sets the highest phi on the grid reaches the one found there."""
    distinct = int(index.max()) + 1
    margin = float(x.max() - x.min()) / max(distinct - 1, 1) / 2
    low, high = max(float(x.min()) - margin, 1e-9), float(x.max()) + margin
    weights = np.bincount(index).astype(float)
    each = max(1, _CHUNK // (len(per) * distinct))
    count = 0
    for start in range(0, runs, each):
        many = min(each, runs - start)
        sets = rng.uniform(low, high, (many, distinct))
        waves = np.cos(2 * np.pi * sets[:, None, :] * per[None, :, None])
        count += int((np.sqrt(2 / len(x)) * (waves @ weights).max(axis=1) >= phi).sum())
    return count


def _least_squares(x: Floats, u: Floats, times: np.ndarray[tuple[int], np.dtype[np.int64]]) -> Measured:
    """Return the quantum of which the lengths are these multiples, u from their departures, no less than from u."""
    m = times.astype(float)
    q = float((m * x).sum() / (m * m).sum())
    scatter2 = float(((x - m * q) ** 2).sum()) / max(len(x) - 1, 1)
    var = np.maximum(u**2, scatter2)
    return Measured(q, max(float(np.sqrt((m**2 * var).sum()) / (m * m).sum()), 1e-9))


def _told(quantum: Measured, phi: float, p: float, count: int, low: float, high: float) -> str:
    value = f"{format_short(quantum.value, 4)} mm (U {format_short(2 * (quantum.u or 0.0), 2)})"
    verdict = "the lengths share it" if p < SIGNIFICANT else "no quantum is shown: chance does as well too often"
    often = f"{format_short(100 * p, 2)} %" if p >= 0.001 else "less than 0.1 %"
    return (
        f"{count} lengths, quanta from {format_short(low, 3)} to {format_short(high, 3)} mm tried: best {value}, "
        f"phi {format_value(phi, 2)}; lengths put "
        f"anywhere do as well in {often} of simulations; {verdict}"
    )
