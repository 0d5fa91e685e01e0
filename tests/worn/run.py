"""Worn parts with known truth, measured and scored: one command, one table.

    python tests/worn/run.py                                       # every kind, 30 parts each: hours
    python tests/worn/run.py --kinds hub,plate --trials 10 --seed 100
    python tests/worn/run.py --kinds plate --trials 1 --seed 107   # the eighth of those plates again
    python tests/worn/run.py --trials 3 --show sheet.png           # only look at them
    python tests/worn/run.py --clean                               # sound parts, a scanner without faults
    python tests/worn/run.py --kinds rim,wheel,broken              # the figures of toothed wheels, at the end

Part i of a kind has seed `--seed` + i; kind and seed settle everything about it. Seeds below 9000 are for tuning.
Each part is measured in a process of its own through the public route, and its record is written once.
"""

# ruff: noqa: E402 - threads and path are settled before anything else is loaded
import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy is loaded

import argparse
import json
import multiprocessing
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from worn import parts, table, wheels_table

from ctrecon import SliceStack, measure_stack, measuring, write_part

Job = tuple[str, int, tuple[int, int, int], bool, bool, float]


class _OutOfTime(BaseException):
    """The part took longer than allowed; no `except Exception` may swallow it."""


def _peak_mb() -> float:
    """Most memory held since `_forget_peak`, MB."""
    for line in Path("/proc/self/status").read_text(encoding="utf-8").splitlines():
        if line.startswith("VmHWM"):
            return int(line.split()[1]) / 1024
    return float("nan")


def _forget_peak() -> None:
    """Let the count of most memory begin anew, so that rendering does not show in it (Linux)."""
    try:
        Path("/proc/self/clear_refs").write_text("5", encoding="utf-8")
    except OSError:
        return


def _stop(*_: object) -> None:
    raise _OutOfTime


@contextmanager
def rim_clock(out: dict[str, Any]) -> Iterator[None]:
    """Note the processor seconds that the rims take, as `rim_seconds`."""
    plain = measuring.with_rims

    def timed(*args: Any) -> Any:
        start = time.process_time()
        try:
            return plain(*args)
        finally:
            out["rim_seconds"] = time.process_time() - start

    measuring.with_rims = timed
    try:
        yield
    finally:
        measuring.with_rims = plain


def one_part(job: Job) -> dict[str, Any]:
    """Make, measure and score one part; whatever goes wrong is a result."""
    from worn.score import compare

    kind, seed, size, faults, worn, limit = job
    warnings.simplefilter("ignore")
    out: dict[str, Any] = {"kind": kind, "seed": seed}
    try:
        told, pose, _ = parts.make(kind, seed, size=size, faults=faults, worn=worn)
    except ValueError as trouble:  # a part that cannot be drawn must not cost the others their results
        return out | {"fault": f"the renderer: {trouble}"}
    out["scan"] = told.scan
    _forget_peak()
    signal.signal(signal.SIGPROF, _stop)
    start = time.process_time()
    try:
        signal.setitimer(signal.ITIMER_PROF, limit)
        stack = SliceStack.from_array(told.slices, voxel_mm=told.voxel_mm, source=f"{kind}-{seed}")
        with rim_clock(out):
            part = measure_stack(stack).part
        signal.setitimer(signal.ITIMER_PROF, 0)
        out["seconds"], out["megabytes"] = time.process_time() - start, _peak_mb()
        with tempfile.TemporaryDirectory() as folder:
            write_part(part, Path(folder) / "part.json")
        out |= compare(told, part, tuple(float(v) for v in pose.axis))
    except _OutOfTime:
        out |= {"unfinished": True, "seconds": time.process_time() - start, "megabytes": _peak_mb()}
    except Exception as trouble:  # a part that breaks the measuring is what this run looks for
        signal.setitimer(signal.ITIMER_PROF, 0)
        where = traceback.extract_tb(trouble.__traceback__)[-1]
        says = (str(trouble).strip().splitlines() or [""])[-1][:200]
        out["fault"] = f"{type(trouble).__name__}: {says} ({Path(where.filename).name}:{where.lineno} {where.name})"
    return out


