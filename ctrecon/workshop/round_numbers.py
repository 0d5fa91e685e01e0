"""Sizes that lie on a grid of round numbers, in mm or in fractions of an inch, with the grid's density paid for.

A size of its own lies on a grid of step g within its spread s about once in g / (2.5 s): so a fine
grid is worth little and a coarse one much. Some sizes may be round and others not, the
maker's care is unknown, and a wrong scale stretches all sizes alike: all three are integrated over.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import log, pi

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.core.measured import format_short, format_value
from ctrecon.record.part import Part, scale_u_along
from ctrecon.workshop.lengths import Length

__all__ = ["GRIDS", "UNKNOWN_SCALE", "OnGrid", "round_numbers"]

GRIDS: dict[str, tuple[float, str]] = {
    "2 mm": (2.0, "round_mm"), "1 mm": (1.0, "round_mm"), "0.5 mm": (0.5, "round_mm"), "0.2 mm": (0.2, "round_mm"),
    "0.1 mm": (0.1, "round_mm"), "1/8 inch": (25.4 / 8, "round_inch"), "1/16 inch": (25.4 / 16, "round_inch"),
    "1/32 inch": (25.4 / 32, "round_inch"), "1/64 inch": (25.4 / 64, "round_inch"),
}  # fmt: skip
"""Steps of round numbers (mm) that are tried, and the kind of scheme each makes."""

UNKNOWN_SCALE = 0.003
"""Relative standard uncertainty taken for a scale nobody stated one for (common practice, no source)."""

_CARE_MM = np.geomspace(0.002, 0.05, 6)
_ROUND_SHARE = 0.8
_LEAST = 3
_SAME = 3.0
_SAME_REL = 0.003
_MOST_SCALES = 1501


@dataclass(frozen=True)
class OnGrid:
    """Sizes on a grid of round numbers: natural log of the odds over sizes of their own, all grids tried paid for."""

    ln_odds: float
    kind: str
    step_mm: float
    lengths: tuple[Length, ...]
    meant: tuple[str, ...]
    says: str


def round_numbers(part: Part, lengths: Sequence[Length]) -> list[OnGrid]:
    """Return for mm and for inches the grid that explains the sizes best, where three different sizes lie on one.

    Parameters
    ----------
    part : Part
        Says how well the scale is known.
    lengths : sequence of Length
        Sizes; of those that are alike one is used.
    """
    some = _distinct(lengths)
    if len(some) < _LEAST:
        return []
    x = np.array([one.size.value for one in some])
    u = np.array([one.size.u or 0.0 for one in some])
    known = [scale_u_along(part, way) for way in ("across", "along")]
    stated = [one for one in known if one is not None]
    scale_u = max(stated) if len(stated) == len(known) else UNKNOWN_SCALE
    best: dict[str, OnGrid] = {}
    for words, (step, kind) in GRIDS.items():
        ln_odds, shares, stretch = _ln_odds(x, u, step, scale_u)
        on = tuple(one for one, share in zip(some, shares, strict=True) if share > 0.5)
        ln_odds -= log(len(GRIDS))
        if len(on) >= _LEAST and (kind not in best or ln_odds > best[kind].ln_odds):
            stretched = f", were the scale {format_value(100 * stretch, 2, sign=True)} % off"
            off = stretched if abs(stretch) > 0.3 * scale_u else ""
            says = f"{len(on)} of {len(some)} different sizes lie on steps of {words}{off}"
            best[kind] = OnGrid(ln_odds, kind, step, on, _meant(on, words, step, kind, stretch), says)
    return list(best.values())


def _distinct(lengths: Sequence[Length]) -> list[Length]:
    """Return one of each group of like sizes (the best known): copies of a size are not more witnesses."""
    groups: list[list[Length]] = []
    for one in sorted(lengths, key=lambda one: (one.size.value, one.words)):
        last = groups[-1][-1].size if groups else None
        near = last is not None and one.size.value - last.value <= max(
            _SAME * float(np.hypot(one.size.u or 0.0, last.u or 0.0)), _SAME_REL * last.value
        )
        if near:
            groups[-1].append(one)
        else:
            groups.append([one])
    return [min(some, key=lambda one: (one.size.u or 0.0, one.words)) for some in groups]


def _ln_odds(x: Floats, u: Floats, step: float, scale_u: float) -> tuple[float, Floats, float]:
    """Return natural log of the odds, the share of each size being round, and the relative stretch that fits best."""
    reach = 3 * scale_u * float(x.max())
    count = min(_MOST_SCALES, 2 * int(np.ceil(4 * reach / float(_CARE_MM[0]))) + 1)
    stretch = np.linspace(-3, 3, count) * scale_u if count > 1 else np.zeros(1)
    prior = np.exp(-0.5 * (stretch / scale_u) ** 2) if count > 1 else np.ones(1)
    prior /= prior.sum()
    true = x / (1 + stretch[:, None])
    times = np.rint(true / step)
    off = true - times * step
    ln_each, shares = [], []
    for care in _CARE_MM:
        var = u**2 + care**2
        gain = step * np.exp(-0.5 * off**2 / var) / np.sqrt(2 * pi * var) * (times > 0)
        mixed = _ROUND_SHARE * gain + 1 - _ROUND_SHARE
        ln_each.append(np.log(mixed).sum(axis=1) + np.log(prior))
        shares.append(_ROUND_SHARE * gain / mixed)
    table = np.array(ln_each)
    top = float(table.max())
    weight = np.exp(table - top)
    total = float(weight.sum())
    share = (weight[:, :, None] * np.array(shares)).sum(axis=(0, 1)) / total
    mean = float((weight * stretch).sum()) / total
    return top + log(total / len(_CARE_MM)), share, mean


def _meant(on: Sequence[Length], words: str, step: float, kind: str, stretch: float) -> tuple[str, ...]:
    times = [round(one.size.value / (1 + stretch) / step) for one in on]
    return tuple(f"{format_short(k * step, 4)} mm" if kind == "round_mm" else _inches(k, words) for k in times)


def _inches(times: int, words: str) -> str:
    whole = int(words.split("/")[1].split()[0])
    inches, over = divmod(times, whole)
    while over and over % 2 == 0:
        over, whole = over // 2, whole // 2
    fraction = f"{over}/{whole}" if over else ""
    return f"{' '.join(x for x in (str(inches) if inches else '', fraction) if x)} in"
