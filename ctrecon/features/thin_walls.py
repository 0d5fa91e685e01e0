"""Thin walls: what the blurred edge on the far side of a wall takes from the grey beside an edge, given back.

In a wall four blurs thick no voxel shows the metal's full grey, so its level, and half height with it, come out too
low on both sides: bosses too large, their bores too small. Blur is linear: what the far edge takes is known once
that edge is fitted.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree
from scipy.special import ndtr

from ctrecon.core.fit_result import ShapeFit
from ctrecon.core.frames import Floats
from ctrecon.features.candidates import Candidate
from ctrecon.features.collect_voxels import Voxels
from ctrecon.features.size import FittedCandidate
from ctrecon.fitting.grey_step import GreyModel, Samples
from ctrecon.fitting.models import PolygonModel, RectangleModel, RoundModel, SlotModel
from ctrecon.grey.square_up import SquaredStack

__all__ = ["less_sure_of_walls", "without_far_edges"]

_WALL_PX = 8.0  # thicker walls show their grey in the middle at any blur that edges are found with
_LEAST = 0.002  # contrasts; less moves no edge by a thousandth of a pixel
_DOUBT = 0.2  # of the move: the far edge may be eaten, and its blur is known to a tenth


def without_far_edges(
    sized: Sequence[FittedCandidate], data: Sequence[Voxels | None], squared: SquaredStack
) -> list[Voxels | None]:
    """Return the voxels with the grey that far edges took given back; the same object where none is near.

    Parameters
    ----------
    sized : sequence of FittedCandidate
        All candidates with their first fits.
    data : sequence of tuple of arrays, or None
        The voxels of each.
    squared : SquaredStack
        The stack.
    """
    ratio = squared.depth_step_mm / squared.pitch_mm
    out = list(data)
    for i, one in enumerate(sized):
        voxels = out[i]
        if voxels is None or not isinstance(one.fit, ShapeFit):
            continue
        taken = np.zeros(len(voxels[3]))
        for j, other in enumerate(sized):
            model = None if i == j else _model_of(other)
            if model is not None and _face_each_other(one.candidate, other.candidate):
                taken += _taken(other, model, voxels, ratio)
        if float(taken.max(initial=0.0)) > _LEAST:
            column, row, plane, grey = voxels
            out[i] = (column, row, plane, grey + taken)
    return out


def less_sure_of_walls(before: FittedCandidate, after: FittedCandidate) -> FittedCandidate:
    """Return the second fit with a fifth of the move it owes to the far edge in its u."""
    old, new = before.fit, after.fit
    if not isinstance(old, ShapeFit) or not isinstance(new, ShapeFit) or old.names != new.names:
        return after
    sizes = np.array([n in ("x", "y", "radius", "a", "b", "inradius") for n in new.names])
    doubt = (_DOUBT * (new.values - old.values) * sizes) ** 2
    budget = {**new.budget, "model": new.budget.get("model", np.zeros(len(doubt))) + doubt}
    return replace(after, fit=replace(new, covariance=new.covariance + np.diag(doubt), budget=budget))


def _model_of(one: FittedCandidate) -> GreyModel | None:
    """Return the model whose distance a fit speaks of; None for shapes that are not a far edge."""
    fit, candidate = one.fit, one.candidate
    if not isinstance(fit, ShapeFit) or candidate.is_relief:
        return None
    hole = candidate.metal_outside
    models: list[GreyModel] = [RoundModel(hole), RectangleModel(hole), SlotModel(hole)]
    if candidate.sides is not None:
        models.append(PolygonModel(hole, candidate.sides))
    return next((m for m in models if m.names == fit.names[:-3]), None)  # blur, air and contrast come last


def _face_each_other(a: Candidate, b: Candidate) -> bool:
    """Return whether a thin wall is between two candidates in some plane; reliefs and their edge share an outline."""
    for p in a.spans:
        for q in b.spans:
            if min(p.last, q.last) < max(p.first, q.first) or p.points is q.points:
                continue
            apart, _ = cKDTree(q.points).query(p.points[::2], distance_upper_bound=_WALL_PX)
            if np.isfinite(apart).any():
                return True
    return False


def _taken(other: FittedCandidate, model: GreyModel, voxels: Voxels, ratio: float) -> Floats:
    """Return the grey (share of the contrast) that the edge of a candidate takes from voxels in the metal beside it."""
    fit = other.fit
    assert isinstance(fit, ShapeFit)
    column, row, plane, _ = voxels
    out = np.zeros(len(column))
    at = np.flatnonzero((plane >= other.candidate.first - 0.5) & (plane <= other.candidate.last + 0.5))
    if not len(at):
        return out
    z = (plane[at] - other.middle) * ratio
    blur = fit.value("blur")
    places = Samples(column[at], row[at], z, np.zeros(len(at)), np.zeros(len(at), dtype=np.int64))
    inside, _ = model.distance(fit.values[: len(model.names)], places, blur)
    out[at] = np.where(inside > 0, fit.value("contrast") * ndtr(-inside / blur), 0.0)
    return out
