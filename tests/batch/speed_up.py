"""How much sooner a batch is done with several workers than with one, on this machine.

    python tests/batch/speed_up.py                    # 8 stacks, one worker against two; some minutes of a quiet machine
    python tests/batch/speed_up.py --stacks 16 --jobs 4

Copies of the sample stacks are measured by `ctrecon batch`, with one worker and with several, turn by turn; the times are
those of the clock, start of the program included, and the results of both are compared byte for byte. Other work on the
machine spoils the figure: how busy it was before is printed beside it.
"""

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from kill_and_resume import ROOT, bytes_of

TARGET = 1.7
"""Of two workers on two cores; what two workers share (memory, the start of the program) takes the rest."""


def timed(scans: Path, out: Path, jobs: int) -> float:
    """Run the batch; return its seconds."""
    command = [sys.executable, "-m", "ctrecon", "batch", scans.name, "--out", str(out), "--jobs", str(jobs)]
    begun = time.perf_counter()
    subprocess.run(
        command, cwd=scans.parent, env=os.environ | {"PYTHONPATH": str(ROOT)}, stdout=subprocess.DEVNULL, check=True
    )
    return time.perf_counter() - begun


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--stacks", type=int, default=8)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--rounds", type=int, default=2)
    args = parser.parse_args()
    samples = [one for one in sorted((ROOT / "sample_slices").iterdir()) if one.is_dir()]
    with tempfile.TemporaryDirectory() as folder:
        scans = Path(folder, "scans")
        for number in range(args.stacks):
            shutil.copytree(samples[number % len(samples)], scans / f"stack{number:02d}")
        busy = os.getloadavg()[0]
        took: dict[int, list[float]] = {1: [], args.jobs: []}
        same = True
        for number in range(args.rounds):
            made = {}
            for jobs, seconds in took.items():
                out = Path(folder, f"out{number}_{jobs}")
                seconds.append(timed(scans, out, jobs))
                made[jobs] = bytes_of(out)
            same &= made[1] == made[args.jobs]
    one, several = (statistics.median(took[jobs]) for jobs in (1, args.jobs))
    cores = len(os.sched_getaffinity(0))
    print(f"{args.stacks} stacks, {cores} cores, load before {busy:.1f}: {one:.1f} s with 1 worker, {several:.1f} s with {args.jobs}")
    wanted = f" (wanted: {TARGET})" if args.jobs == 2 else ""
    print(f"speed-up {one / several:.2f}{wanted}; results {'are the same bytes' if same else 'DIFFER'}")
    return 0 if same and (args.jobs != 2 or one / several >= TARGET) else 1


if __name__ == "__main__":
    raise SystemExit(main())
