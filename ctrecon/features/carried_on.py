"""An eaten hole that goes on where its outline is no longer its shape: followed by the air in it to the face beyond."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ctrecon.features.candidates import Candidate
from ctrecon.features.ends import End, EndPlan, plan_end
from ctrecon.grey.square_up import SquaredStack

__all__ = ["plan_ends"]

_CORE = 0.4  # of half the width: air in there is far from any wall
_RING_PX = (2.5, 5.5)  # beyond the wall: clear of its blur, and near enough to be its own metal
_LEAST = 8  # pixels of either
_SAME = 0.25  # of the contrast, which air and metal may change; at a face they change by half of it
_NOISES = 3.0  # standard deviations within which two levels of grey count as one


def plan_ends(
    squared: SquaredStack, candidates: Sequence[Candidate]
) -> list[tuple[EndPlan | End, EndPlan | End]]:
    """Find the faces that end each candidate.

    Where there is no face at the end of a hole, it was only its outline that changed: a bite that gets deeper makes a
    round hole a shapeless one. It ends at the face beyond, up to which its middle stays air and most of the ring
    round it metal.
    """
    return [
        (_plan(squared, one, candidates, at_start=True), _plan(squared, one, candidates, at_start=False))
        for one in candidates
    ]


def _plan(
    squared: SquaredStack, candidate: Candidate, others: Sequence[Candidate], *, at_start: bool
) -> EndPlan | End:
    plan = plan_end(squared, candidate, at_start=at_start)
    if isinstance(plan, EndPlan) or not plan.by_slice or not candidate.hole or candidate.shape is None:
        return plan
    longer = _followed(squared, candidate, others, at_start=at_start)
    if longer is None:
        return plan
    beyond = plan_end(squared, longer, at_start=at_start)
    return beyond if isinstance(beyond, EndPlan) or not beyond.by_slice else plan


def _followed(
    squared: SquaredStack, candidate: Candidate, others: Sequence[Candidate], *, at_start: bool
) -> Candidate | None:
    """Return the candidate up to the last plane that shows air in its middle and metal round it, None if it is that."""
    step, edge = (-1, candidate.first) if at_start else (1, candidate.last)
    usual = _levels(squared, candidate, (candidate.first + candidate.last) // 2)
    taken = {
        k for other in others if other is not candidate and other.hole and _same_place(candidate, other)
        for k in range(other.first, other.last + 1)
    }  # fmt: skip
    at = edge
    while usual is not None and 0 <= at + step < len(squared) and at + step not in taken:
        found = _levels(squared, candidate, at + step)
        if found is None or abs(found[0] - usual[0]) > found[2] or abs(found[1] - usual[1]) > found[2]:
            break
        at += step
    if at == edge:
        return None
    spans = candidate.spans
    if at_start:
        return replace(candidate, spans=(replace(spans[0], first=at), *spans[1:]))
    return replace(candidate, spans=(*spans[:-1], replace(spans[-1], last=at)))


def _levels(squared: SquaredStack, candidate: Candidate, plane: int) -> tuple[float, float, float] | None:
    """Return the grey in the middle of a hole and of the ring round it, and by how much they may change."""
    shape = candidate.shape
    assert shape is not None
    _, rows, columns = squared.shape
    points = candidate.spans[0].points
    left, top = np.maximum(np.floor(points.min(axis=0)).astype(int) - 7, 0)
    right, bottom = np.minimum(np.ceil(points.max(axis=0)).astype(int) + 8, [columns, rows])
    grey = squared.window(plane, np.s_[top:bottom, left:right])
    yy, xx = np.mgrid[top:bottom, left:right]
    away = shape.signed_distance(np.column_stack([xx.ravel(), yy.ravel()]).astype(float)).reshape(xx.shape)
    seen = np.isfinite(grey)
    core = grey[seen & (away > _CORE * shape.half_width)]
    ring = grey[seen & (away < -_RING_PX[0]) & (away > -_RING_PX[1])]
    least = min(len(core), len(ring))
    if least < _LEAST:
        return None
    noise = squared.survey.noise_rel * float(np.sqrt(squared.survey.correlation.sum / least))
    return float(np.median(core)), float(np.median(ring)), max(_SAME, _NOISES * noise)


def _same_place(one: Candidate, other: Candidate) -> bool:
    """Return whether the middle of one is in the window of the other's outline."""
    assert one.shape is not None
    low, high = other.spans[0].points.min(axis=0), other.spans[0].points.max(axis=0)
    return bool((low <= one.shape.centre).all() and (high >= one.shape.centre).all())
