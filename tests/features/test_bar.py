"""The features of a bar whose truth is plain arithmetic."""

from typing import Any

import numpy as np
import pytest

from ctrecon.record.measurement import Measurement
from ctrecon.record.part import Feature

MM = 0.1


def one(bar: Measurement, kind: str) -> Feature:
    (found,) = [f for f in bar.part.features if f.kind == kind]
    return found


def value(measured: Any) -> float:
    assert measured is not None
    return float(measured.value)


def ends(feature: Feature) -> tuple[float, float]:
    """Depths in voxels."""
    return value(feature.depth_from_mm) / MM, value(feature.depth_to_mm) / MM


def test_three_features_in_the_order_of_their_depth(bar: Measurement) -> None:
    """Square, hole and boss are found, nothing else, numbered by where they begin."""
    assert [(f.id, f.kind) for f in bar.part.features] == [
        ("F1", "square_outside"), ("F2", "round_hole"), ("F3", "round_outside"),
    ]  # fmt: skip


def test_sizes(bar: Measurement, bar_truth: dict[str, float]) -> None:
    """Flats and diameters agree to 0.02 px and lie within four of their own u."""
    pairs = [
        (one(bar, "square_outside").flats_mm, bar_truth["flats"]),
        (one(bar, "round_outside").diameter_mm, 2 * bar_truth["boss"]),
        (one(bar, "round_hole").diameter_mm, 2 * bar_truth["hole"]),
    ]
    for got, want in pairs:
        assert got is not None
        assert got.u is not None
        assert got.value / MM == pytest.approx(want, abs=0.02)
        assert 0 < got.u / MM < 0.02
        assert abs(got.value - want * MM) < 4 * got.u


def test_flats_in_pairs(bar: Measurement, bar_truth: dict[str, float]) -> None:
    """The flats of a square are the mean of its two widths, turned by less than a quarter turn."""
    square = one(bar, "square_outside")
    assert square.flats_pair_mm is not None
    assert value(square.flats_mm) == pytest.approx(np.mean([m.value for m in square.flats_pair_mm]))
    assert value(square.turn_deg) == pytest.approx(bar_truth["turn_deg"], abs=0.1)


def test_corner_radius(bar: Measurement, bar_truth: dict[str, float]) -> None:
    """The radius of the corners comes out to 0.3 px, and its u covers the error."""
    corner = one(bar, "square_outside").corner_radius_mm
    assert value(corner) / MM == pytest.approx(bar_truth["corner"], abs=0.3)
    assert corner is not None
    assert corner.u is not None
    assert abs(corner.value - bar_truth["corner"] * MM) < 4 * corner.u


def test_ends(bar: Measurement, bar_truth: dict[str, float]) -> None:
    """Every end face lies where it was made, to 0.05 slice."""
    t = bar_truth
    assert ends(one(bar, "square_outside")) == pytest.approx((t["start"], t["step"]), abs=0.05)
    assert ends(one(bar, "round_outside")) == pytest.approx((t["step"], t["end"]), abs=0.05)
    assert ends(one(bar, "round_hole")) == pytest.approx((t["floor"], t["end"]), abs=0.05)


def test_length_is_the_difference_of_the_ends(bar: Measurement) -> None:
    """Along an upright axis length and difference of depths are the same."""
    for feature in bar.part.features:
        low, high = ends(feature)
        assert value(feature.length_mm) / MM == pytest.approx(high - low, abs=0.01)


def test_places(bar: Measurement, bar_truth: dict[str, float]) -> None:
    """All three share one axis, to 0.03 px."""
    for feature in bar.part.features:
        got = value(feature.x_mm) / MM, value(feature.y_mm) / MM
        assert got == pytest.approx((bar_truth["x"], bar_truth["y"]), abs=0.03)


def test_a_blind_hole_opens_at_one_end(bar: Measurement) -> None:
    """The hole reaches the part's far end only; outsides open nowhere."""
    assert one(bar, "round_hole").opens_at == ("end",)
    assert one(bar, "round_outside").opens_at is None


def test_round_features_are_whole_and_round(bar: Measurement) -> None:
    """A sound rim has its full arc, no flags, and no taper beyond four u; the boss is round to a fifth of a pixel."""
    assert value(one(bar, "round_outside").roundness_mm) / MM < 0.2
    for kind in ("round_outside", "round_hole"):
        feature = one(bar, kind)
        assert (feature.arc_deg, feature.arc_from_deg, feature.flags) == (360.0, None, ())
        taper = feature.taper_mm_per_mm
        assert taper is not None
        assert taper.u is not None
        assert taper.u < 0.01  # the boss has nine planes, the outermost beside its faces
        assert abs(taper.value) < 4 * taper.u


def test_fit_noise_is_that_of_the_stack(bar: Measurement) -> None:
    """The residuals of every fit are those of the noise: between 0.7 and 1.2 of it."""
    for feature in bar.part.features:
        assert feature.fit_rms_noise is not None
        assert 0.7 < feature.fit_rms_noise < 1.2


def test_axis_is_upright(bar: Measurement) -> None:
    """The bar stands straight: the tilt is under 0.1 degrees."""
    assert bar.part.axis is not None
    assert bar.part.axis.tilt_deg.value < 0.1


def test_pictures_show_the_measured_curves_on_the_edges(bar: Measurement) -> None:
    """On each picture the grey under every curve is half-way between air and metal."""
    assert len(bar.pictures) >= 3
    drawn = set()
    for picture in bar.pictures:
        for name, curve in picture.curves:
            drawn.add(name)
            at = np.round(curve - [picture.origin_rc[1], picture.origin_rc[0]]).astype(int)
            assert float(np.mean(picture.grey[at[:, 1], at[:, 0]])) == pytest.approx(0.5, abs=0.12)
    assert drawn == {"F1", "F2", "F3"}
