"""The package as a script sees it: the README's lines run, and values behave as numpy and Python users expect."""

import inspect
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

import ctrecon as ct
from ctrecon.core.errors import NoFeatureError, WrongTypeError
from ctrecon.core.measured import Measured
from ctrecon.record.main_size import main_size_of
from ctrecon.record.part import Feature, Part

ROOT = Path(ct.__file__).parents[1]
SAMPLE = ROOT / "sample_slices"


@pytest.fixture(scope="module")
def volume() -> np.ndarray:
    """Return grey values that differ in every voxel."""
    return np.arange(4 * 6 * 5, dtype=np.uint16).reshape(4, 6, 5)


@pytest.mark.skipif(not SAMPLE.is_dir(), reason="the sample slices are not installed with the package")
def test_the_lines_of_the_readme_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The script under 'From Python' measures the sample, calibrates it, and draws its sheet."""
    (script,) = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), flags=re.DOTALL)
    (tmp_path / "sample_slices").symlink_to(SAMPLE)
    monkeypatch.chdir(tmp_path)
    kept: dict[str, Any] = {}
    exec(compile(script, "README.md", "exec"), kept)  # noqa: S102
    part = kept["part"]
    printed = capsys.readouterr().out.splitlines()
    assert len(printed) == len(part.features)
    assert re.fullmatch(r"F1 \w+ \d+\.\d{3} ± 0\.\d{3}", printed[0])
    assert part.stack.scale_basis == "calibrated"
    assert {path.name for path in (tmp_path / "sheets").iterdir()} == {
        f"sheet.{one}" for one in ("pdf", "svg", "png", "dxf")
    }


@pytest.mark.parametrize(
    "at", [0, -1, np.int64(2), slice(1, 3), slice(None, None, -1), slice(9, 12), (1, 2), (slice(0, 2), 3), (-1, 2, 4)]
)
def test_a_stack_is_indexed_as_its_array_is(volume: np.ndarray, at: Any) -> None:
    """Numbers from either end, ranges and further axes give what numpy gives for the same array."""
    stack = ct.SliceStack.from_array(volume, voxel_mm=0.1)
    assert np.array_equal(stack[at], volume[at])
    assert stack[at].dtype == volume.dtype


def test_a_stack_becomes_an_array(volume: np.ndarray, tmp_path: Path) -> None:
    """`numpy.asarray` gives all slices, in the type asked for; a missing slice is NaN; a copy can't be done without."""
    stack = ct.SliceStack.from_array(volume, voxel_mm=0.1)
    assert np.array_equal(np.asarray(stack), volume)
    assert np.asarray(stack, dtype=float).dtype == float
    assert (len(stack), sum(1 for _ in stack)) == (4, 4)
    with pytest.raises(ValueError, match="copy"):
        np.asarray(stack, copy=False)
    for number in (0, 2):
        tifffile.imwrite(tmp_path / f"s{number}.tif", volume[number])
    for number in (3, 4):
        tifffile.imwrite(tmp_path / f"s{number}.tif", volume[3])
    gap = np.asarray(ct.open_stack(tmp_path))
    assert np.isnan(gap[1]).all()
    assert np.array_equal(gap[2], volume[2])


@pytest.mark.parametrize(("at", "kind"), [(4, IndexError), (-5, IndexError), ("a", TypeError), (1.0, TypeError)])
def test_a_wrong_index_is_refused_as_numpy_does(volume: np.ndarray, at: Any, kind: type[Exception]) -> None:
    """Beyond the ends it is an IndexError, no number a TypeError, each with one sentence."""
    with pytest.raises(kind, match="slice"):
        ct.SliceStack.from_array(volume)[at]


def test_features_are_taken_by_id(little_part: Part) -> None:
    """`part[id]` is the feature; a wrong id names those there are and is a KeyError; a record is not a list."""
    assert little_part["F2"].kind == "square_outside"
    assert "F2" in little_part
    assert "F3" not in little_part
    with pytest.raises(KeyError) as caught:
        little_part["F3"]
    assert isinstance(caught.value, NoFeatureError)
    assert str(caught.value) == "there is no feature 'F3' in block; its features are F1, F2"
    with pytest.raises(TypeError, match="not iterable"):
        list(little_part)  # type: ignore[call-overload]


