"""Damaged, false and unlike files end in one sentence that names them, never in a traceback of a library."""

import io
import logging
import struct
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from ctrecon.core.errors import CtreconError, InputError, InputFileError
from ctrecon.slices import open_stack

VOLUME = (np.arange(3 * 20 * 24).reshape(3, 20, 24) % 251).astype(np.uint16)


def refused(path: Path) -> str:
    """Open and read all planes; return the one sentence that refuses them."""
    with pytest.raises(CtreconError) as caught:
        list(open_stack(path))
    text = str(caught.value)
    assert isinstance(caught.value, (InputFileError, InputError))
    assert "\n" not in text
    assert "Error" not in text
    assert path.name in text
    return text


def as_tiff(volume: np.ndarray, **how: object) -> bytes:
    """Return the bytes of a TIFF file."""
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, volume, **how)
    return buffer.getvalue()


def as_picture(kind: str, picture: np.ndarray, mode: str | None = None, **how: object) -> bytes:
    """Return the bytes of a file written by Pillow."""
    buffer = io.BytesIO()
    image = Image.fromarray(picture)
    (image.convert(mode) if mode else image).save(buffer, kind, **how)
    return buffer.getvalue()


def test_paths_that_hold_nothing(tmp_path: Path) -> None:
    """An absent path, an empty folder, a folder without images and an empty file each say what to do."""
    assert "is not there; check the path" in refused(tmp_path / "gone")
    (tmp_path / "empty").mkdir()
    assert "empty folder" in refused(tmp_path / "empty")
    (tmp_path / "notes").mkdir()
    (tmp_path / "notes" / "read.txt").write_text("x")
    assert "only read.txt" in refused(tmp_path / "notes")
    (tmp_path / "outer" / "hub").mkdir(parents=True)
    assert "name one of its folders, such as hub/" in refused(tmp_path / "outer")
    (tmp_path / "zero.tif").write_bytes(b"")
    assert "is empty (0 bytes)" in refused(tmp_path / "zero.tif")
    (tmp_path / "text.tif").write_text("these are not slices")
    assert "is not a TIFF, PNG, BMP, JPEG, NRRD, MetaImage, HDF5 or DICOM file" in refused(tmp_path / "text.tif")
    with pytest.raises(InputFileError, match="path"):
        open_stack("nul\0byte")


@pytest.mark.parametrize("compression", [None, "zlib"])
@pytest.mark.parametrize("kept", [3, 9, 100, 0.3, 0.6, 0.95])
def test_stacks_cut_short_are_refused(tmp_path: Path, compression: str | None, kept: float) -> None:
    """However a file of many pages is cut, no slice is lost in silence."""
    data = as_tiff(VOLUME, photometric="minisblack", compression=compression)
    (tmp_path / "v.tif").write_bytes(data[: int(kept if kept > 1 else kept * len(data))])
    refused(tmp_path / "v.tif")


def test_pages_cut_off_behind_whole_ones_are_refused(tmp_path: Path) -> None:
    """A file whose last pages are gone at a page boundary is refused, not read as a shorter stack."""
    with tifffile.TiffWriter(tmp_path / "v.tif") as writer:
        for plane in VOLUME:
            writer.write(plane, metadata=None, contiguous=False)
    with tifffile.TiffFile(tmp_path / "v.tif") as tif:
        third = tif.pages[2].offset
    (tmp_path / "v.tif").write_bytes((tmp_path / "v.tif").read_bytes()[:third])
    assert "cut short after page 2" in refused(tmp_path / "v.tif")


def test_chain_of_pages_that_bites_its_tail_is_refused(tmp_path: Path) -> None:
    """A page that names an earlier one as its next does not make an endless stack."""
    data = bytearray(as_tiff(VOLUME[0], photometric="minisblack", metadata=None))
    (first,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, first)
    struct.pack_into("<I", data, first + 2 + 12 * count, first)
    (tmp_path / "v.tif").write_bytes(data)
    assert "damaged" in refused(tmp_path / "v.tif")


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "BMP"])
@pytest.mark.parametrize("kept", [6, 0.5, 0.9])
def test_pictures_cut_short_are_refused(tmp_path: Path, kind: str, kept: float) -> None:
    """Half a picture is not filled up with black."""
    data = as_picture(kind, np.random.default_rng(1).integers(0, 255, (60, 60)).astype(np.uint8))
    (tmp_path / "s.png").write_bytes(data[: int(kept if kept > 1 else kept * len(data))])
    assert "damaged" in refused(tmp_path / "s.png")


