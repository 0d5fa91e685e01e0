"""DICOM slices: order, scale and handedness from the header, grey values as they were meant.

The rules stand in the DICOM standard: PS3.3 C.7.6.2.1.1 (place and direction of a slice),
C.7.6.3.1.2 (white or black for small values), C.7.5.1.1.2 (padding), C.11.1.1.2 (rescale).
All series are invented; the one real file comes with pydicom.
"""

import subprocess
import sys
import zlib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

pydicom = pytest.importorskip("pydicom")
gdcm = pytest.importorskip("gdcm")

from pydicom.dataset import Dataset, FileDataset, FileMetaDataset  # noqa: E402
from pydicom.sequence import Sequence as Items  # noqa: E402
from pydicom.uid import (  # noqa: E402
    CTImageStorage,
    DeflatedExplicitVRLittleEndian,
    EnhancedCTImageStorage,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    RLELossless,
)

from ctrecon.cli.main import main  # noqa: E402
from ctrecon.core.errors import CtreconError, InputFileError  # noqa: E402
from ctrecon.slices import SliceStack, open_stack, stack_paths  # noqa: E402
from ctrecon.slices.readers.dicom_jpeg import sound_jpeg  # noqa: E402

Ramp = NDArray[np.int64]
ROOT_UID = "1.2.826.0.1.3680043.8.498."
FLAT = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0)


def header(values: NDArray[Any], *, transfer: Any = ExplicitVRLittleEndian, **tags: Any) -> FileDataset:
    """Build one slice of an invented scan; a tag set to None is left out."""
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = CTImageStorage
    meta.MediaStorageSOPInstanceUID = f"{ROOT_UID}{zlib.crc32(values.tobytes())}"
    meta.TransferSyntaxUID = transfer
    little, implicit = transfer != ExplicitVRBigEndian, transfer == ImplicitVRLittleEndian
    ds = FileDataset(
        "", {}, file_meta=meta, preamble=b"\0" * 128, is_implicit_VR=implicit, is_little_endian=little
    )  # fmt: skip
    ds.SOPClassUID, ds.SOPInstanceUID = meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID
    ds.Modality, ds.SeriesInstanceUID, ds.SeriesNumber = "CT", f"{ROOT_UID}7", 7
    ds.Rows, ds.Columns = values.shape[-2:]
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.BitsAllocated = ds.BitsStored = 8 * values.itemsize
    ds.HighBit, ds.PixelRepresentation = ds.BitsStored - 1, int(values.dtype.kind == "i")
    ds.PixelSpacing = [0.25, 0.125]
    ds.ImageOrientationPatient, ds.ImagePositionPatient = list(FLAT), [0.0, 0.0, 0.0]
    ds.PixelData = values.astype(values.dtype.newbyteorder("<" if little else ">")).tobytes()
    ds["PixelData"].VR = "OB" if values.itemsize == 1 else "OW"
    for name, value in tags.items():
        if value is None:
            delattr(ds, name)
        else:
            setattr(ds, name, value)
    return ds


def save(ds: FileDataset, path: Path) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    ds.save_as(path, enforce_file_format=True)
    return path


def series(folder: Path, planes: Sequence[NDArray[Any]], depths_mm: Sequence[float], **tags: Any) -> Path:
    """Write planes at depths, named and numbered in the order given."""
    for at, (plane, depth) in enumerate(zip(planes, depths_mm, strict=True)):
        save(header(plane, ImagePositionPatient=[0.0, 0.0, depth], InstanceNumber=at + 1, **tags), folder / f"s{at}.dcm")
    return folder


def flags(stack: SliceStack) -> set[str]:
    return {note.flag for note in stack.notes}


def refused(path: Path, **how: Any) -> str:
    """Open and read all planes; return the one sentence that refuses them."""
    with pytest.raises(InputFileError) as caught:
        list(open_stack(path, **how))
    text = str(caught.value)
    assert "\n" not in text
    assert "Error" not in text
    assert path.name in text
    return text


@pytest.fixture
def five(ramp: Ramp) -> list[NDArray[np.uint16]]:
    """Five unlike planes."""
    return [(ramp + 200 * at).astype(np.uint16) for at in range(5)]


