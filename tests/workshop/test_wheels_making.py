"""Teeth by their cutter against printed gears and BS 978-2, dividing tables in exact fractions, windows judged by shapely."""

from fractions import Fraction
from math import acos, cos, pi, sin, sqrt, tan

import pytest
import shapely
from scipy.optimize import brentq
from shapely.geometry import Point

from ctrecon.core.measured import Measured
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.tables import read_table
from ctrecon.workshop.wheels.crossing import cross_out
from ctrecon.workshop.wheels.dividing import DividingHead, dividing_table, index_step
from ctrecon.workshop.wheels.tooth import (
    beside_as_found,
    clock_pinion,
    clock_wheel,
    cycloidal_factors,
    span,
    spur_tooth,
    tabled_factors,
    theoretical_addendum,
)

# Spur relations of ISO 54 / ISO 53 gears, as in any textbook: module, count, d, da, df.
SPURS = [
    (1, 20, 20, 22, 17.5), (1, 40, 40, 42, 37.5), (0.5, 48, 24, 25, 22.75), (0.5, 127, 63.5, 64.5, 62.25),
    (2, 17, 34, 38, 29), (2, 51, 102, 106, 97), (0.8, 12, 9.6, 11.2, 7.6), (0.8, 60, 48, 49.6, 46),
]  # fmt: skip


@pytest.mark.parametrize(("module", "teeth", "pitch", "tip", "root"), SPURS)
def test_spur_blanks(module: float, teeth: int, pitch: float, tip: float, root: float) -> None:
    """Blank, root and pitch diameters and the depth of cut of printed spur gears; u grows with that of the module."""
    found = spur_tooth(teeth, Measured(module, 0.001))
    assert (found.pitch_diameter.value, found.blank_diameter.value, found.root_diameter.value) == pytest.approx((pitch, tip, root))
    assert found.depth_of_cut.value == pytest.approx((tip - root) / 2)
    assert found.blank_diameter.u == pytest.approx(0.001 * (teeth + 2))
    assert found.tip_radius is None and "involute" in found.cutter


# Spans over k teeth at 20°: W = m (1.476065 (2k - 1) + 0.0140055 z), the constants as printed in handbooks.
@pytest.mark.parametrize(
    ("module", "teeth", "over", "width"),
    [(1, 20, 3, 7.6604), (1, 60, 7, 20.0292), (0.5, 48, 6, 8.4545), (3, 30, 4, 32.2579), (2, 17, 2, 9.3326)],
)
def test_spans(module: float, teeth: int, over: int, width: float) -> None:
    """Spans come out as printed, and by the handbook's constants."""
    assert span(teeth, module, over) == pytest.approx(width, abs=6e-5)
    assert span(teeth, module, over) == pytest.approx(module * (1.476065 * (2 * over - 1) + 0.0140055 * teeth), abs=2e-5 * module)


# f0 of BS 978-2, worked by the formula and by an epicycloid drawn otherwise.
@pytest.mark.parametrize(
    ("teeth", "leaves", "addendum"),
    [(60, 8, 1.548805), (75, 10, 1.687395), (64, 8, 1.552181), (96, 12, 1.811650), (80, 16, 1.968257), (30, 6, 1.361473), (48, 6, 1.384329)],
)
def test_theoretical_addendum_is_an_epicycloids(teeth: int, leaves: int, addendum: float) -> None:
    """f0 as worked, and where an epicycloid of half the pinion's pitch radius crosses the middle of the tooth."""
    assert theoretical_addendum(teeth, leaves) == pytest.approx(addendum, abs=1e-6)
    big, small = teeth / 2, leaves / 4
    half = pi / (2 * teeth)

    def ahead(roll: float) -> float:
        # point of the rolling circle, as an angle round the wheel from where it left the pitch circle
        x = (big + small) * cos(roll) - small * cos((big + small) / small * roll)
        y = (big + small) * sin(roll) - small * sin((big + small) / small * roll)
        return y / x - tan(half)

    roll = brentq(ahead, 1e-6, pi * small / big)
    x = (big + small) * cos(roll) - small * cos((big + small) / small * roll)
    y = (big + small) * sin(roll) - small * sin((big + small) / small * roll)
    assert sqrt(x * x + y * y) - big == pytest.approx(addendum, abs=1e-6)


