"""Squares, plates and pixel counts, against closed forms.

Textbook integrals worked out for these tests, each checked by an independent numerical route;
where a paper or a table states the figure it is named at the test.
"""

import numpy as np
import pytest
from scipy.special import ndtr

from ctrecon.core.fit_result import ShapeFit
from ctrecon.core.frames import Floats
from ctrecon.fitting.choose import choose_shape
from ctrecon.fitting.models import FaceModel, RectangleModel
from ctrecon.fitting.solve import Samples, fit_grey
from ctrecon.outlines.trace import even_points, trace
from ctrecon.shapes import Circle, Rectangle

KENDALL = [(5.0, 1.341), (10.0, 2.010), (20.0, 3.032), (50.0, 4.614)]


@pytest.mark.parametrize(("radius", "sd"), KENDALL)
def test_pixels_inside_a_disc(radius: float, sd: float) -> None:
    """Kendall, Q. J. Math. 19 (1948), from memory: pixels in a disc at random number πR², with this deviation."""
    rng = np.random.default_rng(round(radius))
    at = np.arange(-radius - 2, radius + 3)
    grid = np.stack(np.meshgrid(at, at), axis=-1).reshape(-1, 2)
    centres = rng.uniform(-0.5, 0.5, (1500, 2))
    counts = [(Circle(float(x), float(y), radius).signed_distance(grid) >= 0).sum() for x, y in centres]
    # 1500 counts: their mean is known to sd/39, their deviation to 2 %
    assert np.mean(counts) == pytest.approx(np.pi * radius**2, abs=4 * sd / np.sqrt(1500))
    assert np.std(counts) == pytest.approx(sd, rel=0.08)


def blurred_square(side: float, turn_deg: float, sigma: float, *, half: int = 22) -> tuple[Floats, Floats, Floats]:
    """Columns, rows and grey of a blurred square about the origin: a product of two blurred bars, exact."""
    at = np.arange(-half, half + 1, dtype=float)
    x, y = np.meshgrid(at, at)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    u, v = x * c + y * s, -x * s + y * c
    bars = [ndtr((side / 2 - one) / sigma) * ndtr((side / 2 + one) / sigma) for one in (u, v)]
    return x, y, np.asarray(bars[0] * bars[1])


TURNS = (0.0, 12.0, 30.0, 45.0)


@pytest.mark.parametrize("turn_deg", TURNS)
@pytest.mark.parametrize("sigma", [0.6, 1.0, 1.5])
@pytest.mark.parametrize("hole", [False, True])
def test_flats_of_a_blurred_square_by_grey_values(turn_deg: float, sigma: float, hole: bool) -> None:
    """Straight flats keep their place under blur: widths, turn and blur of a square come back from its grey (own)."""
    side = 24.6
    x, y, grey = blurred_square(side, turn_deg, sigma)
    x, y, grey = x.ravel() - 0.23, y.ravel() + 0.31, (1 - grey if hole else grey).ravel()
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    u, v = np.abs((x + 0.23) * c + (y - 0.31) * s), np.abs(-(x + 0.23) * s + (y - 0.31) * c)
    away = 5 * sigma  # from the corners, which blur rounds
    near = ((np.abs(u - side / 2) < 4.5) & (v < side / 2 - away)) | ((np.abs(v - side / 2) < 4.5) & (u < side / 2 - away))
    count = int(near.sum())
    samples = Samples(x[near], y[near], np.zeros(count), grey[near], np.arange(count))
    start = np.array([0.0, 0.0, side + 0.4, side - 0.3, np.radians(turn_deg) + 0.02, 0.0, 0.0, 0.0])
    active = np.array([True] * 5 + [False] * 3)
    fit = fit_grey(RectangleModel(hole), start, samples, noise=1e-3, active=active)
    assert isinstance(fit, ShapeFit)
    assert [fit.value("a"), fit.value("b")] == pytest.approx([side, side], abs=2e-3)
    assert [fit.value("x"), fit.value("y")] == pytest.approx([-0.23, 0.31], abs=1e-3)
    assert np.degrees(fit.value("turn")) == pytest.approx(turn_deg, abs=0.01)
    assert fit.value("blur") == pytest.approx(sigma, abs=5e-3)