def test_order_is_by_position_not_by_name_or_number(tmp_path: Path, five: list[NDArray[np.uint16]]) -> None:
    """Slices stand in the order of their places along the normal, whatever their names and numbers say."""
    depths = [3.0, 1.5, 2.0, 3.5, 2.5]
    stack = open_stack(series(tmp_path / "hub", five, depths))
    assert stack.names == ("s1.dcm", "s2.dcm", "s4.dcm", "s0.dcm", "s3.dcm")
    assert [int(plane[0, 0]) for plane in stack] == [200, 400, 800, 0, 600]
    assert stack.voxel_mm == pytest.approx((0.5, 0.25, 0.125))
    assert (stack.scale_basis, stack.handedness_basis) == ("file", "file")
    assert flags(stack) == set()
    assert stack.dtype == np.uint16


DIRECTIONS = {
    "as scanned": FLAT,
    "from below": (1.0, 0.0, 0.0, 0.0, -1.0, 0.0),
    "from the side": (0.0, 1.0, 0.0, 0.0, 0.0, -1.0),
    "from the front": (1.0, 0.0, 0.0, 0.0, 0.0, -1.0),
    "oblique": (0.6, 0.8, 0.0, -0.48, 0.36, 0.8),
}


@pytest.mark.parametrize("way", [1.0, -1.0])
@pytest.mark.parametrize("facing", DIRECTIONS)
def test_stack_is_never_mirrored(tmp_path: Path, facing: str, way: float) -> None:
    """A marked body in space comes back right-handed from any side and order (PS3.3 C.7.6.2.1.1, equation)."""
    directions = np.array(DIRECTIONS[facing])
    across, down = directions[:3], directions[3:]
    normal = np.cross(across, down)
    dz, dy, dx = 0.5, 0.25, 0.125
    origin = np.array([-3.0, 7.0, 11.0])
    shape = (4, 6, 8)
    # four marks in space: a corner and one step along each of three directions that are right-handed
    marks = {1: (1, 2, 3), 2: (1, 2, 5), 3: (1, 4, 3), 4: (2, 2, 3)}
    volume = np.zeros(shape, dtype=np.uint8)
    for grey, place in marks.items():
        volume[place] = grey
    files = range(shape[0]) if way > 0 else range(shape[0])[::-1]
    for number, at in enumerate(files):
        ds = header(
            volume[at], ImageOrientationPatient=directions.tolist(), InstanceNumber=number,
            ImagePositionPatient=(origin + at * dz * way * normal).tolist(),
        )  # fmt: skip
        save(ds, tmp_path / "hub" / f"{number:02d}.dcm")
    stack = open_stack(tmp_path / "hub")
    seen = np.stack(list(stack))
    found = {grey: np.argwhere(seen == grey)[0] for grey in marks}
    edges = [(found[grey] - found[1]) * (dz, dy, dx) for grey in (2, 3, 4)]
    in_stack = np.array([edge[::-1] for edge in edges])  # x, y, z of the stack
    in_space = np.array([
        (np.array(marks[grey]) - marks[1])[2] * dx * across
        + (np.array(marks[grey]) - marks[1])[1] * dy * down
        + (np.array(marks[grey]) - marks[1])[0] * dz * way * normal
        for grey in (2, 3, 4)
    ])  # fmt: skip
    # a rotation keeps the signed volume and all distances of the marks; a mirror turns the sign
    assert np.linalg.det(in_stack) == pytest.approx(np.linalg.det(in_space), rel=1e-9)
    assert in_stack @ in_stack.T == pytest.approx(in_space @ in_space.T, abs=1e-9)
    assert stack.handedness_basis == "file"


def test_stated_direction_overrules_the_files_with_a_note(tmp_path: Path, five: list[NDArray[np.uint16]]) -> None:
    """Who says that the slices run towards the viewer gets them turned round, and is told that the files disagree."""
    place = series(tmp_path / "hub", five, range(5))
    turned, same = open_stack(place, towards_viewer=True), open_stack(place, towards_viewer=False)
    assert turned.names == open_stack(place).names[::-1]
    assert flags(turned) == {"handedness_differs"}
    assert flags(same) == set()
    assert (turned.handedness_basis, same.handedness_basis) == ("stated", "stated")


def test_names_without_ending(tmp_path: Path, five: list[NDArray[np.uint16]]) -> None:
    """DICOM is told by its mark: names without an ending, numbers after a dot, and a wrong ending are read."""
    names = ["IM0001", "1.2.840.3", "a7f3", "slice.tif", "zz.backup"]
    for at, (name, plane) in enumerate(zip(names, five, strict=True)):
        save(header(plane, ImagePositionPatient=[0, 0, -at]), tmp_path / "hub" / name)
    (tmp_path / "hub" / "notes.txt").write_text("x")
    (tmp_path / "hub" / "DICOMDIR").write_bytes(b"\0" * 128 + b"DICM")
    stack = open_stack(tmp_path / "hub")
    assert stack.names == tuple(names[::-1])
    assert [note.says for note in stack.notes] == ["Ignored in hub (not slices): DICOMDIR, notes.txt."]
    assert stack_paths(tmp_path) == [tmp_path / "hub"]
    assert open_stack(tmp_path / "hub" / "IM0001").shape == (1, 20, 24)


