"""The stack: slices in depth order, read one at a time, with what is known of their scale.

Opening a stack reads headers only. A plane is decoded when it is asked for; only small stacks keep theirs,
so that a stack larger than the memory can be measured.
"""

import math
import operator
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, DTypeLike

from ctrecon.core.errors import InputError, InputFileError, WrongTypeError
from ctrecon.core.flags import FLAGS
from ctrecon.core.letters import printable
from ctrecon.core.voxel import voxel_edges
from ctrecon.record.taken import Taken
from ctrecon.slices.naming import Series
from ctrecon.slices.readers.folder import Content, read_file, read_folder, refuse_unlike
from ctrecon.slices.readers.page import Page, Plane, checked_dtype, load_page
from ctrecon.slices.readers.raw import RawLayout, read_raw
from ctrecon.slices.readers.scale import FileScale, merge_scales

__all__ = ["Note", "SliceStack", "as_stack", "open_stack"]

# two voxel sizes further apart than this are said to differ
_DIFFERS_REL = 1e-4
_SMALL_STACK = 64_000_000  # bytes; small beside what the packages take, and it holds a series of 100 x 512 x 512

VoxelMm = tuple[float, float, float]

_LARGEST_GREY = 1e30  # its products with counts of voxels still fit single precision


@dataclass(frozen=True)
class Note:
    """Something about the stack its user should know.

    Attributes
    ----------
    flag : str
        A word of `ctrecon.core.flags.FLAGS`.
    says : str
        One sentence naming files and numbers.
    """

    flag: str
    says: str

    def __post_init__(self) -> None:
        object.__setattr__(self, "says", printable(self.says))  # names of files are quoted in it


