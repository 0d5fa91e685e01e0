"""Grey that drifts through depth, and slices shifted against their neighbours."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.frames import Floats
from ctrecon.slices.artefact_scan import Scan, steady
from ctrecon.slices.levels import Levels
from ctrecon.slices.stack import SliceStack

__all__ = ["Drift", "Shift", "find_drift", "find_shifts"]

_FEWEST_PLACES = 150
_LEAST_DRIFT = 0.015
_LEAST_SHIFT_PX = 0.12


@dataclass(frozen=True, eq=False)
class Drift:
    """Levels slice by slice against the stack's own.

    Attributes
    ----------
    air, metal : (slices,) arrays
        What is to be taken off air and metal, share of the contrast; 0 where nothing is corrected.
    size : float
        Span of the metal's (or air's) level through depth, share of the contrast.
    stepped : bool
        The metal's level steps where the air's does not: another metal, perhaps; not corrected.
    """

    air: Floats
    metal: Floats
    size: float
    stepped: bool


@dataclass(frozen=True)
class Shift:
    """One slice shifted against its neighbours, in voxels; `sure` when a plain shift explains what is seen."""

    slice: int
    rows: float
    columns: float
    sure: bool


def find_drift(scan: Scan, *, correlation: float = 0.0) -> Drift | None:
    """Find how the levels of air and metal run through depth, or None where they do not.

    `correlation` is that of the noise of neighbouring voxels: it makes means less sure.

    Each place of the coarse grid has its own grey (cupping, shading), each slice its own
    offset: both are found together, so sections that change are no drift.
    """
    count = scan.columns.shape[0]
    if count < 5:
        return None
    curves: list[Floats] = []
    spans: list[float] = []
    steps: list[bool] = []
    for metal in (False, True):
        offset, error = _offsets(scan, metal=metal)
        known = np.isfinite(offset)
        if known.sum() < 5:
            curves.append(np.zeros(count))
            spans.append(0.0)
            steps.append(False)
            continue
        index = np.arange(count)
        full = np.interp(index, index[known], offset[known])
        u = np.interp(index, index[known], error[known]) * np.sqrt((1 + correlation) / (1 - correlation))
        width = max(2.0, count / 40)
        smooth = _smoothed(offset, u, width)
        span = float(np.percentile(smooth, 97) - np.percentile(smooth, 3))
        typical = float(np.median(u[known]))
        flicker = known & _inner(known) & (np.abs(full - smooth) > np.maximum(8 * u, _LEAST_DRIFT))
        real = span > max(_LEAST_DRIFT, 6 * typical / np.sqrt(width))
        curve = np.where(flicker, full, smooth)
        if not real and not flicker.any():
            curves.append(np.zeros(count))
            spans.append(0.0)
            steps.append(False)
            continue
        curves.append(curve if real else np.where(flicker, full, 0.0))
        spans.append(max(span if real else 0.0, float(np.abs(full - smooth)[flicker].max()) if flicker.any() else 0.0))
        steps.append(_steps(full, u))
    if not any(spans):
        return None
    stepped = steps[1] and not steps[0]
    if stepped:
        curves[1] = np.zeros(count)
    return Drift(curves[0], curves[1], max(spans), stepped)


def _smoothed(offset: Floats, u: Floats, width: float) -> Floats:
    """Smooth along depth, each slice with the weight of its own certainty; outliers lose theirs."""
    known = np.isfinite(offset)
    value = np.where(known, offset, 0.0)
    weight = np.where(known, 1 / np.maximum(u, 1e-6) ** 2, 0.0)
    smooth = value
    for _ in range(3):
        below = ndimage.gaussian_filter1d(weight, width, mode="nearest", truncate=6.0)
        smooth = ndimage.gaussian_filter1d(weight * value, width, mode="nearest", truncate=6.0)
        smooth = smooth / np.maximum(below, 1e-12)
        weight = np.where(known & (np.abs(value - smooth) < 4 * u + 1e-6), 1 / np.maximum(u, 1e-6) ** 2, 0.0)
        if not weight.any():
            weight = known.astype(float)
    index = np.arange(len(offset))
    return np.asarray(np.interp(index, index[known], smooth[known]))


def _inner(known: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Leave out the two slices at either end of what is known: faces begin there."""
    return np.asarray(ndimage.binary_erosion(known, iterations=2))