@pytest.mark.parametrize("kind", ["u1", "i1", "u2", "i2", "u4", "i4"])
@pytest.mark.parametrize(
    "transfer",
    [ExplicitVRLittleEndian, ImplicitVRLittleEndian, ExplicitVRBigEndian],
    ids=lambda uid: uid.keyword,
)
def test_plain_syntaxes_and_types(tmp_path: Path, ramp: Ramp, kind: str, transfer: Any) -> None:
    """Integers of 8, 16 and 32 bits come back as stored, in the type and byte order of this machine."""
    values = (ramp - (60 if kind[0] == "i" else 0)).astype(kind) * np.dtype(kind).type(1 if kind[1] == "1" else 250)
    stack = open_stack(save(header(values, transfer=transfer), tmp_path / "s.dcm"))
    plane = stack.plane(0)
    assert plane.dtype == stack.dtype == values.dtype
    assert plane.dtype.isnative
    np.testing.assert_array_equal(plane, values)


PACKED = {
    "run length": gdcm.TransferSyntax.RLELossless,
    "lossless JPEG": gdcm.TransferSyntax.JPEGLosslessProcess14_1,
    "JPEG-LS": gdcm.TransferSyntax.JPEGLSLossless,
    "JPEG 2000": gdcm.TransferSyntax.JPEG2000Lossless,
}


def pack(path: Path, how: int) -> None:
    """Compress a file in place."""
    reader = gdcm.ImageReader()
    reader.SetFileName(str(path))
    assert reader.Read()
    change = gdcm.ImageChangeTransferSyntax()
    change.SetTransferSyntax(gdcm.TransferSyntax(how))
    change.SetInput(reader.GetImage())
    assert change.Change()
    writer = gdcm.ImageWriter()
    writer.SetFileName(str(path))
    writer.SetFile(reader.GetFile())
    writer.SetImage(change.GetOutput())
    assert writer.Write()


@pytest.mark.parametrize("kind", ["u1", "u2", "i2"])
@pytest.mark.parametrize("how", PACKED)
def test_lossless_compressions_are_exact(tmp_path: Path, ramp: Ramp, how: str, kind: str) -> None:
    """Compressed slices come back value for value and carry no flag of loss."""
    values = (ramp - (60 if kind[0] == "i" else 0)).astype(kind) * np.dtype(kind).type(1 if kind[1] == "1" else 250)
    path = save(header(values), tmp_path / "s.dcm")
    pack(path, PACKED[how])
    assert pydicom.dcmread(path).file_meta.TransferSyntaxUID.is_compressed
    stack = open_stack(path)
    np.testing.assert_array_equal(stack.plane(0), values)
    assert flags(stack) == set()


def test_lossy_compression_is_flagged(tmp_path: Path) -> None:
    """A slice once stored with loss says so, whatever its present syntax."""
    smooth = np.asarray(np.add.outer(np.arange(40), np.arange(40)), dtype=np.uint8)
    path = save(header(smooth), tmp_path / "s.dcm")
    pack(path, gdcm.TransferSyntax.JPEGBaselineProcess1)
    stack = open_stack(path)
    assert flags(stack) == {"lossy_files"}
    assert np.abs(stack.plane(0).astype(int) - smooth).max() < 12
    save(header(smooth, LossyImageCompression="01"), tmp_path / "t.dcm")
    assert flags(open_stack(tmp_path / "t.dcm")) == {"lossy_files"}


def test_unreadable_compression_is_named(tmp_path: Path, ramp: Ramp) -> None:
    """A film, a deflated file and 12 bit JPEG with loss are refused on opening with the names of their storage."""
    save(header(ramp.astype(np.uint8), transfer=DeflatedExplicitVRLittleEndian), tmp_path / "d.dcm")
    assert "(Deflated Explicit VR Little Endian) that cannot be read here" in refused(tmp_path / "d.dcm")
    ds = header(ramp.astype(np.uint8))
    ds.file_meta.TransferSyntaxUID = "1.2.840.10008.1.2.4.102"
    ds.PixelData = pydicom.encaps.encapsulate([b"1234"])
    ds["PixelData"].is_undefined_length = True
    save(ds, tmp_path / "s.dcm")
    ds.file_meta.TransferSyntaxUID, ds.BitsAllocated, ds.BitsStored = "1.2.840.10008.1.2.4.51", 16, 12
    save(ds, tmp_path / "t.dcm")
    assert "(JPEG Extended (Process 2 and 4)) that cannot be read here" in refused(tmp_path / "t.dcm")
    assert "MPEG-4 AVC/H.264 High Profile / Level 4.1) that cannot be read here" in refused(tmp_path / "s.dcm")


