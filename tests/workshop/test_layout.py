"""Layout by dividers, drill cones and speeds, against worked values and draws."""

from math import cos, hypot, pi, sin

import numpy as np
import pytest

from ctrecon.workshop.drilling.drill_list import ListedDrill, as_drills, largest_up_to, nearest_between
from ctrecon.workshop.drilling.layout import chord_of_circle, circle_through, position_error, two_arcs
from ctrecon.workshop.drilling.speeds import break_through, cone_height, spindle_speed
from ctrecon.workshop.errors import PlanError


def test_two_arcs_worked() -> None:
    """Arcs of 35 and 40 about points 60 apart (own worked case): place, angle, u for 0.05 each and their correlation."""
    at = two_arcs(35, 40, 60, u_r1=0.05, u_r2=0.05)
    assert (at.x, at.y) == pytest.approx((26.875, 22.42174), abs=1e-5)
    assert at.crossing_deg == pytest.approx(106.07, abs=0.005)
    assert (at.u_x, at.u_y, at.r) == pytest.approx((0.0443, 0.0588, -0.029), abs=6e-4)
    assert two_arcs(35, 40, 60, above=False).y == pytest.approx(-22.42174, abs=1e-5)


def test_two_arcs_u_as_by_monte_carlo() -> None:
    """The spread of 200 000 crossings, with u of the base line too, also on the lower side."""
    rng, n = np.random.default_rng(3), 200_000
    r1, r2, base = 30 + rng.normal(0, 0.04, n), 22 + rng.normal(0, 0.06, n), 41 + rng.normal(0, 0.05, n)
    x = (r1**2 - r2**2 + base**2) / (2 * base)
    y = -np.sqrt(r1**2 - x**2)
    at = two_arcs(30, 22, 41, u_r1=0.04, u_r2=0.06, u_base=0.05, above=False)
    assert (at.u_x, at.u_y) == pytest.approx((x.std(), y.std()), rel=0.01)
    assert at.r == pytest.approx(np.corrcoef(x, y)[0, 1], abs=0.01)
    # the place satisfies both circles, which is what an arc means
    assert hypot(at.x, at.y) == pytest.approx(30)
    assert hypot(at.x - 41, at.y) == pytest.approx(22)


def test_poor_or_no_crossing() -> None:
    """Arcs that hardly cross are called too flat; arcs that do not, also one inside the other, are refused."""
    assert "too flat" in two_arcs(30, 31, 60.5).reason
    assert "too flat" not in two_arcs(35, 40, 60).reason
    for r1, r2, base in ((10, 10, 20), (10, 5, 30), (30, 5, 10), (10, -5, 10)):
        with pytest.raises(PlanError):
            two_arcs(r1, r2, base)


# Chords of n parts over R: 2 sin(180°/n), as in published tables of chords.
@pytest.mark.parametrize(
    ("n", "per_radius"), [(3, 1.73205), (4, 1.41421), (5, 1.17557), (6, 1.0), (8, 0.76537), (12, 0.51764)]
)
def test_chords(n: int, per_radius: float) -> None:
    """Divider settings for 3 to 12 parts; the closing gap agrees with stepping round with the setting a little off."""
    chord = chord_of_circle(n, 20, u_setting=0.01)
    assert chord.chord == pytest.approx(20 * per_radius, abs=2e-4)
    step = 2 * np.arcsin((chord.chord + 1e-4) / 40)
    assert chord.u_closing == pytest.approx(20 * abs(n * step - 2 * pi) * 100, rel=1e-3)
    off = chord_of_circle(n, 20, u_radius=0.01)
    step = 2 * np.arcsin(chord.chord / 2 / (20 + 1e-4))
    assert off.u_closing == pytest.approx((20 + 1e-4) * abs(n * step - 2 * pi) * 100, rel=1e-3)
    with pytest.raises(PlanError):
        chord_of_circle(1, 20)


