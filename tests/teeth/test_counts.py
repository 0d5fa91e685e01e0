"""Counts of incomplete wheels: the regression's spread, drawn rims of known count, and stated odds that come true."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from ctrecon.core.errors import InputError
from ctrecon.core.measured import Measured
from ctrecon.teeth.counts import CERTAIN, count_teeth
from ctrecon.teeth.habits import DivisionHabits
from ctrecon.teeth.likelihood import slope_variance
from ctrecon.teeth.rim import Centre, read_rim

_spec = importlib.util.spec_from_file_location("divided_rims", Path(__file__).with_name("divided_rims.py"))
assert _spec is not None and _spec.loader is not None
rims_by_hand = importlib.util.module_from_spec(_spec)
sys.modules[_spec.name] = rims_by_hand  # dataclasses look their module up
_spec.loader.exec_module(rims_by_hand)
WAYS, broken_rim, divided_marks = rims_by_hand.WAYS, rims_by_hand.broken_rim, rims_by_hand.divided_marks

EVEN = DivisionHabits(random=(1e-6,), drift=(0.0,), eccentric=(0.0,), closing=(0.0,))
"""A division without errors: what is left is the angles' own u."""


def run_of(teeth: int, seen: int, u: float = 0.02, start: float = 10.0) -> list[Measured]:
    return [Measured(start + 360 / teeth * k, u) for k in range(seen)]


# sigma_N = N² / (2 pi) sigma sqrt(12 / (n (n² - 1))), the textbook regression; the first row is a published ring of
# holes, 37 left, 0.0937 mm at 77.34 mm, N 356.3 (rounded to the whole number nearest here: 356).
PUBLISHED = [(356, 37, 0.0937 / 77.34, 0.377), (60, 12, 0.002, 0.096), (127, 30, 0.002, 0.108), (223, 60, 0.002, 0.118), (355, 37, 0.0012, 0.371)]


@pytest.mark.parametrize(("teeth", "seen", "sigma", "spread"), PUBLISHED)
def test_spread_of_a_count_is_the_regressions(teeth: int, seen: int, sigma: float, spread: float) -> None:
    """With independent errors alone the spread is the regression's, by formula and through the whole count."""
    numbers = np.arange(seen, dtype=float)
    variance = slope_variance(np.eye(seen) * sigma**2, numbers)
    assert teeth**2 / (2 * np.pi) * np.sqrt(variance) == pytest.approx(spread, abs=1e-3)
    found = count_teeth([run_of(teeth, seen, float(np.degrees(sigma)))], radius=77.34, habits=EVEN)
    assert found.estimate.u == pytest.approx(spread, abs=1e-3)
    # flat prior, Gaussian error: odds of the counts are those of whole numbers under that Gaussian
    by_count = {one.teeth: one.probability for one in found.table}
    ideal = np.exp(-0.5 * ((1 / np.array([teeth, teeth + 1, teeth - 1]) - 1 / teeth) * teeth**2 / spread) ** 2)
    # the two neighbours share what is left evenly to the skew of 1 / N
    for count, expected in zip((teeth, teeth + 1, teeth - 1), ideal, strict=True):
        assert by_count.get(count, 0.0) / by_count[teeth] == pytest.approx(expected, abs=0.01)


