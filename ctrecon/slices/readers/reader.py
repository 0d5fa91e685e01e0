"""What a reader of slice files says of itself, and the readers there are.

A reader is one module of this package with a `READER` in it; it is found there and listed nowhere else.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from pathlib import Path, PurePath
from pkgutil import iter_modules

from ctrecon.slices.naming import Series
from ctrecon.slices.readers.page import Page

__all__ = ["BEGINNING", "Reader", "first_bytes", "folder_reader", "is_slice_name", "kinds_read", "reader_of", "readers"]

BEGINNING = 132
"""Bytes by which a file is told: a DICOM file carries its mark behind 128 others."""

_NO_SLICES = (".", "thumb")  # hidden files and the previews that picture programs leave beside the pictures

ReadSeries = Callable[..., tuple[tuple[Page | None, ...], Series, tuple[str, ...]]]


def _never(path: Path) -> bool:  # noqa: ARG001
    return False


@dataclass(frozen=True, kw_only=True)
class Reader:
    """A reader of one or more kinds of file.

    Parameters
    ----------
    kinds : tuple of str
        What its kinds are called in sentences.
    suffixes : tuple of str
        Endings, lower case with their dot, by which a file is taken for a slice before it is opened.
    knows : callable
        Whether a file is of its kinds, by its first `BEGINNING` bytes.
    read : callable
        Called with (path, label=...); returns a list of `Page`, one a slice, from headers alone.
    is_several : callable
        Whether a file holds more than one slice; a damaged one counts as single.
    read_series : callable or None
        Called with (folder, names, label=...) where files carry an order of their own, which outranks that of their
        names; returns pages, series, and names that hold no picture.
    without_suffix : bool
        Whether its files are looked for behind any name.
    knows_folder : callable
        Whether a folder is a single stack of its kind.
    """

    kinds: tuple[str, ...]
    suffixes: tuple[str, ...]
    knows: Callable[[bytes], bool]
    read: Callable[..., list[Page]]
    is_several: Callable[[Path], bool] = _never
    read_series: ReadSeries | None = None
    without_suffix: bool = False
    knows_folder: Callable[[Path], bool] = _never


@cache
def readers() -> tuple[Reader, ...]:
    """Return the readers, those that know their files best first: a file may carry the marks of two kinds."""
    package = import_module(__package__)
    modules = (import_module(f"{__package__}.{one.name}") for one in iter_modules(package.__path__))
    found = [one.READER for one in modules if isinstance(getattr(one, "READER", None), Reader)]
    return tuple(sorted(found, key=lambda one: (not one.without_suffix, one.kinds)))


def kinds_read() -> str:
    """Return the kinds of file that are read, for a sentence: ``A, B or C``."""
    *most, last = [kind for one in reversed(readers()) for kind in one.kinds]
    return f"{', '.join(most)} or {last}"


def first_bytes(path: Path) -> bytes:
    """Return the beginning of a file; OSError where it cannot be opened."""
    with path.open("rb") as file:
        return file.read(BEGINNING)


def reader_of(path: Path) -> Reader | None:
    """Return the reader of a file, told by its content; None where there is none or it cannot be opened."""
    try:
        start = first_bytes(path)
    except OSError:
        return None
    return next((one for one in readers() if one.knows(start)), None)


def folder_reader(folder: Path) -> Reader | None:
    """Return the reader to which a folder is one stack; None where it is a folder of slices like any other."""
    return next((one for one in readers() if one.knows_folder(folder)), None)


def is_slice_name(name: str) -> bool:
    """Return whether a file of this name is taken for a slice before it is opened."""
    lower = name.lower()
    suffix = PurePath(lower).suffix
    return not lower.startswith(_NO_SLICES) and any(suffix in one.suffixes for one in readers())
