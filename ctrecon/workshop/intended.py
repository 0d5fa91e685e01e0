"""As found and as intended: simple schemes a maker may have worked by, each with its odds.

A scheme says that several figures come from one setting: one drill, one square, one divider
setting, one sheet, an even division, round numbers. Its odds are those of the measured figures
under the scheme over figures of their own, each integrated over what is free under it, so that
every free figure pays for itself. They further pay for the subsets that could have been chosen
and for the kinds of scheme that were tried. Uncertainties enter with their covariance: an error of
the scale moves all lengths alike, so it drops out where lengths are compared with each other,
and is integrated over where they are compared with round numbers. No scheme replaces a
measured figure.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import comb, e, exp, log

import numpy as np

from ctrecon.core.fit_result import FitFailed
from ctrecon.core.measured import Measured, format_short, format_value
from ctrecon.record.part import Part, Relation
from ctrecon.record.patterns import equal_sizes
from ctrecon.workshop.lengths import Length, divider_lengths, pattern_relations, piece_thicknesses, sizes_of
from ctrecon.workshop.quantum import find_quantum
from ctrecon.workshop.round_numbers import OnGrid, round_numbers

__all__ = ["LEAST_ODDS", "Scheme", "schemes"]

LEAST_ODDS = 20.0
"""A scheme is told from these odds on."""

_GROUPS = {
    "one_drill": (("round_hole",), "holes", "one drill or reamer"),
    "one_square_hole": (("square_hole",), "square holes", "one square punch, file or broach"),
    "one_square": (("square_outside",), "squares", "one square setting"),
}
_ROUND = (
    "round_hole", "round_outside", "square_hole", "square_outside", "rectangular_hole", "rectangular_outside", "slot",
)  # fmt: skip
_PATTERN_WORDS = {
    "divided_circle": "equal_division", "circle_of_holes": "circle_of_holes", "even_pitch": "even_pitch",
    "in_line": "in_line", "symmetric": "symmetric",
}  # fmt: skip
_QUANTUM_RUNS = 2000
_LN_MOST = 700.0
_SPREADS = np.geomspace(0.1, 2.5, 10)
_DECADE = log(10.0)


@dataclass(frozen=True)
class Scheme:
    """A simple way of making that would explain several figures at once.

    `value` is the common setting (mm), `odds` those over figures of their own; `figures` names what it would
    explain, `found` gives each as measured, `meant` as the scheme has it where that is not `value` for all.
    """

    kind: str
    features: tuple[str, ...]
    value: Measured | None
    odds: float
    says: str
    figures: tuple[str, ...] = ()
    found: tuple[Measured, ...] = ()
    meant: tuple[str, ...] = ()


def schemes(part: Part, *, rng: np.random.Generator | None = None) -> tuple[Scheme, ...]:
    """Return the schemes that explain figures of a part clearly better than figures of their own, best first.

    Parameters
    ----------
    part : Part
        The record.
    rng : Generator, optional
        For the simulation behind a common quantum; the same one every time when not given.
    """
    rng = np.random.default_rng(20) if rng is None else rng
    patterns = pattern_relations(part)
    families = [(kind, sizes_of(part, kinds), words) for kind, (kinds, *words) in _GROUPS.items()]
    families.append(("one_divider_setting", divider_lengths(part, patterns), ["lengths", "one divider setting"]))
    thick = piece_thicknesses(part)
    families.append(("one_sheet", thick, ["pieces", "one sheet"]))
    sizes = [*sizes_of(part, _ROUND), *thick]
    # patterns and round numbers are tried on every part; the rest where there are two figures
    cost = log(2 + sum(len(some) > 1 for _, some, _ in families) + (len(thick) > 3))
    found: list[tuple[float, Scheme]] = [_pattern(one, cost) for one in patterns]
    for kind, some, (things, tool) in families:
        found += _one_setting(kind, some, things, tool, cost)
    found += _quantum(thick, cost, rng)
    found += [_round(one, cost) for one in round_numbers(part, sizes)]
    clear = [one for one in found if one[0] >= log(LEAST_ODDS)]
    clear.sort(key=lambda one: (-round(one[0], 6), one[1].kind, one[1].features))
    return tuple(scheme for _, scheme in clear)


def _odds(ln_odds: float) -> float:
    return exp(min(ln_odds, _LN_MOST))


def _pattern(relation: Relation, cost: float) -> tuple[float, Scheme]:
    ln_odds = (relation.margin or 0.0) - cost
    kind = _PATTERN_WORDS[relation.kind]
    # the value of these two is how far the places lie off, which is not a setting
    value = None if kind in ("in_line", "symmetric") else relation.value
    return ln_odds, Scheme(kind, relation.features, value, _odds(ln_odds), relation.says)


def _round(grid: OnGrid, cost: float) -> tuple[float, Scheme]:
    ln_odds = grid.ln_odds - cost
    ids = tuple(dict.fromkeys(ident for one in grid.lengths for ident in one.features))
    figures, found = tuple(one.words for one in grid.lengths), tuple(one.size for one in grid.lengths)
    step = Measured(grid.step_mm)
    return ln_odds, Scheme(grid.kind, ids, step, _odds(ln_odds), grid.says, figures, found, grid.meant)


def _one_setting(
    kind: str, lengths: Sequence[Length], things: str, tool: str, cost: float
) -> list[tuple[float, Scheme]]:
    """Return groups of lengths that agree, as from one setting."""
    out = []
    count = len(lengths)
    for members, margin, common in equal_sizes([one.size for one in lengths]) if count > 1 else ():
        many = len(members)
        # the margin has paid for the runs of that length; any of all subsets could have come to lie together
        ln_odds = margin + log(count - many + 1) - log(comb(count, many)) - cost
        some = [lengths[i] for i in members]
        others = [one.size.value for i, one in enumerate(lengths) if i not in members]
        # the margin takes free sizes as spread over a factor of ten; sizes of one kind may lie closer together
        ln_odds += _ln_spread([*others, common.value]) - _ln_spread([one.size.value for one in lengths])
        ids = tuple(dict.fromkeys(ident for one in some for ident in one.features))
        sizes = [one.size.value for one in some]
        says = (
            f"{many} {things} by {tool}: {', '.join(one.words for one in some)} differ by no more than "
            f"{format_value(max(sizes) - min(sizes), 4)} mm"
        )
        figures = tuple(one.words for one in some)
        out.append((ln_odds, Scheme(kind, ids, common, _odds(ln_odds), says, figures, tuple(x.size for x in some))))
    return out


def _ln_spread(sizes: Sequence[float]) -> float:
    """Return ln density of free sizes that share an unknown spread, over that of sizes over a factor of ten each.

    The spread (natural log of largest over smallest possible) is log-uniform from 0.1 to 2.5, its place unknown.
    """
    logs = np.log(sizes)
    room = np.maximum(_SPREADS - (logs.max() - logs.min()), 0.0)
    density = float((room / _SPREADS ** len(sizes)).mean())
    # wider than the widest spread: sizes over a factor of ten and more, as the margin has them
    return max(log(density) if density > 0 else -_LN_MOST, -len(sizes) * log(_DECADE)) + len(sizes) * log(_DECADE)


def _quantum(thick: Sequence[Length], cost: float, rng: np.random.Generator) -> list[tuple[float, Scheme]]:
    """Return a quantum that the thicknesses share, as of pieces built up from one sheet."""
    if len(thick) < 4:
        return []
    sizes = [one.size for one in thick]
    values = [one.value for one in sizes]
    result = find_quantum(sizes, (min(values) / 4, 1.2 * min(values)), rng=rng, runs=_QUANTUM_RUNS)
    if isinstance(result, FitFailed) or result.p >= 1 / e:
        return []
    # a p-value is worth odds of no more than 1 / (-e p ln p): Sellke, Bayarri and Berger 2001
    ln_odds = -log(-e * result.p * log(result.p)) - cost
    figures = tuple(one.words for one in thick)
    meant = tuple(f"{k} x {format_short(result.quantum_mm.value, 4)} mm" for k in result.multiples)
    ids = tuple(one.features[0] for one in thick)
    scheme = Scheme(
        "common_quantum", ids, result.quantum_mm, _odds(ln_odds), result.says, figures, tuple(sizes), meant
    )
    return [(ln_odds, scheme)]