def test_rescaled_grey(tmp_path: Path, ramp: Ramp) -> None:
    """Grey is slope x stored + intercept (PS3.3 C.11.1.1.2), each slice by its own, all of one type."""
    values = ramp.astype(np.int16)
    for at, (slope, intercept) in enumerate([(1, 0), (2, -1000), (0.5, 3.25)]):
        ds = header(values, ImagePositionPatient=[0, 0, at], RescaleSlope=slope, RescaleIntercept=intercept)
        save(ds, tmp_path / "hub" / f"{at}.dcm")
    stack = open_stack(tmp_path / "hub")
    assert stack.dtype == np.float32
    for plane, (slope, intercept) in zip(stack, [(1, 0), (2, -1000), (0.5, 3.25)], strict=True):
        np.testing.assert_array_equal(plane, values * slope + intercept)
    save(header(values, RescaleSlope=0, RescaleIntercept=0), tmp_path / "flat.dcm")
    assert "slope of 0" in refused(tmp_path / "flat.dcm")


def test_small_is_white_is_turned_round(tmp_path: Path, ramp: Ramp) -> None:
    """Where small values mean white (PS3.3 C.7.6.3.1.2) the brightest comes back largest."""
    for kind, shown in (("u2", 4095 - ramp), ("i2", -1 - ramp)):
        path = save(header(ramp.astype(kind), PhotometricInterpretation="MONOCHROME1", BitsStored=12, HighBit=11), tmp_path / f"{kind}.dcm")
        np.testing.assert_array_equal(open_stack(path).plane(0), shown)
    path = save(
        header(ramp.astype(np.uint16), PhotometricInterpretation="MONOCHROME1", RescaleSlope=2, RescaleIntercept=1),
        tmp_path / "r.dcm",
    )
    np.testing.assert_array_equal(open_stack(path).plane(0), -(2.0 * ramp + 1))


def test_unused_bits_do_not_count(tmp_path: Path, ramp: Ramp) -> None:
    """Bits above the stored ones, where old files kept drawings, are left out, and signs are kept."""
    drawn = (ramp | 0x8000).astype(np.uint16)
    path = save(header(drawn, BitsStored=12, HighBit=11), tmp_path / "u.dcm")
    np.testing.assert_array_equal(open_stack(path).plane(0), ramp)
    twelve = ((ramp - 60) & 0x0FFF).astype(np.int16)
    path = save(header(twelve, BitsStored=12, HighBit=11), tmp_path / "i.dcm")
    np.testing.assert_array_equal(open_stack(path).plane(0), ramp - 60)


def test_padding_is_no_data(tmp_path: Path, ramp: Ramp) -> None:
    """Padding, one value or a range (PS3.3 C.7.5.1.1.2), becomes NaN; the rest keeps its grey."""
    values = ramp.astype(np.int16)
    values[:2], values[2] = -2000, -1500
    one = open_stack(save(header(values, PixelPaddingValue=-2000), tmp_path / "one.dcm")).plane(0)
    both = open_stack(
        save(header(values, PixelPaddingValue=-2000, PixelPaddingRangeLimit=-1400), tmp_path / "both.dcm")
    ).plane(0)
    assert np.isnan(one[:2]).all() and (one[2:] == values[2:]).all()
    assert np.isnan(both[:3]).all() and (both[3:] == values[3:]).all()


def test_missing_slices_keep_their_places(tmp_path: Path, five: list[NDArray[np.uint16]]) -> None:
    """A step of several times the usual one is a gap: named, kept empty, and refused on request."""
    place = series(tmp_path / "hub", five, [0.0, 0.5, 1.0, 2.5, 3.0])
    stack = open_stack(place)
    assert stack.missing == (3, 4)
    assert stack.shape == (7, 20, 24)
    assert stack.voxel_mm == pytest.approx((0.5, 0.25, 0.125))
    assert np.isnan(stack.plane(3)).all()
    assert int(stack.plane(5)[0, 0]) == 600
    assert [note.says for note in stack.notes] == ["2 of 7 slices of hub are missing: 2 after s2.dcm."]
    assert "lacks 2 slices (2 after s2.dcm)" in refused(place, allow_missing=False)