def test_formula_reproduces_the_table_of_bs_978() -> None:
    """Of 126 entries each (BS 978-2 as transcribed), addenda agree to 0.0009, radii to 0.0014; most to 0.0006 and 0.0011."""
    source, rows = read_table("bs978_wheels")
    assert "BS 978" in source and len(rows) == 14 * 9
    off_f, off_r = [], []
    for row in rows:
        leaves, ratio = int(row["leaves"]), Fraction(row["ratio"])
        teeth = ratio * leaves
        f, radius = cycloidal_factors(teeth, leaves)  # the formula takes half teeth, the table has ratio 6.5 of 7 leaves
        off_f.append(abs(f - float(row["addendum"])))
        off_r.append(abs(radius - float(row["radius"])))
    assert max(off_f) < 0.0009 and max(off_r) < 0.0014
    assert sum(one > 0.0006 for one in off_f) + sum(one > 0.0011 for one in off_r) <= 6
    # the transcription has 2.080 for 7 leaves at ratio 10; neighbours 2.072 and 2.080 and the formula, 2.0748, say 2.075
    assert tabled_factors(70, 7) == (1.408, 2.075)
    assert cycloidal_factors(70, 7)[1] == pytest.approx(2.0748, abs=1e-4)


def test_worked_clock_wheel_and_pinion() -> None:
    """Wheel 75, pinion 10, module 0.12, a worked case: wheel blank 9.385, pinion of profile B 1.361 mm."""
    wheel = clock_wheel(75, 10, Measured(0.12))
    assert tabled_factors(75, 10) == (1.603, 2.363)
    assert wheel.blank_diameter.value == pytest.approx(9.385, abs=5e-4)
    assert wheel.tooth_width.value == pytest.approx(pi / 2 * 0.12) and wheel.dedendum.value == pytest.approx(pi / 2 * 0.12)
    assert clock_pinion(10, 75, Measured(0.12), profile="B").blank_diameter.value == pytest.approx(1.361, abs=5e-4)


# BS 978-2 pinions: leaves, profile by the usual choice, addendum, ogive radius, width of a leaf (modules).
@pytest.mark.parametrize(
    ("leaves", "profile", "addendum", "radius", "width"),
    [(6, "C", 0.855, 1.05, 1.05), (7, "C", 0.855, 1.05, 1.05), (8, "B", 0.67, 0.70, 1.05), (10, "A", 0.525, 0.525, 1.05), (12, "A", 0.625, 0.625, 1.25)],
)
def test_pinion_profiles(leaves: int, profile: str, addendum: float, radius: float, width: float) -> None:
    """Each number of leaves gets its usual profile, with the standard's sizes; the root clears the wheel's tips."""
    found = clock_pinion(leaves, 8 * leaves, Measured(1.0))
    assert f"profile {profile}" in found.cutter
    assert (found.addendum.value, found.tooth_width.value) == (addendum, width)
    assert found.tip_radius is not None and found.tip_radius.value == radius
    distance = (leaves + 8 * leaves) / 2
    tips = clock_wheel(8 * leaves, leaves, Measured(1.0)).blank_diameter.value / 2
    assert distance - tips - found.root_diameter.value / 2 == pytest.approx(0.4)
    with pytest.raises(PlanError, match="choose A, B or C"):
        clock_pinion(leaves, 60, Measured(1.0), profile="D")


def test_beside_the_tooth_as_found() -> None:
    """A worn tip agrees with its form, a taller one and another root do not."""
    form = spur_tooth(48, Measured(0.5, 0.0005))
    worn = beside_as_found(form, Measured(24.8, 0.01), Measured(22.75, 0.02))
    assert worn.agrees and worn.tip.value == pytest.approx(-0.2) and worn.depth is not None
    assert worn.depth.value == pytest.approx(-0.1) and worn.tip.u == pytest.approx(0.0269, abs=1e-3)
    assert not beside_as_found(form, Measured(25.2, 0.01)).agrees
    assert not beside_as_found(form, Measured(25.0, 0.01), Measured(22.3, 0.02)).agrees


# Simple indexing at 40:1 as shop books work it: teeth, turns, part of a turn.
@pytest.mark.parametrize(
    ("teeth", "turns", "rest"),
    [(6, 6, (2, 3)), (24, 1, (2, 3)), (36, 1, (1, 9)), (40, 1, (0, 1)), (48, 0, (5, 6)), (60, 0, (2, 3)), (98, 0, (20, 49)), (100, 0, (2, 5))],
)
def test_simple_indexing(teeth: int, turns: int, rest: tuple[int, int]) -> None:
    """Turns and holes as shop books give them (40 over the number of teeth)."""
    step = index_step(teeth)
    assert step.turns == turns and Fraction(step.holes, step.circle) == Fraction(*rest)
    assert all(one % Fraction(*rest).denominator == 0 for one in step.choices)


