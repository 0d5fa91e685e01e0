"""Errors of the grey that last through depth: streaks and what is left of rings; slices far apart show them."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from ctrecon.core.frames import Floats
from ctrecon.grey.noise import Correlation, even_masks

__all__ = ["RingError", "SharedError", "measure_around", "measure_lasting"]

_CLEAR = 4  # px kept off every edge
_WIDE = 10.0  # px, sigma of the local mean that is taken off first
_REACH = 40  # px, lags beyond this are not looked at
_APART = 5  # slices, at least, or shared noise would pass for something lasting
_FEWEST, _MOST = 3, 8
_MOST_FITTED = 20_000  # voxels; more cost time only
_SURE = 4.0  # standard errors from which what slices share is believed
_STRAY = 6.0  # usual deviations; stronger lines belong to the part
_FORMS = 5  # of each ring: even, and once and twice round
_TRIES_PX = (-8.0, -4.0, 0.0, 4.0, 8.0)
_MOST_VOXELS = 40_000  # more cost time only
_LEAST_RING = 12.0
_LOUDEST, _STANDS_OUT = 9.0, 15.0
_KEPT = 0.97  # of the variance of rings, when the local mean is taken off and the loudest are held down
_NEXT = (0.6, 0.25)  # how far rings one and two px apart agree
_MORE_ROUND = 1.6  # what goes round more often than twice, and a variance that few rings show is known badly


@dataclass(frozen=True, eq=False)
class SharedError:
    """Covariance of the lasting errors (share of the contrast, squared) of two places 0, 1, 2, ... voxels apart."""

    covariance: Floats

    def variance(self, voxel: NDArray[np.int64], influence: Floats) -> Floats:
        """Return the variance of sums over voxels (slice, row, column), each with its influence (N, quantities)."""
        at = voxel[:, 1:] - voxel[:, 1:].min(axis=0)
        rows, columns = (int(n) + 1 for n in at.max(axis=0))
        place = at[:, 0] * columns + at[:, 1]
        reach = len(self.covariance)
        size = tuple(fft.next_fast_len(n + 2 * reach, real=True) for n in (rows, columns))
        down, across = (np.minimum(np.arange(n), n - np.arange(n)) for n in size)
        known = np.arange(reach + 1.0)
        kernel = np.interp(np.hypot(down[:, None], across), known, np.append(self.covariance, 0.0), right=0.0)
        spectrum = np.maximum(np.real(fft.rfft2(kernel)), 0.0)
        out = []
        for column in influence.T:
            plane = np.bincount(place, column, rows * columns).reshape(rows, columns)
            out.append(float(fft.irfft2(np.abs(fft.rfft2(plane, size)) ** 2 * spectrum, size)[0, 0]))
        return np.maximum(out, 0.0)


@dataclass(frozen=True, eq=False)
class RingError:
    """Errors that run round a place (column, row), as faint rings do: variance (share of the contrast, squared).

    `power` is that of a ring's mean, and of what goes once and twice round it.
    """

    x_px: float
    y_px: float
    squash: float
    power: Floats

    def variance(self, voxel: NDArray[np.int64], influence: Floats) -> Floats:
        """Return the variance of sums over voxels (slice, row, column), each with its influence (N, quantities)."""
        ring, forms = _round(voxel[:, 2] - self.x_px, (voxel[:, 1] - self.y_px) * self.squash)
        count = int(ring.max()) + 1
        out = []
        for column in influence.T:
            total = 0.0
            for form, power in zip(forms, self.power, strict=True):
                whole = np.bincount(ring, column * form, count)
                like = [share * float((whole[k:] * whole[:-k]).sum()) for k, share in enumerate(_NEXT, 1)]
                total += power * (float((whole**2).sum()) + 2 * sum(like))
            out.append(total)
        return np.maximum(out, 0.0)


def measure_around(
    planes: Callable[[int], Floats],
    slices: Sequence[int],
    about: Sequence[tuple[float, float]],
    *,
    squash: float,
    correlation: Correlation,
) -> RingError | None:
    """Measure how much more whole rings of even grey scatter than noise does; None where no more.

    Parameters
    ----------
    planes : callable
        Returns slice `k` with air 0, metal 1 and NaN where there is no data.
    slices : sequence of int
        A few slices; the middle one and its neighbours are taken together.
    about : sequence of (column, row)
        Where the scanner's axis may be, within some px.
    squash : float
        Row spacing over column spacing.
    correlation : Correlation
        Of the noise of neighbouring voxels.

    Returns
    -------
    RingError or None

    Notes
    -----
    Rings too faint to be seen one by one (or to be taken out) show together. The mean of each ring one px
    wide, and what goes once or twice round it, are set against what the noise of its voxels explains. Of the
    places tried the loudest is taken, less what the loudest of as many would show by chance.
    """
    some = slices[max(0, len(slices) // 2 - 2) : len(slices) // 2 + 3]
    fine, masks = zip(*(_fine(planes(k)) for k in some), strict=True)
    many = np.sum(masks, axis=0)
    row, column = np.nonzero(many)
    step = max(1, len(row) // _MOST_VOXELS)
    row, column = row[::step], column[::step]
    if len(row) < 400:
        return None
    weight = many[row, column].astype(float)
    grey = np.sum(fine, axis=0)[row, column] / weight
    one = float(np.mean(grey**2 * weight))
    along = (correlation.lags[:, 0] == 0) & (correlation.lags[:, 1] == 0)
    crowd = 1 + 2 * float(correlation.rho[along].sum()) if step == 1 else 1.0
    noise = one * crowd
    best: RingError | None = None
    loudest = -np.inf
    tries = [(x + a, y + b) for x, y in about for a in _TRIES_PX for b in _TRIES_PX]
    chance = float(np.sqrt(2 * np.log(len(tries))))
    for step_px in (0.0, 2.0, 1.0):
        if best is not None:
            tries = [(best.x_px + a * step_px, best.y_px + b * step_px) for a in (-1, 0, 1) for b in (-1, 0, 1)]
        for x, y in tries:
            score, power = _loudness(column - x, (row - y) * squash, grey, weight, noise)
            if score > loudest:
                loudest, best = score, RingError(x, y, squash, power)
        if best is None or loudest < chance:
            return None
    assert best is not None
    return replace(best, power=best.power * _MORE_ROUND * (1 - (chance / loudest) ** 2))


def _loudness(x: Floats, y: Floats, grey: Floats, weight: Floats, noise: float) -> tuple[float, Floats]:
    """Return by how many standard deviations rings about (0, 0) stand out of the noise, and the variance they have."""
    ring, forms = _round(x, y)
    use = np.bincount(ring, weight) > _LEAST_RING
    shown = int(use.sum())
    if shown < 8:
        return -np.inf, np.zeros(_FORMS)
    each = np.array([np.bincount(ring, weight * form**2)[use] for form in forms])
    chi2 = np.array([np.bincount(ring, weight * form * grey)[use] for form in forms]) ** 2
    chi2 /= np.maximum(each, 1e-9) * noise
    # a seam is one loud ring among many
    chi2 = np.minimum(chi2, np.maximum(_LOUDEST, _STANDS_OUT * np.median(chi2, axis=1, keepdims=True)))
    excess = chi2.sum(axis=1) / _KEPT - shown
    power = np.maximum(noise * excess / each.sum(axis=1), 0.0)
    power[1:3], power[3:5] = power[1:3].mean(), power[3:5].mean()
    return float(excess.sum()) / np.sqrt(2 * _FORMS * shown), power


def _round(x: Floats, y: Floats) -> tuple[NDArray[np.int64], list[Floats]]:
    """Return the number of the ring of each place, and its even, once and twice round forms."""
    angle = np.arctan2(y, x)
    forms = [np.ones(len(angle)), *(f(k * angle) for k in (1, 2) for f in (np.cos, np.sin))]
    return np.floor(np.hypot(x, y)).astype(np.int64), forms


def measure_lasting(planes: Callable[[int], Floats], slices: Sequence[int]) -> SharedError | None:
    """Measure what slices far apart have in common in even metal and air; None where nothing stands out.

    Parameters
    ----------
    planes : callable
        Returns slice `k` with air 0, metal 1 and NaN where there is no data.
    slices : sequence of int
        Slices to choose from, rising: up to eight of them, at least five apart.

    Returns
    -------
    SharedError or None

    Notes
    -----
    Products of the grey (less its local mean) of one slice at one place and of another slice at another place,
    averaged by the distance of the places: noise drops out. Lines that stand far out of the mean of all slices,
    such as seams, belong to the part and are left out.
    """
    chosen: list[int] = []
    apart = max(_APART, (slices[-1] - slices[0]) / _MOST) if len(slices) else _APART
    for k in slices:
        if not chosen or k - chosen[-1] >= apart:
            chosen.append(k)
    if len(chosen) < _FEWEST:
        return None
    fine, masks = [], []
    for k in chosen:  # kept until all are seen
        values, mask = _fine(planes(k))
        fine.append(values.astype(np.float32))
        masks.append(mask)
    many = np.sum(masks, axis=0)
    mean = np.sum(fine, axis=0) / np.maximum(many, 1)
    seen = many >= len(chosen) / 2
    if seen.sum() < 200:
        return None
    usual = 1.4826 * float(np.median(np.abs(mean[seen])))
    stray = ndimage.binary_dilation(np.abs(mean) > _STRAY * usual, iterations=1) & seen
    rows, columns = mean.shape
    shape = fft.next_fast_len(rows + _REACH, real=True), fft.next_fast_len(columns + _REACH, real=True)
    keep = [mask & ~stray for mask in masks]
    variance = float(np.mean([np.mean(v[m] ** 2, dtype=float) for v, m in zip(fine, keep, strict=True) if m.any()]))
    sums, alike = _products((np.where(mask, v, 0.0).astype(float) for v, mask in zip(fine, keep, strict=True)), shape)
    counts, same = _products((mask.astype(float) for mask in keep), shape)
    down, across = (np.minimum(np.arange(n), n - np.arange(n)) for n in shape)
    far = np.hypot(down[:, None], across[None, :])
    bins = np.round(far).astype(np.int64).ravel()
    near = bins <= _REACH
    total = np.bincount(bins[near], sums.ravel()[near], _REACH + 1)
    pairs = np.maximum(np.bincount(bins[near], counts.ravel()[near], _REACH + 1), 1.0)
    # noise that neighbours share makes products less sure; its own correlation shows within single slices
    alike, same = alike.ravel(), np.maximum(same.ravel(), 1.0)
    own = (alike / same / variance)[(bins <= 6) & (same > 100)]
    crowd = max(float((own**2).sum()), 1.0)
    covariance = total / pairs
    error = variance * np.sqrt(crowd / pairs)
    if pairs[0] < 400 or covariance[0] < _SURE * error[0] or covariance[1] < _SURE * error[1]:
        return None
    lost = np.flatnonzero(covariance < 2 * error)
    return SharedError(covariance[: int(lost[0])] if len(lost) else covariance)


def _fine(plane: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Return the grey of even metal and air less its local mean, and where it is."""
    grey = np.where(np.isfinite(plane), plane, 0.0)
    out, where = np.zeros(grey.shape), np.zeros(grey.shape, dtype=bool)
    for mask in even_masks(plane, _CLEAR):
        if mask.sum() < 50:
            continue
        grey = np.where(mask, grey - _shaded(grey, mask), grey)
        weight = ndimage.gaussian_filter(mask.astype(float), _WIDE)
        mean = ndimage.gaussian_filter(np.where(mask, grey, 0.0), _WIDE) / np.maximum(weight, 1e-9)
        left = grey - mean
        sd = 1.4826 * float(np.median(np.abs(left[mask])))
        mask = mask & (np.abs(left) <= 5 * max(sd, 1e-9))
        out[mask], where = left[mask], where | mask
    return out, where


