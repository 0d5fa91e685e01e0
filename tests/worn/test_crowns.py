"""Crown wheels and pinions of few leaves: rendered by a renderer of its own, with known truth, and measured."""

import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from ctrecon import Part, SliceStack, measure_stack
from ctrecon.record.store import part_to_json


@pytest.fixture(autouse=True)
def _worn_on_path(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.syspath_prepend(str(Path(__file__).parents[1]))
    yield
    for name in [n for n in sys.modules if n.partition(".")[0] == "worn"]:
        del sys.modules[name]


def test_a_crown_wheel_is_one_wheel(times: int) -> None:
    """Hand-divided, tilted, noisy: four features in all; count, planes of roots and tips, ring and teeth near the truth."""
    from worn import parts

    for seed in range(1, 1 + times):
        told, _, _ = parts.make("crown", seed, size=(72, 120, 120))
        part = measure_stack(SliceStack.from_array(told.slices, voxel_mm=told.voxel_mm, source="crown")).part
        assert len(part.features) == len(told.features) == 4
        (crown,), (true,) = part.of_kind("wheel"), [f for f in told.features if f["kind"] == "wheel"]
        assert crown.teeth == crown.teeth_present == true["teeth"] and "crown_teeth" in crown.flags
        assert {"tip_diameter_mm", "root_diameter_mm", "flank"} <= set(crown.unknown) and crown.outline_mm is None
        assert part_to_json(part)  # keeps the rules of the record
        names = ("depth_from_mm", "depth_to_mm", "diameter_mm", "x_mm", "y_mm")
        pairs = [(getattr(crown, n), true[n]) for n in names] + [(crown.inner_diameter_mm, true["inner_mm"])]
        for found, want in pairs:
            assert found.u < 0.2 * told.px_mm and abs(found.value - want) < 4 * found.u
        angles = np.array(true["tooth_angles_deg"])
        off = np.array([np.abs((angles - one.angle_deg.value + 180) % 360 - 180).min() for one in crown.tooth_places])
        assert np.sqrt(np.mean((off / [one.angle_deg.u for one in crown.tooth_places]) ** 2)) < 2.0


@pytest.mark.parametrize("up", [True, False])
def test_a_thin_wall_ends_at_the_roots_of_its_teeth(up: bool) -> None:
    """Three slices of wall between disc and teeth: the outside ends where the teeth begin, not at the floor within."""
    from worn.render import Pose, render
    from worn.scan import Scanner, scan
    from worn.shapes import CrownTeeth, between, cut, disc, hole, union

    teeth = CrownTeeth(
        inner=24.0, outer=34.0, root=0.0, tip=8.0, root_half=4.0, tip_half=2.0,
        angles_deg=tuple(10 + 24.0 * k for k in range(15)),
    )  # fmt: skip
    blank = cut(
        union(between(disc(0, 0, 34.0), -13.0, 0.0), between(teeth.distance, -1.0, 8.0)),
        between(disc(0, 0, 24.0), -3.0, 10.0), hole(0, 0, 9.0),
    )  # fmt: skip
    sign = 1.0 if up else -1.0
    pose = Pose((48, 84, 84), (1.0, 1.0, 1.0), (41.6, 41.3, 23.3), 0.6, 70.0)
    slices = scan(
        render([(lambda x, y, z: blank(x, y, sign * z), 1.0)], pose, 0.8), pose, Scanner(snr=25.0), 34.0,
        np.random.default_rng(8802),
    )  # fmt: skip
    part = measure_stack(SliceStack.from_array(slices, voxel_mm=1.0, source="thin")).part
    (outside,) = part.of_kind("round_outside")
    for found, depth in zip((outside.depth_from_mm, outside.depth_to_mm), sorted((-13.0 * sign, 0.0)), strict=True):
        want = float(pose.to_stack(0.0, 0.0, depth)[2])
        assert abs(found.value - want) < 3 * found.u and found.u < 0.06


def test_pins_that_stand_far_apart_are_no_crown() -> None:
    """Eight pins on a plate are eight outsides: teeth stand nearer to each other than that."""
    from worn.render import Pose, render
    from worn.scan import Scanner, scan
    from worn.shapes import between, disc, hole, union

    angles = 2 * np.pi * np.arange(8) / 8
    pins = [between(disc(26 * np.cos(a), 26 * np.sin(a), 3.5), -9, 14) for a in angles]
    metal = union(between(disc(0, 0, 34.0), -14, -4), *pins)
    pose = Pose((48, 84, 84), (1.0, 1.0, 1.0), (41.6, 41.3, 23.5))
    layers = [(lambda x, y, z: np.minimum(metal(x, y, z), -hole(0, 0, 9.0)(x, y, z)), 1.0)]
    slices = scan(render(layers, pose, 0.8), pose, Scanner(snr=25.0), 34.0, np.random.default_rng(8801))
    part = measure_stack(SliceStack.from_array(slices, voxel_mm=1.0, source="pins")).part
    assert len(part.of_kind("round_outside")) == 9 and not part.of_kind("wheel")


def _pinion(leaves: int, seed: int) -> tuple[Part, np.ndarray, dict[str, float]]:
    """A tilted pinion, its leaves off their places by a hundredth of a pitch, on an arbor of its own: px."""
    from worn.render import Pose, render
    from worn.scan import Scanner, scan
    from worn.shapes import Teeth, between, cut, hole

    rng = np.random.default_rng(seed)
    root, tip = 15.0, 24.0
    at_root = 0.62 * np.pi * root / leaves
    teeth = Teeth(
        count=leaves, tip=tip, root=root, root_half=at_root, tip_half=0.6 * at_root, turn_deg=11.0,
        errors=tuple(float(v) for v in 0.01 * rng.standard_normal(leaves)),
    )  # fmt: skip
    pose = Pose((48, 72, 72), (1.0, 1.0, 1.0), (35.8, 35.3, 23.6), 2.0, 70.0)
    metal = cut(between(teeth.distance, -14, 14), hole(0, 0, 5.0))
    slices = scan(render([(metal, 1.0)], pose, 0.8), pose, Scanner(snr=25.0), tip, rng)
    part = measure_stack(SliceStack.from_array(slices, voxel_mm=1.0, source="pinion")).part
    return part, teeth.angles_deg % 360, {"tip_diameter_mm": 2 * tip, "root_diameter_mm": 2 * root}


@pytest.mark.parametrize("leaves", [6, 7, 8, 9])
def test_a_pinion_of_few_leaves(leaves: int) -> None:
    """Leaves are counted, both circles and every leaf's angle near the truth."""
    part, angles, sizes = _pinion(leaves, 8810 + leaves)
    (wheel,) = part.of_kind("wheel")
    assert wheel.teeth == wheel.teeth_present == leaves
    for name, true in sizes.items():
        found = getattr(wheel, name)
        assert abs(found.value - true) < max(4 * found.u, 0.05), name
    off = [np.abs((angles - one.angle_deg.value + 180) % 360 - 180).min() for one in wheel.tooth_places]
    assert max(off) < 0.3
