"""Slices without blur or noise: drawn and thresholded ones, as users try first."""

import numpy as np
import pytest
from scipy.special import ndtr

from ctrecon import SliceStack, measure_stack
from ctrecon.core.fit_result import ShapeFit
from ctrecon.fitting.models import RectangleModel
from ctrecon.fitting.solve import Samples, fit_grey

MM = 0.05


def drawn(diameter: float, slices: int, noise: float, fine: int) -> SliceStack:
    """A disc as whole voxels (`fine` 1) or as shares of voxels, not blurred."""
    y, x = np.mgrid[:90, :90]
    at = (np.arange(fine) + 0.5) / fine - 0.5
    inside = [np.hypot(x + a - 44.3, y + b - 45.2) <= diameter / 2 for a in at for b in at]
    grey = 5000 + 20000 * np.mean(inside, axis=0)
    volume = np.repeat(grey[None], slices, axis=0)
    volume = volume + noise * 20000 * np.random.default_rng(4).standard_normal(volume.shape)
    return SliceStack.from_array(volume.clip(0).astype(np.uint16), voxel_mm=MM, source="drawn")


@pytest.mark.parametrize("slices", [1, 12])
@pytest.mark.parametrize("noise", [0.0, 0.01])
@pytest.mark.parametrize("fine", [1, 8])
def test_a_drawn_disc_has_its_diameter(fine: int, noise: float, slices: int) -> None:
    """Whole voxels give the diameter to a tenth of a voxel (the lattice tells no more) within 3 u, shares to a fiftieth.

    One of two diameters for each way of drawing, so that any three of the four go together in all their ways.
    """
    diameter = 40.0 if (slices > 1) ^ (noise > 0) ^ (fine > 1) else 63.4
    part = measure_stack(drawn(diameter, slices, noise, fine)).part
    (one,) = part.features
    assert one.kind == "round_outside"
    assert one.diameter_mm is not None
    assert one.diameter_mm.u is not None
    error = one.diameter_mm.value / MM - diameter
    assert abs(error) < (0.1 if fine == 1 else 0.02)
    assert abs(error) < 3 * one.diameter_mm.u / MM


@pytest.mark.parametrize(("column", "by"), [(14.6, 0.0), (14.85, -0.8), (14.85, 0.0), (15.1, 1.2)])
def test_no_flank_of_a_clean_square_is_taken_for_damage(column: float, by: float) -> None:
    """A square hole of 11.3 px in very clean, sharp grey is fitted from a start up to 1.2 px off, or from the truth."""
    rng = np.random.default_rng(1)
    z, y, x = np.meshgrid(np.arange(6.0), np.arange(30.0), np.arange(30.0), indexing="ij")
    u, v = np.abs(x - column), np.abs(y - 15.2)
    off = np.minimum(5.65 - u, 5.65 - v)
    near = (np.abs(off) < 4.5) & ~((u > 3.2) & (v > 3.2))
    grey = ndtr(-off / 0.5) + 0.004 * rng.standard_normal(x.shape)
    cluster = (np.arctan2(y - 15.2, x - column) * 5.7).astype(np.int64) * 1000
    samples = Samples(x[near], y[near], z[near] - 2.5, grey[near], cluster[near])
    start = np.array([column + by / 2, 15.2, 11.3 + by, 11.3, 0.01, 0.0, 0.0, 0.0])
    free = np.array([True] * 5 + [False] * 3)
    fit = fit_grey(RectangleModel(True), start, samples, noise=0.004, active=free, slope_sd=0.002)
    assert isinstance(fit, ShapeFit)
    assert fit.value("a") == pytest.approx(11.3, abs=0.02)
