"""Bores that blur nearly hides, and dark spots that are not bores."""

import numpy as np
import pytest
from scipy import ndimage, stats

from ctrecon.core.fit_result import FitFailed, ShapeFit
from ctrecon.features.candidates import Candidate, Span
from ctrecon.features.size import FittedCandidate
from ctrecon.features.small_bores import _goes_through, blurred_disc, find_small_bores, fit_small
from ctrecon.fitting.choose import Choice
from ctrecon.grey.levels import find_levels
from ctrecon.grey.square_up import axis_from_normals, square_up
from ctrecon.grey.survey import survey_stack
from ctrecon.measuring import measure_stack
from ctrecon.outlines.stretches import find_stretches
from ctrecon.shapes import Circle
from ctrecon.slices import SliceStack

FINE = 4
COUNT = 53


def block(spots: list[tuple[float, ...]], *, snr: float, seed: int, lean: float = 0.0) -> np.ndarray:
    """A disc of 42 px through 26 slices with spots (x, y, half size across, from slice, to slice, half length)."""
    fine = (np.arange(COUNT * FINE) + 0.5) / FINE - 0.5
    x, y = fine[None, :], fine[:, None]
    volume = np.zeros((36, COUNT, COUNT))
    for k in range(5, 31):
        metal = np.hypot(x - 26, y - 26) < 21
        for cx, cy, half, low, high, long in spots:
            if low <= k <= high:
                dx, dy = x - cx - lean * (k - 18), y - cy
                gone = np.hypot(dx, dy) < half if long == 0 else (np.abs(dx) < long) & (np.abs(dy) < half)
                metal = metal & ~gone
        volume[k] = ndimage.gaussian_filter(metal.astype(float), 0.9 * FINE).reshape(
            COUNT, FINE, COUNT, FINE
        ).mean(axis=(1, 3))  # fmt: skip
    volume = ndimage.gaussian_filter1d(volume, 0.9, axis=0)
    return np.asarray(volume + np.random.default_rng(seed).standard_normal(volume.shape) / snr)


def stack_of(volume: np.ndarray) -> SliceStack:
    grey = (volume * 3000 + 800).astype(np.float32)
    return SliceStack.from_array(grey, voxel_mm=0.1, source="block", towards_viewer=False)


def small_bores(volume: np.ndarray) -> int:
    stack = stack_of(volume)
    levels = find_levels(stack)
    assert levels is not None
    survey = survey_stack(stack, levels)
    squared = square_up(survey, axis_from_normals(survey.normals))
    assert find_stretches(squared.plane, len(squared))
    return len(find_small_bores(squared, ()))


@pytest.mark.parametrize(("diameter", "snr"), [(4.0, 12.0), (3.0, 20.0), (2.0, 30.0)])
def test_a_very_small_bore_is_found_flagged_and_right_within_its_u(diameter: float, snr: float) -> None:
    """Bores of 2 to 4 px through metal are round holes flagged very_small, right within 3 u, and u is 0.2 px at most."""
    volume = block([(31.3, 22.6, diameter / 2, 0, 99, 0)], snr=snr, seed=3)
    (bore,) = [f for f in measure_stack(stack_of(volume)).part.features if f.kind == "round_hole"]
    assert "very_small" in bore.flags
    assert bore.diameter_mm is not None
    assert bore.diameter_mm.u is not None
    assert bore.diameter_mm.u < 0.02
    assert abs(bore.diameter_mm.value - 0.1 * diameter) < 3 * bore.diameter_mm.u
    assert bore.x_mm is not None
    assert bore.y_mm is not None
    assert (bore.x_mm.value / 0.1, bore.y_mm.value / 0.1) == pytest.approx((31.3, 22.6), abs=0.15)
    assert bore.roundness_mm is None


def test_pores_are_no_bores() -> None:
    """Dark spots no longer than they are wide, even three of them nearly in line, are not taken for bores."""
    pores = [(20.0, 24.0, 1.5, 8, 11, 0), (20.4, 24.3, 1.5, 17, 20, 0), (20.0, 24.0, 1.5, 26, 28, 0), (32.0, 30.0, 2.0, 12, 16, 0)]
    assert small_bores(block([tuple(map(float, p)) for p in pores], snr=20.0, seed=4)) == 0


@pytest.mark.parametrize("half_length", [3.0, 9.0])
def test_cracks_are_no_bores(half_length: float) -> None:
    """A crack through all slices is dark and steady, but no round spot."""
    assert small_bores(block([(26.0, 28.0, 0.4, 0, 99, half_length)], snr=20.0, seed=5)) == 0


def test_a_blind_small_bore_keeps_its_depth() -> None:
    """A bore of 4 px that ends inside the metal is followed to its end, within a slice and a half."""
    volume = block([(30.0, 30.0, 2.0, 0, 19, 0)], snr=20.0, seed=6)
    (bore,) = [f for f in measure_stack(stack_of(volume)).part.features if f.kind == "round_hole"]
    assert bore.depth_to_mm is not None
    assert bore.depth_to_mm.value / 0.1 == pytest.approx(19.5, abs=1.5)


