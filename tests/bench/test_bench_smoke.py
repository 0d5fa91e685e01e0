"""The bench itself: its renderer is true, its bounds are those of the formula, and its command runs."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

BENCH = Path(__file__).parent


@pytest.fixture
def _bench_on_path(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(BENCH))


@pytest.mark.usefixtures("_bench_on_path")
def test_renderer_keeps_areas_and_lengths() -> None:
    """A rendered disc has the area pi R², a square a², and a leaning plate its length, on voxels that are not cubes."""
    from render import Pose, between, box, coverage, disc

    pose = Pose((1, 40, 44), (21.7, 21.1, 0.0), (1.3, 1.08, 1.0))
    area = float(coverage(disc(0, 0, 10), pose).sum(dtype=float)) * 1.08
    assert area == pytest.approx(np.pi * 100, rel=3e-4)
    area = float(coverage(box(0, 0, 17, 17, 31.0), pose).sum(dtype=float)) * 1.08
    assert area == pytest.approx(17.0**2, rel=3e-4)
    leaning = Pose((20, 40, 44), (21.7, 21.1, 12.4), (1.3, 1.08, 1.0), 2.0, 40.0)
    plate = coverage(between(disc(0, 0, 200), -5, 6.3), leaning)
    columns = plate.sum(axis=0, dtype=float)[10:-10, 10:-10] * 1.3
    assert np.abs(columns - 11.3 / np.cos(np.radians(2.0))).max() < 2e-3


@pytest.mark.usefixtures("_bench_on_path")
def test_bound_agrees_with_the_closed_form() -> None:
    """For a large circle the bound of the radius is noise (2 sqrt(pi) blur / perimeter)^0.5, in the known-grey limit.

    The information of one px of a step's edge about its place is contrast² / (2 sqrt(pi) blur noise²), the integral
    of the squared normal density; unknown air and metal add a tenth and more.
    """
    from crlb import BLUR, circle

    least = 2 * 0.05 * np.sqrt(2 * np.sqrt(np.pi) * BLUR / (2 * np.pi * 60))
    diameter, _ = circle(60.0, 0.05)
    assert 1.0 < diameter / least < 1.4


def test_command_runs_two_trials_and_prints_figures() -> None:
    """Two trials of one row run and print the figure, its target and a verdict."""
    command = [sys.executable, str(BENCH / "run.py"), "--only", "circle-10", "--trials", "0.001", "--seed", "8001"]
    run = subprocess.run(command, capture_output=True, text=True, timeout=600, check=True)
    assert "circle-10" in run.stdout and "(2 trials, seed 8001" in run.stdout
    assert "target <= 1.3" in run.stdout and "RMS / CRLB" in run.stdout
