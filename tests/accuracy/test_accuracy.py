"""The promised accuracy, on random parts nobody tuned anything to."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from ctrecon.phantoms import make

pytestmark = pytest.mark.accuracy


def load_run() -> ModuleType:
    """Load the accuracy command that lies beside this file."""
    spec = importlib.util.spec_from_file_location("accuracy_run", Path(__file__).with_name("run.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # its dataclasses look themselves up there
    spec.loader.exec_module(module)
    return module


RUN = load_run()


@pytest.fixture(scope="module")
def tally() -> Any:
    """Measure a hub of two pieces, the same kind in one piece, and a plate, on a seed kept for this; `run.py` takes more."""
    return RUN.run(1, 9400)


def errors(tally: Any, name: str) -> np.ndarray:
    return np.array(tally.rows[name])[:, 0]


def within(tally: Any, name: str, factor: float) -> float:
    error, u = np.array(tally.rows[name]).T
    return float(np.mean(np.abs(error) <= factor * u))


def test_nothing_is_missed_and_nothing_invented(tally: Any) -> None:
    """Every true feature is found, and no other."""
    assert tally.truths >= 18
    assert tally.missed == []
    assert tally.invented == []


def test_sizes(tally: Any) -> None:
    """Diameters and widths of features: rms 0.05 px at most, bias 0.01 px at most."""
    error = errors(tally, "feature size, px")
    assert len(error) >= 15
    assert np.sqrt(np.mean(error**2)) <= 0.05
    assert abs(np.mean(error)) <= 0.01


def test_ends(tally: Any) -> None:
    """Depths of end faces: rms 0.08 slice at most, bias 0.02 slice at most."""
    error = errors(tally, "feature ends, slice")
    assert len(error) >= 30
    assert np.sqrt(np.mean(error**2)) <= 0.08
    assert abs(np.mean(error)) <= 0.02


def test_places(tally: Any) -> None:
    """Places of features: rms 0.05 px at most."""
    error = errors(tally, "feature place, px")
    assert np.sqrt(np.mean(error**2)) <= 0.05


def test_reliefs_and_seams_are_measured(tally: Any) -> None:
    """Reliefs to half a pixel and seams to a quarter of one: short arcs and thin lines show less."""
    assert np.abs(errors(tally, "relief size, px")).max() <= 0.5
    assert np.abs(errors(tally, "seam size, px")).max() <= 0.25
    assert np.abs(errors(tally, "seam ends, slice")).max() <= 1.0


def test_seams_are_found_where_there_are_some_only(tally: Any) -> None:
    """The hub of two pieces shows its seam; of the two parts without one none does."""
    assert (tally.seams_found, tally.seams_true) == (1, 1)
    assert (tally.seams_false, tally.solid_parts) == (0, 2)


def test_axis(tally: Any) -> None:
    """The part axis is found to 0.05 degrees."""
    assert np.abs(errors(tally, "axis, degrees")).max() <= 0.05


@pytest.mark.parametrize("name", ["feature size, px", "feature place, px", "feature ends, slice"])
def test_stated_uncertainty_covers_the_error(tally: Any, name: str) -> None:
    """About 95 % of the errors lie within 2 u and nearly all within 4 u; u is not wildly large either."""
    assert within(tally, name, 2.0) >= 0.75
    assert within(tally, name, 4.0) >= 0.96
    assert within(tally, name, 0.5) <= 0.75


def test_compare_sees_what_is_wrong() -> None:
    """The comparison itself notices a missed feature, an invented one and a wrong size."""
    part = RUN.measure(make("ring_fragment", scale=0.4))
    truth = make("ring_fragment", scale=0.4).truth
    wrong = [dict(f) for f in truth["features"]]
    hole = next(f for f in wrong if f["kind"] == "round_hole")
    outside = next(f for f in wrong if f["kind"] == "round_outside")
    hole["diameter_mm"] += 0.3
    outside["x_mm"] += 50.0
    tally = RUN.Tally()
    RUN.compare(tally, truth | {"features": wrong}, part, "ring")
    px = min(part.stack.voxel_mm[1:])
    assert [e for e, _ in tally.rows["feature size, px"]] == pytest.approx([-0.3 / px], abs=0.1)
    assert len(tally.missed) == 1
    assert len(tally.invented) == 1
