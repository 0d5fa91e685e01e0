"""`ctrecon wheels PART.json ... --out DIR`: counts, trains and the making of toothed wheels, from their records."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from ctrecon.cli.console import print_files
from ctrecon.cli.options import DONE, NOTHING_FOUND, Commands, add_out

if TYPE_CHECKING:
    from ctrecon.workshop.wheels.plan import WheelsPlan

__all__ = ["add_parser", "run"]

_EPILOG = """\
Wheels and arbors are named by their features: F1, or part.F1 where several records are given.
  ctrecon wheels wheel/part.json --out wheel_made
  ctrecon wheels wheel.json plate.json --on wheel.F1=plate.F4 --lost plate.F5=wheel.F1 --out train"""


_MANY = (
    ("--teeth", "WHEEL=N", "a count that is known otherwise"),
    ("--mate-teeth", "WHEEL=N", "count of a mate that was not scanned"),
    ("--on", "WHEEL=ARBOR", "the arbor of a wheel that was scanned on its own"),
    ("--mesh", "WHEEL:WHEEL", "wheels known to mesh (default: all that can by pitch, distance and faces)"),
    ("--lost", "ARBOR=WHEEL[,WHEEL]", "a lost wheel, and the wheels it meshed with"),
)


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "wheels", help="plan toothed wheels: counts with odds, trains, dividing tables, outlines to cut",
        description=__doc__, epilog=_EPILOG, formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("parts", metavar="PART.json", type=Path, nargs="+", help="records that measure wrote")
    add_out(parser)
    for option, form, text in _MANY:
        parser.add_argument(option, metavar=form, action="append", default=[], help=f"{text}; may be given again")
    parser.add_argument(
        "--tooth", choices=("found", "spur", "clock"), help="form to make: as found (default), ISO 54 or BS 978-2"
    )
    parser.add_argument("--head", metavar="N", type=int, default=40, help="worm of the dividing head (default 40)")
    parser.add_argument("--circles", metavar="N", type=int, nargs="+", help="hole circles of its plates")
    parser.add_argument("--paper", choices=("A4", "A3", "Letter"), default="A4", help="paper of the pages (default A4)")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Plan, write the files, and print counts, meshes and what is made."""
    from ctrecon.pipeline import check_target, staged_folder
    from ctrecon.record.store import read_part
    from ctrecon.report.wheels import WHEEL_FILES, write_wheels
    from ctrecon.workshop.wheels.as_found import found_wheels, why_no_wheels
    from ctrecon.workshop.wheels.dividing import DividingHead
    from ctrecon.workshop.wheels.plan import plan_wheels

    check_target(args.out, force=args.force, ours=WHEEL_FILES)
    parts = [read_part(one) for one in args.parts]
    if not found_wheels(parts):
        print(why_no_wheels(parts))
        return NOTHING_FOUND
    usual = DividingHead()
    plan = plan_wheels(
        parts,
        teeth=_counts(args.teeth, "--teeth"),
        mate_teeth=_counts(args.mate_teeth, "--mate-teeth"),
        on=dict(_pairs(args.on, "--on", "=")),
        meshes=_pairs(args.mesh, "--mesh", ":") or None,
        lost={arbor: wheels.split(",") for arbor, wheels in _pairs(args.lost, "--lost", "=")},
        form=args.tooth,
        head=DividingHead(args.head, tuple(args.circles or usual.circles)),
    )
    with staged_folder(args.out, force=args.force, ours=WHEEL_FILES) as folder:
        written = write_wheels(plan, folder, paper=args.paper)
    _print_plan(plan)
    print_files(args.out, written)
    return DONE


def _pairs(given: list[str], option: str, between: str) -> list[tuple[str, str]]:
    """Return what stands before and after the sign."""
    from ctrecon.core.errors import InputError

    found = []
    for text in given:
        first, sign, second = text.partition(between)
        if not (first and sign and second):
            raise InputError(f"{option} {text}: cannot be read; write two names with {between} between them")
        found.append((first.strip(), second.strip()))
    return found


def _counts(given: list[str], option: str) -> dict[str, int]:
    """Return counts by wheel."""
    from ctrecon.core.errors import InputError

    found = {}
    for name, count in _pairs(given, option, "="):
        if not count.isdecimal() or len(count) > 9:  # more digits than any count, or than Python reads
            raise InputError(f"{option} {name}={count}: the count must be a whole number of teeth")
        found[name] = int(count)
    return found


def _print_plan(plan: "WheelsPlan") -> None:
    from ctrecon.core.measured import format_percent

    for one in plan.wheels:
        if one.teeth is None:
            print(f"{one.found.name}: {one.unknown['teeth']}")
            continue
        odds = ", ".join(f"{teeth} {format_percent(p, 1)}" for teeth, p in list(one.odds.items())[:4])
        print(f"{one.found.name}: {one.teeth} teeth" + ("" if one.settled else f", not settled ({odds})"))
        for text in one.count_says:
            print(f"    {text}")
        print(f"    {one.make.sizes.reason}" if one.make is not None else f"    not made: {one.unknown['make']}")
    for pair in plan.pairs:
        print(pair.reason)
    if plan.train is not None:
        print(plan.train.reason)
    for count in plan.lost.values():
        print(count.reason)