@dataclass(frozen=True, eq=False)
class SliceStack:
    """Slices in depth order; slice 0 is nearest to the viewer.

    Attributes
    ----------
    source : str
        Last part of the path as the user called it.
    shape : (int, int, int)
        Slices (missing ones counted), rows, columns.
    dtype : numpy dtype
        Type of the stored grey values.
    voxel_mm : (float, float, float) or None
        Voxel edges (dz, dy, dx) in mm; None when the scale is not fully known.
    scale_basis : {"file", "stated"} or None
        Where `voxel_mm` comes from.
    handedness_basis : {"assumed", "stated", "file"}
        How it is known that the slices run away from the viewer.
    names : tuple of str
        File name or ``"page 3"`` of each slice; empty for a missing one.
    missing : tuple of int
        Positions of missing slices.
    notes : tuple of Note
        What was assumed, skipped or overruled.
    load : callable
        Decodes the plane at a position that is not missing.
    in_plane_mm : (float, float) or None
        (dy, dx) in mm where the files state them, even without a slice spacing.
    taken : Taken or None
        Which part of a larger stack it is; see `ctrecon.slices.taken.take`.

    Examples
    --------
    >>> import numpy as np
    >>> from ctrecon import SliceStack
    >>> stack = SliceStack.from_array(np.zeros((3, 20, 30), dtype=np.uint8), voxel_mm=(0.1, 0.05, 0.05))
    >>> len(stack), stack[0].shape, stack[-2:, 5].shape, stack.voxel_mm
    (3, (20, 30), (2, 30), (0.1, 0.05, 0.05))
    >>> np.asarray(stack).shape
    (3, 20, 30)
    """

    source: str
    shape: tuple[int, int, int]
    dtype: np.dtype[np.generic]
    voxel_mm: VoxelMm | None
    scale_basis: str | None
    handedness_basis: str
    names: tuple[str, ...]
    missing: tuple[int, ...]
    notes: tuple[Note, ...]
    load: Callable[[int], Plane] = field(repr=False)
    in_plane_mm: tuple[float, float] | None = None
    taken: Taken | None = None

    def __len__(self) -> int:
        """Return the number of slices, missing ones counted."""
        return self.shape[0]

    def __iter__(self) -> Iterator[Plane]:
        """Yield the planes in depth order."""
        for index in range(len(self)):
            yield self.plane(index)

    def plane(self, index: int) -> Plane:
        """Decode one slice.

        Parameters
        ----------
        index : int
            Position in depth order, from 0.

        Returns
        -------
        array, shape (rows, columns)
            A fresh array of `dtype`; float32 and all NaN where the slice is missing.

        Raises
        ------
        InputError
            If there is no such position, or the slice holds infinite grey values or such beyond 1e30.
        InputFileError
            If the file is damaged.
        """
        if not 0 <= index < len(self):
            raise InputError(self._no_slice(index))
        if index in self.missing:
            return np.full(self.shape[1:], np.nan, dtype=np.float32)
        plane = self.load(index)
        if plane.dtype.kind == "f" and (np.abs(plane) > min(_LARGEST_GREY, float(np.finfo(plane.dtype).max))).any():
            raise InputError(
                f"{self.source}: slice {index} holds grey values that are infinite or beyond {_LARGEST_GREY:.0e}, "
                "which no scanner gives; export the slices again"
            )
        return plane

    def _no_slice(self, index: int) -> str:
        return f"{self.source} has no slice {index}; its slices are numbered from 0 to {len(self) - 1}"

    def __getitem__(self, at: Any) -> Plane:
        """Return slices, or what an index of an array (slices, rows, columns) takes of them; only those are decoded.

        Raises
        ------
        IndexError
            If there is no such slice.
        """
        first, *rest = at if isinstance(at, tuple) else (at,)
        if isinstance(first, slice):
            chosen = range(*first.indices(len(self)))
            return self._volume(chosen)[(slice(None), *rest)]
        try:
            index = operator.index(first)
        except TypeError:
            msg = f"a slice is taken by its number or by a range such as 2:5, not by a {type(first).__name__}"
            raise WrongTypeError(msg) from None
        if not -len(self) <= index < len(self):
            raise IndexError(self._no_slice(index))
        plane = self.plane(index % len(self))
        return plane[tuple(rest)] if rest else plane

    def __array__(self, dtype: DTypeLike | None = None, copy: bool | None = None) -> Plane:
        """Return all slices as one array (slices, rows, columns), for `numpy.asarray`."""
        if copy is False:
            msg = f"{self.source} lies in files, so an array of it is always a copy; leave copy=False out"
            raise ValueError(msg)
        volume = self._volume(range(len(self)))
        return volume if dtype is None else volume.astype(dtype, copy=False)

    def _volume(self, chosen: range) -> Plane:
        """Decode several slices into one array, whose type holds NaN where one of them is missing."""
        empty = bool(self.missing) and any(index in self.missing for index in chosen)
        kind = np.result_type(self.dtype, np.float32) if empty else self.dtype
        volume = np.empty((len(chosen), *self.shape[1:]), dtype=kind)
        for place, index in enumerate(chosen):
            volume[place] = self.plane(index)
        return volume

    @classmethod
    def from_array(
        cls,
        volume: ArrayLike,
        *,
        voxel_mm: VoxelMm | float | None = None,
        source: str = "array",
        towards_viewer: bool = False,
    ) -> "SliceStack":
        """Make a stack of an array in memory.

        Parameters
        ----------
        volume : array, shape (slices, rows, columns) or (rows, columns)
            Grey values; a single plane is a stack of one.
        voxel_mm : (float, float, float) or float, optional
            Voxel edges (dz, dy, dx) in mm, or one edge for all.
        source : str
            What the stack is called.
        towards_viewer : bool
            The slices run towards the viewer: their order is turned round.

        Returns
        -------
        SliceStack
            Its handedness is stated: the caller knows the order of the array.

        Raises
        ------
        InputError
            If the array has no pixels, is not a grey picture, or the voxel size is not positive.
        """
        planes = np.asarray(volume)
        if planes.ndim == 2:
            planes = planes[np.newaxis]
        if planes.ndim != 3 or 0 in planes.shape:
            msg = f"{source} has shape {planes.shape}; give an array of (slices, rows, columns)"
            raise InputError(msg)
        dtype = checked_dtype(planes.dtype, source)
        planes = planes[::-1] if towards_viewer else planes
        edges = None if voxel_mm is None else voxel_edges(voxel_mm)
        count, rows, columns = planes.shape
        names = tuple(f"slice {index}" for index in range(count))
        return cls(
            source=source,
            shape=(count, rows, columns),
            dtype=dtype,
            voxel_mm=edges,
            scale_basis=None if edges is None else "stated",
            handedness_basis="stated",
            names=names[::-1] if towards_viewer else names,
            missing=(),
            notes=(),
            load=lambda index: np.array(planes[index], dtype=dtype, order="C"),
        )


