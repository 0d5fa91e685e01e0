"""Planes of a volume stored in blocks: a block is decoded once for all the planes that lie in it."""

from collections.abc import Callable

from ctrecon.slices.readers.page import Plane

__all__ = ["Slabs"]

_MOST_BYTES = 256 << 20  # kept at once; deeper blocks are decoded again rather than filling the memory


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
