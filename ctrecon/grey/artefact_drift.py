"""Grey that drifts through depth, and slices shifted against their neighbours."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.frames import Floats
from ctrecon.grey.artefact_scan import Scan, steady
from ctrecon.grey.levels import Levels
from ctrecon.slices.stack import SliceStack

__all__ = ["Drift", "Shift", "find_drift", "find_shifts"]

_FEWEST_PLACES = 40  # of the coarse grid; fewer could all be in one stain or seam
_CLEAR_SLICES = 3  # metal a face away: 2 slices off, blur of a slice still takes 4 % of it
_LEAST_DRIFT = 0.015  # contrasts; smaller changes through depth are left as they are
_SKIRT = 0.2  # of a dip's depth, left a slice away: blur of half a slice and more
_MOST_FLICKER = 0.2  # of the slices; where more of them flicker, dark ones are side by side by chance
_LEAST_SCATTER = 0.002  # share of the contrast; drawn slices have no noise at all
_LEAST_PX = 8  # rows and columns; a strip narrower than the smoothing shows no shift across it
_LEAST_SHIFT_PX = 0.12  # px; smaller shifts are noise of the comparison
_LEAST_EDGE = 0.05  # of what the slice with most edge shows in its sums; slices of air say nothing of a shift
_CLEAR_PX = 7  # wide: a blurred edge and the smoothing of both planes
_MOST_PIXELS = 300_000  # of a slice that is looked at in full
_WAYS = ((1, 3.0), (1, 6.0), (2, 4.0), (0, 3.0), (0, 10.0))  # degree and width by which a curve may run on
_FACE_SHARES = np.array([1.0, 0.7, 0.2])  # what the metal of the slices before a face weighs in its place
_LEAST_BEFORE = 5  # slices before a change; fewer show no trend
_PER_DRIFT = 0.4  # slices that an end may be off for a drift of the whole contrast where nothing can be foretold


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
    face_u : float
        Slices that a face may be off because its own slices do not show their level.
    """

    air: Floats
    metal: Floats
    size: float
    stepped: bool
    face_u: float = 0.0


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
    offset: both are found together, so sections that change are not drift.
    """
    count = scan.columns.shape[0]
    if count < 5:
        return None
    curves: list[Floats] = []
    spans: list[float] = []
    steps: list[bool] = []
    face_u: float | None = None
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
        face_u = _way_on(offset[known], error[known] ** -2.0)[1]  # of the metal, which comes last
        smooth = _smoothed(offset, u, width)
        span = float(np.percentile(smooth, 97) - np.percentile(smooth, 3))
        typical = float(np.median(u[known]))
        flicker = known & _inner(known) & (np.abs(full - smooth) > np.maximum(8 * u, _LEAST_DRIFT))
        if flicker.sum() <= _MOST_FLICKER * known.sum():
            flicker &= ~_dips(full - smooth, flicker, u)
        real = span > max(_LEAST_DRIFT, 6 * typical / np.sqrt(width))
        curve = np.where(flicker, full, smooth)
        if not real and not flicker.any():
            curves.append(np.zeros(count))
            spans.append(0.0)
            steps.append(False)
            continue
        curves.append(curve if real else np.where(flicker, full, 0.0))
        spans.append(max(span if real else 0.0, float(np.abs(full - smooth)[flicker].max()) if flicker.any() else 0.0))
        steps.append(_steps(full, u) and _rather_a_step(index[known], offset[known]))
    if not any(spans):
        return None
    stepped = steps[1] and not steps[0]
    face_u = _PER_DRIFT * max(spans) if face_u is None else face_u
    if stepped:
        curves[1] = np.zeros(count)
    return Drift(curves[0], curves[1], max(spans), stepped, face_u)


def _smoothed(offset: Floats, u: Floats, width: float) -> Floats:
    """Smooth along depth by lines through each slice's neighbours, weighted by certainty; outliers lose theirs.

    A mean would lag behind a ramp where it starts and ends, and just there the faces lie. Beyond the slices that
    are known the last lines run on, no farther than the values reach back that they were drawn through.
    """
    index = np.arange(len(offset))
    at = index[np.isfinite(offset)]
    value, sure = offset[at], 1 / np.maximum(u[at], 1e-6) ** 2
    # a flat seam darkens a few slices: medians of windows that are twice as wide hardly follow it
    weight, smooth = sure, ndimage.median_filter(value, 2 * round(2 * width) + 1, mode="nearest")
    for _ in range(3):
        miss = np.abs(value - smooth)
        usual = 1.4826 * float(np.median(miss))  # a bent curve misses its own lines a little everywhere
        weight = np.where(miss < 4 * np.maximum(u[at], usual) + 1e-6, sure, 0.0)
        smooth, _ = _lines(at, at, value, weight, width)
    way, _ = _way_on(value, weight)
    most = min(len(at) / 2, 2 * way[1])
    beyond = np.clip(index[:, None] - at[[0, -1]], -most, most)
    before = _run_on(value[::-1], weight[::-1], -beyond[:, 0], way)
    after = _run_on(value, weight, beyond[:, 1], way)
    inside = np.interp(index, at, smooth)
    return np.asarray(np.where(index < at[0], before, np.where(index > at[-1], after, inside)))


def _run_on(value: Floats, weight: Floats, ahead: Floats, way: tuple[int, float]) -> Floats:
    """Continue a curve beyond its last value by the polynomial of a degree through about `width` values."""
    degree, width = way
    back = np.arange(len(value)) - (len(value) - 1.0)
    w = np.sqrt(weight) * np.exp(-0.25 * np.minimum(back / width, 12.0) ** 2)
    table = np.vander(back / len(value), degree + 1)
    solved = np.linalg.lstsq(table * w[:, None], value * w, rcond=None)[0]
    return np.asarray(np.vander(np.ravel(ahead) / len(value), degree + 1) @ solved)


def _way_on(value: Floats, weight: Floats) -> tuple[tuple[int, float], float | None]:
    """Return the degree and width that best foretell the next slices from those before, and how far off a face comes.

    Tried from both sides on all slices that are known. The blur of a face reaches over three of the slices that
    are not: by what the metal of each weighs there, their errors move the face. None where too few are known.
    """
    ahead = len(_FACE_SHARES)
    count = len(value) - ahead + 1 - _LEAST_BEFORE
    if count < 1:
        return _WAYS[0], None
    sizes: dict[tuple[int, float], float] = {}
    for way in _WAYS:
        found = []
        for v, w in ((value, weight), (value[::-1], weight[::-1])):
            came = np.lib.stride_tricks.sliding_window_view(v, ahead)[_LEAST_BEFORE:]
            found.append((_foretold(v, w, way)[:count] - came) @ _FACE_SHARES)
        sizes[way] = float(np.sqrt(np.mean(np.square(found))))
    best = min(_WAYS, key=lambda way: sizes[way])
    return best, sizes[best]


def _foretold(value: Floats, weight: Floats, way: tuple[int, float]) -> Floats:
    """Return what `_run_on` says of the next slices from the first k values, for each k from the fewest on.

    Sums over the values before each place are running sums with the same weights: one convolution for each moment.
    """
    degree, width = way
    far = np.arange(min(len(value), int(np.ceil(6 * width)))) / width  # beyond that the weights are nothing
    bell = np.exp(-0.5 * far**2)
    last = slice(_LEAST_BEFORE - 1, len(value))
    moments = [np.convolve(weight, bell * (-far) ** p)[last] for p in range(2 * degree + 1)]
    right = np.array([np.convolve(weight * value, bell * (-far) ** p)[last] for p in range(degree + 1)]).T
    normal = np.array([[moments[p + q] for q in range(degree + 1)] for p in range(degree + 1)]).transpose(2, 0, 1)
    normal = normal + (1e-10 * moments[0][:, None, None] + 1e-300) * np.eye(degree + 1)
    solved = np.linalg.solve(normal, right[..., None])[..., 0]
    return np.asarray(solved @ np.vander(np.arange(1.0, len(_FACE_SHARES) + 1) / width, degree + 1, increasing=True).T)


def _lines(
    where: NDArray[np.int64], at: NDArray[np.int64], value: Floats, weight: Floats, width: float
) -> tuple[Floats, Floats]:
    """Return value and slope, at each of `where`, of the line through what is within about `width` slices of it."""
    far = at[None, :] - where[:, None]
    w = weight * np.exp(-0.5 * np.minimum(far / width, 12.0) ** 2)
    total = np.maximum(w.sum(axis=1), 1e-300)
    middle, mean = (w * far).sum(axis=1) / total, (w * value).sum(axis=1) / total
    off = far - middle[:, None]
    spread = (w * off**2).sum(axis=1)
    slope = (w * off * value).sum(axis=1) / np.maximum(spread, 1e-9 * total)
    return mean - slope * middle, slope


def _dips(miss: Floats, flicker: NDArray[np.bool_], u: Floats) -> NDArray[np.bool_]:
    """Mark dark slices whose neighbours on both sides are dark too: a flat seam, blurred, and no flicker of the tube.

    Corrected as flicker, a seam would brighten the faces that end in its slices, and so move them.
    """
    runs, number = ndimage.label(flicker & (miss < 0))
    out = np.zeros(len(miss), dtype=bool)
    for i in range(1, number + 1):
        run = np.flatnonzero(runs == i)
        deepest = int(run[np.argmin(miss[run])])
        if 0 < deepest < len(miss) - 1:
            beside = np.array([deepest - 1, deepest + 1])
            out[run] = bool((miss[beside] < np.minimum(_SKIRT * miss[deepest], -4 * u[beside])).all())
    return out


def _inner(known: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Leave out the two slices at either end of what is known: faces begin there."""
    return np.asarray(ndimage.binary_erosion(known, iterations=2))


