"""Which of several shapes it is, decided on the grey values; close calls stay undecided and name both."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.fit_result import FitFailed, ShapeFit
from ctrecon.core.frames import Floats
from ctrecon.features.candidates import AWAY, OTHER, SOUND, Candidate, RivalShape, Span
from ctrecon.features.collect_voxels import VoxelRequest, Voxels
from ctrecon.features.shape_candidates import Contestant, blur_ratio, contestants, model_of, prior_of, sizes_px
from ctrecon.features.size import FittedCandidate, fit_size, request_for
from ctrecon.features.special_cases import MARGIN, special_case, undecided
from ctrecon.features.stack_border import stretched, used_planes
from ctrecon.fitting.solve import Samples, fit_grey
from ctrecon.grey.square_up import SquaredStack
from ctrecon.shapes import RegularPolygon

__all__ = ["MARGIN", "fit_best", "request_best"]

_BAND_PX = 4.0  # px either side of every shape compared: all see the same voxels
_MOST = 12_000  # voxels of a comparison; more cost time only


def request_best(candidate: Candidate) -> VoxelRequest | None:
    """Return which voxels the contest of this candidate needs; those of its own fit where there is none."""
    plain = request_for(candidate)
    if plain is None or not _contested(candidate):
        return plain
    shapes = [s for s in (candidate.shape, *(s for _, s in candidate.rivals)) if s is not None]
    low, high = used_planes(candidate)
    middle = (candidate.first + candidate.last) / 2
    spans = [(a - 0.5, b + 0.5, s) for a, b, s in stretched(candidate.spans, low, high)]

    share = 1.0 if candidate.shape is None else candidate.shape.wall_share

    def select(column: Floats, row: Floats, plane: Floats) -> NDArray[np.bool_]:
        points = np.column_stack([column, row])
        grown = candidate.growth_px * (plane - middle) * share
        keep = np.zeros(len(column), dtype=bool)
        for shape in shapes:
            keep |= np.abs(shape.signed_distance(points) + grown) <= _BAND_PX
        mine = np.zeros(len(column), dtype=bool)
        for a, b, span in spans:
            mine |= (plane >= a) & (plane <= b) & (_label(span, column, row) != OTHER)
        return np.asarray((keep & mine) | plain.select(column, row, plane))

    return replace(plain, select=select)


def _contested(candidate: Candidate) -> bool:
    return bool(candidate.rivals) or _short_sided(candidate)


def _short_sided(candidate: Candidate) -> bool:
    """Recognise a polygon whose sides are too short for a fit that leaves the corners out."""
    shape = candidate.shape
    return isinstance(shape, RegularPolygon) and shape.inradius * np.tan(np.pi / shape.sides) < 7.5


def _label(span: Span, column: Floats, row: Floats) -> NDArray[np.int8]:
    i = np.clip(np.round(row - span.corner[1]).astype(int), 0, span.nearest.shape[0] - 1)
    j = np.clip(np.round(column - span.corner[0]).astype(int), 0, span.nearest.shape[1] - 1)
    return np.asarray(span.nearest[i, j])


def fit_best(
    candidate: Candidate, data: Voxels, squared: SquaredStack, noise: float
) -> FittedCandidate:
    """Fit the candidate and, where the outline left more than one shape open, let the grey values choose.

    Parameters
    ----------
    candidate : Candidate
        With its rivals, if any.
    data : tuple of arrays
        Column, row, plane and grey of the voxels that `request_best` asked for.
    squared : SquaredStack
        The stack the candidate is in.
    noise : float
        Standard deviation of one voxel in units of the contrast.

    Returns
    -------
    FittedCandidate
        The most likely shape with its fit. Where another is within ln odds of 5, the
        candidate carries the flag `undecided` and the other shapes in `others`.

    Notes
    -----
    All shapes are fitted to the same voxels. Each has the likelihood of its robust
    misfit, with the scale of the best one's residuals and fewer effective voxels where
    they are correlated; each free turn or corner radius costs the share of its range
    that the data leave open (Laplace's approximation of the evidence: D. MacKay,
    Information Theory, Inference, and Learning Algorithms, chapter 28).
    """
    if not _contested(candidate):
        return special_case(_plain(candidate, data, squared, noise), data, squared, noise)
    first = _plain(candidate, data, squared, noise)
    entries = contestants(candidate, first, data, squared, noise)
    if not entries:
        return special_case(first, data, squared, noise)
    best = max(entries, key=lambda e: e.score)
    if best.shape is candidate.shape and isinstance(first.fit, ShapeFit):
        won = first
    else:
        won = _refitted(candidate, best, first, data, squared, noise)
    # what only the rarity of a shape speaks against is named too, but does not make the choice undecided
    def seen(entry: Contestant) -> float:
        return entry.score - prior_of(entry.shape, hole=candidate.hole)

    near = [e for e in sorted(entries, key=lambda e: -e.score) if e is not best and seen(best) - seen(e) < MARGIN]
    others = tuple(RivalShape(e.kind, best.score - e.score, sizes_px(e), e.sides) for e in near)
    if any(one.ln_odds < MARGIN for one in others):
        won = replace(won, candidate=undecided(won.candidate, others))
    elif others:
        won = replace(won, candidate=replace(won.candidate, others=others))
    return special_case(won, data, squared, noise)


def _plain(
    candidate: Candidate, data: Voxels, squared: SquaredStack, noise: float
) -> FittedCandidate:
    """Fit the candidate's own shape to its own voxels."""
    want = request_for(candidate)
    if want is None or not len(data[0]) or not _contested(candidate):
        return fit_size(candidate, data, squared, noise)
    keep = want.select(*data[:3])
    column, row, plane, grey = (v[keep] for v in data)
    return fit_size(candidate, (column, row, plane, grey), squared, noise)


