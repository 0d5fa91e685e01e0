"""TIFF and BigTIFF, one page or many, through tifffile with Pillow as the fall-back.

The chain of pages is walked here rather than by the library, which ends a chain that
points past the end of the file without a word: a stack cut short would lose its last
slices in silence.
"""

import math
import os
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import tifffile

from ctrecon.core.errors import CtreconError, InputFileError
from ctrecon.slices.readers.page import (
    Page,
    Plane,
    checked_count,
    checked_dtype,
    checked_shrink,
    checked_size,
    grey_plane,
    grey_table,
    guarded,
)
from ctrecon.slices.readers.pillow import decode_tiff_page
from ctrecon.slices.readers.reader import Reader
from ctrecon.slices.readers.scale import FileScale, description_fields, read_scale
from ctrecon.slices.readers.unpack import BYTE_CODECS, unpack_page

__all__ = ["READER", "read_tiff"]

_UNCOMPRESSED = 1
_LOSSY = frozenset({6, 7, 33003, 33005, 34712, 34892, 34933, 34934, 50001, 50002})
_WHITE_IS_ZERO, _BLACK_IS_ZERO, _RGB, _PALETTE, _YCBCR = 0, 1, 2, 3, 6
_COLOURS = {_WHITE_IS_ZERO: 1, _BLACK_IS_ZERO: 1, _RGB: 3, _PALETTE: 1, _YCBCR: 3}
_SLACK_BYTES = 1 << 16  # tables of a codec; packed, a picture is hardly larger than plain
_UNIT_MM = {2: 25.4, 3: 10.0, 4: 1.0, 5: 1e-3}


def read_tiff(path: Path, *, label: str) -> list[Page]:
    """Read the headers of all pages; thumbnails and masks are left out.

    Parameters
    ----------
    path : Path
        The file.
    label : str
        What the messages call it.

    Returns
    -------
    list of Page
        In the order of the file, named ``page 1``, ``page 2`` ... when there are many.

    Raises
    ------
    InputFileError
        If the file is damaged, cut short, truly coloured or of a kind not read here.
    """
    with guarded(label), tifffile.TiffFile(path) as tif:
        stored = _walk(tif, label)
        whole = [item for item in stored if not (item.is_reduced or item.is_mask)]
        if not whole:
            msg = f"{label} holds no full picture, only thumbnails or masks; export it again"
            raise InputFileError(msg)
        fields = description_fields(str(whole[0].description))
        repeated = _contiguous_count(whole[0], fields, label) if len(stored) == 1 else 1
        if repeated > 1:
            return _contiguous_pages(path, whole[0], repeated, label)
        many = len(whole) > 1
        return [
            _one_page(path, item, f"page {at}" if many else path.name, f"{label}, page {at}" if many else label)
            for at, item in enumerate(whole, start=1)
        ]


def _is_several(path: Path) -> bool:
    try:
        return len(read_tiff(path, label=path.name)) > 1
    except InputFileError:
        return False