def _offsets(scan: Scan, *, metal: bool) -> tuple[Floats, Floats]:
    """Return each slice's offset and its standard error; NaN where too little even material shows.

    Three by three places are joined first: a seam, thin but dark, then stands out of the
    noise and loses its say, where single voxels would let it pass for a darker slice.
    """
    count = scan.columns.shape[0]
    inside = steady(scan, metal=metal, reach=_CLEAR_SLICES)
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
    for turn in range(30):
        rest = miss = np.where(good, grey - place[None, :] - offset[:, None].astype(np.float32), 0.0)
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
    scatter = 1.4826 * float(np.median(np.abs(miss[good])))
    n_slice = weight.sum(axis=1)
    # joined places share their voxels: three times the scatter of their mean
    error = np.maximum(3 * scatter, _LEAST_SCATTER) / np.sqrt(np.maximum(n_slice, 1))
    lost = n_slice < _FEWEST_PLACES
    offset[lost], error[lost] = np.nan, np.nan
    offset = offset - (np.nanmedian(offset) if np.isfinite(offset).any() else 0.0)
    return offset, error


def _steps(full: Floats, u: Floats) -> bool:
    """Return whether most of the change happens within three slices, and stays."""
    if len(full) < 12:
        return False
    width = 5
    before = np.array([np.median(full[max(0, k - width) : k]) for k in range(width, len(full) - width)])
    after = np.array([np.median(full[k + 2 : k + 2 + width]) for k in range(width, len(full) - width)])
    jump = np.abs(after - before)
    span = float(np.percentile(full, 97) - np.percentile(full, 3))
    return bool(jump.max() > 0.6 * span and jump.max() > max(5 * float(np.median(u)), _LEAST_DRIFT))


