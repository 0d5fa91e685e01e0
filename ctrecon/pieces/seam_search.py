"""Search for closed lines of lower or higher grey, judged by the scatter of all other lines of the same planes."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.frames import Floats
from ctrecon.pieces.seam_anywhere import scale_anywhere, search_anywhere
from ctrecon.pieces.seam_field import SeamField
from ctrecon.pieces.seam_paths import Line, SeamShape, circles, parallels, rectangles, squares
from ctrecon.pieces.seam_refine import Lead, Scale, grown, sampled

__all__ = ["Centre", "judged_without_itself", "search"]

_FILLED = 0.55
_FEWEST = 20
_FOOTPRINT = 8  # sizes either side of a line that still see it
_GROWTHS = 8  # px by which half the size of a conical line may change over a run, either way
_STEEPEST = 0.3
_MOST_WIDE_PX = 70.0

_SIBLINGS = 0.7  # few siblings know their scatter badly

Lines = Callable[[], Iterable[Line]]
Key = tuple[int, int, float, bool]
"""First and last block, growth, and whether judged against other depths."""


@dataclass(frozen=True)
class Centre:
    """A known axis, and how far the metal reaches from it; px of the square grid."""

    x: float
    y: float
    reach: float


@dataclass(frozen=True, eq=False)
class _Family:
    """Sums of fine grey along every line of one family, block by block (blocks, lines); dips count positive."""

    name: str
    lines: Lines
    own: tuple[Line, ...]
    sums: Floats
    norms: Floats
    fill: Floats
    size_of: NDArray[np.int64]
    turn_of: Floats

    def shape(self, index: int) -> SeamShape:
        """Return one of the lines."""
        line = self.own[int(self.size_of[index])]
        return line.shape(round(float(self.turn_of[index]) * len(line.turns)))


@dataclass(frozen=True, eq=False)
class _Scores:
    """Scores of all lines over one stretch of blocks, and which of them lie in metal well enough."""

    raw: Floats
    good: NDArray[np.bool_]
    first: int
    last: int
    growth: float = 0.0
    against: bool = False


def search(field: SeamField, centres: Sequence[Centre], outlines: Sequence[Floats]) -> list[Lead]:
    """Return the best leads of every family of lines, the strongest first.

    Circles, squares, rectangles and slots are tried about every known axis, parallels inside every known outline,
    circles and squares about every point of the metal; all of them over many stretches of depth, for both signs
    of grey, round and square ones also with a size that changes evenly through depth.
    """
    leads: list[Lead] = []
    about: Lines | None = None
    for centre in centres:
        about = partial(squares, centre.x, centre.y, centre.reach)
        square = _score(field, "square", about)
        least = {} if square is None else _spreads(field, square)
        if square is not None:
            leads += _best(square, (*_straight(field, square), *_conical(field, square)), field.least_spread, {})
        round_ = _score(field, "circle", partial(circles, centre.x, centre.y, centre.reach))
        if round_ is not None:
            leads += _best(round_, _straight(field, round_), field.least_spread, least, about)
            leads += _best(round_, _conical(field, round_), field.least_spread, least, about)
        joined, runs = _joined(field)
        family = _score(joined, "rectangle", partial(rectangles, centre.x, centre.y, min(centre.reach, _MOST_WIDE_PX)))
        if family is not None:
            leads += _best(family, _by_run(family, runs), field.least_spread, {})
    for outline in outlines:
        family = _score(field, "parallel", partial(parallels, outline))
        if family is not None and about is not None:
            known = _score(field, "square", about)
            least = {} if known is None else _spreads(field, known)
            leads += _best(family, _straight(field, family), field.least_spread, least, about)
    leads += search_anywhere(field)
    return sorted(leads, key=lambda lead: (-lead.z, lead.name))


def judged_without_itself(field: SeamField, lead: Lead) -> Lead:
    """Judge a lead anew by the lines of a field from which its own pixels were taken out.

    Lines that cross or touch a seam, or lie beside it, see it too: they would widen the scatter it is judged by,
    the more the plainer it is. Its own siblings - the same line, larger and smaller - have a say as well: where
    rings lie about its centre they scatter more than all other lines do.
    """
    scale: Scale | None = None
    key = (lead.first, lead.last, lead.growth, lead.against)
    if not lead.lines:
        scale = scale_anywhere(field, lead)
    elif lead.name == "rectangle":
        joined, runs = _joined(field)
        family = _score(joined, lead.name, lead.lines[0])
        scale = None if family is None else _scales(_by_run(family, runs), only=key).get(key)
    else:
        every = []
        for lines in lead.lines:
            family = _score(field, lead.name, lines)
            if family is not None:
                scores = _conical(field, family) if lead.growth else _straight(field, family)
                found = _scales(scores, only=key).get(key)
                every += [] if found is None else [found]
        if every:
            scale = Scale(every[0].middle, max(one.spread for one in every))
    if scale is None:
        return lead
    spread = max(scale.spread, field.least_spread, _SIBLINGS * _sibling_spread(field, lead))
    sign = -1.0 if lead.bright else 1.0
    return replace(lead, scale=Scale(scale.middle, spread), z=sign * (lead.raw - scale.middle) / spread)


def _sibling_spread(field: SeamField, lead: Lead) -> float:
    """Scatter of the scores of the same line at other sizes, from 3 px off; 0 where there are too few."""
    raw = []
    low = -_half_size(lead.shape) + 3.0
    for by in (*np.arange(-20.0, -2.5, 0.5), *np.arange(3.0, 20.5, 0.5)):
        if by < low:
            continue
        fine, weight = sampled(field, grown(lead.shape, float(by)), lead.first, lead.last, lead.growth)
        total = float(weight.sum())
        if weight.size and total > 0 and weight.mean() > _FILLED:
            raw.append(-float((fine * weight).sum()) / total**0.5)
    found = _scale(np.array(raw)) if len(raw) >= _FEWEST // 2 else None
    return 0.0 if found is None else found.spread


def _joined(field: SeamField) -> tuple[SeamField, list[tuple[int, int]]]:
    """Join the blocks over the whole depth, its halves and its quarters: few enough for many lines."""
    count = len(field.starts) - 1
    runs = {(0, count - 1)}
    for parts in (2, 4):
        edges = np.linspace(0, count, parts + 1).round().astype(int)
        runs |= {(int(a), int(b) - 1) for a, b in pairwise(edges) if b - a >= 1}
    ordered = sorted(runs)
    pairs = [field.run(a, b) for a, b in ordered]
    fine, weight = np.array([f for f, _ in pairs]), np.array([w for _, w in pairs])
    return SeamField(fine, weight, field.mean[:1], tuple(range(len(pairs) + 1)), field.kernel), ordered


def _score(field: SeamField, name: str, lines: Lines) -> _Family | None:
    blocks, rows, columns = field.fine.shape
    # pixel by pixel, all blocks side by side: one look-up serves them all
    both = np.concatenate([field.fine * field.weight, field.weight]).reshape(2 * blocks, -1).T
    both = np.ascontiguousarray(np.vstack([both, np.zeros((1, 2 * blocks), both.dtype)]))
    own: list[Line] = []
    parts: list[Floats] = []
    count: list[NDArray[np.int64]] = []
    for line in lines():
        column, row = np.rint(line.points[..., 0]).astype(np.int32), np.rint(line.points[..., 1]).astype(np.int32)
        inside = (column >= 0) & (column < columns) & (row >= 0) & (row < rows)
        at = np.where(inside, row * columns + column, rows * columns)
        parts.append(both[at].sum(axis=1))
        count.append(np.full(len(line.turns), line.points.shape[1]))
        own.append(replace(line, points=np.empty(0)))
    if not parts:
        return None
    table = np.concatenate(parts).T
    turns = [len(line.turns) for line in own]
    size_of = np.repeat(np.arange(len(own)), turns)
    turn_of = np.concatenate([np.arange(n) / n for n in turns])
    # the noise of a mean of w planes goes with one over the root of w: so does that of the sum
    sums, norms = -table[:blocks], table[blocks:]
    return _Family(name, lines, tuple(own), sums, norms, norms / np.concatenate(count), size_of, turn_of)


def _straight(field: SeamField, family: _Family) -> Iterable[_Scores]:
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
            s_out, n_out, f_out = sums[-1] - s, norms[-1] - n, (fill[-1] - fill[b + 1] + fill[a]) / rest
            both = (n > 1e-6) & (n_out > 1e-6)
            n_in, n_rest = np.where(both, n, 1.0), np.where(both, n_out, 1.0)
            norm = 1 / (1 / n_in + 1 / n_rest)
            seen = np.where(both, np.minimum(f, f_out + 0.15), 0.0)
            yield _scores((s / n_in - s_out / n_rest) * norm, norm, seen, a, b, against=True)


def _conical(field: SeamField, family: _Family) -> Iterable[_Scores]:
    """Scores of lines whose size changes evenly through depth, over all of the depth and over its halves."""
    count = len(family.sums)
    if count < 4:
        return
    sizes = int(family.size_of[-1]) + 1
    first_of = np.searchsorted(family.size_of, np.arange(sizes + 1))
    turns = np.diff(first_of)
    if sizes < 2:
        return
    half = _half_size(family.own[1].first) - _half_size(family.own[0].first)
    for a, b in sorted({(0, count - 1), (0, count // 2 - 1), (count // 2, count - 1)}):
        middle = (field.starts[a] + field.starts[b + 1] - 1) / 2
        planes = field.starts[b + 1] - field.starts[a]
        for change in (c for c in range(-_GROWTHS, _GROWTHS + 1) if c and abs(c) <= _STEEPEST * planes):
            s, n, f = (np.zeros(len(family.size_of)) for _ in range(3))
            outside = np.zeros(len(family.size_of), dtype=bool)
            for block in range(a, b + 1):
                at = (field.starts[block] + field.starts[block + 1] - 1) / 2 - middle
                size = family.size_of + round(change / half * at / planes)
                outside |= (size < 0) | (size >= sizes)
                size = np.clip(size, 0, sizes - 1)
                index = first_of[size] + np.round(family.turn_of * turns[size]).astype(np.int64) % turns[size]
                s += family.sums[block, index]
                n += family.norms[block, index]
                f += family.fill[block, index] / (b + 1 - a)
            yield _scores(s, n, np.where(outside, 0.0, f), a, b, growth=change / planes)


def _by_run(family: _Family, runs: Sequence[tuple[int, int]]) -> Iterable[_Scores]:
    for i, (a, b) in enumerate(runs):
        # a mean over blocks is quieter than a sum by the root of their number: one scale for all
        yield _scores(family.sums[i] * (b + 1 - a) ** 0.5, family.norms[i], family.fill[i], a, b)


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


def _scales(every: Iterable[_Scores], only: Key | None = None) -> dict[Key, Scale]:
    """Median and scatter of every stretch, or of one."""
    out = {}
    for s in every:
        key = (s.first, s.last, s.growth, s.against)
        if only is None or key == only:
            found = _scale(s.raw[s.good])
            if found is not None:
                out[key] = found
    return out


def _spreads(field: SeamField, family: _Family) -> dict[Key, float]:
    every = (*_straight(field, family), *_conical(field, family))
    return {key: scale.spread for key, scale in _scales(every).items()}


def _best(
    family: _Family, every: Iterable[_Scores], floor: float, least: dict[Key, float], reference: Lines | None = None
) -> list[Lead]:
    """Set the scores of every stretch against their own median and scatter; return the best line of each sign.

    Straight and conical lines, and those judged against other depths, each have a best: the surest, and that with
    the greatest score, which a plain seam's own traces in the scatter may hide.

    Of a family of few lines the scatter is ill known: it is never taken for less than that of the lines of
    `reference`, given in `least`, nor for less than `floor`.
    """
    lines = (family.lines,) if reference is None else (family.lines, reference)
    alone = len(family.own) == len(family.size_of)
    surest: dict[tuple[bool, bool, bool], Lead] = {}
    greatest: dict[tuple[bool, bool, bool], Lead] = {}
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
            scale = Scale(scale.middle, max(scale.spread, floor, known))
            raw = float(s.raw[peak])
            z = sign * (raw - scale.middle) / scale.spread
            lead = Lead(
                family.name, family.shape(peak), s.first, s.last, z, sign < 0, s.growth, scale, raw, s.against, lines
            )
            group = (lead.bright, lead.against, lead.growth != 0.0)
            if group not in surest or z > surest[group].z:
                surest[group] = lead
            if group not in greatest or sign * raw > abs(greatest[group].raw):
                greatest[group] = lead
    out = [*surest.values()]
    return [*out, *(lead for lead in greatest.values() if lead not in out)]