def test_a_shifted_centre_spreads_the_count() -> None:
    """u of the count grows by the centre as a Monte Carlo of shifted centres shows, and the bore's centre would settle it."""
    rng = np.random.default_rng(8)
    teeth, seen, radius, u = 120, 10, 15.0, 0.15
    angles = 2 * np.pi / teeth * np.arange(seen)
    counts = []
    for dx, dy in rng.normal(0, u, (4000, 2)):
        seen_at = np.arctan2(radius * np.sin(angles) - dy, radius * np.cos(angles) - dx)
        seen_at += rng.normal(0, np.radians(0.1), seen)
        counts.append(2 * np.pi / np.polyfit(np.arange(seen), np.unwrap(seen_at), 1)[0])
    found = count_teeth([run_of(teeth, seen, 0.1, 0.0)], radius=radius, centre=Centre(u, u), habits=EVEN)
    assert found.estimate.u == pytest.approx(np.std(counts), rel=0.06)
    assert found.teeth is None and found.teeth_range[0] <= teeth <= found.teeth_range[1]
    sharp = count_teeth([run_of(teeth, 16, 0.03, 0.0)], radius=radius, centre=Centre(u, u), habits=EVEN)
    assert sharp.teeth is None and any("centre of the bore" in one for one in sharp.settle)
    assert any("wheel it meshed with" in one for one in found.settle)


def test_more_rim_would_settle_what_twelve_teeth_leave_open() -> None:
    """The number of teeth said to be needed is enough when they are there, and a few fewer are not."""
    rng = np.random.default_rng(3)
    short = [Measured(3.0 * k + rng.normal(0, 0.06), 0.03) for k in range(12)]
    found = count_teeth([short], radius=20.0)
    assert found.teeth is None
    more = next(one for one in found.settle if "more teeth" in one)
    needed = int(more.split("(")[1].split()[0])
    assert 12 < needed < 120
    assert count_teeth([[Measured(3.0 * k + rng.normal(0, 0.06), 0.03) for k in range(needed + 4)]], radius=20.0).teeth == 120


def test_stretches_are_numbered_over_lost_parts() -> None:
    """Two stretches 13 teeth apart narrow the count as one long stretch would, and a bent tooth moves nothing."""
    teeth = 90
    runs = [run_of(teeth, 12, start=340.0), run_of(teeth, 10, start=340.0 + 25 * 4)]
    found = count_teeth(runs, radius=20.0, habits=EVEN)
    assert found.teeth == teeth and found.numbers == (*range(12), *range(25, 35))
    alone = count_teeth(runs[:1], radius=20.0, habits=EVEN)
    assert found.estimate.u < 0.6 * alone.estimate.u
    rng = np.random.default_rng(4)
    angles = [4.0 * k + rng.normal(0, 0.03) for k in range(30)]
    angles[14] += 1.2
    bent = count_teeth([[Measured(one, 0.02) for one in angles]], radius=20.0)
    assert bent.bent == (14,) and bent.teeth == teeth and "1 bent" in bent.reason


def test_a_whole_rim_is_counted_and_a_gap_is_not_overlooked() -> None:
    """A whole rim is counted without odds; a missing tooth in it, or at its end, is refused and named."""
    found = count_teeth([run_of(48, 48)], radius=12.0, whole=True)
    assert (found.teeth, found.teeth_range, found.settle) == (48, (48, 48), ())
    with pytest.raises(InputError, match="not whole: the step from the last tooth to the first is 2"):
        count_teeth([run_of(48, 47)], radius=12.0, whole=True)
    leaning = run_of(48, 20)
    leaning[10] = Measured(leaning[10].value + 4.2, 0.02)  # steps of 1.56 and 0.44: bent, not missing
    assert count_teeth([leaning], radius=12.0).bent == (10,)
    gap = run_of(48, 48)
    del gap[10]
    with pytest.raises(InputError, match="before tooth 11 is 2 times"):
        count_teeth([gap], radius=12.0)


@pytest.mark.parametrize(
    ("runs", "options", "words"),
    [
        ([[Measured(1.0, 0.1)]], {}, "two neighbouring teeth"),
        ([], {}, "two neighbouring teeth"),
        ([[Measured(1.0), Measured(3.0)]], {}, "standard uncertainty above 0"),
        ([[Measured(10.0, 0.1), Measured(10.0, 0.1), Measured(5.0, 0.1)]], {}, "not in order"),
        ([run_of(40, 10)], {"radius": 0.0}, "radius above 0"),
        ([run_of(40, 10)], {"least": 2}, "can't be weighed"),
        ([run_of(40, 30)], {"most": 20}, "more than the 20"),
    ],
)
def test_what_cannot_be_counted_is_refused(runs: list[list[Measured]], options: dict[str, float], words: str) -> None:
    """Bad angles and ranges are refused in a sentence."""
    with pytest.raises(InputError, match=words):
        count_teeth(runs, **{"radius": 10.0, **options})


