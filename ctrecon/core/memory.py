"""What the C library does with memory that arrays leave behind; results know nothing of it."""

import ctypes
import sys
from contextlib import suppress

__all__ = ["give_back", "share_memory"]

_ARENA_MAX = -8  # its number in malloc.h


def share_memory() -> None:
    """Let all threads take memory from one pool, where the C library can: a pool each kept a tenth more of it."""
    if sys.platform == "linux":
        with suppress(AttributeError, OSError):  # another C library than glibc
            ctypes.CDLL(None).mallopt(_ARENA_MAX, 1)


def give_back() -> None:
    """Give what a stage of large arrays left free back to the system; it would else stay until the process ends."""
    if sys.platform == "linux":
        with suppress(AttributeError, OSError):
            ctypes.CDLL(None).malloc_trim(0)
