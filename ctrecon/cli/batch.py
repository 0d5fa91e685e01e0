"""`ctrecon batch FOLDER --out DIR`: measures every stack under a folder, one after the other."""

import argparse
import os
import sys
import traceback
from pathlib import Path
from typing import TYPE_CHECKING

from ctrecon.cli.console import progress_bar
from ctrecon.cli.options import (
    DONE,
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


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = commands.add_parser("batch", help="measure every stack under a folder", description=__doc__)
    parser.add_argument("folder", metavar="FOLDER", type=Path, help="folder that holds the stacks")
    add_out(parser)
    add_settings(parser, SCAN, MEASURING, SHEET)
    parser.set_defaults(run=run)


def _tell(entry: "Entry", _total: int) -> None:
    if entry.part is None:
        print(f"{entry.stack}: failed", flush=True)
        print(f"ctrecon: {in_command_line_words(entry.says)}", file=sys.stderr)
        if entry.fault is not None and os.environ.get("CTRECON_DEBUG", "") not in ("", "0"):
            traceback.print_exception(entry.fault)
    elif entry.outcome == "measured":
        print(f"{entry.stack}: {len(entry.part.features)} features, {len(entry.part.pieces)} pieces", flush=True)
    else:
        print(f"{entry.stack}: nothing to measure", flush=True)


def run(args: argparse.Namespace) -> int:
    """Measure all stacks; say what became of each as soon as it is known."""
    from ctrecon.batch import SUMMARY, measure_all

    settings = settings_from(args)
    with progress_bar() as progress:
        entries = measure_all(args.folder, args.out, settings=settings, force=args.force, progress=progress, each=_tell)
    outcomes = [entry.outcome for entry in entries]
    measured, empty, failed = (outcomes.count(one) for one in ("measured", "nothing_found", "failed"))
    print(f"{len(entries)} stacks: {measured} measured, {empty} with nothing to measure, {failed} failed")
    print(f"written:\n    {args.out / SUMMARY}")
    if failed:
        return REFUSED
    return DONE if measured else NOTHING_FOUND
