"""Play of two pins and diamond pins against worked figures and brute force."""

import numpy as np
import pytest

from ctrecon.core.errors import InputError
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.pins.two_pins import angular_play, diamond_pin


@pytest.mark.parametrize(
    ("c1", "c2", "distance", "error", "radians", "arcmin"),
    [
        (0.02, 0.02, 60, 0, 0.00033333, 1.1459), (0.02, 0.02, 30, 0, 0.00066667, 2.2918), (0.02, 0.04, 60, 0, 0.00050000, 1.7189),
        (0.05, 0.05, 40, 0, 0.00125000, 4.2972), (0.02, 0.02, 60, 0.015, 0.00022045, 0.7579), (0.02, 0.02, 60, 0.020, 0, 0),
    ],
)  # fmt: skip
def test_turn_of_a_plate(c1: float, c2: float, distance: float, error: float, radians: float, arcmin: float) -> None:
    """Turn by clearances, distance and error of pitch (own table, found apart by brute force)."""
    play = angular_play(c1, c2, distance, pitch_error_mm=error)
    # the last row just goes: its turn hangs on the last digit of q - e
    assert play.turn_rad == pytest.approx(radians, abs=6e-9 if radians else 1e-8)
    assert play.turn_arcmin == pytest.approx(arcmin, abs=6e-5)


def test_a_point_moves_with_the_turn() -> None:
    """At radius 40 from a pin the first row moves 0.0133 mm."""
    assert angular_play(0.02, 0.02, 60).moves_mm(40) == pytest.approx(0.0133, abs=5e-5)


@pytest.mark.parametrize(("c1", "c2", "distance", "error"), [(0.3, 0.5, 12, 0.1), (0.8, 0.2, 9, -0.3), (0.4, 0.4, 20, 0.0)])
def test_turn_against_sliding_the_plate(c1: float, c2: float, distance: float, error: float) -> None:
    """Greatest turn among many places of the plate in which both pins stay inside their holes (brute force)."""
    best = 0.0
    spread = np.linspace(-c1 / 2, c1 / 2, 201)
    x, y = (one.ravel() for one in np.meshgrid(spread, spread))
    inside = x**2 + y**2 <= (c1 / 2) ** 2 + 1e-12
    x, y = x[inside], y[inside]
    for turn in np.linspace(0, 0.1, 2001):
        fx = x + (distance + error) * np.cos(turn) - distance
        fy = y + (distance + error) * np.sin(turn)
        if (fx**2 + fy**2 <= (c2 / 2) ** 2).any():
            best = float(turn)
    assert angular_play(c1, c2, distance, pitch_error_mm=error).turn_rad == pytest.approx(best, abs=3e-4)


@pytest.mark.parametrize(("hole", "pin", "error", "land"), [(3.02, 3.00, 0.05, 0.5520), (6.015, 6.000, 0.05, 0.8511), (2.03, 2.00, 0.1, 0.2022)])
def test_land_of_a_diamond_pin(hole: float, pin: float, error: float, land: float) -> None:
    """Land that still takes the error of pitch (own table): its corner then just meets the hole's wall."""
    found = diamond_pin(hole, pin, error)
    assert found.land_mm == pytest.approx(land, abs=5e-5)
    # the land's edge on the pin's circle, shifted by the error, lies on the hole's circle
    half = found.land_mm / 2
    assert np.hypot(half + error, np.sqrt((pin / 2) ** 2 - half**2)) == pytest.approx(hole / 2)


def test_plates_that_do_not_go_on_are_refused() -> None:
    """An error of pitch above the play, a pin without land, and sizes that are none."""
    with pytest.raises(PlanError, match="does not go on"):
        angular_play(0.02, 0.02, 60, pitch_error_mm=0.021)
    with pytest.raises(PlanError, match="no diamond pin"):
        diamond_pin(3.01, 3.0, 0.2)
    with pytest.raises(InputError, match="does not go into"):
        diamond_pin(2.9, 3.0, 0.1)
    with pytest.raises(InputError, match="clearance"):
        angular_play(-0.02, 0.02, 60)
    with pytest.raises(InputError, match="above 0"):
        angular_play(0.02, 0.02, 0)
