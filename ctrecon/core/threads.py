"""One numerical thread a process while ctrecon works; the caller's number comes back afterwards."""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from typing import ParamSpec, TypeVar

__all__ = ["in_one_thread", "one_thread"]

_P = ParamSpec("_P")
_R = TypeVar("_R")

_HELD = threading.Lock()


@contextmanager
def one_thread() -> Iterator[None]:
    """Let the libraries that do the linear algebra use one thread only.

    Small systems are solved by the thousand: a second thread costs more than it does. The number belongs to the
    process: the outermost call sets it and gives it back; calls within it, or beside it in other threads, leave it.

    Examples
    --------
    >>> import numpy as np
    >>> from ctrecon.core.threads import one_thread
    >>> from threadpoolctl import threadpool_info
    >>> with one_thread():
    ...     {one["num_threads"] for one in threadpool_info() if one["user_api"] == "blas"}
    {1}
    """
    if not _HELD.acquire(blocking=False):
        yield
        return
    try:
        # libraries loaded later are not limited: whoever calls has imported what it works with
        import threadpoolctl

        try:
            with threadpoolctl.threadpool_limits(limits=1):
                yield
        finally:
            # newer versions let one thread only set the number, until it says that it is done
            done = getattr(getattr(threadpoolctl, "OpenBLASController", None), "clear_controlling_thread", None)
            if done is not None:
                done()
    finally:
        _HELD.release()


def in_one_thread(run: Callable[_P, _R]) -> Callable[_P, _R]:
    """Have a function run within `one_thread`."""

    @wraps(run)
    def limited(*args: _P.args, **kwargs: _P.kwargs) -> _R:
        with one_thread():
            return run(*args, **kwargs)

    return limited
