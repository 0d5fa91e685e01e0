"""Slices without blur or noise: drawn and thresholded ones, as users try first."""

import numpy as np
import pytest

from ctrecon import SliceStack, measure_stack

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
@pytest.mark.parametrize("diameter", [40.0, 63.4])
def test_a_drawn_disc_has_its_diameter(diameter: float, fine: int, noise: float, slices: int) -> None:
    """Whole voxels give the diameter to a tenth of a voxel (the lattice tells no more) within 3 u, shares to a fiftieth."""
    part = measure_stack(drawn(diameter, slices, noise, fine)).part
    (one,) = part.features
    assert one.kind == "round_outside"
    assert one.diameter_mm is not None
    assert one.diameter_mm.u is not None
    error = one.diameter_mm.value / MM - diameter
    assert abs(error) < (0.1 if fine == 1 else 0.02)
    assert abs(error) < 3 * one.diameter_mm.u / MM
