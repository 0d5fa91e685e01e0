"""A third material between air and sound metal: corrosion product that clings to the part."""

from collections.abc import Callable, Sequence

import numpy as np
from scipy import ndimage
from skimage import filters

from ctrecon.core.frames import Floats

__all__ = ["find_product_levels"]

_MULTI_OTSU: Callable[..., Floats] = filters.threshold_multiotsu
_FLAT = 0.05  # contrasts per px; steeper grey is an edge
_APART = 0.2  # of the contrast: nearer levels are shading
_LEAST_SHARE = 0.02  # of the voxels; a smaller class is chance
_LEAST_VOXELS = 150  # of a class; fewer show no level
_CLINGS_PX = 8  # px from metal within which a product clings to it
_MOST = 400_000  # voxels; more cost time only
_BANDS_OF, _BAND, _HALO = 8, 32, 5  # times the values wanted; rows; rows that smoothing reaches over


def find_product_levels(planes: Sequence[Floats], noise: float) -> tuple[float, float, float] | None:
    """Return the levels of air, product and metal, or None where the grey holds two populations only.

    Parameters
    ----------
    planes : sequence of (rows, columns) arrays
        Slices with air 0, metal about 1 and NaN where there is no data.
    noise : float
        Noise of one voxel in units of the contrast.

    Notes
    -----
    Three classes by Otsu's criterion (N. Otsu, IEEE Trans. SMC 9 (1979) 62-66) on grey
    clear of edges. The middle one counts where a valley parts it from both others and most
    of it is within 8 px of metal, in a third of the slices: a holder touches the part in
    places only, shading leaves no valley, a face half in a slice shows in few.
    """
    # of large planes some bands of rows are enough, others in each slice
    skip = max(1, len(planes) * planes[0].size // (_BANDS_OF * _MOST))
    parts = []
    for number, plane in enumerate(planes):
        for top in range(_BAND * (number % skip), len(plane), _BAND * skip) if skip > 1 else (0,):
            above = max(top - _HALO, 0)
            smoothed, flat = _even(plane[above : top + _BAND + _HALO] if skip > 1 else plane, noise)
            own = slice(top - above, top - above + _BAND) if skip > 1 else slice(None)
            parts.append(smoothed[own][flat[own]])
    values = np.concatenate(parts)
    values = values[:: max(1, len(values) // _MOST)]
    values = values[(values > -0.5) & (values < 2.5)]
    if len(values) < 1000 or np.ptp(values) == 0:
        return None
    # the three need not be as common as each other: thin the most common one
    air = values < 0.15
    rest = int((~air).sum())
    if rest < _LEAST_VOXELS:
        return None
    values = np.concatenate([values[air][:: max(1, int(air.sum()) // rest)], values[~air]])
    try:
        first, second = _MULTI_OTSU(values, classes=3, nbins=128)
    except ValueError:  # fewer than three different greys
        return None
    groups = [values[values <= first], values[(values > first) & (values <= second)], values[values > second]]
    if min(len(g) for g in groups) < max(_LEAST_VOXELS * len(values) / _MOST, _LEAST_SHARE * len(values), 20):
        return None
    low, middle, high = (float(np.median(g)) for g in groups)
    if min(middle - low, high - middle) < _APART * (high - low):
        return None
    width = 0.12 * (high - low)
    peaks = [int((np.abs(values - m) < width / 2).sum()) for m in (low, middle, high)]
    for (a, b), (left, right) in zip(((low, middle), (middle, high)), (peaks[:2], peaks[1:]), strict=True):
        between = (values > a + width / 2) & (values < b - width / 2)
        bins, _ = np.histogram(values[between], bins=max(3, int((b - a) / width)))
        if bins.min() > 0.35 * min(left, right):
            return None
    looks = [_even(p, noise) for p in planes]
    smooth, even = [s for s, _ in looks], [f for _, f in looks]
    if not _in_many_slices(smooth, even, (first, second), middle) or not _clings(smooth, even, (first, second)):
        return None
    return low, middle, high


def _even(plane: Floats, noise: float) -> tuple[Floats, np.ndarray]:
    """Return the plane lightly smoothed, and where it is even."""
    known = np.isfinite(plane)
    filled = np.where(known, plane, np.float32(0))
    steep = ndimage.gaussian_gradient_magnitude(filled, 1.0)
    return ndimage.gaussian_filter(filled, 1.0), (steep < max(_FLAT, 0.6 * noise)) & known


def _in_many_slices(
    smoothed: Sequence[Floats], flat: Sequence[np.ndarray], cuts: tuple[float, float], level: float
) -> bool:
    """Return whether the middle class is in a third of the slices with metal: a face half in a slice does not."""
    with_metal = with_product = 0
    for grey, even in zip(smoothed, flat, strict=True):
        if (even & (grey > cuts[1])).sum() < 30:
            continue
        with_metal += 1
        middle = grey[even & (grey > cuts[0]) & (grey <= cuts[1])]
        with_product += bool(len(middle) > 20 and abs(float(np.median(middle)) - level) < _APART / 2)
    return with_product >= max(1, with_metal / 3) and (with_metal < 4 or with_product >= 3)


def _clings(smoothed: Sequence[Floats], flat: Sequence[np.ndarray], cuts: tuple[float, float]) -> bool:
    """Return whether most of the middle class is beside metal."""
    near, all_of_it = 0, 0
    for grey, even in zip(smoothed, flat, strict=True):
        middle = (grey > cuts[0]) & (grey <= cuts[1]) & even
        metal = ndimage.binary_opening(grey > cuts[1])
        if not middle.any():
            continue
        all_of_it += int(middle.sum())
        if metal.any():
            near += int((ndimage.distance_transform_edt(~metal)[middle] <= _CLINGS_PX).sum())
    return all_of_it > 0 and near > 0.6 * all_of_it
