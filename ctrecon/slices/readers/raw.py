"""A file of nothing but grey values, whose shape and type a person states."""

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ctrecon.core.errors import InputError, InputFileError
from ctrecon.slices.readers.page import (
    Page,
    Plane,
    bare_plane,
    checked_dtype,
    checked_size,
    file_size,
    volume_pages,
)
from ctrecon.slices.readers.scale import FileScale

__all__ = ["RawLayout", "read_raw"]

_STATED = re.compile(r"(\d{1,6})x(\d{1,6})x(\d{1,6}):(u?int(?:8|16|32)|float(?:32|64))(:big)?(?::skip=(\d{1,9}))?")


@dataclass(frozen=True)
class RawLayout:
    """How grey values lie in a file: (slices, rows, columns), their type in its byte order, bytes before them."""

    shape: tuple[int, int, int]
    dtype: np.dtype[np.generic]
    skip: int = 0

    @classmethod
    def stated(cls, text: str) -> "RawLayout":
        """Return what ``SLICESxROWSxCOLUMNS:TYPE`` says, with ``:big`` and ``:skip=BYTES`` where need be.

        Raises
        ------
        InputError
            If it says nothing of the kind.

        Examples
        --------
        >>> RawLayout.stated("93x512x500:uint16:big:skip=1024")
        RawLayout(shape=(93, 512, 500), dtype=dtype('>u2'), skip=1024)
        """
        found = _STATED.fullmatch(text.strip().lower())
        if found is None:
            raise InputError(
                f"'{text[:60]}' does not say how raw grey values lie; give SLICESxROWSxCOLUMNS:TYPE, such as "
                "93x512x512:uint16, with :big for big-endian and :skip=BYTES for what lies before them"
            )
        slices, rows, columns = (int(found[k]) for k in (1, 2, 3))
        if 0 in (slices, rows, columns):
            raise InputError(f"'{text}' holds no voxels; give how many slices, rows and columns there are")
        dtype = np.dtype(found[4]).newbyteorder(">" if found[5] else "<")
        return cls((slices, rows, columns), dtype, int(found[6] or 0))


def read_raw(path: Path, layout: RawLayout, *, label: str) -> list[Page]:
    """Return one page a slice of a file without a header.

    Raises
    ------
    InputFileError
        If the file is not there, or not as long as stated.
    """
    slices, rows, columns = layout.shape
    size, dtype = layout.dtype.itemsize, checked_dtype(layout.dtype, label)
    checked_size(rows, columns, label)
    held, wanted = file_size(path, label), layout.skip + slices * rows * columns * size
    if held != wanted:
        raise InputFileError(
            f"{label} holds {held} bytes, but {slices} x {rows} x {columns} values of {size} bytes"
            f"{f' after {layout.skip}' if layout.skip else ''} are {wanted}; correct the stated shape, type or skip"
        )

    def one(index: int) -> Plane:
        return bare_plane(path, layout.skip, index, layout.dtype, (rows, columns))

    return volume_pages(layout.shape, dtype, FileScale(), one, "slice 1")
