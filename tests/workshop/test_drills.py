"""Drills: sizes, names and choice against the published series."""

import pytest

from ctrecon.core.errors import InputError
from ctrecon.workshop.drills import drill_named, drills, largest_drill_up_to, nearest_drill, smallest_drill_from
from ctrecon.workshop.errors import PlanError


def test_series_are_complete() -> None:
    """80 number and 26 letter drills (ASME B94.11M), 227 metric ones to 25 mm (BS 328), fractions by 1/64 to 1-3/4 in."""
    counts = {key: len(drills(key)) for key in ("number", "letter", "metric", "fraction")}
    assert counts == {"number": 80, "letter": 26, "metric": 227, "fraction": 112}
    assert drills("fraction")[-1].diameter_mm == pytest.approx(1.75 * 25.4)


@pytest.mark.parametrize(
    ("name", "inch"),
    [("#1", 0.2280), ("No. 51", 0.0670), ("no 80", 0.0135), ("number 60", 0.0400), ("A", 0.234), ("q", 0.332),
     ("Z", 0.413), ("1/16", 0.0625), ("13/64 in", 0.203125), ("1-3/8", 1.375), ("1 in", 1.0)],
)  # fmt: skip
def test_inch_drills_by_name(name: str, inch: float) -> None:
    """Sizes of named drills (ASME B94.11M; 1/64 in steps)."""
    assert drill_named(name).diameter_mm == pytest.approx(inch * 25.4, abs=1e-9)


def test_neighbours_in_the_published_tables() -> None:
    """1/16 lies between #53 and #52, 3/32 between #42 and #41, 1/8 between #31 and #30; E is 1/4 in, Q is not (drill tables)."""
    for fraction, below, above in (("1/16", "#53", "#52"), ("3/32", "#42", "#41"), ("1/8", "#31", "#30"), ("3/16", "#13", "#12")):
        mm = drill_named(fraction).diameter_mm
        assert largest_drill_up_to(mm, "number").drill.name == below
        assert smallest_drill_from(mm, "number").drill.name == above
    assert nearest_drill(6.35, ("letter",)).drill.name == "E"
    assert nearest_drill(6.35, ("letter",)).off_mm == pytest.approx(0)
    assert drill_named("Q").diameter_mm > 8


def test_metric_pattern() -> None:
    """BS 328: 0.2 to 0.98 with steps of .00, .02, .05, .08; 1.0 to 2.95 by 0.05; 3.0 to 13.9 by 0.1; 14 to 25 by 0.25."""
    sizes = {round(one.diameter_mm, 2) for one in drills("metric")}
    rule = {round(n / 10 + e, 2) for n in range(2, 10) for e in (0, 0.02, 0.05, 0.08)}
    rule |= {round(1 + 0.05 * k, 2) for k in range(40)} | {round(3 + 0.1 * k, 2) for k in range(110)}
    rule |= {round(14 + 0.25 * k, 2) for k in range(45)}
    assert sizes == rule


def test_choice_agrees_with_a_plain_search() -> None:
    """The largest not over, smallest not under and nearest drill agree with going through the whole list."""
    every = drills()
    for k in range(1, 400):
        mm = 0.35 + 0.0317 * k
        low = largest_drill_up_to(mm)
        assert low.drill.diameter_mm == max(one.diameter_mm for one in every if one.diameter_mm <= mm)
        assert low.off_mm <= 0 and low.drill.name in low.reason
        assert smallest_drill_from(mm).drill.diameter_mm == min(one.diameter_mm for one in every if one.diameter_mm >= mm)
        assert abs(nearest_drill(mm).off_mm) == min(abs(one.diameter_mm - mm) for one in every)


def test_an_exact_size_is_its_own_drill() -> None:
    """A size that is a drill is taken as it is, both ways."""
    for one in drills("metric"):
        assert largest_drill_up_to(one.diameter_mm, "metric").drill == one == smallest_drill_from(one.diameter_mm, "metric").drill


@pytest.mark.parametrize("name", ["#81", "0", "AA", "3/7", "26 mm", "", "5/0", "0.0003"])
def test_what_is_no_drill_is_refused(name: str) -> None:
    """Names that no drill has are refused with a sentence."""
    with pytest.raises(InputError, match="no drill is called"):
        drill_named(name)


def test_a_bare_number_is_not_guessed() -> None:
    """5 may be number 5 (5.220 mm) or 5 mm, so it is asked back."""
    with pytest.raises(InputError, match=r"write '#5' or '5 mm'"):
        drill_named("5")
    assert drill_named("5 mm").diameter_mm == 5
    assert drill_named("#5").diameter_mm == pytest.approx(5.2197)


def test_out_of_reach_is_refused() -> None:
    """Smaller than every drill, larger than every drill, and a series that is not there."""
    with pytest.raises(PlanError, match="no drill is as small"):
        largest_drill_up_to(0.1)
    with pytest.raises(PlanError, match="no drill reaches"):
        smallest_drill_from(30, "metric")
    with pytest.raises(InputError, match="no series"):
        drills("imperial")