@pytest.mark.parametrize(
    ("feature", "text", "value", "u"),
    [
        (Feature(id="F1", kind="round_hole", diameter_mm=Measured(6.2034, 0.0021)), "6.203 ± 0.004", 6.2034, 0.0042),
        (Feature(id="F1", kind="round_hole", diameter_mm=Measured(6.2, 0.003, 0.004)), "6.200 ± 0.010", 6.2, 0.01),
        (
            Feature(id="F1", kind="slot", flats_pair_mm=(Measured(4.0, 0.01), Measured(2.0, 0.02))),
            "4.000 ± 0.020 x 2.000 ± 0.040", 4.0, 0.02,
        ),
        (Feature(id="F1", kind="free_hole", area_mm2=Measured(3.0, 0.05)), "3.000 ± 0.100 mm²", 3.0, 0.1),
        (Feature(id="F1", kind="face_seam", seam_mm=Measured(0.02)), "0.020", 0.02, None),
    ],
)  # fmt: skip
def test_a_main_size_stands_with_its_u(feature: Feature, text: str, value: float, u: float | None) -> None:
    """Text holds value and U (k = 2, with the scale's share), float and U the numbers."""
    size = feature.size
    assert f"{size:.3f}" == text
    assert float(size) == value
    assert (None if u is None else pytest.approx(u)) == size.U


def test_an_unknown_size_prints_and_says_why() -> None:
    """A size that could not be measured is a word in text, NaN as a number, and carries its reason."""
    size = main_size_of(Feature(id="F1", kind="round_hole", unknown={"diameter_mm": "too little rim"}))
    assert (str(size), f"{size:.3f}", size.U, size.why) == ("unknown", "unknown", None, "too little rim")
    assert np.isnan(float(size))
    assert str(main_size_of(Feature(id="F2", kind="odd"))) == "unknown"


def test_a_format_that_is_no_number_of_decimals_is_refused() -> None:
    """What a measured number can't be written in is refused, not guessed."""
    with pytest.raises(ValueError, match="decimals"):
        format(Measured(1.0), "e")


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (
            lambda part, _: ct.draw_sheet("part.json", "x"),
            "draw_sheet takes a Part, not a str; read one with read_part",
        ),
        (lambda part, _: ct.write_part(None, "x"), "write_part takes a Part, not a NoneType"),
        (lambda part, _: ct.draw_sheet(ct.Measurement(part), "x"), "takes a Part, not a Measurement; give its part"),
        (lambda part, _: ct.apply_decisions(part, "decisions.json"), "takes a Decision, not a str; read them with"),
        (lambda part, _: ct.write_decisions([{"do": "accept"}], "x"), "write_decisions takes a Decision, not a dict"),
        (lambda part, _: ct.calibrate(part, ["F1=3"]), "give each known size by itself"),
        (lambda part, _: ct.explain_scan(part, np.zeros((2, 3, 4))), "takes a SliceStack, not a ndarray"),
        (lambda part, _: ct.measure_stack("scans"), "open a path with open_stack"),
        (lambda part, grey: ct.measure(grey, voxel=0.1), r"has no argument 'voxel'; it takes voxel_mm"),
        (lambda part, grey: ct.measure(grey, paper="A4"), "has no argument 'paper'"),
    ],
)
def test_a_wrong_type_is_one_sentence(
    call: Callable[[Part, np.ndarray], object], says: str, little_part: Part, volume: np.ndarray
) -> None:
    """What a function does not take is a TypeError of ours that says what it takes and how to get one."""
    with pytest.raises(WrongTypeError, match=says) as caught:
        call(little_part, volume)
    assert isinstance(caught.value, TypeError)
    assert "\n" not in str(caught.value)


def test_errors_advise_in_python(volume: np.ndarray) -> None:
    """A script is told which argument to give, not which option of the command."""
    with pytest.raises(ct.CtreconError, match=r"voxel_mm=\(dz, dy, dx\)") as caught:
        ct.measure_stack(volume)
    assert "--" not in str(caught.value)
    with pytest.raises(ct.CtreconError, match="open its own slices"):
        ct.explain_scan(ct.read_part(ROOT / "tests" / "plots" / "hub.json"), ct.SliceStack.from_array(volume))


def test_public_names_are_what_they_are_called() -> None:
    """No module of the package hides behind a public name, whatever was imported before."""
    import ctrecon.calibration
    import ctrecon.explain
    import ctrecon.pipeline  # noqa: F401

    assert not [name for name in ct.__all__ if inspect.ismodule(getattr(ct, name))]
