"""The ticket wheel, whole and broken, through the whole measuring: counts, circles, every tooth, run-out."""

from typing import Any

import numpy as np
import pytest
import shapely
from scipy.ndimage import gaussian_filter

from ctrecon import phantoms
from ctrecon.measuring import measure_stack
from ctrecon.record.part import Feature, Part
from ctrecon.record.store import part_to_json
from ctrecon.slices import SliceStack


def _measured(name: str) -> tuple[Part, Feature, dict[str, Any]]:
    made = phantoms.make(name, scale=0.75)
    part = measure_stack(made.volume, voxel_mm=made.voxel_mm, name=name).part
    (wheel,) = part.of_kind("wheel")
    (truth,) = [one for one in made.truth["features"] if one["kind"] == "wheel"]
    return part, wheel, truth


@pytest.fixture(scope="module")
def whole() -> tuple[Part, Feature, dict[str, Any]]:
    """The whole wheel."""
    return _measured("ticket_wheel")


@pytest.fixture(scope="module")
def broken() -> tuple[Part, Feature, dict[str, Any]]:
    """The same wheel with 172 degrees of its rim lost."""
    return _measured("ticket_wheel_broken")


@pytest.mark.parametrize("which", ["whole", "broken"])
def test_sizes_and_every_tooth(which: str, request: pytest.FixtureRequest) -> None:
    """Place, circles and thickness lie within four u of the truth, and so do the angles of all teeth that are left."""
    _, wheel, truth = request.getfixturevalue(which)
    for name in ("x_mm", "y_mm", "tip_diameter_mm", "root_diameter_mm", "tooth_width_mm"):
        found = getattr(wheel, name)
        assert abs(found.value - truth[name]) < max(4 * found.u, 0.002), name
    angles = np.array(truth["tooth_angles_deg"])
    off = np.array([(angles - one.angle_deg.value + 180) % 360 - 180 for one in wheel.tooth_places])
    off = off[np.arange(len(off)), np.argmin(np.abs(off), axis=1)]
    ratio = off / [one.angle_deg.u for one in wheel.tooth_places]
    assert len(off) == len(angles) and np.sqrt(np.mean(ratio**2)) < 1.6 and np.abs(off).max() < 0.03
    assert all(one.whole and not one.bent for one in wheel.tooth_places)
    assert wheel.flank is not None and wheel.flank.form in ("straight", "free") and "(straight" in wheel.flank.says
    assert "spoked" in wheel.flags and "toothed_rim" not in wheel.flags


def test_the_whole_rim_is_counted(whole: tuple[Part, Feature, dict[str, Any]]) -> None:
    """Sixty teeth, one stretch all round."""
    _, wheel, _ = whole
    assert (wheel.teeth, wheel.teeth_range, wheel.teeth_present, wheel.arc_deg) == (60, (60, 60), 60, 360.0)
    assert {one.stretch for one in wheel.tooth_places} == {0}


def test_the_broken_rim_is_counted_with_odds(broken: tuple[Part, Feature, dict[str, Any]]) -> None:
    """Half a rim divided by hand holds the truth in its range, states odds that sum to one, and how much is left."""
    _, wheel, truth = broken
    low, high = wheel.teeth_range or (0, 0)
    assert low <= 60 <= high and wheel.teeth in (None, 60)
    assert sum(odds for _, odds in wheel.teeth_odds) == pytest.approx(1.0, abs=0.01)
    assert wheel.arc_deg == pytest.approx(truth["arc_deg"], abs=6.0) and wheel.teeth_present == len(truth["tooth_angles_deg"])
    # its pitch is that of the teeth left, by least squares (numpy), whatever the lost ones were
    angles = np.sort((np.array(truth["tooth_angles_deg"]) - truth["arc_from_deg"]) % 360)
    pitch = np.polyfit(np.arange(len(angles)), angles, 1)[0]
    assert wheel.pitch_deg is not None and abs(wheel.pitch_deg.value - pitch) < 4 * (wheel.pitch_deg.u or 0)


