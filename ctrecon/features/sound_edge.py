"""The sound part of a worn edge: which cells of an outline are on the whole shape, and the size from those alone."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from ctrecon.core.fit_result import ShapeFit
from ctrecon.core.frames import Floats
from ctrecon.features.candidates import AWAY, OTHER, SOUND, Candidate, Span
from ctrecon.features.edge_cells import EdgeCells
from ctrecon.features.size import FittedCandidate
from ctrecon.shapes import FittedShape, Rectangle, Shape

__all__ = ["SoundEdge", "eaten_cells", "fitted_shape", "lost_depths", "resettled", "with_sound_spans"]

_FLOOR_PX = 0.02  # what a machined edge departs from its shape by anyway (a judgement)
_STANDS_OUT = 4.0  # u by which a dip must be below the shape somewhere to be wear
_LEAST_PX = 0.12  # shallower dips are form, not wear: they hardly move a size
_SKIRT = 1.5  # u down to which a dip is followed on either side
_BESIDE = 2  # cells beside a dip that are left out too: a skirt that noise hides still pulls
_KEPT = 3  # cells of a sound run that stay whatever is beside it: the last of a flat must not be given away
_OUTWARD_PX = 0.35  # metal beyond the shape by this much is a burr or dirt
_MOST_EXCESS = 8.0  # noise shared over 1.2 px in all directions makes the scatter of a cell six times as large
_ON_PX = 0.3  # a cell so near a line is on it: noise seldom moves one farther
_INWARDS = 0.2  # share of a flat's cells below which its first place is looked for: the sound edge is the outermost
_ROUNDS = 12  # rounds at most


@dataclass(frozen=True, eq=False)
class SoundEdge:
    """A sound shape with the depth lost at every cell of its outline (px), and which cells are eaten.

    `lost`, `u` and `eaten` hold one (B, S) array for each stretch in `cells`; a lost depth is NaN where the edge is
    not seen within reach.
    """

    shape: FittedShape
    cells: tuple[EdgeCells, ...]
    lost: tuple[Floats, ...]
    u: tuple[Floats, ...]
    eaten: tuple[NDArray[np.bool_], ...]


def fitted_shape(one: FittedCandidate) -> FittedShape | None:
    """Return the shape as the grey values give it, at the feature's middle; corners as the outline has them."""
    fit, shape = one.fit, one.candidate.shape
    if not isinstance(fit, ShapeFit) or shape is None:
        return None
    slot = one.candidate.rectangle if one.candidate.is_slot else None
    if slot is not None and slot.a < slot.b:
        fitted: Rectangle = slot.fitted(fit.value)  # a slot's fit has the longer size first
        return replace(fitted, a=fitted.b, b=fitted.a, turn_deg=fitted.turn_deg - 90.0)
    return shape.fitted(fit.value) if isinstance(shape, FittedShape) else None


def lost_depths(shape: Shape, cells: EdgeCells, *, hole: bool, blur: float) -> Floats:
    """Return how deep (px) the edge is in the metal of the sound shape, cell by cell (B, S)."""
    places = cells.places
    lost = shape.signed_distance(places.reshape(-1, 2)).reshape(places.shape[:2]) * (-1.0 if hole else 1.0)
    # blur draws half height of a round edge towards the centre
    return np.asarray(lost + (1.0 if hole else -1.0) * shape.blur_pull(blur))


