"""One stored plane: what its header says, how to decode it, and the checks all formats share."""

import logging
import os
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.errors import CtreconError, InputFileError
from ctrecon.slices.readers.scale import FileScale

__all__ = [
    "MAX_PLANE_PIXELS",
    "MAX_SLICES",
    "Page",
    "Plane",
    "bare_plane",
    "checked_count",
    "checked_dtype",
    "checked_shrink",
    "checked_size",
    "describe",
    "file_size",
    "grey_plane",
    "grey_table",
    "guarded",
    "hushed",
    "load_page",
    "volume_pages",
]

MAX_PLANE_PIXELS = 100_000_000
"""Twice the pixels of 7000 x 7000: measured in single precision, a plane and its copies stay within 1 GiB."""
MAX_SLICES = 20_000
"""Ten times what a large scan has; a header is read for each before anything else."""
# a lossy colour file of a grey picture may differ by a count or two between its channels
_LOSSY_SLACK = 2
# a compressed plane this large that shrinks to less than 1/1500 is taken for a false header
_LARGE_BYTES, _MOST_SHRINK = 64 << 20, 1500

Plane = NDArray[Any]


@dataclass(frozen=True, eq=False)
class Page:
    """One plane as its header describes it; `decode` reads the grey values.

    Attributes
    ----------
    name : str
        File name, or ``"page 3"`` in a file of many pages (counted from 1).
    rows, columns : int
        Size of the plane in pixels.
    dtype : numpy dtype
        Type of the grey values that `decode` returns, in the byte order of this machine.
    scale : FileScale
        What the header says about lengths.
    flags : tuple of str
        Quality flags the header shows, e.g. ``colour_as_grey``.
    decode : callable
        Reads the plane, shape (rows, columns).
    placed : bool
        The file states where the slice lies in space, and the slices are in the order of
        their places, away from the viewer.
    """

    name: str
    rows: int
    columns: int
    dtype: np.dtype[np.generic]
    scale: FileScale
    flags: tuple[str, ...]
    decode: Callable[[], Plane]
    placed: bool = False


def volume_pages(
    shape: tuple[int, int, int], dtype: np.dtype[np.generic], scale: FileScale, one: Callable[[int], Plane], name: str
) -> list[Page]:
    """Return the slices of a volume as pages, ``slice 1`` and on; a single one carries the name of its file."""
    count, rows, columns = shape
    return [
        Page(f"slice {k + 1}" if count > 1 else name, rows, columns, dtype, scale, (), partial(one, k))
        for k in range(count)
    ]


def bare_plane(
    path: Path, start: int, index: int, stored: np.dtype[np.generic], shape: tuple[int, int]
) -> Plane:
    """Return a plane of grey values that lie bare in a file, plane after plane from a byte on."""
    size = shape[0] * shape[1]
    with path.open("rb") as file:
        file.seek(start + index * size * stored.itemsize)
        plane = np.fromfile(file, stored, size).reshape(shape)
    return plane.astype(stored.newbyteorder("="), copy=False)


def describe(page: Page) -> str:
    """Return size and type in words, e.g. ``160 x 160 uint16``."""
    return f"{page.rows} x {page.columns} {page.dtype}"


@contextmanager
def guarded(label: str) -> Iterator[None]:
    """Turn whatever a reading library raises, warns or logs into one `InputFileError`."""
    logs = [logging.getLogger(name) for name in ("tifffile", "pydicom")]
    before = [log.disabled for log in logs]
    for log in logs:
        log.disabled = True
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    except CtreconError:
        raise
    except PermissionError as exc:
        msg = f"{label} may not be read by this user; change its permissions"
        raise InputFileError(msg) from exc
    except MemoryError as exc:
        msg = f"{label} is too large for the memory of this machine; crop the slices first"
        raise InputFileError(msg) from exc
    except Exception as exc:  # damaged files make the libraries raise almost anything
        msg = f"{label} is damaged or cut short and cannot be read; copy or export it again"
        raise InputFileError(msg) from exc
    finally:
        for log, was in zip(logs, before, strict=True):
            log.disabled = was


@contextmanager
def hushed() -> Iterator[None]:
    """Keep a library written in C from its own lines on stderr; the error comes back anyway."""
    try:
        kept, nowhere = os.dup(2), os.open(os.devnull, os.O_WRONLY)
    except OSError:  # a process without stderr has nothing to hush
        yield
        return
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)


def checked_size(rows: int, columns: int, label: str) -> None:
    """Refuse a plane that is empty or claims more pixels than any slice has.

    Raises
    ------
    InputFileError
        Before anything of that size is allocated.
    """
    if rows < 1 or columns < 1:
        msg = f"{label} claims a size of {rows} x {columns} pixels and holds no picture; export it again"
        raise InputFileError(msg)
    if rows * columns > MAX_PLANE_PIXELS:
        msg = (
            f"{label} claims {rows} x {columns} pixels, more than the {MAX_PLANE_PIXELS // 1_000_000} million "
            "read in one slice; crop the slices or check whether the file is damaged"
        )
        raise InputFileError(msg)


def checked_count(count: int, label: str) -> None:
    """Refuse more slices than any scan has.

    Raises
    ------
    InputFileError
        Before a header is read for each.
    """
    if count > MAX_SLICES:
        raise InputFileError(f"{label} claims {count} slices, more than any scan has; check whether it is damaged")