def _rather_a_step(at: NDArray[np.int64], value: Floats) -> bool:
    """Return whether one step explains the slices that are known better than a smooth bend does."""
    along = (at - at.mean()) / len(at)
    bend = value - np.polyval(np.polyfit(along, value, 3), along)
    step = min(
        float(((value[:k] - value[:k].mean()) ** 2).sum() + ((value[k:] - value[k:].mean()) ** 2).sum())
        for k in range(1, len(value))
    )
    return step < float((bend**2).sum())


def find_shifts(stack: SliceStack, levels: Levels, scan: Scan) -> tuple[Shift, ...]:
    """Find slices that are shifted sideways against their neighbours.

    A tilt moves every slice by the same amount and cancels against the mean of both
    neighbours; a step of the part is seen on one side only. What is left is looked at
    in full: a plain shift must explain it.
    """
    seen = [k for k in range(len(stack)) if k not in stack.missing]
    if len(seen) < 5 or min(stack.shape[1:]) < _LEAST_PX:
        return ()
    guess = np.array([_beside(scan, seen, i) for i in range(len(seen))])
    shows = guess[:, 2] > _LEAST_EDGE * guess[:, 2].max()
    size = np.where(shows, np.hypot(guess[:, 0], guess[:, 1]), 0.0)
    usual = 1.4826 * float(np.median(size[shows])) if shows.any() else 0.0
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
        if np.hypot(rows, columns) >= _LEAST_SHIFT_PX and explained > 0.5:
            marked.add(i)
            out.append(Shift(k, rows, columns, explained > 0.65))
    return tuple(sorted(out, key=lambda s: s.slice))


