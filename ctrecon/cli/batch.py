"""`ctrecon batch SOURCE --out DIR`: measures many stacks side by side, and goes on where an earlier run stopped."""

import argparse
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from ctrecon.cli.console import progress_bar
from ctrecon.cli.options import (
    DONE,
    INTERRUPTED,
    NOTHING_FOUND,
    REFUSED,
    Commands,
    add_out,
    add_settings,
    settings_from,
)
from ctrecon.settings import MEASURING, SCAN, SHEET, in_command_line_words

if TYPE_CHECKING:
    from ctrecon.batch import Entry

__all__ = ["add_parser", "run"]

_STATES = {
    "measure": "to measure", "keep": "unchanged, kept", "again": "failed before, tried again", "read": "to compare",
}  # fmt: skip

_NAMED = 5  # failed stacks that the last line names; the page has all


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = commands.add_parser("batch", help="measure every stack under a folder", description=__doc__)
    parser.add_argument(
        "source", metavar="SOURCE", type=Path, nargs="+",
        help="folder that holds the stacks, a pattern, or stacks one by one",
    )  # fmt: skip
    add_out(parser, goes_on=True)
    parser.add_argument("--dry-run", action="store_true", help="say what would be measured, and measure nothing")
    parser.add_argument("--jobs", metavar="N", type=int, default=None, help="stacks at once (default: one a core)")
    parser.add_argument(
        "--scheduler", metavar="ADDRESS", default=None,
        help="Dask scheduler whose workers see the same folders (needs the extra 'cluster')",
    )  # fmt: skip
    add_settings(parser, SCAN, MEASURING, SHEET)
    parser.set_defaults(run=run)


def _tell(entry: "Entry", _total: int) -> None:
    if entry.part is None:
        print(f"{entry.stack}: failed", flush=True)
        print(f"ctrecon: {in_command_line_words(entry.says)}", file=sys.stderr)
        if entry.fault and os.environ.get("CTRECON_DEBUG", "") not in ("", "0"):
            print(entry.fault, file=sys.stderr)
        return
    kept = " (unchanged, kept)" if entry.kept else ""
    if entry.outcome == "measured":
        print(f"{entry.stack}: {len(entry.part.features)} features, {len(entry.part.pieces)} pieces{kept}", flush=True)
    else:
        print(f"{entry.stack}: nothing to measure{kept}", flush=True)


def run(args: argparse.Namespace) -> int:
    """Measure all stacks; say what became of each as soon as it is known."""
    from ctrecon.batch import SUMMARY, measure_all
    from ctrecon.batch.index import INDEX
    from ctrecon.batch.measure import check_batch
    from ctrecon.batch.workers import cores

    settings = settings_from(args)
    source = args.source[0] if len(args.source) == 1 else args.source
    number = cores() if args.jobs is None else args.jobs
    if args.dry_run:
        check_batch(args.out, force=args.force, jobs=number)
        return _plan(source, args)
    told: list[Entry] = []

    def each(entry: "Entry", total: int) -> None:
        told.append(entry)
        _tell(entry, total)

    try:
        with progress_bar() as progress:
            entries = measure_all(
                source, args.out, settings=settings, force=args.force, jobs=number, scheduler=args.scheduler,
                progress=progress, each=each,
            )  # fmt: skip
    except KeyboardInterrupt:
        says = f"stopped; {len(told)} stacks are done, and the same command goes on with the rest"
        print(f"ctrecon: {says}", file=sys.stderr)
        return INTERRUPTED
    outcomes = [entry.outcome for entry in entries]
    measured, empty, failed = (outcomes.count(one) for one in ("measured", "nothing_found", "failed"))
    which = [entry.stack for entry in entries if entry.outcome == "failed"]
    named = f": {', '.join(which[:_NAMED])}{', ...' if failed > _NAMED else ''}" if failed else ""
    print(f"{len(entries)} stacks: {measured} measured, {empty} with nothing to measure, {failed} failed{named}")
    print(f"written:\n    {args.out / SUMMARY}\n    {args.out / INDEX}")
    if failed:
        return REFUSED
    return DONE if measured else NOTHING_FOUND


def _plan(source: "Path | list[Path]", args: argparse.Namespace) -> int:
    """Print each stack, how large it is, and what would become of it."""
    from ctrecon.batch import find_jobs
    from ctrecon.batch.journal import Journal
    from ctrecon.batch.measure import state_of
    from ctrecon.batch.stacks import stamp_of
    from ctrecon.core.errors import CtreconError
    from ctrecon.pipeline import open_to_measure

    settings = settings_from(args).for_many()
    lines = {} if args.force else Journal(args.out).read()
    bad = 0
    jobs = find_jobs(source, args.out)
    for job in jobs:
        try:
            stack = open_to_measure(job.path, settings)
        except CtreconError as error:
            bad += 1
            print(f"{job.stack}: would fail: {in_command_line_words(str(error))}")
            continue
        state = state_of(job, stamp_of(job.path), lines.get(job.stack), args.out, settings)
        (slices, rows, columns), voxel = stack.shape, stack.voxel_mm or ()
        scale = " x ".join(f"{edge:g}" for edge in voxel)
        print(f"{job.stack}: {slices} slices of {rows} x {columns} px, {scale} mm; {_STATES[state]}")
    print(f"{len(jobs)} stacks, {bad} of them would fail; nothing was written")
    return REFUSED if bad else DONE
