"""The ellipse."""

import numpy as np
import pytest
import shapely
from shapely import affinity

from ctrecon.shapes import Ellipse


def test_distance_near_the_outline_agrees_with_shapely() -> None:
    """Within half a pixel of the outline the distance is shapely's, to 0.01, inside positive."""
    oval = Ellipse(3.0, -2.0, 24.0, 18.0, 33.0)
    unit = shapely.Point(0, 0).buffer(1, quad_segs=720)
    ring = affinity.translate(affinity.rotate(affinity.scale(unit, 12, 9), 33.0, origin=(0, 0)), 3.0, -2.0)
    rng = np.random.default_rng(2)
    points = oval.outline(300)[rng.integers(0, 299, 200)] + rng.uniform(-0.35, 0.35, (200, 2))
    for point, distance in zip(points, oval.signed_distance(points), strict=True):
        place = shapely.Point(point)
        sign = 1 if ring.contains(place) else -1
        assert distance == pytest.approx(sign * ring.exterior.distance(place), abs=0.012)


def test_equal_axes_make_a_circle() -> None:
    """With a = b the distance is exact everywhere."""
    points = np.random.default_rng(3).uniform(-20, 20, (50, 2))
    assert Ellipse(1.0, 2.0, 14.0, 14.0, 5.0).signed_distance(points) == pytest.approx(
        7 - np.hypot(points[:, 0] - 1, points[:, 1] - 2)
    )


def test_outline_is_closed_and_lies_on_it() -> None:
    """The outline's first point is its last and all points lie at distance 0."""
    oval = Ellipse(1.0, 2.0, 14.0, 9.0, 70.0)
    ring = oval.outline(50)
    assert ring[0] == pytest.approx(ring[-1])
    assert oval.signed_distance(ring) == pytest.approx(np.zeros(50), abs=1e-9)
    assert oval.centre == (1.0, 2.0)
