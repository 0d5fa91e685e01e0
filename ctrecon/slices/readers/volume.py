"""NRRD and MetaImage volumes, through SimpleITK (extra ``volumes``)."""

from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from ctrecon.core.errors import InputFileError
from ctrecon.slices.readers.page import (
    Page,
    Plane,
    bare_plane,
    checked_count,
    checked_dtype,
    checked_shrink,
    checked_size,
    guarded,
    hushed,
    volume_pages,
)
from ctrecon.slices.readers.reader import Reader
from ctrecon.slices.readers.scale import FileScale, read_scale

__all__ = ["READER", "read_volume"]

_MOST_WHOLE = 2 << 30  # bytes: what is compressed is decoded whole, and kept
_HEADER = 1 << 16  # bytes within which a header ends


def read_volume(path: Path, *, label: str) -> list[Page]:
    """Read the header of a volume, one page a slice.

    Parameters
    ----------
    path : Path
        The file; a header beside its data must lie in the same folder.
    label : str
        What the messages call it.

    Returns
    -------
    list of Page

    Raises
    ------
    InputFileError
        If SimpleITK is missing, the file is damaged, coloured, not a volume, or compressed and larger than 2 GiB.
    """
    try:
        import SimpleITK as sitk
    except ImportError:
        raise InputFileError(
            f"{label} is an NRRD or MetaImage file; reading it needs pip install 'ctrecon-parts[volumes]'"
        ) from None
    sitk.ProcessObject.SetGlobalWarningDisplay(False)
    with guarded(label), hushed():
        fields = _header(path)
        data = _data_file(path, fields, label)
        reader = sitk.ImageFileReader()
        reader.SetFileName(str(path))
        reader.ReadImageInformation()
        size, spacing = reader.GetSize(), reader.GetSpacing()
        if len(size) not in (2, 3) or reader.GetNumberOfComponents() != 1:
            raise InputFileError(f"{label} is not one grey volume (slices, rows, columns); export one")
        columns, rows, count = (*size, 1)[:3]
        checked_count(count, label)
        checked_size(rows, columns, label)
        dtype = checked_dtype(_type_of(reader.GetPixelID(), sitk), label)
        claimed, held = rows * columns * count * dtype.itemsize, data.stat().st_size
        start = _plain_from(fields, data, claimed)
        if start is None:
            checked_shrink(claimed, held, label)
            if claimed > _MOST_WHOLE:
                raise InputFileError(f"{label} is compressed and, decoded, over 2 GiB; save it uncompressed")
        elif claimed > held:
            raise InputFileError(f"{label} claims {claimed} bytes of picture but holds {held}; copy or export it again")
    stored = dtype.newbyteorder(">" if _is_big(fields) else "<")
    edges = [float(spacing[2]) if len(spacing) > 2 else None, float(spacing[1]), float(spacing[0])]
    scale = FileScale()
    if any(key.startswith(("spac", "elements")) for key in fields):  # unsaid, the library gives 1
        scale = read_scale({"voxel_mm": edges}) if edges[0] else FileScale(None, edges[1], edges[2])

    @cache
    def volume() -> Plane:
        with hushed():
            return np.asarray(sitk.GetArrayFromImage(sitk.ReadImage(str(path)))).reshape(count, rows, columns)

    def one(index: int) -> Plane:
        if start is None:
            plane: Plane = volume()[index].copy()
            return plane
        return bare_plane(data, start, index, stored, (rows, columns))

    return volume_pages((count, rows, columns), dtype, scale, one, path.name)


def _header(path: Path) -> dict[str, str]:
    """Return the fields of a header, keys in small letters."""
    with path.open("rb") as file:
        text = file.read(_HEADER).split(b"\n\n")[0].decode("latin-1")
    fields = {"": text.split("\n", 1)[0]}
    for line in text.splitlines()[:200]:
        key, mark, value = line.partition(":" if text.startswith("NRRD") else "=")
        if mark:
            fields.setdefault(key.strip().lower(), value.strip())
        if key.strip() == "ElementDataFile":
            break
    return fields


def _data_file(path: Path, fields: dict[str, str], label: str) -> Path:
    """Return the file the grey values lie in: this one, or one beside it."""
    name = fields.get("data file") or fields.get("datafile") or fields.get("elementdatafile") or "LOCAL"
    if name.upper() == "LOCAL":
        return path
    if Path(name).name != name or name.upper().startswith("LIST") or "%" in name or not (path.parent / name).is_file():
        raise InputFileError(
            f"{label} keeps its grey values in {name[:80]!r}, which is no file beside it; save header and data together"
        )
    return path.parent / name


def _plain_from(fields: dict[str, str], data: Path, claimed: int) -> int | None:
    """Return the byte at which uncompressed grey values begin, or None where only the library can decode them.

    Both formats put them at the end of the file.
    """
    plain = fields.get("encoding", "raw") == "raw" and fields.get("compresseddata", "False").lower() != "true"
    skipped = any(key in fields for key in ("byte skip", "byteskip", "line skip", "lineskip", "headersize"))
    return max(data.stat().st_size - claimed, 0) if plain and not skipped else None


def _is_big(fields: dict[str, str]) -> bool:
    order = fields.get("endian") or fields.get("binarydatabyteordermsb") or fields.get("elementbyteordermsb") or ""
    return order.lower() in ("big", "true")


def _type_of(pixel: int, sitk: Any) -> np.dtype[np.generic] | None:
    """Return the numpy type of a kind of pixel."""
    names = {
        sitk.sitkUInt8: "u1", sitk.sitkInt8: "i1", sitk.sitkUInt16: "u2", sitk.sitkInt16: "i2", sitk.sitkUInt32: "u4",
        sitk.sitkInt32: "i4", sitk.sitkFloat32: "f4", sitk.sitkFloat64: "f8",
    }  # fmt: skip
    return np.dtype(names[pixel]) if pixel in names else None


READER = Reader(
    kinds=("NRRD", "MetaImage"),
    suffixes=(".nrrd", ".mha", ".mhd"),
    knows=lambda start: start.startswith((b"NRRD000", b"ObjectType", b"NDims")),
    read=read_volume,
    is_several=lambda path: True,  # noqa: ARG005 - a volume, whatever it holds
)
