"""Reference circles where the points are few, in line, in one place or many; their values stand in tests/reference."""

import numpy as np
import pytest

from ctrecon.core.fit_result import FitFailed
from ctrecon.fitting.roundness_zones import (
    Zone,
    least_squares_circle,
    maximum_inscribed,
    minimum_circumscribed,
    minimum_zone,
)

ALL = (least_squares_circle, minimum_zone, minimum_circumscribed, maximum_inscribed)


@pytest.mark.parametrize("make", ALL)
def test_points_in_one_place(make) -> None:
    """Points in one place give a reason, no circle."""
    found = make(np.full((5, 2), 3.0))
    assert isinstance(found, FitFailed) and found.reason


@pytest.mark.parametrize("make", [minimum_zone, minimum_circumscribed, maximum_inscribed])
def test_too_few_or_broken_points_are_misuse(make) -> None:
    """Two points, or a coordinate that is not a number, are refused."""
    for points in (np.zeros((2, 2)), np.array([[0.0, 0.0], [1.0, np.nan], [2.0, 1.0]])):
        with pytest.raises(ValueError, match="three points"):
            make(points)


@pytest.mark.parametrize("count", [8, 40])
def test_moving_turning_and_scaling_change_nothing_else(count: int) -> None:
    """Turned, moved and enlarged points give the same circles, moved and enlarged, few or many points alike."""
    rng = np.random.default_rng(count)
    angle = 2 * np.pi * np.arange(count) / count
    radius = 5 + rng.normal(0, 0.05, count)
    points = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
    turn = np.array([[0.8, -0.6], [0.6, 0.8]])
    moved = 3 * points @ turn.T + [100.0, -50.0]
    for make in ALL:
        first, second = make(points), make(moved)
        assert isinstance(first, Zone) and isinstance(second, Zone)
        assert second.width == pytest.approx(3 * first.width, rel=1e-6)
        assert [second.x, second.y] == pytest.approx(3 * turn @ [first.x, first.y] + [100, -50], abs=1e-4)


def test_inscribed_and_circumscribed_hold_their_points() -> None:
    """No point lies outside the circumscribed or inside the inscribed circle, and both touch at least two."""
    rng = np.random.default_rng(4)
    angle = rng.uniform(0, 2 * np.pi, 60)
    radius = 5 + rng.normal(0, 0.1, 60)
    points = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
    for make, sign in ((minimum_circumscribed, 1), (maximum_inscribed, -1)):
        zone = make(points)
        assert isinstance(zone, Zone)
        gap = sign * (zone.radius - np.hypot(points[:, 0] - zone.x, points[:, 1] - zone.y))
        assert gap.min() > -1e-9
        assert (gap < 1e-7).sum() >= 2
