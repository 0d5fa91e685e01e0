"""Planes made ahead in a second thread: in their order, the same, and only where a core is free."""

import os
import threading
from pathlib import Path

import pytest

from ctrecon import Settings, measure_to_folder
from ctrecon.core.ahead import LARGE, ahead, spare_core

_HUB = Path(__file__).resolve().parents[2] / "sample_slices" / "drum_hub"



@pytest.fixture
def two_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    """A machine with a core to spare."""
    monkeypatch.setattr("ctrecon.core.ahead.spare_core", lambda: True)


@pytest.mark.usefixtures("two_cores")
def test_large_planes_are_made_by_a_second_thread_in_their_order() -> None:
    """While one is used another thread makes the next; they come in turn, each once."""
    made = list(ahead(lambda k: (k, threading.get_ident()), range(5), LARGE))
    assert [k for k, _ in made] == list(range(5))
    assert {who for _, who in made}.isdisjoint({threading.get_ident()})


@pytest.mark.parametrize(("pixels", "spare"), [(LARGE - 1, True), (LARGE, False)])
def test_small_planes_and_single_cores_stay_in_one_thread(
    monkeypatch: pytest.MonkeyPatch, pixels: int, spare: bool
) -> None:
    """Where a second thread would not pay, or has no core, all is done here and nothing before its turn."""
    monkeypatch.setattr("ctrecon.core.ahead.spare_core", lambda: spare)
    begun: list[int] = []
    coming = ahead(lambda k: (begun.append(k), threading.get_ident()), range(5), pixels)
    assert next(coming)[1] == threading.get_ident()
    assert begun == [0]


@pytest.mark.usefixtures("two_cores")
def test_an_error_comes_in_its_turn() -> None:
    """What fails ahead is told when its plane is asked for, in its own words; planes before it are there."""
    coming = ahead(lambda k: 1 // (2 - k), range(5), LARGE)
    assert [next(coming), next(coming)] == [0, 1]
    with pytest.raises(ZeroDivisionError):
        next(coming)


@pytest.mark.skipif(not hasattr(os, "sched_getaffinity"), reason="cores can't be counted by process")
def test_one_core_is_none_to_spare(monkeypatch: pytest.MonkeyPatch) -> None:
    """A process that may use one core has no other."""
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0})
    assert not spare_core()


def test_a_second_thread_changes_no_byte(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All files of the sample hub are the same with every plane made ahead and with none."""
    monkeypatch.setattr("ctrecon.core.ahead.LARGE", 0)
    monkeypatch.setattr("ctrecon.explain.scan.LARGE", 0)
    found = []
    for spare in (False, True):
        for where in ("core.ahead", "core.second_process", "explain.scan"):
            monkeypatch.setattr(f"ctrecon.{where}.spare_core", lambda spare=spare: spare)
        out = tmp_path / str(spare)
        part = measure_to_folder(_HUB, out, settings=Settings(join=4))
        assert part.features
        found.append({path.name: path.read_bytes() for path in out.iterdir()})
    assert found[0] == found[1]
