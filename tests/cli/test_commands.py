"""Each command on little stacks: what it prints where, what it writes, and its exit code."""

import re
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import ezdxf
import numpy as np
import pytest
import tifffile

from ctrecon.cli import demo
from ctrecon.cli.console import feature_table
from ctrecon.cli.main import main
from ctrecon.record.part import Part
from ctrecon.record.store import write_part

MakeSlices = Callable[..., Path]
Capture = pytest.CaptureFixture[str]


@pytest.fixture(autouse=True)
def _work_in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Paths are given relative, as a person would."""
    monkeypatch.chdir(tmp_path)


def test_info_works_without_scale(make_slices: MakeSlices, capsys: Capture) -> None:
    """Without a voxel size info says all the rest, and how to give one."""
    make_slices("hub")
    assert main(["info", "hub"]) == 0
    out, err = capsys.readouterr()
    lines = dict(line.split(None, 1) for line in out.splitlines() if not line.startswith("note"))
    assert lines["stack"] == "hub"
    assert lines["slices"] == "3 (s000.tif to s002.tif)"
    assert lines["size"] == "12 rows x 14 columns"
    assert lines["type"] == "uint16"
    assert "unknown" in lines["voxel"]
    assert "--voxel-mm" in lines["voxel"]
    assert "extent" not in lines
    assert lines["missing"] == "none"
    assert lines["grey"] == "100 to 900 (over 3 slices)"
    assert lines["direction"] == "away from the viewer (assumed)"
    assert err == ""


def test_info_tells_scale_direction_and_gaps(make_slices: MakeSlices, capsys: Capture) -> None:
    """Stated voxel and direction are repeated with where they came from, and a gap is named."""
    stack = make_slices("hub", slices=5)
    (stack / "s002.tif").unlink()
    assert main(["info", "hub", "--voxel-mm", "0.5", "0.25", "0.2", "--depth-towards-viewer"]) == 0
    out = capsys.readouterr().out
    assert "0.5 x 0.25 x 0.2 mm (between slices, down, across; stated on the command line)" in out
    assert "2.5 x 3 x 2.8 mm" in out
    assert "(stated, and turned round where need be)" in out
    assert "1 slices: 2 (counted from 0)" in out
    assert "5 (s004.tif to s000.tif)" in out


def test_info_on_a_stack_without_numbers(tmp_path: Path, capsys: Capture) -> None:
    """A slice of nothing but NaN has no grey range, and info says so instead of failing."""
    tifffile.imwrite(tmp_path / "nan.tif", np.full((8, 8), np.nan, dtype=np.float32))
    assert main(["info", "nan.tif"]) == 0
    assert "no numbers" in capsys.readouterr().out


def test_measure_prints_table_and_files(make_slices: MakeSlices, stand_ins: SimpleNamespace, capsys: Capture) -> None:
    """The table with value and U stands on stdout, files as called, warnings on stderr."""
    make_slices("hub")
    assert main(["measure", "hub", "--out", "res/hub", "--voxel-mm", "0.5", "--paper", "A3"]) == 0
    out, err = capsys.readouterr()
    assert "k = 2, without scale" in out
    first = next(line for line in out.splitlines() if line.startswith("F1"))
    assert first.split() == ["F1", "round", "hole", "diameter", "6.203", "0.004", "0.500", "to", "4.250"]
    assert "res/hub/part.json" in out
    assert "res/hub/report.html" in out
    assert str(Path.cwd()) not in out
    assert "a dark line on slices 1 to 2" in out
    assert err == "note: The slices may run the other way.\n"
    assert stand_ins.drawn == ["A3"]


def test_table_shows_unknown_as_unknown(little_part: Part) -> None:
    """An end that is not known reads 'unknown', never 0, and every size has its own line."""
    lines = feature_table(little_part)
    assert [line.split()[0] for line in lines[1:3]] == ["F1", "F2"]
    assert lines[2].endswith("0.500 to unknown")
    assert lines[3].split() == ["turn", "deg", "17.00", "0.10"]


def test_measure_without_scale_and_into_existing(
    make_slices: MakeSlices, stand_ins: SimpleNamespace, capsys: Capture
) -> None:
    """No scale, an existing folder and a bad number are refused with code 2 and one sentence each."""
    make_slices("hub")
    for argv, says in (
        (["measure", "hub", "--out", "new"], "--voxel-mm"),
        (["measure", "hub", "--out", "hub", "--voxel-mm", "1"], "--force"),
        (["measure", "hub", "--out", "new", "--voxel-mm", "1", "2"], "DZ DY DX"),
        (["measure", "nowhere", "--out", "new", "--voxel-mm", "1"], "nowhere"),
    ):
        assert main(argv) == 2
        out, err = capsys.readouterr()
        assert out == ""
        assert says in err
        assert err.count("\n") == 1
    assert not Path("new").exists()


def test_measure_nothing_leaves_with_3(make_slices: MakeSlices, stand_ins: SimpleNamespace, capsys: Capture) -> None:
    """Nothing to measure: a record that says so, and code 3."""
    make_slices("air", metal=100)
    assert main(["measure", "air", "--out", "out", "--voxel-mm", "1"]) == 3
    out = capsys.readouterr().out
    assert "nothing that could be measured" in out
    assert "out/part.json" in out
    assert "sheet" not in out


def test_draw_redraws_a_record(little_part: Part, stand_ins: SimpleNamespace, capsys: Capture) -> None:
    """A record alone gives the sheet again; its folder may be replaced with force only."""
    write_part(little_part, "part.json")
    assert main(["draw", "part.json", "--out", "sheets"]) == 0
    assert "sheets/sheet.pdf" in capsys.readouterr().out
    assert sorted(path.name for path in Path("sheets").iterdir()) == [
        "outlines.dxf", "sheet.dxf", "sheet.pdf", "sheet.png", "sheet.svg", "template.pdf",
    ]  # fmt: skip
    assert main(["draw", "part.json", "--out", "sheets"]) == 2
    assert main(["draw", "part.json", "--out", "sheets", "--force"]) == 0
    assert main(["draw", "other.json", "--out", "more"]) == 2
    assert "other.json" in capsys.readouterr().err


def test_draw_takes_projection_units_and_paper(little_part: Part, tmp_path: Path, capsys: Capture) -> None:
    """The sheet says what was asked for, the template is on the same paper, and other words are refused."""
    write_part(little_part, "part.json")
    asked = ["--projection", "third", "--units", "in", "--paper", "Letter"]
    assert main(["draw", "part.json", "--out", "sheets", *asked]) == 0
    assert "sheets/template.pdf" in capsys.readouterr().out
    texts = {one.dxf.text for one in ezdxf.readfile("sheets/sheet.dxf").modelspace().query("TEXT")}
    assert {"third angle", "in [mm]", "Letter"} <= texts
    for file in ("sheet.pdf", "template.pdf"):
        assert re.search(rb"/MediaBox \[\s*0 0 792 612", Path("sheets", file).read_bytes())  # 11 x 8.5 inches
    for wrong in (["--projection", "second"], ["--units", "ft"], ["--paper", "B5"]):
        with pytest.raises(SystemExit):
            main(["draw", "part.json", "--out", "more", *wrong])


def test_phantom_refuses_unknown_names_and_strange_folders(tmp_path: Path, capsys: Capture) -> None:
    """An unknown name lists the known ones; a folder with other files is never replaced."""
    assert main(["phantom", "teapot", "--out", "out"]) == 2
    assert "drum_hub" in capsys.readouterr().err
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("dear")
    assert main(["phantom", "drum_hub", "--out", "mine", "--force"]) == 2
    assert (tmp_path / "mine" / "letter.txt").read_text() == "dear"


def test_demo_measures_the_sample_at_hand(
    make_slices: MakeSlices, stand_ins: SimpleNamespace, capsys: Capture
) -> None:
    """Where sample_slices is in the working folder, demo measures it and says it is invented."""
    stack = make_slices("sample_slices/drum_hub", voxel_mm=0.5)
    (stack / "truth.json").write_text("{}")
    assert demo.find_sample() == Path("sample_slices/drum_hub")
    assert main(["demo", "--out", "shown"]) == 0
    assert "invented" in capsys.readouterr().out
    assert stand_ins.measured == ["drum_hub"]
    assert Path("shown/sheet.pdf").is_file()


def test_demo_renders_its_sample_elsewhere(
    stand_ins: SimpleNamespace, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    """Where no sample is at hand it is rendered, measured under its own name, and cleared away."""
    monkeypatch.setattr(demo, "find_sample", lambda: None)
    assert main(["demo"]) == 0
    assert stand_ins.measured == ["drum_hub"]
    assert [path.name for path in Path().iterdir()] == ["demo_out"]


@pytest.mark.parametrize(
    ("metals", "code"), [((900, 900), 0), ((900, 100), 0), ((900, 901), 2), ((100, 902), 2), ((100, 100), 3)]
)
def test_batch_codes(
    metals: tuple[int, int], code: int, make_slices: MakeSlices, stand_ins: SimpleNamespace, capsys: Capture
) -> None:
    """2 as soon as one stack failed, 3 when none had anything, else 0; every stack has its line."""
    for name, metal in zip("ab", metals, strict=True):
        make_slices(f"scans/{name}", metal=metal)
    assert main(["batch", "scans", "--out", "out", "--voxel-mm", "0.5", "--jobs", "1"]) == code
    out, err = capsys.readouterr()
    assert [line.split(":")[0] for line in out.splitlines()[:2]] == ["a", "b"]
    assert "out/summary.csv" in out
    assert ("ctrecon: " in err) == (code == 2)
    assert "Traceback" not in err


@pytest.mark.parametrize("dry", [["--dry-run"], []])
def test_a_dry_run_refuses_what_the_run_refuses(make_slices: MakeSlices, capsys: Capture, dry: list[str]) -> None:
    """No jobs at all, and a folder that is no batch's, are refused in the same words; nothing is written."""
    make_slices("scans/hub", voxel_mm=0.5)
    make_slices("other")
    assert main(["batch", "scans", "--out", "out", "--jobs", "0", *dry]) == 2
    assert "0 jobs can't measure anything; give 1 or more" in capsys.readouterr().err
    assert main(["batch", "scans", "--out", "other", *dry]) == 2
    assert "other: already exists and holds no batch" in capsys.readouterr().err
    assert not Path("out").exists()