@pytest.mark.parametrize("teeth", [7, 36, 48, 62, 98, 111])
def test_cranking_round_comes_back_exactly(teeth: int) -> None:
    """In exact fractions, each row's turns and holes put the work at its angle, and the next step closes the circle."""
    head = DividingHead(90, (20, 21, 27, 31, 37, 49)) if teeth != 48 else DividingHead()
    table = dividing_table(teeth, head=head)
    assert table.step is not None
    each = table.step.turns + Fraction(table.step.holes, table.step.circle)
    assert each * teeth == head.worm
    for k, row in enumerate(table.rows):
        assert row.turns is not None and row.holes is not None and row.holes < table.step.circle
        assert (row.turns + Fraction(row.holes, table.step.circle)) / head.worm == Fraction(k, teeth)


def test_a_missing_circle_is_named_and_would_serve() -> None:
    """127 teeth, and 51, are refused at 40:1 with the circle that is missing; with that circle they can be divided."""
    for teeth, missing in ((127, 127), (51, 51), (63, 63)):
        with pytest.raises(PlanError, match=rf"circle of {missing} holes"):
            index_step(teeth)
        assert index_step(teeth, DividingHead(40, (missing,))).holes == 40 % missing
    # 122 = 2 x 61: 40/122 = 20/61
    with pytest.raises(PlanError, match="circle of 61 holes"):
        dividing_table(122, head=DividingHead())


@pytest.mark.parametrize("teeth", [7, 48, 59, 127, 365])
def test_angles_in_degrees_and_minutes(teeth: int) -> None:
    """Angles are within half the last digit of k / n of a turn, with no minute of 60; 7 teeth step 51° 25.7′."""
    table = dividing_table(teeth)
    assert len(table.rows) == teeth and table.step is None
    for k, row in enumerate(table.rows):
        assert 0 <= row.minutes < 60 and row.turns is None
        assert row.degrees + row.minutes / 60 == pytest.approx(360 * k / teeth, abs=0.05 / 60 + 1e-12)
    if teeth == 7:
        assert (table.rows[1].degrees, table.rows[1].minutes) == (51, 25.7)
    with pytest.raises(PlanError):
        dividing_table(1)


def window_area(inner: float, boss: float, arm: float, arms: int) -> float:
    """Return the area of all windows in closed form: the ring less the arms, each a strip between two circles."""

    def strip(radius: float) -> float:  # half-plane x > 0 part of a strip of this width in a disc
        half = arm / 2
        return half * sqrt(radius**2 - half**2) + radius**2 * (pi / 2 - acos(half / radius))

    return pi * (inner**2 - boss**2) - arms * (strip(inner) - strip(boss))


@pytest.mark.parametrize("arms", [3, 4, 5, 6])
def test_windows_have_the_area_of_ring_less_arms(arms: int) -> None:
    """Windows are apart by an arm, clear of boss and rim, and their area is that of ring less arms."""
    out = cross_out(Measured(45.0, 0.02), Measured(1.5, 0.01), boss_diameter=12.0, arms=arms, arm_width=Measured(2.0))
    inner = (45 - 3) / 2
    assert out.inner_diameter.value == pytest.approx(2 * inner) and len(out.windows) == arms
    area = sum(one.area for one in out.windows)
    assert area == pytest.approx(window_area(inner, 6.0, 2.0, arms), rel=1e-3)
    together = shapely.union_all(out.windows)
    assert together.distance(Point(0, 0)) == pytest.approx(6.0, abs=0.01)
    assert max(Point(0, 0).distance(Point(p)) for one in out.windows for p in one.exterior.coords) == pytest.approx(inner, abs=1e-6)
    assert out.windows[0].distance(out.windows[1]) == pytest.approx(2.0, abs=1e-6)


def test_crossing_out_that_cannot_be_is_refused() -> None:
    """A boss as wide as the inside, arms that fill the windows, and a single arm are refused with their sizes."""
    with pytest.raises(PlanError, match="no more than the boss"):
        cross_out(Measured(20.0), Measured(1.0), boss_diameter=18.0, arms=4)
    with pytest.raises(PlanError, match="no file enters"):
        cross_out(Measured(20.0), Measured(1.0), boss_diameter=6.0, arms=6, arm_width=Measured(8.0))
    with pytest.raises(PlanError, match="2 arms or more"):
        cross_out(Measured(20.0), Measured(1.0), boss_diameter=6.0, arms=1)


def test_a_tooth_that_cannot_be_is_refused() -> None:
    """No module, two teeth, a pinion larger than its wheel, a span over all teeth, an unheard-of pressure angle."""
    for call in (
        lambda: spur_tooth(20, Measured(0.0)), lambda: spur_tooth(2, Measured(1.0)), lambda: clock_wheel(6, 60, Measured(1.0)),
        lambda: span(20, 1.0, 20), lambda: spur_tooth(20, Measured(1.0), pressure_deg=60.0),
    ):  # fmt: skip
        with pytest.raises(PlanError):
            call()
    assert spur_tooth(20, Measured(1.0), pressure_deg=14.5).blank_diameter.value == pytest.approx(22.0)
