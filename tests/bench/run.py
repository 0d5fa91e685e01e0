"""The yardstick: renders parts with known truth, measures them, prints every figure beside its target.

    python tests/bench/run.py                           # everything
    python tests/bench/run.py --only bores,circle-20    # sections or single rows
    python tests/bench/run.py --trials 2 --seed 8000    # twice the trials; seeds below 9000 are for tuning
    python tests/bench/run.py --only depth --lean       # measured without form, relations and seams: to tune by
    python tests/bench/run.py --write                   # and keep the figures in FIGURES.md

"met", "missed", or "open": off its target by no more than chance may bring with so few trials.
"""

# ruff: noqa: E402 - threads and path are settled before anything else is loaded
import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy is loaded: the trials share the cores among themselves

import argparse
import multiprocessing
import sys
import time
import warnings
import zlib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import numpy as np
import route
import rows_bores
import rows_coverage
import rows_depth
import rows_large
import rows_pieces
import rows_scale
import rows_seams
import rows_speed
from row import Row, Trial, found_figure
from table import Result, show, write_table

SECTIONS = {
    "bores": rows_bores.ROWS, "coverage": (*rows_coverage.ROWS, *rows_scale.ROWS), "depth": rows_depth.ROWS,
    "seams": (*rows_seams.ROWS, *rows_pieces.ROWS), "speed": rows_speed.ROWS,
    "large": rows_large.ROWS,
}  # fmt: skip
ALL: tuple[Row, ...] = tuple(row for rows in SECTIONS.values() for row in rows)
BY_NAME = {row.name: row for row in ALL}


def one_trial(job: tuple[str, int, int]) -> Trial:
    """Run one trial of a row; its random numbers depend on seed, row and number only."""
    name, seed, index = job
    warnings.simplefilter("ignore")
    try:
        return BY_NAME[name].trial(np.random.default_rng([seed, zlib.crc32(name.encode()), index]))
    except Exception as trouble:  # one trial that breaks is a figure of its row, not the end of the run
        says = str(trouble).strip().splitlines() or [""]
        return Trial(missing=(f"crash ({type(trouble).__name__}: {says[-1][:120]})",))


def run_row(row: Row, trials: int, seed: int, spread: Callable[..., Any]) -> Result:
    """Run all trials of a row and judge them."""
    start = time.perf_counter()
    jobs = [(row.name, seed, i) for i in range(trials)]
    done = list((map if row.alone else spread)(one_trial, jobs))
    judge = found_figure if row.alone and done[0].missing else row.judge
    return Result(row, trials, seed, tuple(judge(done)), time.perf_counter() - start)


def chosen(words: Sequence[str]) -> list[Row]:
    """Rows by the names of sections and rows; all where none is given."""
    out: list[Row] = []
    for word in words:
        if word not in SECTIONS and word not in BY_NAME:
            raise SystemExit(f"no section or row is called {word}; there are {', '.join([*SECTIONS, *BY_NAME])}")
        out += SECTIONS.get(word) or (BY_NAME[word],)
    return list(dict.fromkeys(out)) if words else list(ALL)


def main() -> None:
    """Read the options, run, print, write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", default="", help="sections or rows, with commas between")
    parser.add_argument(
        "--trials", type=float, default=1.0, help="factor on each row's own number (at least 2 are run)"
    )
    parser.add_argument("--seed", type=int, default=9500)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--write", action="store_true", help="keep the figures in FIGURES.md")
    parser.add_argument("--lean", action="store_true", help="leave out form, relations and seams: quicker, to tune by")
    parser.add_argument("--list", action="store_true", help="name the rows and stop")
    args = parser.parse_args()
    rows = chosen([word for word in args.only.split(",") if word])
    if args.list:
        for row in rows:
            print(f"{row.name:18s} {row.trials:4d} trials  {row.section}: {row.what}")
        return
    if args.lean:
        if args.write:
            parser.error("--write keeps the figures of the whole route; leave --lean out")
        route.leave_out_extras()
    results = []
    with multiprocessing.get_context("fork").Pool(args.processes) as pool:
        for row in rows:
            count = row.trials if row.alone else max(2, round(row.trials * args.trials))
            results.append(run_row(row, count, args.seed, lambda f, jobs: pool.imap(f, jobs, chunksize=1)))
            print(show(results[-1]), flush=True)
    verdicts = [r.verdict for r in results]
    print(", ".join(f"{verdicts.count(v)} {v}" for v in ("met", "open", "missed")) + f" of {len(results)} rows")
    for r in results:
        if r.verdict == "missed":
            print(f"  missed: {r.row.name}")
    if args.write:
        write_table(ROOT / "tests" / "bench" / "FIGURES.md", results, ALL)


if __name__ == "__main__":
    main()
