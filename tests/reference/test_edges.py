"""Edges in blurred pixels, against closed forms.

The closed forms of this file are textbook integrals worked out for these tests; where a
paper states the effect it is named at the test.
"""

import numpy as np
import pytest
from scipy import ndimage
from scipy.special import erf, ndtr
from scipy.stats import ncx2

from ctrecon.core.circle_points import fit_circle_points
from ctrecon.core.fit_result import ShapeFit
from ctrecon.core.frames import Floats
from ctrecon.fitting.models import FaceModel, RoundModel
from ctrecon.fitting.solve import Samples, fit_grey
from ctrecon.outlines.trace import trace
from ctrecon.shapes import Circle


def disc_image(size: int, x: float, y: float, radius: float) -> Floats:
    """Share of each pixel covered by a disc: exact along rows, 64 chords a pixel across them."""
    across = (np.arange(size * 64) + 0.5) / 64 - 0.5
    half = np.sqrt(np.maximum(radius**2 - (across - y) ** 2, 0.0))[:, None]
    edge = np.arange(size)[None, :] - 0.5
    covered = np.clip(np.minimum(x + half, edge + 1) - np.maximum(x - half, edge), 0.0, 1.0)
    return np.asarray(covered.reshape(size, 64, size).mean(axis=1))


def blurred(image: Floats, sigma: float) -> Floats:
    return np.asarray(ndimage.gaussian_filter(image, sigma, truncate=8.0)) if sigma else image


def contour_radius(plane: Floats) -> float:
    (outline,) = trace(plane, smooth_px=0.0)
    fit = fit_circle_points(outline.points[:-1])
    assert isinstance(fit, ShapeFit)
    return fit.value("radius")


def half_height_radius(radius: float, sigma: float) -> float:
    """Radius at which a blurred disc has half its grey: the distance law is a noncentral chi-square."""
    low, high = radius - 2 * sigma, radius + sigma
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if ncx2.cdf((radius / sigma) ** 2, 2, (middle / sigma) ** 2) > 0.5 else (low, middle)
    return (low + high) / 2


@pytest.mark.parametrize(
    ("radius", "count"),
    [(1, 5), (2, 13), (3, 29), (4, 49), (5, 81), (6, 113), (7, 149), (8, 197), (9, 253), (10, 317), (20, 1257), (50, 7845)],
)  # fmt: skip
def test_lattice_points_of_a_disc(radius: int, count: int) -> None:
    """OEIS A000328 (Gauss' circle problem): lattice points not outside a circle about a lattice point."""
    at = np.arange(-radius - 1, radius + 2, dtype=float)
    grid = np.stack(np.meshgrid(at, at), axis=-1).reshape(-1, 2)
    assert int((Circle(0.0, 0.0, float(radius)).signed_distance(grid) >= 0).sum()) == count


@pytest.mark.parametrize("radius", [8.0, 12.3, 20.0])
def test_traced_area_of_a_disc(radius: float) -> None:
    """The contour of an unblurred disc encloses the area of a circle 0 to 0.03 px smaller, whatever its centre."""
    for x, y in ((25.0, 25.0), (25.5, 24.75), (24.8, 25.37)):
        (outline,) = trace(disc_image(51, x, y, radius), smooth_px=0.0)
        assert np.sqrt(outline.area_px2 / np.pi) - radius == pytest.approx(-0.01, abs=0.02)
        assert (outline.x_px, outline.y_px) == pytest.approx((x, y), abs=0.02)
        assert not outline.hole


EDGE_PHASE = [
    (0.3, 0.0704, 0.0504), (0.5, 0.0435, 0.0312), (0.8, 0.0214, 0.0154), (1.0, 0.0145, 0.0104), (1.5, 0.0068, 0.0049),
]  # fmt: skip


