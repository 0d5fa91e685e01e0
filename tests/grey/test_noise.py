"""Correlation of the noise and shading of even grey, against noise of known making."""

import numpy as np
import pytest
from scipy import ndimage
from scipy.special import ndtr

from ctrecon.core.frames import Floats
from ctrecon.grey.noise import Correlation, measure_correlation
from ctrecon.grey.shading import measure_shading

PAIRS: list[tuple[int, int | None]] = [(0, 1), (2, 3), (4, 5)]


def slices(sigma_px: float, *, through: float = 0.0, cupping: float = 0.0, seed: int = 3) -> Floats:
    """Six slices of a disc, noise 0.05 smoothed by a Gaussian in the slice and through depth, and made 0.05 again."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:112, :112].astype(float)
    rho = np.hypot(x - 55.3, y - 56.1)
    noise = ndimage.gaussian_filter(rng.normal(size=(22, 112, 112)), (through, sigma_px, sigma_px), mode="wrap")
    disc = ndtr((40 - rho) / 0.85) * (1 - cupping * np.clip(1 - (rho / 40) ** 2, 0, 1))
    return np.asarray(disc + 0.05 * noise[8:14] / noise.std())


@pytest.mark.parametrize("sigma_px", [0.7, 1.2])
def test_smoothed_noise(sigma_px: float) -> None:
    """White noise smoothed by a Gaussian has the correlation exp(-r²/4σ²), whose sum is 4πσ² (closed form)."""
    volume = slices(sigma_px)
    found = measure_correlation(lambda k: volume[k], PAIRS)
    assert found.sum == pytest.approx(4 * np.pi * sigma_px**2, rel=0.2)
    beside = found.rho[(found.lags == [0, 0, 1]).all(axis=1)]
    assert beside[0] == pytest.approx(np.exp(-1 / (4 * sigma_px**2)), abs=0.06)
    assert not (found.lags[:, 0] == 1).any()


def test_smoothed_noise_reaches_deeper_than_one_slice() -> None:
    """Noise smoothed alike in all three directions: the sum over all lags is (4πσ²)^1.5 (closed form)."""
    volume = slices(1.2, through=1.2)
    found = measure_correlation(lambda k: volume[k], PAIRS)
    assert found.sum == pytest.approx((4 * np.pi * 1.2**2) ** 1.5, rel=0.25)
    assert found.depth_more > 1.5


@pytest.mark.parametrize("flanks", [1, 2])
def test_weighted_sums_under_shared_noise(flanks: int) -> None:
    """The scatter of a sum along one edge, and of the difference of two edges 3 px apart, is as drawn noise has it."""
    rng, sigma, deep = np.random.default_rng(4), 0.9, 8
    row, column = (v.ravel().astype(float) for v in np.mgrid[:36, :36])
    weights = np.exp(-0.5 * (column - 15.2) ** 2)[:, None]
    if flanks == 2:
        weights = weights - np.exp(-0.5 * (column - 18.2) ** 2)[:, None]
    weights = weights * ((row > 4) & (row < 31))[:, None]
    lags = np.array(list(np.ndindex(2, 11, 11))) - [0, 5, 5]
    lags = lags[(lags[:, 0] > 0) | (lags[:, 1] > 0) | ((lags[:, 1] == 0) & (lags[:, 2] > 0))]
    deeper = tuple(np.exp(-(np.arange(1.0, 6) ** 2 - 1) / (4 * sigma**2)))
    shared = Correlation(lags, np.exp(-(lags**2).sum(axis=1) / (4 * sigma**2)), 0.05, deeper)
    got: dict[float, list[float]] = {0.0: [], sigma: []}
    for own, some in got.items():
        for _ in range(250):
            noise = ndimage.gaussian_filter(rng.standard_normal((deep, 36, 36)), own, mode="wrap")
            # the filter keeps this share of the sd of each voxel: closed form of the sum of its squared weights
            noise /= 1.0 if not own else (4 * np.pi * own**2) ** -0.75
            some.append(float(noise.mean(axis=0).ravel() @ weights[:, 0]))
    drawn = np.var(got[sigma]) / np.var(got[0.0])
    assert shared.of_weighted(row, column, weights)[0] == pytest.approx(drawn, rel=0.3)
    assert drawn < 0.8 * shared.sum


def test_blocks_that_share_noise() -> None:
    """Six blocks of four slices: the variance of their mean, and what they scatter, from the covariance matrix itself."""
    rho = (1.0, 0.6, 0.25)
    far = np.abs(np.subtract.outer(np.arange(24), np.arange(24)))
    cov = np.where(far == 0, 1.0, np.select([far == k + 1 for k in range(3)], [0.5 * r for r in rho], 0.0))
    blocks = np.kron(np.eye(6), np.full(4, 0.25))
    each = blocks @ cov @ blocks.T
    scatter = (np.trace(each) - each.sum() / 6) / 5 / 6
    shared = Correlation(np.array([[1, 0, 0]]), np.array([0.5]), 0.05, rho)
    assert shared.of_blocks(24, 6) == pytest.approx(each.mean() / scatter)
    assert Correlation(np.empty((0, 3), dtype=np.int64), np.empty(0)).of_blocks(24, 6) == pytest.approx(1.0)


def test_white_noise_has_none() -> None:
    """Independent voxels are called independent, for 12 seeds, and their noise comes out."""
    for seed in range(12):
        volume = slices(0.0, seed=100 + seed)
        found = measure_correlation(lambda k, volume=volume: volume[k], PAIRS)
        assert found.sum == 1.0
        assert found.sd == pytest.approx(0.05, rel=0.05)


def test_slices_that_share_noise() -> None:
    """Smoothing through depth shows as correlation of neighbouring slices: exp(-1/4σ²) at one slice (closed form)."""
    volume = slices(0.7, through=0.7)
    found = measure_correlation(lambda k: volume[k], PAIRS)
    above = found.rho[(found.lags == [1, 0, 0]).all(axis=1)]
    assert above[0] == pytest.approx(np.exp(-1 / (4 * 0.49)), abs=0.08)


def test_a_face_half_in_a_slice_is_no_noise() -> None:
    """A slice in which half of the metal is half air does not make white noise look correlated."""
    volume = slices(0.0)
    volume[2, :, 40:] *= 0.72
    assert measure_correlation(lambda k: volume[k], PAIRS).sum == 1.0


def test_shading_is_told_from_noise() -> None:
    """Cupping of 30 % over 40 px has a rms slope of about 0.3 x 2/40 x 0.7 a px; clean metal next to none."""
    clean, cupped = slices(0.0), slices(0.0, cupping=0.3)
    flat = measure_shading(lambda k: clean[k], PAIRS)
    steep = measure_shading(lambda k: cupped[k], PAIRS)
    assert flat is not None
    assert steep is not None
    assert flat < 0.0012
    assert 0.003 < steep < 0.01


def test_too_little_even_grey_says_nothing() -> None:
    """A thin ring leaves no even blocks: shading unknown."""
    y, x = np.mgrid[:30, :30].astype(float)
    ring = (np.abs(np.hypot(x - 15, y - 15) - 10) < 2.5).astype(float)
    assert measure_shading(lambda k: ring, [(0, None)]) is None


@pytest.mark.parametrize("cupping", [0.2, 0.4])
def test_cupping_is_no_correlation(cupping: float) -> None:
    """Independent voxels stay independent under steep cupping: along the rim no local mean must lag behind it."""
    volume = slices(0.0, cupping=cupping)
    found = measure_correlation(lambda k: volume[k], PAIRS)
    assert found.sum == 1.0
    assert found.sd == pytest.approx(0.05, rel=0.05)
