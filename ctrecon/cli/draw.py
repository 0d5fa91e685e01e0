"""`ctrecon draw PART.json --out DIR`: draws the sheet of a part record again, without its slices."""

import argparse
import sys
from pathlib import Path

from ctrecon.cli.console import print_files
from ctrecon.cli.options import DONE, NOTHING_FOUND, Commands, add_out, add_settings, settings_from
from ctrecon.settings import SHEET

__all__ = ["add_parser", "run"]


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = commands.add_parser("draw", help="draw the sheet of a part record", description=__doc__)
    parser.add_argument("part", metavar="PART.json", type=Path, help="the record that measure wrote")
    add_out(parser)
    add_settings(parser, SHEET)
    parser.add_argument(
        "--solid", action="store_true",
        help="write solid.step and solid.stl too, each piece a body of its own (needs the extra named solid)",
    )  # fmt: skip
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Draw, and print the files."""
    from ctrecon.outputs import FEATURES, SOLID, Made, make_ready, names_of, write_wanted
    from ctrecon.pipeline import check_target, staged_folder
    from ctrecon.record.store import read_part

    wanted = (FEATURES, SOLID) if args.solid else (FEATURES,)
    ours = names_of(FEATURES, SOLID)
    check_target(args.out, force=args.force, ours=ours)
    made = Made(part=read_part(args.part), settings=settings_from(args))
    if not made.part.features:
        print(f"{args.part}: the record holds no features, so there is nothing to draw")
        return NOTHING_FOUND
    make_ready(*wanted)
    with staged_folder(args.out, force=args.force, ours=ours) as folder:
        said = write_wanted(made, folder, *wanted)
    print_files(args.out, ours)
    for sentence in said:
        print(f"note: {sentence}", file=sys.stderr)
    return DONE
