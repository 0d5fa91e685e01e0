"""The record against its scan: a whole record leaves nothing, and what it lacks lights up in its place."""

import weakref
from dataclasses import replace
from functools import cache

import bush_scan as scans
import numpy as np
import pytest

from ctrecon.core.measured import Measured
from ctrecon.explain import explain_scan, scan, with_warning
from ctrecon.explain.predict import Predictor
from ctrecon.record.explained import Explained, Psf, ResidualRegion
from ctrecon.record.part import Part
from ctrecon.record.solid import solid_of
from ctrecon.record.worn import Worn, WornStretch
from ctrecon.slices import SliceStack

TILTS = (0.0, 5.0)
PX = 0.0525  # mm, the mean voxel edge in the slice


@cache
def whole(tilt_deg: float) -> Explained:
    return explain_scan(scans.record(tilt_deg), scans.scanned(scans.sound(tilt_deg), seed=1))


def without(part: Part, ident: str) -> Part:
    return replace(part, features=tuple(one for one in part.features if one.id != ident))


def in_stack(tilt_deg: float, x: float, y: float, z: float) -> np.ndarray:
    """Where a place of the part (x, y from its axis, z along it) lies in the stack, mm."""
    return np.asarray(scans.frame(tilt_deg).T @ np.array([x, y, z]) + scans.MIDDLE)


def lumps_at(explained: Explained, place: np.ndarray, *, within_mm: float) -> list[ResidualRegion]:
    """The lumps whose middle is at a place and whose slices hold its depth."""
    return [
        one
        for one in explained.lumps
        if np.hypot(one.x_mm - place[0], one.y_mm - place[1]) < within_mm
        and one.depth_from_mm - 0.12 <= place[2] <= one.depth_to_mm + 0.12
    ]


def explained_with(change: scans.Solid, tilt_deg: float, *, seed: int = 4) -> Explained:
    """A defect in the bush, scanned, held against the record of the sound bush."""
    return explain_scan(scans.record(tilt_deg), scans.scanned(scans.share_of_metal(change, tilt_deg), seed=seed))


