"""Patterns that places of holes make, each with its odds over holes put anywhere.

A pattern says more than chance only when its places hit a figure closer than chance would.
So each candidate is judged by the natural log of the odds of the places under the pattern
over places spread evenly in the part. The odds pay for every free parameter (by the share
of its range that the places settle), for the unknown care of the maker (scatter from
1/10000 to 1/100 of the part's width, all equally likely beforehand) and for how many
subsets, figures and divisions were tried.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import comb, log, pi

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.core.measured import Measured
from ctrecon.record.pattern_fits import Figure, circle, divided, even_pitch, line, symmetric

__all__ = ["CLEARLY", "Pattern", "equal_sizes", "find_patterns"]

CLEARLY = 5.0
"""A pattern is told from this natural log of the odds on (about 150 to 1)."""

_ONE_SIZE = 4.0
_SCATTER = np.geomspace(1e-4, 1e-2, 9)
_ALL_SUBSETS = 8
_FAMILIES = 7
_NEAR = 0.02
_SEEDS = 1500


@dataclass(frozen=True)
class Pattern:
    """A pattern of holes: members (indices), natural log of the odds, its sizes (mm, degrees; x right, y down).

    `scatter_mm` is how far the places lie from the figure (rms), `anchor` the name of the axis
    it is centred on, `count` the divisions (or pitches) counted with missing ones, `places` the
    position number of each member.
    """

    kind: str
    members: tuple[int, ...]
    margin: float
    sizes: Mapping[str, Measured]
    scatter_mm: float
    anchor: str = ""
    count: int = 0
    places: tuple[int, ...] = ()


def find_patterns(
    places: Floats, u_mm: Floats, *, width_mm: float, area_mm2: float,
    anchors: Mapping[str, tuple[float, float]] | None = None, groups: Sequence[Sequence[int]] = (),
) -> tuple[Pattern, ...]:  # fmt: skip
    """Return the patterns that stand out clearly, best first; none is part of another.

    Mirror lines (two at most) come last.

    Parameters
    ----------
    places : (N, 2) array
        Centres, mm, part frame.
    u_mm : (N,) array
        Standard uncertainty of each coordinate.
    width_mm, area_mm2 : float
        Largest width and area of the part that holes could have been put in.
    anchors : mapping, optional
        Named axes a maker may have laid a circle about.
    groups : sequence of index sequences, optional
        Holes of one size; patterns are sought in each, and among all.
    """
    found: list[Pattern] = []
    count = len(places)
    tried = list(_subsets(places, width_mm, groups))
    named = dict(anchors or {})
    for members, cost in tried:
        index = np.array(members)
        for figure, choices in _figures(places[index], width_mm, named):
            margin = _margin(figure, u_mm[index], width_mm, area_mm2) - cost - log(_FAMILIES * choices)
            if margin >= CLEARLY:
                found.append(_told(figure, members, margin, u_mm[index]))
    for some, cost in _wholes(count, groups):
        index = np.array(some)
        for figure in symmetric(places[index], width_mm):
            margin = _margin(figure, u_mm[index], width_mm, area_mm2) - cost - log(_FAMILIES)
            if margin >= CLEARLY:
                found.append(_told(figure, tuple(some), margin, u_mm[index]))
    found.sort(key=lambda one: (-round(one.margin, 6), one.members, one.kind))
    laid: list[Pattern] = []
    told: set[int] = set()
    for one in (p for p in found if p.kind != "symmetric"):
        own = set(one.members)
        # the diagonals of a grid follow from its rows: each pattern must bring in a hole of its own
        if own - told and all(len(own & set(other.members)) < 3 for other in laid):
            laid.append(one)
            told |= own
    # a circle or a row is symmetric by itself; what joins several of them is worth telling
    mirrored = [p for p in found if p.kind == "symmetric" and all(set(p.members) - set(o.members) for o in laid)]
    return (*laid, *mirrored[:2])


def equal_sizes(sizes_mm: Sequence[Measured]) -> tuple[tuple[tuple[int, ...], float, Measured], ...]:
    """Return groups of one size (one drill): members, natural log of the odds over sizes of their own, common size.

    Sizes of their own are spread evenly in log over a factor of ten; those of one drill
    scatter by 1/10000 to 1/100 of the size. Neighbours in size are joined while the odds
    say so.
    """
    order = sorted(range(len(sizes_mm)), key=lambda i: (sizes_mm[i].value, i))
    groups: list[list[int]] = [[i] for i in order]
    while len(groups) > 1:
        joined = [groups[k] + groups[k + 1] for k in range(len(groups) - 1)]
        gains = [_size_odds(j, sizes_mm) - _size_odds(groups[k], sizes_mm) - _size_odds(groups[k + 1], sizes_mm)
                 for k, j in enumerate(joined)]  # fmt: skip
        best = int(np.argmax(gains))
        if gains[best] <= 0:
            break
        groups[best : best + 2] = [joined[best]]
    out = []
    for group in groups:
        # which neighbours in size were joined is one choice among the runs of that length
        margin = _size_odds(group, sizes_mm) - log(len(order) - len(group) + 1)
        if len(group) >= 2 and margin >= _ONE_SIZE:
            value = np.array([sizes_mm[i].value for i in group])
            u = np.array([sizes_mm[i].u or 0.0 for i in group])
            scatter = float(value.std(ddof=1))
            u_mean = max(float(np.sqrt((u**2).sum())) / len(u), scatter / len(u) ** 0.5, 1e-6)
            common = Measured(float(value.mean()), u_mean)
            out.append((tuple(sorted(group)), margin, common))
    return tuple(out)


def _size_odds(group: Sequence[int], sizes: Sequence[Measured]) -> float:
    if len(group) < 2:
        return 0.0
    value = np.array([sizes[i].value for i in group])
    u = np.array([sizes[i].u or 0.0 for i in group])
    alone = len(group) * log(log(10.0)) + float(np.log(value).sum())
    each = []
    for share in _SCATTER:
        var = u**2 + (share * value) ** 2
        weight = 1 / var
        mean = float((weight * value).sum() / weight.sum())
        like = -0.5 * float(((value - mean) ** 2 * weight + np.log(2 * pi * var)).sum())
        each.append(like + 0.5 * log(2 * pi / float(weight.sum())) - log(mean * log(10.0)))
    return _log_mean(each) + alone


def _log_mean(values: Sequence[float]) -> float:
    top = max(values)
    return top + log(float(np.mean(np.exp(np.array(values) - top))))


def _subsets(places: Floats, width: float, groups: Sequence[Sequence[int]]) -> Iterator[tuple[tuple[int, ...], float]]:
    """Yield members with the cost (natural log) of having chosen them: how many subsets of that size there are."""
    seen: set[tuple[int, ...]] = set()
    pools = [p for p in {tuple(range(len(places))), *(tuple(sorted(g)) for g in groups)} if len(p) >= 3]
    for pool in sorted(pools):
        if len(pool) <= _ALL_SUBSETS:
            chosen = [c for size in range(3, len(pool) + 1) for c in combinations(pool, size)]
        else:
            chosen = [pool, *_seeded(places, pool, width)]
        for members in chosen:
            if len(members) >= 3 and members not in seen:
                seen.add(members)
                smallest = min((p for p in pools if set(members) <= set(p)), key=len)
                yield members, log(comb(len(smallest), len(members)) * (len(smallest) - 2) * len(pools))


def _seeded(places: Floats, pool: tuple[int, ...], width: float) -> Iterator[tuple[int, ...]]:
    """Yield, for many holes, those near the circle through three of them or the line through two."""
    own = places[list(pool)]
    for i, j in combinations(range(len(pool)), 2):
        along = own[j] - own[i]
        away = np.abs((own - own[i]) @ np.array([-along[1], along[0]])) / max(float(np.hypot(*along)), 1e-12)
        yield tuple(pool[k] for k in np.flatnonzero(away < _NEAR * width))
    triples = np.array(list(combinations(range(len(pool)), 3)))
    if len(triples) > _SEEDS:
        triples = triples[np.random.default_rng(len(triples)).choice(len(triples), _SEEDS, replace=False)]
    for triple in triples:
        figure = circle(own[triple], width)
        if figure is not None:
            away = np.abs(np.hypot(*(own - figure.values[:2]).T) - figure.values[2])
            near = np.flatnonzero(away < _NEAR * width)
            if len(near) >= 4:
                yield tuple(pool[k] for k in near)


def _wholes(count: int, groups: Sequence[Sequence[int]]) -> list[tuple[list[int], float]]:
    wholes = {tuple(range(count)), *(tuple(sorted(g)) for g in groups)}
    return [(list(w), log(len(wholes))) for w in sorted(wholes) if len(w) >= 4]


def _figures(
    own: Floats, width: float, anchors: Mapping[str, tuple[float, float]]
) -> Iterator[tuple[Figure, int]]:
    """Yield figures the places may lie on, with how many of their like were tried."""
    many = len(own)
    straight = line(own, width)
    if straight is not None:
        yield straight, 1
        for step in range(3):
            even = even_pitch(own, many + step, width)
            if even is not None:
                yield even, 3
    centres: list[tuple[str, tuple[float, float] | None]] = [("", None), *anchors.items()]
    for name, at in centres:
        ring = circle(own, width, about=at, anchor=name)
        if ring is None:
            continue
        choices = max(len(anchors), 1) if name else 1
        yield ring, choices
        divisions = range(max(many, 3), max(2 * many, 12) + 1)
        for number in divisions:
            split = divided(own, number, ring, width, about=at, anchor=name)
            if split is not None:
                yield split, choices * len(divisions)


def _margin(figure: Figure, u: Floats, width: float, area: float) -> float:
    """Natural log of the odds over places anywhere, before the cost of choosing (Laplace's approximation)."""
    each = []
    rows = figure.residuals
    owner = figure.owner
    for share in _SCATTER:
        var = u[owner] ** 2 + (share * width) ** 2
        if figure.pairwise:
            var = 2 * var
        weight = 1 / var
        normal = (figure.jacobian * weight[:, None]).T @ figure.jacobian
        sign, ln_det = np.linalg.slogdet(normal)
        if sign <= 0:
            return -np.inf
        like = -0.5 * float((rows**2 * weight + np.log(2 * pi * var)).sum())
        each.append(like + 0.5 * normal.shape[0] * log(2 * pi) - 0.5 * float(ln_det))
    return _log_mean(each) + figure.ln_prior(width, area) + len(u) * log(area)


def _told(figure: Figure, members: tuple[int, ...], margin: float, u: Floats) -> Pattern:
    rows = figure.residuals
    freedom = max(len(rows) - figure.jacobian.shape[1], 1)
    scatter2 = max(float((rows**2).sum()) / freedom - float((u**2).mean()), 0.0)
    var = u[figure.owner] ** 2 + scatter2
    covariance = np.linalg.inv((figure.jacobian / var[:, None]).T @ figure.jacobian)
    sizes = {
        name: Measured(float(v), float(np.sqrt(c)))
        for name, v, c in zip(figure.names, figure.values, np.diag(covariance), strict=True)
    }
    if "angle" in sizes:
        sizes["angle"] = Measured(float(np.degrees(sizes["angle"].value)), float(np.degrees(sizes["angle"].u or 0.0)))
    rms = float(np.sqrt((rows**2).sum() / len(u)))
    return Pattern(figure.kind, members, margin, sizes, rms, figure.anchor, figure.count, figure.places)