def _refitted(
    candidate: Candidate, best: Contestant, first: FittedCandidate, data: Voxels,
    squared: SquaredStack, noise: float,
) -> FittedCandidate:  # fmt: skip
    """Measure the winner like any other; with sides too short the contest's fit is kept; an ellipse is free."""
    if best.kind == "free":
        free = replace(candidate, kind="free", shape=None, growth_px=0.0, gaps_deg=())
        return replace(first, candidate=free, fit=FitFailed("a free shape has no size to fit"))
    spans = []
    for span in candidate.spans:
        off = np.abs(best.shape.signed_distance(span.points))
        near = off <= 0.6
        labels = np.where(span.nearest == AWAY, SOUND, span.nearest).astype(np.int8)
        spans.append(replace(span, nearest=labels, choice=replace(span.choice, near=near, shape=best.shape)))
    share = float(np.mean([s.choice.near.mean() for s in spans]))
    growth = candidate.growth_px
    if candidate.shape is not None:
        growth *= candidate.shape.wall_share / best.shape.wall_share
    changed = replace(
        candidate, kind=best.kind, shape=best.shape, spans=tuple(spans), share=share, growth_px=growth,
        gaps_deg=candidate.gaps_deg if best.kind == "round" else (),
    )  # fmt: skip
    if not _short_sided(changed):
        sized = _plain(changed, data, squared, noise)
        if isinstance(sized.fit, ShapeFit):
            return sized
    return replace(first, candidate=changed, fit=_all_voxels(changed, best, first, data, squared, noise))


def _all_voxels(
    candidate: Candidate, best: Contestant, first: FittedCandidate, data: Voxels,
    squared: SquaredStack, noise: float,
) -> ShapeFit:  # fmt: skip
    """Fit the winner's blurred shape once more, with an axis of its own where there is depth enough."""
    column, row, plane, grey = data
    if len(grey) > _MOST:
        pick = np.sort(np.random.default_rng(32).permutation(len(grey))[: _MOST])
        column, row, plane, grey = column[pick], row[pick], plane[pick], grey[pick]
    ratio = squared.depth_step_mm / squared.pitch_mm
    low, high = used_planes(candidate)
    angle = np.arctan2(row - best.shape.centre[1], column - best.shape.centre[0])
    block = ((plane - low) // max(2.0, (high - low + 1) / 12)).astype(np.int64)
    cluster = (((angle + np.pi) / (2 * np.pi) * 36).astype(np.int64) % 36) * 1000 + block
    samples = Samples(column, row, (plane - first.middle) * ratio, grey, cluster)
    model, start, active = model_of(best.kind, best.shape, candidate, ratio)
    slopes = [i for i, name in enumerate(model.names) if name.startswith("slope")]
    prior = np.full(len(start), np.inf)
    prior[slopes] = 0.1
    active[slopes] = first.axis_free
    fit = fit_grey(
        model, start, samples, noise=noise, active=active, prior_sd=prior,
        blur_ratio=blur_ratio(squared, best.shape, samples),
    )  # fmt: skip
    if not isinstance(fit, ShapeFit):
        fit = best.fit
    floor = np.zeros(len(fit.values))
    floor[:3] = 0.002**2
    return replace(fit, covariance=fit.covariance + np.diag(floor), budget={**fit.budget, "model": floor})


