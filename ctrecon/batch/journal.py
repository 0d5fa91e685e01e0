"""The journal of a batch: one line a stack, as soon as it is done, so that a run goes on where another stopped."""

import csv
import hashlib
import io
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import astuple, dataclass, fields
from pathlib import Path

from ctrecon import __version__
from ctrecon.core.errors import InputFileError, OutputExistsError
from ctrecon.core.files import write_whole
from ctrecon.settings import Settings

__all__ = ["JOURNAL", "LOG", "UNFINISHED", "Journal", "Line", "is_batch", "settings_key"]

JOURNAL, LOG, UNFINISHED = "journal.csv", "batch.log", ".unfinished"
_LOCK = ".lock"


@dataclass(frozen=True, kw_only=True)
class Line:
    """What the journal holds of one stack: what became of it, and of which content under which settings."""

    stack: str
    results: str
    outcome: str
    content: str
    stamp: str
    settings: str
    says: str = ""


_NAMES = tuple(one.name for one in fields(Line))


def settings_key(settings: Settings) -> str:
    """Return a key of everything but the slices that decides what the results are."""
    return hashlib.sha256(f"{__version__} {settings!r}".encode()).hexdigest()[:16]


def is_batch(out: Path) -> bool:
    """Return whether a folder holds a batch to go on with, be it one that ended before its journal began."""
    there = {one.name for one in out.iterdir()}
    return JOURNAL in there or (bool(there) and there <= {LOG, UNFINISHED, _LOCK})


class Journal:
    """The journal in an output folder, held by one run at a time.

    Parameters
    ----------
    out : path
        The output folder of the batch.
    """

    def __init__(self, out: str | Path) -> None:
        self.out = Path(out)
        self.path = self.out / JOURNAL
        self.unfinished = self.out / UNFINISHED

    @contextmanager
    def held(self) -> Iterator[None]:
        """Hold the folder for this run; what another left half-done is cleared away.

        Raises
        ------
        OutputExistsError
            If another run holds it.
        """
        self.out.mkdir(parents=True, exist_ok=True)
        lock = self.out / _LOCK
        with lock.open("w") as file:
            if not _locked(file.fileno()):
                raise OutputExistsError(
                    f"{self.out}: another batch is writing there; wait for it, or choose another folder"
                )
            try:
                self.clear()
                self.unfinished.mkdir()
                yield
            finally:
                self.clear()
                lock.unlink(missing_ok=True)

    def clear(self) -> None:
        """Remove what was begun and not finished."""
        shutil.rmtree(self.unfinished, ignore_errors=True)

    def read(self) -> dict[str, Line]:
        """Return the last whole line of each stack; a line torn by an end of power is none."""
        try:
            text = self.path.read_text(encoding="utf-8", errors="replace")
        except FileNotFoundError:
            return {}
        whole = text[: text.rfind("\n") + 1]
        rows = list(csv.reader(io.StringIO(whole, newline="")))
        if not rows or tuple(rows[0]) != _NAMES:
            raise InputFileError(f"{self.path}: is not the journal of a batch; remove it, or choose another folder")
        found = (Line(**dict(zip(_NAMES, row, strict=True))) for row in rows[1:] if len(row) == len(_NAMES))
        return {line.stack: line for line in found}

    def add(self, line: Line) -> None:
        """Append a line; when this returns it is on the disk."""
        with self.path.open("a", encoding="utf-8", newline="") as file:
            table = csv.writer(file, lineterminator="\n")
            if file.tell() == 0:
                table.writerow(_NAMES)
            table.writerow(astuple(line))
            file.flush()
            os.fsync(file.fileno())

    def settle(self, lines: list[Line]) -> None:
        """Write the journal anew, one line a stack in their order: the same after any number of stops."""
        out = io.StringIO(newline="")
        table = csv.writer(out, lineterminator="\n")
        table.writerows([_NAMES, *(astuple(line) for line in lines)])
        write_whole(self.path, out.getvalue().encode("utf-8", "replace"))


def _locked(handle: int) -> bool:
    """Lock an open file for this process, until it ends however it ends; where locks are unknown, trust the user."""
    try:
        import fcntl
    except ImportError:
        return True
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # a file system without locks
        return True
    return True