def test_centre_through_three_points() -> None:
    """(2, 1), (9, 4), (3, 8): the worked centre and radius; points in line are refused."""
    found = circle_through((2, 1), (9, 4), (3, 8))
    assert (found.x, found.y) == pytest.approx((4.782609, 4.173913), abs=1e-6)
    assert found.radius == pytest.approx(4.220976, abs=1e-6)
    for k in range(3):
        a = [(50 + 7 * cos(t + k), -80 + 7 * sin(t + k)) for t in (0, 1, 2.5)]
        one = circle_through(a[0], a[1], a[2])
        assert (one.x, one.y, one.radius) == pytest.approx((50, -80, 7))
    with pytest.raises(PlanError, match="in line"):
        circle_through((0, 0), (1, 1), (3, 3))


def test_position_error_is_a_diameter() -> None:
    """0.03 and 0.04 off need a zone of 0.10 (ASME Y14.5); punch and drill hold 2 mm, 0.080 in (AND10387)."""
    assert position_error(0.03, 0.04).position == pytest.approx(0.10)
    assert position_error(0.03, 0.04).within
    assert not position_error(0.9, 0.6).within


def test_drill_cone_and_feed() -> None:
    """Cone heights 0.30043 D at 118° and 0.20711 D at 135°; the feed adds plate and board; thin is cone over plate."""
    assert cone_height(1) == pytest.approx(0.30043, abs=5e-6)
    assert cone_height(1, point_deg=135) == pytest.approx(0.20711, abs=5e-6)
    feed = break_through(2, 5, beyond=0.5)
    assert feed.depth == pytest.approx(2 + 5 * 0.30043 + 0.5, abs=1e-4)
    assert not feed.thin
    assert break_through(1.5, 5).thin
    assert "snatch" in break_through(1.5, 5).reason
    with pytest.raises(PlanError):
        cone_height(5, point_deg=180)


# n = 1000 v / (pi D), as tables print it: 30 and 60 m/min.
@pytest.mark.parametrize(
    ("diameter", "at_30", "at_60"),
    [(1, 9549, 19099), (1.5, 6366, 12732), (2, 4775, 9549), (3, 3183, 6366), (5, 1910, 3820)],
)
def test_speeds(diameter: float, at_30: int, at_60: int) -> None:
    """The speeds of the table, and the machine's highest where that is less."""
    assert round(spindle_speed(diameter, highest=1e5, m_min=30).rpm) == at_30
    assert round(spindle_speed(diameter, highest=1e5, m_min=60).rpm) == at_60
    slow = spindle_speed(diameter, highest=1500)
    assert (slow.rpm, slow.limited) == (1500, True)
    assert "the machine's highest is 1500" in slow.reason


def test_speeds_in_inches() -> None:
    """1/4 in at 200 sfm is 3056 (a chart prints 3000); 5 in at 30 sfm is 22.9, where a chart's row says 45."""
    assert spindle_speed(25.4 / 4, highest=1e5, m_min=200 * 0.3048).rpm == pytest.approx(3056, abs=1)
    assert spindle_speed(5 * 25.4, highest=1e5, m_min=30 * 0.3048).rpm == pytest.approx(22.9, abs=0.05)
    fast = spindle_speed(20, highest=3000, lowest=600)
    assert (fast.rpm, fast.limited) == (600, True)


def test_drills_are_chosen_from_the_list() -> None:
    """Largest up to a limit, nearest in a range, names kept; an empty choice names the nearest that exist."""
    named = {"No. 30": 0.1285 * 25.4, "1/8": 3.175, "3.3": 3.3}
    assert largest_up_to(named, 3.27, "x") == ListedDrill("No. 30", 0.1285 * 25.4)
    assert nearest_between([1, 2, 3], 1.5, 3.2, 2.5, "x").diameter_mm == 2
    with pytest.raises(PlanError, match=r"between 2\.1 and 2\.9 mm for a hole; the nearest is 2 mm or 3 mm"):
        nearest_between([1, 2, 3], 2.1, 2.9, 2.5, "a hole")
    with pytest.raises(PlanError, match="the smallest is 1 mm"):
        largest_up_to([1, 2], 0.5, "a hole")
    assert [one.name for one in as_drills([ListedDrill("B", 6.0452), ListedDrill("A", 5.9436)])] == ["A", "B"]
    with pytest.raises(PlanError, match="empty"):
        as_drills([])
