"""`ctrecon calibrate PART.json --known FEATURE=VALUE±U --out PART2.json`: true scale for a finished record."""

import argparse
from pathlib import Path

from ctrecon.cli.console import print_part
from ctrecon.cli.options import DONE, NOTHING_FOUND, Commands, add_setting

__all__ = ["add_parser", "run"]


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "calibrate", help="find true scale from sizes known from the part", description=__doc__
    )
    parser.add_argument("part", metavar="PART.json", type=Path, help="the record that measure wrote")
    add_setting(parser, "known", required=True)
    parser.add_argument("--out", metavar="PART2.json", type=Path, required=True, help="record to be written")
    parser.add_argument("--force", action="store_true", help="replace a record that already exists")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Calibrate, print what was found and write the new record."""
    from ctrecon.calibration import calibrate
    from ctrecon.core.errors import InputFileError, OutputExistsError
    from ctrecon.record.store import read_part, write_part

    if args.out.exists() and (not args.force or not args.out.is_file()):
        cure = "choose another name" + ("" if args.force else ", or add --force to replace it")
        raise OutputExistsError(f"{args.out}: already exists; {cure}")
    part = read_part(args.part)
    if args.force and args.out.exists():
        read_part(args.out)  # only a record is replaced by a record
    if not part.features:
        print(f"{args.part}: the record holds no features, so there is nothing to find scale from")
        return NOTHING_FOUND
    if not args.out.absolute().parent.is_dir():
        raise InputFileError(f"{args.out.parent}: there is no such folder; make it, or choose another place")
    done = calibrate(part, *args.known)
    write_part(done, args.out)
    print_part(done)
    print(f"written:\n    {args.out}")
    return DONE
