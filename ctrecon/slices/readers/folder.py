"""A file read by what it is, whatever its name; a folder read as one series of slices."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ctrecon.core.errors import InputFileError
from ctrecon.slices.naming import Series, pattern_of, sort_series
from ctrecon.slices.readers.page import Page, describe, file_size, guarded
from ctrecon.slices.readers.reader import (
    Reader,
    first_bytes,
    folder_reader,
    is_slice_name,
    kinds_read,
    reader_of,
    readers,
)

__all__ = ["Content", "read_file", "read_folder", "refuse_unlike", "stack_paths"]


@dataclass(frozen=True, eq=False)
class Content:
    """What a file or folder holds, in depth order.

    Attributes
    ----------
    pages : tuple of Page or None
        One entry a slice; None where the slice is missing.
    series : Series
        Names, missing places and gaps.
    foreign : tuple of str
        Names that were skipped, sorted; folders end in ``/``.
    """

    pages: tuple[Page | None, ...]
    series: Series
    foreign: tuple[str, ...] = ()


def read_file(path: Path, *, label: str) -> list[Page]:
    """Read the headers of one file.

    Parameters
    ----------
    path : Path
        A file of a kind that one of the readers knows by its first bytes.
    label : str
        What the messages call it.

    Returns
    -------
    list of Page
        One, or one a page of a TIFF or a frame of a DICOM file.

    Raises
    ------
    InputFileError
        If it is absent, empty, damaged or of another kind.
    """
    file_size(path, label)
    with guarded(label):
        start = first_bytes(path)
    for reader in readers():
        if reader.knows(start):
            return reader.read(path, label=label)
    msg = f"{label} is not a {kinds_read()} file, or its beginning is damaged; export the slices as one of these"
    raise InputFileError(msg)


def read_folder(folder: Path, *, label: str) -> Content:
    """Read the headers of every slice in a folder, in the order of their numbers.

    Parameters
    ----------
    folder : Path
        Holds one series of slices, or a single file of many pages.
    label : str
        What the messages call it.

    Returns
    -------
    Content

    Raises
    ------
    InputFileError
        If there is no slice, or more than one series, or a file is damaged or unlike the rest.
    """
    by = folder_reader(folder)
    if by is not None:
        whole = by.read(folder, label=label)
        return Content(tuple(whole), Series(tuple(page.name for page in whole)))
    images, foreign = _sorted_entries(folder, label)
    if not images:
        raise InputFileError(_nothing_here(foreign, label))
    if len(images) == 1:
        pages = read_file(folder / images[0], label=f"{label}/{images[0]}")
        return Content(tuple(pages), Series(tuple(page.name for page in pages)), foreign)
    found_by = {name: reader_of(folder / name) for name in images}
    ordered = next((one for one in found_by.values() if one is not None and one.read_series is not None), None)
    if ordered is not None:
        own = [name for name in images if found_by[name] is ordered]
        return _ordered_content(ordered, folder, images, own, foreign, label)
    series = sort_series(images, folder=label)
    found: list[Page | None] = []
    for name in series.names:
        if not name:
            found.append(None)
            continue
        pages = read_file(folder / name, label=f"{label}/{name}")
        if len(pages) > 1:
            other = next(image for image in images if image != name)
            msg = (
                f"{label} holds {name}, a stack of {len(pages)} pages, beside {other}; "
                "name the one file to be read or put it into a folder of its own"
            )
            raise InputFileError(msg)
        found.append(pages[0])
    return Content(tuple(found), series, foreign)


def _ordered_content(
    reader: Reader, folder: Path, images: list[str], own: list[str], foreign: tuple[str, ...], label: str
) -> Content:
    """Read a series whose files carry their order; files of another kind beside them are refused."""
    assert reader.read_series is not None
    others = [name for name in images if name not in own]
    if others:
        file_size(folder / others[0], f"{label}/{others[0]}")
        msg = (
            f"{label} holds {others[0]}, which is not a {reader.kinds[0]} file or is damaged at its beginning, beside "
            f"{own[0]}, which is one; put each series into a folder of its own"
        )
        raise InputFileError(msg)
    found, series, skipped = reader.read_series(folder, own, label=label)
    return Content(found, series, tuple(sorted([*foreign, *skipped])))


def refuse_unlike(pages: Sequence[Page | None], label: str) -> None:
    """Refuse slices of different sizes or types, naming one that is unlike most.

    Raises
    ------
    InputFileError
        Naming both slices, their sizes and types.
    """
    there = [page for page in pages if page is not None]
    counts = Counter(describe(page) for page in there)
    if len(counts) < 2:
        return
    usual = counts.most_common(1)[0][0]
    one = next(page for page in there if describe(page) == usual)
    other = next(page for page in there if describe(page) != usual)
    msg = (
        f"{label} holds slices that do not belong together: {one.name} is {usual} and {other.name} is "
        f"{describe(other)}; put each series into a folder of its own"
    )
    raise InputFileError(msg)


def stack_paths(folder: str | Path) -> list[Path]:
    """Find every stack under a folder.

    Parameters
    ----------
    folder : path
        Searched with its subfolders; hidden ones are left out and links are not followed.

    Returns
    -------
    list of Path
        Sorted: each folder that directly holds slices of one series, each file of many
        pages that lies beside other images, and each single image whose name fits no
        other. A folder that cannot be understood is listed too, so that reading it says why.

    Raises
    ------
    InputFileError
        If the folder is not there or cannot be read.
    """
    top = Path(folder)
    if not top.is_dir():
        msg = f"{top} is not a folder; give the folder that holds the stacks"
        raise InputFileError(msg)
    found: list[Path] = []
    waiting = [top]
    while waiting:
        place = waiting.pop()
        if folder_reader(place) is not None:
            found.append(place)
            continue
        images, _ = _sorted_entries(place, place.name)
        found.extend(_stacks_in(place, images))
        with guarded(place.name):
            waiting.extend(
                entry
                for entry in place.iterdir()
                if entry.is_dir() and not entry.is_symlink() and not entry.name.startswith(".")
            )
    return sorted(found)


def _stacks_in(place: Path, images: list[str]) -> list[Path]:
    if len(images) < 2:
        return [place] if images else []
    found_by = [reader_of(place / name) for name in images]
    several = [one is not None and one.is_several(place / name) for one, name in zip(found_by, images, strict=True)]
    if any(one is not None and one.read_series is not None for one in found_by):
        return [place / name for name in images] if all(several) else [place]
    whole = [name for name, many in zip(images, several, strict=True) if many]
    single = [name for name in images if name not in whole]
    groups = Counter(pattern_of(name) for name in single)
    if len(single) > 1 and max(groups.values()) > 1:
        return [place, *(place / name for name in whole)]
    return [place / name for name in [*whole, *single]]


def _sorted_entries(folder: Path, label: str) -> tuple[list[str], tuple[str, ...]]:
    """Image names and the names of everything else, both sorted."""
    images: list[str] = []
    foreign: list[str] = []
    with guarded(label):
        for entry in folder.iterdir():
            if entry.is_dir():
                foreign.append(entry.name + "/")
            elif is_slice_name(entry.name) or _is_hidden_slice(entry):
                images.append(entry.name)
            else:
                foreign.append(entry.name)
    return sorted(images), tuple(sorted(foreign))


def _is_hidden_slice(entry: Path) -> bool:
    """Whether a file is a slice although its name does not say so; a DICOMDIR only lists others."""
    if entry.name.startswith(".") or entry.name.upper() == "DICOMDIR":
        return False
    reader = reader_of(entry)
    return reader is not None and reader.without_suffix


def _nothing_here(foreign: tuple[str, ...], label: str) -> str:
    if not foreign:
        return f"{label} is an empty folder; give a folder that holds {kinds_read()} slices"
    inner = [name for name in foreign if name.endswith("/")]
    hint = f"name one of its folders, such as {inner[0]}," if inner else "give a folder of slices"
    seen = ", ".join(foreign[:3])
    return f"{label} holds no {kinds_read()} slices, only {seen}; {hint} or export the slices"
