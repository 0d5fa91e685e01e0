"""The main job from end to end on small stacks, good and bad."""

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.special import ndtr

from ctrecon.core.errors import InputError, NoScaleError
from ctrecon.measuring import measure_stack
from ctrecon.record.kinds import REQUIRED
from ctrecon.record.part import Part
from ctrecon.record.store import read_part, write_part
from ctrecon.slices import SliceStack

VOXEL = (0.12, 0.1, 0.1)
SHAPE = (22, 56, 60)


def pin(
    *, first: float = 4.3, last: float = 16.6, x: float = 29.4, radius: float = 17.2, noise: float = 0.04,
    shape: tuple[int, int, int] = SHAPE,
) -> np.ndarray:
    """An upright bored pin, air 0 and metal 1, in voxels."""
    z, y, x_all = np.meshgrid(*(np.arange(float(n)) for n in shape), indexing="ij")
    off = np.hypot(x_all - x, y - 27.1)
    body = ndtr((radius - off) / 0.85) * ndtr((off - 7.0) / 0.85)
    metal = body * (ndtr((z - first) / 0.85) - ndtr((z - last) / 0.85))
    return np.asarray(metal + noise * np.random.default_rng(9).standard_normal(shape))


def stack(volume: np.ndarray, name: str = "pin", voxel_mm: tuple[float, float, float] | None = VOXEL) -> SliceStack:
    return SliceStack.from_array((volume * 2000 + 300).astype(np.float32), voxel_mm=voxel_mm, source=name)


@cache
def whole() -> Part:
    return measure_stack(stack(pin())).part


@cache
def cut_short() -> Part:
    """The pin, leaving the stack at its first end."""
    return measure_stack(stack(pin(first=-9.0))).part


@cache
def watched() -> tuple[Part, dict[str, tuple[int, int]]]:
    """The pin under a name of its own, and the last that each stage told of its progress."""
    last: dict[str, tuple[int, int]] = {}
    told = lambda what, done, of: last.__setitem__(what, (done, of))  # noqa: E731
    return measure_stack(stack(pin()), name="axle", progress=told).part, last


def diameter_of_outside(part: Part) -> float:
    (found,) = [f.diameter_mm for f in part.features if f.kind == "round_outside"]
    assert found is not None
    return found.value


def flags(part: Part) -> list[str]:
    return [w.flag for w in part.warnings]


def test_a_plain_pin() -> None:
    """A bored pin gives its outside and its bore, an axis, one piece and no warning."""
    part = whole()
    assert sorted((f.kind, f.flags) for f in part.features) == [("round_hole", ()), ("round_outside", ())]
    assert part.axis is not None
    assert [p.verdict for p in part.pieces] == ["one_piece"]
    assert [f for f in flags(part) if f != "handedness_assumed"] == []
    assert part.unknown == {}


def test_the_record_tells_of_the_stack() -> None:
    """The record names source, size and voxel of the stack as they were given."""
    part = whole()
    assert (part.name, part.stack.source) == ("pin", "pin")
    assert (part.stack.slices, part.stack.rows, part.stack.columns) == SHAPE
    assert part.stack.voxel_mm == VOXEL
    assert part.stack.scale_basis == "stated"
    assert part.made_with.startswith("ctrecon ")


def test_every_feature_carries_what_its_kind_requires() -> None:
    """Required fields are there, or named in `unknown` with a reason; nothing measured has u of zero."""
    for feature in (*whole().features, *cut_short().features):
        for name in ("x_mm", "y_mm", "depth_from_mm", "depth_to_mm", *REQUIRED[feature.kind]):
            value = getattr(feature, name)
            assert value is not None or feature.unknown[name]
            if hasattr(value, "u"):
                assert value.u is not None
                assert value.u > 0


def test_a_name_of_ones_own() -> None:
    """The name given is the part's; the source stays the stack's."""
    part, _ = watched()
    assert (part.name, part.stack.source) == ("axle", "pin")


def test_the_record_can_be_written_and_read_back(tmp_path: Path) -> None:
    """What was measured survives the trip through its file: to nine digits, and a second trip changes nothing."""
    path, again = tmp_path / "part.json", tmp_path / "again.json"
    write_part(whole(), path)
    back = read_part(path)
    write_part(back, again)
    assert again.read_bytes() == path.read_bytes()
    assert read_part(again) == back
    for one, other in zip(whole().features, back.features, strict=True):
        assert (one.id, one.kind, one.flags) == (other.id, other.kind, other.flags)
        assert one.diameter_mm is not None
        assert other.diameter_mm is not None
        assert other.diameter_mm.value == pytest.approx(one.diameter_mm.value, rel=1e-8)


