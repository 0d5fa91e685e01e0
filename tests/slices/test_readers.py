"""Every kind of picture comes back as the grey values that were written.

The files are written by tifffile and Pillow, whose tag meanings follow TIFF revision 6.0
(Aldus, 1992) and the PNG specification (W3C, third edition).
"""

import struct
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image

from ctrecon.core.errors import InputFileError
from ctrecon.slices import SliceStack, open_stack
from ctrecon.slices.readers.unpack import unpack_page

Ramp = NDArray[np.int64]
GREY_PALETTE = [value for index in range(256) for value in (index, index, index)]


def flags(stack: SliceStack) -> set[str]:
    """Return the flags of the stack without the one every such file has."""
    return {note.flag for note in stack.notes} - {"handedness_assumed"}


def check(path: Path, expected: NDArray[np.generic]) -> SliceStack:
    """Open, decode, compare values and type."""
    stack = open_stack(path)
    plane = stack.plane(0)
    assert plane.dtype == stack.dtype == expected.dtype
    assert plane.dtype.isnative
    np.testing.assert_array_equal(plane, expected)
    return stack


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("kind", ["u1", "i1", "u2", "i2", "u4", "i4", "f2", "f4", "f8"])
@pytest.mark.parametrize(
    "how",
    [{}, {"tile": (16, 16)}, {"rowsperstrip": 3}, {"compression": "zlib"}, {"bigtiff": True}],
    ids=["plain", "tiled", "striped", "deflate", "bigtiff"],
)
def test_tiff_types_orders_and_layouts(
    tmp_path: Path, ramp: Ramp, kind: str, order: str, how: dict[str, object]
) -> None:
    """Integers and floats of every width survive both byte orders and all layouts."""
    values = ((ramp - (60 if kind[0] != "u" else 0)) * (1 if kind[1] == "1" else 3)).astype(kind)
    tifffile.imwrite(tmp_path / "s.tif", values, byteorder=order, photometric="minisblack", **how)
    check(tmp_path / "s.tif", values)


@pytest.mark.parametrize("compression", ["tiff_lzw", "packbits", "zstd", "tiff_adobe_deflate"])
@pytest.mark.parametrize("kind", ["u1", "u2", "i4", "f4"])
def test_compressions_without_a_codec_fall_back(tmp_path: Path, ramp: Ramp, kind: str, compression: str) -> None:
    """Planes the first reader cannot unpack come back exact through the second."""
    values = (ramp * (1 if kind == "u1" else 500)).astype(kind)
    Image.fromarray(values).save(tmp_path / "s.tif", compression=compression)
    check(tmp_path / "s.tif", values)


def test_lzw_with_differences_is_exact(tmp_path: Path, ramp: Ramp) -> None:
    """The horizontal predictor of 16 bit LZW is undone."""
    values = (ramp * 500).astype(np.uint16)
    Image.fromarray(values).save(tmp_path / "s.tif", compression="tiff_lzw", tiffinfo={317: 2})
    check(tmp_path / "s.tif", values)


