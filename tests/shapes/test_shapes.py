"""Shapes against shapely's distances and closed forms."""

import numpy as np
import pytest
import shapely

from ctrecon.shapes import Circle, Rectangle, RegularPolygon, Shape

SHAPES: list[Shape] = [
    Circle(1.5, -2.0, 6.0),
    Rectangle(3.0, 1.0, 12.0, 7.0, 23.0),
    Rectangle(-2.0, 0.5, 9.0, 9.0, -61.0, 2.0),
    Rectangle(0.0, 0.0, 14.0, 5.0, 100.0, 2.5),
    RegularPolygon(0.7, 0.2, 6, 5.0, 11.0),
    RegularPolygon(0.0, -1.0, 3, 3.0, 77.0),
]


@pytest.mark.parametrize("shape", SHAPES, ids=repr)
def test_signed_distance_agrees_with_shapely(shape: Shape) -> None:
    """Inside and outside, the distance is that to the polygon through the outline (shapely), positive inside."""
    polygon = shapely.Polygon(shape.outline(4000))
    points = np.random.default_rng(1).uniform(-14, 14, (600, 2))
    want = shapely.distance(polygon.exterior, shapely.points(points))
    want = np.where(shapely.contains_xy(polygon, *points.T), want, -want)
    assert (want > 0).sum() > 20
    assert shape.signed_distance(points) == pytest.approx(want, abs=2e-3)


@pytest.mark.parametrize("shape", SHAPES, ids=repr)
def test_outline_lies_on_the_shape_and_closes(shape: Shape) -> None:
    """Every point of the outline has distance zero, the last is the first, and the centre is inside."""
    ring = shape.outline()
    assert shape.signed_distance(ring) == pytest.approx(np.zeros(len(ring)), abs=1e-9)
    assert ring[0] == pytest.approx(ring[-1])
    assert shape.signed_distance(np.array([shape.centre]))[0] > 0


@pytest.mark.parametrize(
    ("shape", "area"),
    [
        (Circle(0.0, 0.0, 5.0), np.pi * 25),
        (Rectangle(0.0, 0.0, 8.0, 6.0, 30.0, 2.0), 48 - (4 - np.pi) * 4),
        (Rectangle(1.0, 2.0, 8.0, 6.0, 30.0), 48.0),
        (RegularPolygon(0.0, 0.0, 6, 5.0, 0.0), 2 * np.sqrt(3) * 25),
        (RegularPolygon(0.0, 0.0, 4, 5.0, 12.0), 100.0),
    ],
)
def test_area_of_the_outline(shape: Shape, area: float) -> None:
    """The outline encloses the area of the closed form."""
    assert shapely.Polygon(shape.outline(2000)).area == pytest.approx(area, rel=1e-4)


def test_turn_is_the_normal_of_a_flat_from_x_towards_y() -> None:
    """Width a lies across the flats whose normal points at the turn, for rectangle and polygon alike."""
    t = np.radians(25.0)
    out = np.array([[np.cos(t), np.sin(t)]])
    assert Rectangle(0.0, 0.0, 8.0, 3.0, 25.0).signed_distance(4 * out) == pytest.approx([0.0], abs=1e-12)
    assert RegularPolygon(0.0, 0.0, 5, 4.0, 25.0).signed_distance(4 * out) == pytest.approx([0.0], abs=1e-12)
    u, v = Rectangle(0.0, 0.0, 8.0, 3.0, 25.0).own_axes(2 * out)
    assert (u[0], v[0]) == pytest.approx((2.0, 0.0))


def test_corners_of_a_hexagon() -> None:
    """Across the corners a hexagon measures 2/√3 of its distance across the flats."""
    ring = RegularPolygon(0.0, 0.0, 6, 0.5, 8.0).outline()
    assert len(ring) == 7
    assert 2 * np.hypot(*ring.T) == pytest.approx(np.full(7, 1.1547005))
