"""Which stacks a batch is about, what each is called, and whether one has changed since."""

import glob
import hashlib
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ctrecon.core.errors import InputFileError
from ctrecon.core.letters import printable
from ctrecon.slices import stack_paths
from ctrecon.slices.readers.reader import folder_reader

__all__ = ["Job", "content_of", "find_jobs", "out_names", "size_of", "stamp_of"]

_CHUNK = 1 << 20


@dataclass(frozen=True)
class Job:
    """One stack to measure: where it is, what it is called, and its output folder, relative to the batch's."""

    path: Path
    stack: str
    results: Path


def find_jobs(source: str | Path | Sequence[str | Path], out: str | Path) -> list[Job]:
    """Find the stacks of a batch.

    Parameters
    ----------
    source : path, pattern, or sequence of paths
        A folder, searched with all its subfolders; a pattern such as ``scans/*_b``; or folders and files one by one.
    out : path
        Where the results go: what lies there is no stack.

    Returns
    -------
    list of Job
        Sorted by path.

    Raises
    ------
    InputFileError
        If there is nothing at a path, or no stack anywhere.
    """
    given = [source] if isinstance(source, str | Path) else list(source)
    named = ", ".join(str(one) for one in given[:3]) + (" ..." if len(given) > 3 else "")
    places = sorted({path for one in given for path in _places(one)})
    results = Path(out).resolve()  # those of an earlier run may lie under the folder; they are not stacks
    paths = [
        path for place in places for path in (stack_paths(place) if place.is_dir() else [place])
        if not path.resolve().is_relative_to(results)
    ]  # fmt: skip
    paths = sorted(set(paths))
    if not paths:
        raise InputFileError(f"{named or 'the list'}: no stack of slices found; give the folder that holds them")
    folder = places[0] if len(places) == 1 and places[0].is_dir() else _common(paths)
    return [
        Job(path, "." if path == folder else printable(path.relative_to(folder).as_posix()), name)
        for path, name in zip(paths, out_names(paths, folder), strict=True)
    ]


def _places(one: str | Path) -> list[Path]:
    """Return the folders and files that one source names."""
    path = Path(one)
    if path.exists():
        return [path]
    if glob.has_magic(str(one)):
        return [Path(found) for found in glob.glob(str(one), recursive=True) if not Path(found).name.startswith(".")]
    raise InputFileError(f"{path}: is not there; give a folder that holds stacks, a stack, or a pattern of them")


def _common(paths: list[Path]) -> Path:
    """Return the folder that holds all of them."""
    return Path(os.path.commonpath([path.parent for path in paths]))


def out_names(paths: list[Path], folder: Path) -> list[Path]:
    """Return one output folder a stack, relative: the stack's own path without a file's ending.

    Where two would meet (``hub/`` and ``hub.tif``), the file keeps its ending.

    Examples
    --------
    >>> [str(one) for one in out_names([Path("s/a"), Path("s/a.tif"), Path("s/b.tif")], Path("s"))]
    ['a', 'a_tif', 'b']
    """
    taken: set[Path] = set()
    names = []
    folders_first = sorted(paths, key=lambda path: (bool(path.suffix) and not path.is_dir(), path))
    for path in folders_first:
        inside = path.relative_to(folder) if path != folder else Path(path.resolve().name)
        name = inside if path.is_dir() else inside.with_suffix("")
        if name in taken:
            name = inside.with_name(inside.name.replace(".", "_"))
        while name in taken:
            name = name.with_name(name.name + "_")
        taken.add(name)
        names.append(name)
    order = dict(zip(folders_first, names, strict=True))
    return [order[path] for path in paths]


def _files(path: Path) -> list[Path]:
    """Return the files a stack is read from, with what lies beside them and may state a scale."""
    if not path.is_dir():
        return [path]
    if folder_reader(path) is not None:
        return sorted(one for one in path.rglob("*") if one.is_file())
    return sorted(one for one in path.iterdir() if one.is_file() and not one.name.startswith("."))


def _inside(one: Path, path: Path) -> str:
    return one.name if one == path else one.relative_to(path).as_posix()


def size_of(path: Path) -> int:
    """Return how many bytes a stack has; 1 where that can't be seen."""
    try:
        return sum(one.stat().st_size for one in _files(path)) or 1
    except OSError:
        return 1


def stamp_of(path: Path) -> str:
    """Return a key of names, sizes and times: where it is the same, nothing has to be read to know the stack is.

    The time a file's entry was last changed can't be set by hand, as that of its contents can. Empty where the stack
    can't be seen: whoever reads it says why.
    """
    sums = hashlib.sha256()
    try:
        for one in _files(path):
            about = one.stat()
            known = f"{_inside(one, path)}\0{about.st_size}\0{about.st_mtime_ns}\0{about.st_ctime_ns}\n"
            sums.update(known.encode(errors="surrogateescape"))
    except OSError:
        return ""
    return sums.hexdigest()[:32]


def content_of(path: Path) -> str:
    """Return a key of names and bytes: the same where a stack was copied, another where one slice changed."""
    sums = hashlib.sha256()
    for one in _files(path):
        sums.update(f"{_inside(one, path)}\0{one.stat().st_size}\n".encode(errors="surrogateescape"))
        with one.open("rb") as file:
            while chunk := file.read(_CHUNK):
                sums.update(chunk)
    return sums.hexdigest()[:32]
