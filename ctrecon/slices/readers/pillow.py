"""PNG, BMP and JPEG slices through Pillow, and TIFF planes whose compression needs it."""

import logging
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from ctrecon.core.errors import InputFileError
from ctrecon.slices.readers.page import (
    MAX_PLANE_PIXELS,
    Page,
    Plane,
    checked_dtype,
    checked_shrink,
    checked_size,
    grey_plane,
    grey_table,
    guarded,
    hushed,
)
from ctrecon.slices.readers.reader import Reader
from ctrecon.slices.readers.scale import FileScale, description_fields, per_inch_mm, read_scale

__all__ = ["READER", "decode_tiff_page", "read_picture"]

_FORMATS = ("PNG", "BMP", "DIB", "JPEG", "MPO")
_LOSSY = frozenset({"JPEG", "MPO"})
_ORIENTATION = 274
_MODE_TYPE = {
    "1": "u1", "L": "u1", "LA": "u1", "P": "u1", "RGB": "u1", "RGBA": "u1",
    "I;16": "u2", "I;16L": "u2", "I;16B": "u2", "I": "i4", "F": "f4",
}  # fmt: skip


@contextmanager
def _opened(
    path: Path | BytesIO, formats: tuple[str, ...], *, most: int | None = MAX_PLANE_PIXELS
) -> Iterator[Image.Image]:
    """Open with our own size limit in place of Pillow's, which would stop at half of it."""
    limit = Image.MAX_IMAGE_PIXELS
    Image.MAX_IMAGE_PIXELS = most
    try:
        with Image.open(path, formats=formats) as image:
            yield image
    finally:
        Image.MAX_IMAGE_PIXELS = limit


def read_picture(path: Path, *, label: str) -> list[Page]:
    """Read the header of one PNG, BMP or JPEG slice.

    Parameters
    ----------
    path : Path
        The file.
    label : str
        What the messages call it.

    Returns
    -------
    list of Page
        One page.

    Raises
    ------
    InputFileError
        If the file is damaged, coloured or of a kind not read here.
    """
    with guarded(label):
        try:
            with _opened(path, _FORMATS) as image:
                return [_page(path, image, label)]
        except Image.DecompressionBombError as exc:
            msg = (
                f"{label} claims more than the {MAX_PLANE_PIXELS // 1_000_000} million pixels read in one slice; "
                "crop the slices or check whether the file is damaged"
            )
            raise InputFileError(msg) from exc


READER = Reader(
    kinds=("PNG", "BMP", "JPEG"),
    suffixes=(".png", ".bmp", ".jpg", ".jpeg"),
    knows=lambda start: start.startswith((b"\x89PNG", b"\xff\xd8\xff", b"BM")),
    read=read_picture,
)


def _page(path: Path, image: Image.Image, label: str) -> Page:
    columns, rows = image.size
    checked_size(rows, columns, label)
    checked_shrink(rows * columns * len(image.getbands()), path.stat().st_size, label)
    mode = image.mode
    lossy = image.format in _LOSSY
    if mode not in _MODE_TYPE:
        msg = f"{label} is a picture of kind {mode}, which holds no plain grey values; save the slices in grey"
        raise InputFileError(msg)
    if not mode.startswith("I") and any(";16" in str(tile[3]) for tile in getattr(image, "tile", [])):
        msg = f"{label} holds 16 bit colour, of which half the digits would be lost; save it as 16 bit grey"
        raise InputFileError(msg)
    # asking a PNG for its orientation would decode it unless the header brought one
    turned = int(image.getexif().get(_ORIENTATION, 1)) if lossy or "exif" in image.info else 1
    if turned not in (0, 1):
        msg = f"{label} is marked as turned or mirrored (orientation {turned}); save it upright without that mark"
        raise InputFileError(msg)
    table = grey_table(_palette(image), label) if mode == "P" else None
    alpha = mode in ("LA", "RGBA")
    flags = ["colour_as_grey"] if mode in ("RGB", "RGBA") else []
    flags += ["alpha_ignored"] if alpha or "transparency" in image.info else []
    flags += ["lossy_files"] if lossy else []

    def decode() -> Plane:
        with _opened(path, _FORMATS) as again:
            # Pillow takes a transparent key colour for a reason to warn; it changes no grey value
            samples = np.asarray(again)
        if samples.ndim == 3:
            return grey_plane(samples, label=label, lossy=lossy, alpha=alpha)
        return samples if table is None else table[samples]

    dtype = checked_dtype(table.dtype if table is not None else np.dtype(_MODE_TYPE[mode]), label)
    return Page(path.name, rows, columns, dtype, _scale(image), tuple(flags), decode)


def _palette(image: Image.Image) -> Plane:
    """Return the colours of a palette picture, shape (n, 3), padded so that every index has one."""
    entries = np.array(image.getpalette("RGB") or [], dtype=np.uint8).reshape(-1, 3)
    if len(entries) < 256:
        entries = np.vstack([entries, np.zeros((256 - len(entries), 3), dtype=np.uint8)])
    return entries


def _scale(image: Image.Image) -> FileScale:
    fields: dict[str, Any] = {}
    for key in ("Description", "Comment", "comment"):
        text = image.info.get(key)
        if isinstance(text, bytes):
            text = text.decode("utf-8", "replace")
        if isinstance(text, str) and not fields:
            fields = description_fields(text)
    scale = read_scale(fields)
    dpi = image.info.get("dpi")
    if scale.in_plane_mm is not None or not isinstance(dpi, tuple) or len(dpi) != 2:
        return scale
    plane = per_inch_mm(float(dpi[0]), float(dpi[1]))
    return scale if plane is None else FileScale(scale.dz_mm, plane[0], plane[1], scale.trouble)


def decode_tiff_page(path: Path | BytesIO, index: int, *, unlimited: bool = False) -> Plane:
    """Decode one TIFF page through Pillow, for compressions the first reader lacks.

    Parameters
    ----------
    path : Path or BytesIO
        The file.
    index : int
        Which page, from 0, thumbnails counted.
    unlimited : bool
        The caller has checked the size.

    Returns
    -------
    array, shape (rows, columns) or (rows, columns, channels)
        As Pillow gives it: up to 8 bits a white-is-zero page is turned round already.
    """
    most = None if unlimited else MAX_PLANE_PIXELS
    log = logging.getLogger("PIL.TiffImagePlugin")
    before = log.disabled
    log.disabled = True
    try:
        with warnings.catch_warnings(), hushed(), _opened(path, ("TIFF",), most=most) as image:
            warnings.simplefilter("ignore")
            image.seek(index)
            if image.mode == "YCbCr":
                return np.asarray(image.convert("RGB"))
            return np.asarray(image)
    finally:
        log.disabled = before
