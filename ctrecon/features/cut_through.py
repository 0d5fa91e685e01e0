"""Features that a hole across the axis cuts through stay whole: joined over the planes where they are disturbed."""

from dataclasses import replace

import numpy as np
from scipy import ndimage

from ctrecon.features.candidates import Candidate, Span
from ctrecon.grey.square_up import SquaredStack
from ctrecon.shapes import Circle, inwards

__all__ = ["gaps_in", "join_over_cuts"]

_SHORTEST_GAP = 3  # planes; a shorter gap is joined without looking
_RIM_LEFT = 0.3  # a groove leaves nothing of the rim, a hole across leaves most of it
_OFF_PX = 2.5  # px off the outline at which metal and air are looked for
_BLURRED = 2  # planes beside a gap that the cut's blur reaches


def join_over_cuts(squared: SquaredStack, candidates: tuple[Candidate, ...]) -> tuple[Candidate, ...]:
    """Join candidates of one kind, size and axis between which part of the rim goes on; drop the pieces between.

    Parameters
    ----------
    squared : SquaredStack
        Planes in which the rim between them is looked for.
    candidates : tuple of Candidate
        In any order.

    Returns
    -------
    tuple of Candidate
        Whole features with a gap between their spans where a hole across the axis
        disturbs them.
    """
    left = sorted(candidates, key=lambda c: (c.first, c.hole, c.kind, c.last))
    i = 0
    while i < len(left):
        a = left[i]
        follower = next((b for b in left[i + 1 :] if _same_section(a, b) and _rim_goes_on(squared, a, b)), None)
        if follower is None:
            i += 1
            continue
        joined = _joined(a, follower)
        left = [joined if c is a else c for c in left if c is not follower and (c is a or not _piece(c, a, follower))]
    return tuple(c for c in left if not any(_within(c, d) for d in left if d is not c))


def _within(c: Candidate, d: Candidate) -> bool:
    """Recognise a short stretch of an outline that another candidate follows over all its planes."""
    lengths = [one.last - one.first + 1 for one in (c, d)]
    if c.hole != d.hole or not (d.first <= c.first and c.last <= d.last and lengths[1] >= 2 * lengths[0]):
        return False
    if c.circle is None or d.circle is None or c.is_relief or d.is_relief:
        return False
    return _apart(c.circle, d.circle) < 1.0


def gaps_in(candidate: Candidate) -> list[tuple[int, int]]:
    """Return the planes (first, last) between a candidate's spans where something cuts through it."""
    pairs = zip(candidate.spans, candidate.spans[1:], strict=False)
    return [(a.last + 1, b.first - 1) for a, b in pairs if b.first - a.last - 1 > _SHORTEST_GAP]


def _same_section(a: Candidate, b: Candidate) -> bool:
    if not a.is_like(b) or type(a.shape) is not type(b.shape):
        return False
    if a.shape is None or b.shape is None or a.is_relief:
        return False
    if b.first - a.last - 1 <= _SHORTEST_GAP or max(abs(a.growth_px), abs(b.growth_px)) > 0.03:
        return False
    if np.hypot(a.shape.centre[0] - b.shape.centre[0], a.shape.centre[1] - b.shape.centre[1]) > 0.6:
        return False
    return bool(np.abs(b.shape.signed_distance(a.shape.outline()[:-1])).max() < 0.4 + 0.004 * np.sqrt(a.area_px2))


def _rim_goes_on(squared: SquaredStack, a: Candidate, b: Candidate) -> bool:
    """Return whether on every plane between them metal and air still meet along a good part of the outline."""
    shape = a.shape
    assert shape is not None
    points = shape.outline()[:-1]
    into = inwards(shape, points, 0.01)
    for k in range(a.last + 1, b.first):
        plane = ndimage.gaussian_filter(np.nan_to_num(squared.plane(k)), 0.8)
        inside, outside = (
            ndimage.map_coordinates(plane, (points + sign * _OFF_PX * into)[:, ::-1].T, order=1) > 0.5
            for sign in (1.0, -1.0)
        )
        sound = outside & ~inside if a.hole else inside & ~outside
        if sound.mean() < _RIM_LEFT:
            return False
    return True


def _joined(a: Candidate, b: Candidate) -> Candidate:
    longer = max(a, b, key=lambda c: sum(s.last - s.first + 1 for s in c.spans))
    spans = (*a.spans[:-1], _cut(a.spans[-1], 0, _BLURRED), _cut(b.spans[0], _BLURRED, 0), *b.spans[1:])
    flags = tuple(dict.fromkeys((*a.flags, *b.flags)))
    return replace(
        longer, spans=spans, whole=a.whole and b.whole, flags=flags, share=min(a.share, b.share), growth_px=0.0
    )


def _cut(span: Span, start: int, end: int) -> Span:
    """Leave out the planes beside the gap that the hole's blur reaches."""
    return span if span.last - span.first < 6 else replace(span, first=span.first + start, last=span.last - end)


def _piece(c: Candidate, a: Candidate, b: Candidate) -> bool:
    """Recognise a stretch between the two that is only what the cut left of the same outline."""
    if c.hole != a.hole or c.first < a.last - 1 or c.last > b.first + 1:
        return False
    if c.shape is None or a.circle is None:
        return True
    if c.circle is not None:
        return _apart(c.circle, a.circle) < 1.5 + 0.15 * a.circle.radius
    return bool(a.circle.signed_distance(np.array([c.shape.centre]))[0] > 0)


def _apart(one: Circle, other: Circle) -> float:
    """Return how far centres and radii are apart, px."""
    return float(np.hypot(one.x - other.x, one.y - other.y)) + abs(one.radius - other.radius)
