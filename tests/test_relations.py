"""Relations between stacks: what must not change the part, what must change it, and how."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from ctrecon.measuring import measure_stack
from ctrecon.phantoms import Phantom, Scanner
from ctrecon.phantoms.phantom import Pose, assemble
from ctrecon.phantoms.plate import Plate, RoundHole, SquareHole, plate_design
from ctrecon.record.part import Feature, Part
from ctrecon.slices import SliceStack

VOXEL = (0.056, 0.066, 0.07)
DZ, DY, DX = VOXEL
PX = DY
PLATE = Plate(
    long=4.0, short=3.2, thickness=0.9,
    square_holes=(SquareHole(x=0.95, y=-0.5, flats=1.3, turn_deg=12.0),),
    round_holes=(
        RoundHole(x=-1.15, y=0.75, diameter=1.0),
        RoundHole(x=-0.9, y=-0.8, diameter=1.0, z_from=0.0, z_to=0.5),
    ),
)  # fmt: skip


@pytest.fixture(scope="module")
def plate() -> Phantom:
    """Return a tilted plate with a square hole, a round one and a blind one; float grey, air 1000, metal 5000."""
    return assemble(
        "plate", plate_design(PLATE), voxel_mm=VOXEL, rng=np.random.default_rng(5), half_xy=(2.0, 1.6), margin_px=18,
        pose=Pose(tilt_deg=0.9, towards_deg=130.0, turn_deg=8.0, offset_px=(0.2, 0.3, -0.4)),
        scanner=Scanner(snr=25.0, bits=32, air=1000.0, contrast=4000.0),
    )  # fmt: skip


@pytest.fixture(scope="module")
def volume(plate: Phantom) -> np.ndarray:
    return np.asarray(plate.volume[11:-11])


@pytest.fixture(scope="module")
def base(volume: np.ndarray) -> dict[str, Feature]:
    return roles(measured(volume))


def measured(volume: np.ndarray, voxel_mm: tuple[float, float, float] = VOXEL) -> Part:
    return measure_stack(SliceStack.from_array(volume, voxel_mm=voxel_mm, source="plate", towards_viewer=False)).part


def roles(part: Part) -> dict[str, Feature]:
    """Name the four features of the plate, and insist that there are no others."""
    found: dict[str, Feature] = {}
    for one in part.features:
        role = {"rectangular_outside": "plate", "square_hole": "square"}.get(one.kind, one.kind)
        if one.kind == "round_hole":
            role = "through" if one.opens_at == ("start", "end") else "blind"
        found[role] = one
    assert len(part.features) == 4
    assert sorted(found) == ["blind", "plate", "square", "through"]
    return found


def sizes(one: Feature) -> list[float]:
    values = [*(one.flats_pair_mm or ()), one.diameter_mm, one.flats_mm, one.length_mm]
    return [m.value for m in values if m is not None]


def middle(one: Feature) -> np.ndarray:
    """Return the middle of a feature on its axis, stack x, y, z."""
    assert one.x_mm is not None
    assert one.y_mm is not None
    assert one.depth_from_mm is not None
    assert one.depth_to_mm is not None
    return np.array([one.x_mm.value, one.y_mm.value, (one.depth_from_mm.value + one.depth_to_mm.value) / 2])


def turn(one: Feature) -> float:
    assert one.turn_deg is not None
    return one.turn_deg.value


def handed_volume(found: dict[str, Feature]) -> float:
    """Return the signed volume (mm³) of the four middles: it keeps its sign in any turn and loses it in a mirror."""
    return volume_of([middle(found[r]) for r in ("plate", "through", "square", "blind")])


def volume_of(corners: list[np.ndarray]) -> float:
    return float(np.linalg.det(np.array([c - corners[0] for c in corners[1:]]))) / 6


def assert_same(
    one: dict[str, Feature], other: dict[str, Feature], *, place: Callable[[np.ndarray], Any] = lambda p: p,
    turned: Callable[[float], float] = lambda t: t, within_px: float = 0.02,
) -> None:  # fmt: skip
    """Compare sizes, places and turns after moving `one` by `place` and `turned`."""
    for role in one:
        assert sizes(other[role]) == pytest.approx(sizes(one[role]), abs=2 * within_px * PX)
        assert middle(other[role]) == pytest.approx(np.asarray(place(middle(one[role]))), abs=within_px * PX)
    for role, period in (("plate", 180.0), ("square", 90.0)):
        off = (turn(other[role]) - turned(turn(one[role])) + period / 2) % period - period / 2
        assert off == pytest.approx(0.0, abs=10 * within_px)


def test_the_plate_is_measured_as_it_was_made(plate: Phantom, base: dict[str, Feature]) -> None:
    """With three unlike voxel edges every size, place, depth and turn agrees with the phantom's truth."""
    first_mm = 11 * DZ
    corners = {}
    for true in plate.truth["features"]:
        role = "through" if true.get("opens_at") == ["start", "end"] else "blind"
        role = {"rectangular_outside": "plate", "square_hole": "square"}.get(true["kind"], role)
        corners[role] = np.array([true["x_mm"], true["y_mm"], (true["depth_from_mm"] + true["depth_to_mm"]) / 2])
        one = base[role]
        assert middle(one)[:2] == pytest.approx([true["x_mm"], true["y_mm"]], abs=0.03 * PX)
        ends = [m.value + first_mm for m in (one.depth_from_mm, one.depth_to_mm) if m is not None]
        assert ends == pytest.approx([true["depth_from_mm"], true["depth_to_mm"]], abs=0.08 * DZ)
        if "diameter_mm" in true:
            assert one.diameter_mm is not None
            assert one.diameter_mm.value == pytest.approx(true["diameter_mm"], abs=0.05 * PX)
        if "flats_pair_mm" in true:
            assert one.flats_pair_mm is not None
            assert [m.value for m in one.flats_pair_mm] == pytest.approx(list(true["flats_pair_mm"]), abs=0.05 * PX)
            assert turn(one) == pytest.approx(true["turn_deg"], abs=0.2)
    ordered = [corners[r] for r in ("plate", "through", "square", "blind")]
    assert handed_volume(base) == pytest.approx(volume_of(ordered), rel=0.02)


