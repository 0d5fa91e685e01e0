"""HDF5: the one volume a file holds, through h5py (extra ``arrays``)."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from ctrecon.core.errors import InputFileError
from ctrecon.slices.readers.page import (
    Page,
    Plane,
    checked_count,
    checked_dtype,
    checked_shrink,
    checked_size,
    guarded,
    volume_pages,
)
from ctrecon.slices.readers.reader import Reader
from ctrecon.slices.readers.scale import read_scale
from ctrecon.slices.readers.slabs import Slabs, checked_blocks

__all__ = ["READER", "read_hdf5"]


def read_hdf5(path: Path, *, label: str) -> list[Page]:
    """Read what a file says of its largest volume, one page a slice (first axis).

    Parameters
    ----------
    path : Path
        The file.
    label : str
        What the messages call it.

    Returns
    -------
    list of Page
        The voxel size stands in attributes of the volume: ``voxel_mm``, or ``spacing`` with ``unit``.

    Raises
    ------
    InputFileError
        If h5py is missing, the file is damaged, holds no volume or two of one size, or points to other files.
    """
    with guarded(label), _opened(path, label) as file:
        volume = _volume(file, label)
        count, rows, columns = volume.shape
        checked_count(count, label)
        checked_size(rows, columns, label)
        checked_shrink(volume.size * volume.dtype.itemsize, path.stat().st_size, label)
        _refuse_unreadable(volume, label)
        dtype = checked_dtype(volume.dtype, label)
        fields = {str(name).lower(): _plain(volume.attrs[name]) for name in volume.attrs}
        depth = volume.chunks[0] if volume.chunks else 1
        name = volume.name

    def read(first: int, beyond: int) -> Plane:
        with _opened(path, label) as again:
            return np.asarray(again[name][first:beyond])

    slabs = Slabs(read, count=count, depth=depth, plane_bytes=rows * columns * dtype.itemsize)
    scale = read_scale(fields)
    return volume_pages((count, rows, columns), dtype, scale, slabs.plane, path.name)


@contextmanager
def _opened(path: Path, label: str) -> Iterator[Any]:
    try:
        import h5py
    except ImportError:
        raise InputFileError(f"{label} is an HDF5 file; reading it needs pip install 'ctrecon-parts[arrays]'") from None
    with h5py.File(path, "r", locking=False) as file:
        yield file


def _volume(file: Any, label: str) -> Any:
    """Return the largest volume of grey values; links to other files are not followed."""
    import h5py

    found: list[Any] = []

    def look(_: str, item: Any) -> None:
        if isinstance(item, h5py.Dataset) and item.ndim == 3 and item.dtype.kind in "uif" and min(item.shape) > 0:
            found.append(item)

    file.visititems(look)
    found.sort(key=lambda one: (-one.size, one.name))
    if not found:
        raise InputFileError(f"{label} holds no volume (slices, rows, columns) of grey values; export one")
    if len(found) > 1 and found[0].size == found[1].size:
        raise InputFileError(
            f"{label} holds two volumes of one size, {found[0].name} and {found[1].name}; export the one to be measured"
        )
    return found[0]


def _refuse_unreadable(volume: Any, label: str) -> None:
    """Refuse what lies in other files, in blocks that fill the memory, or behind a filter that is not installed."""
    import h5py

    if volume.external or volume.is_virtual:
        raise InputFileError(f"{label} keeps its grey values in other files; export them into one file")
    if volume.chunks:
        checked_blocks(volume.chunks, volume.dtype.itemsize, label)
    stored = volume.id.get_create_plist()
    for number in range(stored.get_nfilters()):
        code, _, _, name = stored.get_filter(number)
        if not h5py.h5z.filter_avail(code):
            called = name.decode("utf-8", "replace") or str(code)
            raise InputFileError(f"{label} is compressed with '{called}', which is not read here; store it with gzip")


def _plain(value: Any) -> Any:
    """Return an attribute as plain numbers, lists and text."""
    if isinstance(value, bytes):
        return value.decode("utf-8", "replace")
    return value.tolist() if isinstance(value, np.ndarray | np.generic) else value


READER = Reader(
    kinds=("HDF5",),
    suffixes=(".h5", ".hdf5", ".hdf"),
    knows=lambda start: start.startswith(b"\x89HDF\r\n\x1a\n"),
    read=read_hdf5,
    is_several=lambda path: True,  # noqa: ARG005 - a volume, whatever it holds
)
