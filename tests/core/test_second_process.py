"""Work in a second process: done whole, told like any other when it fails, and left undone by nobody."""

import os
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from ctrecon.core.second_process import beside, may_fork

_ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}
_ROOT = Path(__file__).resolve().parents[2]


def _fails(path: Path) -> Callable[[], None]:
    def work() -> None:
        with path.open("a", encoding="utf-8") as out:
            out.write("tried\n")
        raise ValueError("no such thing")

    return work


@pytest.mark.skipif(sys.platform != "linux" or len(os.sched_getaffinity(0)) < 2, reason="needs two cores and fork")
def test_work_is_done_in_a_second_process_where_there_is_one_thread(tmp_path: Path) -> None:
    """In a process of one thread, numpy and all, the work has another process number than the body."""
    script = (
        "import os, sys, numpy, ctrecon.core.second_process as two\n"
        "assert two.may_fork()\n"
        "with two.beside(lambda: open(sys.argv[1], 'w').write(str(os.getpid()))):\n"
        "    pass\n"
        "assert open(sys.argv[1]).read() != str(os.getpid())\n"
    )
    env = os.environ | _ONE_THREAD | {"PYTHONPATH": str(_ROOT)}
    subprocess.run([sys.executable, "-c", script, str(tmp_path / "pid")], env=env, check=True)


def test_a_process_of_many_threads_is_not_split(tmp_path: Path) -> None:
    """Beside another thread there is no second process; the work is done all the same."""
    stop = threading.Event()
    other = threading.Thread(target=stop.wait)
    other.start()
    try:
        assert not may_fork()
        with beside(lambda: (tmp_path / "two").write_text("2", encoding="utf-8")):
            (tmp_path / "one").write_text("1", encoding="utf-8")
    finally:
        stop.set()
        other.join()
    assert [(tmp_path / name).read_text(encoding="utf-8") for name in ("one", "two")] == ["1", "2"]


@pytest.mark.parametrize("splits", [True, False])
def test_work_that_fails_fails_here_with_its_own_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, splits: bool
) -> None:
    """An error of the second process is met again in the first, in its own words."""
    if splits and not may_fork():
        pytest.skip("this process cannot be split")
    monkeypatch.setattr("ctrecon.core.second_process.may_fork", lambda: splits)
    with pytest.raises(ValueError, match="no such thing"), beside(_fails(tmp_path / "tries")):
        pass
    assert (tmp_path / "tries").read_text(encoding="utf-8").count("tried") == (2 if splits else 1)


def test_an_error_of_the_body_stops_the_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the body fails its error is told, and no process is left behind."""
    made: list[int] = []
    fork = getattr(os, "fork", None)
    if fork is None or not may_fork():
        pytest.skip("this process cannot be split")
    monkeypatch.setattr(os, "fork", lambda: made.append(one := fork()) or one)
    with pytest.raises(KeyError), beside(lambda: (tmp_path / "two").write_text("2", encoding="utf-8")):
        raise KeyError
    with pytest.raises(ChildProcessError):
        os.waitpid(made[0], os.WNOHANG)
