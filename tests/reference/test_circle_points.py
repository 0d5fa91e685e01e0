"""Circles through points, against published fits."""

from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares

from ctrecon.core.circle_points import circle_start, fit_circle_points
from ctrecon.core.fit_result import ShapeFit

GGS = np.array([(1.0, 7.0), (2.0, 6.0), (5.0, 8.0), (7.0, 7.0), (9.0, 5.0), (3.0, 7.0)])
EIGHT = np.array([(0.7, 4.0), (3.3, 4.7), (5.6, 4.0), (7.5, 1.3), (6.4, -1.1), (4.4, -3.0), (0.3, -2.5), (-1.1, 1.3)])
FIVE = np.array([(30.0, 68.0), (50.0, -6.0), (110.0, -20.0), (35.0, 15.0), (45.0, 97.0)])
FLAT_ARC = np.array([(-1.0, 0.0), (-0.3, -0.06), (0.3, 0.1), (1.0, 0.0)])
RING = np.loadtxt(Path(__file__).with_name("ring_of_87_points.csv"), delimiter=",")


def fitted(points: np.ndarray) -> ShapeFit:
    fit = fit_circle_points(points)
    assert isinstance(fit, ShapeFit)
    return fit


def ssr(fit: ShapeFit) -> float:
    return fit.rms**2 * fit.n


def test_six_points_geometric() -> None:
    """Gander, Golub & Strebel, BIT 34 (1994) 558-578 (from memory: 4.7398, 2.9835, 4.7142; digits recomputed)."""
    fit = fitted(GGS)
    assert fit.values == pytest.approx([4.7397824101, 2.9835326955, 4.7142260407], abs=2e-7)
    assert fit.values.round(4).tolist() == [4.7398, 2.9835, 4.7142]
    assert ssr(fit) == pytest.approx(1.2275990782, abs=1e-9)


def test_six_points_standard_errors() -> None:
    """Standard errors of the fit of Gander, Golub & Strebel (1994), s² = SSR/(n - 3); own figures, no print seen."""
    fit = fitted(GGS)
    assert [fit.u(n) for n in fit.names] == pytest.approx([0.47759307, 1.54291286, 1.22431910], rel=1e-5)


def test_six_points_taubin_start() -> None:
    """N. Chernov's published test results for the same points: Taubin 4.613933, 2.795209, 4.879213."""
    assert circle_start(GGS) == pytest.approx((4.613933, 2.795209, 4.879213), abs=6e-7)


def test_the_start_does_not_decide() -> None:
    """From the algebraic circle of Gander, Golub & Strebel (5.3794, 7.2532, 3.0370) a solver of its own agrees."""

    def residuals(p: np.ndarray) -> np.ndarray:
        return np.asarray(np.hypot(GGS[:, 0] - p[0], GGS[:, 1] - p[1]) - p[2])

    other = least_squares(residuals, [5.3794, 7.2532, 3.0370], xtol=1e-14, ftol=1e-14, gtol=1e-14)
    assert fitted(GGS).values == pytest.approx(other.x, abs=1e-5)


def test_eight_points() -> None:
    """Späth, Computing 57 (1996), and Gander & Hřebíček (from memory): 3.04323, 0.74568, 4.10586; more digits own."""
    fit = fitted(EIGHT)
    assert fit.values == pytest.approx([3.0432382516, 0.7456783135, 4.1058558380], abs=1e-8)
    assert ssr(fit) == pytest.approx(0.2959484380, abs=1e-9)
    assert [fit.u(n) for n in fit.names] == pytest.approx([0.12281009, 0.12264270, 0.08730222], rel=1e-6)
    assert circle_start(EIGHT) == pytest.approx((3.05882267, 0.74195137, 4.10939413), abs=1e-7)


def test_five_points_with_covariance() -> None:
    """Apache Commons Math, AbstractLeastSquaresOptimizerAbstractTest: centre, radius, cost, covariance of the centre."""
    fit = fitted(FIVE)
    assert fit.values == pytest.approx([96.07590211815305, 48.13516790438953, 69.96016176931406], abs=1e-6)
    assert np.sqrt(ssr(fit)) == pytest.approx(1.768262623567235, abs=1e-9)
    unit = fit.covariance / (ssr(fit) / (5 - 3))  # the published one has unit weights
    assert unit[0, 0] == pytest.approx(1.839, abs=1e-3)
    assert unit[0, 1] == pytest.approx(0.731, abs=1e-3)
    assert unit[1, 1] == pytest.approx(0.786, abs=1e-3)
    # the radius' share of the same matrix: own figures
    assert unit[2] == pytest.approx([1.28731287, 0.63459500, 1.13146813], abs=1e-5)


def test_noisy_ring_of_87_points() -> None:
    """Apache Commons Math, same file: centre (-0.151738, 0.2075001), R 0.292235, RMS of weight 2 0.0426873168."""
    fit = fitted(RING)
    assert len(RING) == 87
    # beyond the seventh digit the print itself is off the minimum
    assert fit.values == pytest.approx([-0.151738, 0.2075001, 0.292235], abs=1e-6)
    assert np.sqrt(2 * ssr(fit) / 87) == pytest.approx(0.04268731682389561, abs=1e-9)
    assert [fit.u(n) for n in fit.names] == pytest.approx([0.00464029, 0.00467894, 0.00329452], rel=1e-5)


SIX = np.array([(9.0, 34.0), (35.0, 10.0), (-13.0, 6.0), (10.0, -14.0), (23.0, 27.0), (0.0, -10.0)])
SIXTY_DEGREES = np.array([(36.0, 14.0), (36.0, 10.0), (19.0, 28.0), (18.0, 31.0), (33.0, 18.0), (26.0, 26.0)])


