"""`ctrecon measure STACK --out DIR`: measures a stack and writes record, sheet and report."""

import argparse
from pathlib import Path

from ctrecon.cli.console import print_files, print_part, progress_bar
from ctrecon.cli.options import (
    DONE,
    NOTHING_FOUND,
    Commands,
    add_out,
    add_settings,
    add_stack,
    settings_from,
)
from ctrecon.settings import MEASURING, ONE_PART, SCAN, SHEET, Settings

__all__ = ["add_parser", "measure_and_print", "run"]


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = commands.add_parser("measure", help="measure a stack and draw its sheet", description=__doc__)
    add_stack(parser)
    add_out(parser)
    add_settings(parser, SCAN, MEASURING, ONE_PART, SHEET)
    parser.set_defaults(run=run)


def measure_and_print(stack: Path, out: Path, *, settings: Settings, force: bool) -> int:
    """Measure one stack, print what was found and where it was written, and return the exit code."""
    from ctrecon.outputs import names_of
    from ctrecon.pipeline import measure_to_folder

    said: list[str] = []
    with progress_bar(whole=True) as progress:
        part = measure_to_folder(stack, out, settings=settings, force=force, progress=progress, told=said.append)
    print_part(part)
    for line in said:
        print(line)
    print_files(out, names_of())
    return DONE if part.features else NOTHING_FOUND


def run(args: argparse.Namespace) -> int:
    """Measure and print."""
    return measure_and_print(args.stack, args.out, settings=settings_from(args), force=args.force)
