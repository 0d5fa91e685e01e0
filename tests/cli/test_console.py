"""What is shown on a terminal while a command works."""

import io
import threading

import pytest

from ctrecon.cli.console import progress_bar


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_progress_is_drawn_without_a_thread_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    """The bar names its stage, and leaves the process one thread: only such a process can be split in two."""
    shown = _Terminal()
    monkeypatch.setattr("sys.stderr", shown)
    before = threading.active_count()
    with progress_bar() as tell:
        assert tell is not None
        tell("survey", 3, 9)
        tell("outlines", 1, 9)
        assert threading.active_count() == before
    assert "survey" in shown.getvalue()


def test_no_progress_where_nobody_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    """A pipe gets none."""
    monkeypatch.setattr("sys.stderr", io.StringIO())
    with progress_bar() as tell:
        assert tell is None
