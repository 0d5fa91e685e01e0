"""Large stacks made on the spot and measured whole: seconds and peak memory, each in a process of its own.

`python tests/bench/run.py --only large` runs them all, `--only hub-200,hub-400` some, `--only
hub-250,hub-500,hub-1000` draws the curve of time and memory over the slices of 1024²: there it is the whole command, with
report and sheet, and the memory of all its processes together. The largest needs 4 GB of memory to be made, and 2 GB of
disk.
"""

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import tifffile
from row import Figure, Row, Trial
from rows_speed import ROOT, SECTION, child
from scipy import ndimage

sys.path.append(str(ROOT / "tests"))

from worn import parts

_MOST_MB = 500
_INTERPOLATED = 5 / 8
"""Share of the noise's variance that a line drawn between voxels keeps, twice as many of them, along one axis."""
_MEASURE = """
import sys, time
import ctrecon
stack = ctrecon.open_stack(sys.argv[1], voxel_mm=tuple(float(edge) for edge in sys.argv[2:5]))
start = time.perf_counter()
part = ctrecon.measure_stack(stack).part
elapsed = time.perf_counter() - start
peak = next(line for line in open("/proc/self/status") if line.startswith("VmHWM")).split()[1]
print(elapsed, int(peak) / 1024, len(part.features))
"""


@dataclass(frozen=True, kw_only=True)
class Large:
    """A stack to be made: a worn part, its size, the limit in seconds.

    `by` is 2 where it is drawn at half its size and then enlarged. `whole` is the command with all its outputs, whose
    limit is for the clock, on two cores; `quick_s` that of its quick pass.
    """

    name: str
    kind: str
    size: tuple[int, int, int]
    limit_s: float
    by: int = 1
    whole: bool = False
    quick_s: float | None = None


_EVERY = (
    Large(name="hub-200", kind="hub", size=(200, 400, 400), limit_s=15),
    Large(name="sandwich-200", kind="sandwich", size=(200, 400, 400), limit_s=60),
    Large(name="series-512", kind="hub", size=(93, 512, 512), limit_s=30),
    Large(name="hub-400", kind="hub", size=(400, 800, 800), limit_s=50, by=2),
    Large(name="hub-250", kind="hub", size=(250, 1024, 1024), limit_s=180, by=2, whole=True),
    Large(name="hub-500", kind="hub", size=(500, 1024, 1024), limit_s=180, by=2, whole=True),
    Large(name="hub-1000", kind="hub", size=(1000, 1024, 1024), limit_s=180, by=2, whole=True, quick_s=10),
)


def _enlarged(told: parts.Scanned, by: int, rng: np.random.Generator) -> Iterator[np.ndarray]:
    """Yield the slices, each `by` times as many and as large; what interpolation takes off the noise comes back."""
    count, rows, columns = told.slices.shape
    lost = 0.0 if by == 1 else (1 - _INTERPOLATED**3) ** 0.5
    noise = np.float32(lost * (told.scan["metal"] - told.scan["air"]) / told.scan["snr"])
    for k in range(count * by):
        at = min(max((k + 0.5) / by - 0.5, 0.0), count - 1.0)
        low, share = int(at), np.float32(at % 1)
        plane = told.slices[low] * (1 - share) + told.slices[min(low + 1, count - 1)] * share
        if by > 1:
            plane = ndimage.affine_transform(
                plane, [1 / by] * 2, (1 / by - 1) / 2, (rows * by, columns * by), order=1, mode="nearest"
            )
            plane += noise * rng.standard_normal(plane.shape, dtype=np.float32)
        yield np.clip(np.rint(plane), 0, 65535).astype(np.uint16)


