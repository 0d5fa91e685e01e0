"""Linear algebra in one thread while ctrecon works, and as the caller had it afterwards."""

import os
import subprocess
import sys
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from threading import Event, Thread

import numpy as np
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from ctrecon.core.threads import in_one_thread, one_thread

ROOT = Path(__file__).parents[2]


def threads() -> set[int]:
    """Return how many threads the loaded linear algebra uses, as the libraries themselves say."""
    np.eye(2) @ np.eye(2)
    return {one["num_threads"] for one in threadpool_info() if one["user_api"] == "blas"}


@pytest.fixture(autouse=True)
def _two() -> object:
    with threadpool_limits(2, user_api="blas"):
        if threads() != {2}:
            pytest.skip("the linear algebra here knows one thread only")
        yield


def test_one_inside_and_the_callers_number_afterwards() -> None:
    """Inside there is one thread; afterwards there are two again, though the work failed."""
    with one_thread():
        assert threads() == {1}
        with one_thread():
            assert threads() == {1}
        assert threads() == {1}
    assert threads() == {2}

    @in_one_thread
    def fail() -> None:
        assert threads() == {1}
        raise ValueError("spoilt")

    with pytest.raises(ValueError, match="spoilt"):
        fail()
    assert threads() == {2}


def test_calls_side_by_side_leave_nothing_behind() -> None:
    """Of two calls in two threads that overlap, whichever ends first, the caller's number is back when both are done."""
    begun, go = Event(), Event()

    def other() -> None:
        with one_thread():
            begun.set()
            go.wait(10)

    thread = Thread(target=other)
    with one_thread():
        thread.start()
        assert begun.wait(10) and threads() == {1}
    go.set()
    thread.join()
    assert threads() == {2}


def test_another_thread_may_work_too() -> None:
    """After one thread has worked, another that works is limited as well, and gives the number back."""
    seen = []

    def other() -> None:
        with one_thread():
            seen.append(threads())

    with one_thread():
        pass
    thread = Thread(target=other)
    thread.start()
    thread.join()
    assert seen == [{1}] and threads() == {2}


@pytest.mark.parametrize(
    ("home", "name", "count"),
    [
        ("ctrecon.measuring", "measure_stack", 1), ("ctrecon.pipeline", "measure_to_folder", 2),
        ("ctrecon.explain", "explain_scan", 2), ("ctrecon.features.follow", "follow_features", 2),
        ("ctrecon.calibration", "calibrate", 1), ("ctrecon.calibration", "find_scale", 2), ("ctrecon.pipeline", "measure", 1),
        ("ctrecon.decisions", "apply_decisions", 2),
        ("ctrecon.drawing", "draw_sheet", 2), ("ctrecon.report", "write_report", 3),
        ("ctrecon.grey.health", "check_health", 1),
    ],
)  # fmt: skip
def test_entry_points_work_in_one_thread(home: str, name: str, count: int) -> None:
    """Each way into the heavy work runs in one thread, whatever it is given."""

    class Told(Exception):
        pass

    class Spy:
        def __getattribute__(self, attribute: str) -> object:
            raise Told(threads())

        def __iter__(self) -> object:
            raise Told(threads())

        def __fspath__(self) -> str:
            raise Told(threads())

        __len__ = __iter__

    run: Callable[..., object] = getattr(import_module(home), name)
    with pytest.raises(Told) as told:
        run(*(Spy() for _ in range(count)))
    assert told.value.args[0] == {1}


def test_importing_the_package_loads_no_limiter() -> None:
    """`import ctrecon` loads neither the limiter nor what it limits."""
    code = "import ctrecon, sys; print({'threadpoolctl', 'numpy'} & set(sys.modules))"
    ran = subprocess.run(
        [sys.executable, "-c", code], check=True, capture_output=True, text=True, cwd=ROOT, env=os.environ
    )
    assert ran.stdout.strip() == "set()"
