"""Real stacks in real processes: killed, stopped, on a cluster, and always the same bytes."""

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from ctrecon.batch import measure_all
from ctrecon.batch.workers import _worker
from ctrecon.core.ahead import spare_core
from ctrecon.core.errors import InputError, OutputExistsError
from ctrecon.settings import Settings

sys.path.insert(0, str(Path(__file__).parent))  # the tests are no package
from kill_and_resume import begin, bytes_of, write_rings

SCALE = Settings(voxel_mm=0.05)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, bytes]]:
    """Measure two rings one after the other, and return where they are and the bytes of their results."""
    folder = tmp_path_factory.mktemp("rings")
    write_rings(folder / "scans", 2)
    measure_all(folder / "scans", folder / "out", settings=SCALE)
    return folder / "scans", bytes_of(folder / "out")


def test_side_by_side_gives_the_same_bytes_and_a_killed_worker_costs_one_retry(
    whole: tuple[Path, dict[str, bytes]], tmp_path: Path
) -> None:
    """One of two workers is killed while it measures: its stack is begun again, the other's is not."""
    scans, want = whole
    killed: list[int] = []

    def kill_one(says: str, done: int, total: int) -> None:
        if not killed and "ring" in says:
            child = multiprocessing.active_children()[0]
            assert child.pid is not None
            os.kill(child.pid, signal.SIGKILL)
            killed.append(child.pid)

    entries = measure_all(scans, tmp_path / "out", settings=SCALE, jobs=2, progress=kill_one)
    assert killed
    assert [entry.outcome for entry in entries] == ["measured"] * 2
    assert bytes_of(tmp_path / "out") == want


def _begun(scans: Path, out: Path) -> "subprocess.Popen[bytes]":
    """Begin a batch and return it as it measures its first stacks."""
    run = begin(scans, out)
    for _ in range(1200):
        if (out / ".unfinished").is_dir():
            break
        time.sleep(0.05)
    assert run.poll() is None
    return run


def test_killed_and_resumed_gives_the_same_bytes(whole: tuple[Path, dict[str, bytes]], tmp_path: Path) -> None:
    """Where a run and its workers are killed before a stack is done, the next one ends as if it had never been."""
    scans, want = whole
    run = _begun(scans, tmp_path / "out")
    os.killpg(run.pid, signal.SIGKILL)
    run.communicate()
    measure_all(scans, tmp_path / "out", settings=SCALE)
    assert bytes_of(tmp_path / "out") == want


def test_an_end_from_the_system_is_taken_like_an_interrupt(
    whole: tuple[Path, dict[str, bytes]], tmp_path: Path
) -> None:
    """Code 130, one sentence, nothing left half-done, no process that goes on by itself; the next run ends as ever."""
    scans, want = whole
    run = _begun(scans, tmp_path / "out")
    run.send_signal(signal.SIGTERM)
    told = run.communicate(timeout=60)[1].decode()
    assert run.returncode == 130
    assert told.startswith("ctrecon: stopped; ")
    assert not [path for path in (tmp_path / "out").iterdir() if path.name.startswith(".")]
    for _ in range(200):  # Python's own helper ends a moment after the process it belongs to
        if not _lives(run.pid):
            break
        time.sleep(0.1)
    assert not _lives(run.pid)
    measure_all(scans, tmp_path / "out", settings=SCALE)
    assert bytes_of(tmp_path / "out") == want


def test_a_batch_that_ended_before_its_journal_began_is_gone_on_with(tmp_path: Path) -> None:
    """A folder with nothing but the log and the lock of a batch is taken; one with anything else in it is not."""
    write_rings(tmp_path / "scans", 1)
    out = tmp_path / "out"
    out.mkdir()
    (out / "batch.log").write_text("2026-01-02 03:04:05 begun: 1 stacks\n")
    (out / ".lock").touch()
    (entry,) = measure_all(tmp_path / "scans", out, settings=SCALE)
    assert entry.outcome == "measured"
    other = tmp_path / "other"
    other.mkdir()
    (other / "letter.txt").write_text("dear ferryman")
    with pytest.raises(OutputExistsError, match="holds no batch to go on with"):
        measure_all(tmp_path / "scans", other, settings=SCALE)


def _lives(group: int) -> bool:
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True


def test_a_cluster_gives_the_same_bytes(whole: tuple[Path, dict[str, bytes]], tmp_path: Path) -> None:
    """Two workers of a Dask cluster on this machine, reached by the address of their scheduler."""
    distributed = pytest.importorskip("distributed")
    scans, want = whole
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
    ) as cluster:
        measure_all(scans, tmp_path / "out", settings=SCALE, scheduler=cluster.scheduler_address)
    assert bytes_of(tmp_path / "out") == want


def test_a_scheduler_that_does_not_answer_is_named(tmp_path: Path) -> None:
    """One sentence with the address."""
    pytest.importorskip("distributed")
    write_rings(tmp_path / "scans", 1)
    with pytest.raises(InputError, match="no Dask scheduler answers at"):
        measure_all(tmp_path / "scans", tmp_path / "out", settings=SCALE, scheduler="nothing://here")


def test_a_worker_leaves_the_other_cores_alone() -> None:
    """With a worker a core, none begins a second thread for its planes."""
    with _worker() as worker:
        assert not worker.submit(spare_core).result()