@pytest.mark.parametrize(
    ("points", "want", "squares"),
    [
        (SIX, (10.5000862569, 9.6599494833, 23.3335276451), 7.7118522388),
        (SIXTY_DEGREES, (9.8875664291, 3.6874971831, 27.3504433407), 4.0425218983),
    ],
    ids=["all round", "60 degrees"],
)
def test_cookbook_points(points: np.ndarray, want: tuple[float, float, float], squares: float) -> None:
    """Points of the SciPy Cookbook's circle page (from memory); answers own, by two solvers."""
    fit = fitted(points)
    assert fit.values == pytest.approx(want, abs=2e-6)
    assert ssr(fit) == pytest.approx(squares, abs=1e-9)


def test_short_flat_arc_does_not_collapse() -> None:
    """Four points of a public robotics course (Hyper fit from memory: 0.4908, -22.1521, 22.1798); geometric fit own."""
    fit = fitted(FLAT_ARC)
    assert fit.values == pytest.approx([0.49933273, -22.53533967, 22.56295725], rel=1e-5)
    start = circle_start(FLAT_ARC)
    assert start is not None
    # the simplest algebraic fit gives R = 1.04 here; the start must be of the right order
    assert 10 < start[2] < 50


ARCS = [
    (360, 2.0, 2.0, 1.0, 0.0), (270, 3.29128, 1.64988, 1.29642, -0.987730), (180, 10.5580, 2.0, 5.27898, -6.72141),
    (120, 43.8014, 3.41004, 30.9565, -36.2234), (90, 129.192, 5.50388, 105.719, -116.314),
    (60, 622.658, 11.5602, 568.796, -594.594), (30, 9673.68, 44.3751, 9455.68, -9563.55),
    (300, 2.62588, 1.71615, 1.09578, -0.501506), (240, 4.43171, 1.65735, 1.75773, -1.83250),
    (150, 19.6165, 2.47214, 11.6815, -14.4753), (45, 1934.41, 20.0635, 1837.99, -1885.07),
    (20, 48707.2, 99.0861, 48215.6, -48460.3),
]  # fmt: skip


@pytest.mark.parametrize(("arc_deg", "var_x", "var_y", "var_r", "cov_xr"), ARCS)
def test_stated_covariance_is_the_bound(
    arc_deg: float, var_x: float, var_y: float, var_r: float, cov_xr: float
) -> None:
    """Chan & Thomas, GMIP 57 (1995) 527-532, formulas from memory: N Cov/σ² of an arc about the x axis."""
    n = 4000
    angle = np.radians(arc_deg) * ((np.arange(n) + 0.5) / n - 0.5)
    radius = 1 + 1e-7 * np.where(np.arange(n) % 2, 1, -1)
    fit = fitted(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]))
    scaled = n * fit.covariance / (ssr(fit) / (n - 3))
    assert np.diag(scaled) == pytest.approx([var_x, var_y, var_r], rel=1e-3)
    assert scaled[0, 2] == pytest.approx(cov_xr, rel=1e-3, abs=1e-3)


@pytest.mark.parametrize(("arc_deg", "within"), [(20, 0.01), (12, 0.004), (8, 0.002)])
def test_uncertainty_of_short_arcs(arc_deg: float, within: float) -> None:
    """Own limit of the bound of Chan & Thomas (1995): N var(R)/σ² of an arc of Φ radians tends to 720/Φ⁴."""
    n = 4000
    angle = np.radians(arc_deg) * ((np.arange(n) + 0.5) / n - 0.5)
    radius = 1 + 1e-8 * np.where(np.arange(n) % 2, 1, -1)
    fit = fitted(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]))
    share = n * fit.u("radius") ** 2 / (ssr(fit) / (n - 3)) * np.radians(arc_deg) ** 4 / 720
    assert share == pytest.approx(1.0, abs=within)


@pytest.mark.parametrize(("arc_deg", "var_x", "var_y", "var_r"), [a[:4] for a in ARCS if a[0] in (360, 180, 90)])
def test_scatter_reaches_the_bound(arc_deg: float, var_x: float, var_y: float, var_r: float) -> None:
    """Chernov & Lesort, CSDA 47 (2004) 713-728 (from memory): the geometric fit reaches the bound at low noise."""
    rng = np.random.default_rng(int(arc_deg))
    n, sigma = 100, 1e-3
    angle = np.radians(arc_deg) * ((np.arange(n) + 0.5) / n - 0.5)
    ideal = np.column_stack([np.cos(angle), np.sin(angle)])
    got = np.array([fitted(ideal + sigma * rng.standard_normal(ideal.shape)).values for _ in range(800)])
    # the variance of 800 values is itself known to 5 %
    assert n * got.var(axis=0) / sigma**2 == pytest.approx([var_x, var_y, var_r], rel=0.15)


def test_radius_bias_of_the_fits() -> None:
    """Al-Sharadqah & Chernov, Electron. J. Statist. 3 (2009) 886-911: bias σ²/2R geometric, twice that Taubin."""
    rng = np.random.default_rng(3)
    n, sigma = 50, 0.1
    angle = 2 * np.pi * np.arange(n) / n
    ideal = np.column_stack([np.cos(angle), np.sin(angle)])
    clouds = [ideal + sigma * rng.standard_normal(ideal.shape) for _ in range(3000)]
    geometric = np.mean([fitted(c).value("radius") for c in clouds]) - 1
    taubin = np.mean([start[2] for c in clouds if (start := circle_start(c)) is not None]) - 1
    unit = sigma**2 / 2
    # the mean of 3000 radii is known to 5 % of the unit; the theory is first order
    assert geometric / unit == pytest.approx(1.0, abs=0.2)
    assert taubin / unit == pytest.approx(2.0, abs=0.25)
