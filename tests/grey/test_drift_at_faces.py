"""Grey that drifts through depth, right at the faces of a part, whose own slices show no plain metal."""

import numpy as np
import pytest
from scipy import ndimage

from ctrecon.grey.artefact_drift import _LEAST_BEFORE, _WAYS, _foretold, _run_on
from ctrecon.grey.artefacts import Artefacts, find_artefacts
from ctrecon.grey.levels import find_levels
from ctrecon.measuring import measure_stack
from ctrecon.slices import SliceStack

SLICES, SIDE, FIRST, LAST = 28, 80, 5.25, 22.5  # planes of the two faces


def drifting(fall: np.ndarray, seed: int = 1) -> SliceStack:
    """Return a disc between two faces; every slice's grey goes with `fall`, as the tube's output does."""
    y, x = np.mgrid[:SIDE, :SIDE] - 39.3
    disc = np.clip(30.0 - np.hypot(x, y) + 0.5, 0, 1)
    z = (np.arange(4 * SLICES) + 0.5) / 4 - 0.5
    along = ndimage.gaussian_filter1d(((z > FIRST) & (z < LAST)).astype(float), 3.2).reshape(SLICES, 4).mean(axis=1)
    grey = along[:, None, None] * ndimage.gaussian_filter(disc, 0.8) * fall[:, None, None]
    grey = grey + 0.05 * np.random.default_rng(seed).standard_normal(grey.shape)
    return SliceStack.from_array(np.rint(9000 + 30000 * grey).clip(0, 65535).astype(np.uint16), voxel_mm=(0.1, 0.1, 0.1))


def found_in(stack: SliceStack) -> Artefacts:
    """Find the artefacts of a stack."""
    levels = find_levels(stack)
    assert levels is not None
    return find_artefacts(stack, levels)


SHARE = np.linspace(0, 1, SLICES)
FORMS = {"ramp": 1 - 0.2 * SHARE, "bow": 1 - 0.2 * np.sin(np.pi * SHARE)}


@pytest.mark.parametrize("form", FORMS)
def test_the_curve_runs_on_to_the_faces(form: str) -> None:
    """In the slices beside the faces, which show no plain metal, the correction is right to 1 % of the contrast."""
    found = found_in(drifting(FORMS[form]))
    assert found.drift is not None
    assert not found.drift.stepped
    beside = [round(FIRST), round(FIRST) + 1, round(LAST) - 1, round(LAST)]
    middle = np.arange(10, 18)
    true = FORMS[form] / FORMS[form][middle].mean()
    got = (1 + found.drift.metal) / (1 + found.drift.metal[middle]).mean()
    assert np.abs(got - true)[beside].max() < 0.01


def test_faces_are_found_through_a_ramp(times: int) -> None:
    """A ramp of 20 % moves the faces by less than 0.02 slice, and u is neither less than half nor over 0.03 slice."""
    errors = []
    for seed in range(2 * times):
        part = measure_stack(drifting(FORMS["ramp"], seed)).part
        outside = next(f for f in part.features if f.kind == "round_outside")
        for got, true in ((outside.depth_from_mm, FIRST), (outside.depth_to_mm, LAST)):
            assert got is not None
            assert got.u is not None
            errors.append(got.value / 0.1 - true)
            assert abs(errors[-1]) < 4 * got.u / 0.1
            assert got.u / 0.1 < 0.03
    assert float(np.sqrt(np.mean(np.square(errors)))) < 0.02


def test_what_cannot_be_foretold_widens() -> None:
    """Slices that flicker by 3 % each for itself leave a face its doubt: as much as the flicker, not less."""
    flicker = 1 + 0.03 * np.random.default_rng(3).standard_normal(SLICES)
    found = found_in(drifting(flicker))
    assert found.drift is not None
    assert 0.015 < found.drift.face_u < 0.09


def test_a_slim_boss_beside_a_flange_is_no_drift() -> None:
    """A boss that shows a few dozen even places, after a flange that shows a thousand, leaves an even scan even."""
    y, x = np.mgrid[:120, :120] - 59.6
    far = np.hypot(x, y)
    z = (np.arange(4 * 60) + 0.5) / 4 - 0.5
    ends = [
        ndimage.gaussian_filter1d(((z > a) & (z < b)).astype(float), 4.2).reshape(60, 4).mean(axis=1)
        for a, b in ((8.3, 27.6), (27.6, 52.4))
    ]
    rounds = [ndimage.gaussian_filter(np.clip(r + 0.5 - far, 0, 1), 1.0) for r in (52.0, 18.0)]
    grey = sum(along[:, None, None] * disc for along, disc in zip(ends, rounds, strict=True))
    grey = grey + 0.004 * np.random.default_rng(5).standard_normal((60, 120, 120))
    stack = SliceStack.from_array(np.rint(9000 + 30000 * grey).clip(0, 65535).astype(np.uint16), voxel_mm=(0.1, 0.1, 0.1))
    assert found_in(stack).drift is None


@pytest.mark.parametrize("way", _WAYS)
def test_running_sums_foretell_what_a_fit_of_each_start_does(way: tuple[int, float]) -> None:
    """Polynomials through the first k slices by running sums agree with numpy's least squares for each k."""
    rng = np.random.default_rng(4)
    value, weight = np.cumsum(rng.normal(0, 0.01, 60)), rng.uniform(0.5, 2.0, 60) * 1e4
    weight[[9, 30]] = 0.0
    wanted = [_run_on(value[:k], weight[:k], np.arange(1.0, 4.0), way) for k in range(_LEAST_BEFORE, 61)]
    assert np.allclose(_foretold(value, weight, way), wanted, atol=1e-6)
