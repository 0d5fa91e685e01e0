"""The next plane begun in a second thread while this one is worked on, where a core is free for it."""

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

from ctrecon.core.memory import share_memory

__all__ = ["LARGE", "ahead", "keep_to_one_core", "spare_core"]

LARGE = 150_000
"""Pixels; of smaller planes two threads would wait for each other more than they work."""

_T = TypeVar("_T")
_R = TypeVar("_R")

_kept_to_one = False


def keep_to_one_core() -> None:
    """Leave all other cores alone from now on: a worker of a batch has others beside it."""
    global _kept_to_one
    _kept_to_one = True


def spare_core() -> bool:
    """Return whether this process has a second core to itself."""
    count = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return count > 1 and not _kept_to_one


def ahead(work: Callable[[_T], _R], items: Sequence[_T], pixels: float) -> Iterator[_R]:
    """Yield what work makes of each item, in turn; of large planes the next is made while this one is used.

    Each is made by the same call on the same item, one after the other: so nothing comes out otherwise. What `work`
    looks at must not be changed, nor asked for another plane, between two of them.

    Parameters
    ----------
    work : callable
        Called with an item.
    items : sequence
    pixels : float
        How much work an item is, in pixels of a plane.

    Examples
    --------
    >>> list(ahead(abs, [-1, 2, -3], pixels=1e6))
    [1, 2, 3]
    """
    if pixels < LARGE or len(items) < 2 or not spare_core():
        yield from map(work, items)
        return
    share_memory()
    with ThreadPoolExecutor(1) as second:
        coming = second.submit(work, items[0])
        for following in items[1:]:
            made = coming.result()
            coming = second.submit(work, following)
            yield made
        yield coming.result()
