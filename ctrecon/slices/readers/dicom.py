"""DICOM slices through pydicom: one file a slice, or a file of many frames.

pydicom and the library for compressed slices are the extra named dicom; both are imported
when the first such file is met. Headers are read on opening, a plane when it is asked for.
"""

import math
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ctrecon.core.errors import InputFileError
from ctrecon.slices.naming import Series
from ctrecon.slices.readers.dicom_grey import Layout, group_of, read_layout
from ctrecon.slices.readers.dicom_jpeg import sound_jpeg
from ctrecon.slices.readers.dicom_order import SliceHeader, order_slices
from ctrecon.slices.readers.page import Page, Plane, checked_count, checked_shrink, file_size, guarded
from ctrecon.slices.readers.reader import Reader
from ctrecon.slices.readers.scale import FileScale

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

__all__ = ["READER", "read_dicom", "read_dicom_folder"]

# lossless JPEG and JPEG-LS
_CHECKED_JPEG = frozenset({f"1.2.840.10008.1.2.4.{number}" for number in (57, 70, 80, 81)})
# 8 bit JPEG and JPEG 2000: Pillow bears damaged files better than the other codec
_PILLOW_SYNTAXES = frozenset({f"1.2.840.10008.1.2.4.{number}" for number in (50, 51, 90, 91)})
_JPEG_TWELVE = "1.2.840.10008.1.2.4.51"
_LONG_ELEMENT = 12  # bytes of tag, type and length before packed frames


def _is_several(path: Path) -> bool:
    try:
        return len(_read(path, name=path.name, label=path.name)) > 1
    except InputFileError:
        return False


def read_dicom(path: Path, *, label: str) -> list[Page]:
    """Read the header of one DICOM file.

    Parameters
    ----------
    path : Path
        A slice or a file of many frames.
    label : str
        What the messages call it.

    Returns
    -------
    list of Page
        One a frame, in depth order where the frames state their positions.

    Raises
    ------
    InputFileError
        If the file is damaged, holds no grey picture, lacks frames, or pydicom is not installed.
    """
    frames = _read(path, name=path.name, label=label)
    if not frames:
        msg = f"{label} is a DICOM file without a picture; give the slices themselves"
        raise InputFileError(msg)
    pages, series = _pages(frames, label)
    if series.missing:
        msg = f"{label} lacks {len(series.missing)} slices ({'; '.join(series.gaps)}); export it again"
        raise InputFileError(msg)
    return [page for page in pages if page is not None]


def read_dicom_folder(
    folder: Path, names: Sequence[str], *, label: str
) -> tuple[tuple[Page | None, ...], Series, tuple[str, ...]]:
    """Read the headers of a series of DICOM files.

    Parameters
    ----------
    folder : Path
        Where they lie.
    names : sequence of str
        The files.
    label : str
        What the messages call the folder.

    Returns
    -------
    pages : tuple of Page or None
        In depth order; None where a slice is missing.
    series : Series
        Their names and gaps.
    skipped : tuple of str
        DICOM files that hold no picture (reports, directories).

    Raises
    ------
    InputFileError
        If a file is damaged or the files do not form one series.
    """
    found: list[_Slice] = []
    skipped: list[str] = []
    for name in sorted(names):
        frames = _read(folder / name, name=name, label=f"{label}/{name}")
        if len(frames) > 1 and len(names) > 1:
            msg = (
                f"{label} holds {name}, a stack of {len(frames)} frames, beside other DICOM files; "
                "name the one file to be read or put it into a folder of its own"
            )
            raise InputFileError(msg)
        found.extend(frames)
        skipped.extend([] if frames else [name])
    if not found:
        msg = f"{label} holds DICOM files, but none with a picture, such as {skipped[0]}; give the slices themselves"
        raise InputFileError(msg)
    pages, series = _pages(found, label)
    return pages, series, tuple(skipped)


READER = Reader(
    kinds=("DICOM",),
    suffixes=(".dcm", ".dicom", ".dic", ".ima"),
    knows=lambda start: start[128:] == b"DICM",  # PS3.10, 7.1
    read=read_dicom,
    is_several=_is_several,
    read_series=read_dicom_folder,
    without_suffix=True,
)


@dataclass(frozen=True, eq=False)
class _Slice:
    """One slice: its place, its layout, and how to fetch what is stored."""

    header: SliceHeader
    layout: Layout
    fetch: Callable[[], Plane]


def _pages(slices: Sequence[_Slice], label: str) -> tuple[tuple[Page | None, ...], Series]:
    """Order the slices and give all of them one type, the spacing and the in-plane scale."""
    order = order_slices([one.header for one in slices], label=label)
    plain = all(one.layout.plain for one in slices)

    def page(one: _Slice) -> Page:
        layout, in_plane = one.layout, one.header.in_plane_mm
        wide = layout.stored.itemsize > 2 and layout.stored != np.float32
        dtype = layout.stored if plain else np.dtype(np.float64 if wide else np.float32)
        trouble = "" if in_plane else "the DICOM header gives no pixel spacing of two positive numbers"
        dy, dx = in_plane if in_plane is not None else (None, None)
        scale = FileScale(order.dz_mm, dy, dx, trouble)
        return Page(
            name=one.header.name,
            rows=layout.rows,
            columns=layout.columns,
            dtype=dtype,
            scale=scale,
            flags=layout.flags,
            decode=lambda: layout.grey(one.fetch(), dtype),
            placed=order.placed,
        )

    return tuple(None if at is None else page(slices[at]) for at in order.places), order.series


