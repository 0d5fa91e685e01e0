"""Planes worked out once and looked at again by every stage: few of them in memory, many in a file that nobody sees."""

import weakref

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.nameless import nameless_file

__all__ = ["PlaneStore"]

_IN_MEMORY = 96_000_000  # bytes: every plane of 100 x 512² and of 200 x 400² voxels

Half = NDArray[np.float16]


class PlaneStore:
    """Keeps planes of one size as float16: a tenth of the least noise that grey of sixteen bits can have.

    Where they need more memory than is decent they go to a file without a name, on the disk for large temporary
    files, which is gone with the process whatever happens. Where that disk has no room to spare, or fails, the first
    planes are kept in memory and the others not at all: stages go through all planes in turn, so of planes kept for
    as long as there is room none would be left when its turn comes again.
    """

    def __init__(self, planes: int, rows: int, columns: int) -> None:
        self._shape, self._bytes = (rows, columns), rows * columns * 2
        self._kept: dict[int, Half] = {}
        self._filed: set[int] = set()
        total = planes * self._bytes
        self._file = nameless_file(total) if total > _IN_MEMORY else None
        if self._file is not None:
            weakref.finalize(self, self._file.close)

    def put(self, k: int, plane: NDArray[np.float32]) -> None:
        """Keep a plane where there is room for it."""
        if self._file is not None:
            try:
                self._file.seek(k * self._bytes)
                if self._file.write(plane.astype(np.float16).tobytes()) < self._bytes:
                    raise OSError("no room")
                self._filed.add(k)
            except (OSError, ValueError):
                self._drop()
        elif (len(self._kept) + 1) * self._bytes <= _IN_MEMORY:
            self._kept[k] = plane.astype(np.float16)

    def get(self, k: int, rows: slice | None = None) -> Half | None:
        """Return a plane, or some of its rows; None where it is not kept."""
        kept = self._kept.get(k)
        if kept is not None:
            return kept if rows is None else kept[rows]
        if k not in self._filed or self._file is None:
            return None
        first, last, _ = (rows or slice(None)).indices(self._shape[0])
        line = self._shape[1] * 2
        try:
            self._file.seek(k * self._bytes + first * line)
            data = self._file.read(max(last - first, 0) * line)
            return np.frombuffer(data, dtype=np.float16).reshape(max(last - first, 0), self._shape[1])
        except (OSError, ValueError):
            self._drop()
            return None

    def _drop(self) -> None:
        """Do without the file from now on."""
        self._file = None
        self._filed.clear()