def test_sound_metal_has_none() -> None:
    """Noise alone gives no bore."""
    assert [small_bores(block([], snr=10.0, seed=seed)) for seed in range(3)] == [0, 0, 0]


def test_metal_that_shades_does_not_draw_a_small_bore() -> None:
    """Metal that brightens by 0.6 % per px, as cupping does near a rim, moves a bore of 4 px by less than 0.02 px."""
    place = []
    for steep in (0.0, 0.006):
        volume = block([(31.3, 22.6, 2.0, 0, 99, 0)], snr=400.0, seed=3)
        volume = volume * (1 + steep * (np.arange(COUNT) - 26))[None, None, :]
        (bore,) = [f for f in measure_stack(stack_of(volume)).part.features if f.kind == "round_hole"]
        assert bore.x_mm is not None
        place.append(bore.x_mm.value / 0.1)
    assert abs(place[1] - place[0]) < 0.02


@pytest.mark.parametrize(("before", "after", "through"), [(True, True, True), (True, False, False), (False, False, False)])
def test_a_short_spot_from_face_to_face_is_a_bore(before: bool, after: bool, through: bool) -> None:
    """Where the metal round a dark run ends with it on both sides it goes through; a pore has metal beyond it."""
    metal, air = np.zeros(6), np.full(6, np.nan)
    dip = np.concatenate([air if before else metal, np.full(10, 0.6), air if after else metal])
    assert _goes_through(dip, (6, 15)) is through


def test_a_small_bore_filled_with_something_lighter_keeps_its_size() -> None:
    """A rod of 6 px and two thirds of the grey of metal in its hole: right within 3 u, told from a narrow bore of air."""
    volume = block([(31.3, 22.6, 3.0, 0, 99, 0)], snr=400.0, seed=3)
    solid = block([], snr=400.0, seed=4)
    volume = 0.35 * volume + 0.65 * solid + np.random.default_rng(5).standard_normal(volume.shape) / 20
    (bore,) = [f for f in measure_stack(stack_of(volume)).part.features if f.kind == "round_hole"]
    assert "other_material" in bore.flags
    assert bore.diameter_mm is not None
    assert bore.diameter_mm.u is not None
    assert abs(bore.diameter_mm.value - 0.6) < 3 * bore.diameter_mm.u < 0.09


def test_a_bite_does_not_widen_a_small_bore() -> None:
    """A bore of 6.2 px eaten on one side: its size within 0.1 px and its place within 0.08, and it says that it is worn."""
    volume = block([(31.3, 22.6, 3.1, 0, 99, 0), (33.9, 22.6, 1.5, 0, 99, 0)], snr=30.0, seed=3)
    (bore,) = [f for f in measure_stack(stack_of(volume)).part.features if f.kind == "round_hole"]
    assert bore.diameter_mm is not None
    assert bore.x_mm is not None
    assert bore.worn is not None
    assert bore.diameter_mm.value / 0.1 == pytest.approx(6.2, abs=0.1)
    assert bore.x_mm.value / 0.1 == pytest.approx(31.3, abs=0.08)


def test_a_blurred_disc_is_what_a_reference_library_says() -> None:
    """Its share is SciPy's noncentral chi-squared, its slope with the radius SciPy's Rice density, to 1e-7."""
    away = np.linspace(0.0, 20.0, 4001)
    for radius in (0.3, 1.0, 2.7, 6.0):
        share, wider, further = blurred_disc(radius, away)
        assert np.abs(share - stats.ncx2.cdf(radius**2, 2, away**2)).max() < 1e-7
        assert np.abs(wider - stats.rice.pdf(radius, away)).max() < 1e-7
        assert np.abs(further - np.gradient(share, away))[1:-1].max() < 1e-5


def test_a_rim_is_not_taken_for_a_small_bore() -> None:
    """Where a spot beside the rim of a disc of 42 px is no bore, the fit does not end as the disc's own circle."""
    stack = stack_of(block([], snr=16.0, seed=11))
    levels = find_levels(stack)
    assert levels is not None
    survey = survey_stack(stack, levels)
    squared = square_up(survey, axis_from_normals(survey.normals))
    middle = len(squared) // 2
    grid = [axis.ravel() for axis in np.mgrid[middle - 6 : middle + 7, 18:35, 34:51]]
    grey = np.array([squared.plane(k) for k in range(len(squared))])[tuple(grid)]
    plane, row, column = (axis.astype(float) for axis in grid)
    spot = Circle(42.5, 26.0, 2.3)
    choice = Choice("round", spot, np.zeros(64, dtype=bool), 1.0)
    span = Span(middle - 6, middle + 6, (0, 0), np.zeros((1, 1), np.int8), np.zeros((1, 1)), spot.outline(64), choice)
    sized = FittedCandidate(Candidate("round", True, spot, 0.0, (span,), True), FitFailed("not yet"), float(middle), axis_free=False)
    fit = fit_small(sized, (column, row, plane, grey), squared, 1 / 16).fit
    assert not isinstance(fit, ShapeFit) or fit.value("radius") < 5
