"""`measure --decisions FILE`: what a person decided is replayed, and never lost."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from ctrecon.cli.main import main
from ctrecon.decisions import Accept, Reject, named, read_decisions, write_decisions
from ctrecon.record.part import Part
from ctrecon.record.store import read_part


@pytest.fixture
def kept(little_part: Part, tmp_path: Path) -> Path:
    """Return a file with one decision that fits the record and one that does not."""
    first, second = little_part.features
    stray = Accept(feature=replace(named(little_part, first), x_mm=90.0))
    write_decisions((Reject(feature=named(little_part, second)), stray), tmp_path / "kept.json")
    return tmp_path / "kept.json"


def test_decisions_are_replayed_and_the_unmatched_one_is_named(
    make_slices: Callable[..., Path], stand_ins: SimpleNamespace, kept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The record written lacks what was rejected; the other decision is a warning of record and console."""
    source = make_slices(voxel_mm=0.5)
    assert main(["measure", str(source), "--out", str(tmp_path / "out"), "--decisions", str(kept)]) == 0
    part = read_part(tmp_path / "out" / "part.json")
    assert [one.id for one in part.features] == ["F1"]
    assert [one.flag for one in part.warnings][-2:] == ["decided", "decision_unmatched"]
    said = capsys.readouterr()
    assert "1 of 2 decisions replayed" in said.out
    assert stand_ins.shown == ["F1"]  # the report's pictures show no line of what was rejected
    assert "Decision 2 (accept round hole of 6.20 mm at x 90.00, y 2.00) was left out" in said.err


def test_force_keeps_the_decisions_beside_the_record(
    make_slices: Callable[..., Path], stand_ins: SimpleNamespace, kept: Path, tmp_path: Path
) -> None:
    """Measuring again with --force replaces the results but not what a person decided."""
    source, out = make_slices(voxel_mm=0.5), tmp_path / "out"
    assert main(["measure", str(source), "--out", str(out)]) == 0
    (out / "decisions.json").write_bytes(kept.read_bytes())
    assert main(["measure", str(source), "--out", str(out), "--force", "--decisions", str(out / "decisions.json")]) == 0
    assert read_decisions(out / "decisions.json") == read_decisions(kept)


def test_a_bad_file_of_decisions_is_refused_before_measuring(
    make_slices: Callable[..., Path], stand_ins: SimpleNamespace, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One sentence, code 2, and nothing was measured."""
    (tmp_path / "bad.json").write_text("[]")
    command = ["measure", str(make_slices(voxel_mm=0.5)), "--out", str(tmp_path / "out"), "--decisions", str(tmp_path / "bad.json")]
    assert main(command) == 2
    assert "is not a file of decisions" in capsys.readouterr().err
    assert stand_ins.measured == []
