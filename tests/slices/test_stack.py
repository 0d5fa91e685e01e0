"""Stacks: order in depth, scale, handedness, gaps and the notes that go with them."""

import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image

from ctrecon.core.errors import CtreconError, InputError, InputFileError
from ctrecon.core.flags import FLAGS
from ctrecon.slices import SliceStack, open_stack, stack_paths

SPACED = {"metadata": {"spacing": 0.1, "unit": "mm"}, "resolution": (200.0, 250.0), "resolutionunit": "CENTIMETER"}


def folder_of(place: Path, numbers: list[int], **how: object) -> Path:
    """Write one slice a number; every pixel holds the number of its slice."""
    place.mkdir(parents=True, exist_ok=True)
    for number in numbers:
        tifffile.imwrite(place / f"s{number}.tif", np.full((6, 8), number, dtype=np.uint16), **how)
    return place


def found(stack: SliceStack) -> dict[str, str]:
    """Return flag and sentence of every note."""
    return {note.flag: note.says for note in stack.notes}


def test_folder_is_read_in_the_order_of_its_numbers(tmp_path: Path) -> None:
    """Planes come in numeric order whatever order the disk gives."""
    stack = open_stack(folder_of(tmp_path / "hub", [10, 2, 1, 9, 3, 4, 8, 5, 6, 7]))
    assert stack.source == "hub"
    assert stack.shape == (10, 6, 8)
    assert [int(plane[0, 0]) for plane in stack] == list(range(1, 11))
    assert stack.names[1] == "s2.tif"


def test_missing_slices_keep_the_depth_right(tmp_path: Path) -> None:
    """A gap is filled with planes of no data, named in a note, and can be refused."""
    place = folder_of(tmp_path / "hub", [0, 1, 2, 5, 6])
    stack = open_stack(place)
    assert len(stack) == 7
    assert stack.missing == (3, 4)
    assert stack.names[3] == ""
    assert stack.plane(3).dtype == np.float32
    assert stack.plane(3).shape == (6, 8)
    assert np.isnan(stack.plane(3)).all()
    assert int(stack.plane(5)[0, 0]) == 5
    assert "2 of 7" in found(stack)["slices_missing"]
    assert "2 after s2.tif" in found(stack)["slices_missing"]
    turned = open_stack(place, towards_viewer=True)
    assert turned.missing == (2, 3)
    assert int(turned.plane(1)[0, 0]) == 5
    with pytest.raises(InputFileError, match=r"hub lacks 2 slices"):
        open_stack(place, allow_missing=False)


def test_handedness_is_assumed_stated_or_turned(tmp_path: Path) -> None:
    """Slices that run towards the viewer are turned round, so that depth always runs away from him."""
    place = folder_of(tmp_path / "hub", [1, 2, 3])
    assert open_stack(place).handedness_basis == "assumed"
    assert "handedness_assumed" in found(open_stack(place))
    away, towards = open_stack(place, towards_viewer=False), open_stack(place, towards_viewer=True)
    assert away.handedness_basis == towards.handedness_basis == "stated"
    assert "handedness_assumed" not in found(away)
    assert [int(plane[0, 0]) for plane in away] == [1, 2, 3]
    assert [int(plane[0, 0]) for plane in towards] == [3, 2, 1]
    assert towards.names == ("s3.tif", "s2.tif", "s1.tif")


def test_scale_of_the_files_is_read_when_complete(tmp_path: Path) -> None:
    """200 columns and 250 rows a centimetre with 0.1 mm spacing are (0.1, 0.04, 0.05) mm."""
    stack = open_stack(folder_of(tmp_path / "hub", [1, 2], **SPACED))
    assert stack.voxel_mm == pytest.approx((0.1, 0.04, 0.05))
    assert stack.scale_basis == "file"


def test_size_in_the_plane_alone_is_no_scale(tmp_path: Path) -> None:
    """Without a slice spacing the scale stays open, though what the files say can be shown."""
    how = {"resolution": (200.0, 200.0), "resolutionunit": "CENTIMETER"}
    stack = open_stack(folder_of(tmp_path / "hub", [1, 2], **how))
    assert stack.voxel_mm is None
    assert stack.scale_basis is None
    assert stack.in_plane_mm == pytest.approx((0.05, 0.05))