def tell(done: dict[str, Any], long: bool) -> None:
    """One line a part on stderr, then what was missed and added."""
    head = f"{done['kind']} {done['seed']}: "
    if "fault" in done:
        print(f"{head}FAULT {done['fault']}", file=sys.stderr, flush=True)
        return
    if "unfinished" in done:
        print(f"{head}UNFINISHED after {done['seconds']:.0f} s", file=sys.stderr, flush=True)
        return
    weak = (
        f" weak {len(done['weak_found'])}/{len(done['weak_found']) + len(done['weak_missed'])}"
        if done["weak_found"] + done["weak_missed"]
        else ""
    )
    print(
        f"{head}{done['seconds']:.1f} s {done['megabytes']:.0f} MB found {len(done['found'])} missed {len(done['missed'])}"
        f" extras {len(done['extras'])} undecided {len(done['undecided'])}{weak} pieces {'not judged' if not done['pieces'].get('judged', True) else 'right' if done['pieces']['right'] else 'WRONG'}"
        f" (snr {done['scan']['snr']:.0f})",
        file=sys.stderr, flush=True,
    )  # fmt: skip
    for line in done["says"] if long else []:
        print(f"    {line}", file=sys.stderr, flush=True)


def _options() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kinds", default=",".join(parts.ALL), help="with commas between")
    parser.add_argument("--trials", type=int, default=30, help="parts of each kind")
    parser.add_argument("--seed", type=int, default=9000, help="of the first part; the others follow")
    parser.add_argument("--jobs", type=int, default=1, help="parts at a time")
    parser.add_argument("--json", type=Path, help="keep every part's result in this file")
    parser.add_argument("--clean", action="store_true", help="sound parts, a scanner without faults")
    parser.add_argument("--sound", action="store_true", help="sound parts, a scanner with faults")
    parser.add_argument("--size", type=int, nargs=3, default=parts.SIZE, metavar=("SLICES", "ROWS", "COLUMNS"))
    parser.add_argument("--limit", type=float, default=400.0, help="processor seconds a part may take")
    parser.add_argument("--show", type=Path, help="draw the parts to this PNG instead of measuring them")
    parser.add_argument("--quiet", action="store_true", help="do not name what was missed and added in each part")
    return parser


def main() -> None:
    """Read the options, run, print."""
    parser = _options()
    args = parser.parse_args()
    kinds = [k for k in args.kinds.split(",") if k]
    for kind in kinds:
        if kind not in parts.ALL:
            parser.error(f"no kind is called {kind}; there are {', '.join(parts.ALL)}")
    size, faults, worn = tuple(args.size), not args.clean, not (args.clean or args.sound)
    jobs: list[Job] = [(k, args.seed + i, size, faults, worn, args.limit) for k in kinds for i in range(args.trials)]
    if args.show:
        from worn.show import sheet

        sheet([parts.make(k, s, size=size, faults=faults, worn=worn) for k, s, *_ in jobs], args.show)
        return
    results: list[dict[str, Any]] = []
    with multiprocessing.get_context("fork").Pool(args.jobs, maxtasksperchild=1) as pool:
        for done in pool.imap(one_part, jobs, chunksize=1):
            results.append(done)
            tell(done, not args.quiet)
            if args.json:
                args.json.write_text(json.dumps(results, indent=1, default=lambda number: number.item()), encoding="utf-8")
    by_kind = {k: [r for r in results if r["kind"] == k] for k in kinds}
    for kind, some in by_kind.items():
        print(table.show(kind, some) + "\n")
    print(table.overall(by_kind))
    if {"wheel", "rim", "broken", "sandwich", "crown"} & set(kinds):
        print("\n" + wheels_table.show_wheels(by_kind))
    for done in results:
        if "fault" in done or "unfinished" in done:
            print(f"{done['kind']} {done['seed']}: {done.get('fault', 'unfinished')}")


if __name__ == "__main__":
    main()