def _offsets(scan: Scan, *, metal: bool) -> tuple[Floats, Floats]:
    """Return each slice's offset and its standard error; NaN where too little even material shows.

    Three by three places are joined first: a seam, thin but dark, then stands out of the
    noise and loses its say, where single voxels would let it pass for a darker slice.
    """
    count = scan.columns.shape[0]
    inside = steady(scan, metal=metal)
    joined = ndimage.uniform_filter(inside.astype(np.float32), (0, 3, 3), mode="constant")
    grey3 = ndimage.uniform_filter(np.where(inside, scan.columns, np.float32(0)), (0, 3, 3), mode="constant")
    good = inside.reshape(count, -1)
    use = good.sum(axis=0) >= min(5, max(2, count // 3))
    good = good[:, use]
    if not good.any():
        return np.full(count, np.nan), np.full(count, np.nan)
    grey = np.where(inside, grey3 / np.maximum(joined, 1e-6), 0.0).reshape(count, -1)[:, use].astype(np.float32)
    weight = good.astype(np.float32)
    offset = np.zeros(count)
    place = grey.sum(axis=0) / np.maximum(weight.sum(axis=0), 1)
    scatter = 0.0
    for turn in range(30):
        rest = np.where(good, grey - place[None, :] - offset[:, None].astype(np.float32), 0.0)
        scatter = 1.4826 * float(np.median(np.abs(rest[good])))
        if turn in (3, 8, 13):
            # a place where a seam or another metal passes changes by itself: it has no say on any slice
            lasting = ndimage.uniform_filter1d(rest, min(9, count), axis=0, mode="constant")
            share = ndimage.uniform_filter1d(good.astype(np.float32), min(9, count), axis=0, mode="constant")
            enough = share > 0.5
            lasting = np.where(enough, lasting / np.maximum(share, 0.5), 0.0)
            usual = 1.4826 * float(np.median(np.abs(lasting[enough]))) if enough.any() else np.inf
            own: NDArray[np.bool_] = np.max(np.abs(lasting), axis=0) > 3.5 * usual
            if own.mean() < 0.6:
                weight = (good & ~own[None, :]).astype(np.float32)
        step = (rest * weight).sum(axis=1) / np.maximum(weight.sum(axis=1), 1)
        offset = offset + step
        offset -= np.average(offset, weights=good.sum(axis=1))
        rest = np.where(good, grey - offset[:, None].astype(np.float32), 0.0)
        place = (rest * weight).sum(axis=0) / np.maximum(weight.sum(axis=0), 1)
        if turn > 13 and float(np.abs(step).max()) < 1e-5:
            break
    n_slice = weight.sum(axis=1)
    # joined places share their voxels: three times the scatter of their mean
    error = 3 * scatter / np.sqrt(np.maximum(n_slice, 1))
    lost = n_slice < _FEWEST_PLACES
    offset[lost], error[lost] = np.nan, np.nan
    offset = offset - (np.nanmedian(offset) if np.isfinite(offset).any() else 0.0)
    return offset, error


def _steps(full: Floats, u: Floats) -> bool:
    """Tell whether most of the change happens within three slices, and stays."""
    if len(full) < 12:
        return False
    width = 5
    before = np.array([np.median(full[max(0, k - width) : k]) for k in range(width, len(full) - width)])
    after = np.array([np.median(full[k + 2 : k + 2 + width]) for k in range(width, len(full) - width)])
    jump = np.abs(after - before)
    span = float(np.percentile(full, 97) - np.percentile(full, 3))
    return bool(jump.max() > 0.6 * span and jump.max() > max(5 * float(np.median(u)), _LEAST_DRIFT))


def find_shifts(stack: SliceStack, levels: Levels, scan: Scan) -> tuple[Shift, ...]:
    """Find slices that lie beside their neighbours.

    A tilt moves every slice by the same amount and cancels against the mean of both
    neighbours; a step of the part is seen on one side only. What is left is looked at
    in full: a plain shift must explain it.
    """
    seen = [k for k in range(len(stack)) if k not in stack.missing]
    if len(seen) < 5:
        return ()
    guess = np.array([_beside(scan, seen, i) for i in range(len(seen))])
    size = np.hypot(guess[:, 0], guess[:, 1])
    usual = 1.4826 * float(np.median(size))
    order = [int(i) for i in np.argsort(-size, kind="stable") if size[i] > max(_LEAST_SHIFT_PX, 4 * usual)]
    out: list[Shift] = []
    marked: set[int] = set()
    for i in order[:40]:
        before = [j for j in range(i - 1, -1, -1) if j not in marked][:1]
        after = [j for j in range(i + 1, len(seen)) if j not in marked][:1]
        if not before or not after or after[0] - before[0] > 4:
            continue
        a, k, b = seen[before[0]], seen[i], seen[after[0]]
        rows, columns, explained = _in_full(stack, levels, a, k, b)
        if np.hypot(rows, columns) >= _LEAST_SHIFT_PX and explained > 0.4:
            marked.add(i)
            out.append(Shift(k, rows, columns, explained > 0.65))
    return tuple(sorted(out, key=lambda s: s.slice))


def _beside(scan: Scan, seen: list[int], i: int) -> tuple[float, float]:
    """Return a first guess of slice i's shift (rows, columns) from its sums along rows and columns."""
    if i in (0, len(seen) - 1):
        return 0.0, 0.0
    a, k, b = seen[i - 1], seen[i], seen[i + 1]
    out = []
    for sums in (scan.down, scan.across):
        share = (k - a) / (b - a)
        middle = (1 - share) * sums[a].astype(float) + share * sums[b]
        slope = np.gradient(ndimage.gaussian_filter1d(middle, 1.0))
        out.append(-float(slope @ (sums[k] - middle)) / max(float(slope @ slope), 1e-9))
    return out[0], out[1]


def _in_full(stack: SliceStack, levels: Levels, a: int, k: int, b: int) -> tuple[float, float, float]:
    """Return slice k's shift against its neighbours, and the share of the difference that the shift explains."""
    planes = [np.nan_to_num(levels.normal(stack.plane(i)), nan=0.0).astype(float) for i in (a, k, b)]
    share = (k - a) / (b - a)
    one, middle, two = (ndimage.gaussian_filter(p, 1.0) for p in planes)
    steady_edge = np.abs(one - two) < 0.25
    mean = (1 - share) * one + share * two
    shift = np.zeros(2)
    explained = 0.0
    for _ in range(6):
        moved = ndimage.shift(mean, shift, order=1, mode="nearest")
        down, right = (np.asarray(one) for one in np.gradient(moved))
        edge = (np.hypot(down, right) > 0.08) & steady_edge
        if edge.sum() < 50:
            return 0.0, 0.0, 0.0
        table = np.column_stack([-down[edge], -right[edge]])
        step, *_ = np.linalg.lstsq(table, (middle - moved)[edge], rcond=None)
        shift += step
        if np.abs(step).max() < 1e-3:
            break
    moved = ndimage.shift(mean, shift, order=1, mode="nearest")
    edge = ndimage.binary_dilation(edge, iterations=2)
    # noise of the smoothed planes is no difference to be explained: smoothing over 1 px keeps 0.28 of it
    noise = 1.5 * (0.28 * levels.noise_rel) ** 2
    at_first = max(float(((middle - mean)[edge] ** 2).mean()) - noise, 1e-12)
    at_last = max(float(((middle - moved)[edge] ** 2).mean()) - noise, 0.0)
    explained = 1 - at_last / at_first
    return float(shift[0]), float(shift[1]), explained
