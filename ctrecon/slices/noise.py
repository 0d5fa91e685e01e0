"""How far the noise of neighbouring voxels agrees, measured where the grey should be even."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage
from scipy.optimize import least_squares

from ctrecon.core.frames import Floats

__all__ = ["Correlation", "even_masks", "measure_correlation"]

_REACH = 6  # px, lags beyond this are not looked at
_CLEAR = 4  # px kept off every edge
_WIDE = 10.0  # px, sigma of the local mean that is taken off first
_LEAST_RHO = 0.03
_LEAST_PAIRS = 400
_USUAL = 1.3


@dataclass(frozen=True, eq=False)
class Correlation:
    """Correlation of the noise of two voxels by their distance in (slices, rows, columns).

    `lags` (L, 3) holds one of each pair of opposite lags, `rho` (L,) its correlation;
    both are empty where the voxels are independent. `sd` is the noise of one voxel in
    units of the contrast, None where no even grey was found.
    """

    lags: NDArray[np.int64]
    rho: Floats
    sd: float | None = None

    @property
    def sum(self) -> float:
        """Sum of the correlation over all lags: by how much a mean's variance grows."""
        return 1.0 + 2.0 * float(self.rho.sum())


def measure_correlation(planes: Callable[[int], Floats], pairs: Sequence[tuple[int, int | None]]) -> Correlation:
    """Measure the correlation of the noise in metal and in air, clear of every edge.

    Parameters
    ----------
    planes : callable
        Returns slice `k` with air 0, metal 1 and NaN where there is no data.
    pairs : sequence of (slice, next slice or None)
        Slices to look at.

    Returns
    -------
    Correlation

    Notes
    -----
    Autocovariance of the grey less its local mean, by Fourier transform over the mask of
    even grey, each lag divided by the number of its voxel pairs; what the local mean
    takes off is put back. A stretched exponential with its own reach along rows and
    columns smooths the result, because few voxels would make single lags erratic.
    """
    size = 2 * _REACH + 1
    flat, across = np.zeros((size, size)), np.zeros((size, size))
    flat_n, across_n = np.zeros((size, size)), np.zeros((size, size))
    peak: list[tuple[float, float]] = []
    variances: list[tuple[float, float]] = []
    seen = [(_even_grey(planes(a)), None if b is None else _even_grey(planes(b))) for a, b in pairs]
    for k in range(2):  # metal, air
        usual = [one[k].variance for one, _ in seen if one[k].variance > 0]
        # grey that scatters more than in other slices has form in it: a face half in the slice, a stain
        most = _USUAL * float(np.percentile(usual, 25)) if usual else 0.0
        for one, two in seen:
            patch = one[k]
            if not 0 < patch.variance <= most:
                continue
            count = float(patch.mask.sum())
            add, n = _covariance(patch.noise, patch.mask, patch.noise, patch.mask)
            flat += add
            flat_n += n
            peak.append((patch.density, count))
            variances.append((patch.variance, count))
            if two is not None and 0 < two[k].variance <= most:
                add, n = _covariance(patch.noise, patch.mask, two[k].noise, two[k].mask)
                across += add
                across_n += n
    if flat_n[_REACH, _REACH] < _LEAST_PAIRS:
        return Correlation(np.empty((0, 3), dtype=np.int64), np.empty(0))
    rho = flat / np.maximum(flat_n, 1)
    rho /= rho[_REACH, _REACH]
    density = float(np.average([p for p, _ in peak], weights=[n for _, n in peak]))
    model = _modelled(rho, flat_n)
    taken = min(1.5 * density * float(model.sum()), 0.2)  # what the local mean took off
    model = _modelled((rho + taken) / (1 + taken), flat_n)
    kept = [(int(i) - _REACH, int(j) - _REACH, float(model[i, j])) for i, j in np.argwhere(model > _LEAST_RHO / 2)]
    lags = [(0, row, column) for row, column, _ in kept if (row, column) > (0, 0)]
    values = [r for row, column, r in kept if (row, column) > (0, 0)]
    if across_n[_REACH, _REACH] >= _LEAST_PAIRS:
        through = float(across[_REACH, _REACH] / across_n[_REACH, _REACH])
        scatter = float(np.sqrt((model**2).sum() / across_n[_REACH, _REACH]))
        if through > max(_LEAST_RHO, 3.5 * scatter):
            lags += [(1, row, column) for row, column, _ in kept]
            values += [through * r for _, _, r in kept]
    variance = float(np.average([v for v, _ in variances], weights=[n for _, n in variances]))
    return Correlation(np.array(lags, dtype=np.int64).reshape(-1, 3), np.array(values), float(np.sqrt(variance)))


