"""Contours of lines and arcs against closed forms."""

import math

import pytest

from ctrecon.drawing.paper.contours import (
    circle,
    contour_of,
    cut_by_circle,
    polyline,
    ring_sector,
    sector_with_chord,
)
from ctrecon.shapes import Rectangle, RegularPolygon


def lens_area(big: float, small: float, gap: float) -> float:
    """Return the area two circles share (E. W. Weisstein, MathWorld, 'Circle-Circle Intersection', eq. 14)."""
    a = small**2 * math.acos((gap**2 + small**2 - big**2) / (2 * gap * small))
    b = big**2 * math.acos((gap**2 + big**2 - small**2) / (2 * gap * big))
    s = (-gap + small + big) * (gap + small - big) * (gap - small + big) * (gap + small + big)
    return a + b - math.sqrt(s) / 2


def test_plain_shapes_have_their_textbook_areas_and_lengths() -> None:
    """Circle, rounded rectangle, slot, hexagon and ring stretch agree with elementary formulas."""
    assert circle(3.0, -2.0, 2.5).area() == pytest.approx(math.pi * 6.25, rel=1e-12)
    assert circle(3.0, -2.0, 2.5).length() == pytest.approx(math.pi * 5.0, rel=1e-12)
    assert contour_of(Rectangle(1, 2, 6, 4, 33, 0.5)).area() == pytest.approx(24 - (4 - math.pi) * 0.25, rel=1e-12)
    assert contour_of(Rectangle(1, 2, 6, 4, 33)).length() == pytest.approx(20, rel=1e-12)
    assert contour_of(Rectangle(0, 0, 6, 2, 12, 1)).area() == pytest.approx(4 * 2 + math.pi, rel=1e-12)
    assert contour_of(RegularPolygon(0, 0, 6, 2, 5)).area() == pytest.approx(math.sqrt(3) / 2 * 16, rel=1e-12)
    assert ring_sector(0, 0, 5, 3, 10, 140).area() == pytest.approx(140 / 360 * math.pi * 16, rel=1e-12)
    a = math.radians(270)
    assert sector_with_chord(0, 0, 4, 0, 270).area() == pytest.approx(8 * (a - math.sin(a)), rel=1e-12)


@pytest.mark.parametrize("gap", [4.2, 6.5, 7.3])
@pytest.mark.parametrize("towards", [0.0, 37.0, 180.0, 215.0])
def test_a_relief_takes_exactly_the_shared_area_from_a_round_rim(gap: float, towards: float) -> None:
    """A rim cut by a circle loses the lens the two circles share, wherever the relief lies."""
    a = math.radians(towards)
    cut = cut_by_circle(circle(0, 0, 5), gap * math.cos(a), gap * math.sin(a), 2.5)
    assert cut is not None and cut.closed
    assert cut.area() == pytest.approx(math.pi * 25 - lens_area(5, 2.5, gap), rel=1e-10)


def test_a_relief_on_a_straight_edge_takes_half_a_disk() -> None:
    """A circle centred on a rectangle's edge removes half its area, and its half length replaces the edge."""
    cut = cut_by_circle(contour_of(Rectangle(0, 0, 10, 6, 0)), 5.0, 1.0, 1.5)
    assert cut is not None
    assert cut.area() == pytest.approx(60 - math.pi * 1.5**2 / 2, rel=1e-12)
    assert cut.length() == pytest.approx(32 - 3.0 + math.pi * 1.5, rel=1e-12)


def test_two_overlapping_reliefs_agree_with_a_polygon_library() -> None:
    """Two reliefs that touch each other give the area a general clipping of fine polygons gives."""
    shapely = pytest.importorskip("shapely.geometry", reason="shapely is a dependency of the package")
    cut = circle(0, 0, 5)
    area = shapely.Polygon(circle(0, 0, 5).points(0.05))
    for x, y, r in ((5.0, 1.0, 1.5), (4.8, -1.0, 1.4)):
        shorter = cut_by_circle(cut, x, y, r)
        assert shorter is not None
        cut = shorter
        area = area.difference(shapely.Polygon(circle(x, y, r).points(0.05)))
    assert cut.area() == pytest.approx(area.area, rel=1e-5)


def test_a_circle_that_does_not_cross_the_rim_cuts_nothing() -> None:
    """A disk wholly inside or outside a contour leaves it alone."""
    assert cut_by_circle(circle(0, 0, 5), 0, 0, 2) is None
    assert cut_by_circle(circle(0, 0, 5), 20, 0, 2) is None


def test_free_outlines_become_anticlockwise_and_lose_the_repeated_point() -> None:
    """A clockwise outline that repeats its first point becomes four anticlockwise vertices."""
    made = polyline([(0, 0), (0, 2), (3, 2), (3, 0), (0, 0)])
    assert len(made.vertices) == 4
    assert made.area() == pytest.approx(6)
    (ax, ay, _), (bx, by, _), (cx, cy, _) = made.vertices[:3]
    assert (bx - ax) * (cy - by) - (by - ay) * (cx - bx) > 0
