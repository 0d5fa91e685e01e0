"""Tracing the outlines of one plane."""

import numpy as np
import pytest
import shapely
from scipy.special import ndtr

from ctrecon.core.frames import Floats
from ctrecon.outlines.outline_metrics import describe
from ctrecon.outlines.trace import even_points, trace

ROWS, COLUMNS = np.mgrid[:60, :70].astype(float)


def disc(x: float, y: float, radius: float, blur: float = 1.0) -> Floats:
    return np.asarray(ndtr((radius - np.hypot(COLUMNS - x, ROWS - y)) / blur))


def test_a_ring_has_an_outside_and_a_hole() -> None:
    """A ring gives two outlines, the larger first, and tells on which side the metal lies."""
    outer, inner = trace(disc(33.3, 29.6, 20.0) - disc(33.3, 29.6, 9.0))
    assert (outer.hole, inner.hole) == (False, True)
    assert outer.whole
    assert inner.whole
    for one, radius in ((outer, 20.0), (inner, 9.0)):
        assert np.sqrt(one.area_px2 / np.pi) == pytest.approx(radius, abs=0.1)
        assert (one.x_px, one.y_px) == pytest.approx((33.3, 29.6), abs=0.02)
        assert one.points[0].tolist() == one.points[-1].tolist()
        assert np.hypot(*(one.points - [33.3, 29.6]).T) == pytest.approx(np.full(len(one.points), radius), abs=0.15)


def test_an_island_in_a_hole_is_an_outside_again() -> None:
    """Metal inside a hole has an outline of its own that is not a hole."""
    plane = disc(33.0, 30.0, 25.0) - disc(33.0, 30.0, 16.0) + disc(33.0, 30.0, 6.0)
    assert [o.hole for o in trace(plane)] == [False, True, False]


def test_area_and_middle_agree_with_shapely() -> None:
    """Area, middle and box are those of the polygon (shapely)."""
    plane = np.maximum(disc(25.0, 28.0, 12.0), ndtr(8 - np.abs(COLUMNS - 35)) * ndtr(5 - np.abs(ROWS - 31)))
    (one,) = trace(plane)
    polygon = shapely.Polygon(one.points)
    assert one.area_px2 == pytest.approx(polygon.area, rel=1e-9)
    assert (one.x_px, one.y_px) == pytest.approx((polygon.centroid.x, polygon.centroid.y), abs=1e-9)
    assert one.box == pytest.approx(polygon.bounds)


@pytest.mark.parametrize(("x", "y"), [(2.0, 30.0), (66.0, 30.0), (30.0, 1.0), (30.0, 57.0)])
def test_what_runs_over_the_border_is_not_whole(x: float, y: float) -> None:
    """Metal cut by any of the four borders is closed along it and marked as not whole."""
    (one,) = trace(disc(x, y, 8.0))
    assert not one.whole
    assert one.area_px2 < np.pi * 64


def test_what_runs_into_lost_voxels_is_not_whole() -> None:
    """Metal beside voxels without data is marked; metal far from them is not."""
    plane = disc(18.0, 30.0, 10.0) + disc(52.0, 30.0, 10.0)
    plane[:, 58:] = np.nan
    left, right = sorted(trace(plane), key=lambda o: o.x_px)
    assert left.whole
    assert not right.whole


def test_specks_are_left_out() -> None:
    """An outline smaller than asked for is left out, one larger is kept."""
    plane = disc(20.0, 30.0, 1.6) + disc(45.0, 30.0, 5.0)
    assert len(trace(plane)) == 1
    assert len(trace(plane, least_area_px2=4.0)) == 2
    assert trace(np.zeros((20, 20))) == ()


def test_even_points_are_even() -> None:
    """Points come at equal steps along the curve, near the asked spacing, and stay on it."""
    angle = np.sort(np.random.default_rng(2).uniform(0, 2 * np.pi, 300))
    ring = np.column_stack([10 * np.cos(angle), 10 * np.sin(angle)])
    ring = np.vstack([ring, ring[:1]])
    points = even_points(ring, 0.5)
    step = np.hypot(*np.diff(points, axis=0).T)
    assert len(points) == pytest.approx(2 * np.pi * 10 / 0.5, abs=2)
    assert step == pytest.approx(np.full(len(step), 0.5), abs=0.02)
    assert np.hypot(*points.T) == pytest.approx(np.full(len(points), 10.0), abs=0.05)


def test_description_of_a_disc() -> None:
    """All lengths that describe a disc are its radius or its place."""
    (one,) = trace(disc(33.3, 29.6, 20.0))
    area, x, y, perimeter, inner, outer = describe(one)
    assert (x, y) == pytest.approx((33.3, 29.6), abs=0.02)
    assert (area, inner, outer) == pytest.approx((20.0, 20.0, 20.0), abs=0.15)
    assert perimeter == pytest.approx(10.0, abs=0.1)  # half the equal-perimeter radius


def test_description_tells_a_square_from_a_disc_of_the_same_area() -> None:
    """A square of a disc's area differs from it by more than a pixel in at least one of the numbers."""
    side = 20.0 * np.sqrt(np.pi)
    square = ndtr(side / 2 - np.abs(COLUMNS - 33.3)) * ndtr(side / 2 - np.abs(ROWS - 29.6))
    (a,), (b,) = trace(disc(33.3, 29.6, 20.0)), trace(square)
    assert np.abs(describe(a) - describe(b)).max() > 1.0
