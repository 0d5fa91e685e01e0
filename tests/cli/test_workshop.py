"""`ctrecon workshop`: files, what it prints, when it refuses, and that nothing half-written is left."""

from pathlib import Path

import pytest

import ctrecon.drawing.plan
from ctrecon.cli.main import main
from ctrecon.core.errors import InputFileError

Capture = pytest.CaptureFixture[str]
FILES = ["coordinates.csv", "plan.json", "plan.pdf", "shopping.csv"]

_TWO = """
name = "two plates"
stack = ["upper", "lower"]
axes.main = {}
[parts.upper]
role = "plate"
outline = { size_mm = [40, 30] }
thickness_mm = "1.5±0.02"
holes = [{ axis = "main", at_mm = [3, 2], diameter_mm = "3.0±0.01" }]
[parts.lower]
role = "plate"
outline = { size_mm = [40, 30] }
thickness_mm = "2.0±0.02"
holes = [{ axis = "main", at_mm = [3, 2], diameter_mm = "3.0±0.01" }]
"""


@pytest.fixture(autouse=True)
def _work_in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Paths are given relative, as a person would."""
    monkeypatch.chdir(tmp_path)
    Path("two.toml").write_text(_TWO, encoding="utf-8")


def _run(*more: str) -> int:
    return main(["workshop", "two.toml", "--out", "plan", *more])


def test_writes_its_files_and_says_what_is_next(capsys: Capture) -> None:
    """Four files; stdout says how many steps, which is next, what to look at, and the files; nothing on stderr."""
    assert _run() == 0
    out, err = capsys.readouterr()
    assert sorted(one.name for one in Path("plan").iterdir()) == FILES
    lines = out.splitlines()
    assert lines[0] == "two plates: 6 steps, 0 done, 1 set-up"
    assert lines[1] == "next: Blank (upper), id blank-upper"
    assert "to look at before cutting: 1 check (register pins 1)" in lines
    assert lines[-5:] == ["written:", *(f"    plan/{name}" for name in ("plan.pdf", "plan.json", "shopping.csv", "coordinates.csv"))]
    assert err == ""
    assert Path("plan/plan.pdf").read_bytes().startswith(b"%PDF")


def test_two_runs_give_the_same_bytes_and_the_second_needs_leave(capsys: Capture) -> None:
    """A folder that is there is kept unless --force is given; then all files come out the same byte by byte."""
    assert _run() == 0
    first = {name: Path("plan", name).read_bytes() for name in FILES}
    capsys.readouterr()
    assert _run() == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err == "ctrecon: plan: already exists; choose another folder, or add --force to replace it\n"
    assert _run("--force") == 0
    assert {name: Path("plan", name).read_bytes() for name in FILES} == first


def test_a_folder_with_other_files_is_never_replaced(capsys: Capture) -> None:
    """Even --force leaves a folder alone that holds what ctrecon did not write."""
    Path("plan").mkdir()
    Path("plan/letter.txt").write_text("dear")
    assert _run("--force") == 2
    assert "letter.txt" in capsys.readouterr().err
    assert Path("plan/letter.txt").read_text() == "dear"


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('name = "two plates"', "", "two.toml: name: is missing"),
        ('role = "plate"', 'role = "plate"\nmateriel = "brass"', "parts.upper.materiel: is not known here; did you mean material?"),
        ('name = "two plates"', 'name = "two plates', "is no TOML"),
        ("[parts.lower]", "[stock]\ndrills_mm = [9.0]\n[parts.lower]", "no drill of the list"),
        ('stack = ["upper", "lower"]', 'stack = ["upper", "lower"]\nkeep_outs = [{ name = "enamel", at_mm = [0, 0], size_mm = [90, 90] }]', "limited by enamel"),
        ("[parts.lower]", "[parts.lower]\nrecord = 'nowhere.part.json'", "parts.lower"),
    ],
)  # fmt: skip
def test_what_cannot_be_planned_is_one_sentence(old: str, new: str, words: str, capsys: Capture) -> None:
    """A bad file and an impossible plan leave by exit code 2 with one sentence, and no folder, not even a hidden one."""
    Path("two.toml").write_text(_TWO.replace(old, new), encoding="utf-8")
    assert _run() == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("ctrecon: ") and err.count("\n") == 1
    assert words in err
    assert [one.name for one in Path().iterdir()] == ["two.toml"]


def test_a_file_that_is_not_there(capsys: Capture) -> None:
    """The missing file is named."""
    assert main(["workshop", "three.toml", "--out", "plan"]) == 2
    assert "three.toml: cannot be read" in capsys.readouterr().err


def test_a_plan_with_failing_checks_is_written_and_says_so(capsys: Capture) -> None:
    """Sheet that is too thin by choice fails its check: exit code 0, files there, the check and the next step on stdout."""
    Path("two.toml").write_text(_TWO + "[overrides.stock]\nupper = 1.0\n", encoding="utf-8")
    assert _run() == 0
    out = capsys.readouterr().out
    assert "fails: Upper: sheet 1 mm (your choice). It is 0.500 mm thinner than the 1.500 mm found" in out
    assert "next: Blank (upper), id blank-upper" in out
    assert sorted(one.name for one in Path("plan").iterdir()) == FILES


def test_nothing_half_written_is_left(monkeypatch: pytest.MonkeyPatch, capsys: Capture) -> None:
    """Where the last file can't be written, the folder that was there stays whole and no other is left."""
    assert _run() == 0
    before = {name: Path("plan", name).read_bytes() for name in FILES}

    def full(*_: object, **__: object) -> None:
        raise InputFileError("plan.pdf: cannot be written (no space left on device); choose another place")

    monkeypatch.setattr(ctrecon.drawing.plan, "write_plan", full)
    assert _run("--force") == 2
    assert "no space left" in capsys.readouterr().err
    assert {name: Path("plan", name).read_bytes() for name in FILES} == before
    assert sorted(one.name for one in Path().iterdir()) == ["plan", "two.toml"]


def test_paper_is_one_of_three(capsys: Capture) -> None:
    """Letter is known, A7 is wrong use; the size of the page follows (8.5 x 11 in = 612 x 792 points)."""
    with pytest.raises(SystemExit) as left:
        _run("--paper", "A7")
    assert left.value.code == 2
    assert "A7" in capsys.readouterr().err
    assert _run("--paper", "Letter") == 0
    assert b"/MediaBox [0 0 612 792]" in Path("plan/plan.pdf").read_bytes().replace(b".0 ", b" ").replace(b".0]", b"]")
