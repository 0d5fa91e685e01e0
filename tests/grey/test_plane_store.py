"""Planes kept in memory or in a nameless file: what comes back is what went in, or nothing."""

import gc
from pathlib import Path

import numpy as np
import pytest

from ctrecon.grey.plane_store import PlaneStore


def _planes(count: int) -> list[np.ndarray]:
    """Planes that float16 holds exactly: multiples of 1/256, with lost voxels."""
    rng = np.random.default_rng(3)
    planes = [rng.integers(-64, 320, (20, 30)).astype(np.float32) / 256 for _ in range(count)]
    for plane in planes:
        plane[2, 5] = np.nan
    return planes


@pytest.mark.parametrize("in_memory", [0, 10**9])
def test_planes_come_back_whole_and_in_rows(monkeypatch: pytest.MonkeyPatch, in_memory: int) -> None:
    """From the file or from memory, in any order, a plane and some of its rows are those that were put there."""
    monkeypatch.setattr("ctrecon.grey.plane_store._IN_MEMORY", in_memory)
    planes = _planes(5)
    store = PlaneStore(5, 20, 30)
    for k in (3, 0, 4):
        store.put(k, planes[k])
    assert store.get(1) is None
    for k in (4, 3, 0):
        np.testing.assert_array_equal(store.get(k), planes[k])
        np.testing.assert_array_equal(store.get(k, slice(7, 12)), planes[k][7:12])
        np.testing.assert_array_equal(store.get(k, slice(12, 12)), planes[k][12:12])


def test_the_file_has_no_name_and_goes_with_the_store(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Nothing shows in the folder of the file while it is there, and it is closed without a word."""
    monkeypatch.setattr("ctrecon.grey.plane_store._IN_MEMORY", 0)
    monkeypatch.setattr("ctrecon.core.nameless.Path", lambda _: tmp_path)
    store = PlaneStore(5, 20, 30)
    store.put(1, _planes(1)[0])
    assert store.get(1) is not None
    assert not list(tmp_path.iterdir())
    del store
    gc.collect()


@pytest.mark.parametrize("why", ["no room", "fails"])
def test_without_a_disk_planes_are_worked_out_anew(monkeypatch: pytest.MonkeyPatch, why: str) -> None:
    """A disk that is full, or that fails on the way, costs time only: nothing wrong comes back."""
    monkeypatch.setattr("ctrecon.grey.plane_store._IN_MEMORY", 2 * 20 * 30 * 2)
    if why == "no room":
        monkeypatch.setattr("ctrecon.core.nameless._MOST", 0)
    planes, store = _planes(5), PlaneStore(5, 20, 30)
    for k in range(4):
        store.put(k, planes[k])
        if why == "fails" and store._file is not None:
            store._file.close()  # the next write meets an error
    for k in range(4):
        got = store.get(k)
        assert got is None or np.array_equal(got, planes[k], equal_nan=True)
    if why == "no room":
        assert [k for k in range(4) if store.get(k) is not None] == [0, 1]