def _read(path: Path, *, name: str, label: str) -> list[_Slice]:
    """Slices of one file, as its header describes them; none where it holds no picture."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            from pydicom import dcmread
    except ImportError as exc:
        msg = f"{label} is a DICOM file; to read it install the extra named dicom"
        raise InputFileError(msg) from exc
    size = file_size(path, label)
    with guarded(label), path.open("rb") as file:
        header = dcmread(file, stop_before_pixels=True)
        held = size - file.tell()
        syntax = header.file_meta.TransferSyntaxUID
        if "Rows" not in header:
            if "Image Storage" in str(getattr(header.get("SOPClassUID"), "name", "")):
                msg = f"{label} is damaged or cut short: its header ends before the picture; copy or export it again"
                raise InputFileError(msg)
            return []
        frames = int(header.get("NumberOfFrames") or 1)
        if frames < 1:
            msg = f"{label} claims {frames} frames and holds no picture; export it again"
            raise InputFileError(msg)
        checked_count(frames, label)
        packed = bool(syntax.is_compressed)
        if not _readable(syntax, header):
            msg = f"{label} is stored in a way ({syntax.name}) that cannot be read here; export it uncompressed"
            raise InputFileError(msg)
        first = read_layout(header, 0, str(syntax), label)
        _check_data(first, frames, held=held, packed=packed, label=label)
        layouts = [first, *(read_layout(header, at, str(syntax), label) for at in range(1, frames))]
        start = size - held
        return [
            _Slice(
                _place(header, at, name if frames == 1 else f"page {at + 1}", frames),
                layout,
                _fetcher(path, at, frames, layout, start, str(syntax), label),
            )
            for at, layout in enumerate(layouts)
        ]


def _readable(syntax: Any, header: "Dataset") -> bool:
    """Whether there is a decoder; deflated files would have to be unpacked whole for every slice."""
    from pydicom.pixels.decoders.base import get_decoder

    if not syntax.is_compressed:
        return not syntax.is_deflated
    if syntax == _JPEG_TWELVE and int(header.get("BitsStored") or 8) > 8:
        return False
    try:
        return bool(get_decoder(syntax).is_available)
    except NotImplementedError:
        return False


def _check_data(layout: Layout, frames: int, *, held: int, packed: bool, label: str) -> None:
    """Compare what the header claims with the bytes behind it, before anything is allocated."""
    claimed = layout.rows * layout.columns * layout.stored.itemsize * frames
    # a packed frame takes an item header of 8 bytes at least
    if held < (8 * frames if packed else claimed):
        msg = (
            f"{label} claims {frames} x {layout.rows} x {layout.columns} pixels ({claimed} bytes) but holds "
            f"{max(held, 0)} bytes of picture data, so it is cut short; copy or export it again"
        )
        raise InputFileError(msg)
    if packed:
        checked_shrink(claimed, held, label)


def _fetcher(
    path: Path, at: int, frames: int, layout: Layout, start: int, syntax: str, label: str
) -> Callable[[], Plane]:
    """Return what decodes one frame: nothing is read before it is called."""

    def fetch() -> Plane:
        from pydicom.encaps import get_frame
        from pydicom.pixels.utils import pixel_array

        _silence_codecs()
        if syntax in _CHECKED_JPEG:
            with path.open("rb") as file:
                file.seek(start + _LONG_ELEMENT)
                frame = get_frame(file, at, number_of_frames=frames)
            size = {"rows": layout.rows, "columns": layout.columns, "itemsize": layout.stored.itemsize}
            if not sound_jpeg(frame, **size):
                msg = f"{label} is damaged: what it holds is not the JPEG it claims; copy or export it again"
                raise InputFileError(msg)
        plugin = "pillow" if syntax in _PILLOW_SYNTAXES else ""
        return np.asarray(pixel_array(path, index=at, raw=True, decoding_plugin=plugin))

    return fetch


def _silence_codecs() -> None:
    """Keep the codec library from writing to the terminal: what is wrong is said once, by us."""
    try:
        import gdcm
    except ImportError:
        return
    for quiet in (gdcm.Trace.WarningOff, gdcm.Trace.ErrorOff, gdcm.Trace.DebugOff):
        quiet()


def _place(header: "Dataset", at: int, name: str, frames: int) -> SliceHeader:
    measures = group_of(header, at, "PixelMeasuresSequence")
    number = at if frames > 1 else header.get("InstanceNumber")
    position = group_of(header, at, "PlanePositionSequence").get("ImagePositionPatient")
    # one position for many frames is that of the first only
    single = frames > 1 and "PerFrameFunctionalGroupsSequence" not in header
    spacing = _numbers(measures.get("PixelSpacing"), 2)
    says = f"series {_plain(header.get('SeriesNumber')) or 'without a number'}"
    described = _plain(header.get("SeriesDescription"))
    return SliceHeader(
        name=name,
        series=str(header.get("SeriesInstanceUID", "")),
        series_says=f"{says} ({described})" if described else says,
        number=None if number is None else float(number),
        position_mm=None if single else _numbers(position, 3),
        directions=_numbers(group_of(header, at, "PlaneOrientationSequence").get("ImageOrientationPatient"), 6),
        in_plane_mm=spacing if spacing is not None and min(spacing) > 0 else None,
        between_mm=_positive(measures.get("SpacingBetweenSlices")),
        thickness_mm=_positive(measures.get("SliceThickness")),
    )


def _numbers(value: Any, count: int) -> tuple[float, ...] | None:
    if value is None or isinstance(value, str) or not hasattr(value, "__len__") or len(value) != count:
        return None
    found = tuple(float(item) for item in value)
    return found if all(math.isfinite(item) for item in found) else None


def _positive(value: Any) -> float | None:
    number = None if value is None else float(value)
    return number if number is not None and math.isfinite(number) and number > 0 else None


def _plain(value: Any) -> str:
    """Text from a header, short and in one line."""
    return " ".join("".join(c if c.isprintable() else " " for c in str("" if value is None else value)).split())[:40]
