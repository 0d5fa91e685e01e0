"""The sample files of other projects as input: each gives a result, or one sentence and code 2 or 3.

    python tests/hostile/samples.py                     # those that lie in the packages installed here
    python tests/hostile/samples.py FOLDER ...          # those below folders, such as sources of packages unpacked
    python tests/hostile/samples.py --measure           # not read alone, but measured and drawn too

Files nobody here wrote: what the readers' own libraries are tested with, well-formed, rare and broken on purpose
(pydicom, scikit-image, h5py, NumPy, SciPy, Matplotlib and others carry some in their installed packages; Pillow,
imageio, tifffile and pynrrd in their sources). Every file is given, whatever its ending, and every folder that holds some.

What counts as given way: any end but code 0, 2 or 3; a code of 2 without exactly one line on stderr that begins with
`ctrecon:`; such a line of over 1,000 letters or with control characters; a traceback; more than 10 s of processor time to
be read or 60 s to be measured and drawn; more than 1 GiB of memory.
"""

# ruff: noqa: E402 - threads are settled before numpy is loaded
import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse
import importlib.metadata
import multiprocessing
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Iterator
from contextlib import redirect_stderr
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT)]

READ_WITHIN, MEASURED_WITHIN, MOST_MB, LONGEST = 10.0, 60.0, 1024, 1000
_NO_SAMPLES = {".py", ".pyi", ".pyc", ".so", ".js", ".css", ".html", ".svg", ".map", ".woff", ".woff2", ".ttf", ".afm", ".pfb"}
_PACKAGES = ("pydicom", "scikit-image", "h5py", "zarr", "imageio", "tifffile", "pillow", "matplotlib", "numpy", "scipy", "networkx")
_ENDINGS = {".tif", ".tiff", ".png", ".jpg", ".jpeg", ".bmp", ".gif", ".dcm", ".h5", ".hdf5", ".npy", ".npz", ".gz", ".mat", ".nrrd", ".nhdr", ".mha", ".mhd"}


@dataclass(frozen=True)
class End:
    """How a command ended: its code, what it printed, and what it used."""

    code: int
    stderr: str
    seconds: float
    mb: float

    def fault(self, within: float) -> str:
        """Return how it gave way, or an empty string."""
        if self.code not in (0, 2, 3):
            return f"ended with {self.code}: {self.stderr[-600:]}"
        lines = self.stderr.splitlines()
        if self.code == 2 and (len(lines) != 1 or not lines[0].startswith("ctrecon: ")):
            return f"code 2 and not one sentence: {self.stderr[:400]!r}"
        if any(len(line) > LONGEST or not line.isprintable() for line in lines):
            return f"badly said: {self.stderr[:400]!r}"
        if self.seconds > within:
            return f"{self.seconds:.0f} s"
        return f"{self.mb:.0f} MB" if self.mb > MOST_MB else ""


def installed_samples() -> dict[str, list[Path]]:
    """Return the sample files and folders that lie in the packages installed here, by package."""
    found = {}
    for package in _PACKAGES:
        try:
            files = importlib.metadata.files(package) or []
        except importlib.metadata.PackageNotFoundError:
            continue
        paths = [Path(str(one.locate())) for one in files if _is_sample(Path(str(one)))]
        found[package] = sorted({one for path in paths for one in (path, path.parent)})
    return found


def _is_sample(path: Path) -> bool:
    """Return whether a file of a package is data: by its ending, or because it lies among a reader's test files."""
    return path.suffix.lower() in _ENDINGS or ("test_files" in path.parts and path.suffix not in _NO_SAMPLES)


def samples_below(folder: Path) -> list[Path]:
    """Return every file below a folder that may be data, and every folder that holds some."""
    files = [path for path in folder.rglob("*") if path.is_file() and path.suffix.lower() not in _NO_SAMPLES]
    return sorted({one for path in files for one in (path, path.parent)})


def tried(paths: list[Path], *, measure: bool) -> Iterator[tuple[str, Path, End, str]]:
    """Read samples, and measure those that could be read where asked for; yield each command, its end and its fault.

    A process of its own does many, and what ends it or never comes back is told as the fault of the sample it was at.
    """
    waiting = list(paths)
    context = multiprocessing.get_context("fork")
    while waiting:
        ours, theirs = context.Pipe(duplex=False)
        worker = context.Process(target=_many, args=(waiting, measure, theirs))
        worker.start()
        theirs.close()
        while waiting:
            try:
                if not ours.poll(20 * MEASURED_WITHIN):
                    raise EOFError
                command, end, fault = ours.recv()
            except EOFError:
                yield "info", waiting.pop(0), End(-1, "", 0, 0), "the process ended or never did"
                break
            if command == "done":
                waiting.pop(0)
            else:
                yield command, waiting[0], end, fault
        worker.kill()
        worker.join()


def _many(paths: list[Path], measure: bool, told: Connection) -> None:
    warnings.simplefilter("ignore")  # as the command does
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    for path in paths:
        end = _ended(["info", str(path)])
        told.send(("info", end, end.fault(READ_WITHIN)))
        if measure and end.code == 0:
            told.send(("measure", *_measured(path)))
        told.send(("done", None, ""))


def _measured(path: Path) -> tuple[End, str]:
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder, "out")
        end = _ended(["measure", str(path), "--voxel-mm", "0.05", "--out", str(out)])
        left = [one.name for one in Path(folder).iterdir()]
        fault = end.fault(MEASURED_WITHIN)
        if end.code == 2 and left:
            fault = fault or f"refused, and left {left}"
        if end.code != 2 and not (out / "part.json").is_file():
            fault = fault or f"code {end.code} and no record"
    return end, fault


def _ended(arguments: list[str]) -> End:
    from ctrecon.cli.main import main

    Path("/proc/self/clear_refs").write_text("5", encoding="utf-8")
    before, begun, kept = _peak_mb(), time.process_time(), os.dup(2)
    with tempfile.TemporaryFile("w+", encoding="utf-8", errors="replace") as told:
        os.dup2(told.fileno(), 2)  # libraries write there, the program to its stream
        try:
            with redirect_stderr(told):
                code = main(arguments)
        finally:
            told.flush()
            os.dup2(kept, 2)
            os.close(kept)
        told.seek(0)
        text = told.read()
    return End(code, text, time.process_time() - begun, _peak_mb() - before)


def _peak_mb() -> float:
    for line in Path("/proc/self/status").read_text(encoding="utf-8").splitlines():
        if line.startswith("VmHWM"):
            return int(line.split()[1]) / 1024
    return 0.0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folders", nargs="*", type=Path)
    parser.add_argument("--measure", action="store_true", help="measure and draw those that can be read, too")
    parser.add_argument("--all", action="store_true", help="print how each ended, not only those that gave way")
    args = parser.parse_args()
    import ctrecon.outputs  # loaded once, before the processes part
    import ctrecon.pipeline  # noqa: F401

    samples = {str(one): samples_below(one) for one in args.folders} or installed_samples()
    gave = 0
    for name, paths in samples.items():
        ends: Counter[str] = Counter()
        for command, path, end, fault in tried(paths, measure=args.measure):
            ends[f"{command} {end.code}"] += 1
            gave += bool(fault)
            if fault or args.all:
                says = fault or end.stderr.strip() or "done"
                print(f"{command} {path}: {says} ({end.seconds:.1f} s, {end.mb:.0f} MB)", flush=True)
        print(f"{name}: {len(paths)} files and folders; ends {dict(sorted(ends.items()))}", flush=True)
    print(f"{gave} gave way")
    return 1 if gave else 0


if __name__ == "__main__":
    raise SystemExit(main())