def test_angles_may_pass_through_zero_and_turn_with_the_wheel() -> None:
    """Odds don't change when the wheel is turned or its angles pass 360°."""
    rng = np.random.default_rng(2)
    left = 3.75 * np.arange(25) + rng.normal(0, 0.08, 25)
    one = count_teeth([[Measured(float(a), 0.03) for a in left]], radius=20.0, centre=Centre(0.05, 0.05))
    two = count_teeth([[Measured(float(a + 300) % 360, 0.03) for a in left]], radius=20.0, centre=Centre(0.05, 0.05))
    assert [o.teeth for o in one.table[:3]] == [o.teeth for o in two.table[:3]]
    assert one.table[0].probability == pytest.approx(two.table[0].probability, abs=1e-3)


def test_read_rim_orders_and_unwraps() -> None:
    """Angles rise from the first tooth through 360°, over more than half a turn of lost rim."""
    rim = read_rim([[Measured(350.0, 0.1), Measured(356.0, 0.1), Measured(2.0, 0.1)], [Measured(300.0, 0.1)]])
    assert np.degrees(rim.angles) == pytest.approx([350, 356, 362, 660])
    assert rim.first_of == (0, 3) and np.degrees(rim.step) == pytest.approx(6)


@pytest.mark.slow
@pytest.mark.parametrize(("rough", "rims"), [(False, 70), (True, 50)])
def test_stated_odds_come_true(rough: bool, rims: int, times: int) -> None:
    """Of rims divided by hand in four ways, also by rough hands, stated odds come true; ranges hold 95 %."""
    rng, rims = np.random.default_rng(71), rims * times
    stated, true, held, given, right = [], [], 0, 0, 0
    for _ in range(rims):
        rim = broken_rim(rng, rough=rough)
        found = count_teeth(rim.runs, radius=rim.radius, centre=rim.centre)
        stated += [one.probability for one in found.table]
        true += [one.teeth == rim.teeth for one in found.table]
        held += found.teeth_range[0] <= rim.teeth <= found.teeth_range[1]
        given += found.teeth is not None
        right += found.teeth == rim.teeth
    odds, came = np.array(stated), np.array(true, dtype=float)
    for low, high in ((0.005, 0.1), (0.1, 0.3), (0.3, 0.6), (0.6, 0.85), (0.85, CERTAIN), (CERTAIN, 1.01)):
        part = (odds >= low) & (odds < high)
        spread = np.sqrt(np.sum(odds[part] * (1 - odds[part]))) + 1
        assert abs(np.sum(came[part]) - np.sum(odds[part])) < 3 * spread, (low, high)
    # 95 % less what chance takes from this many rims, two standard deviations
    assert held >= (0.95 - 2 * (0.95 * 0.05 / rims) ** 0.5) * rims
    assert right >= 0.95 * given - 2 * (0.05 * given) ** 0.5 and given > 0.25 * rims


@pytest.mark.parametrize("way", WAYS)
def test_the_drawn_rims_are_what_they_say(way: str) -> None:
    """Each way of dividing marks every tooth once round, with errors of some hundredths of a pitch."""
    rng = np.random.default_rng(6)
    marks = np.sort(divided_marks(60, way, rng) % (2 * np.pi))
    steps = np.diff(np.append(marks, marks[0] + 2 * np.pi)) * 60 / (2 * np.pi)
    assert steps.sum() == pytest.approx(60)
    assert 0.3 < steps.min() < 1 < steps.max() < 1.7