def test_a_second_look_begins_with_nothing_of_the_first_in_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where metal lies beside the part all is looked at again, and the planes of the first look are gone by then."""
    looks: list[weakref.ref[object]] = []
    compared = scan._compared

    def told(part: Part, stack: SliceStack, look: object, progress: None) -> Explained:
        assert all(one() is None for one in looks)
        looks.append(weakref.ref(look))
        if len(looks) == 1:
            raise scan._OutsideError
        return compared(part, stack, look, progress)

    monkeypatch.setattr(scan, "_compared", told)
    assert explain_scan(scans.record(0.0), scans.scanned(scans.sound(0.0), seed=1)).metal_explained == pytest.approx(1.0, abs=1e-4)
    assert len(looks) == 2


@pytest.mark.parametrize("tilt_deg", TILTS)
def test_a_whole_record_explains_its_scan(tilt_deg: float) -> None:
    """All metal is explained, none is invented, and what is left is noise in every slice."""
    found = whole(tilt_deg)
    assert found.lumps == ()
    assert found.metal_explained == pytest.approx(1.0, abs=1e-4)
    assert found.metal_wrong == pytest.approx(0.0, abs=1e-4)
    known = [one for one in found.per_slice_rms if one is not None]
    assert len(found.per_slice_rms) == scans.SHAPE[0]
    assert np.median(known) == pytest.approx(1.0, abs=0.05)
    assert max(known) < 1.25
    assert "nothing is left" in found.says


@pytest.mark.parametrize("tilt_deg", TILTS)
def test_blur_and_noise_are_read_from_the_scan(tilt_deg: float) -> None:
    """The blur the scan was rendered with (0.045 mm) and its noise (a twentieth of the contrast) come out."""
    found = whole(tilt_deg)
    assert found.psf is not None
    assert found.noise is not None
    assert found.psf.across_mm == pytest.approx(scans.PSF, abs=0.003)
    assert found.psf.along_mm == pytest.approx(scans.PSF, abs=0.012)
    assert found.noise.air == pytest.approx(0.05, rel=0.06)
    assert found.noise.metal == pytest.approx(0.05, rel=0.06)


@pytest.mark.parametrize("tilt_deg", TILTS)
def test_predicted_slices_are_those_of_another_renderer(tilt_deg: float) -> None:
    """Signed distances and blur give what counting sub-voxels gives: 0.01 of the contrast in the mean, edges too."""
    part, share = scans.record(tilt_deg), scans.sound(tilt_deg)
    for index in (6, 13, 20, 28):
        predicted, _ = Predictor(solid_of(part), Psf(scans.PSF, scans.PSF)).slice(index)
        edge = (share[index] > 0.05) & (share[index] < 0.95)
        assert np.sqrt(np.mean((predicted - share[index])[edge] ** 2)) < 0.02
        assert np.abs(predicted - share[index]).max() < 0.12


@pytest.mark.parametrize(
    ("ident", "place", "sign"),
    [
        ("F1", (0.0, 0.0, -0.35), 1),
        ("F2", (0.0, 0.0, 0.0), -1),
        ("F3", (1.3, 0.1, -0.35), -1),
        ("F4", (0.0, 0.0, 0.4), 1),
    ],
)
@pytest.mark.parametrize("tilt_deg", TILTS)
def test_a_feature_taken_from_the_record_lights_up(
    ident: str, place: tuple[float, float, float], sign: int, tilt_deg: float
) -> None:
    """Without a bore the record has metal too much there; without an outside metal is missing from it."""
    part = without(scans.record(tilt_deg), ident)
    found = explain_scan(part, scans.scanned(scans.sound(tilt_deg), seed=2))
    first = found.lumps[0]
    assert first.sign == sign
    assert lumps_at(found, in_stack(tilt_deg, *place), within_mm=3 * PX) == [first]
    share = found.metal_explained if sign > 0 else 1 - (found.metal_wrong or 0.0)
    assert share is not None
    assert share < 0.995
    size = {"F1": 3.2, "F2": 0.7, "F3": 0.4, "F4": 2.2}[ident]
    assert first.size_mm[0] == pytest.approx(size, rel=0.25)


@pytest.mark.parametrize("tilt_deg", TILTS)
def test_a_crack_lights_up_as_a_line(tilt_deg: float) -> None:
    """A radial crack a third of a voxel wide is one dark line, in its slices, and the sentence asks for a crack."""
    found = explained_with(
        lambda x, y, z: scans.bush(x, y, z) & ~((np.abs(y + 0.3) < 0.009) & (x < -0.6) & (x > -1.35) & (z < 0.0)),
        tilt_deg,
    )
    lump = found.lumps[0]
    place = in_stack(tilt_deg, -0.98, -0.3, -0.4)
    assert all(np.hypot(one.x_mm - place[0], one.y_mm - place[1]) < 0.5 for one in found.lumps)
    assert lumps_at(found, place, within_mm=3 * PX) == [lump]
    assert lump.sign == -1
    assert lump.size_mm[0] == pytest.approx(0.75, abs=0.2)
    assert lump.size_mm[0] > 2.5 * lump.size_mm[1]
    assert "darker" in lump.says
    assert "crack or seam" in lump.says
    assert f"slices {lump.slices[0]} to {lump.slices[1]}" in lump.says


@pytest.mark.parametrize("tilt_deg", TILTS)
def test_a_cross_pin_lights_up(tilt_deg: float) -> None:
    """The thin ring of air round a pin across the axis shows on both sides of the bore."""
    found = explained_with(
        lambda x, y, z: scans.bush(x, y, z) & ~(np.abs(np.hypot(y, z + 0.35) - 0.18) < 0.012), tilt_deg
    )
    for side in (-0.8, 0.8):
        assert lumps_at(found, in_stack(tilt_deg, side, 0.0, -0.35), within_mm=0.45)
    assert all(one.sign == -1 for one in found.lumps)


@pytest.mark.parametrize("tilt_deg", TILTS)
def test_a_hidden_seam_lights_up_and_its_feature_explains_it(tilt_deg: float) -> None:
    """A round gap of a quarter voxel lights up as a closed line; with the seam in the record nothing is left."""
    # a quarter less metal over the width of a voxel: the points counted are too far apart for the gap itself
    share = scans.share_of_metal(
        lambda x, y, z: scans.bush(x, y, z) * (1 - 0.25 * (np.abs(np.hypot(x, y) - 0.8) < 0.0264)), tilt_deg
    )
    part, stack = scans.record(tilt_deg), scans.scanned(share, seed=5)
    found = explain_scan(part, stack)
    place = in_stack(tilt_deg, 0.0, 0.0, -0.35)
    largest = found.lumps[0]
    assert largest.sign == -1
    assert np.hypot(largest.x_mm - place[0], largest.y_mm - place[1]) < 0.35
    assert largest.size_mm[0] == pytest.approx(1.6, rel=0.3)
    low, high = part.features[1].depth_from_mm, part.features[1].depth_to_mm
    seam = replace(
        part.features[1], id="F9", kind="round_seam", diameter_mm=Measured(1.6, 0.001), depth_from_mm=low,
        depth_to_mm=high, seam_mm=Measured(0.0132, 0.001),
    )  # fmt: skip
    assert explain_scan(replace(part, features=(*part.features, seam)), stack).lumps == ()


@pytest.mark.parametrize("tilt_deg", TILTS)
def test_a_hole_across_is_explained_by_its_own_axis(tilt_deg: float) -> None:
    """A drilled cross hole lights up, and a record that holds its diameter and direction explains it."""
    share = scans.share_of_metal(
        lambda x, y, z: scans.bush(x, y, z) & ~(np.hypot(y, z + 0.35) < 0.2), tilt_deg
    )
    part, stack = scans.record(tilt_deg), scans.scanned(share, seed=8)
    assert "air where the record says metal" in explain_scan(part, stack).lumps[0].says
    along = scans.frame(tilt_deg).T @ np.array([1.0, 0.0, 0.0])
    middle = in_stack(tilt_deg, 0.0, 0.0, -0.35)
    corners = [in_stack(tilt_deg, x, y, -0.35)[:2] for x, y in ((-1.6, -0.2), (1.6, -0.2), (1.6, 0.2), (-1.6, 0.2))]
    hole = replace(
        part.features[1], id="F9", kind="free_hole", diameter_mm=None, flags=("not_along_depth",),
        x_mm=Measured(float(middle[0]), 0.001), y_mm=Measured(float(middle[1]), 0.001),
        depth_from_mm=Measured(float(middle[2]) - 0.2, 0.001), depth_to_mm=Measured(float(middle[2]) + 0.2, 0.001),
        outline_mm=tuple((float(x), float(y)) for x, y in corners), area_mm2=Measured(1.28, 0.01),
        cross_diameter_mm=Measured(0.4, 0.001), cross_direction_xyz=(float(along[0]), float(along[1]), float(along[2])),
    )  # fmt: skip
    assert explain_scan(replace(part, features=(*part.features, hole)), stack).lumps == ()


def eaten(part: Part, ident: str, tilt_deg: float, edge: np.ndarray, deepest_mm: float) -> Part:
    """The record with one worn stretch: an edge (x, y in the part's plane) at the feature's mid depth."""
    one = next(f for f in part.features if f.id == ident)
    assert one.depth_from_mm is not None
    assert one.depth_to_mm is not None
    middle = (one.depth_from_mm.value + one.depth_to_mm.value) / 2
    axes = scans.frame(tilt_deg)
    points = []
    for x, y in edge:  # where the line along the axis through this place meets the slice at mid depth
        z = (middle - scans.MIDDLE[2] - axes[0, 2] * x - axes[1, 2] * y) / axes[2, 2]
        points.append(tuple(float(v) for v in in_stack(tilt_deg, x, y, z)[:2]))
    worn = Worn(
        share=0.1, deepest_mm=Measured(deepest_mm, 0.01), says="eaten",
        stretches=(WornStretch(edge_mm=tuple(points), deepest_mm=deepest_mm),),
    )  # fmt: skip
    return replace(part, features=tuple(replace(f, worn=worn) if f.id == ident else f for f in part.features))


@pytest.mark.parametrize("tilt_deg", TILTS)
@pytest.mark.parametrize(("ident", "rim", "centre", "sign"), [("F1", 1.6, 1.75, 1), ("F2", 0.35, 0.3, -1)])
def test_wear_on_record_is_no_surprise(ident: str, rim: float, centre: float, sign: int, tilt_deg: float) -> None:
    """A scallop of 0.4 mm in rim or bore lights up; with the stretch on record nothing is left, and more does again."""

    def bitten(radius: float) -> scans.Solid:
        return lambda x, y, z: scans.bush(x, y, z) & ~((np.hypot(x + centre, y) < radius) & ((z < 0.1) | (sign < 0)))

    stack = scans.scanned(scans.share_of_metal(bitten(0.4), tilt_deg), seed=21)
    part = scans.record(tilt_deg)
    assert lumps_at(explain_scan(part, stack), in_stack(tilt_deg, -centre, 0.0, -0.35), within_mm=0.45)
    half = np.arccos((centre**2 + 0.4**2 - rim**2) / (2 * centre * 0.4))  # cosine rule: where the two circles meet
    turn = np.linspace(-half, half, 21) if sign > 0 else np.linspace(half, 2 * np.pi - half, 21)
    edge = np.column_stack([0.4 * np.cos(turn) - centre, 0.4 * np.sin(turn)])
    on_record = eaten(part, ident, tilt_deg, edge, 0.25)
    assert explain_scan(on_record, stack).lumps == ()
    more = scans.scanned(scans.share_of_metal(bitten(0.7), tilt_deg), seed=22)
    assert explain_scan(on_record, more).lumps


def test_what_stands_beside_the_part_lights_up() -> None:
    """A second body is metal the record does not know, with its place and size."""
    found = explained_with(
        lambda x, y, z: scans.bush(x, y, z) | ((np.hypot(x + 1.5, y + 1.3) < 0.2) & (np.abs(z) < 0.4)), 0.0
    )
    (lump,) = found.lumps
    assert (lump.sign, lump.says.count("another body")) == (1, 1)
    assert (lump.x_mm, lump.y_mm) == pytest.approx(tuple(in_stack(0.0, -1.5, -1.3, 0.0)[:2]), abs=0.05)
    assert lump.size_mm == pytest.approx((0.4, 0.4, 0.8), abs=0.1)
    assert found.metal_explained is not None
    assert 0.9 < found.metal_explained < 0.995


def test_what_stands_far_beside_the_part_lights_up() -> None:
    """In a wide frame only a window about the part is compared, unless metal lies beyond it: then that is found, too."""
    near = scans.scanned(scans.sound(0.0), seed=6)
    planes = np.stack([near.plane(k) for k in range(len(near))]).astype(float)
    air, metal, side = np.median(planes[:, :4]), np.percentile(planes, 98), 170
    beyond = np.random.default_rng(7).normal(air, 0.05 * (metal - air), (*planes.shape[:2], side))
    lone = beyond.copy()
    y, x = np.mgrid[: planes.shape[1], :side]
    lone[8:16] += (metal - air) * np.clip(6.5 - np.hypot(y - 40, x - 120), 0, 1)
    record = scans.record(0.0)
    record = replace(record, stack=replace(record.stack, columns=record.stack.columns + side))
    voxel = record.stack.voxel_mm
    found = [
        explain_scan(record, SliceStack.from_array(np.concatenate([planes, more], axis=2).astype(near.dtype), voxel_mm=voxel))
        for more in (beyond, lone)
    ]
    assert found[0].lumps == ()
    assert found[0].metal_explained == pytest.approx(1.0, abs=1e-4)
    place = np.array([(planes.shape[2] + 120) * voxel[2], 40 * voxel[1], 11.5 * voxel[0]])
    assert len(found[1].lumps) == 1
    assert lumps_at(found[1], place, within_mm=2 * PX)


def test_a_bore_of_four_voxels_and_a_chamfer_light_up() -> None:
    """A bore too small to be found, and a chamfer nobody recorded, are named for what they are."""
    small = explained_with(lambda x, y, z: scans.bush(x, y, z) & ~(np.hypot(x + 0.8, y - 0.9) < 0.1), 0.0)
    (lump,) = small.lumps
    assert (lump.x_mm, lump.y_mm) == pytest.approx(tuple(in_stack(0.0, -0.8, 0.9, 0.0)[:2]), abs=0.05)
    assert "air where the record says metal" in lump.says
    cut = explained_with(lambda x, y, z: scans.bush(x, y, z) & ~(np.hypot(x, y) - 1.6 + 0.15 > z + 0.8), 0.0)
    assert "chamfer" in cut.lumps[0].says
    assert cut.lumps[0].near == "F1"


@pytest.mark.parametrize(
    "spoilt",
    [
        {"shared_px": 1.0},
        {"rings": 0.02, "cupping": 0.3},
        {"rings": 0.01, "shared_px": 0.7},
        {"snr": 5.0},
        {"snr": 6.0, "shared_px": 1.2},
    ],
    ids=str,
)
def test_false_alarms_are_rare(spoilt: dict[str, float], times: int) -> None:
    """Noise of neighbours in common, rings, cupping and little contrast light nothing up on two sound scans each."""
    alarms = [
        len(explain_scan(scans.record(tilt), scans.scanned(scans.sound(tilt), seed=seed, **spoilt)).lumps)
        for tilt in TILTS
        for seed in range(21, 21 + times)
    ]
    assert sum(alarms) == 0


def test_missing_ends_missing_slices_and_a_single_slice() -> None:
    """Features that run out of the stack go on beyond it; a missing slice is None; one slice is enough."""
    part, share = scans.record(0.0), scans.sound(0.0)
    cut = share[8:16]
    features = tuple(
        replace(one, depth_from_mm=None, depth_to_mm=None, unknown={"depth_from_mm": "out", "depth_to_mm": "out"})
        for one in part.features
        if one.id != "F4"
    )
    short = replace(part, features=features, stack=replace(part.stack, slices=8))
    stack = scans.scanned(share, seed=6)
    inner = replace(stack, shape=(8, *stack.shape[1:]), load=lambda k: stack.load(k + 8), missing=(3,))
    found = explain_scan(short, inner)
    assert found.lumps == ()
    assert [k for k, one in enumerate(found.per_slice_rms) if one is None] == [3]
    assert len(cut) == 8
    alone = replace(short, axis=None, unknown={"axis": "one slice"}, stack=replace(part.stack, slices=1))
    one = explain_scan(alone, SliceStack.from_array(stack.plane(12), voxel_mm=scans.VOXEL))
    assert one.lumps == ()
    assert one.metal_explained == pytest.approx(1.0, abs=1e-3)
    less = explain_scan(without(alone, "F3"), SliceStack.from_array(stack.plane(12), voxel_mm=scans.VOXEL))
    assert [lump.slices for lump in less.lumps] == [(0, 0)]


def test_the_warning_says_where() -> None:
    """What is left becomes a warning of the record that names the slices; a record that explains all stays as it is."""
    part = scans.record(0.0)
    assert with_warning(part, whole(0.0)) is part
    found = explain_scan(without(part, "F3"), scans.scanned(scans.sound(0.0), seed=2))
    (warning,) = with_warning(part, found).warnings
    assert warning.flag == "unexplained"
    assert found.lumps[0].says in warning.says + "?"


@pytest.mark.parametrize("tilt_deg", [0.0, 5.0])
def test_what_the_record_calls_lost_is_not_said_again(tilt_deg: float) -> None:
    """A bite of 0.4 mm in the flange lights up until the record has its edge; a hole beside it, in metal, goes on to."""

    def bitten(x: np.ndarray, y: np.ndarray, z: np.ndarray) -> np.ndarray:
        gone = (x < -1.2) | ((np.hypot(x + 0.8, y) < 0.15) & (z < 0.0))
        return np.asarray(scans.bush(x, y, z) & ~gone)

    stack = scans.scanned(scans.share_of_metal(bitten, tilt_deg), seed=6)
    part = scans.record(tilt_deg)
    half = float(np.sqrt(1.6**2 - 1.2**2))
    chord = tuple((float(p[0]), float(p[1])) for p in (in_stack(tilt_deg, -1.2, y, -0.35) for y in (-half, 0.0, half)))
    eaten = Worn(
        share=0.2, deepest_mm=Measured(0.4, 0.01), says="", stretches=(WornStretch(edge_mm=chord, deepest_mm=0.4),)
    )
    told = replace(part, features=(replace(part.features[0], worn=eaten), *part.features[1:]))
    bite, hole = in_stack(tilt_deg, -1.35, 0.0, -0.35), in_stack(tilt_deg, -0.8, 0.0, -0.35)
    before, after = explain_scan(part, stack), explain_scan(told, stack)
    assert lumps_at(before, bite, within_mm=0.15) and lumps_at(before, hole, within_mm=0.15)
    assert not lumps_at(after, bite, within_mm=0.15) and lumps_at(after, hole, within_mm=0.15)


def test_nothing_to_explain() -> None:
    """A record without an outside explains nothing, and says so instead of giving a share."""
    part = replace(scans.record(0.0), features=(), pieces=())
    found = explain_scan(part, scans.scanned(scans.sound(0.0), seed=2))
    assert (found.metal_explained, found.lumps, found.pictures) == (None, (), ())
    assert "nothing to explain" in found.says


def test_pictures_show_the_worst_slices_and_progress_is_told() -> None:
    """Three slices at most, those with the lump among them, in windows that belong together; progress counts slices."""
    told: list[tuple[str, int, int]] = []
    part = without(scans.record(5.0), "F3")
    found = explain_scan(part, scans.scanned(scans.sound(5.0), seed=2), progress=lambda *now: told.append(now))
    assert 1 <= len(found.pictures) <= 3
    first, last = found.lumps[0].slices
    assert all(first <= one.index <= last for one in found.pictures)
    assert all(one.scan.shape == one.predicted.shape == one.residual.shape for one in found.pictures)
    assert told[-1] == ("explain", scans.SHAPE[0], scans.SHAPE[0])


def test_two_threads_find_what_one_finds(monkeypatch: pytest.MonkeyPatch) -> None:
    """Large slices are predicted and searched beside the comparison: every figure is the same, a missing slice too."""
    part = without(scans.record(5.0), "F3")
    stack = replace(scans.scanned(scans.sound(5.0), seed=2), missing=(7,))
    found = []
    for large in (0, 10**9):
        monkeypatch.setattr("ctrecon.explain.scan.LARGE", large)
        found.append(explain_scan(part, stack))
    two, one = found
    assert (two.says, two.lumps, two.per_slice_rms, two.psf) == (one.says, one.lumps, one.per_slice_rms, one.psf)
    for a, b in zip(two.pictures, one.pictures, strict=True):
        assert np.array_equal(a.residual, b.residual, equal_nan=True)


@pytest.mark.parametrize("chip", [False, True])
def test_air_far_from_the_part_is_passed_over_and_metal_in_it_is_not(
    monkeypatch: pytest.MonkeyPatch, chip: bool
) -> None:
    """With sixty slices of air behind the part all is said as without passing any over; a chip in them is found."""
    rng = np.random.default_rng(5)
    grey = np.asarray(scans.scanned(scans.sound(5.0), seed=1))
    air = np.array([rng.permutation(grey[-1].ravel()).reshape(grey[-1].shape) for _ in range(60)])
    if chip:
        air[40:45, 30:38, 30:38] = np.percentile(grey, 99)
    record = scans.record(5.0)
    part = replace(record, stack=replace(record.stack, slices=len(grey) + len(air)))
    stack = SliceStack.from_array(np.concatenate([grey, air]), voxel_mm=scans.VOXEL)
    found = explain_scan(part, stack)
    monkeypatch.setattr("ctrecon.explain.scan._FAR", len(stack))
    plain = explain_scan(part, stack)
    assert (found.says, [one.says for one in found.lumps]) == (plain.says, [one.says for one in plain.lumps])
    assert [one.slices for one in found.lumps] == ([(76, 80)] if chip else [])
