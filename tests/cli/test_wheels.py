"""`ctrecon wheels`: files, what it prints, when it refuses, and that nothing half-written is left."""

import csv
import io
import json
import shutil
from collections import Counter
from contextlib import redirect_stderr, redirect_stdout
from fractions import Fraction
from math import atan2, cos, degrees, pi, sin
from pathlib import Path
from types import ModuleType

import ezdxf
import ezdxf.path
import pytest
from shapely.geometry import Polygon

from ctrecon.cli.main import main
from ctrecon.record.store import write_part

Capture = pytest.CaptureFixture[str]
FILES = [
    "F1_to_make.dxf", "F3_to_make.dxf", "F5_to_make.dxf", "dividing.csv", "dividing_F1.png", "dividing_F3.png",
    "dividing_F5.png", "teeth.csv", "train.png", "trains.csv", "wheel_F1.png", "wheel_F3.png", "wheel_F5.png", "wheels.json",
    "wheels.pdf",
]  # fmt: skip


@pytest.fixture(autouse=True)
def _work_beside_a_record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wheel_records: ModuleType) -> None:
    """Paths are given relative, as a person would; the record is that of a fragment of a train."""
    monkeypatch.chdir(tmp_path)
    write_part(wheel_records.fragment(runs=((5, 9),), u_centre=0.12, seed=4), "part.json")


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory, wheel_records: ModuleType) -> tuple[Path, tuple[str, str]]:
    """Run the command once on that record; return its folder and what it printed on stdout and stderr."""
    folder = tmp_path_factory.mktemp("wheels")
    write_part(wheel_records.fragment(runs=((5, 9),), u_centre=0.12, seed=4), folder / "part.json")
    with redirect_stdout(io.StringIO()) as out, redirect_stderr(io.StringIO()) as err:
        assert main(["wheels", str(folder / "part.json"), "--lost", "F6=F5", "--out", str(folder / "out")]) == 0
    return folder / "out", (out.getvalue(), err.getvalue())


def _rows(name: str) -> list[dict[str, str]]:
    return list(csv.DictReader(Path("out", name).read_text(encoding="utf-8").splitlines()))


def test_writes_its_files_and_says_what_was_found(ran: tuple[Path, tuple[str, str]]) -> None:
    """Data, tables, outlines and pages; stdout gives counts, the mesh, the ratio and the lost wheel; stderr is empty."""
    Path("out").symlink_to(ran[0])
    out, err = ran[1]
    assert err == "" and sorted(one.name for one in Path("out").iterdir()) == FILES
    assert "F1: 60 teeth, not settled (60 " in out and "F3: 12 teeth\n" in out and "arbor F4 turns -5 times" in out
    assert "a lost wheel on F6 of 16 teeth" in out
    data = json.loads(Path("out/wheels.json").read_text(encoding="utf-8"))
    assert data["schema"] == "ctrecon-wheels-1" and [one["teeth"] for one in data["wheels"]] == [60, 12, 48]
    assert Fraction(data["train"]["speeds"]["F4"]) == -5 and "outline" not in data["wheels"][0]["to_make"]
    assert Counter(row["wheel"] for row in _rows("dividing.csv")) == {"F1": 60, "F3": 12, "F5": 48}
    teeth = _rows("teeth.csv")
    assert Counter(row["wheel"] for row in teeth) == {"F1": 9, "F3": 12, "F5": 48}
    for row in teeth:  # the table adds up by itself
        assert float(row["error_deg"]) == pytest.approx((float(row["angle_deg"]) - float(row["equal_deg"]) + 180) % 360 - 180, abs=2e-4)
    assert [(row["ratio"], row["taken"]) for row in _rows("trains.csv")] == [("5", "yes")]
    assert Path("out/wheels.pdf").read_bytes().startswith(b"%PDF")


