"""Search for closed lines of lower or higher grey, judged by the scatter of all other lines of the same planes."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.frames import Floats
from ctrecon.seams.anywhere import scale_anywhere, search_anywhere
from ctrecon.seams.base import Base
from ctrecon.seams.family import (
    Family,
    Maker,
    circle_maker,
    parallel_maker,
    rectangle_maker,
    square_maker,
)
from ctrecon.seams.field import SeamField
from ctrecon.seams.line_kinds import SeamShape, grown, scaled
from ctrecon.seams.refine import Scale, SeamCandidate, sampled

__all__ = ["Centre", "judged_without_itself", "search"]

_FILLED = 0.55
_FEWEST = 20
_FOOTPRINT = 8  # sizes either side of a line that still see it
_GROWTHS = 8  # px by which half the size of a conical line may change over a run, either way
_STEEPEST = 0.3
_REACH_PX = {1: 48.0, 2: 120.0, 4: 600.0}
"""How far from its centre squares and rectangles are sought, by the width of the cells."""
_OVERLAP = 0.8

_SIBLINGS = 0.7  # few siblings know their scatter badly

Key = tuple[int, int, float, bool]
"""First and last block, growth, and whether judged against other depths."""


@dataclass(frozen=True)
class Centre:
    """A known axis, and how far the metal reaches from it; px of the part grid."""

    x: float
    y: float
    reach: float


@dataclass(frozen=True, eq=False)
class _Scores:
    """Scores of all lines over one stretch of blocks, and which of them lie in metal well enough."""

    raw: Floats
    good: NDArray[np.bool_]
    first: int
    last: int
    growth: float = 0.0
    against: bool = False


def search(
    field: SeamField, centres: Sequence[Centre], outlines: Sequence[Base], step: Callable[[], None] = lambda: None
) -> list[SeamCandidate]:
    """Return the best leads of every family of lines, the strongest first.

    Circles, squares, rectangles and slots are tried about every known axis, parallels inside every known outline,
    circles and squares about every point of the metal; all of them over many stretches of depth, for both signs
    of grey, round and square ones also with a size that changes evenly through depth. Squares and rectangles are
    sought in the finer cells where they are small and in coarser ones where they are large: so a large part costs
    little more than a small one, and a longer line makes up for what a coarser cell loses. `step` is called after
    every axis, every outline, and the search about every point.
    """
    leads: list[SeamCandidate] = []
    about: Maker | None = None
    least: dict[Key, float] = {}
    by_cell = {cell: (field.coarser(cell), _quarters(field.coarser(cell))) for cell in _REACH_PX} if centres else {}
    for centre in centres:
        about = square_maker(centre.x, centre.y, min(centre.reach, _REACH_PX[1]))
        square = about(field)
        every = () if square is None else (*_straight(field, square), *_conical(field, square))
        least = {key: scale.spread for key, scale in _scales(every).items()}
        if square is not None:
            leads += _best(square, every, field, {})
        round_ = circle_maker(centre.x, centre.y, centre.reach)(field)
        if round_ is not None:
            leads += _best(round_, _straight(field, round_), field, least, about)
            leads += _best(round_, _conical(field, round_), field, least, about)
        wide = [lead for cell, both in by_cell.items() for lead in _wide(*both, centre, _REACH_PX[cell])]
        leads += _foremost(_in_px(field, lead) for lead in wide)
        step()
    for outline in outlines:
        family = parallel_maker(outline)(field)
        if family is not None and about is not None:
            leads += _best(family, _straight(field, family), field, least, about)
        step()
    del by_cell  # large, and done with
    leads += _foremost(_in_px(field, lead) for lead in search_anywhere(field))
    step()
    return sorted(leads, key=lambda lead: (-lead.z, lead.name))


def _wide(field: SeamField, quarters: SeamField, centre: Centre, reach: float) -> list[SeamCandidate]:
    """Search rectangles, and beyond the finest cells squares, of the sizes that suit the cells of this field."""
    cell = field.cell
    x, y, most = (centre.x + 0.5) / cell - 0.5, (centre.y + 0.5) / cell - 0.5, min(centre.reach, reach) / cell
    least = _OVERLAP * _REACH_PX[cell // 2] / cell if cell > 1 else 0.0
    if most <= least:
        return []
    leads: list[SeamCandidate] = []
    if cell > 1:
        square = square_maker(x, y, most, least / 2**0.5)(field)
        if square is not None:
            leads += _best(square, (*_straight(field, square), *_conical(field, square)), field, {})
    family = rectangle_maker(x, y, most, least)(quarters)
    if family is not None:
        leads += _best(family, _by_quarters(family, quarters.joined), field, {})
    return leads


def _foremost(leads: Iterable[SeamCandidate]) -> list[SeamCandidate]:
    """Keep the surest and the greatest of each kind, whatever the cells they were found in."""
    kinds: dict[tuple[str, bool, bool, bool], list[SeamCandidate]] = {}
    for lead in leads:
        kinds.setdefault((lead.name, lead.bright, lead.against, lead.growth != 0.0), []).append(lead)
    out = []
    for same in kinds.values():
        surest, greatest = max(same, key=lambda lead: lead.z), max(same, key=lambda lead: abs(lead.raw))
        out += [surest] if greatest is surest else [surest, greatest]
    return out


def _in_px(field: SeamField, lead: SeamCandidate) -> SeamCandidate:
    """Turn what was found in coarser cells into pixels, its scores into those of the finest cells; z stays."""
    if lead.cell == 1:
        return lead
    by = field.scores_per_cell(lead.cell)
    scale = lead.scale.times(by)
    shape = scaled(lead.shape, float(lead.cell))
    return replace(lead, shape=shape, growth=lead.growth * lead.cell, scale=scale, raw=lead.raw * by)


def judged_without_itself(field: SeamField, near: NDArray[np.bool_], lead: SeamCandidate) -> SeamCandidate:
    """Judge a lead anew by the lines of the field without the pixels `near` it.

    Lines that cross or touch a seam, or lie beside it, see it too: they would widen the scatter it is judged by,
    the more the plainer it is. Its own siblings - the same line, larger and smaller - have a say as well: where
    rings lie about its centre they scatter more than all other lines do.
    """
    blocks = range(len(field.starts) - 1)
    own = [b for b in blocks if lead.first <= b <= lead.last]
    if lead.growth:
        whole = field.cleaned(near)
    else:
        rest = [b for b in blocks if b not in own]
        whole = field.over([own, rest] if lead.against else [own], near)
    left = whole.coarser(lead.cell)
    scale: Scale | None = None
    if not lead.makers:
        scale = scale_anywhere(left, lead)
    else:
        every = []
        for make in lead.makers:
            family = make(left)
            if family is not None:
                found = _scale_of(left, family, lead)
                every += [] if found is None else [found]
        if every:
            scale = Scale(every[0].middle, max(one.spread for one in every))
    if scale is None:
        return lead
    scale = scale.times(field.scores_per_cell(lead.cell))
    # means of many blocks have fewer loud pixels cut off: the floor is that of the field itself
    spread = max(scale.spread, field.least_spread, _SIBLINGS * _sibling_spread(whole, lead))
    sign = -1.0 if lead.bright else 1.0
    return replace(lead, scale=Scale(scale.middle, spread), z=sign * (lead.raw - scale.middle) / spread)


def _scale_of(field: SeamField, family: Family, lead: SeamCandidate) -> Scale | None:
    """Median and scatter of a family over the very stretch of a lead, in a field made for it."""
    if lead.growth:
        (scores,) = _conical(field, family, only=(lead.first, lead.last, lead.growth / lead.cell))
    elif lead.against:
        scores = _against(family.sums, family.norms, family.fill)
    else:
        scores = _scores(family.sums[0], family.norms[0], family.fill[0], 0, 0)
    return _scale(scores.raw[scores.good])


def _sibling_spread(field: SeamField, lead: SeamCandidate) -> float:
    """Scatter of the scores of the same line at other sizes, from 3 px off; 0 where there are too few.

    The field holds the stretch of a straight lead in its first block, all blocks for a conical one.
    """
    raw = []
    low = -_half_size(lead.shape) + 3.0
    first, last = (lead.first, lead.last) if lead.growth else (0, 0)
    root = 1.0 if lead.growth else float(field.joined[0]) ** 0.5
    for by in (*np.arange(-20.0, -2.5, 0.5), *np.arange(3.0, 20.5, 0.5)):
        if by < low:
            continue
        fine, weight = sampled(field, grown(lead.shape, float(by)), first, last, lead.growth)
        total = float(weight.sum())
        if weight.size and total > 0 and weight.mean() > _FILLED:
            raw.append(-root * float((fine * weight).sum()) / total**0.5)
    found = _scale(np.array(raw)) if len(raw) >= _FEWEST // 2 else None
    return 0.0 if found is None else found.spread


def _quarters(field: SeamField) -> SeamField:
    """Join the blocks by quarters of the depth: few enough for many lines."""
    edges = np.unique(np.linspace(0, len(field.starts) - 1, 5).round().astype(int))
    pairs = [field.run(int(a), int(b) - 1) for a, b in pairwise(edges)]
    fine, weight = np.array([f for f, _ in pairs]), np.array([w for _, w in pairs])
    starts, joined = tuple(range(len(pairs) + 1)), tuple(int(n) for n in np.diff(edges))
    return replace(field, fine=fine, weight=weight, mean=field.mean[:0], starts=starts, joined=joined)


def _straight(field: SeamField, family: Family) -> Iterable[_Scores]:
    """Scores over every stretch of depth: of the line itself, and against the same line at all other depths.

    Rings of the scanner go through all depths: against other depths they cancel.
    """
    sums, norms, fill = (
        np.concatenate([np.zeros((1, v.shape[1])), np.cumsum(v, axis=0)])
        for v in (family.sums, family.norms, family.fill)
    )
    count = len(family.sums)
    for a, b in field.runs():
        s, n, f = sums[b + 1] - sums[a], norms[b + 1] - norms[a], (fill[b + 1] - fill[a]) / (b + 1 - a)
        yield _scores(s, n, f, a, b)
        rest = count - (b + 1 - a)
        if rest:
            f_out = (fill[-1] - fill[b + 1] + fill[a]) / rest
            yield _against(np.array([s, sums[-1] - s]), np.array([n, norms[-1] - n]), np.array([f, f_out]), a, b)


def _against(sums: Floats, norms: Floats, fill: Floats, a: int = 0, b: int = 0) -> _Scores:
    """Scores of lines against the same lines at all other depths; both given as (2, lines)."""
    both = (norms > 1e-6).all(axis=0)
    n_in, n_rest = np.where(both, norms, 1.0)
    norm = 1 / (1 / n_in + 1 / n_rest)
    seen = np.where(both, np.minimum(fill[0], fill[1] + 0.15), 0.0)
    return _scores((sums[0] / n_in - sums[1] / n_rest) * norm, norm, seen, a, b, against=True)


def _conical(field: SeamField, family: Family, only: tuple[int, int, float] | None = None) -> Iterable[_Scores]:
    """Scores of lines whose size changes evenly through depth, over all of the depth and over its halves.

    `only` asks for one of them: first and last block, and growth.
    """
    count = len(family.sums)
    if count < 4:
        return
    sizes = int(family.size_of[-1]) + 1
    first_of = np.searchsorted(family.size_of, np.arange(sizes + 1))
    turns = np.diff(first_of)
    if sizes < 2:
        return
    half = _half_size(family.own[1].first) - _half_size(family.own[0].first)
    every = np.stack([family.sums, family.norms, family.fill], axis=2)
    for a, b in sorted({(0, count - 1), (0, count // 2 - 1), (count // 2, count - 1)}):
        middle = (field.starts[a] + field.starts[b + 1] - 1) / 2
        planes = field.starts[b + 1] - field.starts[a]
        for change in (c for c in range(-_GROWTHS, _GROWTHS + 1) if c and abs(c) * field.cell <= _STEEPEST * planes):
            if only is not None and only != (a, b, change / planes):
                continue
            total = np.zeros((len(family.size_of), 3))
            outside = np.zeros(len(family.size_of), dtype=bool)
            for block in range(a, b + 1):
                at = (field.starts[block] + field.starts[block + 1] - 1) / 2 - middle
                size = family.size_of + round(change / half * at / planes)
                outside |= (size < 0) | (size >= sizes)
                size = np.clip(size, 0, sizes - 1)
                index = first_of[size] + np.round(family.turn_of * turns[size]).astype(np.int64) % turns[size]
                total += every[block].take(index, axis=0)
            s, n, f = total[:, 0], total[:, 1], total[:, 2] / (b + 1 - a)
            yield _scores(s, n, np.where(outside, 0.0, f), a, b, growth=change / planes)


def _by_quarters(family: Family, joined: Sequence[int]) -> Iterable[_Scores]:
    """Scores over the quarters of the depth, its halves and the whole of it."""
    counts, edges = np.array(joined), np.concatenate([[0], np.cumsum(joined)])
    half = round(edges[-1] / 2)
    runs = [(0, half), (half, edges[-1])] if 0 < half < edges[-1] else []
    for a, b in sorted({(0, edges[-1]), *runs, *pairwise(edges)}):
        own = slice(*np.searchsorted(edges, (a, b)))
        sums, norms = family.sums[own].sum(axis=0), family.norms[own].sum(axis=0)
        fill = (family.fill[own] * counts[own, None]).sum(axis=0) / (b - a)
        yield _scores(sums, norms, fill, int(a), int(b) - 1)


def _half_size(shape: SeamShape) -> float:
    return float(abs(shape.signed_distance(np.array([shape.centre]))[0]))


def _scores(
    sums: Floats, norms: Floats, fill: Floats, a: int, b: int, *, growth: float = 0.0, against: bool = False
) -> _Scores:
    good = (fill > _FILLED) & (norms > 1e-6)
    return _Scores(np.where(good, sums / np.sqrt(np.where(good, norms, 1.0)), 0.0), good, a, b, growth, against)


def _scale(raw: Floats) -> Scale | None:
    if len(raw) < _FEWEST // 2:
        return None
    middle = float(np.median(raw))
    return Scale(middle, max(1.4826 * float(np.median(np.abs(raw - middle))), 1e-9))


def _scales(every: Iterable[_Scores]) -> dict[Key, Scale]:
    """Median and scatter of every stretch."""
    found = {(s.first, s.last, s.growth, s.against): _scale(s.raw[s.good]) for s in every}
    return {key: scale for key, scale in found.items() if scale is not None}


def _best(
    family: Family, every: Iterable[_Scores], field: SeamField, least: dict[Key, float],
    reference: Maker | None = None,
) -> list[SeamCandidate]:  # fmt: skip
    """Set the scores of every stretch against their own median and scatter; return the best line of each sign.

    Straight and conical lines, and those judged against other depths, each have a best: the surest, and that with
    the greatest score, which a plain seam's own traces in the scatter may hide.

    Of a family of few lines the scatter is ill known: it is never taken for less than that of the lines of
    `reference`, given in `least`, nor for less than the noise of single pixels makes.
    """
    makers = (family.maker,) if reference is None else (family.maker, reference)
    alone = len(family.own) == len(family.size_of)
    surest: dict[tuple[bool, bool, bool], SeamCandidate] = {}
    greatest: dict[tuple[bool, bool, bool], SeamCandidate] = {}
    for s in every:
        if s.good.sum() < _FEWEST:
            continue
        for sign in (1.0, -1.0):
            peak = int(np.argmax(np.where(s.good, sign * s.raw, -np.inf)))
            calm = s.good
            if alone:  # few lines: the line's own response would widen the scatter it is judged by
                calm = calm & (np.abs(family.size_of - family.size_of[peak]) > _FOOTPRINT)
            scale = _scale(s.raw[calm]) or _scale(s.raw[s.good])
            assert scale is not None
            known = least.get((s.first, s.last, s.growth, s.against), 0.0)
            scale = Scale(scale.middle, max(scale.spread, field.least_spread, known))
            raw = float(s.raw[peak])
            z = sign * (raw - scale.middle) / scale.spread
            shape = family.shape(peak)
            lead = SeamCandidate(
                family.name, shape, s.first, s.last, z, sign < 0, s.growth, scale, raw, s.against, makers, field.cell
            )
            group = (lead.bright, lead.against, lead.growth != 0.0)
            if group not in surest or z > surest[group].z:
                surest[group] = lead
            if group not in greatest or sign * raw > abs(greatest[group].raw):
                greatest[group] = lead
    out = [*surest.values()]
    return [*out, *(lead for lead in greatest.values() if lead not in out)]