@pytest.mark.parametrize("name", ["s.png", "s.jpg", "s.bmp"])
def test_pictures_state_their_resolution(tmp_path: Path, name: str) -> None:
    """508 per inch is 0.05 mm in the plane; the print default 300 is nothing."""
    picture = Image.fromarray(np.zeros((6, 8), dtype=np.uint8))
    picture.save(tmp_path / name, dpi=(508, 508))
    assert open_stack(tmp_path / name).in_plane_mm == pytest.approx((0.05, 0.05), rel=1e-3)
    picture.save(tmp_path / name, dpi=(300, 300))
    assert open_stack(tmp_path / name).in_plane_mm is None


def test_stated_scale_wins_and_says_so(tmp_path: Path) -> None:
    """A stated voxel size overrules the files, with a note only where they differ by more than 0.01 %."""
    place = folder_of(tmp_path / "hub", [1, 2], **SPACED)
    other = open_stack(place, voxel_mm=(0.1, 0.04, 0.06))
    assert other.voxel_mm == (0.1, 0.04, 0.06)
    assert other.scale_basis == "stated"
    assert "dx 0.06 mm stated, 0.05 mm in the files" in found(other)["scale_differs"]
    assert "dz" not in found(other)["scale_differs"]
    same = open_stack(place, voxel_mm=(0.100005, 0.04, 0.05))
    assert "scale_differs" not in found(same)
    assert open_stack(place, voxel_mm=0.05).voxel_mm == (0.05, 0.05, 0.05)


@pytest.mark.parametrize("bad", [0, -1, float("nan"), float("inf"), (0.1, 0.1), (0.1, 0.0, 0.1), "x", (1, 2, 3, 4)])
def test_stated_scale_must_be_positive(tmp_path: Path, bad: object) -> None:
    """Anything but one or three positive numbers is refused in one sentence."""
    place = folder_of(tmp_path / "hub", [1])
    with pytest.raises(InputError, match=r"number or three|above 0 mm"):
        open_stack(place, voxel_mm=bad)  # type: ignore[arg-type]


def test_contradicting_files_leave_the_scale_open(tmp_path: Path) -> None:
    """Two slices of one series that state different spacings are not averaged."""
    place = folder_of(tmp_path / "hub", [1], **SPACED)
    folder_of(place, [2], **{**SPACED, "metadata": {"spacing": 0.2, "unit": "mm"}})
    stack = open_stack(place)
    assert stack.voxel_mm is None
    assert "different voxel sizes" in found(stack)["scale_unusable"]


def test_foreign_files_are_skipped_and_named(tmp_path: Path) -> None:
    """Notes, thumbnails, hidden files and subfolders are not slices; the first few are named."""
    place = folder_of(tmp_path / "hub", [1, 2])
    for name in ("truth.json", "read me.txt", "thumb1.png", ".hidden.tif"):
        (place / name).write_text("x")
    (place / "masks").mkdir()
    stack = open_stack(place)
    assert len(stack) == 2
    assert found(stack)["foreign_files"] == "Ignored in hub (not slices): .hidden.tif, masks/, read me.txt and 2 more."


def test_folder_with_one_file(tmp_path: Path) -> None:
    """One picture is a stack of one; one file of many pages is that stack, under the folder's name."""
    one = open_stack(folder_of(tmp_path / "one", [4]))
    assert one.shape == (1, 6, 8)
    (tmp_path / "many").mkdir()
    tifffile.imwrite(tmp_path / "many" / "v.tif", np.zeros((5, 6, 8), np.uint8), photometric="minisblack")
    many = open_stack(tmp_path / "many")
    assert many.shape == (5, 6, 8)
    assert many.source == "many"
    assert many.names[2] == "page 3"