@pytest.mark.parametrize(("which", "left"), [("ticket_wheel", 4), ("ticket_wheel_broken", 1)])
def test_the_truth_names_the_windows_that_are_left(which: str, left: int) -> None:
    """Every whole window is a free hole of the truth: area and middle by shapely, where a slice through it shows air."""
    made = phantoms.make(which, scale=0.5)
    windows = [one for one in made.truth["features"] if one["kind"] == "free_hole"]
    assert len(windows) == left
    ring = shapely.Point(0, 0).buffer(7.3, 400).difference(shapely.Point(0, 0).buffer(3.7, 400))
    arms = shapely.union_all([shapely.box(-7.3, -0.85, 7.3, 0.85), shapely.box(-0.85, -7.3, 0.85, 7.3)])
    quarter = shapely.intersection(ring.difference(arms), shapely.box(0, 0, 8, 8))
    dz, dy, dx = made.voxel_mm
    for one in windows:
        assert one["area_mm2"] == pytest.approx(quarter.area, rel=1e-4)
        z = (one["depth_from_mm"] + one["depth_to_mm"]) / 2
        grey = made.volume[round(z / dz), round(one["y_mm"] / dy), round(one["x_mm"] / dx)]
        assert grey < (float(made.volume.min()) + float(made.volume.max())) / 2
    centre = made.truth["features"][[f["kind"] for f in made.truth["features"]].index("wheel")]
    away = [np.hypot(one["x_mm"] - centre["x_mm"], one["y_mm"] - centre["y_mm"]) for one in windows]
    assert away == pytest.approx([float(np.hypot(quarter.centroid.x, quarter.centroid.y))] * left, rel=2e-3)


def test_run_out_of_the_bore(broken: tuple[Part, Feature, dict[str, Any]]) -> None:
    """The offset of the rim's axis from the square hole's is a relation, zero within its u as it was drawn."""
    part, wheel, _ = broken
    (offset,) = [one for one in part.relations if one.kind == "axis_offset" and wheel.id in one.features]
    assert offset.value is not None and offset.value.value < 3 * (offset.value.u or 0)


def test_a_record_with_wheels_is_written_and_read(broken: tuple[Part, Feature, dict[str, Any]], tmp_path: Any) -> None:
    """Teeth, odds, places and flank come back from part.json as they were."""
    from ctrecon.record.store import read_part, write_part

    part, wheel, _ = broken
    write_part(part, tmp_path / "part.json")
    again = read_part(tmp_path / "part.json")
    assert part_to_json(again) == part_to_json(part)
    assert again[wheel.id].teeth_odds[0][0] == wheel.teeth_odds[0][0]
    assert len(again[wheel.id].tooth_places) == len(wheel.tooth_places)


def test_what_is_left_of_a_broken_tooth_is_no_feature() -> None:
    """A tooth broken from its wheel through half the depth leaves a bit that stands alone: the wheel is all there is."""
    y, x = np.mgrid[:84, :84] - 41.3
    far, turn = np.hypot(x, y), np.arctan2(y, x)
    tooth = np.clip(2 * np.cos(16 * turn) + 0.5, 0, 1)
    wheel = np.clip(27.5 - far, 0, 1) + np.clip(far - 26.5, 0, 1) * np.clip(36.5 - far, 0, 1) * tooth
    there = np.abs(turn) > np.pi / 16
    bit = np.where(there | (far > 30.5), wheel, np.clip(27.5 - far, 0, 1) * wheel)
    rest = np.where(there, wheel, np.clip(27.5 - far, 0, 1) * wheel)
    none = np.zeros_like(wheel)
    grey = gaussian_filter(np.array([none] * 4 + [rest] * 4 + [bit] * 10 + [wheel] * 8 + [none] * 4), (0.8, 0.9, 0.9))
    grey = 800 + 3000 * (grey + np.random.default_rng(8).standard_normal(grey.shape) / 25)
    stack = SliceStack.from_array(grey.astype(np.float32), voxel_mm=0.1, source="wheel")
    (only,) = measure_stack(stack).part.features
    assert only.kind == "wheel"
    assert only.teeth == 16