@pytest.mark.parametrize(("sigma", "worst", "rms"), EDGE_PHASE)
def test_straight_edge_by_linear_interpolation(sigma: float, worst: float, rms: float) -> None:
    """A blurred edge averaged over pixels, read by linear interpolation, errs with its phase by this much (own)."""
    error = []
    fine = (np.arange(50) + 0.5) / 50 - 0.5
    for phase in (np.arange(100) + 0.5) / 100:
        profile = ndtr((np.arange(24)[:, None] + fine - 8 - phase) / sigma).mean(axis=1)
        plane = np.zeros((24, 24))
        plane[4:20] = profile
        (outline,) = trace(plane, smooth_px=0.0)
        x, y = outline.points.T
        left = x[(np.abs(y - 12) < 4) & (x < 14)]
        assert len(left) >= 5
        error.append(left.mean() - 8 - phase)
    assert np.abs(error).max() == pytest.approx(worst, rel=0.02)
    assert np.sqrt(np.mean(np.square(error))) == pytest.approx(rms, rel=0.02)
    assert np.mean(error) == pytest.approx(0.0, abs=1e-4)


@pytest.mark.parametrize("sigma", [0.6, 0.9, 1.4])
@pytest.mark.parametrize("place", [10.0, 10.31, 10.77])
def test_straight_edge_by_grey_values(sigma: float, place: float) -> None:
    """The fit of the whole profile ½(1 + erf(d/σ√2)) has no phase error, and gives the blur and the levels back."""
    z, x, y = (a.ravel().astype(float) for a in np.meshgrid(np.arange(20), np.arange(-4, 5), np.arange(-4, 5)))
    grey = 0.1 + 0.8 * 0.5 * (1 + erf((z - place) / (sigma * np.sqrt(2))))
    fit = fit_grey(FaceModel(True), np.array([10.4, 0.0, 0.0]), Samples(x, y, z, grey, np.arange(len(z))), noise=1e-3)
    assert isinstance(fit, ShapeFit)
    assert fit.value("place") == pytest.approx(place, abs=1e-5)
    assert [fit.value(n) for n in ("blur", "air", "contrast")] == pytest.approx([sigma, 0.1, 0.8], abs=1e-5)


@pytest.mark.parametrize("sigma", [0.5, 0.8, 1.2])
def test_averaging_over_a_voxel_widens_the_blur(sigma: float) -> None:
    """Averaging over one voxel adds 1/12 px² to the variance of the blur (variance of a uniform law)."""
    z, x = (a.ravel().astype(float) for a in np.meshgrid(np.arange(20), np.arange(-6, 7)))
    fine = (np.arange(200) + 0.5) / 200 - 0.5
    places = []
    for phase in (0.0, 0.25, 0.6):
        grey = ndtr((z[:, None] + fine - 10 - phase) / sigma).mean(axis=1)
        samples = Samples(x, np.zeros_like(x), z, grey, np.arange(len(z)))
        fit = fit_grey(
            FaceModel(True), np.array([10.2, 0.0, 0.0]), samples, noise=1e-3, active=np.array([True, True, False])
        )
        assert isinstance(fit, ShapeFit)
        assert fit.value("blur") == pytest.approx(np.sqrt(sigma**2 + 1 / 12), abs=0.01)
        places.append(fit.value("place") - 10 - phase)
    assert np.abs(places).max() < 2e-3


CURVED = [
    (5, 0.5, -0.02511), (5, 1.0, -0.10173), (8, 1.0, -0.06291), (8, 1.5, -0.14276), (10, 0.5, -0.01251),
    (10, 1.0, -0.05021), (10, 2.0, -0.20347), (15, 1.5, -0.07532), (20, 1.0, -0.02503), (20, 2.0, -0.10042),
    (30, 1.0, -0.01667), (50, 1.0, -0.01000), (50, 3.0, -0.09014),
]  # fmt: skip


