"""Worn parts: the renderer keeps areas and gaps, the scoring sees what is wrong, and three worn parts are measured."""

import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ctrecon import Feature, Measured, Part, SliceStack, measure_stack
from ctrecon.record.part import StackInfo


@pytest.fixture(autouse=True)
def _worn_on_path(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.syspath_prepend(str(Path(__file__).parents[1]))
    yield
    for name in [n for n in sys.modules if n.partition(".")[0] == "worn"]:
        del sys.modules[name]


def test_rendered_area_is_that_of_the_shape() -> None:
    """Disc, square, toothed rim and spoke windows come out with their area, on voxels that are not cubes."""
    from worn.render import Pose, render
    from worn.shapes import Teeth, box, disc, window_truth, windows

    teeth = Teeth(count=30, tip=40.0, root=35.0, root_half=2.8, tip_half=1.2, turn_deg=7.0)
    pose = Pose((3, 88, 96), (1.1, 1.08, 1.0), (47.6, 47.2, 1.2))
    shapes = [
        (disc(0, 0, 30.0), np.pi * 900), (box(0, 0, 31, 31, 23.0), 961.0), (teeth.distance, teeth.area()),
        (windows(12, 36, 4, 6, 10.0), 4 * window_truth(12, 36, 4, 6)[0]),
    ]  # fmt: skip
    for distance, area in shapes:
        got = float(render([(distance, 1.0)], pose, 0.8)[1].sum(dtype=float)) * 1.08
        assert got == pytest.approx(area, rel=1.5e-3)
    assert np.pi * 35**2 < teeth.area() < np.pi * 40**2


def test_a_gap_of_a_hundredth_is_as_thin_as_it_is() -> None:
    """The grey lost along a gap between two pieces is the gap's own width, however thin."""
    from worn.render import Pose, render
    from worn.shapes import between, disc

    pose = Pose((24, 60, 60), (1.0, 1.0, 1.0), (29.7, 29.4, 11.6))
    for gap in (0.02, 0.3):
        pieces = [(between(disc(0, 0, 200), -30, -gap / 2), 1.0), (between(disc(0, 0, 200), gap / 2, 30), 1.0)]
        volume = render(pieces, pose, 0.8)
        assert float((1 - volume[:, 20:40, 20:40]).sum(axis=0).mean()) == pytest.approx(gap, abs=2e-4)


def test_rings_hide_a_seam_that_runs_along_them() -> None:
    """Round about the rings' middle little is left of a seam, of a square one more; without rings nothing is lost."""
    from worn.render import Pose
    from worn.scan import Scanner
    from worn.strength import share_left

    pose = Pose((60, 120, 120), (1.0, 1.0, 1.0), (59.5, 59.5, 29.5))

    def left(line: Any, rings: float) -> float:
        return share_left(line, 20.0, -20.0, 20.0, pose, Scanner(snr=20.0, rings=rings), 50.0)

    def circle(x: Any, y: Any) -> Any:
        return np.hypot(x, y) - 20.0

    def square(x: Any, y: Any) -> Any:
        return np.maximum(np.abs(x), np.abs(y)) - 17.0

    assert left(circle, 0.0) == left(square, 0.0) == 1.0
    assert left(circle, 0.01) < 0.5 * left(square, 0.01)
    assert left(square, 0.003) > left(square, 0.01)
    assert left(circle, 0.02) == pytest.approx(left(circle, 0.01) / 2, rel=0.1)  # rings alone limit it


def test_noise_of_a_seam_is_what_a_filter_of_its_shape_meets() -> None:
    """The noise of all sums over a plane, filtered as the dip is, drawn by the scanner; white and shared."""
    from worn.render import Pose
    from worn.scan import Scanner, noise
    from worn.strength import noise_of

    pose = Pose((64, 20, 20), (1.0, 1.0, 1.0), (9.5, 9.5, 31.5))
    rng = np.random.default_rng(3)
    for grain in (0.0, 0.9):
        sums = np.array([noise(pose.shape, pose.voxel, grain, rng).sum(axis=(1, 2)) for _ in range(200)])
        dip = np.exp(-0.5 * (np.arange(-6, 7) / 0.85) ** 2)
        got = np.array([np.convolve(one, dip, mode="valid") for one in sums]).var() / (dip @ dip) / 20**2 / 20.0**2
        assert noise_of(Scanner(snr=20.0, grain=grain), pose, 0.85) == pytest.approx(got, rel=0.08)


def test_pieces_are_told_apart_by_the_strength_of_their_seams() -> None:
    """A stack right, one that missed a seam it rightly called too thin, and one that is wrong, each in its band."""
    from worn.table import by_strength

    def part(strengths: list[float], hits: list[bool], right: bool, honest: bool) -> dict[str, Any]:
        each = [("face_seam", s, h) for s, h in zip(strengths, hits, strict=True)]
        seams = {"of": len(each), "each": each, "weakest": min(strengths)}
        return {"found": [], "seams": seams, "pieces": {"right": right, "honest": honest}}

    parts = [
        part([30.0, 12.0], [True, True], True, True), part([30.0, 7.0], [True, False], False, True),
        part([30.0, 2.0], [True, True], False, False),
    ]  # fmt: skip
    high, near, low = by_strength(parts)[1:]
    assert "right 1 of 1" in high and "flat 4 of 4" in high
    assert "right 0 of 1, not all told but the stated limit true 1, wrong 0" in near and "flat 0 of 1" in near
    assert "wrong 1" in low and "flat 1 of 1" in low


def test_kind_and_seed_settle_a_part() -> None:
    """The same kind and seed give the same slices and truth; another seed gives others."""
    from worn import parts

    one, again, other = (parts.make("ring", s, size=(24, 64, 64))[0] for s in (9001, 9001, 9002))
    assert np.array_equal(one.slices, again.slices) and one.features == again.features
    assert one.features != other.features


@pytest.mark.parametrize("kind", ["hub", "plate", "wheel", "sandwich", "ring", "fragment", "broken", "solid", "nothing"])
def test_metal_keeps_clear_of_the_border(kind: str) -> None:
    """Every kind is rendered, with air along the four sides of each slice, and nothing true about an empty stack."""
    from worn import parts
    from worn.render import render

    size = (56, 96, 96)  # the part grows with its stack, the air about it does not
    for seed in (9003, 9004):
        told, pose, made = parts.make(kind, seed, size=size)
        assert told.slices.dtype == np.uint16 and told.slices.shape == size
        if kind == "nothing":
            assert not told.features and not told.pieces
            continue
        metal = render(made.layers, pose, told.scan["psf"])
        sides = [metal[:, :3], metal[:, -3:], metal[:, :, :3], metal[:, :, -3:]]
        assert max(float(s.max()) for s in sides) < 0.02 < 0.9 < float(metal.max())
        assert told.features and told.pieces


def _told(**change: Any) -> Any:
    """A bore and an outside, 60 slices long."""
    from worn.truth import Scanned

    common = {"x_mm": 4.0, "y_mm": 4.0, "worn": False, "optional": False, "insert": False, "weak": False, "taper_mm_per_mm": 0.0, "arc_deg": 360.0}
    ends = {"depth_from_mm": 0.5, "depth_to_mm": 3.5}
    features = [
        {"kind": "round_hole", "diameter_mm": 1.0, **ends, **common},
        {"kind": "round_outside", "diameter_mm": 6.0, **ends, **common},
    ]
    pieces = [{"name": "body", **ends}]
    return Scanned(
        kind="ring", seed=0, slices=np.zeros((80, 160, 160), np.uint16), voxel_mm=(0.05, 0.05, 0.05), px_mm=0.05,
        features=features, pieces=pieces,
    )  # fmt: skip


def _part(*features: Feature) -> Part:
    stack = StackInfo(source="x", slices=80, rows=160, columns=160, voxel_mm=(0.05, 0.05, 0.05), scale_basis="stated")
    return Part(name="x", made_with="x", stack=stack, axis=None, features=features)


def _round(kind: str, size: float, low: float = 0.5, high: float = 3.5, flags: tuple[str, ...] = (), x: float = 4.0) -> Feature:
    ends = {"depth_from_mm": Measured(low, 0.001), "depth_to_mm": Measured(high, 0.001)}
    place = {"x_mm": Measured(x, 0.001), "y_mm": Measured(4.0, 0.001)}
    return Feature(id="F1", kind=kind, flags=flags, diameter_mm=Measured(size, 0.002), **place, **ends)


def test_scoring_sees_what_is_missed_added_and_wrong() -> None:
    """A wrong size is an error over u, a far one is missed and an extra; undecided extras do not count."""
    from worn.score import compare

    told = _told()
    right = compare(told, _part(_round("round_hole", 1.01), _round("round_outside", 6.0)), (0, 0, 1))
    assert (right["missed"], right["extras"]) == ([], [])
    sizes = [s for s in right["samples"] if s["quantity"] == "size" and s["role"] == "hole"]
    assert sizes[0]["error"] == pytest.approx(0.2) and sizes[0]["u"] == pytest.approx(0.04)
    moved = compare(told, _part(_round("round_hole", 1.0, x=4.2), _round("round_outside", 6.0)), (0, 0, 1))
    assert (moved["missed"], moved["extras"]) == (["round_hole"], ["round_hole"])
    doubt = _round("round_hole", 0.5, flags=("undecided",), x=5.0)
    more = compare(told, _part(_round("round_hole", 1.0), _round("round_outside", 6.0), doubt), (0, 0, 1))
    assert (more["missed"], more["extras"], more["undecided"]) == ([], [], ["round_hole"])


def test_a_bore_in_three_pockets_is_one_found_and_two_extras() -> None:
    """Of short features that share a true one's place the best passes for it, if it covers half; the rest are extras."""
    from worn.score import compare

    pockets = [_round("round_hole", 1.0, a, b) for a, b in ((0.5, 2.5), (2.5, 3.0), (3.0, 3.5))]
    scored = compare(_told(), _part(_round("round_outside", 6.0), *pockets), (0, 0, 1))
    assert (scored["missed"], scored["extras"]) == ([], ["round_hole", "round_hole"])
    scored = compare(_told(), _part(_round("round_outside", 6.0), *pockets[1:]), (0, 0, 1))
    assert (scored["missed"], scored["extras"]) == (["round_hole"], ["round_hole", "round_hole"])


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "seed"), [("plate", 9101), ("wheel", 9103), ("sandwich", 9100)])
def test_a_worn_part_is_measured(
    kind: str, seed: int, measured_once: Callable[[str, Callable[[], Part]], Part]
) -> None:
    """A worn part in an ugly scan: no fault, nine in ten of its features found, sizes within 0.3 px or 3 u."""
    from worn import parts
    from worn.score import compare

    told, pose, _ = parts.make(kind, seed)
    stack = SliceStack.from_array(told.slices, voxel_mm=told.voxel_mm, source=f"{kind}-{seed}")
    part = measured_once(f"worn_{kind}_{seed}", lambda: measure_stack(stack).part)
    scored = compare(told, part, tuple(float(v) for v in pose.axis))
    assert len(scored["found"]) >= 0.9 * (len(scored["found"]) + len(scored["missed"])), scored["says"]
    sizes = [s for s in scored["samples"] if s["quantity"] == "size" and s["group"] in ("round", "square", "rect", "slot")]
    assert sizes
    assert all(abs(s["error"]) <= max(0.3, 3 * (s["u"] or 0.0)) for s in sizes), sizes
    assert not scored["pieces"]["false_separate"]


