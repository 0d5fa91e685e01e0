"""The output half of the pipeline: whole folders or none, and nothing lost that was there."""

import os
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

import ctrecon.pipeline
from ctrecon.core.errors import InputFileError, NoScaleError, OutputExistsError
from ctrecon.core.second_process import may_fork
from ctrecon.outputs import FEATURES, RECORD, SLICES, Made, names_of, write_wanted
from ctrecon.pipeline import measure_to_folder, name_of, staged_folder
from ctrecon.record.measurement import Measurement
from ctrecon.record.part import Part
from ctrecon.record.priors import PRIORS
from ctrecon.record.store import read_part
from ctrecon.settings import Settings
from ctrecon.slices import open_stack

SCALE = Settings(voxel_mm=(0.5, 0.5, 0.5))
MakeSlices = Callable[..., Path]


def test_writes_every_output_and_leaves_nothing_else(
    make_slices: MakeSlices, tmp_path: Path, stand_ins: SimpleNamespace
) -> None:
    """A run writes the nine files, readable as usual, and no temporary folder stays behind."""
    part = measure_to_folder(make_slices(), tmp_path / "new" / "out", settings=SCALE)
    assert sorted(path.name for path in (tmp_path / "new" / "out").iterdir()) == sorted(names_of())
    assert [path.name for path in (tmp_path / "new").iterdir()] == ["out"]
    assert read_part(tmp_path / "new" / "out" / "part.json") == part
    probe = tmp_path / "probe"
    probe.mkdir()
    assert (tmp_path / "new" / "out").stat().st_mode == probe.stat().st_mode


def test_name_is_that_of_the_stack_unless_given(
    make_slices: MakeSlices, tmp_path: Path, stand_ins: SimpleNamespace
) -> None:
    """The part is called after its folder, or as the settings say."""
    stack = make_slices("hub.v2")
    assert measure_to_folder(stack, tmp_path / "a", settings=SCALE).name == "hub.v2"
    named = Settings(voxel_mm=(0.5, 0.5, 0.5), name="drum")
    assert measure_to_folder(stack, tmp_path / "b", settings=named).name == "drum"


