"""Undo TIFF compressions the first reader has no codec for, exact in every type and byte order.

Pillow's C library knows the codecs, but Pillow itself knows few types of grey values and takes
the bytes of some big-endian pages the wrong way round. So the compressed bytes are handed over
as an 8 bit picture, one "pixel" a byte, and predictor, type and byte order are undone here, as
TIFF 6.0 (1992), sections 13 and 14, and its technical note 3 on floating point (2005) define them.
"""

import io
import struct
from typing import Any

import numpy as np
import tifffile

from ctrecon.slices.readers.page import Plane
from ctrecon.slices.readers.pillow import decode_tiff_page

__all__ = ["BYTE_CODECS", "unpack_page"]

BYTE_CODECS = frozenset({5, 8, 32773, 32946, 34925, 50000})
_LONG = 4


def unpack_page(item: tifffile.TiffPage) -> Plane:
    """Decode a page whose samples are whole bytes.

    Parameters
    ----------
    item : tifffile.TiffPage
        From an open file; its compression is one of `BYTE_CODECS`.

    Returns
    -------
    array, shape (rows, columns, channels)
        Samples as stored, in the byte order of this machine.

    Raises
    ------
    ValueError
        If the page is laid out in a way not read here.
    """
    segments = [_segment(item, at) for at in range(len(item.dataoffsets))]
    planes = int(item.samplesperpixel) if int(item.planarconfig) == 2 else 1
    each, rest = divmod(len(segments), planes)
    if rest or not segments:
        msg = "segments do not fill the planes"
        raise ValueError(msg)
    parts = [_plane(item, segments[at * each : (at + 1) * each], planes) for at in range(planes)]
    return np.concatenate(parts, axis=2)


def _segment(item: tifffile.TiffPage, at: int) -> bytes:
    fh = item.parent.filehandle
    fh.seek(item.dataoffsets[at])
    return bytes(fh.read(item.databytecounts[at]))


def _plane(item: tifffile.TiffPage, segments: list[bytes], planes: int) -> Plane:
    """One plane of interleaved samples, shape (rows, columns, samples)."""
    rows, columns = int(item.imagelength), int(item.imagewidth)
    samples = int(item.samplesperpixel) // planes
    stored = np.dtype(item.dtype).newbyteorder(item.parent.byteorder)
    if item.is_tiled:
        high, wide = int(item.tilelength), int(item.tilewidth)
        padded_rows, padded_columns = -(-rows // high) * high, -(-columns // wide) * wide
    else:
        high, wide = min(int(item.rowsperstrip), rows), columns
        padded_rows, padded_columns = rows, columns
    if len(segments) != (padded_rows // high if item.is_tiled else -(-rows // high)) * (padded_columns // wide):
        msg = "segments do not fill the plane"
        raise ValueError(msg)
    width = samples * stored.itemsize
    raw = _decompressed(item, segments, (padded_rows, padded_columns * width), (high, wide * width))
    # a predictor starts anew in every tile
    raw = raw.reshape(padded_rows, padded_columns // wide, wide * width)
    values = _unpredicted(raw, int(item.predictor), stored, samples)
    return values.reshape(padded_rows, padded_columns, samples)[:rows, :columns]


def _decompressed(
    item: tifffile.TiffPage, segments: list[bytes], size: tuple[int, int], block: tuple[int, int]
) -> Plane:
    """Bytes of a plane, shape (rows, bytes a row), through a picture made for the purpose."""
    tags: dict[int, list[int]] = {
        256: [size[1]],
        257: [size[0]],
        258: [8],
        259: [int(item.compression)],
        262: [1],
        266: [int(item.fillorder)],
        277: [1],
    }
    where, counts = (324, 325) if item.is_tiled else (273, 279)
    if item.is_tiled:
        tags[322], tags[323] = [block[1]], [block[0]]
    else:
        tags[278] = [block[0]]
    tags[where], tags[counts] = [0] * len(segments), [len(segment) for segment in segments]
    start = 8 + len(_directory(tags))
    tags[where] = [start + sum(len(segment) for segment in segments[:at]) for at in range(len(segments))]
    data = struct.pack("<2sHI", b"II", 42, 8) + _directory(tags) + b"".join(segments)
    found = decode_tiff_page(io.BytesIO(data), 0, unlimited=True)
    if found.shape != size or found.dtype != np.uint8:
        msg = "decompressed to another size"
        raise ValueError(msg)
    return found


def _directory(tags: dict[int, list[int]]) -> bytes:
    """Build a TIFF directory at byte 8 of a little-endian file, long lists behind it."""
    beyond = 8 + 2 + 12 * len(tags) + 4
    entries, lists = b"", b""
    for code, values in sorted(tags.items()):
        packed = struct.pack(f"<{len(values)}I", *values)
        entries += struct.pack("<HHI", code, _LONG, len(values))
        entries += packed if len(values) == 1 else struct.pack("<I", beyond + len(lists))
        lists += packed if len(values) > 1 else b""
    return struct.pack("<H", len(tags)) + entries + struct.pack("<I", 0) + lists


def _unpredicted(raw: Plane, predictor: int, stored: np.dtype[Any], samples: int) -> Plane:
    """Undo the predictor along each row of each tile: raw has shape (rows, tiles, bytes)."""
    native = stored.newbyteorder("=")
    rows, tiles, width = raw.shape
    raw = np.ascontiguousarray(raw)
    if predictor == 1:
        return raw.view(stored).astype(native)
    if predictor == 2 and stored.kind in "ui":
        steps = raw.view(stored).astype(native).reshape(rows, tiles, -1, samples)
        return np.cumsum(steps, axis=2, dtype=native).reshape(rows, tiles, -1)
    if predictor == 3 and stored.kind == "f":
        whole = np.cumsum(raw.reshape(rows, tiles, -1, samples), axis=2, dtype=np.uint8)
        # the bytes of one significance stand together, the highest first
        split = whole.reshape(rows, tiles, stored.itemsize, width // stored.itemsize)
        joined = np.ascontiguousarray(np.moveaxis(split, 2, 3)).reshape(rows, tiles, width)
        return joined.view(native.newbyteorder(">")).astype(native)
    msg = f"predictor {predictor} is not known for {stored}"
    raise ValueError(msg)