@pytest.mark.parametrize(("radius", "sigma", "shift"), CURVED)
def test_model_edge_of_a_disc_lies_where_blur_puts_it(radius: float, sigma: float, shift: float) -> None:
    """Mendonça et al. (ECCV 2004): half height moves inwards by about σ²/2R, for discs and holes alike."""
    assert half_height_radius(radius, sigma) - radius == pytest.approx(shift, abs=1e-5)
    place = np.array([radius - sigma**2 / (2 * radius)])
    nothing = np.zeros(1)
    samples = Samples(place, nothing, nothing, nothing, np.zeros(1, dtype=np.int64))
    for hole in (False, True):
        at, _ = RoundModel(hole).distance(np.array([0.0, 0.0, radius, 0.0, 0.0, 0.0]), samples, sigma)
        assert at == pytest.approx([0.0], abs=1e-12)
    # the next order is left out on purpose: it is this small wherever σ < R/8
    left_out = abs(shift + sigma**2 / (2 * radius))
    assert left_out < 0.07 * sigma**2 / (2 * radius) if sigma < radius / 8 else left_out < 0.012


@pytest.mark.parametrize(("radius", "sigma"), [(r, s) for r, s, _ in CURVED if s <= 1.5 and r <= 30])
@pytest.mark.parametrize("hole", [False, True])
def test_grey_value_fit_takes_the_curvature_bias_out(radius: float, sigma: float, hole: bool) -> None:
    """Fitted to the exact profile of a blurred disc (noncentral chi-square), the radius comes out unbiased."""
    at = np.arange(-np.ceil(radius) - 5, np.ceil(radius) + 6)
    x, y = (a.ravel() for a in np.meshgrid(at, at))
    x, y = x - 0.23, y + 0.41
    off = np.hypot(x, y)
    near = np.abs(off - radius) < 4.5
    grey = ncx2.cdf((radius / sigma) ** 2, 2, (off[near] / sigma) ** 2)
    grey = np.asarray(1 - grey if hole else grey)
    count = int(near.sum())
    samples = Samples(x[near], y[near], np.zeros(count), grey, np.arange(count))
    active = np.array([True, True, True, False, False, False])
    start = np.array([0.3, -0.2, radius + 0.2, 0.0, 0.0, 0.0])
    fit = fit_grey(RoundModel(hole), start, samples, noise=1e-3, active=active)
    assert isinstance(fit, ShapeFit)
    bias = sigma**2 / (2 * radius)
    assert fit.value("radius") == pytest.approx(radius, abs=max(0.06 * bias, 5e-4))
    assert np.hypot(fit.value("x"), fit.value("y")) < 1e-3


END_TO_END = [(10, 0.5, -0.0167), (10, 1.0, -0.0544), (10, 2.0, -0.2078), (20, 0.5, -0.0083), (20, 1.0, -0.0271), (20, 2.0, -0.1025)]


@pytest.mark.parametrize(("radius", "sigma", "predicted"), END_TO_END)
def test_contour_of_a_blurred_disc_reads_small(radius: float, sigma: float, predicted: float) -> None:
    """Contours on pixels read small by what the exact profile with σ² + 1/12 says (ECCV 2004 effect), within 0.01 px."""
    assert half_height_radius(radius, np.sqrt(sigma**2 + 1 / 12)) - radius == pytest.approx(predicted, abs=1e-4)
    rng = np.random.default_rng(7)
    size = 2 * int(radius + 5 * sigma) + 5
    got = []
    for _ in range(6):
        x, y = size / 2 + rng.uniform(-0.5, 0.5, 2)
        got.append(contour_radius(blurred(disc_image(size, x, y, radius), sigma)) - radius)
    assert np.mean(got) == pytest.approx(predicted, abs=0.005)


