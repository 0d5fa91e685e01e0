"""What several tests share: a little stack on disk, a little record, and stand-ins for the heavy stages."""

import fcntl
import gc
import importlib.util
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: the tests run side by side

import numpy as np
import pytest
import tifffile

from ctrecon.core.errors import InputFileError
from ctrecon.core.measured import Measured
from ctrecon.record.explained import Explained
from ctrecon.record.measurement import Measurement
from ctrecon.record.part import Axis, Evidence, Feature, Part, Piece, StackInfo, Warn
from ctrecon.record.pictures import SlicePicture


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add `--times`: tests that draw by chance make a few trials in every run, and many where somebody waits for them."""
    parser.addoption("--times", type=int, default=1, help="this many times the trials of each test that draws by chance")


@pytest.fixture
def times(request: pytest.FixtureRequest) -> int:
    """Return how many times the trials of every run a test is to make: 1, or what `--times` says."""
    return int(request.config.getoption("--times"))


def pytest_collection_finish() -> None:
    """Leave modules and tests out of every round of the garbage collector: they stay to the end."""
    gc.freeze()


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Give each process its tests in their order: what a file measures once is then measured in one process only."""
    if config.getvalue("dist") != "load":  # what -n asks for; another choice stands
        return None
    from xdist.scheduler import WorkStealingScheduling

    return WorkStealingScheduling(config, log)


