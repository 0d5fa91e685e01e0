"""Outlines followed through depth and cut into stretches of even section."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from ctrecon.core.ahead import ahead
from ctrecon.core.frames import Floats
from ctrecon.outlines.outline_metrics import describe
from ctrecon.outlines.same_section import Run, same_sections
from ctrecon.outlines.trace import Outline, trace

__all__ = ["Stretch", "find_stretches"]

_LEAST_PLANES = 3
_OVERLAP = 0.45


@dataclass(frozen=True, eq=False)
class Stretch:
    """A run of planes (first, last inclusive) in which one outline keeps or evenly changes its section.

    `runs` are the planes over which all of the outline does so; between them a bite or noise changes it.
    """

    hole: bool
    first: int
    last: int
    box: tuple[float, float, float, float]
    whole: bool
    growth_px: float
    middle: Outline
    runs: tuple[Run, ...] = ()


@dataclass(frozen=True, eq=False)
class _Kept:
    """An outline told in little: a thousand slices of outlines must not fill the memory."""

    outline: Outline
    figures: Floats
    box: tuple[float, float, float, float]

    @classmethod
    def of(cls, outline: Outline) -> "_Kept":
        """Keep the points in single precision: they only serve to begin a fit."""
        light = replace(outline, points=outline.points.astype(np.float32))
        return cls(light, np.asarray(describe(outline)), outline.box)

    def whole(self) -> Outline:
        """Return the outline in double precision."""
        return replace(self.outline, points=self.outline.points.astype(float))


@dataclass(eq=False)
class _Chain:
    hole: bool
    planes: list[int]
    outlines: list[_Kept]


def find_stretches(
    plane_of: Callable[[int], Floats], count: int, *, smooth_px: float = 0.7,
    least_area_px2: float = 9.0,
    least_planes: int = _LEAST_PLANES,
    pixels: int = 0,
    progress: Callable[[str, int, int], None] | None = None,
) -> tuple[Stretch, ...]:  # fmt: skip
    """Trace every plane, link outlines that overlap from plane to plane, cut where the section changes.

    Parameters
    ----------
    plane_of : callable
        Returns squared plane k (air 0, metal 1, NaN without data).
    count : int
        Number of planes.
    smooth_px : float
        Smoothing before tracing.
    least_area_px2 : float
        Smaller outlines are left out.
    least_planes : int
        Fewest planes a stretch may have, three at most: as many as the body has slices.
    pixels : int
        Of a plane: large ones are drawn by a second thread.

    Returns
    -------
    tuple of Stretch
        Stretches of at least three planes (fewer where the body has fewer).
    """
    done: list[_Chain] = []
    open_chains: list[_Chain] = []
    for k, plane in enumerate(ahead(plane_of, range(count), pixels)):
        traced = trace(plane, smooth_px=smooth_px, least_area_px2=least_area_px2)
        outlines = [_Kept.of(one) for one in traced]
        pairs = sorted(
            (
                (-_overlap(c.outlines[-1], o), i, j)
                for i, c in enumerate(open_chains)
                for j, o in enumerate(outlines)
                if c.hole == o.outline.hole
            ),
        )
        taken_chain: set[int] = set()
        taken_outline: set[int] = set()
        for score, i, j in pairs:
            if -score < _OVERLAP or i in taken_chain or j in taken_outline:
                continue
            taken_chain.add(i)
            taken_outline.add(j)
            open_chains[i].planes.append(k)
            open_chains[i].outlines.append(outlines[j])
        done += [c for i, c in enumerate(open_chains) if i not in taken_chain]
        fresh = [_Chain(o.outline.hole, [k], [o]) for j, o in enumerate(outlines) if j not in taken_outline]
        open_chains = [c for i, c in enumerate(open_chains) if i in taken_chain] + fresh
        if progress is not None:
            progress("outlines", k + 1, count)
    done += open_chains
    least = max(1, min(least_planes, _LEAST_PLANES, count))
    stretches = [s for chain in done for s in _cut(chain, least)]
    return tuple(sorted(stretches, key=lambda s: (s.first, s.hole, s.box)))


def _overlap(a: _Kept, b: _Kept) -> float:
    """Shared area of the two boxes over their joint area, lowered by unequal fill."""
    ax0, ay0, ax1, ay1 = a.box
    bx0, by0, bx1, by1 = b.box
    shared = max(0.0, min(ax1, bx1) - max(ax0, bx0)) * max(0.0, min(ay1, by1) - max(ay0, by0))
    joint = (ax1 - ax0) * (ay1 - ay0) + (bx1 - bx0) * (by1 - by0) - shared
    return shared / joint if joint > 0 else 0.0


def _cut(chain: _Chain, least: int) -> list[Stretch]:
    """Cut one chain where its section leaves a straight line through depth."""
    table = np.array([o.figures for o in chain.outlines])
    if len(table) < least:
        return []
    # second differences: an even taper is not noise
    bend = np.abs(np.diff(table, n=2, axis=0))
    noise = np.median(bend, axis=0) / 1.65 if len(bend) else np.zeros(table.shape[1])
    tolerance = np.maximum(0.45, 5.7 * noise)
    cuts = [0, *sorted(_breaks(table / tolerance, 0, len(table) - 1)), len(table)]
    pieces = [(a, b - 1) for a, b in pairwise(cuts)]
    if max(b - a + 1 for a, b in pieces) < least:
        return []
    if len(pieces) < 2:
        return [_stretch(chain, (Run(a, b),), _growth(table[a : b + 1, 0])) for a, b in pieces]
    sections = same_sections([o.outline.points for o in chain.outlines], pieces, least=least)
    return [
        _stretch(chain, runs, _growth(table[runs[0].first : runs[0].last + 1, 0]) if len(runs) == 1 else growth)
        for runs, growth in sections
    ]


def _growth(size: Floats) -> float:
    trim = 2 if len(size) >= 9 else 1  # blurred end faces reach into the outermost planes
    inner = size[trim:-trim]
    return float(np.polyfit(np.arange(len(inner)), inner, 1)[0]) if len(inner) > 1 else 0.0


def _stretch(chain: _Chain, runs: tuple[Run, ...], growth: float) -> Stretch:
    a, b = runs[0].first, runs[-1].last
    boxes = np.array([o.box for o in chain.outlines[a : b + 1]])
    typical = max(runs, key=lambda r: (r.share == 1.0, len(r)))
    return Stretch(
        chain.hole,
        chain.planes[a],
        chain.planes[b],
        (*boxes[:, :2].min(axis=0).tolist(), *boxes[:, 2:].max(axis=0).tolist()),
        all(o.outline.whole for o in chain.outlines[a : b + 1]),
        growth,
        chain.outlines[(typical.first + typical.last + 1) // 2].whole(),
        tuple(Run(chain.planes[r.first], chain.planes[r.last], r.share) for r in runs),
    )


def _breaks(table: Floats, a: int, b: int) -> set[int]:
    """Split rows a..b where they stray from their straight line; a break is the first row of the next piece.

    The line runs through the medians of the first and last three rows. The split is put
    at the largest jump between neighbours if the misfit is a step, else at the largest
    misfit (the knee of a cone).
    """
    if b - a < 3:
        return set()
    rows = np.arange(a, b + 1)
    part = table[a : b + 1]
    head, tail = np.median(part[:3], axis=0), np.median(part[-3:], axis=0)
    h, t = rows[:3].mean(), rows[-3:].mean()
    line = (
        head + (tail - head) * ((rows - h) / max(t - h, 1e-9))[:, None]
        if t > h
        else np.repeat(np.median(part, axis=0)[None], len(rows), axis=0)
    )
    misfit = np.abs(part - line).max(axis=1)
    if misfit.max() <= 1.0:
        return set()
    jumps = np.abs(np.diff(part, axis=0)).max(axis=1)
    j = int(np.argmax(jumps))
    steady = float(np.median(jumps))
    at = a + j + 1 if jumps[j] > max(0.6 * misfit.max(), 3 * steady, 0.5) else a + int(np.argmax(misfit))
    at = min(max(at, a + 1), b)
    return {at} | _breaks(table, a, at - 1) | _breaks(table, at, b)