@pytest.mark.slow
def test_a_rod_is_not_lost_to_a_square_that_shows_on_one_side_only(
    measured_once: Callable[[str, Callable[[], Part]], Part]
) -> None:
    """The round gap about an arbor, beside cupping and streaks that draw a square's fit away: told, and round."""
    from worn import parts

    told, _, _ = parts.make("sandwich", 10527)
    stack = SliceStack.from_array(told.slices, voxel_mm=told.voxel_mm, source="sandwich-10527")
    part = measured_once("worn_sandwich_10527", lambda: measure_stack(stack).part)
    (true,) = [f["diameter_mm"] for f in told.features if f["kind"] == "round_seam"]
    (size,) = [f.diameter_mm for f in part.features if f.kind == "round_seam"]
    assert size is not None
    assert size.value == pytest.approx(true, abs=3 * (size.u or 0.0))


def test_product_in_pits_skins_no_face() -> None:
    """What fills the pits adds no metal anywhere else: the volume is that of the body and of what the pits took."""
    from worn import common, wear
    from worn.render import Pose, render
    from worn.shapes import between, disc

    pose = Pose((40, 72, 72), (1.2, 1.1, 1.0), (38.3, 38.9, 23.1))
    body = between(disc(0, 0, 26.0), -14, 14)
    room = common.Room(radius=30.0, height=40.0, worn=10.0, later=np.random.default_rng(1))
    places = np.array([[26.0, 0.0, 2.0], [0.0, -26.0, -3.0], [-18.4, 18.4, 5.0], [18.4, 18.4, -6.0]])
    filled = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        layers = common.dress(rng, room, [body], body, np.tile(places, (4, 1)))
        if len(layers) < 2 or layers[1][1] > max(wear.PRODUCT):
            continue
        filled += 1
        whole, eaten = (float(render([(d, 1.0)], pose, 0.8).sum(dtype=float)) for d in (body, layers[0][0]))
        added = float(render(layers[1:], pose, 0.8).sum(dtype=float)) / layers[1][1]
        if added < 2 * (whole - eaten):  # crust stands outside of what was metal
            assert added == pytest.approx(whole - eaten, rel=0.03, abs=3.0)
    assert filled


@pytest.mark.parametrize("maker", ["hub", "sandwich"])
def test_one_piece_holds_no_skin_of_air(maker: str, times: int) -> None:
    """Inside what is turned from the solid every voxel is full: where shapes meet no cells are left half-filled."""
    from scipy import ndimage
    from worn import common, hubs, wheels
    from worn.render import Pose, render

    pose = Pose((80, 96, 96), (1.0, 1.0, 1.0), (47.6, 47.9, 39.4))
    for seed in range(4 * times):
        room = common.Room(radius=42.0, height=70.0, worn=0.0, later=np.random.default_rng(seed))
        make = hubs.hub if maker == "hub" else wheels.sandwich
        made = make(np.random.default_rng(seed), room, one_piece=True)
        grey = render(made.layers, pose, 0.6)
        metal = ndimage.minimum_filter(grey > 0.98, size=(1, 5, 5))  # clear of walls, where edges come out half-filled
        both = np.zeros_like(metal)
        both[3:-3] = metal[6:] & metal[:-6]
        assert both.sum() > 1000
        assert float(grey[both].min()) > 0.99, f"{maker} {seed}"
