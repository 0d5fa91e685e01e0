"""Slices of packed stacks are unpacked once, whatever their number, and come back as they were."""

import gc
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
import tifffile

from ctrecon.slices import open_stack
from ctrecon.slices.kept import kept

SHAPE = (5, 20, 30)


def _loader(counts: Counter[int]) -> tuple[np.ndarray, object]:
    """A volume, and what loads its slices and counts how often."""
    volume = np.random.default_rng(4).integers(0, 60000, SHAPE).astype(np.uint16)

    def load(index: int) -> np.ndarray:
        counts[index] += 1
        return volume[index].copy()

    return volume, load


@pytest.mark.parametrize("small", [0, 10**6])
def test_a_packed_slice_is_unpacked_once(monkeypatch: pytest.MonkeyPatch, small: int) -> None:
    """From memory or from the file, in any order, slices come back equal, as fresh arrays, and were loaded once."""
    monkeypatch.setattr("ctrecon.slices.kept._SMALL_STACK", small)
    counts: Counter[int] = Counter()
    volume, load = _loader(counts)
    again = kept(load, SHAPE, volume.dtype, volume.nbytes // 2)
    for index in (3, 0, 3, 4, 0, 0):
        plane = again(index)
        np.testing.assert_array_equal(plane, volume[index])
        plane[:] = 0
    assert counts == {3: 1, 0: 1, 4: 1}
    del again
    gc.collect()


def test_a_stack_that_is_not_packed_takes_no_room_on_a_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """Grey values as they are in the files are read from there each time."""
    monkeypatch.setattr("ctrecon.slices.kept._SMALL_STACK", 0)
    volume, load = _loader(Counter())
    assert kept(load, SHAPE, volume.dtype, volume.nbytes) is load


@pytest.mark.parametrize("why", ["no room", "fails"])
def test_without_a_disk_slices_are_unpacked_anew(monkeypatch: pytest.MonkeyPatch, why: str) -> None:
    """A disk that is full, or that fails on the way, costs time only: nothing wrong comes back."""
    monkeypatch.setattr("ctrecon.slices.kept._SMALL_STACK", 0)
    if why == "no room":
        monkeypatch.setattr("ctrecon.core.nameless._MOST", 0)
    volume, load = _loader(Counter())
    again = kept(load, SHAPE, volume.dtype, volume.nbytes // 2)
    for index in (1, 2, 1, 3, 2):
        np.testing.assert_array_equal(again(index), volume[index])
        if why == "fails" and again._file is not None:
            again._file.close()  # the next look meets an error
    assert why == "fails" or again._file is None


def test_a_folder_of_packed_files_is_unpacked_once(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Files that take less than their grey values are told by their size; a second look reads none of them."""
    monkeypatch.setattr("ctrecon.slices.kept._SMALL_STACK", 0)
    for k in range(3):
        grey = np.full((200, 200), 100 + k, dtype=np.uint16)
        tifffile.imwrite(tmp_path / f"s{k}.tif", grey, compression="zlib")
    stack = open_stack(tmp_path, voxel_mm=0.1)
    first = np.asarray(stack)
    for path in tmp_path.iterdir():
        path.write_bytes(b"gone")
    np.testing.assert_array_equal(np.asarray(stack), first)
    assert first[:, 7, 9].tolist() == [100, 101, 102]