def test_prior_is_handed_on_scaled(
    make_slices: MakeSlices, tmp_path: Path, stand_ins: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stated prior is shared among the ways of several pieces as they stood to each other; unsaid, none is given."""
    given: list[dict[str, float] | None] = []
    measure = ctrecon.pipeline.measure_stack

    def noting(*args: Any, priors: Any = None, **rest: Any) -> Any:
        given.append(priors)
        return measure(*args, priors=priors, **rest)

    monkeypatch.setattr(ctrecon.pipeline, "measure_stack", noting)
    stack = make_slices()
    measure_to_folder(stack, tmp_path / "a", settings=SCALE)
    measure_to_folder(stack, tmp_path / "b", settings=replace(SCALE, prior_separate=0.6))
    assert given[0] is None
    assert given[1] is not None
    assert given[1]["one_piece"] == pytest.approx(0.4)
    assert sum(given[1].values()) == pytest.approx(1.0)
    assert given[1]["pressed_in"] / given[1]["riveted"] == pytest.approx(PRIORS["pressed_in"] / PRIORS["riveted"])


def test_name_of_the_working_folder(make_slices: MakeSlices, monkeypatch: pytest.MonkeyPatch) -> None:
    """A stack called `.` gets the name of the folder it stands for."""
    monkeypatch.chdir(make_slices("hub"))
    assert name_of(".") == "hub"
    assert name_of("s000.tif") == "s000"


def test_without_scale_says_how_to_give_it(make_slices: MakeSlices, tmp_path: Path, stand_ins: SimpleNamespace) -> None:
    """No voxel size: one sentence with the option, nothing measured and nothing written."""
    with pytest.raises(NoScaleError, match=r"block: .*voxel_mm=0\.05.*\(dz, dy, dx\)"):
        measure_to_folder(make_slices(), tmp_path / "out")
    assert not stand_ins.measured
    assert [path.name for path in tmp_path.iterdir()] == ["block"]


def test_existing_output_is_refused_before_measuring(
    make_slices: MakeSlices, tmp_path: Path, stand_ins: SimpleNamespace
) -> None:
    """A folder that is there is refused at once and kept as it was."""
    out = tmp_path / "out"
    out.mkdir()
    with pytest.raises(OutputExistsError, match="force=True"):
        measure_to_folder(make_slices(), out, settings=SCALE)
    assert not stand_ins.measured
    assert list(out.iterdir()) == []


def test_force_replaces_own_results_only(make_slices: MakeSlices, tmp_path: Path, stand_ins: SimpleNamespace) -> None:
    """With force an old result goes, but a folder with a stranger's file in it stays untouched."""
    stack, out = make_slices(), tmp_path / "out"
    measure_to_folder(stack, out, settings=SCALE)
    (out / "report.html").write_text("old")
    measure_to_folder(stack, out, settings=SCALE, force=True)
    assert (out / "report.html").read_text() == "<p>"
    (out / "letter.txt").write_text("mine")
    with pytest.raises(OutputExistsError, match=r"letter\.txt"):
        measure_to_folder(stack, out, settings=SCALE, force=True)
    assert (out / "letter.txt").read_text() == "mine"


def test_force_never_replaces_the_stack(make_slices: MakeSlices, stand_ins: SimpleNamespace) -> None:
    """The slices themselves given as the output folder are refused and survive."""
    stack = make_slices()
    with pytest.raises(OutputExistsError):
        measure_to_folder(stack, stack, settings=SCALE, force=True)
    assert len(list(stack.iterdir())) == 3


@pytest.mark.parametrize("fails", [ZeroDivisionError, KeyboardInterrupt])
def test_failed_writer_leaves_the_old_result(
    make_slices: MakeSlices,
    tmp_path: Path,
    stand_ins: SimpleNamespace,
    monkeypatch: pytest.MonkeyPatch,
    fails: type[BaseException],
) -> None:
    """When the last writer fails, the old results are still whole and no half-written folder is left."""
    stack, out = make_slices(), tmp_path / "out"
    measure_to_folder(stack, out, settings=SCALE)
    before = {path.name: path.read_bytes() for path in out.iterdir()}

    def fail(*args: object, **more: object) -> None:
        raise fails

    monkeypatch.setattr("ctrecon.report.write_report", fail)
    with pytest.raises(fails):
        measure_to_folder(stack, out, settings=SCALE, force=True)
    with pytest.raises(fails):
        measure_to_folder(stack, tmp_path / "deep" / "er" / "out", settings=SCALE)
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["block", "out"]


def test_old_result_comes_back_when_the_rename_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """If the new folder cannot take its place, the old one is moved back."""
    out = tmp_path / "out"
    out.mkdir()
    (out / "part.json").write_text("old")
    rename = ctrecon.pipeline.os.rename

    def refuse_new(source: Path, target: Path) -> None:
        if source.name == "new":
            raise OSError(28, "No space left on device", str(target))
        rename(source, target)

    monkeypatch.setattr(ctrecon.pipeline.os, "rename", refuse_new)
    with pytest.raises(OSError, match="No space"), staged_folder(out, force=True) as folder:
        (folder / "part.json").write_text("new")
    assert (out / "part.json").read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_folder_under_a_file_is_refused(tmp_path: Path) -> None:
    """An output folder inside a file is refused by name."""
    (tmp_path / "note").write_text("")
    with pytest.raises(InputFileError, match="note: is a file"), staged_folder(tmp_path / "note" / "out"):
        pass


def test_nothing_found_still_leaves_a_record(
    make_slices: MakeSlices, tmp_path: Path, stand_ins: SimpleNamespace
) -> None:
    """A stack without a part gets a record and a report that say so, and no empty sheet."""
    part = measure_to_folder(make_slices(metal=100), tmp_path / "out", settings=SCALE)
    assert part.features == ()
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
            "features.csv", "part.json", "report.html", "seams.npz",
        ]
    assert read_part(tmp_path / "out" / "part.json").warnings[0].flag == "nothing_to_measure"


def test_a_second_process_changes_no_byte(
    make_slices: MakeSlices, tmp_path: Path, little_part: Part, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Outputs made by two processes are those made by one, file by file; the report is there either way."""
    made = Made(part=little_part, settings=SCALE, measurement=Measurement(little_part), stack=open_stack(make_slices()))
    found = []
    for splits in {False, may_fork()}:
        monkeypatch.setattr("ctrecon.core.second_process.may_fork", lambda splits=splits: splits)
        folder = tmp_path / f"splits_{splits}"
        folder.mkdir()
        write_wanted(made, folder, RECORD, FEATURES, SLICES)
        found.append({path.name: path.read_bytes() for path in folder.iterdir()})
    assert sorted(found[0]) == sorted(names_of())
    assert all(one == found[0] for one in found)


def test_what_a_killed_run_left_is_cleared_away(tmp_path: Path) -> None:
    """The half-done folder of a process that is gone is removed; that of one that runs, and those of others, stay."""
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    with staged_folder(tmp_path / "out") as folder:
        ours = folder.parent
        left = ours.with_name(ours.name.replace(f"-{os.getpid()}-", f"-{gone.pid}-"))
        left.mkdir()
        (tmp_path / ".out.elsewhere-1-x").mkdir()
        (tmp_path / ".other").mkdir()
        with staged_folder(tmp_path / "out2"):
            assert left.is_dir()
        with suppress(KeyboardInterrupt), staged_folder(tmp_path / "out"):
            assert ours.is_dir()
            assert not left.exists()
            raise KeyboardInterrupt
    assert sorted(path.name for path in tmp_path.iterdir()) == [".other", ".out.elsewhere-1-x", "out", "out2"]