def checked_shrink(claimed: int, held: int, label: str) -> None:
    """Refuse a large plane said to be stored in far fewer bytes than any compression needs.

    Parameters
    ----------
    claimed, held : int
        Bytes after and before decompression.
    label : str
        What the messages call the file.

    Raises
    ------
    InputFileError
        Before anything of that size is allocated.
    """
    if claimed > max(_LARGE_BYTES, held * _MOST_SHRINK):
        msg = (
            f"{label} claims {claimed} bytes of picture but holds {held}, so it is damaged or cut short; "
            "copy or export it again"
        )
        raise InputFileError(msg)


def checked_dtype(dtype: np.dtype[np.generic] | None, label: str) -> np.dtype[np.generic]:
    """Return the type of the grey values in native byte order; 1-bit becomes uint8.

    Raises
    ------
    InputFileError
        For complex numbers and anything else that is not a grey value.
    """
    if dtype is not None and dtype.kind == "b":
        return np.dtype(np.uint8)
    if dtype is None or dtype.kind not in "uif" or dtype.itemsize > 8:
        kind = "of no known type" if dtype is None else f"of type {dtype}"
        msg = f"{label} holds values {kind}; save it as 8, 16 or 32 bit integers or as 32 bit floats"
        raise InputFileError(msg)
    return dtype.newbyteorder("=")


def grey_plane(samples: Plane, *, label: str, lossy: bool = False, alpha: bool = False) -> Plane:
    """Reduce (rows, columns, channels) to grey, or refuse by name what is truly coloured.

    Parameters
    ----------
    samples : array, shape (rows, columns, channels)
        One grey or three colour channels, then an alpha channel when `alpha`.
    label : str
        What the messages call the file.
    lossy : bool
        Let the channels differ by two counts, as lossy compression makes them.
    alpha : bool
        The last channel is transparency.

    Returns
    -------
    array, shape (rows, columns)

    Raises
    ------
    InputFileError
        If the colours differ or the transparency varies over the plane.
    """
    colours = samples.shape[2] - int(alpha)
    if alpha:
        veil = samples[:, :, -1]
        if veil.size and bool(np.any(veil != veil.flat[0])):
            msg = f"{label} has a transparency channel that varies over the slice; save it without transparency"
            raise InputFileError(msg)
    grey = samples[:, :, 1 if colours == 3 else 0]
    if colours not in (1, 3):
        msg = f"{label} has {colours} channels; save it as a single grey channel"
        raise InputFileError(msg)
    if colours == 3:
        for channel in (0, 2):
            if not _alike(samples[:, :, channel], grey, lossy=lossy):
                msg = f"{label} is a colour picture and its colours are not grey values; save the slices in grey"
                raise InputFileError(msg)
    return np.ascontiguousarray(grey)


def _alike(one: Plane, other: Plane, *, lossy: bool) -> bool:
    if not lossy:
        return bool(np.array_equal(one, other, equal_nan=one.dtype.kind == "f"))
    apart = np.abs(one.astype(np.int32) - other.astype(np.int32))
    return bool(np.max(apart, initial=0) <= _LOSSY_SLACK)


def grey_table(colours: Plane, label: str) -> Plane:
    """Return the grey value of every palette entry, 8 bit where that loses nothing.

    Parameters
    ----------
    colours : array, shape (n, 3)
        Palette, 8 or 16 bit.
    label : str
        What the messages call the file.

    Raises
    ------
    InputFileError
        If an entry is not a grey.
    """
    if colours.ndim != 2 or colours.shape[1] != 3 or not np.all(colours == colours[:, :1]):
        msg = f"{label} has a palette of colours that are not grey values; save the slices in grey"
        raise InputFileError(msg)
    grey = np.ascontiguousarray(colours[:, 0])
    if grey.dtype == np.uint8:
        return grey
    high, low = grey >> 8, grey & 255
    # 8 bit palettes are stored in 16 bits, by repeating the byte or by a zero byte
    fits = bool(np.all(low == high) or np.all(low == 0))
    return high.astype(np.uint8) if fits else grey.astype(np.uint16)


def load_page(page: Page, *, label: str) -> Plane:
    """Decode one page and check that it is what its header promised.

    Raises
    ------
    InputFileError
        If the file is damaged, or was changed since its header was read.
    """
    with guarded(label):
        plane = np.asarray(page.decode())
        if plane.dtype.kind == "b":
            plane = plane.astype(np.uint8)
        plane = plane.astype(plane.dtype.newbyteorder("="), copy=False)
    if plane.shape != (page.rows, page.columns) or plane.dtype != page.dtype:
        msg = f"{label} decodes to something else than its header says; export it again"
        raise InputFileError(msg)
    return plane


def file_size(path: Path, label: str) -> int:
    """Return the size of a file in bytes, refusing one that is absent or empty.

    Raises
    ------
    InputFileError
        If there is no such file, or nothing in it.
    """
    with guarded(label):
        size = path.stat().st_size if path.exists() else -1
    if size < 0:
        msg = f"{label} is not there; check the path"
        raise InputFileError(msg)
    if size == 0:
        msg = f"{label} is empty (0 bytes); export it again"
        raise InputFileError(msg)
    return size
