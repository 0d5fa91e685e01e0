"""Speed and memory, as ratios within one run on one machine: 1024 x 1024 uint16 slices of a bore and its outside."""

import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import crlb
import numpy as np
import tifffile
from render import AIR, METAL, Pose, coverage, cut, disc, grey16, noise
from row import Figure, Row, Sample, Trial, crlb_figure, found_figure, honest_figure, rms, samples_of
from skimage.measure import CircleModel, find_contours

from ctrecon import Edge, follow_features, open_stack
from ctrecon.shapes import Circle

SECTION = "Speed and memory"
ROOT = Path(__file__).resolve().parents[2]
SIDE = 1024
LEVEL = (AIR + METAL) // 2
COUNTS = (40, 80, 160)
_DIFFERENT = 12
_LEANING, _WALK = 24, 300
SD = 0.05
_PEAK = """
import sys
import numpy as np
from ctrecon import SliceStack, measure_stack, open_stack
yy, xx = np.mgrid[:48, :48]
clean = 9000 + 32000 * np.clip(15.5 - np.hypot(xx - 23.3, yy - 23.7), 0, 1)
tiny = np.random.default_rng(1).normal(clean, 1600, (9, 48, 48)).clip(0).astype(np.uint16)
measure_stack(SliceStack.from_array(tiny, voxel_mm=0.05))  # so that every package is loaded
if len(sys.argv) > 1:
    measure_stack(open_stack(sys.argv[1], voxel_mm=(0.05, 0.05, 0.05)))
print(next(line for line in open("/proc/self/status") if line.startswith("VmHWM")).split()[1])
"""


@contextmanager
def folder_of_slices(count: int, rng: np.random.Generator) -> Iterator[Path]:
    """A folder of uncompressed TIFF slices, R 300 with a bore of R 100; beyond the first 12 they are links."""
    pose = Pose((1, SIDE, SIDE), (511.3, 512.2, 0.0))
    clean = coverage(cut(disc(0, 0, 300), disc(40, -60, 100)), pose, fine=2)[0]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for k in range(count):
            target = folder / f"slice_{k:04d}.tif"
            if k < _DIFFERENT:
                tifffile.imwrite(target, grey16(clean + noise(clean.shape, SD, rng)))
            else:
                os.link(folder / f"slice_{k % _DIFFERENT:04d}.tif", target)
        yield folder


@contextmanager
def first_slices(folder: Path, count: int) -> Iterator[Path]:
    """A folder with links to the first slices of another."""
    with tempfile.TemporaryDirectory(dir=folder.parent) as name:
        for path in sorted(folder.glob("*.tif"))[:count]:
            os.link(path, Path(name) / path.name)
        yield Path(name)


def _best(work: Callable[[], object], times: int) -> float:
    """Least processor time of several runs, seconds: one core, whatever else the machine does."""
    out = []
    for _ in range(times):
        start = time.process_time()
        work()
        out.append(time.process_time() - start)
    return min(out)


def child(command: Sequence[str], times: int = 1) -> tuple[float, str]:
    """Least processor time of a command, seconds, and what it printed."""
    used, text = [], ""
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    for _ in range(times):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        run = subprocess.run(command, cwd=ROOT, env=env, check=False, capture_output=True, text=True)
        if run.returncode:
            raise RuntimeError((run.stderr.strip().splitlines() or ["ended without a word"])[-1])
        text = run.stdout
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        used.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return min(used), text


def _plain(path: Path) -> list[float]:
    """Read, contour at half height, circle through the two long contours: the plain way with a general library."""
    lines = sorted(find_contours(tifffile.imread(path), LEVEL), key=len)[-2:]
    return [float(CircleModel.from_estimate(line).radius) for line in lines]


@contextmanager
def leaning_slices(rng: np.random.Generator) -> Iterator[tuple[Path, Pose]]:
    """A folder of slices: R 300 with a bore of R 100 whose axes lean by a degree, there and back again and again.

    Beyond the first 24 they are links. A section is the same whichever way the axis leans.
    """
    pose = Pose((1, SIDE, SIDE), (511.3, 512.2, 0.0), tilt_deg=1.0, towards_deg=30.0)
    x, y, z = pose.axis
    part = cut(disc(0, 0, 300), disc(40, -60, 100))
    with tempfile.TemporaryDirectory() as name:
        for k in range(_LEANING):
            at = (pose.centre[0] + x / z * k, pose.centre[1] + y / z * k, 0.0)
            clean = coverage(part, Pose(pose.shape, at, tilt_deg=1.0, towards_deg=30.0), fine=2)[0]
            tifffile.imwrite(Path(name) / f"slice_{k:04d}.tif", grey16(clean + noise(clean.shape, SD, rng)))
        for k in range(_LEANING, _WALK):
            leg, step = divmod(k, _LEANING - 1)
            step = step if leg % 2 == 0 else _LEANING - 1 - step
            os.link(Path(name) / f"slice_{step:04d}.tif", Path(name) / f"slice_{k:04d}.tif")
        yield Path(name), pose


