"""Work in a second process beside this one, where that is safe; elsewhere one after the other."""

import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from ctrecon.core.ahead import spare_core
from ctrecon.core.memory import give_back

__all__ = ["beside", "may_fork"]


def may_fork() -> bool:
    """Return whether a second process may be split off this one, and has a core to run on.

    Only a process of one thread is split: whatever lock another thread holds would stay shut in the copy for ever.
    A notebook's kernel has many threads, and so has linear algebra that was loaded without being told to use one.
    """
    if sys.platform != "linux" or not spare_core():
        return False
    try:
        return len(list(Path("/proc/self/task").iterdir())) == 1
    except OSError:
        return False


@contextmanager
def beside(work: Callable[[], object]) -> Iterator[None]:
    """Do some work in a second process while the body runs; it is done when the body is left.

    What it does must show in files alone, each written whole. Where no second process may be had, or where the work
    failed there, it is done here after the body: so it fails here, too, with its own error.

    Parameters
    ----------
    work : callable
        Called without arguments.

    Examples
    --------
    >>> from pathlib import Path
    >>> with beside(lambda: Path("one.txt").write_text("1")):
    ...     _ = Path("two.txt").write_text("2")
    >>> Path("one.txt").read_text(), Path("two.txt").read_text()
    ('1', '2')
    """
    give_back()  # or two processes would hold it
    child = _split_off(work) if may_fork() else None
    if child is None:
        yield
        work()
        return
    try:
        yield
        done = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
        child = None
    finally:
        if child is not None:  # the body failed: nobody waits for the rest
            with suppress(OSError):
                os.kill(child, signal.SIGTERM)
                os.waitpid(child, 0)
    if not done:
        work()


def _split_off(work: Callable[[], object]) -> int | None:
    """Return the number of a second process that does the work, or None where the system gives none."""
    try:
        child = os.fork()
    except OSError:
        return None
    if child:
        return child
    code = 1
    try:
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        work()
        code = 0
    except BaseException:  # told by the first process, which does it again
        code = 1
    finally:
        os._exit(code)  # no clean-up of the first process is done twice
