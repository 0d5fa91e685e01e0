"""What the C library does with memory that arrays leave behind; results know nothing of it."""

import ctypes
import sys
from contextlib import suppress

__all__ = ["give_back", "share_memory"]

_ARENA_MAX, _MMAP_THRESHOLD = -8, -3  # their numbers in malloc.h
_GOES_BACK = 6 << 20  # bytes; for smaller ones asking anew takes longer than it is worth


def share_memory() -> None:
    """Let all threads take memory from one pool, and give the largest arrays back when they are done with.

    Where the C library can. A pool each kept a tenth more; large arrays among small ones leave holes.
    """
    if sys.platform == "linux":
        with suppress(AttributeError, OSError):  # another C library than glibc
            ctypes.CDLL(None).mallopt(_ARENA_MAX, 1)
            ctypes.CDLL(None).mallopt(_MMAP_THRESHOLD, _GOES_BACK)


def give_back() -> None:
    """Give what a stage of large arrays left free back to the system; it would else stay until the process ends."""
    if sys.platform == "linux":
        with suppress(AttributeError, OSError):
            ctypes.CDLL(None).malloc_trim(0)
