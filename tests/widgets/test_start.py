"""How notebooks begin: what a newcomer gets wrong is one sentence."""

from collections.abc import Callable
from pathlib import Path

import pytest
from IPython.core.interactiveshell import InteractiveShell

from ctrecon.core.errors import InputError, InputFileError
from ctrecon.widgets import known_truth, open_part, open_slices

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ("'nowhere'", "/nowhere is not there; check the path."),
        ("'{plain}'", "write its edge in mm into the cell at the top, such as voxel_mm = 0.05"),
        ("'{plain}', voxel_mm=-1", "voxel size must be above 0 mm"),
    ],
)
def test_what_goes_wrong_is_one_sentence_in_a_notebook(
    make_slices: Callable[..., Path], capsys: pytest.CaptureFixture[str], given: str, says: str
) -> None:
    """IPython shows the sentence alone: no traceback, no file of ours, no line number."""
    shell = InteractiveShell()
    given = given.format(plain=make_slices())
    shell.run_cell(f"from ctrecon.widgets import open_slices\nopen_slices({given})", store_history=False)
    shown = capsys.readouterr().out
    assert says in shown
    assert "Traceback" not in shown
    assert "stack.py" not in shown
    assert len(shown.strip().splitlines()) == 1


def test_a_stack_with_scale_is_opened(make_slices: Callable[..., Path]) -> None:
    """A scale in the files, or one stated, will do."""
    assert open_slices(make_slices(voxel_mm=0.5)).voxel_mm == (0.5, 0.5, 0.5)
    assert open_slices(make_slices("bare"), voxel_mm=0.2).voxel_mm == (0.2, 0.2, 0.2)


def test_the_truth_is_known_of_invented_parts_only(make_slices: Callable[..., Path]) -> None:
    """The sample comes with its true sizes, a folder of one's own without."""
    assert known_truth(ROOT / "sample_slices" / "drum_hub", "round_hole", "diameter_mm") == pytest.approx(2.4)
    assert known_truth(ROOT / "sample_slices" / "drum_hub", "round_outside", "diameter_mm", near=8.0) == pytest.approx(7.8)
    assert known_truth(make_slices(), "round_hole", "diameter_mm") is None
    assert known_truth(ROOT / "sample_slices" / "drum_hub", "wheel", "diameter_mm") is None


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('{"features": [{"kind": "round_hole", "diameter_mm": "2.4"}]}', "diameter_mm of a round_hole is no number"),
        ('{"features": [{"kind": "round_hole", "diameter_mm": 1e999}]}', "diameter_mm of a round_hole is no number"),
        ('{"features": [{"diameter_mm": 2.4}]}', "no list 'features'"),
        ('{"features": 2.4}', "no list 'features'"),
        ("[" * 100_000, "no list 'features'"),
        ('{"features": [', "no list 'features'"),
    ],
)
def test_a_spoilt_truth_is_refused(tmp_path: Path, text: str, says: str) -> None:
    """A file of true sizes that a person or a disk has spoilt ends in one sentence."""
    (tmp_path / "truth.json").write_text(text)
    with pytest.raises(InputFileError, match=rf"truth\.json: is not the truth of an invented part: .*{says}"):
        known_truth(tmp_path, "round_hole", "diameter_mm")


def test_a_part_is_measured_once_and_opened_again(make_slices: Callable[..., Path], tmp_path: Path) -> None:
    """The second notebook opens the first one's record, without a word on the scale, and its decisions are in force."""
    source, results = make_slices(), tmp_path / "my_part"
    first = open_part(source, results, voxel_mm=0.5)
    record = results / "block" / "part.json"
    assert "measured now" in first.notice
    assert first.folder == results / "block"
    written = record.stat().st_mtime_ns
    first.rename("F1", "seat")
    second = open_part(source, results)
    assert "nothing measured" in second.notice
    assert record.stat().st_mtime_ns == written
    assert second.part.feature("F1").name == "seat"
    assert second.part == first.part


def test_another_voxel_size_measures_again_and_keeps_the_decisions(
    make_slices: Callable[..., Path], tmp_path: Path
) -> None:
    """A record of another scale is not passed off as the one asked for; what was decided is replayed on the new one."""
    source, results = make_slices(), tmp_path / "my_part"
    open_part(source, results, voxel_mm=0.5).rename("F1", "seat")
    again = open_part(source, results, voxel_mm="0,25")
    assert "measured again" in again.notice
    assert again.base.stack.voxel_mm == (0.25, 0.25, 0.25)
    assert again.part.feature("F1").name == "seat"


def test_what_is_wrong_is_said_before_anything_is_measured(make_slices: Callable[..., Path], tmp_path: Path) -> None:
    """A prior above 1, a damaged file of decisions, a comma for a point: one sentence each, and no record."""
    source, results = make_slices(), tmp_path / "my_part"
    with pytest.raises(InputError, match="above 0 and below 1"):
        open_part(source, results, voxel_mm=0.5, prior_separate=1.5)
    with pytest.raises(InputError, match="with a point, not a comma"):
        open_part(source, results, voxel_mm=(0, 5))
    (results / "block").mkdir(parents=True)
    (results / "block" / "decisions.json").write_text("{")
    with pytest.raises(InputFileError, match="is not a file of decisions"):
        open_part(source, results, voxel_mm=0.5)
    assert not (results / "block" / "part.json").exists()