def pack_lzw(raw: bytes) -> bytes:
    """Pack by TIFF 6.0, section 13, the codes kept 9 bits wide by clearing the table often."""
    codes = [code for at in range(0, len(raw), 200) for code in (256, *raw[at : at + 200])] + [257]
    bits = "".join(f"{code:09b}" for code in codes)
    return int(bits.ljust(-(-len(bits) // 8) * 8, "0"), 2).to_bytes(-(-len(bits) // 8), "big")


def handmade_tiff(
    packed: bytes, size: tuple[int, int], *, order: str, bits: int, kind: str = "u", tags: dict[int, int] | None = None
) -> bytes:
    """Build a page of one strip, tag by tag."""
    sample = {"u": 1, "i": 2, "f": 3}[kind]
    found = {256: size[1], 257: size[0], 258: bits, 259: 5, 262: 1, 273: 8, 277: 1, 278: size[0], 279: len(packed)}
    found = {**found, 339: sample, **(tags or {})}
    entries = b"".join(struct.pack(order + "HHII", code, 4, 1, value) for code, value in sorted(found.items()))
    head = (b"II" if order == "<" else b"MM") + struct.pack(order + "HI", 42, 8 + len(packed))
    return head + packed + struct.pack(order + "H", len(found)) + entries + struct.pack(order + "I", 0)


ALL_KINDS = pytest.mark.parametrize("kind", ["u1", "i1", "u2", "i2", "u4", "i4", "f2", "f4", "f8"])
BOTH_ORDERS = pytest.mark.parametrize("order", ["<", ">"])


def spread(ramp: Ramp, kind: str) -> NDArray[np.generic]:
    """Spread the ramp over positive and negative values of a type."""
    return ((ramp - (60 if kind[0] != "u" else 0)) * (1 if kind[1] == "1" else 250)).astype(kind)


@BOTH_ORDERS
@ALL_KINDS
def test_handmade_lzw_is_exact(tmp_path: Path, ramp: Ramp, kind: str, order: str) -> None:
    """A compressed page of either byte order comes back in the type and order of this machine."""
    values = spread(ramp, kind)
    packed = pack_lzw(values.astype(values.dtype.newbyteorder(order)).tobytes())
    how = {"order": order, "bits": 8 * values.itemsize, "kind": kind[0]}
    (tmp_path / "s.tif").write_bytes(handmade_tiff(packed, values.shape, **how))
    check(tmp_path / "s.tif", values)


@BOTH_ORDERS
@ALL_KINDS
def test_handmade_differences_are_undone(tmp_path: Path, ramp: Ramp, kind: str, order: str) -> None:
    """Differences of integers (TIFF 6.0, section 14) and of float bytes (technical note 3) are summed up again."""
    values = spread(ramp, kind)
    if kind[0] == "f":
        split = values.astype(values.dtype.newbyteorder(">")).view(np.uint8).reshape(20, 24, values.itemsize)
        row_bytes = np.moveaxis(split, 2, 1).reshape(20, -1)
        raw = np.diff(row_bytes, axis=1, prepend=np.uint8(0)).tobytes()
    else:
        steps = np.diff(values, axis=1, prepend=values.dtype.type(0))
        raw = steps.astype(values.dtype.newbyteorder(order)).tobytes()
    how = {"order": order, "bits": 8 * values.itemsize, "kind": kind[0], "tags": {317: 3 if kind[0] == "f" else 2}}
    (tmp_path / "s.tif").write_bytes(handmade_tiff(pack_lzw(raw), values.shape, **how))
    check(tmp_path / "s.tif", values)


@BOTH_ORDERS
@pytest.mark.parametrize("kind", ["u1", "u2"])
def test_handmade_white_is_zero_is_turned_round_once(tmp_path: Path, ramp: Ramp, kind: str, order: str) -> None:
    """White-is-zero comes back bright = large through the second reader, too."""
    values = ramp.astype(kind)
    packed = pack_lzw(values.astype(values.dtype.newbyteorder(order)).tobytes())
    how = {"order": order, "bits": 8 * values.itemsize, "tags": {262: 0}}
    (tmp_path / "s.tif").write_bytes(handmade_tiff(packed, values.shape, **how))
    check(tmp_path / "s.tif", np.iinfo(values.dtype).max - values)


@BOTH_ORDERS
@pytest.mark.parametrize(("bits", "white"), [(1, False), (1, True), (4, False), (4, True), (12, False)])
def test_handmade_narrow_samples(tmp_path: Path, ramp: Ramp, bits: int, white: bool, order: str) -> None:
    """Samples of 1, 4 and 12 bits are unpacked (4 fill the range of 8); big-endian 12 bits are refused by name."""
    values = ramp % 2**bits if bits < 12 else ramp * 34
    packed = b"".join(
        int("".join(f"{value:0{bits}b}" for value in row), 2).to_bytes(24 * bits // 8, "big") for row in values.tolist()
    )
    how = {"order": order, "bits": bits, "tags": {259: 1, 262: 0 if white else 1}}
    (tmp_path / "s.tif").write_bytes(handmade_tiff(packed, values.shape, **how))
    if (bits, order) == (12, ">") and find_spec("imagecodecs") is None:
        with pytest.raises(InputFileError, match=r"12 bit, NONE"):
            open_stack(tmp_path / "s.tif").plane(0)
        return
    shown = 2**bits - 1 - values if white else values
    check(tmp_path / "s.tif", (shown * (17 if bits == 4 else 1)).astype(np.uint16 if bits == 12 else np.uint8))


@BOTH_ORDERS
@pytest.mark.parametrize(
    "how",
    [
        {"tile": (16, 16)},
        {"rowsperstrip": 3},
        {"tile": (16, 16), "predictor": 2},
        {"planarconfig": "separate", "rowsperstrip": 7},
        {"planarconfig": "separate", "tile": (16, 16)},
        {"planarconfig": "contig", "tile": (16, 16), "predictor": 2},
    ],
    ids=["tiles", "strips", "tiles with differences", "planes of strips", "planes of tiles", "colour tiles"],
)
def test_second_reader_agrees_with_the_first(tmp_path: Path, ramp: Ramp, how: dict[str, object], order: str) -> None:
    """Tiles that overhang, strips that end short and separate planes come out as tifffile itself unpacks them."""
    values = (ramp * 500).astype(np.uint16)
    if "planarconfig" in how:
        values = np.stack([values, values[::-1], values[:, ::-1]], axis=0 if how["planarconfig"] == "separate" else -1)
        how = {**how, "photometric": "rgb"}
    tifffile.imwrite(tmp_path / "s.tif", values, byteorder=order, compression="zlib", **how)
    with tifffile.TiffFile(tmp_path / "s.tif") as tif:
        expected = tif.pages.first.asarray()
        got = unpack_page(tif.pages.first)
    if how.get("planarconfig") == "separate":
        expected = np.moveaxis(expected, 0, -1)
    np.testing.assert_array_equal(got, expected.reshape(got.shape))
    assert got.dtype == np.uint16


@pytest.mark.skipif(find_spec("imagecodecs") is not None, reason="the extra named tiff reads this compression")
def test_unreadable_compression_is_named(tmp_path: Path, ramp: Ramp) -> None:
    """Where neither reader unpacks a page, the message names the compression and the extra to install."""
    values = ramp.astype(np.uint16)
    (tmp_path / "s.tif").write_bytes(
        handmade_tiff(values.tobytes(), values.shape, order="<", bits=16, tags={259: 34887})
    )
    with pytest.raises(InputFileError, match=r"\(16 bit, LERC\) that cannot be read here; .* extra named tiff"):
        open_stack(tmp_path / "s.tif").plane(0)


@pytest.mark.parametrize("compression", [None, "zlib"])
@pytest.mark.parametrize("kind", ["u1", "u2", "u4", "i2", "f4"])
def test_white_is_zero_is_turned_round(tmp_path: Path, ramp: Ramp, kind: str, compression: str | None) -> None:
    """Where zero means white the brightest value comes back largest."""
    values = ramp.astype(kind)
    tifffile.imwrite(tmp_path / "s.tif", values, photometric="miniswhite", compression=compression)
    top = {"u": 2 ** (8 * values.itemsize) - 1, "i": -1, "f": 0}[values.dtype.kind]
    check(tmp_path / "s.tif", (top - ramp).astype(kind))


@pytest.mark.parametrize("compression", ["raw", "group4", "tiff_lzw"])
def test_one_bit_becomes_zero_and_one(tmp_path: Path, ramp: Ramp, compression: str) -> None:
    """Black and white pictures are 0 and 1."""
    Image.fromarray(ramp > 60).save(tmp_path / "s.tif", compression=compression)
    check(tmp_path / "s.tif", (ramp > 60).astype(np.uint8))
    Image.fromarray(ramp > 60).save(tmp_path / "s.png")
    check(tmp_path / "s.png", (ramp > 60).astype(np.uint8))


@pytest.mark.parametrize("suffix", ["png", "bmp", "tif"])
def test_eight_bit_pictures(tmp_path: Path, ramp: Ramp, suffix: str) -> None:
    """PNG, BMP and TIFF of 8 bits are exact, by content whatever the ending says."""
    values = ramp.astype(np.uint8)
    Image.fromarray(values).save(tmp_path / f"s.{suffix}")
    check(tmp_path / f"s.{suffix}", values)
    (tmp_path / f"s.{suffix}").rename(tmp_path / "wrong.jpg")
    check(tmp_path / "wrong.jpg", values)


def test_sixteen_bit_png(tmp_path: Path, ramp: Ramp) -> None:
    """A 16 bit PNG keeps all its digits."""
    values = (ramp * 500).astype(np.uint16)
    Image.fromarray(values).save(tmp_path / "s.png")
    check(tmp_path / "s.png", values)


@pytest.mark.parametrize("name", ["s.jpg", "s.tif"])
def test_jpeg_is_flagged_lossy(tmp_path: Path, ramp: Ramp, name: str) -> None:
    """Lossy slices are taken, near the truth, and carry the flag."""
    smooth = np.asarray(np.add.outer(np.arange(40), np.arange(40)), dtype=np.uint8)
    Image.fromarray(smooth).save(tmp_path / name, **({"compression": "jpeg"} if name.endswith("tif") else {}))
    stack = open_stack(tmp_path / name)
    assert flags(stack) == {"lossy_files"}
    assert np.abs(stack.plane(0).astype(int) - smooth).max() < 12


@pytest.mark.parametrize("name", ["s.png", "s.bmp", "s.tif", "z.tif"])
def test_colour_that_is_grey_is_taken_with_a_flag(tmp_path: Path, ramp: Ramp, name: str) -> None:
    """Three equal channels are one grey value."""
    values = ramp.astype(np.uint8)
    kind = {"compression": "tiff_lzw"} if name == "z.tif" else {}
    Image.fromarray(np.dstack([values] * 3)).save(tmp_path / name, **kind)
    assert flags(check(tmp_path / name, values)) == {"colour_as_grey"}


def test_separate_colour_planes_are_joined(tmp_path: Path, ramp: Ramp) -> None:
    """Equal channels stored plane after plane are grey, too."""
    values = ramp.astype(np.uint16)
    tifffile.imwrite(tmp_path / "s.tif", np.stack([values] * 3), photometric="rgb", planarconfig="separate")
    assert flags(check(tmp_path / "s.tif", values)) == {"colour_as_grey"}


@pytest.mark.parametrize("name", ["s.png", "s.bmp", "s.tif", "s.jpg"])
def test_true_colour_is_refused_by_name(tmp_path: Path, ramp: Ramp, name: str) -> None:
    """A colour picture is refused on opening, in one sentence with its name."""
    values = ramp.astype(np.uint8)
    Image.fromarray(np.dstack([values, values[::-1], values])).save(tmp_path / name)
    with pytest.raises(InputFileError, match=rf"{name} is a colour picture"):
        open_stack(tmp_path / name)


@pytest.mark.parametrize("name", ["s.png", "s.tif", "s.bmp"])
def test_grey_palettes_are_expanded_and_coloured_ones_refused(tmp_path: Path, ramp: Ramp, name: str) -> None:
    """A palette of greys gives its greys, here in reverse order; a colour in it is refused."""
    picture = Image.fromarray(ramp.astype(np.uint8), mode=None).convert("P")
    picture.putpalette(GREY_PALETTE[::-1])
    picture.save(tmp_path / name)
    check(tmp_path / name, (255 - ramp).astype(np.uint8))
    picture.putpalette([255, 0, 0, *GREY_PALETTE[3:]])
    picture.save(tmp_path / name)
    with pytest.raises(InputFileError, match="palette of colours"):
        open_stack(tmp_path / name)


@pytest.mark.parametrize("name", ["s.png", "s.tif", "z.tif"])
def test_transparency_is_ignored_when_it_is_even(tmp_path: Path, ramp: Ramp, name: str) -> None:
    """A constant alpha channel is ignored with a flag; one that varies is refused."""
    values = ramp.astype(np.uint8)
    kind = {"compression": "tiff_lzw"} if name == "z.tif" else {}
    Image.fromarray(np.dstack([values, np.full_like(values, 200)])).save(tmp_path / name, **kind)
    assert flags(check(tmp_path / name, values)) == {"alpha_ignored"}
    Image.fromarray(np.dstack([values, values])).save(tmp_path / name, **kind)
    with pytest.raises(InputFileError, match="transparency channel that varies"):
        open_stack(tmp_path / name).plane(0)


def test_what_would_lose_digits_or_sides_is_refused(tmp_path: Path, ramp: Ramp) -> None:
    """Complex values, a mirrored orientation, several channels and inks are refused by name."""
    values = ramp.astype(np.uint8)
    cases = {
        "complex64": (values.astype(np.complex64), {}),
        "orientation 2": (values, {"extratags": [(274, 3, 1, 2, True)]}),
        "channels": (np.dstack([values] * 5), {"photometric": "minisblack", "planarconfig": "contig"}),
        "SEPARATED": (np.dstack([values] * 4), {"photometric": "separated"}),
    }
    for words, (data, how) in cases.items():
        tifffile.imwrite(tmp_path / "s.tif", data, **how)
        with pytest.raises(InputFileError, match=words) as caught:
            open_stack(tmp_path / "s.tif")
        assert "s.tif" in str(caught.value)


def test_rotated_photographs_are_refused(tmp_path: Path, ramp: Ramp) -> None:
    """A picture marked to be shown turned would put x and y the wrong way round."""
    mark = Image.Exif()
    mark[274] = 6
    for name in ("s.jpg", "s.png"):
        Image.fromarray(ramp.astype(np.uint8)).save(tmp_path / name, exif=mark)
        with pytest.raises(InputFileError, match="orientation 6"):
            open_stack(tmp_path / name)


@pytest.mark.parametrize("how", [{}, {"bigtiff": True}, {"compression": "zlib"}, {"byteorder": ">"}])
def test_many_pages_are_slices_in_order(tmp_path: Path, ramp: Ramp, how: dict[str, object]) -> None:
    """Each page is one slice, named by its number from 1."""
    volume = np.stack([ramp + 100 * at for at in range(5)]).astype(np.uint16)
    tifffile.imwrite(tmp_path / "v.tif", volume, photometric="minisblack", **how)
    stack = open_stack(tmp_path / "v.tif")
    assert stack.shape == (5, 20, 24)
    assert stack.names == tuple(f"page {at}" for at in range(1, 6))
    np.testing.assert_array_equal(np.stack(list(stack)), volume)


def test_lzw_pages_are_fetched_one_by_one(tmp_path: Path, ramp: Ramp) -> None:
    """The second reader finds the same page as the first."""
    pages = [Image.fromarray((ramp + at).astype(np.uint8)) for at in range(4)]
    pages[0].save(tmp_path / "v.tif", compression="tiff_lzw", save_all=True, append_images=pages[1:])
    stack = open_stack(tmp_path / "v.tif")
    for at in (3, 0, 2, 1):
        np.testing.assert_array_equal(stack.plane(at), ramp + at)


@pytest.mark.parametrize("kind", ["u1", "u2", "f4"])
def test_stack_behind_a_single_header(tmp_path: Path, ramp: Ramp, kind: str) -> None:
    """Planes that follow one header are all found, in two ways of describing them, and a cut one is refused."""
    volume = np.stack([ramp + 10 * at for at in range(6)]).astype(kind)
    text = "images=6\nslices=6\nunit=mm\nspacing=0.1\n"
    tifffile.imwrite(tmp_path / "a.tif", volume, truncate=True, photometric="minisblack")
    tifffile.imwrite(
        tmp_path / "b.tif", volume[0], description=text, metadata=None, resolution=(20, 25), resolutionunit=1
    )
    with (tmp_path / "b.tif").open("ab") as file:
        file.write(volume[1:].tobytes())
    for name in ("a.tif", "b.tif"):
        stack = open_stack(tmp_path / name)
        assert stack.shape == (6, 20, 24)
        np.testing.assert_array_equal(np.stack(list(stack)), volume)
        (tmp_path / name).write_bytes((tmp_path / name).read_bytes()[:-200])
        with pytest.raises(InputFileError, match="describes 6 slices but is cut short after 5"):
            open_stack(tmp_path / name)


def test_thumbnail_pages_are_left_out(tmp_path: Path, ramp: Ramp) -> None:
    """A reduced copy of a page is no slice, and the pages behind it are still found."""
    values = ramp.astype(np.uint8)
    with tifffile.TiffWriter(tmp_path / "v.tif") as writer:
        writer.write(values, metadata=None)
        writer.write(values[::2, ::2], subfiletype=1, metadata=None)
        writer.write(values[::-1], metadata=None)
    stack = open_stack(tmp_path / "v.tif")
    assert len(stack) == 2
    np.testing.assert_array_equal(stack.plane(1), values[::-1])
