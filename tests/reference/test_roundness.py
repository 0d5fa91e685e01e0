"""Reference circles of roundness. No published data set with its printed minimum-zone answer was found.

Unless a test names a published figure, the expected values are own, two routes: an exhaustive search
of contact sets and a sequential quadratic program of the ring's width (circumscribed: shapely too).
The input points are published ones.
"""

from pathlib import Path

import numpy as np
import pytest
import shapely
from scipy.optimize import minimize

from ctrecon.core.fit_result import FitFailed
from ctrecon.fitting.roundness_zones import (
    Zone,
    least_squares_circle,
    maximum_inscribed,
    minimum_circumscribed,
    minimum_zone,
)

EIGHT = np.array([(0.7, 4.0), (3.3, 4.7), (5.6, 4.0), (7.5, 1.3), (6.4, -1.1), (4.4, -3.0), (0.3, -2.5), (-1.1, 1.3)])
FIVE = np.array([(30.0, 68.0), (50.0, -6.0), (110.0, -20.0), (35.0, 15.0), (45.0, 97.0)])
SIX = np.array([(9.0, 34.0), (35.0, 10.0), (-13.0, 6.0), (10.0, -14.0), (23.0, 27.0), (0.0, -10.0)])
RING = np.loadtxt(Path(__file__).with_name("ring_of_87_points.csv"), delimiter=",")
CROSS = np.array([(1.1, 0.0), (-1.1, 0.0), (0.0, 1.0), (0.0, -1.0)])
TEN = np.array([
    (0.00604914, -1.54375), (0.201781, 0.7955), (0.703343, -0.400924), (-0.485319, -0.704386), (-0.710707, 0.905265),
    (0.463783, 0.470773), (-1.06043, 1.8205), (0.104751, 0.235759), (-1.89801, 1.03611), (-0.330475, 0.931081),
])  # fmt: skip
TEN_MORE = np.array([
    (0.737908, -1.39895), (-0.602274, -1.7662), (-0.876949, 0.705707), (0.697127, 0.393087), (1.22223, 0.205725),
    (0.483356, -0.22763), (1.45802, 0.91891), (1.73444, -0.814056), (1.26108, -1.69484), (1.31919, 1.10769),
])  # fmt: skip


def sure(zone: Zone | FitFailed) -> Zone:
    assert isinstance(zone, Zone), zone
    return zone


def ring_of(points: np.ndarray) -> dict[str, Zone]:
    makers = (least_squares_circle, minimum_zone, minimum_circumscribed, maximum_inscribed)
    return {zone.kind: zone for zone in (sure(make(points)) for make in makers)}


@pytest.mark.parametrize(
    ("points", "lsci", "mzci", "mcci", "mici"),
    [
        (
            EIGHT, 0.66038701, (3.12104968, 0.87590586, 4.39943880, 3.82827888, 0.57115992),
            (3.2, 0.72631579, 4.33810023, 0.65361527), (2.83459344, 0.65042796, 3.97191667, 0.73849332),
        ),
        (
            SIX, 3.12646487, (10.25363276, 9.27476882, 24.75699198, 21.83240019, 2.92459179),
            (10.84076433, 9.91082803, 24.15940024, 3.18592149), (8.62367491, 10.28798587, 22.04473042, 4.33316678),
        ),
    ],
    ids=["eight points", "six points"],
)  # fmt: skip
def test_four_references(points, lsci, mzci, mcci, mici) -> None:
    """Own, two routes: all four reference circles of the eight points (Späth 1996) and of six points (SciPy cookbook)."""
    found = ring_of(points)
    assert found["LSCI"].width == pytest.approx(lsci, abs=2e-7)
    mz = found["MZCI"]
    assert (mz.x, mz.y, mz.outer, mz.inner, mz.width) == pytest.approx(mzci, abs=1e-7)
    for kind, want in (("MCCI", mcci), ("MICI", mici)):
        zone = found[kind]
        assert (zone.x, zone.y, zone.radius, zone.width) == pytest.approx(want, abs=1e-7)


def test_five_points_on_an_arc() -> None:
    """Own, two routes: five points (Apache Commons Math); their circumscribed circle rests on two, none is inscribed."""
    mz = sure(minimum_zone(FIVE))
    assert (mz.x, mz.y, mz.outer, mz.inner, mz.width) == pytest.approx(
        (96.25333333, 47.86666667, 70.99991987, 69.24489359, 1.75502628), abs=1e-7
    )
    assert sure(least_squares_circle(FIVE)).width == pytest.approx(2.09134818, abs=1e-5)
    mc = sure(minimum_circumscribed(FIVE))
    assert (mc.x, mc.y, mc.radius) == pytest.approx((77.5, 38.5, 66.92159592), abs=1e-7)
    assert not maximum_inscribed(FIVE)


def test_87_points() -> None:
    """Own (one route for the minimum zone: a sequential quadratic program): the 87 points of Apache Commons Math."""
    found = ring_of(RING)
    mz, mc, mi = found["MZCI"], found["MCCI"], found["MICI"]
    assert (mz.x, mz.y, mz.outer, mz.inner, mz.width) == pytest.approx(
        (-0.12067723, 0.19724923, 0.37116797, 0.22782810, 0.14333987), abs=2e-8
    )
    assert (mc.x, mc.y, mc.radius) == pytest.approx((-0.16459718, 0.19891511, 0.33065113), abs=2e-8)
    assert (mi.x, mi.y) == pytest.approx((-0.11411, 0.21109), abs=2e-5)  # the optimum is flat: the optimiser's digits end
    assert mi.radius == pytest.approx(0.23829499, abs=1e-8)


