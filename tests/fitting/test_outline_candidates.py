"""Shapes proposed from an outline's points."""

import numpy as np
import pytest

from ctrecon.fitting.outline_candidates import (
    circle_of,
    mean_secant,
    polygons_of,
    rectangle_from_waves,
    wave_of_polygon,
    waves_of,
)
from ctrecon.outlines.trace import even_points
from ctrecon.shapes import Circle, Rectangle, RegularPolygon

CIRCLE = Circle(30.0, 31.0, 12.0)


def wavy(count: int, size: float, noise: float = 0.0) -> np.ndarray:
    angle = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    radius = 12 + size * np.cos(count * angle) + noise * np.random.default_rng(3).standard_normal(400)
    return np.column_stack([30 + radius * np.cos(angle), 31 + radius * np.sin(angle)])


def test_mean_secant_is_the_mean_radius_of_a_polygon() -> None:
    """The closed form agrees with a plain sum over half a side, and tends to 1 for many sides."""
    for sides in (3, 4, 6, 12):
        angle = (np.arange(20000) + 0.5) / 20000 * np.pi / sides
        assert mean_secant(sides) == pytest.approx(float(np.mean(1 / np.cos(angle))), rel=1e-6)
    assert mean_secant(500) == pytest.approx(1.0, abs=1e-5)


def test_waves_are_told_by_their_number() -> None:
    """Five waves of 0.2 px are found as five, nothing else stands out of its uncertainty."""
    waves = waves_of(CIRCLE, wavy(5, 0.2, noise=0.02))
    assert waves is not None
    assert abs(waves.size[5]) == pytest.approx(0.2, abs=4 * waves.u)
    assert max(abs(v) for n, v in waves.size.items() if n != 5) < 5 * waves.u


def test_blur_takes_the_waves_of_small_polygons() -> None:
    """Many sides on a small radius leave hardly a wave; few on a large one keep theirs."""
    assert wave_of_polygon(12, 4.0) < 0.01
    assert wave_of_polygon(6, 20.0) == pytest.approx(20 * wave_of_polygon(6, 1.0, 0.0), rel=0.05)


@pytest.mark.parametrize("sides", [3, 5, 6, 7, 8, 9, 10, 12])
@pytest.mark.parametrize("way", [1, -1])
def test_polygons_are_found_whichever_way_their_outline_runs(sides: int, way: int) -> None:
    """The polygon of the right number of sides is proposed in its place, clockwise or not."""
    true = RegularPolygon(40.0, 41.0, sides, 20.0, 9.0)
    ring = true.outline()[::way]
    points = even_points(np.vstack([ring, ring[:1]]) if not np.allclose(ring[0], ring[-1]) else ring)
    found = {one.sides: one for one in polygons_of(points, circle_of(points, 0.45), 0.45)}
    assert sides in found
    assert found[sides].inradius == pytest.approx(20.0, abs=0.05)
    assert (found[sides].turn_deg - 9.0 + 180 / sides) % (360 / sides) - 180 / sides == pytest.approx(0.0, abs=0.3)


def test_a_small_blurred_square_is_told_by_its_waves() -> None:
    """A square of 9 px with corners rounded by blur, none of its sides straight, comes out as a square."""
    true = Rectangle(30.0, 31.0, 9.0, 9.0, 20.0, 1.2)
    points = even_points(true.outline(400))
    circle = circle_of(points, 0.45)
    assert circle is not None
    waves = waves_of(circle, points)
    assert waves is not None
    found = rectangle_from_waves(circle, waves, points, 0.45)
    assert found is not None
    assert sorted((found.a, found.b)) == pytest.approx([9.0, 9.0], abs=0.05)
    assert found.corner_radius == pytest.approx(1.2, abs=0.2)
    assert rectangle_from_waves(CIRCLE, waves_of(CIRCLE, wavy(3, 0.05)) or waves, wavy(3, 0.05), 0.45) is None