def _claim(kind: str) -> bytes:
    """Make a small file whose header claims 60,000 x 60,000 pixels."""
    if kind == "PNG":
        import zlib

        head = b"IHDR" + struct.pack(">IIBBBBB", 60000, 60000, 8, 0, 0, 0, 0)
        data = as_picture("PNG", VOLUME[0].astype(np.uint8))
        return data[:12] + head + struct.pack(">I", zlib.crc32(head)) + data[33:]
    if kind == "BMP":
        data = bytearray(as_picture("BMP", VOLUME[0].astype(np.uint8)))
        struct.pack_into("<ii", data, 18, 60000, 60000)
        return bytes(data)
    how = {"compression": "zlib"} if kind == "deflate" else {}
    data = bytearray(as_tiff(VOLUME[0], photometric="minisblack", **how))
    with tifffile.TiffFile(io.BytesIO(bytes(data))) as tif:
        tags = tif.pages.first.tags
        for code in (256, 257, 278):
            form = "<H" if tags[code].dtype == 3 else "<I"
            struct.pack_into(form, data, tags[code].valueoffset, 60000)
    return bytes(data)


@pytest.mark.parametrize("kind", ["PNG", "BMP", "plain", "deflate"])
def test_false_giants_are_refused_before_anything_is_allocated(tmp_path: Path, kind: str) -> None:
    """A header that claims 60,000 x 60,000 pixels costs no memory."""
    (tmp_path / "s.img").write_bytes(_claim(kind))
    with pytest.raises(InputFileError):
        open_stack(tmp_path / "s.img")
    tracemalloc.start()
    text = refused(tmp_path / "s.img")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert "100 million" in text
    assert peak < 20e6


def test_header_larger_than_the_file_is_refused(tmp_path: Path) -> None:
    """A page that is within the limit but not in the file is refused on opening."""
    data = bytearray(as_tiff(VOLUME[0], photometric="minisblack"))
    with tifffile.TiffFile(io.BytesIO(bytes(data))) as tif:
        tag = tif.pages.first.tags[257]
        struct.pack_into("<H" if tag.dtype == 3 else "<I", data, tag.valueoffset, 15000)
    (tmp_path / "s.tif").write_bytes(data)
    with pytest.raises(InputFileError, match=r"claims 15000 x 24 pixels \(720000 bytes\) but holds 960 bytes"):
        open_stack(tmp_path / "s.tif")


@pytest.mark.parametrize("length", [16 * 60_000_000, 16 * 1_000_000])
def test_false_tile_sizes_are_refused(tmp_path: Path, length: int) -> None:
    """A tile said to be a million times the picture costs no memory either."""
    data = bytearray(as_tiff(VOLUME[0], compression="zlib", tile=(16, 16)))
    with tifffile.TiffFile(io.BytesIO(bytes(data))) as tif:
        tag = tif.pages.first.tags[323]
    struct.pack_into("<HHII", data, tag.offset, 323, 4, 1, length)
    (tmp_path / "s.tif").write_bytes(data)
    with pytest.raises(InputFileError, match=r"s\.tif.* claims"):
        open_stack(tmp_path / "s.tif")


@pytest.mark.parametrize(
    ("other", "words"),
    [(np.zeros((20, 25), np.uint16), "20 x 25 uint16"), (np.zeros((20, 24), np.uint8), "20 x 24 uint8")],
)
def test_slices_of_other_size_or_type_are_refused(tmp_path: Path, other: np.ndarray, words: str) -> None:
    """One slice unlike the rest is named with its size and type, in a folder and in a file."""
    place = tmp_path / "hub"
    place.mkdir()
    with tifffile.TiffWriter(tmp_path / "v.tif") as writer:
        for number, plane in enumerate([VOLUME[0], other, VOLUME[1]]):
            tifffile.imwrite(place / f"s{number}.tif", plane)
            writer.write(plane, metadata=None, photometric="minisblack")
    assert f"s0.tif is 20 x 24 uint16 and s1.tif is {words}" in refused(place)
    assert f"page 2 is {words}" in refused(tmp_path / "v.tif")


