"""What a row of the bench is, what its trials bring back, and how figures are judged."""

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

NEUTRAL = frozenset({
    "single_slice", "handedness_assumed", "runs_out_of_stack", "axis_assumed", "few_slices", "short",
    "several_bodies", "tapered", "undecided",
})  # fmt: skip
"""Flags that name no disturbance of the data."""

FEW = 8
"""Fewer results than this settle nothing about a share or a spread."""


@dataclass(frozen=True)
class Sample:
    """One result compared with the truth; error, u and limit (its Cramér-Rao bound) in one unit."""

    quantity: str
    error: float
    u: float | None = None
    limit: float | None = None
    flags: tuple[str, ...] = ()

    @property
    def flagged(self) -> bool:
        """Whether a flag names a disturbance."""
        return bool(set(self.flags) - NEUTRAL)


@dataclass(frozen=True)
class Trial:
    """What one trial brought back: samples, what was not found, what was found under another name, loose numbers."""

    samples: tuple[Sample, ...] = ()
    missing: tuple[str, ...] = ()
    renamed: tuple[str, ...] = ()
    values: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Figure:
    """One printed figure; `met` is None where there is no target or too few trials to tell."""

    text: str
    target: str = ""
    met: bool | None = None


@dataclass(frozen=True)
class Row:
    """One row: `trial` runs one trial on its own random numbers, `judge` makes figures of all of them."""

    name: str
    section: str
    what: str
    trials: int
    trial: Callable[[np.random.Generator], Trial]
    judge: Callable[[Sequence[Trial]], list[Figure]]
    alone: bool = False
    """Whether it must have the machine to itself (times, memory)."""


def samples_of(trials: Iterable[Trial], quantity: str | None = None) -> list[Sample]:
    """All samples, or those of one quantity."""
    return [s for t in trials for s in t.samples if quantity is None or s.quantity == quantity]


def rms(values: Iterable[float]) -> float:
    """Root mean square; NaN of nothing."""
    array = np.fromiter(values, float)
    return float(np.sqrt(np.mean(array**2))) if array.size else float("nan")


def found_figure(trials: Sequence[Trial]) -> list[Figure]:
    """Say what was not found, and what was found under another name; nothing where all was as it should be."""
    out = []
    for what, target, names in (
        ("not found", "all found", [m for t in trials for m in t.missing]),
        ("named otherwise", "", [m for t in trials for m in t.renamed]),
    ):
        words = ", ".join(f"{names.count(m)} x {m}" for m in sorted(set(names)))
        if words:
            out.append(Figure(f"{what}: {words} in {len(trials)} trials", target, False if target else None))
    return out


def flags_figure(trials: Sequence[Trial]) -> list[Figure]:
    """Name the flags that were raised, with the share of the results that carry them."""
    samples = samples_of(trials)
    raised = Counter(f for s in samples for f in set(s.flags) - NEUTRAL)
    if not raised:
        return []
    words = ", ".join(f"{name} {100 * k / len(samples):.0f} %" for name, k in sorted(raised.items()))
    return [Figure(f"flags: {words}")]


def bias_figure(samples: Sequence[Sample], limit: float, unit: str = "px") -> Figure:
    """Bias against its limit; open while the limit lies within two standard errors of it."""
    errors = np.array([s.error for s in samples])
    if errors.size < 2:
        return Figure("bias: too few results", f"<= {limit}", False)
    bias, se = float(errors.mean()), float(errors.std(ddof=1) / np.sqrt(errors.size))
    met = True if abs(bias) <= limit else None if abs(bias) - 2 * se <= limit else False
    return Figure(f"bias {bias:+.4f} ± {se:.4f} {unit}", f"<= {limit}", met)


def rms_figure(samples: Sequence[Sample], limit: float, unit: str = "px", name: str = "RMS") -> Figure:
    """RMS error against its limit; open while within two standard errors of it."""
    if not samples:
        return Figure(f"{name}: no results", f"<= {limit}", False)
    value = rms(s.error for s in samples)
    se = value / np.sqrt(2 * len(samples))
    met = True if value <= limit else None if value - 2 * se <= limit else False
    return Figure(f"{name} {value:.4f} {unit}", f"<= {limit}", met)


def crlb_figure(samples: Sequence[Sample], most: float, name: str = "RMS / CRLB") -> Figure:
    """RMS of errors in units of their Cramér-Rao bounds."""
    ratios = [Sample(s.quantity, s.error / s.limit) for s in samples if s.limit]
    return rms_figure(ratios, most, "", name)


def honest_figure(samples: Sequence[Sample]) -> list[Figure]:
    """Coverage of value ± 2u, median |e|/u and median u over the RMS, flagged and unflagged apart."""
    out: list[Figure] = []
    if not samples:
        return [Figure("no results", "93-97 %", False)]
    for flagged in (False, True):
        chosen = [s for s in samples if s.flagged is flagged and s.u]
        if not chosen:
            continue
        ratio = np.array([abs(s.error) / s.u for s in chosen if s.u])
        n = len(ratio)
        share = float(np.mean(ratio <= 2))
        width = float(np.median([s.u for s in chosen if s.u])) / max(rms(s.error for s in chosen), 1e-12)
        slack = 2 * float(np.sqrt(0.95 * 0.05 / n))
        met: bool | None = share >= 0.93 and (width <= 2 if flagged else share <= 0.97)
        loose = share >= 0.93 - slack and (width <= 2 * (1 + 1 / np.sqrt(n)) if flagged else share <= 0.97 + slack)
        if not met and (loose or n < FEW):
            met = None
        text = f"{chosen[0].quantity}{' flagged' if flagged else ''} {100 * share:.1f} % of {n}"
        text += f", |e|/u {np.median(ratio):.2f}, u/RMS {width:.2f}"
        out.append(Figure(text, ">= 93 %, u <= 2 RMS" if flagged else "93-97 %", met))
    without = sum(not s.u for s in samples)
    if without:
        out.append(Figure(f"{samples[0].quantity}: {without} without u", "none", False))
    return out
