"""A reader is one module: dropped into the package it is found, and its files become stacks."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

import ctrecon.slices.readers
from ctrecon.core.errors import InputFileError
from ctrecon.slices import open_stack, stack_paths
from ctrecon.slices.readers.reader import is_slice_name, kinds_read, reader_of, readers

NEW_READER = """
from pathlib import Path

import numpy as np

from ctrecon.slices.readers.page import Page
from ctrecon.slices.readers.reader import Reader
from ctrecon.slices.readers.scale import FileScale


def read(path: Path, *, label: str) -> list[Page]:
    plane = np.load(path)
    rows, columns = plane.shape
    return [Page(name=path.name, rows=rows, columns=columns, dtype=plane.dtype, scale=FileScale(), flags=(), decode=plane.copy)]


READER = Reader(
    kinds=("NPY",), suffixes=(".npy",), knows=lambda start: start.startswith(b"\\x93NUMPY"), read=read
)
"""


@pytest.fixture
def _new_reader(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Put a module with a reader where the package looks for its own."""
    (tmp_path / "modules").mkdir()
    (tmp_path / "modules" / "trial_npy.py").write_text(NEW_READER)
    package = ctrecon.slices.readers
    monkeypatch.setattr(package, "__path__", [*package.__path__, str(tmp_path / "modules")])
    readers.cache_clear()
    yield
    readers.cache_clear()


@pytest.mark.usefixtures("_new_reader")
def test_a_new_reader_is_one_module(tmp_path: Path) -> None:
    """Files of its kind are slices by name and content, in natural order, and messages name the kind."""
    folder = tmp_path / "scan"
    folder.mkdir()
    planes = np.arange(3 * 4 * 5, dtype=np.uint16).reshape(3, 4, 5)
    for name, plane in zip(("s9", "s10", "s11"), (planes[0], planes[1], planes[2]), strict=True):
        np.save(folder / f"{name}.npy", plane)
    stack = open_stack(folder, voxel_mm=0.1)
    assert stack.names == ("s9.npy", "s10.npy", "s11.npy")
    assert np.array_equal(stack[-1], planes[2])
    assert stack_paths(tmp_path) == [folder]
    assert is_slice_name("a.npy")
    assert "NPY" in kinds_read()


def test_a_kind_nobody_reads_is_refused_with_those_that_are(tmp_path: Path) -> None:
    """Without its module such a file is not a slice, and the sentence lists what is."""
    np.save(tmp_path / "s1.npy", np.zeros((4, 5)))
    assert reader_of(tmp_path / "s1.npy") is None
    with pytest.raises(InputFileError, match=r"no TIFF, PNG, BMP, JPEG, NRRD, MetaImage, HDF5 or DICOM slices, only s1\.npy"):
        open_stack(tmp_path)


def test_a_file_of_two_kinds_goes_to_the_one_that_hides_behind_any_name(tmp_path: Path) -> None:
    """DICOM files may begin as TIFF files do (PS3.10, 7.1 leaves the first 128 bytes free): they are DICOM."""
    (tmp_path / "both.tif").write_bytes(b"II*\0" + bytes(124) + b"DICM")
    found = reader_of(tmp_path / "both.tif")
    assert found is not None
    assert found.kinds == ("DICOM",)