def test_a_dry_run_says_what_would_become_of_each_stack(
    make_slices: MakeSlices, stand_ins: SimpleNamespace, capsys: Capture
) -> None:
    """New, unchanged, changed and failed stacks, one cut short and one without a scale: told, and nothing is written."""
    for name in ("kept", "changed", "torn"):
        make_slices(f"scans/{name}", voxel_mm=0.5)
    make_slices("scans/spoilt", voxel_mm=0.5, metal=901)
    assert main(["batch", "scans", "--out", "out", "--jobs", "1"]) == 2
    Path("scans/changed/s001.tif").touch()
    torn = Path("scans/torn/s001.tif")
    torn.write_bytes(torn.read_bytes()[:-40])
    make_slices("scans/new", voxel_mm=0.5)
    make_slices("scans/bare")
    before = {path: path.stat().st_mtime_ns for path in Path("out").rglob("*")}
    capsys.readouterr()
    assert main(["batch", "scans", "--out", "out", "--dry-run"]) == 2
    assert before == {path: path.stat().st_mtime_ns for path in Path("out").rglob("*")}
    about = "3 slices of 12 x 14 px, 0.5 x 0.5 x 0.5 mm"
    lines = dict(line.split(": ", 1) for line in capsys.readouterr().out.splitlines()[:-1])
    assert lines["kept"] == f"{about}; unchanged, kept"
    assert lines["changed"] == f"{about}; to compare"
    assert lines["spoilt"] == f"{about}; failed before, tried again"
    assert lines["new"] == f"{about}; to measure"
    assert lines["torn"].startswith("would fail: torn/s001.tif is damaged or cut short")
    assert lines["bare"].startswith("would fail: ")
    assert "--voxel-mm" in lines["bare"]