@pytest.fixture(scope="session")
def measured_once(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, Callable[[], Part]], Part]:
    """Return the record of a name, measured for the first test that asks; all processes of this run share it."""
    from ctrecon.record.store import read_part, write_part

    base = tmp_path_factory.getbasetemp()
    base = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base

    def once(name: str, measure: Callable[[], Part]) -> Part:
        file = base / f"{name}.json"
        with (base / f"{name}.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)  # another process may be measuring it
            if not file.is_file():
                write_part(measure(), file)
        return read_part(file)

    return once


@pytest.fixture(scope="session")
def hub_of_two_pieces(measured_once: Callable[[str, Callable[[], Part]], Part]) -> tuple[Part, dict[str, Any]]:
    """Return the record of a drum with its spacer, as measured, and its truth."""
    from ctrecon import phantoms
    from ctrecon.measuring import measure_stack

    made = phantoms.make("drum_hub", scale=0.6)
    measure = lambda: measure_stack(made.volume, voxel_mm=made.voxel_mm, name="drum_hub").part  # noqa: E731
    return measured_once("hub_of_two_pieces", measure), made.truth


@pytest.fixture(scope="session")
def wheel_records() -> ModuleType:
    """Return the module that makes records of toothed wheels from stated truth."""
    spec = importlib.util.spec_from_file_location("wheel_records", Path(__file__).with_name("wheel_records.py"))
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def make_slices(tmp_path: Path) -> Callable[..., Path]:
    """Write a folder of small TIFF slices: air 100, a block of metal 900."""

    def make(name: str = "block", *, slices: int = 3, voxel_mm: float | None = None, metal: int = 900) -> Path:
        folder = tmp_path / name
        folder.mkdir(parents=True)
        for number in range(slices):
            plane = np.full((12, 14), 100, dtype=np.uint16)
            plane[3:9, 4:10] = metal
            description = None if voxel_mm is None else f'{{"voxel_mm": [{voxel_mm}, {voxel_mm}, {voxel_mm}]}}'
            tifffile.imwrite(folder / f"s{number:03d}.tif", plane, description=description, metadata=None)
        return folder

    return make


@pytest.fixture
def little_part() -> Part:
    """Return a record with a bore, a square, an undecided piece and a warning."""
    depth = {"depth_from_mm": Measured(0.5, 0.002), "depth_to_mm": Measured(4.25, 0.002)}
    place = {"x_mm": Measured(3.0, 0.001), "y_mm": Measured(2.0, 0.001)}
    return Part(
        name="block",
        made_with="ctrecon 0.1.0",
        stack=StackInfo(source="block", slices=3, rows=12, columns=14, voxel_mm=(0.5, 0.5, 0.5), scale_basis="stated"),
        axis=Axis(tilt_deg=Measured(0.3, 0.02), direction_xyz=(0.0, 0.0, 1.0)),
        features=(
            Feature(id="F1", kind="round_hole", diameter_mm=Measured(6.2034, 0.0021), **place, **depth),
            Feature(
                id="F2",
                kind="square_outside",
                flats_mm=Measured(9.1, 0.006),
                turn_deg=Measured(17.0, 0.05),
                **place,
                **(depth | {"depth_to_mm": None}),
                unknown={"depth_to_mm": "it runs out of the stack"},
            ),
        ),
        pieces=(
            Piece(
                id="P1",
                name="body",
                depth_from_mm=Measured(0.5, 0.002),
                depth_to_mm=None,
                features=("F1", "F2"),
                verdict="undecided",
                probability_separate=None,
                evidence=(Evidence(kind="seam", features=("F2",), weight=1.0, says="a dark line on slices 1 to 2"),),
                unknown={"probability_separate": "not calibrated", "depth_to_mm": "it runs out of the stack"},
            ),
        ),
        warnings=(Warn(flag="handedness_assumed", says="The slices may run the other way."),),
    )


@pytest.fixture
def stand_ins(monkeypatch: pytest.MonkeyPatch, little_part: Part) -> SimpleNamespace:
    """Replace measuring, drawing and report by quick ones; reading and the record stay real.

    A stack whose metal is as dark as air has nothing to measure, one of grey 901 is refused, and grey 902
    meets a fault of the program.
    """
    import ctrecon.pipeline

    calls = SimpleNamespace(measured=[], drawn=[], reported=[])

    def measure(stack: Any, *, name: str, boundary: str | None = None, priors: Any = None, progress: Any = None) -> Any:
        calls.measured.append(name)
        grey = int(stack.plane(0).max())
        if grey == 901:
            raise InputFileError(f"{stack.source}: is spoilt; scan it again")
        if grey == 902:
            raise ZeroDivisionError("three\nlines\nof it")
        info = replace(little_part.stack, source=stack.source, voxel_mm=stack.voxel_mm)
        part = replace(little_part, name=name, stack=info)
        if grey == 100:
            part = replace(part, features=(), pieces=(), warnings=(Warn(flag="nothing_to_measure", says="Nothing."),))
        if progress is not None:
            progress("survey", 1, 1)
        curve = np.array([[3.0, 3.0], [5.0, 3.0], [4.0, 5.0], [3.0, 3.0]])
        curves = tuple((one.id, curve) for one in part.features)
        return Measurement(part, (SlicePicture(1, np.zeros((12, 14)), (0, 0), curves),))

    def draw(
        part: Part, folder: Path, *, paper: str | None, projection: str, units: str, digits: int | None
    ) -> tuple[Path, ...]:
        calls.drawn.append(paper)
        paths = tuple(folder / f"sheet.{kind}" for kind in ("pdf", "svg", "png", "dxf"))
        for path in paths:
            path.write_text(part.name)
        return paths

    def outlines(part: Part, path: Path, *, edges: str) -> None:
        path.write_text(part.name)

    def template(part: Part, path: Path, *, paper: str | None, units: str, edges: str) -> None:
        path.write_text(part.name)

    def report(measurement: Any, stack: Any, path: Path, *, explained: Any = None) -> None:
        calls.reported.append(stack.source)
        calls.shown = [ident for picture in measurement.pictures for ident, _ in picture.curves]
        path.write_text("<p>")

    # a second process would keep its calls to itself
    monkeypatch.setattr("ctrecon.core.second_process.may_fork", lambda: False)
    monkeypatch.setattr(ctrecon.pipeline, "measure_stack", measure)
    monkeypatch.setattr(
        ctrecon.pipeline, "explain_scan", lambda part, stack, *, progress=None: Explained((), None, None)
    )
    for name, writer in (
        ("drawing.draw_sheet", draw), ("drawing.write_outlines", outlines), ("drawing.write_template", template),
        ("report.write_report", report),
    ):  # fmt: skip
        monkeypatch.setattr(f"ctrecon.{name}", writer)
    return calls
