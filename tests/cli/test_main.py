"""The command as a whole: exit codes, streams, and never a traceback."""

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

import ctrecon
from ctrecon.cli import info
from ctrecon.cli.main import COMMANDS, build_parser, main
from ctrecon.core.errors import InputFileError

ROOT = Path(ctrecon.__file__).parents[1]


def _fail_with(error: BaseException, monkeypatch: pytest.MonkeyPatch) -> None:
    def run(args: object) -> int:
        raise error

    monkeypatch.setattr(info, "run", run)


@pytest.mark.parametrize(
    ("error", "code", "says"),
    [
        (InputFileError("hub: is empty; fill it"), 2, "ctrecon: hub: is empty; fill it"),
        (PermissionError(13, "Permission denied", "hub/s1.tif"), 2, "ctrecon: hub/s1.tif: Permission denied"),
        (MemoryError(), 2, "ctrecon: there is not enough memory"),
        (ZeroDivisionError("by\nzero"), 1, "ctrecon: internal fault (ZeroDivisionError: by zero)"),
        (KeyboardInterrupt(), 130, "ctrecon: interrupted"),
    ],
)
def test_trouble_is_one_sentence_and_a_code(
    error: BaseException,
    code: int,
    says: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Every kind of trouble becomes one line on stderr and its exit code; stdout stays empty."""
    monkeypatch.delenv("CTRECON_DEBUG", raising=False)
    _fail_with(error, monkeypatch)
    assert main(["info", "hub"]) == code
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(says)
    assert err.count("\n") == 1
    assert "Traceback" not in err


def test_debug_shows_the_traceback(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """CTRECON_DEBUG=1 adds the traceback and keeps the sentence and the code."""
    monkeypatch.setenv("CTRECON_DEBUG", "1")
    _fail_with(ZeroDivisionError("by zero"), monkeypatch)
    assert main(["info", "hub"]) == 1
    err = capsys.readouterr().err
    assert "Traceback" in err
    assert "CTRECON_DEBUG=1" in err


@pytest.mark.parametrize(
    "argv",
    [
        [],
        ["carve"],
        ["measure", "hub"],
        ["measure", "hub", "--out"],
        ["measure", "--voxel-mm", "0.1", "hub", "--out", "x"],
        ["measure", "hub", "--out", "x", "--voxel-mm", "0,1"],
        ["measure", "hub", "--out", "x", "--paper", "A9"],
        ["measure", "hub", "--out", "x", "--prior-separate", "likely"],
    ],
)
def test_wrong_use_leaves_with_2(argv: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """Wrong use is told on stderr and leaves with code 2."""
    with pytest.raises(SystemExit) as left:
        main(argv)
    out, err = capsys.readouterr()
    assert left.value.code == 2
    assert out == ""
    assert "error:" in err


def test_swallowed_stack_is_explained(capsys: pytest.CaptureFixture[str]) -> None:
    """A stack named behind --voxel-mm is taken for a number; the message says how to order them."""
    with pytest.raises(SystemExit):
        main(["measure", "--voxel-mm", "0.1", "hub", "--out", "x"])
    assert "'hub' is not a number of mm (name the stack before this option)" in capsys.readouterr().err


@pytest.mark.parametrize("command", [module.__name__.rpartition(".")[2] for module in COMMANDS])
def test_every_command_has_help_and_stands_in_the_readme(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Each command explains itself and is described in the README."""
    with pytest.raises(SystemExit) as left:
        main([command, "--help"])
    assert left.value.code == 0
    assert f"usage: ctrecon {command}" in capsys.readouterr().out
    assert f"ctrecon {command}" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_parser_offers_the_commands_and_no_others() -> None:
    """The commands are those with a file of their own."""
    text = build_parser().format_help()
    files = {path.stem for path in (ROOT / "ctrecon" / "cli").glob("*.py")} - {"__init__", "main", "options", "console"}
    assert files == {module.__name__.rpartition(".")[2] for module in COMMANDS}
    assert all(name in text for name in files)


def test_closed_pipe_is_no_trouble(make_slices: Callable[..., Path]) -> None:
    """A reader that leaves early, as `head` does, ends the command without a word."""
    reader, writer = os.pipe()
    os.close(reader)
    run = subprocess.run(
        [sys.executable, "-m", "ctrecon", "info", str(make_slices())],
        stdout=writer, stderr=subprocess.PIPE, cwd=ROOT, text=True, timeout=60, check=False,
    )  # fmt: skip
    os.close(writer)
    assert (run.returncode, run.stderr) == (0, "")


def test_module_runs_as_the_command_does(tmp_path: Path) -> None:
    """`python -m ctrecon` refuses a missing stack with one sentence, code 2 and no traceback."""
    run = subprocess.run(
        [sys.executable, "-m", "ctrecon", "info", str(tmp_path / "not_there")],
        capture_output=True, cwd=ROOT, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert (run.returncode, run.stdout) == (2, "")
    assert run.stderr.startswith("ctrecon: ")
    assert "not_there" in run.stderr
    assert run.stderr.count("\n") == 1