def test_shift_by_whole_voxels(volume: np.ndarray, base: dict[str, Feature]) -> None:
    """Cutting air off moves every place by whole voxels and changes nothing else."""
    other = roles(measured(volume[2:, 5:, 7:]))
    assert_same(base, other, place=lambda p: p - [7 * DX, 5 * DY, 2 * DZ], within_px=0.01)


def test_quarter_turn(volume: np.ndarray, base: dict[str, Feature]) -> None:
    """A quarter turn of every slice turns places and angles and nothing else."""
    columns = volume.shape[2]
    other = roles(measured(np.rot90(volume, axes=(1, 2)), (DZ, DX, DY)))
    assert_same(base, other, place=lambda p: [p[1], (columns - 1) * DX - p[0], p[2]], turned=lambda t: t - 90)
    assert handed_volume(other) == pytest.approx(handed_volume(base), rel=0.01)


def test_part_turned_over_is_the_same_part(volume: np.ndarray, base: dict[str, Feature]) -> None:
    """Slices reversed and rows flipped are half a turn about x: the same part, seen from its other end."""
    slices, rows, _ = volume.shape
    other = roles(measured(volume[::-1, ::-1]))
    assert_same(
        base, other, turned=lambda t: -t, place=lambda p: [p[0], (rows - 1) * DY - p[1], (slices - 1) * DZ - p[2]]
    )
    assert base["blind"].opens_at == ("start",)
    assert other["blind"].opens_at == ("end",)
    assert handed_volume(other) == pytest.approx(handed_volume(base), rel=0.01)