@pytest.mark.parametrize("radius", [10, 20])
@pytest.mark.parametrize("sigma", [0.5, 1.0])
def test_pixel_disc_by_grey_values(radius: float, sigma: float) -> None:
    """On pixels that average over their area, the fitted radius of discs and holes is right to 0.004 px."""
    size = 2 * int(radius + 5) + 7
    rows, columns = (a.ravel().astype(float) for a in np.mgrid[:size, :size])
    for x, y in ((size / 2, size / 2), (size / 2 - 0.31, size / 2 + 0.12)):
        image = blurred(disc_image(size, x, y, radius), sigma).ravel()
        near = np.abs(np.hypot(columns - x, rows - y) - radius) < 4.5
        count = int(near.sum())
        for hole in (False, True):
            samples = Samples(
                columns[near] - x, rows[near] - y, np.zeros(count), (1 - image if hole else image)[near],
                np.arange(count),
            )  # fmt: skip
            fit = fit_grey(
                RoundModel(hole), np.array([0.2, 0.1, radius - 0.2, 0.0, 0.0, 0.0]), samples, noise=0.04,
                active=np.array([True, True, True, False, False, False]),
            )  # fmt: skip
            assert isinstance(fit, ShapeFit)
            assert fit.value("radius") == pytest.approx(radius, abs=0.004)


@pytest.mark.parametrize("sigma", [4.0, 6.0])
def test_contour_of_a_blurred_corner(sigma: float) -> None:
    """The half-height contour crosses a blurred square corner's diagonal 0.770679 σ inside; flats stay true (own)."""
    side = 80.0
    at = np.arange(140) - 69.5
    along = ndtr((at + side / 2) / sigma) * ndtr((side / 2 - at) / sigma)
    (outline,) = trace(along[:, None] * along[None, :], smooth_px=0.0)
    x, y = (outline.points - 69.5).T
    # where the contour crosses the diagonals
    side_of = np.abs(x) - np.abs(y)
    step = np.flatnonzero((side_of[:-1] * side_of[1:] <= 0) & (np.hypot(x, y)[:-1] > side / 2 + 3))
    share = side_of[step] / (side_of[step] - side_of[step + 1] + 1e-12)
    reach = np.hypot(x[step] + share * np.diff(x)[step], y[step] + share * np.diff(y)[step])
    assert len(reach) >= 4
    assert reach == pytest.approx(side / np.sqrt(2) - 0.770679 * sigma, abs=0.04)
    flat = np.abs(y) < 8
    assert np.abs(x[flat]).mean() == pytest.approx(side / 2, abs=0.02)


PLATE = [(1.5, 0.9299), (1.75, 1.4838), (2.0, 1.8665), (2.5, 2.4674), (3.0, 2.9932), (4.0, 3.9998)]


@pytest.mark.parametrize(("thickness", "reading"), PLATE)
def test_contour_of_a_thin_plate(thickness: float, reading: float) -> None:
    """A plate thinner than about 4 σ reads thin at half the grey of thick metal (own closed form; units of σ)."""
    sigma = 12.0
    at = np.arange(160) - 79.37
    t = thickness * sigma
    profile = ndtr((at + t / 2) / sigma) - ndtr((at - t / 2) / sigma)
    plane = np.zeros((90, 160))
    plane[5:85] = profile
    (outline,) = trace(plane, smooth_px=0.0)
    x, y = outline.points.T
    middle = np.abs(y - 45) < 20
    width = np.median(x[middle & (x > 79.37)]) - np.median(x[middle & (x < 79.37)])
    assert width / sigma == pytest.approx(reading, abs=0.004)


def test_contour_of_a_vanishing_plate() -> None:
    """A plate under 1.34898 σ never reaches half the grey of thick metal and leaves no outline (own closed form)."""
    sigma = 4.0
    at = np.arange(80) - 39.37
    for factor, count in ((0.99, 0), (1.02, 1)):
        t = 1.34898 * sigma * factor
        plane = np.zeros((90, 80))
        plane[5:85] = ndtr((at + t / 2) / sigma) - ndtr((at - t / 2) / sigma)
        assert len(trace(plane, smooth_px=0.0)) == count