def _modelled(rho: Floats, count: Floats) -> Floats:
    """Smooth measured correlations to exp(-(ellipse of the lag)^p); zero but at the middle where none is noticed."""
    row, column = np.indices(rho.shape) - float(_REACH)
    middle = (row == 0) & (column == 0)
    beside = (np.abs(row) + np.abs(column)) == 1
    scatter = 1 / np.sqrt(np.maximum(count, 1))
    if not (rho[beside] > np.maximum(_LEAST_RHO, 3.5 * scatter[beside])).any():
        return np.asarray(middle, dtype=float)
    used = ~middle & (count > 0)

    def model(q: Floats) -> Floats:
        ellipse = np.hypot(row / np.exp(q[0]), column / np.exp(q[1]))
        return np.asarray(np.exp(-(ellipse ** q[2])))

    def misfit(q: Floats) -> Floats:
        return np.asarray(((model(q) - rho) * np.sqrt(count))[used])

    fit = least_squares(
        misfit,
        np.array([0.3, 0.3, 1.5]),
        bounds=([-3.0, -3.0, 0.7], [2.0, 2.0, 2.5]),
    )
    return np.asarray(model(fit.x))


@dataclass(frozen=True, eq=False)
class _Patch:
    """Even grey of one material in one slice: noise in units of its own sd, where, its variance, weight of a mean."""

    noise: Floats
    mask: NDArray[np.bool_]
    variance: float = 0.0
    density: float = 0.0


def _even_grey(plane: Floats) -> tuple[_Patch, _Patch]:
    """Return metal and air, clear of edges and less their local mean."""
    grey = np.where(np.isfinite(plane), plane, 0.0)
    metal, air = even_masks(plane, _CLEAR)
    return _patch(grey, metal), _patch(grey, air)


def even_masks(plane: Floats, clear_px: int) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return where a plane is plain metal and where plain air, `clear_px` off every edge."""
    known = np.isfinite(plane)
    smooth = ndimage.gaussian_filter(np.where(known, plane, 0.0), 1.0)
    # between the two lie edges, and faces that blur leaves half way
    metal, air = (
        ndimage.binary_erosion(side & known, iterations=clear_px, border_value=0)
        for side in (smooth > 0.65, smooth < 0.35)
    )
    return metal, air


def _patch(grey: Floats, mask: NDArray[np.bool_]) -> _Patch:
    if mask.sum() < 50:
        return _Patch(np.zeros_like(grey), np.zeros_like(mask))
    weight = ndimage.gaussian_filter(mask.astype(float), _WIDE)
    mean = ndimage.gaussian_filter(np.where(mask, grey, 0.0), _WIDE) / np.maximum(weight, 1e-9)
    left = np.where(mask, grey - mean, 0.0)
    sd = 1.4826 * float(np.median(np.abs(left[mask])))
    if sd <= 0:
        return _Patch(np.zeros_like(grey), np.zeros_like(mask))
    mask &= np.abs(left) <= 5 * sd
    density = float(np.mean(1 / np.maximum(weight[mask], 1e-3))) / (2 * np.pi * _WIDE**2)
    return _Patch(np.where(mask, left / sd, 0.0), mask, sd**2, density)


def _covariance(a: Floats, mask_a: NDArray[np.bool_], b: Floats, mask_b: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Return sums of products a(p) b(p + lag) and the number of pairs, for lags up to the reach."""
    shape = tuple(fft.next_fast_len(n + _REACH, real=True) for n in a.shape)

    def transform(values: Floats) -> NDArray[np.complex128]:
        return np.asarray(fft.rfft2(values, shape))

    def at_lags(spectrum: NDArray[np.complex128]) -> Floats:
        full = np.roll(fft.irfft2(spectrum, shape), (_REACH, _REACH), axis=(0, 1))
        return np.asarray(full[: 2 * _REACH + 1, : 2 * _REACH + 1])

    sums = at_lags(np.conj(transform(a)) * transform(b))
    counts = at_lags(np.conj(transform(mask_a.astype(float))) * transform(mask_b.astype(float)))
    return sums, np.round(counts)
