"""How the stored values of a DICOM picture become grey: bright = large, rescaled, NaN where there is no data."""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ctrecon.core.errors import InputFileError
from ctrecon.slices.readers.page import Plane, checked_size

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

__all__ = ["Layout", "group_of", "read_layout"]

# JPEG baseline and extended, JPEG-LS near-lossless, JPEG 2000
_LOSSY_SYNTAXES = frozenset({f"1.2.840.10008.1.2.4.{number}" for number in (50, 51, 81, 91)})


@dataclass(frozen=True, eq=False)
class Layout:
    """How stored values become grey: type, bits in use, rescaling, values that mean no data, quality flags."""

    rows: int
    columns: int
    stored: np.dtype[np.generic]
    bits: int
    inverted: bool
    slope: float
    intercept: float
    padding: tuple[int, int] | None
    flags: tuple[str, ...]

    @property
    def plain(self) -> bool:
        """Whether the stored values are the grey values, but for turning them round."""
        return self.slope == 1.0 and self.intercept == 0.0 and self.padding is None

    def grey(self, stored: Plane, dtype: np.dtype[np.generic]) -> Plane:
        """Grey values, bright = large, of type `dtype`; NaN where the scanner saw nothing."""
        unused = 8 * self.stored.itemsize - self.bits
        if unused and self.stored.kind == "u":
            stored = stored & ((1 << self.bits) - 1)  # the bits above once carried drawings
        elif unused and self.stored.kind == "i":
            stored = (stored << unused) >> unused
        if self.plain and dtype == self.stored:
            if not self.inverted:
                return stored
            top = (1 << self.bits) - 1 if self.stored.kind == "u" else -1
            return np.asarray(-stored if self.stored.kind == "f" else top - stored, dtype=dtype)
        grey = stored.astype(np.float64) * self.slope + self.intercept
        if self.inverted:
            grey = -grey
        if self.padding is not None:
            grey[(stored >= self.padding[0]) & (stored <= self.padding[1])] = np.nan
        return grey.astype(dtype)


def read_layout(header: "Dataset", at: int, syntax: str, label: str) -> Layout:
    """Read how the values of one frame are stored.

    Parameters
    ----------
    header : Dataset
        The file without its picture.
    at : int
        Number of the frame, from 0.
    syntax : str
        Transfer syntax, which tells whether the storage loses anything.
    label : str
        What the messages call the file.

    Returns
    -------
    Layout

    Raises
    ------
    InputFileError
        For colour, tables, odd bit layouts, absurd sizes and rescaling to nothing.
    """
    rows, columns = int(header.Rows), int(header.Columns)
    checked_size(rows, columns, label)
    kind, samples = str(header.get("PhotometricInterpretation", "")), int(header.get("SamplesPerPixel") or 1)
    if samples != 1 or kind not in ("MONOCHROME1", "MONOCHROME2"):
        msg = f"{label} is a picture of kind {kind or 'unknown'}, which holds no plain grey values; export it in grey"
        raise InputFileError(msg)
    if "ModalityLUTSequence" in header:
        msg = f"{label} gives its grey values through a table, which is not read here; export plain grey values"
        raise InputFileError(msg)
    allocated = int(header.BitsAllocated)
    bits = int(header.get("BitsStored") or allocated)
    real = "PixelRepresentation" not in header and allocated in (32, 64)
    if allocated not in ((32, 64) if real else (8, 16, 32)) or not 0 < bits <= allocated:
        msg = f"{label} stores {bits} bits in {allocated} for each pixel, which is not read here; export 8 or 16 bits"
        raise InputFileError(msg)
    if not real and int(header.get("HighBit", bits - 1)) != bits - 1:
        msg = f"{label} keeps its grey values in bits up to {header.HighBit}, which is not read here; export it again"
        raise InputFileError(msg)
    signed = "i" if int(header.get("PixelRepresentation") or 0) else "u"
    stored = np.dtype(f"{'f' if real else signed}{allocated // 8}")
    values = group_of(header, at, "PixelValueTransformationSequence")
    slope, intercept = values.get("RescaleSlope"), values.get("RescaleIntercept")
    slope, intercept = 1.0 if slope is None else float(slope), 0.0 if intercept is None else float(intercept)
    if not (math.isfinite(slope) and math.isfinite(intercept)) or slope == 0.0:
        msg = f"{label} turns its grey values by a slope of {slope:g} into nothing; export it again"
        raise InputFileError(msg)
    lossy = str(header.get("LossyImageCompression", "")) == "01" or syntax in _LOSSY_SYNTAXES
    return Layout(
        rows, columns, stored, bits, kind == "MONOCHROME1", slope, intercept,
        None if real else _padding(header), ("lossy_files",) if lossy else (),
    )  # fmt: skip


def _padding(header: "Dataset") -> tuple[int, int] | None:
    """Return the stored values that mean no data (PS3.3, C.7.5.1.1.2), or None."""
    one = header.get("PixelPaddingValue")
    if one is None:
        return None
    other = header.get("PixelPaddingRangeLimit")
    low, high = sorted((int(one), int(one if other is None else other)))
    return low, high


def group_of(header: "Dataset", at: int, sequence: str) -> "Dataset":
    """Return the item that speaks for a frame: its own, the shared one, or the file's header itself."""
    own = header.get("PerFrameFunctionalGroupsSequence") or []
    shared = header.get("SharedFunctionalGroupsSequence") or []
    for groups in (*own[at : at + 1], *shared[:1]):
        items = groups.get(sequence)
        if items:
            found: Dataset = items[0]
            return found
    return header
