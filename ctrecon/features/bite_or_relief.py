"""Bite or relief: whether a hollow in an edge was cut by a tool or eaten, weighed on where the edge really runs."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve, solve_triangular
from scipy.sparse.csgraph import connected_components
from scipy.special import logsumexp

from ctrecon.core.fit_result import ShapeFit
from ctrecon.core.frames import Floats
from ctrecon.features.relief_edge import ReliefEdge
from ctrecon.features.size import FittedCandidate
from ctrecon.features.sound_edge import SoundEdge
from ctrecon.shapes import inwards

__all__ = ["Verdict", "bite_or_relief"]

_MARGIN_CELLS = 4  # sound cells beside a hollow that show how it meets the edge
_MODEL_PX, _MODEL_REACH = 0.03, 3.0  # what image and machining leave of any edge, and over how many px it goes together
_RANGE_PX = 10.0  # sd of centre and radius of an arc before looking: candidates are no farther off
_DEPTH_REACH = 0.5  # of the depth: how soon an eaten edge changes through it
_SMOOTH = (4.0, 7.0, 12.0, 20.0)  # px over which an eaten edge goes together
_CHANGES = (0.02, 0.15, 0.5)  # share of its variance that changes through depth
_BROKEN = ((0.3, 5.0), (0.8, 5.0), (0.3, 12.0), (0.8, 12.0), (2.0, 12.0))
"""Departure from an arc (px) of an edge that broke or was eaten between sharp ends, and over how many px it goes."""
_ROUGH = 0.15
"""Share of its depth that a break departs from an arc by at the least (a judgement): the sizes above are for 3 px."""
_EATEN_END = ((0.4, 4.0), (1.2, 6.0))  # the same for the eaten end of a relief
_SPOT, _SPOT_PX, _SPOT_SHARE = 5.0, (1.5, 5.0), 0.25
"""What a spot of crust or a pit on a tool's arc costs in ln odds; how far it moves the edge (px) and over how many px;
the share of the arc that spots may cover (a judgement)."""
_SPOT_SD, _SPOT_DEPTH, _SPOT_CELLS = 4.0, 0.35, 40
_SCALLOP, _WORN, _CUT = 0.05, 0.025, np.log(20.0)
"""Share of worn hollows that are arcs with sharp ends (a judgement). The depth of what is worn falls off exponentially
over this share of the part's radius; that of reliefs spreads evenly over its logarithm, from 2 to 40 %."""
_WORN_MORE, _BLIND = float(np.log(5.0)), 5.0
"""Ln odds before looking: on what comes out of the ground hollows eaten outnumber those cut several times; and who cuts
an arc into an edge cuts it through: one in 150 stops half-way (both judgements)."""
_BLIND_SHARE, _BLIND_PLANES = 0.2, 3
_ENDS = (0.15, 0.3, 0.45)  # shares of the arc that may be eaten at one of its ends; the first of them at both
_MOST_CELLS = 260  # of a hollow; the work grows with their cube
_LEAST_CELLS = 10  # on a hollow; fewer do not tell an arc from a bite


@dataclass(frozen=True, eq=False)
class Verdict:
    """Ln odds of a relief over an eaten edge; its circle (x, y, radius), and the cells of its sound arc by stretch.

    `arc` holds (index of the stretch's cells, (B, S) marks) for the stretches that show it.
    """

    ln_odds: float
    circle: Floats
    arc: dict[int, NDArray[np.bool_]]


@dataclass(frozen=True, eq=False)
class _Hollow:
    """The cells of one hollow and the sound edge beside it, in a row."""

    stretch: NDArray[np.int64]
    block: NDArray[np.int64]
    station: NDArray[np.int64]
    place: Floats
    foot: Floats
    depth: Floats
    lost: Floats
    sd: Floats
    inside: NDArray[np.bool_]  # of the hollow, not beside it
    on_arc: NDArray[np.bool_]
    order: Floats  # how far along the outline, 0 to 1 over the arc's own stations


