"""Tapered holes, their depth stops and five-sided broaches against worked cases and plain geometry."""

import math

import numpy as np
import pytest
from shapely.geometry import Polygon

from ctrecon.core.errors import InputError
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.pins.broach import five_sided_broach, hole_from_caliper, taper_of_tool
from ctrecon.workshop.pins.tables import pin_named
from ctrecon.workshop.pins.tapered import (
    STAND_OFF_IN_ARMY_MM,
    depth_stop,
    opening_per_mm,
    seat_u_mm,
    taper_mismatch_mm,
    tapered_hole,
    travel_mm,
)


@pytest.mark.parametrize(
    ("plates", "d", "length", "below", "entry", "joint", "exit_mm"),
    [([3, 3], 2.0, 5, 0.5, 2.110, 2.050, 1.990), ([1.5, 3.0], 1.5, 4, 0.25, 1.585, 1.555, 1.495)],
)
def test_worked_holes(
    plates: list[float], d: float, length: float, below: float, entry: float, joint: float, exit_mm: float
) -> None:
    """Entry, joint and exit of two worked cases at 1:50 (own closed form, computed apart)."""
    hole = tapered_hole(plates, small_end_mm=d, length_mm=length, set_below_mm=below)
    assert (hole.entry_mm, *hole.joints_mm, hole.exit_mm) == pytest.approx((entry, joint, exit_mm))
    assert hole.pilot.drill.diameter_mm <= hole.exit_mm
    assert hole.end_above_mm == pytest.approx(sum(plates) - below - length)
    assert sum(hole.engagement_mm) == pytest.approx(length)


def test_pilot_of_the_first_worked_hole() -> None:
    """1:50, d 2, 5 long, 0.5 below, 6 mm of plates: drill 1.95, pin ends 0.50 above the far face (own, computed apart)."""
    hole = tapered_hole([3, 3], small_end_mm=2, length_mm=5, set_below_mm=0.5)
    assert hole.pilot.drill.name == "1.95 mm"
    assert hole.end_above_mm == pytest.approx(0.5)
    assert "1.95 mm drill" in hole.reason


def test_inch_pin_flush_in_a_quarter_inch() -> None:
    """No. 6/0 (0.0780 in large end) flush in 0.25 in at 1:48: 1.981 mm at the entry, 0.072792 in = 1.8489 mm at the exit."""
    pin = pin_named("6/0", "inch")
    length = 0.25 * 25.4
    hole = tapered_hole([length], small_end_mm=pin.small_end_mm(length), length_mm=length, taper=48, set_below_mm=0)
    assert hole.entry_mm == pytest.approx(1.9812, abs=5e-5)
    assert hole.exit_mm == pytest.approx(1.8489, abs=5e-5)
    assert hole.exit_mm / 25.4 == pytest.approx(0.072792, abs=5e-7)


def test_diameter_is_the_pin_where_the_pin_is() -> None:
    """Hole and pin, each a cone of its own, have the same diameter along the pin's whole length."""
    hole = tapered_hole([2, 1.3, 2], small_end_mm=1.2, length_mm=4, set_below_mm=0.4)
    for z in np.linspace(0.4, 4.4, 9):
        pin = 1.2 + (4.4 - z) / 50
        assert hole.diameter_at(float(z)) == pytest.approx(pin)
    assert len(hole.joints_mm) == 2
    assert hole.engagement_mm == pytest.approx((1.6, 1.3, 1.1))


def test_travel_by_taper() -> None:
    """Travel for 0.01 mm is 0.50 mm at 1:50 and 0.48 at 1:48, 5.0 and 4.8 for 0.1 mm; 20.00 and 20.83 µm per mm."""
    assert travel_mm(0.01, 50) == pytest.approx(0.50)
    assert travel_mm(0.01, 48) == pytest.approx(0.48)
    assert travel_mm(0.1, 50) == pytest.approx(5.0)
    assert travel_mm(0.1, 48) == pytest.approx(4.8)
    assert 1000 * opening_per_mm(50) == pytest.approx(20.00)
    assert 1000 * opening_per_mm(48) == pytest.approx(20.83, abs=0.005)


def test_tapers_of_inch_and_metric_part() -> None:
    """1:48 against 1:50: 5.0 µm in 6 mm, 0.00083 in per inch, which a forum rounds to 0.0008."""
    assert 1000 * taper_mismatch_mm(48, 50, 6) == pytest.approx(5.0, abs=0.01)
    assert taper_mismatch_mm(48, 50, 1) == pytest.approx(0.00083, abs=5e-6)


