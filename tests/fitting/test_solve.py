"""The one engine that fits shapes to grey values."""

import numpy as np
import pytest
from scipy.special import ndtr

from ctrecon.core.fit_result import FitFailed, ShapeFit
from ctrecon.core.frames import Floats
from ctrecon.fitting.descend import Ties, descend
from ctrecon.fitting.models import FaceModel, RectangleModel, RoundModel
from ctrecon.fitting.solve import Samples, fit_grey

BLUR = 0.9


def ring(
    p: list[float], noise: float, rng: np.random.Generator, *, depth: int = 8, bite: float = 0.0, cluster: int = 1
) -> Samples:
    """Voxels round a leaning, tapering pin, rendered with the exact curvature of a blurred circle left to second order."""
    x0, y0, radius, slope_x, slope_y, growth = p
    at = np.arange(-np.ceil(radius) - 6, np.ceil(radius) + 7)
    z, y, x = (a.ravel() for a in np.meshgrid(np.arange(depth) - (depth - 1) / 2, at, at, indexing="ij"))
    size = radius + growth * z
    off = np.hypot(x - x0 - slope_x * z, y - y0 - slope_y * z)
    grey = ndtr((size - BLUR**2 / (2 * size) - off) / BLUR)
    if bite:
        grey = np.where(np.abs(np.arctan2(y, x)) < bite, 0.0, grey)
    near = np.abs(off - size) < 4.5
    count = int(near.sum())
    grey = grey[near] + noise * rng.standard_normal(count)
    return Samples(x[near], y[near], z[near], grey, np.arange(count) // cluster)


TRUE = [0.31, -0.22, 11.4, 0.02, -0.03, 0.04]
START = np.array([0.0, 0.0, 11.0, 0.0, 0.0, 0.0])


def fitted(samples: Samples, noise: float, start: Floats = START) -> ShapeFit:
    fit = fit_grey(RoundModel(False), start, samples, noise=noise)
    assert isinstance(fit, ShapeFit)
    return fit


def test_a_clean_pin_comes_back_exactly() -> None:
    """Without noise every parameter, the blur and the levels come back."""
    fit = fitted(ring(TRUE, 0.0, np.random.default_rng(0)), 1e-3)
    assert fit.values == pytest.approx([*TRUE, BLUR, 0.0, 1.0], abs=1e-4)
    assert fit.names == ("x", "y", "radius", "slope_x", "slope_y", "growth", "blur", "air", "contrast")


def test_stated_uncertainty_is_the_scatter() -> None:
    """Over 40 noisy pins the scatter of every parameter is its stated u, the mean has no bias, the rms is the noise."""
    true = [0.31, -0.22, 6.6, 0.02, -0.03, 0.04]
    start = np.array([0.0, 0.0, 6.3, 0.0, 0.0, 0.0])
    fits = [fitted(ring(true, 0.06, np.random.default_rng(s), depth=3), 0.06, start) for s in range(40)]
    error = np.array([f.values[:6] for f in fits]) - true
    u = np.array([[f.u(n) for n in f.names[:6]] for f in fits])
    assert error.std(axis=0) / u.mean(axis=0) == pytest.approx(np.ones(6), abs=0.4)
    assert np.abs(error.mean(axis=0) / u.mean(axis=0)) == pytest.approx(np.zeros(6), abs=0.5)
    assert np.mean([f.rms for f in fits]) == pytest.approx(1.0, abs=0.05)


def test_a_bite_out_of_the_rim_is_left_out() -> None:
    """A tenth of the rim eaten away moves the radius by less than 0.02 px and lowers the share of data used."""
    rng = np.random.default_rng(1)
    whole, eaten = fitted(ring(TRUE, 0.04, rng), 0.04), fitted(ring(TRUE, 0.04, rng, bite=0.3), 0.04)
    assert eaten.value("radius") == pytest.approx(TRUE[2], abs=0.02)
    assert (eaten.value("x"), eaten.value("y")) == pytest.approx(TRUE[:2], abs=0.03)
    assert eaten.share < whole.share - 0.02


def test_shared_errors_widen_the_uncertainty() -> None:
    """When voxels of one cluster share an error, u grows; the same voxels taken as independent hide it."""
    rng = np.random.default_rng(2)
    clean = ring(TRUE, 0.0, rng)
    sector = ((np.arctan2(clean.y, clean.x) + np.pi) / (2 * np.pi) * 60).astype(np.int64)
    # a rim that wanders in and out by a tenth of a pixel from sector to sector
    steep = np.exp(-0.5 * ((np.hypot(clean.x - TRUE[0], clean.y - TRUE[1]) - TRUE[2]) / BLUR) ** 2) / (2.507 * BLUR)
    grey = clean.grey + 0.1 * rng.standard_normal(61)[sector] * steep + 0.01 * rng.standard_normal(len(clean))
    honest = fitted(Samples(clean.x, clean.y, clean.z, grey, sector), 0.05)
    naive = fitted(Samples(clean.x, clean.y, clean.z, grey, np.arange(len(clean))), 0.05)
    assert honest.u("radius") > 2 * naive.u("radius")
    assert abs(honest.value("radius") - TRUE[2]) < 4 * honest.u("radius")


def test_parameters_may_be_held() -> None:
    """A parameter that is not active stays at its start and has no uncertainty."""
    samples = ring([0.31, -0.22, 11.4, 0.0, 0.0, 0.0], 0.03, np.random.default_rng(3))
    active = np.array([True, True, True, False, False, False])
    fit = fit_grey(RoundModel(False), START, samples, noise=0.03, active=active)
    assert isinstance(fit, ShapeFit)
    assert [fit.value(n) for n in ("slope_x", "slope_y", "growth")] == [0.0, 0.0, 0.0]
    assert [fit.u(n) for n in ("slope_x", "slope_y", "growth")] == [0.0, 0.0, 0.0]
    assert fit.value("radius") == pytest.approx(11.4, abs=0.01)


def test_a_prior_holds_what_the_data_cannot_tell() -> None:
    """The slope of a face seen along one line only stays within its prior, and u says so."""
    z = np.tile(np.arange(-6.0, 7.0), 40)
    x = np.repeat(np.linspace(-0.2, 0.2, 40), 13)
    grey = ndtr((z - 0.3) / BLUR) + 0.05 * np.random.default_rng(4).standard_normal(len(z))
    samples = Samples(x, np.zeros(len(z)), z, grey, np.arange(len(z)))
    prior = np.array([np.inf, 0.02, 0.02])
    fit = fit_grey(FaceModel(True), np.zeros(3), samples, noise=0.05, prior_sd=prior)
    assert isinstance(fit, ShapeFit)
    assert fit.value("place") == pytest.approx(0.3, abs=0.05)
    assert abs(fit.value("slope_x")) < 0.04
    assert fit.u("slope_y") == pytest.approx(0.02, rel=0.1)


def test_voxels_that_are_no_squares() -> None:
    """A blur twice as wide along x as along y is taken up by the ratio, and widths of both flats come out right."""
    at = np.arange(-16.0, 17.0)
    y, x = (a.ravel() for a in np.meshgrid(at, at, indexing="ij"))
    grey = ndtr((9.2 - np.abs(x)) / 1.6) * ndtr((7.4 - np.abs(y)) / 0.8)
    on_x = 9.2 - np.abs(x) < 7.4 - np.abs(y)
    keep = (np.abs(np.where(on_x, 9.2 - np.abs(x), 7.4 - np.abs(y))) < 4.5) & ~((np.abs(x) > 4.5) & (np.abs(y) > 2.5))
    keep &= np.where(on_x, np.abs(y) < 2.5, np.abs(x) < 4.5)
    samples = Samples(x, y, np.zeros(len(x)), grey, np.arange(len(x))).thin(keep)
    active = np.array([True, True, True, True, False, False, False, False])
    start = np.array([0.1, 0.1, 18.0, 15.0, 0.0, 0.0, 0.0, 0.0])
    ratio = np.where(on_x, 2.0, 1.0)[keep]
    fit = fit_grey(RectangleModel(False), start, samples, noise=0.02, active=active, blur_ratio=ratio)
    assert isinstance(fit, ShapeFit)
    assert (fit.value("a"), fit.value("b")) == pytest.approx((18.4, 14.8), abs=0.02)
    assert fit.value("blur") == pytest.approx(0.8, abs=0.02)


@pytest.mark.parametrize(
    ("grey", "count", "reason"),
    [(None, 12, "too few voxels"), (np.zeros, 900, "no step"), (np.ones, 900, "no step")],
)
def test_failures_say_why(grey: object, count: int, reason: str) -> None:
    """Too few voxels, or voxels without an edge, are refused with their reason; the answer is false."""
    samples = ring(TRUE, 0.02, np.random.default_rng(5))
    keep = np.arange(len(samples)) < count
    flat = samples.grey if grey is None else np.full(len(samples), 0.0 if grey is np.zeros else 1.0)
    fit = fit_grey(
        RoundModel(False), START, Samples(samples.x, samples.y, samples.z, flat, samples.cluster).thin(keep), noise=0.02
    )
    assert isinstance(fit, FitFailed)
    assert not fit
    assert reason in fit.reason


def test_grey_that_sinks_through_depth_is_no_taper() -> None:
    """Metal 4 % darker from one end to the other feigns a taper beyond four u; where it may slope, there is none."""
    true = [0.31, -0.22, 11.4, 0.0, 0.0, 0.0]
    samples = ring(true, 0.005, np.random.default_rng(2), depth=20)
    off = np.hypot(samples.x - true[0], samples.y - true[1])
    metal = ndtr((true[2] - BLUR**2 / (2 * true[2]) - off) / BLUR)
    sunk = Samples(samples.x, samples.y, samples.z, samples.grey - 0.002 * samples.z * metal, samples.cluster)
    level, sloped = (
        fit_grey(RoundModel(False), START, sunk, noise=0.005, through_depth=through) for through in (False, True)
    )
    assert isinstance(level, ShapeFit)
    assert isinstance(sloped, ShapeFit)
    assert abs(level.value("growth")) > 4 * level.u("growth")
    assert abs(sloped.value("growth")) < 2.5 * sloped.u("growth")


def test_an_unknown_that_would_leave_its_bounds_stands_still() -> None:
    """A fit of y = a + b x with b held within bounds gives numpy's a for that b, and no bound holds what lies within."""
    rng = np.random.default_rng(2)
    x = rng.uniform(-1, 3, 200)
    y = 0.4 + 1.3 * x + rng.normal(0, 0.1, 200)
    table = np.column_stack([np.ones(200), x])
    none = Ties(np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0))

    def model(q: Floats) -> tuple[Floats, Floats]:
        return table @ q - y, table

    for most, free in ((1.0, False), (2.0, True)):
        q, _ = descend(model, np.zeros(2), 10.0, none, tolerance=1e-9, most=60, settled=0.0, within=(1, -1.0, most))
        wanted = np.linalg.lstsq(table, y, rcond=None)[0] if free else np.array([np.mean(y - x), 1.0])
        assert q == pytest.approx(wanted, abs=1e-3)