def test_without_a_scale_nothing_is_measured() -> None:
    """A stack without voxel size is refused in a sentence that names it and says what to give."""
    with pytest.raises(NoScaleError, match=r"pin: .*voxel_mm=\(dz, dy, dx\)"):
        measure_stack(stack(pin(), voxel_mm=None))


def test_a_constant_stack_is_refused() -> None:
    """One grey everywhere is an input that cannot be used."""
    with pytest.raises(InputError, match="same grey value"):
        measure_stack(stack(np.zeros(SHAPE)))


def test_noise_alone_gives_an_empty_record() -> None:
    """Noise gives no feature, no piece and no axis, but a warning and a reason."""
    result = measure_stack(stack(0.2 * np.random.default_rng(3).standard_normal(SHAPE)))
    part = result.part
    assert (part.features, part.pieces, part.axis, result.pictures) == ((), (), None, ())
    assert "nothing_to_measure" in flags(part)
    assert part.unknown["axis"]


def test_a_single_slice() -> None:
    """One slice gives sizes without depth, says so at every feature, and has no axis."""
    part = measure_stack(stack(pin()[10:11])).part
    assert part.axis is None
    assert "single slice" in part.unknown["axis"]
    assert "single_slice" in flags(part)
    assert sorted(f.kind for f in part.features) == ["round_hole", "round_outside"]
    for feature in part.features:
        assert feature.depth_from_mm is None
        assert feature.depth_to_mm is None
        assert "depth" in feature.unknown["depth_from_mm"]
        assert "single_slice" in feature.flags
    outside = next(f for f in part.features if f.kind == "round_outside")
    assert outside.diameter_mm is not None
    assert outside.diameter_mm.value == pytest.approx(3.44, abs=0.02)


def test_a_pin_that_leaves_the_stack_at_one_end() -> None:
    """The end that was not scanned is unknown, with a reason and a flag; the other one is measured."""
    part = cut_short()
    assert len(part.features) == 2
    for feature in part.features:
        assert feature.depth_from_mm is None
        assert feature.unknown["depth_from_mm"]
        assert feature.unknown["length_mm"]
        assert "runs_out_of_stack" in feature.flags
        assert feature.depth_to_mm is not None
        assert feature.depth_to_mm.value == pytest.approx(16.6 * 0.12, abs=0.02)
    bore = next(f for f in part.features if f.kind == "round_hole")
    assert bore.opens_at is None
    assert bore.unknown["opens_at"]
    assert part.pieces[0].depth_from_mm is None
    assert part.pieces[0].unknown["depth_from_mm"]


def test_of_several_bodies_the_largest_is_measured() -> None:
    """A second body is left out, named in a warning, and does not show among the features."""
    volume = pin(shape=(22, 56, 110)) + pin(shape=(22, 56, 110), x=88.0, radius=12.0, noise=0.0)
    part = measure_stack(stack(volume)).part
    assert "several_bodies" in flags(part)
    assert len(part.features) == 2
    assert all(f.x_mm is not None and f.x_mm.value < 4 for f in part.features)


def test_metal_at_the_border_is_flagged() -> None:
    """A pin cut by the border of the slices is measured by what is there, and flagged."""
    part = measure_stack(stack(pin(x=12.0))).part
    outside = next(f for f in part.features if f.kind.endswith("_outside"))
    assert "touches_border" in outside.flags


def test_low_contrast_is_said() -> None:
    """Where noise is more than a fifth of the contrast the record warns; the diameter is still right to 0.15 px."""
    part = measure_stack(stack(pin(noise=0.215))).part
    assert "low_contrast" in flags(part)
    assert diameter_of_outside(part) == pytest.approx(diameter_of_outside(whole()), abs=0.015)


def test_three_slices_show_no_axis() -> None:
    """Three slices are too few for a direction: there is a warning and no axis."""
    part = measure_stack(stack(pin()[8:11])).part
    assert part.axis is None
    assert "few_slices" in flags(part)
    assert part.unknown["axis"]


def test_progress_is_told_to_the_end() -> None:
    """Every stage that reports progress reaches its own end."""
    _, last = watched()
    assert {"survey", "outlines", "voxels"} <= set(last)
    assert last["survey"] == (22, 22)
    assert last["outlines"][0] == last["outlines"][1]