# long: half of it documents the options
def open_stack(
    path: str | Path,
    *,
    voxel_mm: VoxelMm | float | None = None,
    towards_viewer: bool | None = None,
    allow_missing: bool = True,
    raw: str | None = None,
) -> SliceStack:
    """Open a folder of slices, a file of many pages, a volume, or a single slice.

    Parameters
    ----------
    path : path
        A folder of TIFF, PNG, BMP, JPEG or DICOM slices, or one such file; an HDF5, NRRD or MetaImage volume, or a Zarr
        folder.
    voxel_mm : (float, float, float) or float, optional
        Voxel edges (dz, dy, dx) in mm, or one edge for all; overrules the files.
    towards_viewer : bool, optional
        True: the slices run towards the viewer, so their order is turned round. False:
        they run away. None: DICOM positions say it; elsewhere nobody knows, and away is
        assumed and noted.
    allow_missing : bool
        Keep a place for slices missing from the numbering; False refuses such a folder.
    raw : str, optional
        How grey values lie in a file that says nothing of itself; see `ctrecon.slices.readers.raw.RawLayout.stated`.

    Returns
    -------
    SliceStack
        With headers read and no plane decoded.

    Raises
    ------
    InputFileError
        If the files cannot be read as one stack of grey slices.
    InputError
        If the stated voxel size is not positive and finite.

    Notes
    -----
    A single slice of a colour file is decoded on opening, to refuse true colour at once.

    Examples
    --------
    >>> from ctrecon import open_stack
    >>> stack = open_stack("sample_slices/drum_hub")
    >>> stack.source, len(stack), stack.scale_basis
    ('drum_hub', 93, 'file')
    """
    stated = None if voxel_mm is None else voxel_edges(voxel_mm)
    place = Path(path)
    source = printable(place.name if place.name not in ("", "..") else (place.resolve().name or "stack"))
    content = _content(place, source, str(path), raw)
    refuse_unlike(content.pages, source)
    missing = content.series.missing
    if missing and not allow_missing:
        msg = f"{source} lacks {len(missing)} slices ({'; '.join(content.series.gaps)}); put them back"
        raise InputFileError(msg)
    pages, names = content.pages, content.series.names
    if towards_viewer:
        pages, names = pages[::-1], names[::-1]
        missing = tuple(sorted(len(pages) - 1 - index for index in missing))
    there = [page for page in pages if page is not None]
    placed = all(page.placed for page in there)
    scale = merge_scales([page.scale for page in there])
    notes = [
        *_handedness_notes(towards_viewer, placed=placed),
        *_scale_notes(stated, scale, source),
        *_file_notes(content, there, source),
    ]
    voxel = stated if stated is not None else scale.voxel_mm
    folder = place.is_dir()

    def load(index: int) -> Plane:
        page = pages[index]
        if page is None:
            msg = f"{source} lacks slice {index}"
            raise InputFileError(msg)
        return load_page(page, label=_page_label(source, page, folder=folder))

    if "colour_as_grey" in {flag for page in there for flag in page.flags}:
        middle = there[len(there) // 2]
        load_page(middle, label=_page_label(source, middle, folder=folder))
    return SliceStack(
        source=source,
        shape=(len(pages), there[0].rows, there[0].columns),
        dtype=there[0].dtype,
        voxel_mm=voxel,
        scale_basis="stated" if stated is not None else ("file" if voxel is not None else None),
        handedness_basis="stated" if towards_viewer is not None else ("file" if placed else "assumed"),
        names=tuple(printable(name) for name in names),
        missing=missing,
        notes=tuple(notes),
        load=_kept(load, math.prod((len(pages), there[0].rows, there[0].columns)) * there[0].dtype.itemsize),
        in_plane_mm=scale.in_plane_mm,
    )


def _kept(load: Callable[[int], Plane], size: int) -> Callable[[int], Plane]:
    """Keep decoded slices where the whole stack is small: each is looked at some six times on the way."""
    if size > _SMALL_STACK:
        return load
    keep: dict[int, Plane] = {}

    def load_once(index: int) -> Plane:
        if index not in keep:
            keep[index] = load(index)
        return keep[index].copy()

    return load_once


def _content(place: Path, source: str, called: str, raw: str | None) -> Content:
    layout = None if raw is None else RawLayout.stated(raw)
    try:
        is_folder, is_there = place.is_dir(), place.exists()
    except (OSError, ValueError) as exc:
        msg = f"{called!r} is not a path that can be read; check it"
        raise InputFileError(msg) from exc
    if not is_there:
        msg = f"{called} is not there; check the path"
        raise InputFileError(msg)
    if is_folder and layout is None:
        return read_folder(place, label=source)
    if not place.is_file():
        msg = f"{called} is neither a folder nor a file; give a folder of slices or one file"
        raise InputFileError(msg)
    pages = read_file(place, label=source) if layout is None else read_raw(place, layout, label=source)
    return Content(tuple(pages), Series(tuple(page.name for page in pages)))


def _page_label(source: str, page: Page, *, folder: bool) -> str:
    if folder:
        return f"{source}/{page.name}"
    return source if page.name == source else f"{source}, {page.name}"


def as_stack(
    given: object,
    *,
    by: str,
    voxel_mm: VoxelMm | float | None = None,
    towards_viewer: bool | None = None,
) -> SliceStack:
    """Return a stack as it is, with the scale that is stated for it, or one made of an array.

    Parameters
    ----------
    given : SliceStack or array
        An open stack, or grey values (slices, rows, columns) or (rows, columns).
    by : str
        What the function that was given it is called.
    voxel_mm : (float, float, float) or float, optional
        Voxel edges (dz, dy, dx) in mm, or one edge for all; overrules that of the stack.
    towards_viewer : bool, optional
        How the slices of an array run; an open stack knows it already.

    Raises
    ------
    InputError
        If it is neither, or a value cannot be used.
    """
    if isinstance(given, SliceStack):
        if towards_viewer is not None:
            msg = f"{by} was given an open stack, whose direction is settled; state it when the stack is opened"
            raise InputError(msg)
        return given if voxel_mm is None else replace(given, voxel_mm=voxel_edges(voxel_mm), scale_basis="stated")
    if given is None or isinstance(given, (str, bytes, os.PathLike)):
        msg = f"{by} takes a SliceStack or an array, not a {type(given).__name__}; open a path with open_stack(path)"
        raise WrongTypeError(msg)
    return SliceStack.from_array(np.asarray(given), voxel_mm=voxel_mm, towards_viewer=bool(towards_viewer))


def _handedness_notes(towards_viewer: bool | None, *, placed: bool) -> list[Note]:
    if towards_viewer and placed:
        return [Note("handedness_differs", _sentence(FLAGS["handedness_differs"]))]
    if towards_viewer is not None or placed:
        return []
    return [Note("handedness_assumed", _sentence(FLAGS["handedness_assumed"]))]


def _scale_notes(stated: VoxelMm | None, scale: FileScale, source: str) -> list[Note]:
    if stated is None:
        return [Note("scale_unusable", f"{source}: {scale.trouble}.")] if scale.trouble else []
    in_files = (scale.dz_mm, scale.dy_mm, scale.dx_mm)
    apart = [
        f"{name} {ours:g} mm stated, {theirs:g} mm in the files"
        for name, ours, theirs in zip(("dz", "dy", "dx"), stated, in_files, strict=True)
        if theirs is not None and abs(ours - theirs) > _DIFFERS_REL * theirs
    ]
    if not apart:
        return []
    return [Note("scale_differs", f"The stated voxel size was used although the files differ: {'; '.join(apart)}.")]


def _file_notes(content: Content, there: Sequence[Page], source: str) -> list[Note]:
    notes = []
    gaps, missing = content.series.gaps, content.series.missing
    if missing:
        shown = "; ".join(gaps[:3]) + (f"; and {len(gaps) - 3} more gaps" if len(gaps) > 3 else "")
        notes.append(
            Note("slices_missing", f"{len(missing)} of {len(content.pages)} slices of {source} are missing: {shown}.")
        )
    if content.foreign:
        names, more = content.foreign[:3], len(content.foreign) - 3
        shown = ", ".join(names) + (f" and {more} more" if more > 0 else "")
        notes.append(Note("foreign_files", f"Ignored in {source} (not slices): {shown}."))
    for flag in ("colour_as_grey", "alpha_ignored", "lossy_files"):
        marked = [page.name for page in there if flag in page.flags]
        if marked:
            count = "all slices" if len(marked) == len(there) else f"{len(marked)} slices, first {marked[0]}"
            notes.append(Note(flag, f"{_sentence(FLAGS[flag])[:-1]} ({count})."))
    return notes


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."
