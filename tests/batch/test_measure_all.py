"""Many stacks: one folder each, one summary, and a bad stack stops nobody."""

import csv
import errno
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from ctrecon.batch import Entry, find_jobs, measure_all, out_names
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
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        "a", "alike.csv", "batch.log", "d", "deep", "features.csv", "index.html", "journal.csv", "summary.csv",
    ]  # fmt: skip
    assert (tmp_path / "out" / "deep" / "e" / "part.json").is_file()
    assert [entry.same_as for entry in entries] == ["", "", "", "", "a"]  # stacks of the same bytes


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


def test_a_folder_of_something_else_is_refused(
    make_slices: MakeSlices, tmp_path: Path, stand_ins: SimpleNamespace
) -> None:
    """Without force an output folder that no batch wrote is refused before anything is measured."""
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


def test_what_stands_is_kept_and_what_changed_is_measured_anew(
    make_slices: MakeSlices, tmp_path: Path, stand_ins: SimpleNamespace
) -> None:
    """A second run measures the stack with another grey, the one that failed, and the one whose sheet is gone."""
    for name, metal in (("a", 900), ("b", 900), ("c", 901), ("d", 900), ("e", 900)):
        make_slices(f"scans/{name}", metal=metal)
    scans, out = tmp_path / "scans", tmp_path / "out"
    measure_all(scans, out, settings=SCALE)
    stand_ins.measured.clear()
    slice_of_b, slice_of_e = scans / "b" / "s001.tif", scans / "e" / "s001.tif"
    data = bytearray(slice_of_b.read_bytes())
    data[-1] ^= 1
    slice_of_b.write_bytes(data)
    (out / "d" / "sheet.pdf").unlink()
    slice_of_e.write_bytes(slice_of_e.read_bytes())  # another time, the same bytes
    entries = measure_all(scans, out, settings=SCALE)
    assert stand_ins.measured == ["b", "c", "d"]
    assert [entry.kept for entry in entries] == [True, False, False, False, True]
    stand_ins.measured.clear()
    measure_all(scans, out, settings=Settings(voxel_mm=0.5, units="in"))
    assert stand_ins.measured == ["a", "b", "c", "d", "e"]


def test_each_stack_is_stamped_once_a_run(
    make_slices: MakeSlices, tmp_path: Path, stand_ins: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A look at 2,000 files over a network takes seconds: new, changed, failed and unchanged stacks are looked at once."""
    import ctrecon.batch.measure

    for name, metal in (("a", 900), ("b", 900), ("c", 901)):
        make_slices(f"scans/{name}", metal=metal)
    stamped: list[str] = []
    real = ctrecon.batch.measure.stamp_of
    monkeypatch.setattr(ctrecon.batch.measure, "stamp_of", lambda path: (stamped.append(path.name), real(path))[1])
    measure_all(tmp_path / "scans", tmp_path / "out", settings=SCALE)
    (tmp_path / "scans" / "b" / "s001.tif").touch()
    measure_all(tmp_path / "scans", tmp_path / "out", settings=SCALE)
    assert stamped == ["a", "b", "c"] * 2


def test_a_torn_journal_costs_one_stack(make_slices: MakeSlices, tmp_path: Path, stand_ins: SimpleNamespace) -> None:
    """A last line without its end, as a cut of power leaves it, counts as not written."""
    for name in ("a", "b"):
        make_slices(f"scans/{name}")
    measure_all(tmp_path / "scans", tmp_path / "out", settings=SCALE)
    journal = tmp_path / "out" / "journal.csv"
    whole = journal.read_bytes()
    journal.write_bytes(whole[:-20])
    stand_ins.measured.clear()
    measure_all(tmp_path / "scans", tmp_path / "out", settings=SCALE)
    assert stand_ins.measured == ["b"]
    assert journal.read_bytes() == whole


def test_a_full_disk_stops_the_run_and_the_rest_is_done_later(
    make_slices: MakeSlices, tmp_path: Path, stand_ins: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No stack after it is measured in vain; with room again the same call goes on, and nothing half-written lies about."""
    for name in ("a", "b", "c"):
        make_slices(f"scans/{name}")
    import ctrecon.drawing

    draw = ctrecon.drawing.draw_sheet

    def full(part: Any, folder: Path, **more: Any) -> Any:
        if part.name == "b":
            raise OSError(errno.ENOSPC, "No space left on device", str(folder / "sheet.pdf"))
        return draw(part, folder, **more)

    monkeypatch.setattr(ctrecon.drawing, "draw_sheet", full)
    with pytest.raises(InputFileError, match="1 of 3 stacks are done and kept"):
        measure_all(tmp_path / "scans", tmp_path / "out", settings=SCALE)
    assert stand_ins.measured == ["a", "b"]
    assert not [path for path in (tmp_path / "out").iterdir() if path.name.startswith(".")]
    monkeypatch.setattr(ctrecon.drawing, "draw_sheet", draw)
    entries = measure_all(tmp_path / "scans", tmp_path / "out", settings=SCALE)
    assert stand_ins.measured == ["a", "b", "b", "c"]
    assert [entry.outcome for entry in entries] == ["measured"] * 3


def test_two_runs_do_not_share_a_folder(make_slices: MakeSlices, tmp_path: Path, stand_ins: SimpleNamespace) -> None:
    """While one batch writes, another is refused."""
    make_slices("scans/a")
    refused = []

    def again(entry: Entry, total: int) -> None:
        with pytest.raises(OutputExistsError, match="another batch"):
            measure_all(tmp_path / "scans", tmp_path / "out", settings=SCALE)
        refused.append(entry.stack)

    measure_all(tmp_path / "scans", tmp_path / "out", settings=SCALE, each=again)
    assert refused == ["a"]


def test_a_list_and_a_pattern_name_stacks(make_slices: MakeSlices, tmp_path: Path) -> None:
    """A folder, a pattern and a list find the same stacks, with the same names."""
    for name in ("a1", "a2", "b1"):
        make_slices(f"scans/{name}")
    scans = tmp_path / "scans"
    assert [job.stack for job in find_jobs(scans, tmp_path / "out")] == ["a1", "a2", "b1"]
    assert [job.stack for job in find_jobs(f"{scans}/a*", tmp_path / "out")] == ["a1", "a2"]
    assert [job.stack for job in find_jobs([scans / "b1", scans / "a1"], tmp_path / "out")] == ["a1", "b1"]
    with pytest.raises(InputFileError, match="not there"):
        find_jobs([scans / "c"], tmp_path / "out")