def test_rounded_positions_are_even(tmp_path: Path, five: list[NDArray[np.uint16]]) -> None:
    """Positions rounded to a few digits are not gaps; the step is that from first to last."""
    depths = [round(at * 0.0833333, 4) for at in range(5)]
    assert open_stack(series(tmp_path / "hub", five, depths)).voxel_mm == pytest.approx((0.083325, 0.25, 0.125), abs=1e-9)


@pytest.mark.parametrize(
    ("depths", "says"),
    [
        ([0, 1, 2, 2, 3], "s2.dcm and s3.dcm, which lie in one place; remove one of them"),
        ([4, 4, 4, 4, 4], "lie in one place"),
        ([0, 1, 2.4, 3.4, 4.4], "from s1.dcm to s2.dcm it is 1.4 mm where most steps are 1 mm"),
        ([0, 1, 2, 3, 30], "lacks 26 slices and holds 5, with the widest gap after s3.dcm"),
    ],
    ids=["twice", "all in one place", "uneven", "far apart"],
)
def test_what_is_no_even_stack_is_refused(
    tmp_path: Path, five: list[NDArray[np.uint16]], depths: list[float], says: str
) -> None:
    """Two slices in one place, uneven steps and too many gaps are refused, naming the slices."""
    assert says in refused(series(tmp_path / "hub", five, depths))


def test_slices_that_lean_or_turn_are_refused(tmp_path: Path, five: list[NDArray[np.uint16]]) -> None:
    """A sheared stack and slices of different directions are refused, naming two of them."""
    for at, plane in enumerate(five):
        ds = header(plane, ImagePositionPatient=[0, 0.2 * at, at])
        save(ds, tmp_path / "lean" / f"s{at}.dcm")
        ds = header(plane, ImagePositionPatient=[0, 0, at], ImageOrientationPatient=[0, 1, 0, 0, 0, 1] if at == 3 else list(FLAT))
        save(ds, tmp_path / "turn" / f"s{at}.dcm")
    assert "shifted sideways, s4.dcm by 0.8 mm from s0.dcm" in refused(tmp_path / "lean")
    assert "face different ways, for example s0.dcm and s3.dcm" in refused(tmp_path / "turn")
    path = save(header(five[0], ImageOrientationPatient=[1, 0, 0, 1, 0, 0]), tmp_path / "flat" / "a.dcm")
    save(header(five[0], ImageOrientationPatient=[1, 0, 0, 1, 0, 0]), tmp_path / "flat" / "b.dcm")
    assert "not square" in refused(path.parent)


def test_two_series_in_one_folder(tmp_path: Path, five: list[NDArray[np.uint16]]) -> None:
    """Several series are refused in one sentence that names two, their sizes and what to do."""
    place = series(tmp_path / "hub", five, range(5), SeriesDescription="hub\nfine")
    save(header(five[0], SeriesInstanceUID=f"{ROOT_UID}8", SeriesNumber=None), place / "t0.dcm")
    says = refused(place)
    assert "holds 2 series, for example series 7 (hub fine) with s0.dcm (5 in all)" in says
    assert "series without a number with t0.dcm (1 in all); put each series into a folder of its own" in says


def test_mixed_folder(tmp_path: Path, five: list[NDArray[np.uint16]], ramp: Ramp) -> None:
    """Other images beside DICOM slices, slices of another size, and damaged ones are refused by name."""
    place = series(tmp_path / "hub", five, range(5))
    (place / "t.png").write_bytes(b"\x89PNG")
    assert "holds t.png, which is not a DICOM file or is damaged at its beginning, beside s0.dcm" in refused(place)
    (place / "t.png").rename(place / "t.dcm")
    assert "holds t.dcm" in refused(place)
    (place / "t.dcm").write_bytes(b"")
    assert "hub/t.dcm is empty (0 bytes)" in refused(place)
    save(header(ramp[:5].astype(np.uint16), ImagePositionPatient=[0, 0, 5]), place / "t.dcm")
    assert "20 x 24 uint16 and t.dcm is 5 x 24 uint16" in refused(place)


def test_files_without_a_picture_are_skipped(tmp_path: Path, five: list[NDArray[np.uint16]]) -> None:
    """A report among the slices is skipped and named; alone it is refused."""
    place = series(tmp_path / "hub", five, range(5))
    report = header(five[0])
    for name in ("Rows", "Columns", "PixelData"):
        delattr(report, name)
    report.SOPClassUID = report.file_meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.88.11"
    save(report, place / "report")
    assert [note.says for note in open_stack(place).notes] == ["Ignored in hub (not slices): report."]
    assert "without a picture" in refused(place / "report")
    save(report, tmp_path / "only" / "a.dcm")
    save(report, tmp_path / "only" / "b.dcm")
    assert "none with a picture, such as a.dcm" in refused(tmp_path / "only")


