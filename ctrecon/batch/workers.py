"""Tasks spread over this process, over others on this machine, or over a cluster."""

import logging
import multiprocessing
import os
import signal
import threading
import warnings
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, CancelledError, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool

from ctrecon.batch.task import Outcome, Task, work
from ctrecon.core.ahead import keep_to_one_core
from ctrecon.core.errors import InputError

__all__ = ["cores", "spread"]

_LOOK_EVERY = 0.5  # seconds between two looks at how far the workers are
_REACHED_WITHIN = 10.0  # seconds a cluster may take to answer
Done = Iterator[tuple[Task, Outcome]]


def cores() -> int:
    """Return how many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def spread(tasks: list[Task], *, jobs: int, scheduler: str | None, look: Callable[[], None]) -> Done:
    """Do tasks, and yield each with what became of it as soon as it is done.

    Parameters
    ----------
    tasks : list of Task
        In the order they are begun.
    jobs : int
        How many at once; 1: here, one after the other.
    scheduler : str or None
        Address of a Dask scheduler whose workers see the same folders; `jobs` is then left aside.
    look : callable
        Called now and then, to tell how far things are.

    Raises
    ------
    InputError
        If the cluster can't be reached.
    """
    if scheduler is not None:
        yield from _on_cluster(tasks, scheduler, look)
    elif jobs == 1:
        for task in tasks:
            look()
            yield task, work(task, look)
        look()
    else:
        yield from _side_by_side(tasks, min(jobs, len(tasks)), look)


def _side_by_side(tasks: list[Task], jobs: int, look: Callable[[], None]) -> Done:
    """Run each worker in an executor of its own: one that dies takes no other's stack with it."""
    waiting, again = deque(tasks), set[int]()
    slots: list[ProcessPoolExecutor | None] = [None] * jobs
    running: dict[Future[Outcome], tuple[int, Task]] = {}
    before = set(multiprocessing.active_children())
    try:
        while waiting or running:
            busy = {slot for slot, _ in running.values()}
            for slot in range(jobs):
                if waiting and slot not in busy:
                    executor = slots[slot] = slots[slot] or _worker()
                    task = waiting.popleft()
                    running[executor.submit(work, task)] = slot, task
            look()
            for future in wait(running, timeout=_LOOK_EVERY, return_when=FIRST_COMPLETED).done:
                slot, task = running.pop(future)
                try:
                    outcome = future.result()
                except BrokenProcessPool:
                    slots[slot] = None
                    if task.number not in again:
                        again.add(task.number)
                        waiting.appendleft(task)
                        continue
                    outcome = _killed(task)
                yield task, outcome
    finally:
        for left in slots:
            if left is not None:
                left.shutdown(wait=False, cancel_futures=True)
        if running:  # the run was stopped: what is half-done is worth nothing
            for child in set(multiprocessing.active_children()) - before:
                child.terminate()
                child.join()


def _killed(task: Task) -> Outcome:
    return Outcome(
        outcome="failed",
        says=f"{task.path}: its worker was ended twice by the system, mostly for want of memory; measure it with fewer "
        "workers",
    )


def _worker() -> ProcessPoolExecutor:
    quiet = any(one[0] == "ignore" and one[2] is Warning for one in warnings.filters)
    spawn = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(1, mp_context=spawn, initializer=_begin, initargs=(quiet,))


def _begin(quiet: bool) -> None:
    """Leave Ctrl-C to the first process, and end with it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    keep_to_one_core()
    if quiet:
        warnings.simplefilter("ignore")
        logging.getLogger().addHandler(logging.NullHandler())
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _on_cluster(tasks: list[Task], scheduler: str, look: Callable[[], None]) -> Done:
    try:
        from distributed import Client
    except ImportError:
        raise InputError("a scheduler needs the extra 'cluster': pip install 'ctrecon-parts[cluster]'") from None
    try:
        client = Client(scheduler, timeout=_REACHED_WITHIN)
    except (OSError, ValueError, TypeError) as error:
        raise InputError(
            f"no Dask scheduler answers at {scheduler!r}; give its address, such as tcp://host:8786, and see that "
            "it runs"
        ) from error
    with client:
        executor: Executor = client.get_executor(retries=1, pure=False)
        running = {executor.submit(_on_one_core, task): task for task in tasks}
        try:
            while running:
                look()
                for future in wait(running, timeout=_LOOK_EVERY, return_when=FIRST_COMPLETED).done:
                    yield (task := running.pop(future)), _answer(future, task)
        finally:
            for future in running:
                future.cancel()


def _on_one_core(task: Task) -> Outcome:
    keep_to_one_core()
    return work(task)


def _answer(future: "Future[Outcome]", task: Task) -> Outcome:
    from distributed import KilledWorker

    try:
        return future.result()
    except (KilledWorker, CancelledError):
        return _killed(task)
