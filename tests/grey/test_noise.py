"""Correlation of the noise and shading of even grey, against noise of known making."""

import numpy as np
import pytest
from scipy import ndimage
from scipy.special import ndtr

from ctrecon.core.frames import Floats
from ctrecon.grey.noise import measure_correlation
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