def bite_or_relief(relief: FittedCandidate, parent: FittedCandidate, worn: SoundEdge) -> Verdict:
    """Weigh 'an arc with sharp ends, the same through depth' against 'an edge eaten smoothly, or broken'.

    Parameters
    ----------
    relief : FittedCandidate
        The arc as it was found, with or without a fit.
    parent : FittedCandidate
        The outside it is cut into, fitted.
    worn : SoundEdge
        The parent's edge cell by cell.

    Returns
    -------
    Verdict
        Without an arc where too few cells show the hollow: then the odds are those before looking.

    Notes
    -----
    Both readings get the evidence of the same cells. The cut arc has three free numbers; where it meets the sound edge
    the corner is sharp, blurred as the scan blurs. One end of it may be eaten. The eaten edge is a Gaussian process
    about the sound edge, smooth over 4 to 20 px, that may change through depth; a broken one is a process about an
    arc with sharp ends. Free numbers and processes alike pay for what they could have fitted (D. MacKay, Information
    Theory, Inference, and Learning Algorithms, chapters 28 and 45). Machining and image are given 0.03 px in all.
    """
    before = -_WORN_MORE - (_BLIND if _is_blind(relief, parent) else 0.0)
    shape, h = relief.candidate.circle, _gathered(relief, worn)
    if shape is None or h is None or not isinstance(parent.fit, ShapeFit):
        return Verdict(before, np.full(3, np.nan), {})
    start = np.array([shape.x, shape.y, shape.radius])
    if isinstance(relief.fit, ShapeFit):
        start = np.array([relief.fit.value(n) for n in ("x", "y", "radius")])
    edge = ReliefEdge(h.place, worn.shape, parent.fit.value("blur"))
    odds, circle, arc = _weighed(edge, h, start, float(np.sqrt(parent.candidate.area_px2 / np.pi)))
    marks: dict[int, NDArray[np.bool_]] = {}
    for k in np.unique(h.stretch):
        mark = np.zeros(worn.lost[k].shape, dtype=bool)
        at = arc & (h.stretch == k)
        mark[h.block[at], h.station[at]] = True
        marks[int(k)] = mark
    return Verdict(odds + before, circle, marks)


def _is_blind(relief: FittedCandidate, parent: FittedCandidate) -> bool:
    """Return whether an arc leaves out a part of the depth of the outside it is cut into."""
    mine, whole = relief.candidate, parent.candidate
    short = max(mine.first - whole.first, whole.last - mine.last)
    return short > max(_BLIND_PLANES, _BLIND_SHARE * (whole.last - whole.first + 1))


def _weighed(
    edge: ReliefEdge, h: _Hollow, start: Floats, size_px: float
) -> tuple[float, Floats, NDArray[np.bool_]]:
    """Return the ln odds of a relief in a part of this radius, its circle, and the cells on its sound arc."""
    base = np.diag(h.sd**2) + _MODEL_PX**2 * _kernel(h.place, h.place, _MODEL_REACH)
    depth = _kernel(h.depth[:, None], h.depth[:, None], _DEPTH_REACH)
    tool, circle, arc = _tool(edge, h, start, base, depth)
    eaten = np.logaddexp(_eaten(h, base, depth), _broken(edge, h, circle, base, depth)) - np.log(2)
    return float(tool - np.logaddexp(eaten, tool + _scalloped(h, size_px))), circle, arc


def _kernel(a: Floats, b: Floats, reach: float) -> Floats:
    square = ((a[:, None, :] - b[None, :, :]) ** 2).sum(axis=2)
    return np.asarray(np.exp(-0.5 * square / reach**2))


def _evidence(y: Floats, covariance: Floats) -> float:
    """Log density of residuals under a Gaussian of this covariance."""
    factor = cho_factor(covariance, lower=True)
    return float(-0.5 * y @ cho_solve(factor, y) - np.log(np.diag(factor[0])).sum() - 0.5 * len(y) * np.log(2 * np.pi))