def test_without_positions_the_numbers_count(tmp_path: Path, five: list[NDArray[np.uint16]]) -> None:
    """Without positions the slice numbers give the order, direction is assumed and depth known only if stated."""
    bare = {"ImagePositionPatient": None, "ImageOrientationPatient": None}
    for at, number in enumerate([10, 9, 7, 6, 11]):
        save(header(five[at], InstanceNumber=number, **bare), tmp_path / "hub" / f"s{at}.dcm")
        ds = header(five[at], InstanceNumber=number, SpacingBetweenSlices=0.5, SliceThickness=0.9, **bare)
        save(ds, tmp_path / "spaced" / f"s{at}.dcm")
    stack = open_stack(tmp_path / "hub")
    assert stack.names == ("s3.dcm", "s2.dcm", "", "s1.dcm", "s0.dcm", "s4.dcm")
    assert stack.handedness_basis == "assumed"
    assert "handedness_assumed" in flags(stack)
    assert stack.voxel_mm is None and stack.in_plane_mm == (0.25, 0.125)
    assert open_stack(tmp_path / "spaced").voxel_mm == (0.5, 0.25, 0.125)
    save(header(five[0], InstanceNumber=7, **bare), tmp_path / "hub" / "t.dcm")
    assert "holds s2.dcm and t.dcm, which carry the same number" in refused(tmp_path / "hub")
    save(header(five[0], **bare), tmp_path / "hub" / "t.dcm")
    assert "t.dcm states neither its position nor its number" in refused(tmp_path / "hub")
    save(header(five[0], InstanceNumber=1), tmp_path / "hub" / "t.dcm")
    assert "with and without a stated position, for example s0.dcm without" in refused(tmp_path / "hub")


def enhanced(volume: NDArray[np.uint16], depths: Sequence[float]) -> FileDataset:
    """Build a file of many frames, each with its place in the functional groups (PS3.3 C.7.6.16)."""
    bare = {"ImagePositionPatient": None, "ImageOrientationPatient": None, "PixelSpacing": None}
    ds = header(volume, NumberOfFrames=len(volume), **bare)
    ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = EnhancedCTImageStorage
    shared, measures, facing = Dataset(), Dataset(), Dataset()
    measures.PixelSpacing, facing.ImageOrientationPatient = [0.25, 0.125], list(FLAT)
    shared.PixelMeasuresSequence, shared.PlaneOrientationSequence = Items([measures]), Items([facing])
    ds.SharedFunctionalGroupsSequence = Items([shared])
    frames = []
    for depth in depths:
        frame, place, values = Dataset(), Dataset(), Dataset()
        place.ImagePositionPatient = [0, 0, depth]
        values.RescaleSlope, values.RescaleIntercept = 2, depth
        frame.PlanePositionSequence, frame.PixelValueTransformationSequence = Items([place]), Items([values])
        frames.append(frame)
    ds.PerFrameFunctionalGroupsSequence = Items(frames)
    return ds


def test_many_frames_with_places(tmp_path: Path, five: list[NDArray[np.uint16]]) -> None:
    """Frames are ordered by their own places and rescaled by their own figures; gaps among them are refused."""
    depths = [1.0, 0.5, 0.0, 1.5, 2.0]
    stack = open_stack(save(enhanced(np.stack(five), depths), tmp_path / "v.dcm"))
    assert stack.names == ("page 3", "page 2", "page 1", "page 4", "page 5")
    assert stack.voxel_mm == pytest.approx((0.5, 0.25, 0.125))
    assert stack.handedness_basis == "file"
    for at, plane in zip((2, 1, 0, 3, 4), stack, strict=True):
        np.testing.assert_array_equal(plane, five[at] * 2.0 + depths[at])
    save(enhanced(np.stack(five), [0, 1, 2, 4, 5]), tmp_path / "w.dcm")
    assert "lacks 1 slices (1 after page 3)" in refused(tmp_path / "w.dcm")