READER = Reader(
    kinds=("TIFF",),
    suffixes=(".tif", ".tiff", ".btf", ".tf8"),
    knows=lambda start: start.startswith((b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")),
    read=read_tiff,
    is_several=_is_several,
)


def _walk(tif: tifffile.TiffFile, label: str) -> list[tifffile.TiffPage]:
    """Every page header of the file, following the chain to its proper end."""
    fh, form = tif.filehandle, tif.tiff
    offset = tif.pages.first.offset
    seen: set[int] = set()
    found: list[tifffile.TiffPage] = []
    while offset:
        checked_count(len(found) + 1, label)
        if offset in seen or offset >= fh.size:
            msg = f"{label} is damaged or cut short after page {len(found)}; copy or export it again"
            raise InputFileError(msg)
        seen.add(offset)
        fh.seek(offset)
        found.append(tifffile.TiffPage(tif, (len(found),)))
        fh.seek(offset)
        (count,) = struct.unpack(form.tagnoformat, fh.read(form.tagnosize))
        fh.seek(offset + form.tagnosize + count * form.tagsize)
        (offset,) = struct.unpack(form.offsetformat, fh.read(form.offsetsize))
    return found


def _number(value: object) -> int:
    try:
        return int(value)  # type: ignore[call-overload, no-any-return]
    except (TypeError, ValueError, OverflowError):
        return 0


def _contiguous_count(item: tifffile.TiffPage, fields: dict[str, Any], label: str) -> int:
    """How many planes follow one header: some writers describe a whole stack by its first page."""
    count = _number(fields.get("images", 0))
    shape = fields.get("shape")
    if fields.get("truncated") is True and isinstance(shape, list) and len(shape) >= 3:
        count = math.prod(_number(edge) for edge in shape[: len(shape) - (2 if item.samplesperpixel == 1 else 3)])
    checked_count(count, label)
    if count <= 1 or item.compression != _UNCOMPRESSED or not item.is_contiguous:
        return 1
    if _number(fields.get("channels", 1)) > 1 or _number(fields.get("frames", 1)) > 1:
        msg = f"{label} holds several channels or moments; save the one to be measured as a plain stack"
        raise InputFileError(msg)
    held = (item.parent.filehandle.size - item.dataoffsets[0]) // max(_plane_bytes(item), 1)
    if held < count:
        msg = f"{label} describes {count} slices but is cut short after {held}; copy or export it again"
        raise InputFileError(msg)
    return count


def _plane_bytes(item: tifffile.TiffPage) -> int:
    """Bytes of one uncompressed plane, rows padded to whole bytes."""
    row_bits = item.imagewidth * item.samplesperpixel * _bits(item)
    return int(item.imagelength) * -(-int(row_bits) // 8)


def _bits(item: tifffile.TiffPage) -> int:
    bits = item.bitspersample
    return int(max(bits) if isinstance(bits, tuple) else bits)


class _Layout:
    """How the samples of a page become grey: checked once, from the header alone."""

    def __init__(self, item: tifffile.TiffPage, label: str) -> None:
        self.label = label
        self.rows, self.columns = int(item.imagelength), int(item.imagewidth)
        checked_size(self.rows, self.columns, label)
        self.compression = int(item.compression)
        self.bits = _bits(item)
        self.photometric = _number(item.photometric)
        if item.imagedepth != 1:
            msg = f"{label} packs several slices into one page; save one slice a page"
            raise InputFileError(msg)
        turned = _number(item.tags.valueof(274, 1))
        if turned not in (0, 1):
            msg = f"{label} is marked as turned or mirrored (orientation {turned}); save it upright without that mark"
            raise InputFileError(msg)
        if self.photometric not in _COLOURS:
            name = getattr(item.photometric, "name", str(item.photometric))
            msg = f"{label} is a picture of kind {name}, which holds no plain grey values; save the slices in grey"
            raise InputFileError(msg)
        colours, samples = _COLOURS[self.photometric], int(item.samplesperpixel)
        if samples not in (colours, colours + 1):
            msg = f"{label} has {samples} channels, too few or too many for its kind; save it as a single grey channel"
            raise InputFileError(msg)
        self.samples, self.alpha, self.lossy = samples, samples > colours, self.compression in _LOSSY
        self.stored = checked_dtype(item.dtype, label)
        self.table = None
        if self.photometric == _PALETTE:
            self.table = grey_table(np.asarray(item.colormap).T, label)
        self.dtype = self.stored if self.table is None else self.table.dtype
        flags = ["colour_as_grey"] if colours == 3 else []
        flags += ["alpha_ignored"] if self.alpha else []
        self.flags = tuple(flags + (["lossy_files"] if self.lossy else []))
        self.scale = _scale(item)

    def grey(self, samples: Plane, *, inverted: bool) -> Plane:
        """Grey values, bright = high, from samples of shape (rows, columns[, channels])."""
        if samples.dtype.kind == "b":
            samples = samples.astype(np.uint8)
        if samples.ndim == 3:
            samples = grey_plane(samples, label=self.label, lossy=self.lossy, alpha=self.alpha)
        if self.table is not None:
            return self.table[samples]
        if self.photometric != _WHITE_IS_ZERO or inverted:
            return samples
        if samples.dtype.kind == "u":
            return np.asarray((2**self.bits - 1) - samples, dtype=samples.dtype)
        return np.asarray(-1 - samples if samples.dtype.kind == "i" else -samples, dtype=samples.dtype)


def _scale(item: tifffile.TiffPage) -> FileScale:
    across, down = (_ratio(item.tags.valueof(code)) for code in (282, 283))
    unit_mm = _UNIT_MM.get(_number(item.tags.valueof(296, 1)))
    return read_scale(description_fields(str(item.description)), per_unit=(across, down), unit_mm=unit_mm)


def _ratio(value: object) -> float:
    """Return a stored fraction as a number; 0 when it is none."""
    if isinstance(value, tuple) and len(value) == 2 and value[1]:
        return float(value[0]) / float(value[1])
    return 0.0


def _one_page(path: Path, item: tifffile.TiffPage, name: str, label: str) -> Page:
    layout = _Layout(item, label)
    _check_data(item, layout)
    offset, index = int(item.offset), int(item.index)
    plain = _plain_bytes(path, item, layout)

    def decode() -> Plane:
        if plain is not None and (samples := plain()) is not None:
            return layout.grey(samples[..., 0] if layout.samples == 1 else samples, inverted=False)
        with tifffile.TiffFile(path) as tif:
            again = tif.pages.first
            if int(again.offset) != offset:
                tif.filehandle.seek(offset)
                again = tifffile.TiffPage(tif, (index,))
            try:
                stored = again.asarray(squeeze=False, maxworkers=1)
            except Exception as exc:
                return _fall_back(path, again, layout, exc)
        # (separate channels, 1, rows, columns, channels)
        samples = stored[0, 0] if stored.shape[0] == 1 else np.moveaxis(stored[:, 0, :, :, 0], 0, -1)
        return layout.grey(samples[..., 0] if samples.shape[-1] == 1 else samples, inverted=False)

    return Page(name, layout.rows, layout.columns, layout.dtype, layout.scale, layout.flags, decode)


def _plain_bytes(path: Path, item: tifffile.TiffPage, layout: _Layout) -> Callable[[], Plane | None] | None:
    """Return a reader of samples that lie bare in one run of bytes, so that no header is parsed again; else None.

    It gives None where the file is no longer the one whose header was read.
    """
    bare = layout.compression == _UNCOMPRESSED and layout.bits % 8 == 0 and item.is_contiguous and not item.is_tiled
    if not bare or int(item.fillorder) != 1 or int(item.planarconfig) != 1 or int(item.predictor) != 1:
        return None
    if layout.bits != layout.stored.itemsize * 8:
        return None
    stored = layout.stored.newbyteorder(item.parent.byteorder)
    start, nbytes = int(item.dataoffsets[0]), _plane_bytes(item)
    shape = (layout.rows, layout.columns, layout.samples)
    known = _fingerprint(os.fstat(item.parent.filehandle.fileno()))

    def read() -> Plane | None:
        with path.open("rb", buffering=0) as file:
            if _fingerprint(os.fstat(file.fileno())) != known:
                return None
            samples = np.empty(shape, dtype=stored)
            file.seek(start)
            if file.readinto(samples.data) != nbytes:
                return None
        return samples.astype(layout.stored, copy=False)

    return read


def _fingerprint(status: os.stat_result) -> tuple[int, int, int]:
    return status.st_size, status.st_mtime_ns, status.st_ino


def _check_data(item: tifffile.TiffPage, layout: _Layout) -> None:
    """Compare what the header claims with the bytes that are there, before allocating anything."""
    size, label = item.parent.filehandle.size, layout.label
    blocks = list(zip(item.dataoffsets, item.databytecounts, strict=True))
    if not blocks or any(start <= 0 or count <= 0 or start + count > size for start, count in blocks):
        msg = f"{label} is damaged or cut short: its picture data are not all there; copy or export it again"
        raise InputFileError(msg)
    held = sum(count for _, count in blocks)
    if item.is_tiled:  # tiles overhang the picture, and a false tile size claims memory of its own
        checked_size(int(item.tilelength), int(item.tilewidth), f"{label}: each tile")
        checked_shrink(len(blocks) * int(item.tilelength) * int(item.tilewidth) * max(layout.bits // 8, 1), held, label)
    claimed = _plane_bytes(item)
    if held > 2 * claimed + _SLACK_BYTES:
        msg = f"{label} packs {held} bytes into a picture of {claimed}, so it is damaged; copy or export it again"
        raise InputFileError(msg)
    if layout.compression != _UNCOMPRESSED:
        checked_shrink(claimed, held, label)
    elif held < claimed:
        msg = (
            f"{label} claims {layout.rows} x {layout.columns} pixels ({claimed} bytes) but holds {held} bytes of "
            "picture data; copy or export it again"
        )
        raise InputFileError(msg)


def _fall_back(path: Path, item: tifffile.TiffPage, layout: _Layout, cause: Exception) -> Plane:
    """Decode through Pillow what tifffile cannot, or say which of damage and compression it is."""
    whole_bytes = layout.bits % 8 == 0 and layout.compression in BYTE_CODECS and layout.photometric != _YCBCR
    try:
        if whole_bytes:
            samples = unpack_page(item)
            return layout.grey(samples[..., 0] if samples.shape[-1] == 1 else samples, inverted=False)
        if layout.bits > 8 and layout.bits != 12:  # Pillow may take their bytes the wrong way round
            raise cause
        samples = decode_tiff_page(path, int(item.index))
    except CtreconError:
        raise
    except Exception as exc:
        if whole_bytes or "imagecodecs" not in str(cause):
            msg = f"{layout.label} is damaged or cut short and cannot be read; copy or export it again"
            raise InputFileError(msg) from exc
        msg = (
            f"{layout.label} is damaged or stored in a way ({layout.bits} bit, {_codec_name(layout.compression)}) "
            "that cannot be read here; save it as plain 8 or 16 bit grey or install the extra named tiff"
        )
        raise InputFileError(msg) from exc
    if samples.dtype.kind == "u" and samples.dtype.itemsize == layout.stored.itemsize == 1:
        samples = samples.view(layout.stored)
    # up to 8 bits Pillow has turned white-is-zero round by itself
    return layout.grey(samples, inverted=layout.bits <= 8)


def _codec_name(compression: int) -> str:
    try:
        return str(tifffile.COMPRESSION(compression).name)
    except ValueError:
        return str(compression)


def _contiguous_pages(path: Path, item: tifffile.TiffPage, count: int, label: str) -> list[Page]:
    """Pages of a stack whose planes follow each other behind a single header."""
    layout = _Layout(item, label)
    _check_data(item, layout)
    if layout.bits % 8 or int(item.fillorder) != 1 or int(item.planarconfig) != 1:
        msg = f"{label} packs its slices in a way that is not read here; save one slice a page"
        raise InputFileError(msg)
    stored = layout.stored.newbyteorder(item.parent.byteorder)
    start, nbytes = int(item.dataoffsets[0]), _plane_bytes(item)

    def decoder(at: int) -> Callable[[], Plane]:
        def decode() -> Plane:
            with path.open("rb") as file:
                file.seek(start + at * nbytes, os.SEEK_SET)
                raw = np.frombuffer(file.read(nbytes), dtype=stored)
            shape = (layout.rows, layout.columns, layout.samples)
            samples = raw.astype(layout.stored).reshape(shape)
            return layout.grey(samples[..., 0] if layout.samples == 1 else samples, inverted=False)

        return decode

    return [
        Page(f"page {at + 1}", layout.rows, layout.columns, layout.dtype, layout.scale, layout.flags, decoder(at))
        for at in range(count)
    ]
