"""Volumes in one file or folder, written by the libraries that own the formats, come back grey value by grey value."""

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ctrecon.core.errors import InputError, InputFileError
from ctrecon.slices import SliceStack, open_stack, stack_paths
from ctrecon.slices.taken import take

Volume = np.ndarray[Any, np.dtype[Any]]
VOXEL = (0.1, 0.05, 0.04)


@pytest.fixture
def volume() -> Volume:
    """Return 7 x 20 x 24 values, no two neighbours alike."""
    return (np.arange(7 * 20 * 24) * 37 % 1009).reshape(7, 20, 24).astype(np.uint16)


def _hdf5(path: Path, volume: Volume, **how: Any) -> None:
    h5py = pytest.importorskip("h5py")
    with h5py.File(path, "w") as file:
        made = file.create_dataset("scan/grey", data=volume, **how)
        made.attrs["spacing"] = np.array(VOXEL) * 1000
        made.attrs["unit"] = "um"
        file.create_dataset("preview", data=volume[0])


def _zarr(path: Path, volume: Volume, *, version: int) -> None:
    zarr = pytest.importorskip("zarr")
    group = zarr.open_group(path, mode="w", zarr_format=version)
    group.create_array("full", data=volume[None], chunks=(1, 4, 8, 8))
    space = [{"name": name, "type": "space", "unit": "micrometer"} for name in "zyx"]
    image = {
        "axes": [{"name": "c", "type": "channel"}, *space],
        "datasets": [
            {"path": "full", "coordinateTransformations": [{"type": "scale", "scale": [1, *(1000 * e for e in VOXEL)]}]}
        ],
    }
    if version == 2:
        group.attrs["multiscales"] = [image | {"version": "0.4"}]
    else:
        group.attrs["ome"] = {"version": "0.5", "multiscales": [image]}


def _itk(path: Path, volume: Volume, *, packed: bool) -> None:
    sitk = pytest.importorskip("SimpleITK")
    image = sitk.GetImageFromArray(volume)
    image.SetSpacing(VOXEL[::-1])
    sitk.WriteImage(image, str(path), packed)


def _big_nrrd(path: Path, volume: Volume) -> None:
    sizes = " ".join(map(str, volume.shape[::-1]))
    head = f"NRRD0004\ntype: ushort\ndimension: 3\nsizes: {sizes}\nspacings: 0.04 0.05 0.1\nendian: big\nencoding: raw\n\n"
    path.write_bytes(head.encode() + volume.astype(">u2").tobytes())


WAYS: dict[str, tuple[str, Callable[[Path, Volume], None]]] = {
    "hdf5 in blocks": ("v.h5", lambda p, v: _hdf5(p, v, chunks=(4, 8, 8), compression="gzip")),
    "hdf5 plain": ("v.hdf5", _hdf5),
    "hdf5 big-endian floats": ("v.h5", lambda p, v: _hdf5(p, v.astype(">f4"))),
    "zarr 2": ("v.zarr", lambda p, v: _zarr(p, v, version=2)),
    "zarr 3": ("v.zarr", lambda p, v: _zarr(p, v, version=3)),
    "nrrd": ("v.nrrd", lambda p, v: _itk(p, v, packed=False)),
    "nrrd packed": ("v.nrrd", lambda p, v: _itk(p, v, packed=True)),
    "nrrd big-endian": ("v.nrrd", _big_nrrd),
    "metaimage": ("v.mha", lambda p, v: _itk(p, v, packed=False)),
    "metaimage packed": ("v.mha", lambda p, v: _itk(p, v, packed=True)),
    "metaimage, header and data apart": ("v.mhd", lambda p, v: _itk(p, v, packed=False)),
}


@pytest.mark.parametrize("way", WAYS)
def test_every_grey_value_and_the_scale_come_back(way: str, volume: Volume, tmp_path: Path) -> None:
    """In any order of reading; a folder that holds it beside others finds it as one stack."""
    name, write = WAYS[way]
    write(tmp_path / name, volume)
    stack = open_stack(tmp_path / name)
    assert stack.shape == volume.shape
    assert stack.voxel_mm == pytest.approx(VOXEL, rel=1e-9)
    for index in (3, 0, 6, 2):
        assert np.array_equal(stack.plane(index), volume[index])
    assert np.array_equal(np.asarray(stack), volume)
    assert stack_paths(tmp_path)[0].name in (name, tmp_path.name)


@pytest.mark.parametrize(("order", "kind"), [("", "<u2"), (":big", ">u2")])
def test_raw_values_are_read_as_stated(order: str, kind: str, volume: Volume, tmp_path: Path) -> None:
    """Shape, type, byte order and what lies before; a length that does not fit is refused with both numbers."""
    (tmp_path / "v.raw").write_bytes(b"x" * 100 + volume.astype(kind).tobytes())
    stack = open_stack(tmp_path / "v.raw", raw=f"7x20x24:uint16{order}:skip=100", voxel_mm=0.1)
    assert np.array_equal(np.asarray(stack), volume)
    with pytest.raises(InputFileError, match=r"holds 6820 bytes.*are 6720"):
        open_stack(tmp_path / "v.raw", raw="7x20x24:uint16")
    with pytest.raises(InputError, match="does not say how raw"):
        open_stack(tmp_path / "v.raw", raw="7x20:uint16")


