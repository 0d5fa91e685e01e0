"""The covariance of grey-value fits against the scatter of repeated renders."""

from functools import cache

import numpy as np
import pytest
from scipy import ndimage
from scipy.special import ndtr

from ctrecon.core.fit_result import ShapeFit
from ctrecon.core.frames import Floats
from ctrecon.fitting.models import RoundModel
from ctrecon.fitting.solve import Samples, fit_grey
from ctrecon.fitting.uncertainty import sandwich
from ctrecon.grey.lasting import SharedError
from ctrecon.grey.noise import Correlation

RADIUS, BLUR, NOISE, TRIALS = 14.2, 0.85, 0.05, 90
ACTIVE = np.array([True, True, True, False, False, False])


def gaussian(sigma_px: float) -> Correlation:
    """Correlation of white noise smoothed by a Gaussian: exp(-r²/4σ²) (closed form)."""
    lags = np.array([(0, r, c) for r in range(-5, 6) for c in range(-5, 6) if (r, c) > (0, 0)])
    return Correlation(lags, np.exp(-(lags**2).sum(axis=1) / (4 * sigma_px**2)), NOISE)


@cache
def errors(sigma_px: float, known: bool, cupping: float = 0.0) -> tuple[Floats, Floats]:
    """Errors and stated u of the diameter of a disc in one slice, over many renders."""
    rng = np.random.default_rng(int(100 * sigma_px) + 7)
    y, x = np.mgrid[:52, :52].astype(float)
    error, u = [], []
    for _ in range(TRIALS):
        cx, cy = 26 + rng.uniform(-0.5, 0.5, 2)
        rho = np.hypot(x - cx, y - cy)
        grey = ndtr((RADIUS - BLUR**2 / (2 * RADIUS) - rho) / BLUR) * (
            1 - cupping * np.clip(1 - (rho / RADIUS) ** 2, 0, 1)
        )
        noise = rng.normal(size=grey.shape)
        noise = ndimage.gaussian_filter(noise, sigma_px, mode="wrap") if sigma_px else noise
        grey = grey + NOISE * noise / noise.std()
        near = np.abs(rho - RADIUS) < 9
        place = np.column_stack([np.zeros(near.sum()), *np.nonzero(near)]).astype(np.int64)
        samples = Samples(
            x[near], y[near], np.zeros(near.sum()), grey[near], np.zeros(near.sum(), dtype=np.int64), place
        )
        fit = fit_grey(
            RoundModel(False), np.array([26.0, 26.0, RADIUS, 0, 0, 0]), samples, noise=NOISE, active=ACTIVE,
            correlation=gaussian(sigma_px) if known and sigma_px else None, slope_sd=0.1, cupping_px=RADIUS,
        )  # fmt: skip
        assert isinstance(fit, ShapeFit)
        error.append(2 * (fit.value("radius") - RADIUS))
        u.append(2 * fit.u("radius"))
    return np.array(error), np.array(u)


@pytest.mark.parametrize("sigma_px", [0.0, 0.7, 1.2])
def test_stated_u_is_the_scatter(sigma_px: float) -> None:
    """With white and with correlated noise u agrees with the scatter of 90 fits to a quarter."""
    error, u = errors(sigma_px, True)
    assert float(np.median(u)) / float(error.std()) == pytest.approx(1.0, abs=0.25)
    assert abs(error.mean()) < 3.5 * error.std() / np.sqrt(TRIALS)


def test_correlation_matters() -> None:
    """Were the voxels taken as independent, u would be less than 0.7 of the scatter: the test above can fail."""
    error, u = errors(1.2, False)
    assert float(np.median(u)) < 0.7 * float(error.std())


def test_cupping_does_not_pull_the_edge() -> None:
    """Metal that rises by 30 % of the contrast from the middle to the rim moves the diameter by less than 0.02 px."""
    error, _ = errors(0.0, True, 0.3)
    assert abs(error.mean()) < 0.02


def test_budget_sums_to_the_variance() -> None:
    """The variances by origin sum to the covariance's diagonal, and none is negative."""
    rng = np.random.default_rng(1)
    y, x = np.mgrid[:40, :40].astype(float)
    rho = np.hypot(x - 20, y - 20)
    near = np.abs(rho - 12) < 8
    grey = ndtr((12 - rho[near]) / BLUR) + rng.normal(0, NOISE, near.sum())
    place = np.column_stack([np.zeros(near.sum()), *np.nonzero(near)]).astype(np.int64)
    fit = fit_grey(
        RoundModel(False), np.array([20.0, 20.0, 12.0, 0, 0, 0]),
        Samples(x[near], y[near], np.zeros(near.sum()), grey, np.arange(near.sum()), place),
        noise=NOISE, active=ACTIVE, correlation=gaussian(0.8), slope_sd=0.1,
    )  # fmt: skip
    assert isinstance(fit, ShapeFit)
    assert all((part >= 0).all() for part in fit.budget.values())
    assert sum(fit.budget.values()) == pytest.approx(np.diag(fit.covariance), rel=1e-9)
    assert fit.budget["correlation"][2] > 0