def _gathered(relief: FittedCandidate, worn: SoundEdge) -> _Hollow | None:
    """Collect the cells of a hollow: the arc's stations, what is eaten beside them, and some sound cells."""
    rows: list[tuple[NDArray[np.int64], ...]] = []
    parts: list[tuple[NDArray[Any], ...]] = []
    spans = {id(s.points): s for s in relief.candidate.spans}
    for k, cells in enumerate(worn.cells):
        own = spans.get(id(cells.span.points))
        if own is None:
            continue
        found = _stations(cells.fine, own.choice.near, worn.eaten[k])
        if found is None:
            continue
        stations, inside, along, on_arc = found
        grid = np.meshgrid(np.arange(len(cells.planes)), np.arange(len(stations)), indexing="ij")
        b, s = (np.asarray(side.ravel()) for side in grid)
        at = stations[s]
        lost, sd = worn.lost[k][b, at], worn.u[k][b, at]
        good = np.isfinite(lost)
        b, s, at = b[good], s[good], at[good]
        middle = cells.planes.mean(axis=1)[b]
        rows.append((np.full(len(b), k), b, at))
        parts.append((cells.places[b, at], middle, lost[good], sd[good], inside[s], on_arc[s], along[s]))
    if not rows:
        return None
    stretch, block, station = (np.concatenate(v) for v in zip(*rows, strict=True))
    place, depth, lost, sd, within, near, order = (np.concatenate(v) for v in zip(*parts, strict=True))
    if len(stretch) > _MOST_CELLS:
        pick = np.sort(np.random.default_rng(41).permutation(len(stretch))[:_MOST_CELLS])
        stretch, block, station = stretch[pick], block[pick], station[pick]
        place, depth, lost, sd, within, near, order = (v[pick] for v in (place, depth, lost, sd, within, near, order))
    if within.sum() < _LEAST_CELLS:
        return None
    span = max(float(np.ptp(depth)), 1.0)
    foot = place - worn.shape.signed_distance(place)[:, None] * inwards(worn.shape, place)
    return _Hollow(stretch, block, station, place, foot, (depth - depth.min()) / span, lost, sd,
                   within.astype(bool), near.astype(bool), order)  # fmt: skip


