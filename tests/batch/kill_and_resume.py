"""A batch killed at random moments and resumed, compared byte for byte with one that was never killed.

    python tests/batch/kill_and_resume.py --kills 100 --seed 1

Each round begins a batch of little rings in a process of its own, kills it at a random moment (it and its workers, as a
cut of power would), goes on with it until it is done, and compares every file but the log, which holds times.
"""

import argparse
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import tifffile
from scipy.ndimage import gaussian_filter

ROOT = Path(__file__).resolve().parents[2]
_LOG = "batch.log"


def write_rings(folder: Path, count: int, *, seed: int = 0) -> None:
    """Write stacks of six slices: a ring of 36 px, its bore another in each."""
    for number in range(count):
        rng = np.random.default_rng(seed + number)
        z, y, x = np.mgrid[:6, :48, :48].astype(float)
        away = np.hypot(x - 23.4, y - 23.7)
        metal = np.clip(18.5 - away, 0, 1) * np.clip(away - 6.5 - number % 3, 0, 1) * ((z > 0) & (z < 5))
        grey = 100 + 800 * gaussian_filter(metal, 0.8) + rng.normal(0, 10, metal.shape)
        (folder / f"ring{number:02d}").mkdir(parents=True)
        for index, plane in enumerate(grey):
            tifffile.imwrite(folder / f"ring{number:02d}" / f"s{index}.tif", plane.astype(np.uint16))


def begin(scans: Path, out: Path) -> "subprocess.Popen[bytes]":
    """Begin the batch in a group of processes of its own."""
    command = [sys.executable, "-m", "ctrecon", "batch", scans.name, "--out", str(out), "--voxel-mm", "0.05", "--jobs", "2"]
    environment = os.environ | {"PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1"}
    return subprocess.Popen(
        command, cwd=scans.parent, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, start_new_session=True
    )


def bytes_of(out: Path) -> dict[str, bytes]:
    """Return every file of a batch but its log, by its path."""
    files = (path for path in sorted(out.rglob("*")) if path.is_file() and path.name != _LOG)
    return {path.relative_to(out).as_posix(): path.read_bytes() for path in files}


def killed_and_resumed(scans: Path, out: Path, after: float) -> bool:
    """Kill a batch after some seconds and go on with it until it is done; return whether it was still running."""
    first = begin(scans, out)
    try:
        first.communicate(timeout=after)
        return False
    except subprocess.TimeoutExpired:
        os.killpg(first.pid, signal.SIGKILL)
        first.communicate()
    second = begin(scans, out)
    _, told = second.communicate()
    if second.returncode != 0:
        raise SystemExit(f"the second run ended with {second.returncode}: {told.decode()}")
    return True


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--stacks", type=int, default=4)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    rng = random.Random(args.seed)  # noqa: S311 - moments, not secrets
    with tempfile.TemporaryDirectory() as folder:
        scans = Path(folder, "scans")
        write_rings(scans, args.stacks)
        begun = time.monotonic()
        begin(scans, Path(folder, "whole")).communicate()
        takes = time.monotonic() - begun
        want = bytes_of(Path(folder, "whole"))
        same = killed = 0
        while killed < args.kills:
            out = Path(folder, "out")
            if killed_and_resumed(scans, out, rng.uniform(0, takes)):
                killed += 1
                left = [path.name for path in out.iterdir() if path.name.startswith(".")]
                got = bytes_of(out)
                differ = sorted(name for name in want.keys() | got.keys() if want.get(name) != got.get(name))
                same += not differ and not left
                if differ or left:
                    print(f"kill {killed}: differ {differ}, left {left}")
            shutil.rmtree(out, ignore_errors=True)
        print(f"{same} of {killed} killed and resumed batches of {args.stacks} stacks are byte-identical to a whole one")
    return 0 if same == killed else 1


if __name__ == "__main__":
    raise SystemExit(main())