def test_seat_depth_spreads_as_drawn_at_random() -> None:
    """u of the seating depth agrees with 200 000 draws of hole and pin within 1 %."""
    rng = np.random.default_rng(4711)
    hole, pin = rng.normal(0, 0.004, 200_000), rng.normal(0, 0.007, 200_000)
    assert seat_u_mm(0.004, 0.007) == pytest.approx(float(np.std(50 * (hole - pin))), rel=0.01)


def test_stand_off_of_the_army_manual() -> None:
    """1/16 in at 1:48 is 33 µm of interference (US Army TM 9-254's stand-off)."""
    pin = pin_named("6/0", "inch")
    hole = tapered_hole([3.5, 3.5], small_end_mm=pin.small_end_mm(6.5), length_mm=6.5, taper=48, set_below_mm=0.25)
    stop = depth_stop(hole, stand_off_mm=STAND_OFF_IN_ARMY_MM)
    assert 1000 * stop.interference_mm == pytest.approx(33, abs=0.1)
    assert stop.head_mm == pytest.approx(STAND_OFF_IN_ARMY_MM - 0.25)
    assert stop.entry_cut_mm == pytest.approx(hole.entry_mm - stop.interference_mm)


def test_the_pin_gauges_the_hole() -> None:
    """In the hole as cut the pin's cone meets the hole's just where the stop says its head is."""
    hole = tapered_hole([2, 2], small_end_mm=1.2, length_mm=3.5, set_below_mm=0.25)
    stop = depth_stop(hole, stand_off_mm=0.4, tool_point_mm=1.0, tolerance_mm=0.04)
    # the pin's large end, head_mm above the face, has the diameter the cut cone would have there
    assert stop.entry_cut_mm + stop.head_mm / 50 == pytest.approx(1.2 + 3.5 / 50)
    assert stop.collar_mm == pytest.approx(50 * (stop.entry_cut_mm - 1.0))
    assert stop.past_mm == pytest.approx(50 * (stop.exit_cut_mm - 1.0))
    assert "2.0 mm apart" in stop.reason
    with pytest.raises(PlanError, match="thinner point"):
        depth_stop(hole, tool_point_mm=1.25)


def test_a_pin_out_of_the_far_face_is_refused() -> None:
    """A pin longer than the plates would hold the next plate off: refused with by how much."""
    with pytest.raises(PlanError, match=r"stands 1\.25 mm out of the far face"):
        tapered_hole([1.5, 1.5], small_end_mm=1, length_mm=4)
    with pytest.raises(InputError, match="set 2 mm below"):
        tapered_hole([1.5, 1.5], small_end_mm=1, length_mm=1, set_below_mm=2)
    with pytest.raises(InputError, match="thickness"):
        tapered_hole([1.5, -1.5], small_end_mm=1, length_mm=1)


def test_five_sided_broach_as_a_polygon() -> None:
    """Side 0.58779, diagonal 0.95106, corner to flat 0.90451, inscribed 0.80902 D, 75.68 % of the circle: from a drawn pentagon."""
    size = five_sided_broach(3.0)
    angles = 2 * np.pi * np.arange(5) / 5
    corners = 1.5 * np.column_stack([np.cos(angles), np.sin(angles)])
    turns = np.linspace(0, np.pi, 20_001)
    widths = np.ptp(corners @ np.array([np.cos(turns), np.sin(turns)]), axis=0)
    assert size.widest_mm == pytest.approx(widths.max(), abs=1e-6)
    assert size.narrowest_mm == pytest.approx(widths.min(), abs=1e-3)
    assert size.area_share == pytest.approx(Polygon(corners).area / (math.pi * 1.5**2))
    assert [size.side_mm / 3, size.widest_mm / 3, size.narrowest_mm / 3, size.inscribed_mm / 3, 100 * size.area_share] == pytest.approx(
        [0.58779, 0.95106, 0.90451, 0.80902, 75.68], abs=5e-3
    )


def test_a_caliper_does_not_show_the_broached_hole() -> None:
    """Hole 3.000 reads 2.853 at most and 2.714 at least; either reading gives the hole back."""
    size = five_sided_broach(3.0)
    assert size.widest_mm == pytest.approx(2.853, abs=5e-4)
    assert size.narrowest_mm == pytest.approx(2.714, abs=5e-4)
    assert hole_from_caliper(size.widest_mm) == pytest.approx(3.0)
    assert hole_from_caliper(size.narrowest_mm, widest=False) == pytest.approx(3.0)


def test_taper_from_the_tool() -> None:
    """A smoothing broach 8.6 to 7.6 over 130 is 1:130, 7.69 µm per mm (a maker's page)."""
    taper = taper_of_tool(8.6, 7.6, 130)
    assert taper == pytest.approx(130)
    assert 1000 * opening_per_mm(taper) == pytest.approx(7.69, abs=0.005)
    with pytest.raises(InputError, match="two different diameters"):
        taper_of_tool(8, 8, 100)
