"""One stack measured by a worker: nothing but paths and words go in, nothing but words come out."""

import errno
import time
import traceback
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from ctrecon.batch.stacks import content_of
from ctrecon.core.errors import CtreconError
from ctrecon.pipeline import measure_to_folder
from ctrecon.settings import Settings

__all__ = ["Outcome", "Task", "work"]

_NO_PLACE = (errno.ENOSPC, errno.EDQUOT, errno.EROFS)
_TOLD_EVERY = 0.3  # seconds between two words of progress


@dataclass(frozen=True, kw_only=True)
class Task:
    """What a worker has to do.

    Parameters
    ----------
    number, path, out : int, Path, Path
        Which stack, where it is, and the folder its results go to.
    unfinished : Path
        Where half-done work lies until it is whole.
    settings : Settings
        As stated for all stacks.
    content : str
        Key of the content whose results stand already; empty where there are none.
    """

    number: int
    path: Path
    out: Path
    unfinished: Path
    settings: Settings
    content: str = ""

    @property
    def told(self) -> Path:
        """Where its worker tells how far it is."""
        return self.unfinished / f"stage-{self.number}"


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What became of a task.

    Parameters
    ----------
    outcome, says, fault : str
        As in `ctrecon.batch.Entry`.
    content : str
        Key of the stack's content.
    kept : bool
        It is that of earlier results, which stand.
    no_place : bool
        It failed because nothing more can be written there: all others would fail too.
    """

    outcome: str
    says: str = ""
    fault: str = ""
    content: str = ""
    kept: bool = False
    no_place: bool = False


def work(task: Task, look: Callable[[], None] | None = None) -> Outcome:
    """Measure one stack into its folder; a stack that fails is told, and never stops the others.

    `look`, where it is given, is called whenever something new is told.
    """
    content, fault, no_place = "", "", False
    try:
        content = content_of(task.path)
        if content == task.content:
            return Outcome(outcome="", content=content, kept=True)
        last = 0.0

        def tell(stage: str, done: int, total: int) -> None:
            nonlocal last
            now = time.monotonic()
            if now - last >= _TOLD_EVERY:
                last = now
                with suppress(OSError):
                    task.told.write_text(f"{stage} {done}/{total}" if total > 1 else stage, encoding="utf-8")
                if look is not None:
                    look()

        part = measure_to_folder(
            task.path, task.out, settings=task.settings, force=True, progress=tell, beside=task.unfinished
        )
    except CtreconError as error:
        says, no_place = str(error), _is_no_place(error)
    except OSError as error:
        says, no_place = f"{error.filename or task.path}: {error.strerror or error}", _is_no_place(error)
    except MemoryError:
        says = f"{task.path}: there is not enough memory; measure it with fewer workers, or a smaller part of it"
    except Exception as error:  # one stack must never stop the others; the summary says it was our fault
        says, fault = f"internal fault ({type(error).__name__}: {error})", traceback.format_exc()
    else:
        return Outcome(outcome="measured" if part.features else "nothing_found", content=content)
    finally:
        with suppress(OSError):
            task.told.unlink(missing_ok=True)
    return Outcome(outcome="failed", says=" ".join(says.split()), fault=fault, content=content, no_place=no_place)


def _is_no_place(error: BaseException | None) -> bool:
    """Return whether an error, or what it came from, is a disk that takes nothing more."""
    while error is not None:
        if isinstance(error, OSError) and error.errno in _NO_PLACE:
            return True
        error = error.__cause__ or error.__context__
    return False
