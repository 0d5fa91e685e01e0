"""Figures that places may lie on, by least squares: circle, evenly divided circle, line, even pitch, mirror line."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import combinations
from math import lgamma, log, pi

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.circle_points import circle_start
from ctrecon.core.frames import Floats

__all__ = ["Figure", "circle", "divided", "even_pitch", "line", "symmetric"]

_COARSE = 0.03  # of the part's width: a figure missed by more than this is not a candidate
_WIDEST = 0.75


@dataclass(frozen=True, eq=False)
class Figure:
    """A figure fitted to places: residuals (mm) with the place each belongs to, their Jacobian, and prior densities.

    `ln_fixed` is the natural log of everything in the prior that is not a power of width or
    area: chances of assignments, angles, lengths along the figure. `per_width`, `per_area`
    count the parameters (and free places) that lie anywhere in the part's width or area.
    """

    kind: str
    names: tuple[str, ...]
    values: Floats
    residuals: Floats
    jacobian: Floats
    owner: NDArray[np.int64]
    ln_fixed: float
    per_width: int
    per_area: int
    anchor: str = ""
    count: int = 0
    places: tuple[int, ...] = ()
    pairwise: bool = False

    def ln_prior(self, width: float, area: float) -> float:
        """Return the natural log of the prior density of parameters and free places."""
        return self.ln_fixed - self.per_width * log(width) - self.per_area * log(area)


def _falling(total: int, taken: int) -> float:
    return lgamma(total + 1) - lgamma(total - taken + 1)


def _settle(
    start: Floats, model: Callable[[Floats], Floats], steps: Floats
) -> tuple[Floats, Floats, Floats]:
    """Gauss-Newton with a numerical Jacobian; returns values, residuals, Jacobian."""
    p = np.asarray(start, dtype=float)
    for _ in range(6):
        rows = model(p)
        jacobian = np.column_stack([
            (model(p + step) - model(p - step)) / (2 * size)
            for step, size in zip(np.diag(steps), steps, strict=True)
        ])  # fmt: skip
        p = p - np.linalg.lstsq(jacobian, rows, rcond=None)[0]
    return p, model(p), jacobian


def circle(
    own: Floats, width: float, *, about: tuple[float, float] | None = None, anchor: str = ""
) -> Figure | None:
    """Fit a circle, about a given centre or free; places may lie anywhere on it."""
    n = len(own)
    if about is None:
        first = circle_start(own)
        if first is None or not first[2] < _WIDEST * width:
            return None
        start = np.array(first)
    else:
        start = np.array([*about, float(np.hypot(*(own - about).T).mean())])
        if not 0.01 * width < start[2] < _WIDEST * width:
            return None
    if np.abs(np.hypot(*(own - start[:2]).T) - start[2]).max() > _COARSE * width:
        return None

    def rows(p: Floats) -> Floats:
        centre = p[:2] if about is None else np.asarray(about)
        return np.asarray(np.hypot(*(own - centre).T) - p[-1])

    small = 1e-5 * width
    if about is None:
        values, left, jacobian = _settle(start, rows, np.full(3, small))
        names: tuple[str, ...] = ("x", "y", "radius")
    else:
        values, left, jacobian = _settle(start[2:], rows, np.full(1, small))
        names = ("radius",)
    radius = float(values[-1])
    if not 0 < radius < _WIDEST * width:
        return None
    free = -n * log(2 * pi * radius) - log(_WIDEST)
    return Figure(
        "circle_of_holes", names, values, left, jacobian, np.arange(n), free, 1, 1 if about is None else 0, anchor
    )


def divided(
    own: Floats, number: int, ring: Figure, width: float, *, about: tuple[float, float] | None = None, anchor: str = ""
) -> Figure | None:
    """Fit a circle divided evenly in `number`, each place on a division of its own; some may be missing."""
    n = len(own)
    centre = np.asarray(about) if about is not None else ring.values[:2]
    radius = float(ring.values[-1])
    angle = np.arctan2(*(own - centre).T[::-1])
    pitch = 2 * pi / number
    first = float(np.angle(np.exp(1j * number * angle).mean())) / number
    index = np.round((angle - first) / pitch).astype(int) % number
    if len(set(index.tolist())) < n:
        return None
    off = (angle - first - index * pitch + pi) % (2 * pi) - pi
    if np.abs(off).max() * radius > _COARSE * width:
        return None

    def rows(p: Floats) -> Floats:
        at = p[-1] + index * pitch
        middle = p[:2] if about is None else np.asarray(about)
        wanted = middle + p[-2] * np.column_stack([np.cos(at), np.sin(at)])
        return np.asarray((own - wanted).ravel())

    steps = np.array([*([1e-5 * width] * (len(ring.values))), 1e-5])
    values, left, jacobian = _settle(np.array([*ring.values, first]), rows, steps)
    if not 0 < values[-2] < _WIDEST * width:
        return None
    values[-1] %= pitch
    turned = round((first - float(values[-1])) / pitch)
    free = -_falling(number, n) + log(number / (2 * pi)) - log(_WIDEST)
    return Figure(
        "divided_circle", (*ring.names, "angle"), values, left, jacobian, np.repeat(np.arange(n), 2), free, 1,
        1 if about is None else 0, anchor, number, tuple(int(i) for i in (index + turned) % number),
    )  # fmt: skip


def line(own: Floats, width: float) -> Figure | None:
    """Fit a straight line; places may lie anywhere along it."""
    middle = own.mean(axis=0)
    direction = np.linalg.svd(own - middle)[2][0]
    angle = float(np.arctan2(direction[1], direction[0])) % pi

    def rows(p: Floats) -> Floats:
        return np.asarray((own - middle) @ np.array([-np.sin(p[0]), np.cos(p[0])]) - p[1])

    if np.abs(rows(np.array([angle, 0.0]))).max() > _COARSE * width:
        return None
    values, left, jacobian = _settle(np.array([angle, 0.0]), rows, np.array([1e-5, 1e-5 * width]))
    n = len(own)
    return Figure("in_line", ("angle", "offset"), values, left, jacobian, np.arange(n), -log(pi), n + 1, 0)


def even_pitch(own: Floats, number: int, width: float) -> Figure | None:
    """Fit places in line at even pitch, `number` positions from the first to the last, some of them empty."""
    n = len(own)
    middle = own.mean(axis=0)
    direction = np.linalg.svd(own - middle)[2][0]
    direction = direction if (direction[0], direction[1]) > (0.0, 0.0) else -direction
    along = (own - middle) @ direction
    pitch = float(np.ptp(along)) / (number - 1)
    if pitch <= 0:
        return None
    index = np.round((along - along.min()) / pitch).astype(int)
    if len(set(index.tolist())) < n or np.abs(along - along.min() - index * pitch).max() > _COARSE * width:
        return None
    angle = float(np.arctan2(direction[1], direction[0]))
    origin = middle + direction * float(along.min())

    def rows(p: Floats) -> Floats:
        unit = np.array([np.cos(p[3]), np.sin(p[3])])
        return np.asarray((own - p[:2] - index[:, None] * p[2] * unit).ravel())

    small = 1e-5 * width
    values, left, jacobian = _settle(np.array([*origin, pitch, angle]), rows, np.array([small, small, small, 1e-5]))
    free = -_falling(number, n) - log(pi)
    return Figure(
        "even_pitch", ("x", "y", "pitch", "angle"), values, left, jacobian, np.repeat(np.arange(n), 2), free, 1, 1,
        count=number, places=tuple(int(i) for i in index),
    )  # fmt: skip


def symmetric(own: Floats, width: float) -> Iterator[Figure]:
    """Yield mirror lines that carry every place to another one or leave it on the line."""
    n = len(own)
    seen: set[tuple[tuple[int, ...], ...]] = set()
    starts: list[tuple[Floats, Floats]] = []
    for i, j in combinations(range(n), 2):
        along = (own[j] - own[i]) / max(float(np.hypot(*(own[j] - own[i]))), 1e-12)
        starts.append(((own[i] + own[j]) / 2, along))  # normal of the bisector
        starts.append((own[i], np.array([-along[1], along[0]])))  # normal of the line through both
    for at, normal in starts:
        mirrored = own - 2 * ((own - at) @ normal)[:, None] * normal
        gap = np.hypot(own[:, None, 0] - mirrored[None, :, 0], own[:, None, 1] - mirrored[None, :, 1])
        mate = np.argmin(gap, axis=0)
        if gap.min(axis=0).max() > _COARSE * width or (mate[mate] != np.arange(n)).any():
            continue
        pairs = [(i, int(mate[i])) for i in range(n) if i < mate[i]]
        alone = [i for i in range(n) if mate[i] == i]
        key = tuple(sorted([*pairs, *((i,) for i in alone)]))
        if len(pairs) < 2 or key in seen:
            continue
        seen.add(key)
        yield _mirror(own, pairs, alone, at, normal, width)


def _mirror(
    own: Floats, pairs: list[tuple[int, int]], alone: list[int], at: Floats, normal: Floats, width: float
) -> Figure:
    middle = own.mean(axis=0)
    first, second = (np.array([p[k] for p in pairs]) for k in (0, 1))
    single = np.array(alone, dtype=int)

    def rows(p: Floats) -> Floats:
        n = np.array([np.cos(p[0]), np.sin(p[0])])
        a, b = own[first] - middle, own[second] - middle
        pair = b - (a - 2 * (a @ n - p[1])[:, None] * n)
        return np.concatenate([pair.ravel(), np.sqrt(2) * ((own[single] - middle) @ n - p[1])])

    start = np.array([float(np.arctan2(normal[1], normal[0])), float((at - middle) @ normal)])
    values, left, jacobian = _settle(start, rows, np.array([1e-5, 1e-5 * width]))
    values[0] = (values[0] + pi / 2) % pi  # the line's own direction
    owner = np.concatenate([np.repeat(second, 2), single]).astype(np.int64)
    n, m = len(own), len(pairs)
    matchings = lgamma(n + 1) - lgamma(n - 2 * m + 1) - lgamma(m + 1) - m * log(2.0)
    # single places lie anywhere along the line; their rows carry sqrt 2, as the pairs' variance does
    free = -matchings - log(pi) + 0.5 * log(2.0) * len(alone)
    return Figure(
        "symmetric", ("angle", "offset"), values, left, jacobian, owner, free, 1 + len(alone), m, pairwise=True,
        count=m, places=tuple(int(i) for pair in pairs for i in pair),
    )  # fmt: skip
