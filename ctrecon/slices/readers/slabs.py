"""Planes of a volume stored in blocks: a block is decoded once for all the planes that lie in it."""

import math
from collections.abc import Callable, Sequence

from ctrecon.core.errors import InputFileError
from ctrecon.slices.readers.page import Plane

__all__ = ["Slabs", "checked_blocks"]

_MOST_BLOCK = 1 << 30  # bytes; a block this large would be decoded whole for a single plane

_MOST_BYTES = 256 << 20  # kept at once; deeper blocks are decoded again rather than filling the memory


def checked_blocks(shape: Sequence[int], itemsize: int, label: str) -> None:
    """Refuse a volume stored in blocks that fill the memory.

    Raises
    ------
    InputFileError
        Before a block is decoded.
    """
    if math.prod(shape) * itemsize > _MOST_BLOCK:
        raise InputFileError(f"{label} is stored in blocks of more than 1 GiB; store it in smaller blocks")


class Slabs:
    """Reads planes in groups as deep as the blocks they are stored in, and keeps the last group.

    Parameters
    ----------
    read : callable
        Called with (first, beyond); returns planes, shape (beyond - first, rows, columns).
    count, depth, plane_bytes : int
        Planes in all; planes a block; bytes of one plane.
    """

    def __init__(self, read: Callable[[int, int], Plane], *, count: int, depth: int, plane_bytes: int) -> None:
        self._read, self._count = read, count
        self._depth = max(1, min(depth, _MOST_BYTES // max(plane_bytes, 1)))
        self._held: tuple[int, Plane] | None = None

    def plane(self, index: int) -> Plane:
        """Return one plane, a copy."""
        first = index - index % self._depth
        if self._held is None or self._held[0] != first:
            self._held = None  # two groups at once would be twice the memory
            self._held = first, self._read(first, min(first + self._depth, self._count))
        plane: Plane = self._held[1][index - first].copy()
        return plane