def test_slices_run_the_other_way_make_a_mirrored_part(volume: np.ndarray, base: dict[str, Feature]) -> None:
    """Slices reversed alone give the mirror image: all sizes agree, yet no turn brings one onto the other."""
    slices = volume.shape[0]
    other = roles(measured(volume[::-1]))
    assert_same(base, other, place=lambda p: [p[0], p[1], (slices - 1) * DZ - p[2]])
    assert handed_volume(other) == pytest.approx(-handed_volume(base), rel=0.01)
    # turned over like the test above, the mirrored part's angles would have to change sign, and they do not
    assert abs(turn(other["square"]) - (-turn(base["square"]) % 90)) > 10


def test_rows_flipped_alone_change_the_sign_of_turns(volume: np.ndarray, base: dict[str, Feature]) -> None:
    """A mirror across the rows keeps depths, turns angles the other way round and is another part."""
    rows = volume.shape[1]
    other = roles(measured(volume[:, ::-1]))
    assert_same(base, other, place=lambda p: [p[0], (rows - 1) * DY - p[1], p[2]], turned=lambda t: -t)
    assert handed_volume(other) == pytest.approx(-handed_volume(base), rel=0.01)


def test_metal_darker_than_air(volume: np.ndarray, base: dict[str, Feature]) -> None:
    """A negative of other gain and offset is recognised, said, and measured to the same sizes."""
    part = measured(33.0 - 0.01 * volume)
    assert "metal_dark" in [w.flag for w in part.warnings]
    assert_same(base, roles(part), within_px=0.005)


def test_eight_bits_against_sixteen(volume: np.ndarray, base: dict[str, Feature]) -> None:
    """Rounding to 16 bits changes nothing that counts, and to 8 bits no more than the noise of rounding."""
    assert_same(base, roles(measured(np.rint(volume).astype(np.uint16))), within_px=0.005)
    eight = np.clip(np.rint((volume - 300) / 20), 0, 255).astype(np.uint8)
    assert_same(base, roles(measured(eight)), within_px=0.02)


def beyond_field(volume: np.ndarray) -> np.ndarray:
    """Tell which pixels of a slice lie outside a round field that touches the borders."""
    rows, columns = volume.shape[1:]
    y, x = np.ogrid[:rows, :columns]
    return np.asarray(np.hypot(x - (columns - 1) / 2, y - (rows - 1) / 2) > 0.5 * (min(rows, columns) - 1))


def test_nothing_outside_a_round_field(volume: np.ndarray, base: dict[str, Feature]) -> None:
    """Voxels without data outside the scanner's round field leave the part inside it as it is."""
    holed = volume.copy()
    holed[:, beyond_field(volume)] = np.nan
    assert_same(base, roles(measured(holed)), within_px=0.01)


def test_constant_padding_outside_a_round_field(volume: np.ndarray, base: dict[str, Feature]) -> None:
    """A constant outside the round field is taken for padding, said, and never measured as metal or air."""
    for fill in (0, 5000):
        padded = np.rint(volume).astype(np.uint16)
        padded[:, beyond_field(volume)] = fill
        part = measured(padded)
        assert "no_data_outside" in [w.flag for w in part.warnings]
        assert_same(base, roles(part), within_px=0.01)


def test_measuring_twice_gives_the_same_record(volume: np.ndarray, base: dict[str, Feature]) -> None:
    """The same stack gives the same record to the last digit."""
    again = roles(measured(volume))
    assert again == base


def test_scaling_the_voxel_scales_the_part(volume: np.ndarray, base: dict[str, Feature]) -> None:
    """A voxel stated ten times as large makes every length ten times as large, and no angle other."""
    big = roles(measured(volume, (10 * DZ, 10 * DY, 10 * DX)))
    for role, one in base.items():
        assert sizes(big[role]) == pytest.approx([10 * s for s in sizes(one)], rel=1e-5)
        assert middle(big[role]) == pytest.approx(10 * middle(one), rel=1e-5)
    assert turn(big["square"]) == pytest.approx(turn(base["square"]), abs=1e-3)
