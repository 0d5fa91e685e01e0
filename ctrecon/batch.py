"""Measures every stack under a folder, one after the other; a bad one does not stop the rest."""

import csv
import io
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from ctrecon.core.errors import CtreconError, InputFileError, OutputExistsError
from ctrecon.core.files import write_whole
from ctrecon.pipeline import Progress, measure_to_folder
from ctrecon.record.part import Part
from ctrecon.settings import Settings
from ctrecon.slices import stack_paths

__all__ = ["SUMMARY", "Entry", "measure_all", "out_names", "write_summary"]

SUMMARY = "summary.csv"
_COLUMNS = (
    "stack", "results", "outcome", "features", "pieces", "voxel_dz_mm", "voxel_dy_mm", "voxel_dx_mm", "flags", "says",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Entry:
    """What became of one stack.

    Parameters
    ----------
    stack : str
        The stack, relative to the folder that was searched.
    results : str
        Its output folder, relative to the summary; empty where nothing was written.
    outcome : {"measured", "nothing_found", "failed"}
    says : str
        Why it failed, in one sentence; empty otherwise.
    part : Part or None
        The record, where there is one.
    fault : Exception or None
        A fault of the program itself, not of the stack.
    """

    stack: str
    results: str
    outcome: str
    says: str = ""
    part: Part | None = None
    fault: Exception | None = None


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


def write_summary(entries: list[Entry], path: Path) -> None:
    """Write one row a stack, whole or not at all."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(_COLUMNS)
    for entry in entries:
        part = entry.part
        counts = ["", ""] if part is None else [len(part.features), len(part.pieces)]
        voxel = ["", "", ""] if part is None else [f"{edge:.9g}" for edge in part.stack.voxel_mm]
        flags = "" if part is None else " ".join(sorted({warning.flag for warning in part.warnings}))
        table.writerow([entry.stack, entry.results, entry.outcome, *counts, *voxel, flags, entry.says])
    write_whole(path, out.getvalue().encode())


def measure_all(
    folder: str | Path,
    out: str | Path,
    *,
    settings: Settings | None = None,
    force: bool = False,
    progress: Progress | None = None,
    each: Callable[[Entry, int], None] | None = None,
) -> tuple[Entry, ...]:
    """Measure every stack under a folder into a folder of its own, with one summary.

    Parameters
    ----------
    folder : path
        Searched with all its subfolders.
    out : path
        Gets one folder a stack and ``summary.csv``, which is complete after every stack.
    settings : Settings or None
        Stated once for all stacks; what is said of one part alone (its name, known sizes, decisions) is left aside.
    force : bool
        Write into `out` though it is there; results of the same stacks are replaced.
    progress : callable or None
        Told the stages of each stack.
    each : callable or None
        Told every entry as soon as it is known, and how many stacks there are.

    Returns
    -------
    tuple of Entry
        In the order of the stacks' names.

    Raises
    ------
    InputFileError
        If there is no such folder or no stack in it.
    OutputExistsError
        If `out` is there and `force` was not given.
    """
    folder, out = Path(folder), Path(out)
    settings = (settings or Settings()).for_many()
    if not folder.is_dir():
        raise InputFileError(f"{folder}: is not a folder; give the folder that holds the stacks")
    if out.exists() and not (force and out.is_dir()):
        raise OutputExistsError(f"{out}: already exists; choose another folder, or add force=True to write into it")
    results = out.resolve()  # those of an earlier run may lie under the folder; they are not stacks
    paths = [path for path in stack_paths(folder) if not path.resolve().is_relative_to(results)]
    if not paths:
        raise InputFileError(f"{folder}: no stack of slices found; give the folder that holds them")
    entries: list[Entry] = []
    for path, name in zip(paths, out_names(paths, folder), strict=True):
        entries.append(_one(path, name, folder, out, settings=settings, force=force, progress=progress))
        out.mkdir(parents=True, exist_ok=True)
        write_summary(entries, out / SUMMARY)
        if each is not None:
            each(entries[-1], len(paths))
    return tuple(entries)


def _one(
    path: Path, name: Path, folder: Path, out: Path, *, settings: Settings, force: bool, progress: Progress | None
) -> Entry:
    stack = "." if path == folder else path.relative_to(folder).as_posix()
    fault: Exception | None = None
    try:
        part = measure_to_folder(path, out / name, settings=settings, force=force, progress=progress)
    except CtreconError as error:
        says = str(error)
    except OSError as error:
        says = f"{error.filename or path}: {error.strerror or error}"
    except Exception as error:  # one stack must never stop the others; the summary says it was our fault
        says, fault = f"internal fault ({type(error).__name__}: {error})", error
    else:
        outcome = "measured" if part.features else "nothing_found"
        return Entry(stack=stack, results=name.as_posix(), outcome=outcome, part=part)
    return Entry(stack=stack, results="", outcome="failed", says=" ".join(says.split()), fault=fault)