def test_one_bad_slice_is_named_in_its_folder(tmp_path: Path) -> None:
    """Damage inside a series is told with folder and file, on opening or when its plane is read."""
    place = tmp_path / "hub"
    place.mkdir()
    for number in range(4):
        (place / f"s{number}.png").write_bytes(as_picture("PNG", VOLUME[0].astype(np.uint8)))
    whole = (place / "s2.png").read_bytes()
    (place / "s2.png").write_bytes(whole[: len(whole) // 2])
    assert "hub/s2.png is damaged" in refused(place)
    (place / "s2.png").write_bytes(b"")
    assert "hub/s2.png is empty" in refused(place)


def test_stack_beside_other_slices_is_refused(tmp_path: Path) -> None:
    """A file of many pages beside single slices is named, with a slice beside it."""
    tifffile.imwrite(tmp_path / "s1.tif", VOLUME, photometric="minisblack")
    tifffile.imwrite(tmp_path / "s2.tif", VOLUME[0])
    assert "s1.tif, a stack of 3 pages, beside s2.tif" in refused(tmp_path)


def test_file_changed_after_opening_is_noticed(tmp_path: Path) -> None:
    """A slice replaced by one of another size while measuring is refused."""
    tifffile.imwrite(tmp_path / "s1.tif", VOLUME[0])
    stack = open_stack(tmp_path / "s1.tif")
    tifffile.imwrite(tmp_path / "s1.tif", VOLUME[0][:10])
    with pytest.raises(InputFileError, match=r"s1\.tif"):
        stack.plane(0)


def test_several_channels_behind_one_header_are_refused(tmp_path: Path) -> None:
    """Moments or channels are not taken for depth."""
    text = "images=3\nchannels=3\n"
    tifffile.imwrite(tmp_path / "v.tif", VOLUME[0], description=text, metadata=None)
    with (tmp_path / "v.tif").open("ab") as file:
        file.write(VOLUME[1:].tobytes())
    assert "several channels or moments" in refused(tmp_path / "v.tif")


def _samples() -> dict[str, bytes]:
    byte = VOLUME[0].astype(np.uint8)
    spaced = {"metadata": {"spacing": 0.05, "unit": "mm"}, "resolution": (200, 200), "resolutionunit": 3}
    return {
        "plain": as_tiff(VOLUME, photometric="minisblack", **spaced),
        "tiled": as_tiff(VOLUME[0], compression="zlib", tile=(16, 16)),
        "bigtiff": as_tiff(VOLUME, bigtiff=True, byteorder=">", photometric="minisblack"),
        "one header": as_tiff(VOLUME, truncate=True, photometric="minisblack"),
        "colour": as_tiff(np.dstack([byte] * 3), photometric="rgb"),
        "lzw": as_picture("TIFF", VOLUME[0], compression="tiff_lzw"),
        "zstd": as_picture("TIFF", byte, compression="zstd"),
        "jpeg in tiff": as_picture("TIFF", byte, compression="jpeg"),
        "png": as_picture("PNG", VOLUME[0], dpi=(508, 508)),
        "palette": as_picture("PNG", byte, "P"),
        "alpha": as_picture("PNG", byte, "LA"),
        "bmp": as_picture("BMP", byte),
        "jpeg": as_picture("JPEG", byte),
    }


def _spoil(data: bytes, rng: np.random.Generator) -> bytes:
    """Cut, flip, overwrite or shift some bytes, the header more often than the rest."""
    spoiled = bytearray(data)
    kind = int(rng.integers(4))
    reach = len(spoiled) if rng.random() < 0.5 else min(len(spoiled), 300)
    if kind == 0:
        return bytes(spoiled[: int(rng.integers(len(spoiled)))])
    if kind == 1:
        for _ in range(int(rng.integers(1, 6))):
            spoiled[int(rng.integers(reach))] ^= 1 << int(rng.integers(8))
    elif kind == 2:
        for _ in range(int(rng.integers(1, 4))):
            spoiled[int(rng.integers(reach))] = int(rng.integers(256))
    else:
        at = int(rng.integers(reach))
        spoiled[at : at + int(rng.integers(1, 20))] = rng.bytes(int(rng.integers(20)))
    return bytes(spoiled)


@pytest.mark.parametrize("name", sorted(_samples()))
def test_whole_samples_are_read(tmp_path: Path, name: str) -> None:
    """The files the next test spoils are good before they are spoiled."""
    (tmp_path / "s.img").write_bytes(_samples()[name])
    assert all(plane.shape == (20, 24) for plane in open_stack(tmp_path / "s.img"))


@pytest.mark.parametrize("name", sorted(_samples()))
def test_spoiled_files_are_read_or_refused(
    tmp_path: Path, name: str, capfd: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    """Thirty spoiled copies of each sample either read as their header says or end in one sentence, quietly."""
    rng = np.random.default_rng(sorted(_samples()).index(name))
    data = _samples()[name]
    refusals: list[str] = []
    with caplog.at_level(logging.WARNING):
        for _ in range(30):
            (tmp_path / "s.img").write_bytes(_spoil(data, rng))
            try:
                stack = open_stack(tmp_path / "s.img")
                for plane in stack:
                    assert plane.shape == stack.shape[1:]
                    assert plane.dtype == stack.dtype
            except CtreconError as refusal:
                refusals.append(str(refusal))
    assert refusals
    assert all("\n" not in text and "s.img" in text for text in refusals)
    assert capfd.readouterr() == ("", "")
    assert not caplog.records
