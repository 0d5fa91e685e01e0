"""The part record: frame, depths and scale of what it holds."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ctrecon.core.measured import Measured
from ctrecon.record.kinds import KINDS, REQUIRED, is_hole, is_seam
from ctrecon.record.part import (
    Axis,
    Feature,
    Part,
    depths_in_part_frame,
    outline_in_part_frame,
    place_in_part_frame,
    scale_u_along,
    scale_u_of,
)
from ctrecon.record.store import read_part

TILT = math.radians(5.0)
SLOPE = math.tan(TILT)


@pytest.fixture
def hub() -> Part:
    return read_part(Path(__file__).parents[1] / "plots" / "hub.json")


def leaning(part: Part) -> Part:
    """Return the part with its axis leaning five degrees towards +x."""
    axis = Axis(tilt_deg=Measured(5.0, 0.1), direction_xyz=(math.sin(TILT), 0.0, math.cos(TILT)))
    return replace(part, axis=axis)


def bore(ident: str, at_zero: float, low: float, high: float) -> Feature:
    """Return a bore along that axis which crosses z = 0 at x = at_zero (x is given at mid-depth, as the rule says)."""
    middle = (low + high) / 2
    return Feature(
        id=ident,
        kind="round_hole",
        x_mm=Measured(at_zero + SLOPE * middle, 0.001),
        y_mm=Measured(3.0, 0.001),
        depth_from_mm=Measured(low, 0.001),
        depth_to_mm=Measured(high, 0.001),
        diameter_mm=Measured(1.0, 0.001),
    )


def test_one_axis_at_two_depths_is_one_place(hub: Part) -> None:
    """Two bores on one leaning axis stand at the same place of the part frame, though their x differ."""
    part = leaning(hub)
    upper, lower = bore("F1", 2.0, 0.0, 4.0), bore("F2", 2.0, 10.0, 30.0)
    assert upper.x_mm != lower.x_mm
    assert place_in_part_frame(part, upper) == pytest.approx(place_in_part_frame(part, lower), abs=1e-12)


def test_distance_of_leaning_axes_is_square_to_them(hub: Part) -> None:
    """Axes 2 mm apart in the slice plane are 2 cos(tilt) mm apart, measured square to them (plane geometry)."""
    part = leaning(hub)
    first, second = bore("F1", 2.0, 0.0, 4.0), bore("F2", 4.0, 6.0, 8.0)
    near, far = np.array(place_in_part_frame(part, first)), np.array(place_in_part_frame(part, second))
    assert np.linalg.norm(far - near) == pytest.approx(2.0 * math.cos(TILT), abs=1e-12)


def test_length_along_a_leaning_axis(hub: Part) -> None:
    """A bore through 4 mm of slices on a leaning axis is 4 / cos(tilt) mm long (plane geometry)."""
    low, high = depths_in_part_frame(leaning(hub), bore("F1", 2.0, 1.0, 5.0))
    assert high - low == pytest.approx(4.0 / math.cos(TILT), abs=1e-12)


def test_unknown_ends_stand_at_the_ends_of_the_stack(hub: Part) -> None:
    """Without an axis the frame is the stack's, and an unknown end is the first or last slice."""
    part = replace(hub, axis=None, unknown={"axis": "not looked for"})
    feature = replace(bore("F1", 2.0, 0.0, 4.0), depth_from_mm=None, depth_to_mm=None)
    last = (part.stack.slices - 1) * part.stack.voxel_mm[0]
    assert depths_in_part_frame(part, feature) == pytest.approx((0.0, last))


def test_unknown_place_is_refused(hub: Part) -> None:
    """A feature without a place has none in the part frame either, and the message names it."""
    with pytest.raises(ValueError, match="F3"):
        place_in_part_frame(hub, replace(hub.feature("F3"), x_mm=None))


def test_outline_is_projected_along_the_axis(hub: Part) -> None:
    """Along the lean an outline shrinks by cos(tilt), across it keeps its size (plane geometry)."""
    square = ((0.0, 0.0), (2.0, 0.0), (2.0, 2.0), (0.0, 2.0))
    feature = replace(hub.feature("F7"), outline_mm=square)
    width, height = np.ptp(outline_in_part_frame(leaning(hub), feature), axis=0)
    assert width == pytest.approx(2.0 * math.cos(TILT))
    assert height == pytest.approx(2.0)


def test_kinds_are_told_apart() -> None:
    """Every kind is a hole, a seam or neither, never both."""
    for kind in KINDS:
        feature = Feature(id="F1", kind=kind)
        assert not (is_hole(feature) and is_seam(feature))
        assert is_seam(feature) == ("seam_mm" in REQUIRED[kind])
    assert is_hole(Feature(id="F1", kind="slot"))
    assert not is_hole(Feature(id="F1", kind="arc_outside"))


def test_features_are_found_by_id_and_kind(hub: Part) -> None:
    """A feature is found by its id, several by kind in the order of the record, and a wrong id is an error."""
    assert hub.feature("F4").kind == "square_outside"
    assert [one.id for one in hub.of_kind("round_hole", "square_seam")] == ["F2", "F3", "F6"]
    with pytest.raises(KeyError):
        hub.feature("F99")


def test_scale_of_each_quantity(hub: Part) -> None:
    """Lengths take the scale of their direction, areas twice, a taper both, angles none."""
    part = replace(hub, stack=replace(hub.stack, scale_u_rel=(0.004, 0.001, 0.003)))
    assert scale_u_along(part, "along") == 0.004
    assert scale_u_of(part, "depth_from_mm") == scale_u_of(part, "length_mm") == 0.004
    assert scale_u_of(part, "diameter_mm") == 0.003
    assert scale_u_of(part, "area_mm2") == 0.006
    assert scale_u_of(part, "taper_mm_per_mm") == pytest.approx(0.005)
    assert scale_u_of(part, "turn_deg") == 0.0


def test_scale_known_in_part_is_left_out_whole(hub: Part) -> None:
    """With one direction unknown no U holds the scale, as the heading then says."""
    part = replace(hub, stack=replace(hub.stack, scale_u_rel=(0.004, None, 0.003)))
    names = ("depth_from_mm", "diameter_mm", "turn_deg", "area_mm2")
    assert [scale_u_of(part, name) for name in names] == [None] * 4