@contextmanager
def large_stack(one: Large, rng: np.random.Generator) -> Iterator[tuple[Path, list[str]]]:
    """A folder of the slices of a worn part with all faults of a scanner, and its voxel edges in mm."""
    slices, rows, columns = (n // one.by for n in one.size)
    told, _, _ = parts.make(one.kind, int(rng.integers(9000, 1_000_000)), size=(slices, rows, columns))
    with tempfile.TemporaryDirectory(dir="/var/tmp") as name:
        for k, plane in enumerate(_enlarged(told, one.by, rng)):
            tifffile.imwrite(Path(name) / f"slice_{k:04d}.tif", plane)
        edges = [str(edge / one.by) for edge in told.voxel_mm]
        del told
        yield Path(name), edges


def measured(one: Large, rng: np.random.Generator) -> Trial:
    """Make a stack, measure it in a fresh process, keep processor and elapsed seconds, peak memory, features."""
    with large_stack(one, rng) as (folder, edges):
        if one.whole:
            return Trial(values=commanded(folder, edges, quick=one.quick_s is not None))
        used, text = child([sys.executable, "-c", _MEASURE, str(folder), *edges])
    elapsed, megabytes, features = (float(word) for word in text.split()[-3:])
    return Trial(values={"used": used, "elapsed": elapsed, "MB": megabytes, "features": features})


def commanded(folder: Path, edges: list[str], *, quick: bool) -> dict[str, float]:
    """Measure a stack with the command: its seconds and memory, and those of a quick pass where it is asked for."""
    with tempfile.TemporaryDirectory() as name:
        command = [sys.executable, "-m", "ctrecon", "measure", str(folder), "--voxel-mm", *edges, "--out"]
        values = watched([*command, f"{name}/whole"])
        values["features"] = len((Path(name) / "whole" / "features.csv").read_text().splitlines()) - 1
        if quick:
            values["quick"] = watched([*command, f"{name}/quick", "--quick"])["elapsed"]
    return values


def watched(command: Sequence[str]) -> dict[str, float]:
    """Run a command: processor and elapsed seconds, and the most memory that it and its children had together, MB.

    Pages that processes share are shared out among them (Pss of the kernel).
    """
    start, most = time.perf_counter(), 0.0
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    with subprocess.Popen(command, cwd=ROOT, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as run:
        while True:
            ended, status, usage = os.wait4(run.pid, os.WNOHANG)
            if ended:
                break
            most = max(most, _pss_mb(run.pid))
            time.sleep(0.5)
        run.returncode = os.waitstatus_to_exitcode(status)
        if run.returncode and run.stderr is not None:
            raise RuntimeError(run.stderr.read().decode().strip() or "ended without a word")
    used = usage.ru_utime + usage.ru_stime
    return {"used": used, "elapsed": time.perf_counter() - start, "MB": most}


def _pss_mb(number: int) -> float:
    """Memory of a process and all that it began, MB; 0 where it has just ended."""
    process = Path("/proc", str(number))
    try:
        lines = (process / "smaps_rollup").read_text().splitlines()
        began = (process / "task" / str(number) / "children").read_text().split()
    except OSError:
        return 0.0
    own = sum(float(line.split()[1]) for line in lines if line.startswith("Pss:")) / 1024
    return own + sum(_pss_mb(int(child)) for child in began)


def judge(one: Large, trials: Sequence[Trial]) -> list[Figure]:
    """Each against its limit; the interpreter and all packages count as well."""
    v = trials[0].values
    took = v["elapsed" if one.whole else "used"]
    says = f"{v['used']:.0f} processor seconds, {v['elapsed']:.0f} s elapsed, {v['features']:.0f} features"
    quick = [] if one.quick_s is None else [
        Figure(f"quick pass {v['quick']:.1f} s", f"<= {one.quick_s:.0f} s", v["quick"] <= one.quick_s)
    ]  # fmt: skip
    return [
        Figure(says, f"<= {one.limit_s:.0f} s {'elapsed' if one.whole else 'of the processor'}", took <= one.limit_s),
        Figure(f"{v['MB']:.0f} MB in all", f"<= {_MOST_MB} MB", v["MB"] <= _MOST_MB),
        *quick,
    ]


def command(_: np.random.Generator) -> Trial:
    """Processor seconds of the whole command on the sample hub: measured, drawn, reported."""
    with tempfile.TemporaryDirectory() as name:
        stack = str(ROOT / "sample_slices" / "drum_hub")
        used, _ = child([sys.executable, "-m", "ctrecon", "measure", stack, "--out", f"{name}/out"])
    return Trial(values={"used": used})


def judge_command(trials: Sequence[Trial]) -> list[Figure]:
    """Without a target: it is to be compared with the run before."""
    return [Figure(f"{trials[0].values['used']:.1f} processor seconds")]


def _row(one: Large) -> Row:
    what = f"{one.kind} of {one.size[0]} x {one.size[1]}² {'by the command' if one.whole else 'measured whole'}"
    work: Callable[[np.random.Generator], Trial] = partial(measured, one)
    return Row(one.name, SECTION, what, 1, work, partial(judge, one), alone=True)


ROWS = (
    Row("command", SECTION, "whole command on the sample hub", 1, command, judge_command, alone=True),
    *(_row(one) for one in _EVERY),
)
