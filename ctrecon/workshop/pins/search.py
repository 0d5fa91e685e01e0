"""The search for two places as far apart as possible, with or without a one-way condition.

The distance of two places is a convex function, and the free area is hollow towards all that limits it but straight
edges: so its greatest value is reached at exact corners of the area or, with a one-way condition, where the border
meets the parallels of that condition. These are tried; samples of the border start the search where several join.
"""

from collections.abc import Sequence
from math import hypot

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from ctrecon.workshop.pins.condition import OneWayCondition
from ctrecon.workshop.pins.free_area import FreeArea
from ctrecon.workshop.pins.limits import SAGITTA, Curves, Points, crossings

__all__ = ["SAME_MM", "Pair", "apart", "border_places", "farthest_allowed", "farthest_pairs", "first_of"]

SAME_MM = 1e-6
"""Distances that differ by less are the same."""
Pair = tuple[Points, Points, float]
_SAMPLES = 240
_STARTS = 8
_CREEP_DIRECTIONS = 16


def apart(a: Points, b: Points) -> Points:
    """Return the distances (mm) of each place of one set from each of the other."""
    return np.asarray(np.hypot(*(a[:, None] - b[None]).transpose(2, 0, 1)))


def border_places(area: FreeArea, count: int = _SAMPLES) -> Points:
    """Return places along the border of the free area, a hair inside it."""
    inner: BaseGeometry = area.coarse.buffer(-3 * SAGITTA * max(area.spread_mm() / 4, *area.needs_mm))
    inner = area.coarse if inner.is_empty else inner
    lines = [ring for part in shapely.get_parts(inner) for ring in (part.exterior, *part.interiors)]
    whole = sum(ring.length for ring in lines)
    out = [np.empty((0, 2))]
    for ring in lines:
        along = np.linspace(0, ring.length, max(8, round(count * ring.length / whole)), endpoint=False)
        out.append(shapely.get_coordinates(shapely.line_interpolate_point(ring, along)))
    points = np.vstack(out)
    return points[area.limits.clear(points)] if len(points) else points


def first_of(points: Sequence[Pair]) -> Pair:
    """Return the farthest pair; of pairs as far apart the one farthest left, then lowest."""
    best = max(one[2] for one in points)
    level: list[tuple[float, float, float, float, float]] = []
    for p, q, d in points:
        if d >= best - SAME_MM:
            (a, b), (c, e) = sorted((float(one[0]), float(one[1])) for one in (p, q))
            level.append((a, b, c, e, d))
    a, b, c, e, d = min(level, key=lambda one: tuple(round(value, 6) for value in one[:4]))
    return np.array([a, b]), np.array([c, e]), d


def farthest_pairs(p: Points, q: Points, condition: OneWayCondition | None, keep: int) -> list[Pair]:
    """Return the farthest allowed pairs of two sets of places, and all as far apart as the farthest."""
    d = apart(p, q)
    if condition is not None:
        for i in range(len(p)):
            d[i, ~condition.allows(p[i], q)] = -1.0
    flat = np.argsort(-d, axis=None, kind="stable")[: max(keep, 64)]
    out: list[Pair] = []
    for k in flat:
        i, j = np.unravel_index(k, d.shape)
        value = float(d[i, j])
        if value <= 0 or (len(out) >= keep and value < out[0][2] - SAME_MM):
            break
        out.append((p[i], q[j], value))
    return out


def _partner(
    area: FreeArea, p: Points, corners: Points, border: Curves, condition: OneWayCondition, best: float
) -> list[Pair]:
    """Return the farthest exact partners of a pin: corners, and where the condition's parallels meet the border."""
    own = condition.curves(p)
    points = np.vstack([corners, crossings(own, border), crossings(own, own)])
    low_x, low_y, high_x, high_y = area.common.bounds
    d = np.hypot(*(points - p).T)
    good = (d > best - SAME_MM) & (points[:, 0] > low_x) & (points[:, 0] < high_x)
    good &= (points[:, 1] > low_y) & (points[:, 1] < high_y)
    good[good] &= condition.allows(p, points[good])
    points, d = points[good], d[good]
    order = np.argsort(-d, kind="stable")
    # few of the crossings lie in the area: look from the farthest on, some at a time
    for at in range(0, len(order), 64):
        some = points[order[at : at + 64]]
        good = area.limits.clear(some)
        if good.any():
            first = int(np.argmax(good))
            level = good & (d[order[at : at + 64]] >= d[order[at + first]] - SAME_MM)
            return [(p, one, float(hypot(*(one - p)))) for one in some[level]]
    return []


def _creep(
    area: FreeArea, p: Points, q: Points, condition: OneWayCondition, step: float, held: bool
) -> Pair:
    """Move both pins, one a time, by ever shorter steps as long as they come to lie farther apart."""
    angles = np.arange(_CREEP_DIRECTIONS) * 2 * np.pi / _CREEP_DIRECTIONS
    ways = np.column_stack([np.cos(angles), np.sin(angles)])
    best = float(hypot(*(p - q)))
    while step > SAME_MM / 4:
        moved = False
        for turn in (0, 1):
            if held and turn == 0:
                continue
            here, there = (p, q) if turn == 0 else (q, p)
            trial = here + step * ways
            d = np.hypot(*(trial - there).T)
            good = d > best + SAME_MM / 100
            good[good] &= condition.allows(there, trial[good])
            good[good] &= area.limits.clear(trial[good])
            if good.any():
                k = int(np.argmax(np.where(good, d, -1)))
                best, moved = float(d[k]), True
                p, q = (trial[k], q) if turn == 0 else (p, trial[k])
        step = step if moved else step / 2
    return p, q, best


def farthest_allowed(area: FreeArea, condition: OneWayCondition | None, held: Points | None) -> list[Pair]:
    """Return the farthest allowed pairs found, best first; the first place of each is the held one, if any."""
    corners = area.corners
    if condition is None:
        return farthest_pairs(corners if held is None else held[None], corners, None, 1)
    border = area.limits.along(area.coarse)
    every = np.vstack([corners, border_places(area)])
    first = every if held is None else held[None]
    found = farthest_pairs(first, every, condition, _STARTS)
    best = found[0][2] if found else 0.0
    reach = apart(first, corners).max(axis=1) if len(corners) else np.zeros(len(first))
    for k in np.argsort(-reach, kind="stable"):
        if reach[k] < best - SAME_MM:
            break
        more = _partner(area, first[k], corners, border, condition, best)
        found += more
        best = max([best, *(one[2] for one in more)])
    found.sort(key=lambda one: -one[2])
    if found and best >= reach.max(initial=0.0) - SAME_MM:  # nothing lies farther apart, condition or not
        return found
    step = area.spread_mm() / _SAMPLES
    for p, q, d in found[:_STARTS]:
        p, q, d = _creep(area, p, q, condition, step, held is not None)
        for _ in range(8):  # each pin in turn to its best exact place, the other held
            more = _partner(area, p, corners, border, condition, d)
            if held is None:
                more += [(b, a, c) for a, b, c in _partner(area, q, corners, border, condition, d)]
            if not more or max(one[2] for one in more) <= d + 1e-9:
                break
            p, q, d = max(more, key=lambda one: one[2])
        found.append((p, q, d))
    found.sort(key=lambda one: -one[2])
    return found
