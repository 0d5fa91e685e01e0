"""How far the noise of neighbouring voxels agrees, measured where the grey should be even."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage
from scipy.optimize import least_squares

from ctrecon.core.frames import Floats

__all__ = ["Correlation", "even_masks", "measure_correlation", "smoothed_wide"]

_REACH = 6  # px, lags beyond this are not looked at
_CLEAR = 4  # px kept off every edge
_DEGREE, _MOST_LEVELLED = 4, 8000
_WIDE = 10.0  # px, sigma of the local mean that is taken off first
_LEAST_RHO = 0.03  # smaller correlations are chance
_LEAST_PAIRS = 400  # of voxels; fewer show no correlation
_USUAL = 1.3


@dataclass(frozen=True, eq=False)
class Correlation:
    """Correlation of the noise of two voxels by their distance in (slices, rows, columns).

    `lags` (L, 3) holds one of each pair of opposite lags, `rho` (L,) its correlation;
    both are empty where the voxels are independent. `sd` is the noise of one voxel in
    units of the contrast, None where no even grey was found. `lags` go one slice deep;
    `deeper` is the correlation of the next slice and of those farther on, over that of the next one.
    """

    lags: NDArray[np.int64]
    rho: Floats
    sd: float | None = None
    deeper: tuple[float, ...] = (1.0,)

    @property
    def depth_more(self) -> float:
        """Correlation of all deeper slices together, over that of the next one."""
        return sum(self.deeper)

    @property
    def by_depth(self) -> Floats:
        """Sum of the correlation with all voxels of the same slice, of the next, of the next but one and so on."""
        below = self.lags[:, 0] > 0
        own, beside = (float(self.rho[which].sum()) for which in (~below, below))
        return np.array([1.0 + 2.0 * own, *(beside * one for one in self.deeper)])

    @property
    def sum(self) -> float:
        """Sum of the correlation over all lags: by how much a mean's variance grows."""
        own, *others = self.by_depth
        return float(own + 2.0 * sum(others))

    def of_blocks(self, slices: int, blocks: int) -> float:
        """Return how much larger the variance of a mean of many slices is than the scatter of its blocks tells.

        Blocks beside each other share noise: they scatter less than what errs in all of them.
        """
        rho = self.by_depth[1:] / self.by_depth[0]

        def variance(n: int) -> float:
            far = np.arange(1, min(n - 1, len(rho)) + 1)
            return float(n + 2 * ((n - far) * rho[: len(far)]).sum()) / n**2

        block, whole = variance(slices // blocks), variance(slices)
        return max((blocks - 1) * whole / max(block - whole, 1e-9), 1.0)

    def of_weighted(self, row: Floats, column: Floats, weights: Floats) -> Floats:
        """Return by how much the variance of weighted sums of grey grows (P,), at least 1.

        Parameters
        ----------
        row, column : (N,) arrays
            Where each number stands, voxels; it is a mean of many slices.
        weights : (N, P) array
            What each counts in each sum. Weights of either sign side by side, as at both flanks of a gap, share noise
            that cancels; those of one edge share that of few voxels only.
        """
        at = [np.round(v - v.min()).astype(np.int64) + _REACH for v in (row, column)]
        shape = tuple(int(v.max()) + _REACH + 1 for v in at)
        place = at[0] * shape[1] + at[1]
        image = np.stack([np.bincount(place, one, shape[0] * shape[1]).reshape(shape) for one in weights.T])
        inner = image[:, _REACH:-_REACH, _REACH:-_REACH]
        own = np.maximum((inner**2).sum(axis=(1, 2)), 1e-300)
        shared = np.ones(len(image))
        for (slices, down, right), rho in zip(self.lags.tolist(), self.rho, strict=True):
            if not slices:
                beside = image[:, _REACH + down :, _REACH + right :][:, : inner.shape[1], : inner.shape[2]]
                shared += 2 * rho * (inner * beside).sum(axis=(1, 2)) / own
        return np.asarray(np.maximum(shared * self.sum / self.by_depth[0], 1.0))


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
    seen = [_look(planes(a), None if b is None else planes(b)) for a, b in pairs]
    for k in range(2):  # metal, air
        usual = [one[k].uneven for one in seen if one[k].variance > 0]
        # grey that scatters more than in other slices has form in it: a face half in the slice, a stain
        most = _USUAL * float(np.percentile(usual, 25)) if usual else 0.0
        for one in seen:
            look = one[k]
            if look.variance <= 0 or look.uneven > most:
                continue
            flat += look.flat[0]
            flat_n += look.flat[1]
            peak.append((look.density, look.count))
            variances.append((look.variance, look.count))
            if look.across is not None and look.uneven_beside <= most:
                across += look.across[0]
                across_n += look.across[1]
    if flat_n[_REACH, _REACH] < _LEAST_PAIRS:
        return Correlation(np.empty((0, 3), dtype=np.int64), np.empty(0))
    rho = flat / np.maximum(flat_n, 1)
    rho /= rho[_REACH, _REACH]
    density = float(np.average([p for p, _ in peak], weights=[n for _, n in peak]))
    model, _ = _modelled(rho, flat_n)
    taken = min(1.5 * density * float(model.sum()), 0.2)  # what the local mean took off
    model, power = _modelled((rho + taken) / (1 + taken), flat_n)
    kept = [(int(i) - _REACH, int(j) - _REACH, float(model[i, j])) for i, j in np.argwhere(model > _LEAST_RHO / 2)]
    lags = [(0, row, column) for row, column, _ in kept if (row, column) > (0, 0)]
    values = [r for row, column, r in kept if (row, column) > (0, 0)]
    deeper: tuple[float, ...] = (1.0,)
    if across_n[_REACH, _REACH] >= _LEAST_PAIRS:
        through = float(across[_REACH, _REACH] / across_n[_REACH, _REACH])
        scatter = float(np.sqrt((model**2).sum() / across_n[_REACH, _REACH]))
        if through > max(_LEAST_RHO, 3.5 * scatter):
            lags += [(1, row, column) for row, column, _ in kept]
            values += [through * r for _, _, r in kept]
            # farther slices follow the form seen within a slice; where nothing is seen there, they share nothing
            if power is not None and through < 1:
                onward = np.log(through) * np.arange(1.0, _REACH + 1) ** power
                deeper = tuple(np.exp(onward - onward[0]).tolist())
    variance = float(np.average([v for v, _ in variances], weights=[n for _, n in variances]))
    return Correlation(
        np.array(lags, dtype=np.int64).reshape(-1, 3), np.array(values), float(np.sqrt(variance)), deeper
    )


def _modelled(rho: Floats, count: Floats) -> tuple[Floats, float | None]:
    """Smooth correlations to exp(-(ellipse of the lag)^p), and give p; zero but at the middle where none shows."""
    row, column = np.indices(rho.shape) - float(_REACH)
    middle = (row == 0) & (column == 0)
    beside = (np.abs(row) + np.abs(column)) == 1
    scatter = 1 / np.sqrt(np.maximum(count, 1))
    if not (rho[beside] > np.maximum(_LEAST_RHO, 3.5 * scatter[beside])).any():
        return np.asarray(middle, dtype=float), None
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
    return np.asarray(model(fit.x)), float(fit.x[2])


@dataclass(frozen=True, eq=False)
class _Patch:
    """Even grey of one material in one slice: noise in units of its own sd, where, its variance, weight of a mean.

    `uneven` is the variance before a smooth surface was taken off: form in the grey shows there.
    """

    noise: Floats
    mask: NDArray[np.bool_]
    variance: float = 0.0
    density: float = 0.0
    uneven: float = 0.0


@dataclass(frozen=True, eq=False)
class _Look:
    """Sums over the lags, and voxel pairs, of one material in one slice and of the slice with the next."""

    variance: float
    density: float
    count: float
    flat: tuple[Floats, Floats]
    uneven: float = 0.0
    uneven_beside: float = 0.0
    across: tuple[Floats, Floats] | None = None


def _look(plane: Floats, beside: Floats | None) -> tuple[_Look, _Look]:
    """Return what metal and air of a slice show; the planes themselves are not kept."""
    second: tuple[_Patch | None, _Patch | None] = (None, None) if beside is None else _even_grey(beside)
    metal, air = (_sums(*both) for both in zip(_even_grey(plane), second, strict=True))
    return metal, air


def _sums(patch: _Patch, beside: _Patch | None) -> _Look:
    none = np.zeros((2 * _REACH + 1, 2 * _REACH + 1))
    if patch.variance <= 0:
        return _Look(0.0, 0.0, 0.0, (none, none))
    own = _spectra(patch)
    flat = _covariance(own, own, patch.mask.shape)
    look = _Look(patch.variance, patch.density, float(patch.mask.sum()), flat, patch.uneven)
    if beside is None or beside.variance <= 0:
        return look
    across = _covariance(own, _spectra(beside), patch.mask.shape)
    return replace(look, uneven_beside=beside.uneven, across=across)


def _even_grey(plane: Floats) -> tuple[_Patch, _Patch]:
    """Return metal and air, clear of edges and less their local mean."""
    grey = np.where(np.isfinite(plane), plane, 0.0)
    metal, air = even_masks(plane, _CLEAR)
    return _patch(grey, metal), _patch(grey, air)


def even_masks(plane: Floats, clear_px: int) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return where a plane is plain metal and where plain air, `clear_px` off every edge."""
    known = np.isfinite(plane)
    smooth = ndimage.gaussian_filter(np.where(known, plane, 0.0), 1.0)
    # between the two are edges, and faces that blur leaves half way
    metal, air = (
        ndimage.binary_erosion(side & known, iterations=clear_px, border_value=0)
        for side in (smooth > 0.65, smooth < 0.35)
    )
    return metal, air


def _patch(grey: Floats, mask: NDArray[np.bool_]) -> _Patch:
    if mask.sum() < 50:
        return _Patch(np.zeros_like(grey), np.zeros_like(mask))
    weight = smoothed_wide(mask.astype(float), _WIDE)

    def less_local_mean(grey: Floats) -> tuple[Floats, float]:
        mean = smoothed_wide(np.where(mask, grey, 0.0), _WIDE) / np.maximum(weight, 1e-9)
        left = np.where(mask, grey - mean, 0.0)
        return left, 1.4826 * float(np.median(np.abs(left[mask])))

    uneven = less_local_mean(grey)[1] ** 2
    left, sd = less_local_mean(_levelled(grey, mask))
    if sd <= 0:
        return _Patch(np.zeros_like(grey), np.zeros_like(mask))
    mask &= np.abs(left) <= 5 * sd
    density = float(np.mean(1 / np.maximum(weight[mask], 1e-3))) / (2 * np.pi * _WIDE**2)
    return _Patch(np.where(mask, left / sd, 0.0), mask, sd**2, density, uneven)


def _levelled(grey: Floats, mask: NDArray[np.bool_]) -> Floats:
    """Take off a polynomial of fourth degree: a local mean lags behind steep cupping along the rim of the metal."""
    row, column = np.nonzero(mask)
    terms = [(i, j) for i in range(_DEGREE + 1) for j in range(_DEGREE + 1 - i)]
    middle, half = np.array([row.mean(), column.mean()]), np.array([max(np.ptp(v) / 2, 1.0) for v in (row, column)])

    def table(at: slice) -> Floats:
        y, x = (row[at] - middle[0]) / half[0], (column[at] - middle[1]) / half[1]
        return np.column_stack([x**i * y**j for i, j in terms])

    thin = slice(None, None, max(1, len(row) // _MOST_LEVELLED))
    solved = np.linalg.lstsq(table(thin), grey[row[thin], column[thin]], rcond=None)[0]
    factors = np.zeros((_DEGREE + 1, _DEGREE + 1))
    for (i, j), share in zip(terms, solved, strict=True):
        factors[j, i] = share
    down, right = (
        np.vander((np.arange(n) - middle[axis]) / half[axis], _DEGREE + 1, increasing=True)
        for axis, n in enumerate(grey.shape)
    )
    return np.where(mask, grey - down @ factors @ right.T, grey)


def smoothed_wide(values: Floats, sigma_px: float) -> Floats:
    """Smooth by a wide Gaussian: on blocks of voxels, then straight lines between their middles.

    Blocks of four voxels and a sigma of ten differ from the Gaussian itself by 1 % of the smoothed noise.
    """
    block = max(int(sigma_px / 2.5), 1)
    if block == 1:
        return np.asarray(ndimage.gaussian_filter(values, sigma_px))
    rows, columns = values.shape
    padded = np.pad(values, ((0, -rows % block), (0, -columns % block)), mode="symmetric")
    small = padded.reshape(padded.shape[0] // block, block, padded.shape[1] // block, block).mean(axis=(1, 3))
    # blocks and straight lines widen a Gaussian by themselves
    own = (block**2 - 1) / 12 + block**2 / 6
    small = ndimage.gaussian_filter(small, np.sqrt(max(sigma_px**2 - own, 0.0)) / block)
    return _between_blocks(_between_blocks(small, rows, block).T, columns, block).T


def _between_blocks(small: Floats, count: int, block: int) -> Floats:
    """Return straight lines between the middles of blocks of rows."""
    at = np.clip((np.arange(count) + 0.5) / block - 0.5, 0, len(small) - 1)
    low = np.minimum(at.astype(np.int64), max(len(small) - 2, 0))
    share = (at - low)[:, None]
    high = np.minimum(low + 1, len(small) - 1)
    return np.asarray(small[low] * (1 - share) + small[high] * share)


def _spectra(patch: _Patch) -> tuple[NDArray[np.complexfloating], NDArray[np.complexfloating]]:
    """Return the Fourier transforms of noise and mask, padded by the reach."""
    shape = tuple(fft.next_fast_len(n + _REACH, real=True) for n in patch.mask.shape)
    return fft.rfft2(patch.noise.astype(np.float32), shape), fft.rfft2(patch.mask.astype(np.float32), shape)


def _covariance(
    a: tuple[NDArray[np.complexfloating], NDArray[np.complexfloating]],
    b: tuple[NDArray[np.complexfloating], NDArray[np.complexfloating]],
    shape: tuple[int, ...],
) -> tuple[Floats, Floats]:
    """Return sums of products a(p) b(p + lag) and the number of pairs, for lags up to the reach."""
    padded = tuple(fft.next_fast_len(n + _REACH, real=True) for n in shape)

    def at_lags(spectrum: NDArray[np.complexfloating]) -> Floats:
        full = fft.irfft2(spectrum, padded)
        near = np.arange(-_REACH, _REACH + 1)
        return np.asarray(full[np.ix_(near, near)], dtype=float)

    sums, counts = (at_lags(np.conj(one) * two) for one, two in zip(a, b, strict=True))
    return sums, np.round(counts)