@cache
def stacked(known: bool) -> tuple[Floats, Floats]:
    """Errors and stated u of the radius in ten slices that share a field alike over 1.5 px, sd 0.03 of the contrast."""
    rng = np.random.default_rng(11)
    y, x = np.mgrid[:44, :44].astype(float)
    lag = np.arange(9.0)
    field = SharedError(0.03**2 * np.exp(-(lag**2) / (4 * 1.5**2))) if known else None
    error, u = [], []
    for _ in range(40):
        cx, cy = 22 + rng.uniform(-0.5, 0.5, 2)
        rho = np.hypot(x - cx, y - cy)
        grey = ndtr((RADIUS - BLUR**2 / (2 * RADIUS) - rho) / BLUR)
        shared = ndimage.gaussian_filter(rng.normal(size=grey.shape), 1.5, mode="wrap")
        stack = grey + 0.03 * shared / shared.std() + NOISE * rng.normal(size=(10, *grey.shape))
        near = np.abs(rho - RADIUS) < 7
        place = np.column_stack([np.repeat(np.arange(10), near.sum()), *(np.tile(v, 10) for v in np.nonzero(near))])
        samples = Samples(
            np.tile(x[near], 10), np.tile(y[near], 10), np.repeat(np.arange(10.0), near.sum()), stack[:, near].ravel(),
            np.zeros(len(place), dtype=np.int64), place,
        )  # fmt: skip
        fit = fit_grey(
            RoundModel(False), np.array([22.0, 22.0, RADIUS, 0, 0, 0]), samples, noise=NOISE, active=ACTIVE,
            slope_sd=0.1, cupping_px=RADIUS, lasting=field,
        )  # fmt: skip
        assert isinstance(fit, ShapeFit)
        error.append(fit.value("radius") - RADIUS)
        u.append(fit.u("radius"))
    return np.array(error), np.array(u)


def test_what_all_slices_share_is_in_u() -> None:
    """Errors that are the same in all slices do not average out: u is the scatter to a third, and half of it without."""
    error, u = stacked(True)
    assert float(np.median(u)) / float(error.std()) == pytest.approx(1.0, abs=0.33)
    error, u = stacked(False)
    assert float(np.median(u)) < 0.6 * float(error.std())


def test_noise_that_the_fit_takes_up_is_not_lost() -> None:
    """Where few voxels are independent the residuals are too small; u keeps to the noise measured beside the edge."""
    rng = np.random.default_rng(4)
    y, x = np.mgrid[:26, :26].astype(float)
    rho = np.hypot(x - 12.6, y - 12.8)
    near = np.abs(rho - 6) < 4.5
    place = np.column_stack([np.zeros(near.sum()), *np.nonzero(near)]).astype(np.int64)
    error, u = [], []
    for _ in range(60):
        noise = ndimage.gaussian_filter(rng.normal(size=(60, 60)), 1.2, mode="wrap")
        grey = ndtr((6 - BLUR**2 / 12 - rho) / BLUR) + NOISE * (noise / noise.std())[:26, :26]
        fit = fit_grey(
            RoundModel(False), np.array([12.6, 12.8, 6.0, 0, 0, 0]),
            Samples(x[near], y[near], np.zeros(near.sum()), grey[near], np.zeros(near.sum(), dtype=np.int64), place),
            noise=NOISE, active=ACTIVE, correlation=gaussian(1.2), slope_sd=0.1, cupping_px=6.0,
        )  # fmt: skip
        if isinstance(fit, ShapeFit):
            error.append(fit.value("radius") - 6)
            u.append(fit.u("radius"))
    assert len(u) > 50
    assert float(np.median(u)) > 0.85 * float(np.std(error))


def test_what_is_eaten_errs_by_whole_sectors() -> None:
    """Errors shared by sectors of 20 degrees through all depth: stated in full only where the edge is called damaged."""
    rng = np.random.default_rng(12)
    ratio = []
    for _ in range(40):
        angle = rng.uniform(0, 2 * np.pi, 3000)
        sector = (angle / (2 * np.pi) * 36).astype(np.int64)
        cluster = sector * 1000 + rng.integers(0, 12, len(angle))
        shared = rng.normal(0, 0.5, 18)
        raw = rng.normal(0, 1, len(angle)) + shared[sector // 2]
        jac = np.column_stack([np.cos(angle), np.sin(angle), np.ones(len(angle))])
        ties = np.zeros((0, 3))
        us = [
            np.sqrt(np.diag(found[0]))[:2]
            for damaged in (False, True)
            if (found := sandwich(jac, raw, ties, shape=3, cluster=cluster, damaged=damaged)) is not None
        ]
        error = np.linalg.lstsq(jac, raw, rcond=None)[0][:2]
        ratio.append([np.abs(error) / u for u in us])
    within = (np.array(ratio) < 2).mean(axis=(0, 2))
    assert within[0] < 0.8
    assert within[1] > 0.85