@pytest.mark.parametrize("packed", [False, True])
def test_many_frames_without_places(tmp_path: Path, five: list[NDArray[np.uint16]], packed: bool) -> None:
    """Frames without places keep their order; the position of the first alone says nothing of the rest."""
    ds = header(np.stack(five), NumberOfFrames=5, SpacingBetweenSlices=0.75)
    if packed:
        ds.compress(RLELossless, generate_instance_uid=False)
    stack = open_stack(save(ds, tmp_path / "v.dcm"))
    assert stack.handedness_basis == "assumed"
    assert stack.voxel_mm == (0.75, 0.25, 0.125)
    np.testing.assert_array_equal(np.stack(list(stack)), five)
    save(header(five[0]), tmp_path / "s.dcm")
    assert "holds v.dcm, a stack of 5 frames, beside other DICOM files" in refused(tmp_path)
    assert stack_paths(tmp_path) == [tmp_path]
    (tmp_path / "s.dcm").write_bytes((tmp_path / "v.dcm").read_bytes())
    assert stack_paths(tmp_path) == [tmp_path / "s.dcm", tmp_path / "v.dcm"]


def test_floats(tmp_path: Path, ramp: Ramp) -> None:
    """Grey values stored as floats come back as they are."""
    values = (ramp / 7).astype(np.float32)
    ds = header(values, PixelRepresentation=None, BitsStored=None, HighBit=None, PixelData=None)
    ds.FloatPixelData = values.tobytes()
    stack = open_stack(save(ds, tmp_path / "s.dcm"))
    assert stack.dtype == np.float32
    np.testing.assert_array_equal(stack.plane(0), values)


def test_what_is_no_plain_grey_is_refused(tmp_path: Path, ramp: Ramp) -> None:
    """Colour, tables of grey values, odd bit layouts and absurd sizes are refused by name."""
    values = ramp.astype(np.uint8)
    table = Dataset()
    table.LUTDescriptor, table.ModalityLUTType = [256, 0, 16], "US"
    cases: dict[str, dict[str, Any]] = {
        "kind RGB": {"PhotometricInterpretation": "RGB", "SamplesPerPixel": 3},
        "kind PALETTE COLOR": {"PhotometricInterpretation": "PALETTE COLOR"},
        "through a table": {"ModalityLUTSequence": Items([table])},
        "12 bits in 8": {"BitsStored": 12, "HighBit": 11},
        "bits up to 7": {"BitsStored": 4},
        "more than the 100 million": {"Rows": 60000, "Columns": 60000},
        "0 x 24 pixels": {"Rows": 0},
        "-3 frames": {"NumberOfFrames": -3},
    }
    for says, tags in cases.items():
        assert says in refused(save(header(values, **tags), tmp_path / "s.dcm"))


def test_unusable_spacing_leaves_the_scale_open(tmp_path: Path, ramp: Ramp) -> None:
    """Without a pixel spacing, or with one that is not positive, the scale is unknown and the reason is noted."""
    for at, spacing in enumerate((None, [0, 0.1], [-1, -1])):
        stack = open_stack(save(header(ramp.astype(np.uint8), PixelSpacing=spacing), tmp_path / f"{at}.dcm"))
        assert stack.voxel_mm is None
        assert flags(stack) == {"scale_unusable"}
    stated = open_stack(tmp_path / "0.dcm", voxel_mm=0.1)
    assert (stated.voxel_mm, stated.scale_basis) == ((0.1, 0.1, 0.1), "stated")