def resettled(one: FittedCandidate, cells: list[EdgeCells]) -> SoundEdge | None:
    """Return the sound shape by its outermost cells, and what every cell has lost against it.

    Wear takes metal away and never adds any, so of two places that a flat may have the outer one is sound. Started
    from the fit (and, where there are flats, from the outer fifth of the cells of each), refined by least squares on
    the cells that are on it. It serves to mark eaten cells only: sizes come from the grey values.
    """
    shape = fitted_shape(one)
    if shape is None or not isinstance(one.fit, ShapeFit) or not any(np.isfinite(c.places).any() for c in cells):
        return None  # no shape, or no cell of the edge whose place is known
    hole, blur = one.candidate.metal_outside, one.fit.value("blur")
    lost = [lost_depths(shape, c, hole=hole, blur=blur) for c in cells]
    u = [np.hypot(c.u * _excess(d, c.u), _FLOOR_PX) for c, d in zip(cells, lost, strict=True)]
    points = np.concatenate([c.places.reshape(-1, 2) for c in cells])
    sd = np.concatenate([v.ravel() for v in u])
    seen = np.isfinite(points).all(axis=1)
    points, sd = points[seen], sd[seen]
    flats = one.candidate.has_flats
    shape = _outermost(shape, points, sd, hole, shape.blur_pull(blur), flats=flats)
    lost = [lost_depths(shape, c, hole=hole, blur=blur) for c in cells]
    eaten = tuple(eaten_cells(d, v) for d, v in zip(lost, u, strict=True))
    return SoundEdge(shape, tuple(cells), tuple(lost), tuple(u), eaten)


def _excess(lost: Floats, u: Floats) -> float:
    """Return by how much cells on the shape scatter beyond their u, by every other cell: neighbours share noise."""
    near = np.abs(lost) < 0.4
    pairs = near[:, 2:] & near[:, 1:-1] & near[:, :-2]
    step = (lost[:, 2:] - lost[:, :-2])[pairs]
    if len(step) < 12:
        return 1.5
    expected = np.sqrt(2) * float(np.nanmedian(u[near]))
    return float(np.clip(1.4826 * np.median(np.abs(step)) / max(expected, 1e-9), 1.0, _MOST_EXCESS))


def _outermost(
    shape: FittedShape, points: Floats, sd: Floats, hole: bool, pull: float, *, flats: bool
) -> FittedShape:
    sign = -1.0 if hole else 1.0
    if flats and isinstance(shape, Rectangle):
        shape = _outer_flats(shape, points, sign)

    def lost(which: Shape) -> Floats:
        return np.asarray(sign * (which.signed_distance(points) - pull))

    keep = np.zeros(len(points), dtype=bool)
    for turn in range(_ROUNDS):
        left = lost(shape)
        # the first rounds may still move by tenths of a pixel; what is deeper than the noise is eaten
        slack = max(0.3 * 0.6**turn, 0.0)
        before, keep = keep, (left < 2.0 * sd + slack) & (left > -3.0 * sd - slack - 0.1)
        if keep.sum() < 20 or (turn > 4 and (before == keep).all()):
            break
        p = shape.values()
        step = np.array([1e-3] * len(p))
        jac = np.column_stack([
            (lost(shape.with_values(p + h)) - lost(shape.with_values(p - h)))[keep] / (2 * h.sum())
            for h in np.diag(step)
        ]) / sd[keep, None]  # fmt: skip
        # a weak pull to where it was, for what no cell shows
        tie = np.diag(np.full(len(p), 0.5))
        move = np.linalg.lstsq(np.vstack([jac, tie]), np.concatenate([-left[keep] / sd[keep], np.zeros(len(p))]),
                               rcond=None)[0]  # fmt: skip
        shape = shape.with_values(p + np.clip(move, -0.5, 0.5))
    return shape


def _outer_flats(shape: Rectangle, points: Floats, sign: float) -> Rectangle:
    """Return the rectangle with each flat where its outermost cells begin, if these are out of the fit and in line."""
    u, v = shape.own_axes(points)
    margin = shape.corner_radius + 3.0
    place = []
    for along, across, half, reach in (
        (u, v, shape.a / 2, shape.b / 2), (v, u, shape.b / 2, shape.a / 2),
        (-u, v, shape.a / 2, shape.b / 2), (-v, u, shape.b / 2, shape.a / 2),
    ):  # fmt: skip
        at = (along > half - 6) & (np.abs(across) < reach - margin)
        if at.sum() < 10:
            place.append(half)
            continue
        outer = float(np.quantile(along[at], 1 - _INWARDS if sign > 0 else _INWARDS))
        # crust stands proud of a flat, too, but along no line
        on_outer, on_half = (int((np.abs(along[at] - one) < _ON_PX).sum()) for one in (outer, half))
        place.append(outer if sign * (outer - half) > _ON_PX and on_outer >= on_half else half)
    a, b = place[0] + place[2], place[1] + place[3]
    du, dv = (place[0] - place[2]) / 2, (place[1] - place[3]) / 2
    t = np.radians(shape.turn_deg)
    return replace(
        shape, a=a, b=b, x=shape.x + du * float(np.cos(t)) - dv * float(np.sin(t)),
        y=shape.y + du * float(np.sin(t)) + dv * float(np.cos(t)),
    )  # fmt: skip


