"""How notebooks begin: what a newcomer gets wrong is one sentence."""

from collections.abc import Callable
from pathlib import Path

import pytest
from IPython.core.interactiveshell import InteractiveShell

from ctrecon.widgets import known_truth, open_slices

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ("'nowhere'", "Nowhere is not there; check the path."),
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
