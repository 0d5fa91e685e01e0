"""Taper pins as listed, against the standards' tables and a published table of pilot drills."""

import pytest

from ctrecon.core.errors import InputError
from ctrecon.workshop.drills import drill_named, largest_drill_up_to
from ctrecon.workshop.pins.tables import listed_lengths, pin_named, taper_pins
from ctrecon.workshop.pins.tapered import seat_spread_mm

# US Army TM 9-254, table 3-1: pin, length (in), pilot drill
ARMY = {
    "3/8": {"6/0": "#50", "5/0": "#44", "4/0": "#38", "3/0": "#32", "2/0": "#29"},
    "1/2": {"6/0": "#51", "5/0": "#45", "4/0": "#39", "3/0": "#33", "2/0": "#30", "0": "#27"},
    "5/8": {"6/0": "#52", "5/0": "#46", "4/0": "#41", "3/0": "#34", "2/0": "#30", "0": "#27", "1": "#21"},
    "3/4": {"6/0": "1/16", "5/0": "#47", "4/0": "#42", "3/0": "7/64", "2/0": "1/8", "0": "9/64", "1": "5/32", "2": "#16",
            "3": "13/64", "4": "15/64"},
    "1": {"5/0": "#49", "4/0": "#44", "3/0": "#37", "2/0": "#31", "0": "#29", "1": "#25", "2": "11/64", "3": "#9", "4": "#1",
          "5": "H"},
    "1-1/4": {"2/0": "#32", "0": "#30", "1": "#26", "2": "#19", "3": "#10", "4": "#2", "5": "G"},
    "1-1/2": {"0": "1/8", "1": "9/64", "2": "#20", "3": "3/16", "4": "7/32", "5": "F"},
    "1-3/4": {"0": "#31", "1": "#29", "2": "5/32", "3": "#14", "4": "#3", "5": "E"},
    "2": {"0": "#33", "1": "#30", "2": "#25", "3": "#16", "4": "#4", "5": "D"},
}  # fmt: skip


def test_iso_sizes() -> None:
    """ISO 2339:1986: 20 small-end sizes, 1:50, large end d + l/50: 3 x 30 is 3.600, 2 x 20 is 2.400, 4 x 40 is 4.800."""
    sizes = [0.6, 0.8, 1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10, 12, 16, 20, 25, 30, 40, 50]
    assert [one.basic_mm for one in taper_pins("iso")] == sizes
    for name, length, large in (("3", 30, 3.6), ("2", 20, 2.4), ("4", 40, 4.8)):
        pin = pin_named(name)
        assert pin.large_end_mm(length) == pytest.approx(large)
        assert pin.small_end_mm(length) == pin.basic_mm


def test_iso_tolerance_is_h10() -> None:
    """h10 by size (ISO 286-1:2010 table 1): 40 µm to 3 mm, 48 to 6, 58 to 10, 70 to 18, 84 to 30, 100 to 50; 2.0 mm of depth."""
    by_range = [(3, 40), (6, 48), (10, 58), (18, 70), (30, 84), (50, 100)]
    for pin in taper_pins("iso"):
        assert pin.tolerance_mm == next(um for to, um in by_range if pin.basic_mm <= to) / 1000
    assert seat_spread_mm(0.040) == pytest.approx(2.0)


def test_iso_lengths() -> None:
    """ISO 2339 lengths: 2 to 6 by 1, 8 to 32 by 2, 35 to 100 by 5, 120 to 200 by 20; ±0.25 to 10, ±0.5 to 50, ±0.75 beyond."""
    rule = [*range(2, 7), *range(8, 33, 2), *range(35, 101, 5), *range(120, 201, 20)]
    found = listed_lengths("iso")
    assert [one.length_mm for one in found] == rule
    assert {one.tolerance_mm for one in found if one.length_mm <= 10} == {0.25}
    assert {one.tolerance_mm for one in found if 12 <= one.length_mm <= 50} == {0.5}
    assert {one.tolerance_mm for one in found if one.length_mm >= 55} == {0.75}


def test_inch_sizes() -> None:
    """ASME B18.8.2, large ends 7/0 to 10; 2/0 is 0.1410, not the 0.0625 a public table prints."""
    inch = [0.0625, 0.0780, 0.0940, 0.1090, 0.1250, 0.1410, 0.1560, 0.1720, 0.1930, 0.2190, 0.2500, 0.2890, 0.3410, 0.4090,
            0.4920, 0.5910, 0.7060]  # fmt: skip
    assert [one.basic_mm for one in taper_pins("inch")] == pytest.approx([25.4 * one for one in inch])
    assert pin_named("2/0", "inch").basic_mm == pytest.approx(3.5814)


def test_pilot_drills_of_the_army_table() -> None:
    """All 63 drills of TM 9-254 lie within 0.0032 in of the small end D - L/48; the planner never takes a thinner one than need be."""
    seen = 0
    lengths = {one.label.removesuffix(" in"): one.length_mm for one in listed_lengths("inch")}
    assert set(lengths) == set(ARMY)
    for length, row in ARMY.items():
        for name, drill in row.items():
            small = pin_named(name, "inch").small_end_mm(lengths[length])
            assert abs(drill_named(drill).diameter_mm - small) <= 0.0032 * 25.4
            own = largest_drill_up_to(small, ("number", "letter", "fraction")).drill
            table = drill_named(drill).diameter_mm
            # the manual's drill where that is not over the small end, else the next thinner one
            assert own.diameter_mm <= small
            assert own.diameter_mm >= table - 1e-9 or table > small
            seen += 1
    assert seen == 63


@pytest.mark.parametrize(("name", "standard"), [("1.7", "iso"), ("11", "inch"), ("", "iso"), ("6/0", "iso")])
def test_a_pin_not_listed_is_refused(name: str, standard: str) -> None:
    """The refusal names the list and what it holds."""
    with pytest.raises(InputError, match="lists no taper pin"):
        pin_named(name, standard)
    with pytest.raises(InputError, match="no list of taper pins"):
        taper_pins("din")
