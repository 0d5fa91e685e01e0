"""Size and length of register pins: the rules they follow, checked on many plates."""

import itertools

import numpy as np
import pytest

from ctrecon.core.errors import InputError
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.pins.choose import choose_length, choose_pin
from ctrecon.workshop.pins.tables import listed_lengths, pin_named, taper_pins


def test_length_of_the_worked_case() -> None:
    """1:50, d 2, 6 mm of plates, 0.5 below: the 5 mm pin, 0.50 above the far face (own, computed apart)."""
    length = choose_length([3, 3], pin_named("2"), set_below_mm=0.5)
    assert (length.length_mm, length.cut_mm, length.bought.label) == (5.0, 0.0, "5 mm")
    assert length.end_above_mm == pytest.approx(0.5)


def test_length_is_the_longest_that_fits() -> None:
    """For random plates no longer listed pin ends below the far face with its tolerance, and cut ones reach as far as they may."""
    rng = np.random.default_rng(31)
    cut = 0
    for _ in range(300):
        plates = [float(one) for one in rng.uniform(0.9, 6, 2)]
        pin = pin_named(("1", "1.2", "2")[int(rng.integers(3))])
        found = choose_length(plates, pin, stack_U_mm=0.05)
        room = sum(plates) - 0.05 - 0.25 - 0.2
        assert found.length_mm <= room + 1e-9
        assert found.end_above_mm >= 0.2 + 0.05 - 1e-9
        assert found.engagement_mm[-1] > 0
        if found.cut_mm:
            cut += 1
            assert found.length_mm > room - 0.1 - 1e-9
            assert found.cut_end == "thick"
            assert found.length_mm + found.cut_mm == pytest.approx(found.bought.length_mm)
        else:
            longer = [one for one in listed_lengths() if one.length_mm > found.length_mm]
            assert longer[0].length_mm > room or longer[0].length_mm + (longer[0].tolerance_mm or 0) > room + 0.2
    assert 0 < cut < 300


def test_size_wants_plate_round_it() -> None:
    """1.5 mm plates take the 1 mm pin, 3 mm plates the 2 mm pin: 1.5 diameters of plate each (from memory, a default)."""
    assert choose_pin([1.5, 1.5]).pin.name == "1"
    assert choose_pin([3, 5]).pin.name == "2"
    choice = choose_pin([3, 3])
    assert choice.hole.pilot.drill.diameter_mm <= choice.hole.exit_mm
    assert "diameters" in choice.reason


def test_size_agrees_with_going_through_the_list() -> None:
    """For many plates the size is the thickest listed one with 1.5 diameters of the thinner plate."""
    for a, b in itertools.product(np.arange(1.0, 6.0, 0.23), repeat=2):
        choice = choose_pin([float(a), float(b)])
        best = max(one.basic_mm for one in taper_pins() if 1.5 * one.basic_mm <= min(a, b) + 1e-9)
        assert choice.pin.basic_mm == best


def test_a_size_without_a_place_is_passed_over() -> None:
    """Where only pins up to 1.3 mm have a place, the next thinner size is taken and the others are told with the reason."""
    choice = choose_pin([3, 3], has_place=lambda mm: None if mm <= 1.3 else "the hub leaves no room")
    assert choice.pin.name == "1"  # the 1.2 pin is 1.3 and more at its thick end
    assert [one.name for one, _ in choice.passed_over] == ["2", "1.5", "1.2"]
    assert {why for _, why in choice.passed_over} == {"the hub leaves no room"}
    assert "passed over: the hub leaves no room" in choice.reason
    with pytest.raises(PlanError, match=r"even ISO 2339 0\.6 mm fails, for the hub leaves no room"):
        choose_pin([3, 3], has_place=lambda mm: "the hub leaves no room")


def test_the_users_own_size_is_kept_and_checked() -> None:
    """A thick pin in thin plates stands, with a warning; without a place it is refused."""
    choice = choose_pin([1.5, 1.5], pin=pin_named("2"))
    assert choice.pin.name == "2"
    assert choice.warnings == ("ISO 2339 2 mm: the plate of 1.50 mm holds less than 1 diameter of it",)
    assert "as given" in choice.reason
    with pytest.raises(PlanError, match="no room beside the arbor"):
        choose_pin([1.5, 1.5], pin=pin_named("2"), has_place=lambda mm: "no room beside the arbor")


def test_thick_plate_is_told() -> None:
    """A plate over three diameters deep is told to be opened from the far side (a maker's technical sheet: 3 D at most)."""
    assert "3 diameters deep" in choose_pin([1.5, 8]).reason
    assert "diameters deep" not in choose_pin([2, 3]).reason


def test_what_cannot_be_held_is_refused() -> None:
    """Plates too thin for any pin, a pin that can't reach the last plate, one plate only."""
    with pytest.raises(PlanError, match="holds less than 1 diameter"):
        choose_pin([0.4, 0.4])
    with pytest.raises(PlanError, match="does not reach the last plate"):
        choose_length([1.5, 0.2], pin_named("1"))
    with pytest.raises(InputError, match="at least two plates"):
        choose_pin([3])