@pytest.mark.parametrize("points", [EIGHT, SIX, TEN, TEN_MORE, RING], ids=["8", "6", "10", "10 more", "87"])
def test_minimum_zone_is_the_least(points: np.ndarray) -> None:
    """The minimum zone is no wider than the ring about any other reference circle, as its definition says."""
    mz = sure(minimum_zone(points)).width
    for make in (least_squares_circle, minimum_circumscribed, maximum_inscribed):
        zone = make(points)
        if isinstance(zone, Zone):
            assert mz <= zone.width * (1 + 1e-12)


def test_a_general_optimiser_agrees_on_the_minimum_zone() -> None:
    """On noisy rings SLSQP of SciPy, started at the least-squares centre, finds no narrower ring, and nearly the same."""
    rng = np.random.default_rng(3)
    for n in (20, 60):
        angle = 2 * np.pi * np.arange(n) / n
        radius = 10 + 0.05 * np.cos(3 * angle) + rng.normal(0, 0.02, n)
        points = np.column_stack([radius * np.cos(angle) + 0.3, radius * np.sin(angle) - 0.2])
        ls = sure(least_squares_circle(points))

        def slack(p: np.ndarray, points: np.ndarray = points) -> np.ndarray:
            d = np.hypot(points[:, 0] - p[0], points[:, 1] - p[1])
            return np.concatenate([p[2] - d, d - p[3]])

        other = minimize(
            lambda p: p[2] - p[3], [ls.x, ls.y, ls.outer, ls.inner], method="SLSQP",
            constraints={"type": "ineq", "fun": slack}, options={"ftol": 1e-14, "maxiter": 500},
        )  # fmt: skip
        mz = sure(minimum_zone(points)).width
        assert mz <= other.fun + 1e-9
        assert mz == pytest.approx(other.fun, rel=0.02)


def test_lobes_exact() -> None:
    """Own, analytic: r = R + A cos 3t at 24 even points: every reference is centred and 2A wide."""
    angle = 2 * np.pi * np.arange(24) / 24
    radius = 10 + 0.05 * np.cos(3 * angle)
    found = ring_of(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]))
    assert [found[k].width for k in ("LSCI", "MZCI", "MCCI", "MICI")] == pytest.approx([0.1] * 4, abs=1e-9)
    assert [found[k].radius for k in ("LSCI", "MCCI", "MICI")] == pytest.approx([10.0, 10.05, 9.95], abs=1e-4)
    assert all(np.hypot(zone.x, zone.y) < 1e-7 for zone in found.values())


def test_exact_circle_off_centre() -> None:
    """Own, analytic: an exact circle anywhere has no roundness error about any reference."""
    angle = 2 * np.pi * np.arange(40) / 40
    found = ring_of(np.column_stack([7 + 3 * np.cos(angle), -4 + 3 * np.sin(angle)]))
    assert all(zone.width < 1e-9 for zone in found.values())
    assert all((zone.x, zone.y) == pytest.approx((7, -4), abs=1e-9) for zone in found.values())


def test_four_points_of_a_cross() -> None:
    """Trap (own): the middle of a cross is a saddle of the inscribed circle; two equal answers lie beside it."""
    found = ring_of(CROSS)
    mi = found["MICI"]
    assert (abs(mi.x), mi.y, mi.radius) == pytest.approx((0.0954545, 0.0, 1.0045455), abs=1e-7)
    assert (found["MZCI"].x, found["MZCI"].y, found["MZCI"].width) == pytest.approx((0, 0, 0.1), abs=1e-9)
    assert found["LSCI"].radius == pytest.approx(1.05, abs=1e-9)
    assert found["MCCI"].radius == pytest.approx(1.1, abs=1e-12)


def test_ten_points_whose_published_circle_is_wrong() -> None:
    """Trap: a mailing-list example claims R 1.63862 for its ten points; shapely and an exhaustive search say 1.76462."""
    mc = sure(minimum_circumscribed(TEN))
    assert (mc.x, mc.y, mc.radius) == pytest.approx((-0.5271904, 0.1383750, 1.7646215), abs=1e-7)
    assert mc.radius == pytest.approx(shapely.minimum_bounding_radius(shapely.MultiPoint(TEN)), abs=1e-9)
    other = sure(minimum_circumscribed(TEN_MORE))
    assert (other.x, other.y, other.radius) == pytest.approx((0.358458, -0.329255, 1.72853027), abs=1e-6)


def test_shapely_agrees_and_a_loose_routine_does_not() -> None:
    """Trap: OpenCV 5's smallest circle is 1e-4 too large by design (4.33820 here); shapely's is tight and agrees with ours."""
    ours = sure(minimum_circumscribed(EIGHT)).radius
    assert ours == pytest.approx(shapely.minimum_bounding_radius(shapely.MultiPoint(EIGHT)), abs=1e-9)
    assert 4.33820 - ours > 5e-5
    rng = np.random.default_rng(8)
    for n in (5, 30, 200):
        points = rng.standard_normal((n, 2))
        assert sure(minimum_circumscribed(points)).radius == pytest.approx(
            shapely.minimum_bounding_radius(shapely.MultiPoint(points)), rel=1e-9
        )