def test_planes_are_decoded_when_asked_for(
    tmp_path: Path, five: list[NDArray[np.uint16]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Opening decodes nothing; each plane asked for is decoded, only that one, and in a small stack only once."""
    calls: list[tuple[str, int]] = []
    real: Callable[..., Any] = pydicom.pixels.utils.pixel_array

    def counted(path: Path, **how: Any) -> Any:
        calls.append((path.name, how["index"]))
        return real(path, **how)

    monkeypatch.setattr(pydicom.pixels.utils, "pixel_array", counted)
    stack = open_stack(series(tmp_path / "hub", five, range(5)))
    many = open_stack(save(enhanced(np.stack(five), range(5)), tmp_path / "v.dcm"))
    assert calls == []
    stack.plane(3)
    many.plane(2)
    assert calls == [("s3.dcm", 0), ("v.dcm", 2)]
    list(stack)
    list(stack)
    assert calls[2:] == [(f"s{at}.dcm", 0) for at in (0, 1, 2, 4)]


@pytest.mark.parametrize("packed", [None, *PACKED])
def test_cut_short_anywhere(tmp_path: Path, ramp: Ramp, packed: str | None) -> None:
    """A file cut short at any place, or with bytes turned over, is refused in one sentence or read in its shape."""
    path = save(header((ramp * 250).astype(np.uint16)), tmp_path / "s.dcm")
    if packed is not None:
        pack(path, PACKED[packed])
    whole = path.read_bytes()
    rng = np.random.default_rng(5)
    for keep in range(0, len(whole) - 100, max(1, len(whole) // 30)):
        path.write_bytes(whole[:keep])
        refused(path)
    outcomes = set()
    for _ in range(40):
        bad = bytearray(whole)
        for at in rng.integers(128, len(whole), 4):
            bad[at] ^= int(rng.integers(1, 256))
        path.write_bytes(bytes(bad))
        try:
            outcomes.add(f"read {next(iter(open_stack(path))).ndim}")
        except CtreconError as exc:
            outcomes.add(str(exc))
    assert all(says == "read 2" or ("s.dcm" in says and "\n" not in says) for says in outcomes)
    assert len(outcomes) > 1


@pytest.mark.parametrize("how", ["lossless JPEG", "JPEG-LS"])
def test_damaged_heads_never_reach_the_codec(tmp_path: Path, ramp: Ramp, how: str) -> None:
    """The head of a frame must be whole and fit the header, as ITU-T T.81 and T.87 lay it down; any other is refused."""
    path = save(header((ramp * 250).astype(np.uint16)), tmp_path / "s.dcm")
    pack(path, PACKED[how])
    ds = pydicom.dcmread(path)
    frame = pydicom.encaps.get_frame(ds.PixelData, 0, number_of_frames=1)
    size = {"rows": 20, "columns": 24, "itemsize": 2}
    assert sound_jpeg(frame, **size)
    commented = frame[:2] + b"\xff\xfe\x00\x06note" + frame[2:] + b"\0"
    assert sound_jpeg(commented, **size)
    for wrong in ({"rows": 24, "columns": 20}, {"itemsize": 1}, {"columns": 23}):
        assert not sound_jpeg(frame, **(size | wrong))
    scan = frame.index(b"\xff\xda")
    for keep in range(scan + 10):
        assert not sound_jpeg(frame[:keep], **size)
    # markers, lengths, precision and size of the picture, and the number of its components
    for at in (0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, scan, scan + 1, scan + 2, scan + 3, scan + 4):
        bad = bytearray(frame)
        bad[at] ^= 0x21
        assert not sound_jpeg(bytes(bad), **size), at
        ds.PixelData = pydicom.encaps.encapsulate([bytes(bad)])
        ds.save_as(path)
        assert "s.dcm is damaged: what it holds is not the JPEG it claims" in refused(path)


def test_commands_end_in_one_sentence(tmp_path: Path, ramp: Ramp, capfd: pytest.CaptureFixture[str]) -> None:
    """A broken file gives exit code 2 and one line on stderr, nothing from the libraries."""
    path = save(header((ramp * 250).astype(np.uint16)), tmp_path / "s.dcm")
    pack(path, PACKED["JPEG 2000"])
    path.write_bytes(path.read_bytes()[:-120])
    assert main(["info", str(path)]) == 2
    out, err = capfd.readouterr()
    assert out == ""
    assert err.count("\n") == 1 and "s.dcm" in err and "Traceback" not in err
    assert main(["info", str(save(header(ramp.astype(np.uint16)), tmp_path / "t.dcm"))]) == 0
    assert "away from the viewer (from the files)" in capfd.readouterr().out


def test_without_pydicom_the_extra_is_named(tmp_path: Path, ramp: Ramp) -> None:
    """Where pydicom is not installed the command names the extra and leaves with code 2; other formats still work."""
    path = save(header(ramp.astype(np.uint16)), tmp_path / "s.dcm")
    code = f"import sys; sys.modules['pydicom'] = None; from ctrecon.cli.main import main; sys.exit(main(['info', {str(path)!r}]))"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120, check=False)
    assert run.returncode == 2
    assert "s.dcm is a DICOM file; to read it install the extra named dicom" in run.stderr
    assert "Traceback" not in run.stderr


def test_a_real_slice() -> None:
    """CT_small.dcm, which comes with pydicom: 128 x 128, 0.661468 mm, 5 mm thick, intercept -1024."""
    from pydicom.data import get_testdata_file

    stack = open_stack(str(get_testdata_file("CT_small.dcm")))
    plane = stack.plane(0)
    assert stack.shape == (1, 128, 128)
    assert stack.voxel_mm == pytest.approx((5.0, 0.661468, 0.661468), abs=1e-9)
    assert (stack.scale_basis, stack.handedness_basis) == ("file", "file")
    # stored 128 to 2191, mean 904.926
    assert (float(plane.min()), float(plane.max())) == (128 - 1024, 2191 - 1024)
    assert float(plane.mean(dtype=np.float64)) == pytest.approx(904.926 - 1024, abs=1e-3)