def test_an_hdf5_block_is_decoded_once(volume: Volume, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Seven planes in blocks of four are read from the file in two goes."""
    h5py = pytest.importorskip("h5py")
    _hdf5(tmp_path / "v.h5", volume, chunks=(4, 8, 8), compression="gzip")
    stack = open_stack(tmp_path / "v.h5")
    goes = []
    read = h5py.Dataset.__getitem__
    monkeypatch.setattr(h5py.Dataset, "__getitem__", lambda self, at, *more: goes.append(at) or read(self, at, *more))
    for index in range(7):
        stack.plane(index)
    assert goes == [slice(0, 4), slice(4, 7)]


def test_what_points_elsewhere_is_refused(volume: Volume, tmp_path: Path) -> None:
    """Values in other files are not followed: an HDF5 with external values, a header that names a path."""
    h5py = pytest.importorskip("h5py")
    (tmp_path / "secret").write_bytes(volume.tobytes())
    with h5py.File(tmp_path / "v.h5", "w") as file:
        file.create_dataset("a", volume.shape, volume.dtype, external=[(str(tmp_path / "secret"), 0, h5py.h5f.UNLIMITED)])
    with pytest.raises(InputFileError, match="in other files"):
        open_stack(tmp_path / "v.h5")
    pytest.importorskip("SimpleITK")
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "v.mhd").write_text(
        "ObjectType = Image\nNDims = 3\nDimSize = 24 20 7\nElementType = MET_USHORT\nElementDataFile = ../secret\n"
    )
    with pytest.raises(InputFileError, match="no file beside it"):
        open_stack(tmp_path / "in" / "v.mhd")


def test_two_volumes_of_one_size_are_not_guessed_between(volume: Volume, tmp_path: Path) -> None:
    """Both are named."""
    h5py = pytest.importorskip("h5py")
    with h5py.File(tmp_path / "v.h5", "w") as file:
        file["before"], file["after"] = volume, volume
    with pytest.raises(InputFileError, match="/after and /before"):
        open_stack(tmp_path / "v.h5")


@pytest.mark.parametrize(("module", "way", "extra"), [("h5py", "hdf5 plain", "arrays"), ("SimpleITK", "nrrd", "volumes")])
def test_a_missing_package_is_named(
    module: str, way: str, extra: str, volume: Volume, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One sentence says which extra to install."""
    name, write = WAYS[way]
    write(tmp_path / name, volume)
    monkeypatch.setitem(sys.modules, module, None)
    with pytest.raises(InputFileError, match=rf"ctrecon-parts\[{extra}\]"):
        open_stack(tmp_path / name)


def test_a_part_of_a_stack_is_that_part(volume: Volume) -> None:
    """Slices 2 to 5 and a window, joined two by two by two, against numpy's own means."""
    stack = SliceStack.from_array(volume, voxel_mm=VOXEL)
    part = take(stack, slices=(2, 5), window=(3, 1, 12, 18), joined=2)
    want = volume[2:6, 1:19, 3:13].reshape(2, 2, 9, 2, 5, 2).mean(axis=(1, 3, 5))
    assert np.asarray(part) == pytest.approx(want, rel=1e-6)
    assert part.voxel_mm == pytest.approx([2 * edge for edge in VOXEL])
    assert part.taken is not None
    assert part.taken.first == (2, 1, 3)
    assert "slice 2, row 1, column 3" in part.notes[-1].says
    whole = take(stack, slices=(2, 5), window=(3, 1, 12, 18))
    assert np.array_equal(np.asarray(whole), volume[2:6, 1:19, 3:13])
    assert take(stack) is stack


def test_a_quick_pass_decodes_few_slices() -> None:
    """Of 300 slices of 40 x 260, every third is decoded, and once however often they are looked at."""
    seen: list[int] = []
    stack = SliceStack.from_array(np.zeros((300, 40, 260), dtype=np.uint8), voxel_mm=0.1)
    load = stack.load
    object.__setattr__(stack, "load", lambda index: seen.append(index) or load(index))
    quick = take(stack, quick=True)
    assert quick.shape == (100, 13, 86)
    assert np.array_equal(np.asarray(quick), np.asarray(quick))
    assert seen == list(range(0, 300, 3))
    assert "quick_pass" in {note.flag for note in quick.notes}


@pytest.mark.parametrize(
    "wrong", [{"slices": (3, 7)}, {"window": (0, 0, 24, 5)}, {"window": (5, 5, 4, 9)}, {"joined": 0}, {"joined": 8}]
)
def test_what_is_not_in_the_stack_is_refused(wrong: dict[str, Any], volume: Volume) -> None:
    """Numbers beyond the ends, turned round, or joining more than there is."""
    with pytest.raises(InputError):
        take(SliceStack.from_array(volume), **wrong)