def _shaded(grey: Floats, mask: NDArray[np.bool_]) -> Floats:
    """Return how the grey shades over a material at large: cupping is the fits' own business."""
    rows, columns = grey.shape
    at = np.flatnonzero(mask)
    at = at[:: max(1, len(at) // _MOST_FITTED)]
    y, x = (2 * np.arange(n) / max(n - 1, 1) - 1 for n in (rows, columns))
    by_row, by_column = (np.polynomial.legendre.legvander(v, 4) for v in (y, x))
    terms = [(i, j) for i in range(5) for j in range(5 - i)]
    table = np.column_stack([by_row[at // columns, i] * by_column[at % columns, j] for i, j in terms])
    middle = np.linalg.lstsq(table, grey.ravel()[at], rcond=None)[0]
    weight = np.zeros((5, 5))
    weight[tuple(np.array(terms).T)] = middle
    return np.asarray(by_row @ weight @ by_column.T)


def _products(planes: Iterable[Floats], shape: tuple[int, int]) -> tuple[Floats, Floats]:
    """Return the products of all pairs of different slices by their lag, and those of each slice with itself."""
    whole, own = np.zeros(1, np.complex128), np.zeros(1)
    for plane in planes:  # one spectrum at a time: of large slices eight of them fill a memory
        spectrum = fft.rfft2(plane, shape)
        own = own + np.abs(spectrum) ** 2
        whole = whole + spectrum
    between = fft.irfft2(np.abs(whole) ** 2 - own, shape)
    return np.asarray(between), np.asarray(fft.irfft2(own, shape))