@pytest.mark.parametrize("turn_deg", TURNS)
def test_outline_of_a_blurred_square(turn_deg: float) -> None:
    """Side 24.60, σ 1: flats read true, corners 16.624 = 24.6/√2 - 0.770679 σ from the middle (own closed form)."""
    side = 24.6
    _, _, grey = blurred_square(side, turn_deg, 1.0)
    (outline,) = trace(grey, smooth_px=0.0)
    x, y = (outline.points - 22).T
    # points lie on grid lines only, so that the farthest of them stays up to 0.13 px short of the diagonal
    assert np.hypot(x, y).max() - (side / np.sqrt(2) - 0.770679) == pytest.approx(-0.06, abs=0.07)
    choice = choose_shape(even_points(outline.points))
    assert choice.kind == "square"
    assert isinstance(choice.shape, Rectangle)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    u, v = x * c + y * s, -x * s + y * c
    for across, along in ((u, v), (v, u)):
        flat = np.abs(along) < 6
        assert 2 * np.abs(across[flat]).mean() == pytest.approx(side, abs=0.03)


@pytest.mark.parametrize("thickness", [5.0, 6.0, 10.0])
@pytest.mark.parametrize("sigma", [0.7, 1.2])
def test_plate_by_grey_values(thickness: float, sigma: float) -> None:
    """A plate of 5 σ and more keeps its true width under blur (own closed form; thickness in σ)."""
    wide = thickness * sigma
    x, y = (a.ravel().astype(float) for a in np.mgrid[-12:13, -30:31])
    v = x - 0.37
    grey = ndtr((wide / 2 - v) / sigma) + ndtr((wide / 2 + v) / sigma) - 1
    samples = Samples(y, v + 0.37, np.zeros(len(x)), grey, np.arange(len(x)))
    near = np.abs(np.abs(v) - wide / 2) < 4.5
    start = np.array([0.0, 0.2, 100.0, wide + 0.3, 0.0, 0.0, 0.0, 0.0])
    active = np.array([False, True, False, True, True, False, False, False])
    fit = fit_grey(RectangleModel(False), start, samples.thin(near), noise=0.03, active=active)
    assert isinstance(fit, ShapeFit)
    # where the two edges meet, at half the thickness, the metal lacks 2 (1 - Φ(t/2)) of its level
    lack = 2 * (1 - ndtr(thickness / 2))
    assert fit.value("b") == pytest.approx(wide, abs=1e-4 + 2 * sigma * lack)
    assert fit.value("y") == pytest.approx(0.37, abs=2e-3)


WIDTHS = [(0.1, 2.563103), (0.2, 1.683242), (0.25, 1.348980)]


@pytest.mark.parametrize(("level", "width"), WIDTHS)
def test_widths_of_a_blurred_edge(level: float, width: float) -> None:
    """An edge rises from 10 to 90 % over 2.563103 σ, 20 to 80 % 1.683242 σ, 25 to 75 % 1.348980 σ (normal law)."""
    z, x = (a.ravel().astype(float) for a in np.meshgrid(np.arange(24), np.arange(-4, 5)))
    edge = np.interp(z - 11.6, np.linspace(-9, 9, 2001), ndtr(np.linspace(-9, 9, 2001) / 1.1))
    samples = Samples(x, np.zeros_like(x), z, edge, np.arange(len(z)))
    active = np.array([True, True, False])
    fit = fit_grey(FaceModel(True), np.array([11.0, 0.0, 0.0]), samples, noise=1e-3, active=active)
    assert isinstance(fit, ShapeFit)
    fine = np.linspace(-9, 9, 200_001)
    rise = ndtr(fine / 1.1)
    measured = fine[np.searchsorted(rise, 1 - level)] - fine[np.searchsorted(rise, level)]
    assert measured / fit.value("blur") == pytest.approx(width, abs=2e-3)
