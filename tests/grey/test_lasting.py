"""Errors that last through depth or run round the scanner's axis: found, measured, and never seen in noise."""

import numpy as np
import pytest
from scipy import ndimage

from ctrecon.grey.lasting import RingError, SharedError, measure_around, measure_lasting
from ctrecon.grey.noise import Correlation

SIDE, SLICES, NOISE = 96, 24, 0.05
WHITE = Correlation(np.empty((0, 3), dtype=np.int64), np.empty(0), NOISE)


def scan(seed: int, *, blur: float = 0.0, extra: np.ndarray | float = 0.0, slices: int = SLICES) -> np.ndarray:
    """Return a disc of radius 36 px with noise, and the same `extra` in all slices."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:SIDE, :SIDE] - (SIDE - 1) / 2
    body = ndimage.gaussian_filter((np.hypot(x, y) < 36).astype(float), 0.8)
    noise = rng.standard_normal((slices, SIDE, SIDE))
    noise = ndimage.gaussian_filter(noise, blur if slices > 1 else (0, blur, blur), mode="wrap") if blur else noise
    return np.asarray(body + extra + NOISE * noise / noise.std())


def streaks(seed: int, sd: float, width: float) -> np.ndarray:
    """Return a field of this standard deviation, alike over `width` px: its covariance is sd² exp(-r² / 4 width²)."""
    field = ndimage.gaussian_filter(np.random.default_rng(seed).standard_normal((SIDE, SIDE)), width, mode="wrap")
    return np.asarray(sd * field / field.std())


def rings(seed: int, sd: float, off: float) -> np.ndarray:
    """Return rings about a place `off` px beside the middle."""
    y, x = np.mgrid[:SIDE, :SIDE] - (SIDE - 1) / 2
    profile = ndimage.gaussian_filter1d(np.random.default_rng(seed).standard_normal(120), 0.7)
    return np.asarray(np.interp(np.hypot(x - off, y), np.arange(120), sd * profile / profile.std()))


@pytest.mark.parametrize(("sd", "width"), [(0.02, 1.5), (0.01, 2.5)])
def test_what_all_slices_share_is_measured(sd: float, width: float) -> None:
    """The covariance of one place and of places 2 px apart comes out to 40 %, by the closed form of the field."""
    grey = scan(3, extra=streaks(4, sd, width))
    found = measure_lasting(lambda k: grey[k], range(SLICES))
    assert isinstance(found, SharedError)
    expected = sd**2 * np.exp(-np.array([0.0, 4.0]) / (4 * width**2))
    assert found.covariance[[0, 2]] == pytest.approx(expected, rel=0.4)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("blur", [0.0, 1.2])
def test_noise_does_not_last(seed: int, blur: float) -> None:
    """Neither white noise nor noise alike over 1.2 voxels in all directions, depth too, passes for lasting."""
    grey = scan(seed, blur=blur)
    assert measure_lasting(lambda k: grey[k], range(SLICES)) is None


def test_cupping_is_left_to_the_fits() -> None:
    """Metal that rises by 30 % of the contrast from the middle to the rim is shading, not an error that lasts."""
    y, x = np.mgrid[:SIDE, :SIDE] - (SIDE - 1) / 2
    grey = scan(1)
    cup = 1 - 0.3 * np.clip(1 - (x**2 + y**2) / 36**2, 0, 1)
    grey = grey * np.where(np.hypot(x, y) < 38, cup, 1.0)
    assert measure_lasting(lambda k: grey[k], range(SLICES)) is None


def test_variance_of_sums() -> None:
    """Two voxels one behind the other count four times one's variance; two apart add twice their covariance."""
    field = SharedError(np.array([1.0, 0.6, 0.2]))
    behind = np.array([[3, 5, 5], [9, 5, 5]])
    beside = np.array([[3, 5, 5], [9, 5, 7]])
    ones = np.ones((2, 1))
    assert field.variance(behind, ones) == pytest.approx([4.0])
    assert field.variance(beside, ones) == pytest.approx([2.4])
    assert field.variance(beside, np.array([[1.0], [-1.0]])) == pytest.approx([1.6])


def test_faint_rings_show_together() -> None:
    """In one slice rings of 1.5 % of the contrast, a third of the noise, are seen and measured to a factor of two."""
    for seed in range(4):
        grey = scan(seed, extra=rings(seed + 20, 0.015, 2.0), slices=1)
        found = measure_around(lambda k, g=grey: g[k], [0], [(47.5, 47.5)], squash=1.0, correlation=WHITE)
        assert isinstance(found, RingError)
        assert np.hypot(found.x_px - 49.5, found.y_px - 47.5) < 6
        whole = float(found.power[0] + found.power[1] + found.power[3])
        assert 1.1e-4 < whole < 4.5e-4


@pytest.mark.parametrize("seed", range(6))
def test_noise_is_no_ring(seed: int) -> None:
    """In one slice of white noise next to nothing is laid to rings."""
    grey = scan(seed, slices=1)
    found = measure_around(lambda k: grey[k], [0], [(47.5, 47.5)], squash=1.0, correlation=WHITE)
    assert found is None or found.power.sum() < 0.3e-4