def _beside(scan: Scan, seen: list[int], i: int) -> tuple[float, float, float]:
    """Return a first guess of slice i's shift (rows, columns) from its sums, and how much edge they show."""
    if i in (0, len(seen) - 1):
        return 0.0, 0.0, 0.0
    a, k, b = seen[i - 1], seen[i], seen[i + 1]
    out, shown = [], []
    for sums in (scan.down, scan.across):
        share = (k - a) / (b - a)
        middle = (1 - share) * sums[a].astype(float) + share * sums[b]
        slope = np.gradient(ndimage.gaussian_filter1d(middle, 1.0))
        shown.append(float(slope @ slope))
        out.append(-float(slope @ (sums[k] - middle)) / max(shown[-1], 1e-9))
    return out[0], out[1], min(shown)


def _in_full(stack: SliceStack, levels: Levels, a: int, k: int, b: int) -> tuple[float, float, float]:
    """Return slice k's shift against its neighbours, and the share of the difference that the shift explains."""
    # a large slice has edges by the ten thousand: voxels joined two by two show its shift as well
    by = int(np.ceil(np.sqrt(stack.shape[1] * stack.shape[2] / _MOST_PIXELS)))
    planes = [_joined(np.nan_to_num(levels.normal(stack.plane(i)), copy=False, nan=0.0), by) for i in (a, k, b)]
    share = np.float32((k - a) / (b - a))
    one, middle, two = (ndimage.gaussian_filter(p, 1.0) for p in planes)
    # where a face is near, what it uncovers would pass for a shift: nothing may come or go beside an edge
    steady_edge = ndimage.maximum_filter(np.abs(one - two), _CLEAR_PX) < 0.25
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
    # noise of the smoothed planes is not a difference to be explained: smoothing over 1 px keeps 0.28 of it
    noise = 1.5 * (0.28 * levels.noise_rel / by) ** 2
    at_first = max(float(((middle - mean)[edge] ** 2).mean()) - noise, 1e-12)
    at_last = max(float(((middle - moved)[edge] ** 2).mean()) - noise, 0.0)
    explained = 1 - at_last / at_first
    return float(by * shift[0]), float(by * shift[1]), explained


def _joined(plane: Floats, by: int) -> Floats:
    """Return the mean of squares of so many voxels a side; what is left over at the far sides is dropped."""
    if by == 1:
        return plane
    rows, columns = (n // by for n in plane.shape)
    cells = plane[: rows * by, : columns * by].reshape(rows, by, columns, by)
    return np.asarray(cells.mean(axis=(1, 3), dtype=np.float32))
