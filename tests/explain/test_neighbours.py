"""What lies about a pixel, against the filters of scipy, up to the border and on slices smaller than the window."""

import numpy as np
import pytest
from scipy import ndimage

from ctrecon.explain.neighbours import largest_about, slope, spread


@pytest.mark.parametrize("shape", [(41, 67), (3, 9), (1, 1)])
@pytest.mark.parametrize("reach", [1, 2, 3, 4, 15])
def test_windows_are_those_of_scipy(shape: tuple[int, int], reach: int) -> None:
    """`scipy.ndimage.maximum_filter` and `minimum_filter`, to the last figure."""
    values = np.random.default_rng(5).normal(size=shape).astype(np.float32)
    mask = values > 1.3
    assert np.array_equal(largest_about(values, reach), ndimage.maximum_filter(values, 2 * reach + 1))
    assert np.array_equal(spread(mask, reach), ndimage.maximum_filter(mask, 2 * reach + 1))
    assert np.array_equal(~spread(~mask, reach), ndimage.minimum_filter(mask, 2 * reach + 1))


def test_slope_is_sobels() -> None:
    """`scipy.ndimage.sobel` in both directions, the border mirrored; single precision apart."""
    values = np.random.default_rng(6).normal(size=(23, 31)).astype(np.float32)
    wanted = np.hypot(ndimage.sobel(values, 0), ndimage.sobel(values, 1)) / 8
    assert slope(values) == pytest.approx(wanted, abs=1e-6)
    assert slope(values).dtype == np.float32