def _stations(
    fine: NDArray[np.int64], near: NDArray[np.bool_], eaten: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], NDArray[np.bool_], Floats, NDArray[np.bool_]] | None:
    """Return the stations of a hollow in order, which are eaten, how far along the arc each is, and which are on it.

    The arc's own stations are the longest run that is near it, short gaps closed.
    """
    count = int(fine.max()) + 1
    on = np.bincount(fine, weights=near.astype(float), minlength=count) / np.bincount(fine, minlength=count) > 0.5
    gone = np.asarray(eaten.any(axis=0))
    on &= gone
    if not on.any():
        return None
    before, after = np.roll(on, 1), np.roll(on, -1)
    closed = on | (before & after) | (np.roll(on, 2) & after) | (before & np.roll(on, -2))
    if closed.all():
        return None
    first = int(np.argmin(closed))
    edges = np.flatnonzero(np.diff(np.concatenate([[0], np.roll(closed, -first).astype(int), [0]])))
    runs = list(zip(edges[::2], edges[1::2], strict=True))
    a, b = max(runs, key=lambda r: (r[1] - r[0], -r[0]))
    a, b = int(a) + first, int(b) - 1 + first
    low, high = a, b
    beside = max(_MARGIN_CELLS, (b - a + 1) // 2)  # what is eaten farther off is another hollow's
    while high - low < count - 1 and a - low < beside and gone[(low - 1) % count]:
        low -= 1
    while high - low < count - 1 and high - b < beside and gone[(high + 1) % count]:
        high += 1
    start, stop = low, high
    for _ in range(_MARGIN_CELLS):
        if high - low < count - 2 and not gone[(low - 1) % count]:
            low -= 1
        if high - low < count - 2 and not gone[(high + 1) % count]:
            high += 1
    index = np.arange(low, high + 1)
    along = (index - a) / max(b - a, 1)
    return index % count, (index >= start) & (index <= stop), along, (index >= a) & (index <= b)


def _tool(
    edge: ReliefEdge, h: _Hollow, start: Floats, base: Floats, depth: Floats
) -> tuple[float, Floats, NDArray[np.bool_]]:
    """Return the evidence of the cut arc, its circle, and the cells that are on its sound part."""
    free = np.full(3, _RANGE_PX**2)
    tries: list[tuple[float, Floats, NDArray[np.bool_]]] = []
    whole = np.zeros(len(h.lost), dtype=bool)
    options = [(whole, 0.0)]
    ends = [m for share in _ENDS for m in (h.inside & (h.order < share), h.inside & (h.order > 1 - share))]
    ends.append(h.inside & (np.abs(h.order - 0.5) > 0.5 - _ENDS[0]))
    options += [(m, -float(np.log(len(ends)))) for m in ends if m.any()]
    spots = _spots(edge, h, start, base)
    if spots is not None:
        options.append((spots, -_SPOT * _patches(h, spots)))
    weight = -np.log(2)
    for eaten, cost in options:
        keep = ~eaten
        if (keep & h.inside).sum() < _LEAST_CELLS:
            continue
        lower = np.linalg.cholesky(base[np.ix_(keep, keep)])
        whiten = solve_triangular(lower, np.eye(len(lower)), lower=True)
        circle = edge.fitted(start, whiten, keep)
        off, jac = edge.off(circle), edge.slopes(circle)
        fixed = base + (jac * free) @ jac.T
        if eaten is spots:
            moved = np.outer(eaten, eaten) * _SPOT_PX[0] ** 2 * _kernel(h.place, h.place, _SPOT_PX[1])
            log = _evidence(off, fixed + moved * (0.5 + 0.5 * depth))
        elif eaten.any():
            pair = np.outer(eaten, eaten)
            logs = [
                _evidence(off, fixed + pair * a**2 * _kernel(h.place, h.place, reach) * (0.85 + 0.15 * depth))
                for a, reach in _EATEN_END
            ]
            log = float(logsumexp(logs)) - float(np.log(len(logs)))
            # wear takes more metal away than the tool did, never less, but for spots of crust
            less = np.minimum(off + 2 * np.hypot(h.sd, _MODEL_PX), 0) / np.hypot(h.sd, _MODEL_PX) * eaten
            log -= min(0.5 * float((less**2).sum()), _SPOT * _patches(h, less < 0))
        else:
            log = _evidence(off, fixed)
        tries.append((log + cost + weight, circle, keep & h.on_arc))
    best = max(tries, key=lambda t: t[0])
    return float(logsumexp([t[0] for t in tries])), best[1], best[2]


def _spots(edge: ReliefEdge, h: _Hollow, start: Floats, base: Floats) -> NDArray[np.bool_] | None:
    """Return the few cells of the arc that crust or pits move off it; None where there are none or too many."""
    out = np.zeros(len(h.lost), dtype=bool)
    if h.inside.sum() < _SPOT_CELLS:
        return None
    for _ in range(3):
        keep = ~out
        lower = np.linalg.cholesky(base[np.ix_(keep, keep)])
        circle = edge.fitted(start, solve_triangular(lower, np.eye(len(lower)), lower=True), keep)
        start = circle
        far = h.inside & (np.abs(edge.off(circle)) > _SPOT_SD * np.hypot(h.sd, _MODEL_PX))
        if far.sum() > _SPOT_SHARE * h.inside.sum() or (h.inside & ~far).sum() < _LEAST_CELLS:
            return None
        if np.array_equal(far, out):
            break
        out = far
    return out if out.any() else None


def _patches(h: _Hollow, marks: NDArray[np.bool_]) -> int:
    """Count the marked places that are apart from each other."""
    place, depth = h.place[marks], h.depth[marks]
    near = np.hypot(*(place[:, None] - place[None]).transpose(2, 0, 1)) < 2 * _SPOT_PX[1]
    return int(connected_components(near & (np.abs(depth[:, None] - depth[None]) <= _SPOT_DEPTH))[0])


def _scalloped(h: _Hollow, size_px: float) -> float:
    """Return ln odds, before its form is looked at, of an arc-like scallop over a relief as deep as this hollow."""
    deep = max(float(np.percentile(h.lost[h.inside], 90)) / max(size_px, 1.0), 1e-3)
    return float(np.log(_SCALLOP) - deep / _WORN - np.log(_WORN) + np.log(deep * _CUT))


def _eaten(h: _Hollow, base: Floats, depth: Floats) -> float:
    """Return the evidence of an edge eaten smoothly."""
    near = h.inside[:, None] & h.inside[None, :]
    deep = max(float(np.max(h.lost)), 0.3)
    logs = []
    for reach in _SMOOTH:
        along = _kernel(h.foot, h.foot, reach) * near
        for change in _CHANGES:
            for size in (0.4 * deep, 1.0 * deep):
                logs.append(_evidence(h.lost, base + size**2 * along * (1 - change + change * depth)))
    return float(logsumexp(logs)) - float(np.log(len(logs)))


def _broken(edge: ReliefEdge, h: _Hollow, circle: Floats, base: Floats, depth: Floats) -> float:
    """Return the evidence of an edge that broke, or was eaten, between sharp ends."""
    off, jac = edge.off(circle), edge.slopes(circle)
    fixed = base + (jac * _RANGE_PX**2) @ jac.T
    near = h.inside[:, None] & h.inside[None, :]
    rough = max(1.0, _ROUGH * float(np.percentile(h.lost[h.inside], 90)) / _BROKEN[0][0])
    logs = [
        _evidence(off, fixed + size**2 * _kernel(h.place, h.place, reach) * near * (1 - change + change * depth))
        for size, reach in ((rough * size, reach) for size, reach in _BROKEN)
        for change in _CHANGES[1:]
    ]
    return float(logsumexp(logs)) - float(np.log(len(logs)))
