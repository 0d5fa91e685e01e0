"""Zarr: a folder that is one volume, plain or by the open OME-NGFF layout, through zarr (extra ``arrays``)."""

from pathlib import Path
from typing import Any

import numpy as np

from ctrecon.core.errors import InputFileError
from ctrecon.slices.readers.page import Page, Plane, checked_count, checked_dtype, checked_size, guarded, volume_pages
from ctrecon.slices.readers.reader import Reader
from ctrecon.slices.readers.scale import UNIT_MM, FileScale, read_scale
from ctrecon.slices.readers.slabs import Slabs, checked_blocks

__all__ = ["READER", "read_zarr"]

_MARKS = ("zarr.json", ".zgroup", ".zarray")
_SPACE = ("z", "y", "x")


def _is_zarr(folder: Path) -> bool:
    return any((folder / mark).is_file() for mark in _MARKS)


def read_zarr(folder: Path, *, label: str) -> list[Page]:
    """Read what a Zarr folder says of its volume at full resolution, one page a slice.

    Parameters
    ----------
    folder : Path
        Holds ``zarr.json``, ``.zgroup`` or ``.zarray``.
    label : str
        What the messages call it.

    Returns
    -------
    list of Page
        OME-NGFF: voxel size from the scale of the first data set and the units of its axes; a plain array: from its
        attributes, ``voxel_mm``, or ``spacing`` with ``unit``.

    Raises
    ------
    InputFileError
        If zarr is missing, the folder is damaged, or holds anything but one grey volume.
    """
    try:
        import zarr
    except ImportError:
        raise InputFileError(f"{label} is a Zarr folder; to read it, pip install 'ctrecon-parts[arrays]'") from None
    with guarded(label):
        node: Any = zarr.open(folder, mode="r")
        if isinstance(node, zarr.Array):
            array, axes, scale = node, "", read_scale({str(k).lower(): v for k, v in node.attrs.items()})
        else:
            array, axes, scale = _of_group(node, label)
        at = _place(array.shape, axes, label)
        count, rows, columns = array.shape[-3:]
        checked_count(count, label)
        checked_size(rows, columns, label)
        checked_blocks(array.chunks, array.dtype.itemsize, label)
        dtype = checked_dtype(np.dtype(array.dtype), label)

    def read(first: int, beyond: int) -> Plane:
        return np.asarray(array[(*at, slice(first, beyond))])

    slabs = Slabs(read, count=count, depth=array.chunks[-3], plane_bytes=rows * columns * dtype.itemsize)
    return volume_pages((count, rows, columns), dtype, scale, slabs.plane, "slice 1")


def _of_group(group: Any, label: str) -> tuple[Any, str, FileScale]:
    """Return the array at full resolution of an OME-NGFF group, its axes and its scale."""
    attributes = dict(group.attrs)
    several = attributes.get("ome", attributes).get("multiscales")
    if not several:
        arrays = [item for _, item in sorted(group.arrays()) if item.ndim == 3]
        if len(arrays) != 1:
            raise InputFileError(f"{label} holds {len(arrays)} volumes; name the folder of the one to be measured")
        return arrays[0], "", read_scale({str(k).lower(): v for k, v in arrays[0].attrs.items()})
    image = several[0]
    first = image["datasets"][0]
    axes = [{"name": one} if isinstance(one, str) else one for one in image.get("axes", [])]
    names = "".join(str(one["name"]).lower()[:1] for one in axes)
    array = group[str(first["path"])]
    steps = next((t["scale"] for t in first.get("coordinateTransformations", []) if t.get("type") == "scale"), None)
    if steps is None or len(steps) != len(names):
        return array, names, FileScale()
    edges = {}
    for one, name, step in zip(axes, names, steps, strict=True):
        unit = UNIT_MM.get(str(one.get("unit", "")).lower())
        if name in _SPACE and unit is not None:
            edges[name] = float(step) * unit
    return array, names, read_scale({"voxel_mm": [edges[n] for n in _SPACE]}) if len(edges) == 3 else FileScale()


def _place(shape: tuple[int, ...], axes: str, label: str) -> tuple[int, ...]:
    """Return the index of the axes before (slices, rows, columns), which must hold one picture only."""
    if len(shape) < 3 or (axes and not axes.endswith("zyx")):
        raise InputFileError(f"{label} has axes {axes or len(shape)}; export it as slices, rows and columns")
    if any(one != 1 for one in shape[:-3]):
        raise InputFileError(f"{label} holds {int(np.prod(shape[:-3]))} volumes, times or channels; export one of them")
    return (0,) * (len(shape) - 3)


READER = Reader(
    kinds=(), suffixes=(), knows=lambda start: False, knows_folder=_is_zarr, read=read_zarr,  # noqa: ARG005
)  # fmt: skip
