"""Budgets of measured sizes: where each uncertainty comes from."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage

from ctrecon.core.measured import Measured
from ctrecon.features.budget import ORIGINS, edge_u_px
from ctrecon.measuring import measure_stack
from ctrecon.record.measurement import Measurement
from ctrecon.record.part import ImageInfo, ScaleFound
from ctrecon.record.sensitivity import edge_u_of
from ctrecon.slices import SliceStack


def test_parts_sum_to_the_whole(bar: Measurement) -> None:
    """The squares of all parts of a budget sum to the square of the quantity's own u."""
    checked = 0
    for feature in bar.part.features:
        for name, origins in feature.budget.items():
            value = getattr(feature, name)
            whole = (value[0] if isinstance(value, tuple) else value).u
            assert set(origins) <= set(ORIGINS)
            assert sum(u**2 for u in origins.values()) ** 0.5 == pytest.approx(whole, rel=1e-6)
            checked += 1
    assert checked >= 9


def test_white_noise_is_most_of_a_clean_scans_budget(bar: Measurement) -> None:
    """On a clean scan with independent noise nothing is put down to shared noise, and noise and levels lead."""
    for feature in bar.part.features:
        origins = next(v for k, v in feature.budget.items() if k in ("diameter_mm", "flats_mm"))
        assert "correlation" not in origins
        assert origins["noise"] > 0.3 * sum(u**2 for u in origins.values()) ** 0.5


def diameter_px(power: float) -> float:
    """Diameter measured on a disc whose grey goes with a power of the metal's share."""
    y, x = (np.mgrid[:400, :400] - 199.5) / 5
    disc = ndimage.gaussian_filter((np.hypot(x, y) < 24.0).astype(float), 4.0).reshape(80, 5, 80, 5).mean(axis=(1, 3))
    grey = disc**power + 0.002 * np.random.default_rng(1).standard_normal(disc.shape)
    part = measure_stack(SliceStack.from_array(grey[None].astype(np.float32), voxel_mm=(1.0, 1.0, 1.0))).part
    measured = part.features[0].diameter_mm
    assert measured is not None
    return measured.value


def test_an_unknown_grey_scale_moves_edges_as_stated() -> None:
    """Grey to the power of 1.1 against 1 / 1.1 moves a diameter by what the stated edge part is worth, to a quarter."""
    moved = diameter_px(1 / 1.1) - diameter_px(1.1)
    assert moved == pytest.approx(2 * edge_u_px(0.8) * (1.1 - 1 / 1.1) / 0.03, rel=0.25)


def test_the_edges_part_follows_the_sensitivity(bar: Measurement) -> None:
    """Twice the edge on a diameter, none on a place, none where known sizes have settled it."""
    part = replace(bar.part, image=ImageInfo(psf_px=0.8, edge_u_px=0.02))
    one = next(f for f in part.features if f.diameter_mm is not None and "diameter_mm" in f.sensitivity)
    pitch = min(part.stack.voxel_mm[1:])
    assert edge_u_of(part, one, "diameter_mm") == pytest.approx(0.04 * pitch)
    assert edge_u_of(part, one, "x_mm") == 0.0
    exact = Measured(1.0, 0.001)
    settled = ScaleFound(
        knowns=(), factor=(exact, exact, exact), edge_mm=Measured(0.0, 0.001), chi2=0.0, freedom=0, says=()
    )
    assert edge_u_of(replace(part, calibration=settled), one, "diameter_mm") == 0.0
