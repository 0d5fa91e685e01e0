"""Budgets of measured sizes: where each uncertainty comes from."""

import pytest

from ctrecon.features.budget import ORIGINS
from ctrecon.measuring import Measurement


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
        assert origins["noise"] > 0.4 * sum(u**2 for u in origins.values()) ** 0.5