def test_opening_decodes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Opening and one plane need far less memory than the stack, which is not held where it is large."""
    volume = np.random.default_rng(3).integers(0, 60000, (40, 256, 256), dtype=np.uint16)
    tifffile.imwrite(tmp_path / "v.tif", volume, photometric="minisblack")
    monkeypatch.setattr("ctrecon.slices.kept._SMALL_STACK", volume.nbytes - 1)
    open_stack(tmp_path / "v.tif")
    tracemalloc.start()
    stack = open_stack(tmp_path / "v.tif")
    opened = tracemalloc.get_traced_memory()[1]
    total = sum(int(plane[0, 0]) for plane in stack)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert opened < 256 * 256 * 2 * 4
    assert peak < volume.nbytes // 4
    assert total == int(volume[:, 0, 0].astype(int).sum())


def test_planes_are_fresh_arrays(tmp_path: Path) -> None:
    """Writing into a plane changes neither the stack nor the array it was made of."""
    volume = np.arange(24, dtype=np.uint8).reshape(2, 3, 4)
    for stack in (SliceStack.from_array(volume), open_stack(folder_of(tmp_path / "hub", [1, 2]))):
        before = stack.plane(0).copy()
        stack.plane(0)[:] = 99
        np.testing.assert_array_equal(stack.plane(0), before)


def test_positions_outside_the_stack_are_refused() -> None:
    """There is no slice before the first or after the last."""
    stack = SliceStack.from_array(np.zeros((2, 3, 4)))
    for index in (-1, 2):
        with pytest.raises(InputError, match=f"no slice {index}"):
            stack.plane(index)


def test_from_array() -> None:
    """An array becomes a stack with stated handedness and scale, turned round on request."""
    volume = np.arange(24, dtype=">i2").reshape(2, 3, 4)
    stack = SliceStack.from_array(volume, voxel_mm=(0.2, 0.1, 0.1), source="made")
    assert (stack.source, stack.shape, stack.dtype) == ("made", (2, 3, 4), np.dtype("i2"))
    assert (stack.voxel_mm, stack.scale_basis, stack.handedness_basis) == ((0.2, 0.1, 0.1), "stated", "stated")
    np.testing.assert_array_equal(np.stack(list(stack)), volume)
    turned = SliceStack.from_array(volume, towards_viewer=True)
    np.testing.assert_array_equal(turned.plane(0), volume[1])
    assert turned.voxel_mm is None
    assert SliceStack.from_array(volume[0]).shape == (1, 3, 4)
    assert SliceStack.from_array(volume > 3).plane(1).dtype == np.uint8


@pytest.mark.parametrize(
    "bad", [np.zeros(3), np.zeros((0, 3, 4)), np.zeros((2, 3, 4, 2)), np.zeros((2, 3, 4), complex)]
)
def test_from_array_refuses_what_is_no_stack(bad: NDArray[np.generic]) -> None:
    """Arrays of other dimensions, without pixels or of complex numbers are refused."""
    with pytest.raises(CtreconError, match="array"):
        SliceStack.from_array(bad)


def test_every_flag_is_explained(tmp_path: Path) -> None:
    """Each note of a stack with much amiss uses a known flag and ends as a sentence."""
    place = tmp_path / "hub"
    place.mkdir()
    grey = np.arange(48, dtype=np.uint8).reshape(6, 8)
    for number in (1, 2, 4):
        Image.fromarray(np.dstack([grey, grey, grey, np.full_like(grey, 9)])).save(place / f"s{number}.png")
    (place / "notes.txt").write_text("x")
    notes = open_stack(place).notes
    assert {note.flag for note in notes} == {
        "handedness_assumed", "slices_missing", "foreign_files", "colour_as_grey", "alpha_ignored",
    }  # fmt: skip
    assert all(note.flag in FLAGS and note.says.endswith(".") for note in notes)


def test_source_hides_the_machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The source is the last part of the path as called, also for the folder one stands in."""
    place = folder_of(tmp_path / "hub", [1])
    assert open_stack(place).source == "hub"
    assert open_stack(f"{place}/").source == "hub"
    monkeypatch.chdir(place)
    assert open_stack(".").source == "hub"
    assert open_stack("s1.tif").source == "s1.tif"


def test_stack_paths_finds_every_stack(tmp_path: Path) -> None:
    """Folders of slices, files of many pages and unlike single pictures are stacks; hidden folders are not."""
    folder_of(tmp_path / "b", [1, 2])
    folder_of(tmp_path / "deep" / "a", [1])
    folder_of(tmp_path / ".hidden", [1])
    volume = np.zeros((3, 6, 8), np.uint8)
    mixed = folder_of(tmp_path / "mixed", [1, 2])
    tifffile.imwrite(mixed / "whole.tif", volume, photometric="minisblack")
    for name in ("one.tif", "two.tif"):
        tifffile.imwrite(tmp_path / name, volume, photometric="minisblack")
    tifffile.imwrite(tmp_path / "disc.tif", volume[0], photometric="minisblack")
    (tmp_path / "empty").mkdir()
    (tmp_path / "c").mkdir()
    tifffile.imwrite(tmp_path / "c" / "whole.tif", volume, photometric="minisblack")
    names = [str(path.relative_to(tmp_path)) for path in stack_paths(tmp_path)]
    assert names == ["b", "c", "deep/a", "disc.tif", "mixed", "mixed/whole.tif", "one.tif", "two.tif"]
    assert stack_paths(tmp_path / "empty") == []
    with pytest.raises(InputFileError, match="is not a folder"):
        stack_paths(tmp_path / "disc.tif")
