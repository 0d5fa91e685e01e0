"""How rims were divided: errors put in come out, habits are named where they are and not where they aren't."""

import numpy as np
import pytest

from ctrecon.core.errors import InputError
from ctrecon.core.measured import Measured
from ctrecon.teeth.division import division_of
from ctrecon.teeth.rim import Centre

TEETH = 60
PITCH = 360 / TEETH


def rim(errors: np.ndarray, u: float = 0.01) -> list[list[Measured]]:
    return [[Measured(PITCH * k + float(one), u) for k, one in enumerate(errors)]]


def noise(seed: int, sd: float = 0.03) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, sd, TEETH)


def test_the_table_gives_back_the_errors() -> None:
    """Errors put in come out tooth by tooth but for their mean, which is the turn of the wheel; steps are their differences."""
    errors = noise(1, 0.1)
    found = division_of(rim(errors), TEETH, radius=20.0)
    table = np.array([one.error_deg.value for one in found.table])
    assert table == pytest.approx(errors - errors.mean(), abs=1e-9)
    assert [one.step_error_deg for one in found.table[1:]] == pytest.approx(np.diff(errors))
    assert found.table[0].step_error_deg is None
    assert found.rms_deg.value == pytest.approx(np.std(errors)) and found.worst == int(np.argmax(np.abs(table)))
    rows = found.table
    assert all((one.equal_deg + one.error_deg.value - one.angle_deg + 180) % 360 == pytest.approx(180) for one in rows)


def test_waves_add_up_to_the_errors_and_the_first_is_the_eccentricity() -> None:
    """Parseval: the waves carry all of the errors' power; a rim cut about another centre shows where that was."""
    errors = noise(2)
    found = division_of(rim(errors), TEETH, radius=20.0)
    power = sum(one.amplitude_deg.value**2 / (1 if 2 * one.order == TEETH else 2) for one in found.harmonics)
    assert power == pytest.approx(float(np.var(errors)))
    # teeth equally spaced about (0.2, 0.1), seen from (0, 0)
    turn = np.radians(PITCH * np.arange(TEETH))
    at = np.unwrap(np.arctan2(0.1 + 20 * np.sin(turn), 0.2 + 20 * np.cos(turn)))
    off = division_of([[Measured(float(np.degrees(a)), 0.005) for a in at]], TEETH, radius=20.0, centre=Centre(0.01, 0.01))
    assert off.eccentric_mm is not None and off.eccentric_mm.value == pytest.approx(np.hypot(0.2, 0.1), rel=0.01)
    assert off.eccentric_mm.u == pytest.approx(0.01, rel=0.1)
    # to first order the error is (0.1 cos a - 0.2 sin a) / 20: highest towards (0.1, -0.2), 90° behind the offset
    assert off.harmonics[0].highest_deg == pytest.approx(np.degrees(np.arctan2(-0.2, 0.1)) % 360, abs=0.5)


def test_the_step_that_closed_the_circle() -> None:
    """What was left over at the closing is found at its place, in a whole rim and in a piece of it."""
    k = np.arange(TEETH)
    errors = 0.4 * k / TEETH - np.where(k >= 23, 0.4, 0.0) + noise(5)
    for seen in (TEETH, 40):
        found = division_of([rim(errors)[0][:seen]], TEETH, radius=20.0)
        assert found.habits[0].kind == "closing" and found.habits[0].at == 23
        assert found.habits[0].size_deg == pytest.approx(-0.4, abs=0.1)
    # closed between the last tooth and the first
    found = division_of(rim(0.5 * k / TEETH + noise(6)), TEETH, radius=20.0)
    assert found.habits[0].kind == "closing" and found.habits[0].at == 0


def test_a_whole_rim_seen_in_two_stretches_is_divided() -> None:
    """Every tooth is there, but the steps between the stretches are not: errors and the closing step come out all the same."""
    k = np.arange(TEETH)
    errors = 0.4 * k / TEETH - np.where(k >= 23, 0.4, 0.0) + noise(5)
    (run,) = rim(errors)
    found = division_of([run[:40], run[40:]], TEETH, radius=20.0)
    assert [one.error_deg.value for one in found.table] == pytest.approx(errors - errors.mean(), abs=1e-9)
    assert found.habits[0].kind == "closing" and found.habits[0].at == 23


@pytest.mark.parametrize(("by", "words"), [(2, "second"), (3, "third")])
def test_pitches_divided_by_halves_and_thirds(by: int, words: str) -> None:
    """Marks set by eye between others are shifted, all alike, and that is told with their size."""
    k = np.arange(TEETH)
    errors = noise(7) + 0.09 * (k % by == 1)
    found = division_of(rim(errors), TEETH, radius=20.0)
    assert [(one.kind, one.by) for one in found.habits] == [("every", by)]
    assert abs(found.habits[0].size_deg) == pytest.approx(0.09, abs=0.03)
    assert f"every {words} tooth" in found.reason


def test_circle_divided_in_parts_first() -> None:
    """Corners marked first and off alternately, or parts each closed by itself, are told apart from one closing."""
    k = np.arange(TEETH)
    corners = np.interp((k - 4) % TEETH, np.arange(7) * 10, 0.25 * np.array([1, -1, 1, -1, 1, -1, 1]))
    found = division_of(rim(noise(8) + corners), TEETH, radius=20.0).habits
    assert [(one.kind, one.by, one.at % 10) for one in found] == [("parts", 6, 4)]
    assert found[0].size_deg == pytest.approx(0.25, rel=0.2)
    sawtooth = 0.3 * ((k - 7) % 20) / 20
    found = division_of(rim(noise(9) + sawtooth), TEETH, radius=20.0).habits
    assert [(one.kind, one.by, one.at) for one in found] == [("closing in parts", 3, 7)]
    assert found[0].size_deg == pytest.approx(-0.3 * 1.0, abs=0.08)


def test_no_habit_is_seen_in_chance() -> None:
    """Of rims with independent errors, or with a closed walk, few show a habit: chance is set at one in a hundred each."""
    rng = np.random.default_rng(10)
    told = 0
    for trial in range(120):
        errors = rng.normal(0, 0.04, TEETH)
        if trial % 2:
            walk = np.cumsum(errors)
            errors = walk - walk[-1] * (np.arange(TEETH) + 1) / TEETH
        told += bool(division_of(rim(errors), TEETH, radius=20.0).habits)
    # three families of habits, each under 1 %: 3.6 expected at most, 10 is beyond 99 % of chance
    assert told <= 9


def test_what_cannot_be_a_division_is_refused() -> None:
    """Fewer teeth than are left, and numbers that don't rise, are refused."""
    with pytest.raises(InputError, match="can't have had 50"):
        division_of(rim(noise(1)), 50, radius=20.0)
    with pytest.raises(InputError, match="don't rise"):
        division_of([rim(noise(1))[0][:5]], TEETH, radius=20.0, numbers=[0, 1, 2, 2, 3])