def tracked(rng: np.random.Generator) -> Trial:
    """Milliseconds a slice of following bore and outside, of floor and plain way, and the errors of all diameters."""
    with leaning_slices(rng) as (folder, pose):
        paths = sorted(folder.glob("*.tif"))[:_LEANING]
        stack = open_stack(folder, voxel_mm=1.0)
        middle, lean = _LEANING // 2, pose.axis / pose.axis[2]
        edges = []
        for x, y, radius, hole in ((0, 0, 300, False), (40, -60, 100, True)):
            at = pose.to_stack(x, y, 0)
            place = at + lean * (middle - at[2])
            edges.append(Edge(shape=Circle(place[0] + 0.6, place[1] - 0.5, radius + 0.7), hole=hole, depth_mm=middle))
        floor = _best(lambda: [np.count_nonzero(tifffile.imread(p) > LEVEL) for p in paths], 7) / len(paths)
        plain = _best(lambda: [_plain(p) for p in paths[:4]], 3) / 4
        near = (0, _LEANING - 1)
        short = _best(lambda: follow_features(stack, edges, slices=near), 3)
        long = _best(lambda: follow_features(stack, edges), 3)
        found = follow_features(stack, edges, slices=near)
        contour = [r - t for p in paths[:8] for r, t in zip(sorted(_plain(p)), (100, 300), strict=True)]
    each = (long - short) / (_WALK - _LEANING)
    samples = [
        Sample("size", float(value - 2 * radius), float(u), crlb.circle(float(radius), SD)[0])
        for one, radius in zip(found, (300, 100), strict=True)
        for value, u in zip(one.value_mm, one.u_mm, strict=True)
    ]
    lost = tuple("slice" for one in found for _ in range(_LEANING - len(one.slices)))
    values = {"floor": floor, "plain": plain, "each": each, "start": short - _LEANING * each, "contour": 2 * rms(contour)}
    return Trial(tuple(samples), lost, values=values)


def judge_tracked(trials: Sequence[Trial]) -> list[Figure]:
    """Ratios to floor and plain way, and the errors in units of their bound."""
    v, samples = trials[0].values, samples_of(trials)
    ratio, faster = v["each"] / v["floor"], v["plain"] / v["each"]
    return [
        Figure(f"one more slice {ratio:.1f} x the floor of read + threshold", "<= 5 x the floor", ratio <= 5),
        Figure(f"{faster:.1f} x as fast as the plain way", ">= 5 x as fast", faster >= 5),
        Figure(f"the start costs as much as {v['start'] / v['each']:.0f} slices"),
        Figure(f"RMS {rms(s.error for s in samples):.4f} px, plain way {v['contour']:.4f} px"),
        crlb_figure(samples, 1.3),
        *honest_figure(samples),
        *found_figure(trials),
    ]


def linear(rng: np.random.Generator) -> Trial:
    """Seconds and peak memory for three numbers of slices, each twice the one before."""
    values: dict[str, float] = {}
    base, text = child([sys.executable, "-c", _PEAK])
    megabytes = float(text.split()[-1]) / 1024
    with folder_of_slices(COUNTS[-1], rng) as folder:
        paths = sorted(folder.glob("*.tif"))[:_DIFFERENT]
        values["floor"] = _best(lambda: [np.count_nonzero(tifffile.imread(p) > LEVEL) for p in paths], 7) / len(paths)
        for count in COUNTS:
            with first_slices(folder, count) as some:
                used, text = child([sys.executable, "-c", _PEAK, str(some)])
            values[f"s{count}"] = used - base
            values[f"MB{count}"] = float(text.split()[-1]) / 1024 - megabytes
    return Trial(values=values)


def judge_linear(trials: Sequence[Trial]) -> list[Figure]:
    """Time of the second half of the slices against that of the quarter before it; peak memory over the packages.

    This is the whole route: squared up, traced, contested, followed, searched for seams, explained.
    """
    v = trials[0].values
    few, middle, many = (v[f"s{n}"] for n in COUNTS)
    ratio = (many - middle) / 2 / max(middle - few, 1e-9)
    memory = [v[f"MB{n}"] for n in COUNTS]
    words, counts = "/".join(f"{m:.0f}" for m in memory), "/".join(str(n) for n in COUNTS)
    text = f"a slice from {COUNTS[1]} to {COUNTS[2]} costs {ratio:.2f} x one from {COUNTS[0]} to {COUNTS[1]}"
    return [
        Figure(text, "0.8-1.25", 0.8 <= ratio <= 1.25),
        Figure(
            f"one more slice of the whole route {(many - few) / (COUNTS[2] - COUNTS[0]) / v['floor']:.0f} x the floor of "
            f"read + threshold, {COUNTS[0]} slices {few:.0f} s"
        ),
        Figure(f"{words} MB over the packages at {counts} slices", "<= 300 MB", max(memory) <= 300),
    ]


def starts(rng: np.random.Generator) -> Trial:
    """Processor seconds of a start: bare interpreter, --version, --help, import of numpy, of numpy and ctrecon."""

    def start(*command: str) -> float:
        return child([sys.executable, *command], 9)[0]

    return Trial(values={
        "bare": start("-c", "pass"), "version": start("-m", "ctrecon", "--version"),
        "help": start("-m", "ctrecon", "--help"), "numpy": start("-c", "import numpy"),
        "both": start("-c", "import numpy, ctrecon"),
    })  # fmt: skip


def judge_starts(trials: Sequence[Trial]) -> list[Figure]:
    """Each against its target."""
    v = trials[0].values
    more = v["both"] - v["numpy"]
    return [
        Figure(f"--version {v['version']:.2f} s", "<= 0.2 s", v["version"] <= 0.2),
        Figure(f"--help {v['help']:.2f} s", "<= 0.2 s", v["help"] <= 0.2),
        Figure(f"import over numpy {more:.2f} s", "<= 0.1 s", more <= 0.1),
        Figure(f"bare interpreter {v['bare']:.2f} s"),
    ]


ROWS = (
    Row("starts", SECTION, "starts of the command and the package", 1, starts, judge_starts, alone=True),
    Row("tracked", SECTION, "bore and outside followed through slices of 1024², lean 1 degree", 1, tracked, judge_tracked, alone=True),
    Row("linear", SECTION, f"time and memory at {COUNTS[0]}, {COUNTS[1]}, {COUNTS[2]} slices of 1024²", 1, linear, judge_linear, alone=True),
)  # fmt: skip