def eaten_cells(lost: Floats, u: Floats) -> NDArray[np.bool_]:
    """Mark the cells (B, S) that are eaten: dips that stand out, with their skirts.

    Judged on means of three neighbouring cells in each block. A dip counts where it is
    deeper than four u and 0.12 px somewhere; it is followed down to 1.5 u on either side
    and two cells further. Cells that are not seen count as eaten.
    """
    unseen = ~np.isfinite(lost)
    filled = np.where(unseen, 3.0, lost)
    weight = 1 / u**2
    mean = ndimage.uniform_filter1d(filled * weight, 3, axis=1, mode="wrap")
    norm = ndimage.uniform_filter1d(weight, 3, axis=1, mode="wrap")
    mean = mean / norm
    sd = np.maximum(np.sqrt(1 / (3 * norm)), _FLOOR_PX)
    peak = unseen | (mean > np.maximum(_STANDS_OUT * sd, _LEAST_PX)) | (lost > np.maximum(5 * u, 2 * _LEAST_PX))
    skirt = peak | (mean > np.maximum(_SKIRT * sd, 0.02)) | (lost > 3 * u)
    out = np.zeros(lost.shape, dtype=bool)
    for k in range(len(lost)):
        if peak[k].all():
            out[k] = True
            continue
        first = int(np.argmin(skirt[k])) if not skirt[k].all() else 0
        turned, tops = np.roll(skirt[k], -first), np.roll(peak[k], -first)
        runs, number = ndimage.label(turned)
        keep = np.isin(runs, [i for i in range(1, number + 1) if tops[runs == i].any()])
        keep = np.roll(keep, first)
        out[k] = _beside(keep)
    return out | (lost < -_OUTWARD_PX)


def _beside(eaten: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Widen the eaten runs of a cyclic row by two cells, but leave three of every sound run that has them."""
    out = eaten.copy()
    count = len(eaten)
    if not eaten.any() or eaten.all():
        return out
    first = int(np.argmax(eaten))
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (~np.roll(eaten, -first)).astype(int), [0]])))
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        width = min(_BESIDE, max((b - a - _KEPT) // 2, 0))
        out[(np.concatenate([np.arange(a, a + width), np.arange(b - width, b)]) + first) % count] = True
    return out


def with_sound_spans(
    candidate: Candidate, shape: Shape, cells: Sequence[EdgeCells], sound: Sequence[NDArray[np.bool_]]
) -> Candidate:
    """Return the candidate with this shape and one span a block, labelled by which cells are sound; for a fit only."""
    spans: list[Span] = []
    for one, marks in zip(cells, sound, strict=True):
        span = one.span
        own = np.argwhere(span.nearest != OTHER)
        _, point = cKDTree(span.points).query(own[:, ::-1] + np.array(span.corner))
        station = one.fine[point]
        last = len(one.planes) - 1
        for k, (low, high) in enumerate(one.planes):
            labels = np.full(span.nearest.shape, OTHER, dtype=np.int8)
            labels[own[:, 0], own[:, 1]] = np.where(marks[k][station], SOUND, AWAY)
            first, final = span.first if k == 0 else int(low), span.last if k == last else int(high)
            spans.append(replace(span, first=first, last=final, nearest=labels))
    return replace(candidate, shape=shape, spans=tuple(spans))
