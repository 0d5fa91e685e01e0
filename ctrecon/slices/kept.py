"""Slices that are decoded once and looked at again: few of them in memory, many packed ones in a nameless file."""

import math
import os
import weakref
from collections.abc import Callable
from typing import BinaryIO

import numpy as np

from ctrecon.core.nameless import nameless_file
from ctrecon.slices.readers.page import Plane

__all__ = ["kept"]

_SMALL_STACK = 64_000_000  # bytes; small beside what the packages take, and it holds a series of 100 x 512 x 512
_PACKED = 0.9  # of the size of its grey values; what takes less is unpacked at every look, ten times as slowly

Load = Callable[[int], Plane]


def kept(load: Load, shape: tuple[int, int, int], dtype: np.dtype[np.generic], stored: int) -> Load:
    """Return what loads a slice as `load` does, but unpacks none twice where that can be had.

    Parameters
    ----------
    load : callable
        Decodes a slice.
    shape : (slices, rows, columns)
        Of the stack.
    dtype : numpy dtype
        Of its grey values.
    stored : int
        Bytes of its files.
    """
    size = math.prod(shape) * dtype.itemsize
    if size <= _SMALL_STACK:
        return _in_memory(load)
    # reading and writing at a place, whoever else reads: a second thread or process may look at slices, too
    return _InFile(load, shape, dtype) if stored < _PACKED * size and hasattr(os, "preadv") else load


def _in_memory(load: Load) -> Load:
    keep: dict[int, Plane] = {}

    def load_once(index: int) -> Plane:
        if index not in keep:
            keep[index] = load(index)
        return keep[index].copy()

    return load_once


class _InFile:
    """Loads slices, and reads those it has loaded before from a file without a name."""

    def __init__(self, load: Load, shape: tuple[int, int, int], dtype: np.dtype[np.generic]) -> None:
        self._load, self._shape, self._dtype = load, shape, dtype
        self._bytes = math.prod(shape[1:]) * dtype.itemsize
        self._there: set[int] = set()
        self._file: BinaryIO | None = None
        self._begun = False

    def __call__(self, index: int) -> Plane:
        """Return a slice as a fresh array."""
        if not self._begun:  # a stack that is only opened needs no file
            self._begun, self._file = True, nameless_file(self._shape[0] * self._bytes)
            if self._file is not None:
                weakref.finalize(self, self._file.close)
        plane = self._read(index)
        if plane is None:
            plane = self._load(index)
            self._write(index, plane)
        return plane

    def _read(self, index: int) -> Plane | None:
        if self._file is None or index not in self._there:
            return None
        plane = np.empty(self._shape[1:], self._dtype)
        try:
            got = os.preadv(self._file.fileno(), [plane.data.cast("B")], index * self._bytes)
            return plane if got == self._bytes else None
        except (OSError, ValueError):  # the slices themselves are there all the same
            return None

    def _write(self, index: int, plane: Plane) -> None:
        if self._file is None or plane.dtype != self._dtype or plane.nbytes != self._bytes:
            return
        try:
            data = np.ascontiguousarray(plane).data.cast("B")
            if os.pwrite(self._file.fileno(), data, index * self._bytes) == self._bytes:
                self._there.add(index)
        except (OSError, ValueError):
            self._file = None  # the disk is full, or fails: do without
