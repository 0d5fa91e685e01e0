"""Many stacks: one folder each, one summary, and a bad stack stops nobody."""

import csv
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest

from ctrecon.batch import Entry, measure_all, out_names
from ctrecon.core.errors import InputFileError, OutputExistsError
from ctrecon.settings import Settings

SCALE = Settings(voxel_mm=(0.5, 0.5, 0.5))
MakeSlices = Callable[..., Path]


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def test_bad_stacks_do_not_stop_the_rest(
    make_slices: MakeSlices, tmp_path: Path, stand_ins: SimpleNamespace
) -> None:
    """Refused data, a fault of the program and an empty stack stand in the summary beside the good ones."""
    for name, metal in (("a", 900), ("b", 901), ("c", 902), ("d", 100), ("deep/e", 900)):
        make_slices(f"scans/{name}", metal=metal)
    entries = measure_all(tmp_path / "scans", tmp_path / "out", settings=SCALE)
    assert [(entry.stack, entry.outcome) for entry in entries] == [
        ("a", "measured"), ("b", "failed"), ("c", "failed"), ("d", "nothing_found"), ("deep/e", "measured"),
    ]  # fmt: skip
    rows = _rows(tmp_path / "out" / "summary.csv")
    assert [row["results"] for row in rows] == ["a", "", "", "d", "deep/e"]
    assert rows[1]["says"] == "b: is spoilt; scan it again"
    assert rows[2]["says"] == "internal fault (ZeroDivisionError: three lines of it)"
    assert (rows[0]["features"], rows[0]["pieces"], rows[0]["voxel_dz_mm"]) == ("2", "1", "0.5")
    assert rows[3]["flags"] == "nothing_to_measure"
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["a", "d", "deep", "summary.csv"]
    assert (tmp_path / "out" / "deep" / "e" / "part.json").is_file()


def test_summary_is_whole_after_every_stack(
    make_slices: MakeSlices, tmp_path: Path, stand_ins: SimpleNamespace
) -> None:
    """Interrupted after the first stack, the summary and the results of the first are there."""
    for name in ("a", "b"):
        make_slices(f"scans/{name}")

    def stop(entry: Entry, total: int) -> None:
        assert total == 2
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        measure_all(tmp_path / "scans", tmp_path / "out", settings=SCALE, each=stop)
    assert [row["stack"] for row in _rows(tmp_path / "out" / "summary.csv")] == ["a"]
    assert (tmp_path / "out" / "a" / "sheet.pdf").is_file()


def test_results_under_the_folder_are_no_stacks(
    make_slices: MakeSlices, tmp_path: Path, stand_ins: SimpleNamespace
) -> None:
    """A second run into a folder inside the first does not measure the sheets of the first."""
    make_slices("scans/a")
    for force in (False, True):
        entries = measure_all(tmp_path / "scans", tmp_path / "scans" / "out", settings=SCALE, force=force)
        assert [entry.stack for entry in entries] == ["a"]
        (tmp_path / "scans" / "out" / "a" / "sheet.png").write_bytes(b"\x89PNG")


def test_a_folder_without_stacks_is_refused(tmp_path: Path) -> None:
    """No folder, or one without slices, is bad input, and no output folder appears."""
    (tmp_path / "empty").mkdir()
    for name in ("empty", "not_there"):
        with pytest.raises(InputFileError, match=name):
            measure_all(tmp_path / name, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_existing_output_is_refused(make_slices: MakeSlices, tmp_path: Path, stand_ins: SimpleNamespace) -> None:
    """Without force an output folder that is there is refused before anything is measured."""
    make_slices("scans/a")
    (tmp_path / "out").mkdir()
    with pytest.raises(OutputExistsError, match="force=True"):
        measure_all(tmp_path / "scans", tmp_path / "out", settings=SCALE)
    assert not stand_ins.measured


def test_one_name_for_all_stacks_is_left_aside(
    make_slices: MakeSlices, tmp_path: Path, stand_ins: SimpleNamespace
) -> None:
    """Every stack keeps its own name."""
    make_slices("scans/a")
    make_slices("scans/b")
    measure_all(tmp_path / "scans", tmp_path / "out", settings=Settings(voxel_mm=(1, 1, 1), name="x"))
    assert stand_ins.measured == ["a", "b"]


def test_no_two_stacks_share_a_folder(tmp_path: Path) -> None:
    """Files and folders of one name, and files that differ in the ending only, get folders of their own."""
    (tmp_path / "a").mkdir()
    paths = [tmp_path / name for name in ("a", "a.bmp", "a.tif", "a_tif.tif", "b.tif")]
    names = out_names(paths, tmp_path)
    assert len({str(name) for name in names}) == len(paths)
    assert names[0] == Path("a")
    assert names[-1] == Path("b")