def test_two_runs_give_the_same_bytes_and_the_second_needs_leave(
    capsys: Capture, ran: tuple[Path, tuple[str, str]]
) -> None:
    """A folder that is there is kept unless --force is given; then all files come out the same byte by byte."""
    shutil.copytree(ran[0], "out")
    first = {one.name: one.read_bytes() for one in Path("out").iterdir()}
    assert main(["wheels", "part.json", "--out", "out"]) == 2
    assert "already exists" in capsys.readouterr().err
    assert main(["wheels", "part.json", "--lost", "F6=F5", "--out", "out", "--force"]) == 0
    assert {one.name: one.read_bytes() for one in Path("out").iterdir()} == first
    Path("out/letter.txt").write_text("dear")
    assert main(["wheels", "part.json", "--out", "out", "--force"]) == 2
    assert Path("out/letter.txt").read_text() == "dear"


def test_outlines_are_true_size_with_every_tooth(ran: tuple[Path, tuple[str, str]]) -> None:
    """Read by ezdxf, the teeth are one closed line with arcs whose area and tips are those of a 60-tooth wheel of 0.6."""
    doc = ezdxf.readfile(ran[0] / "F1_to_make.dxf")
    by_layer = {}
    for one in doc.modelspace():
        points = [(p.x, p.y) for p in ezdxf.path.make_path(one).flattening(0.001)]
        by_layer.setdefault(one.dxf.layer, []).append(Polygon(points))
        assert one.dxftype() == "LWPOLYLINE" and one.closed
    assert {layer: len(some) for layer, some in by_layer.items()} == {"TEETH": 1, "BORE": 1, "WINDOWS": 4}
    teeth = by_layer["TEETH"][0]
    assert teeth.bounds[2] == pytest.approx(18.6, abs=0.05) and doc.header["$INSUNITS"] == 4
    # a tooth and a gap are equal at the pitch circle, so the area is near that of its disc
    assert teeth.area == pytest.approx(pi * 18**2, rel=0.03)
    ring = teeth.boundary.intersection(Polygon([(r[0], r[1]) for r in _circle(18.0)]).boundary)
    assert len(ring.geoms) == 2 * 60
    assert by_layer["BORE"][0].area == pytest.approx(16.0) and all(teeth.contains(one) for one in by_layer["WINDOWS"])
    # paper has Y up: the square bore, turned by +7° in the slices, is turned the other way
    assert {round(degrees(atan2(y, x)) % 90, 3) for x, y in by_layer["BORE"][0].exterior.coords} == {45 - 7}


def _circle(radius: float) -> list[tuple[float, float]]:
    return [(radius * cos(k * pi / 1800), radius * sin(k * pi / 1800)) for k in range(3600)]


def test_a_record_without_wheels_is_nothing_to_measure(capsys: Capture, wheel_records: ModuleType) -> None:
    """One sentence, exit code 3, and no folder; a rim whose teeth could not be counted is named with its reason."""
    part = wheel_records.record("plate", [wheel_records.arbor_hole("F1", (1.0, 1.0), (0.0, 1.0))])
    write_part(part, "plate.json")
    assert main(["wheels", "plate.json", "--out", "out"]) == 3
    assert capsys.readouterr().out == "there is no measured wheel in plate\n" and not Path("out").exists()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--teeth", "F1"], "cannot be read; write two names with = between them"),
        (["--teeth", "F1=many"], "must be a whole number of teeth"),
        (["--teeth", "F1=" + "9" * 5000], "must be a whole number of teeth"),
        (["--mesh", "F1:F99"], "no wheel with a count and a tip diameter called F99"),
        (["--lost", "F6=F2"], "called F2; there are F1, F3, F5"),
        (["--on", "F1=F77"], "no feature called F77"),
        (["--circles", "0"], "hole circles of 1 or more"),
        (["--tooth", "clock", "--mate-teeth", "F3=12"], "can't be cut with clock teeth"),
    ],
)
def test_wrong_use_is_one_sentence(capsys: Capture, options: list[str], words: str) -> None:
    """What can't be read or isn't there is said in one line on stderr, exit code 2, and nothing is written."""
    assert main(["wheels", "part.json", "--out", "out", *options]) == 2
    out, err = capsys.readouterr()
    assert out == "" and words in err and err.count("\n") == 1 and not Path("out").exists()
