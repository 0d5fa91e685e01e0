"""`ctrecon draw PART.json --out DIR`: draws the sheet of a part record again, without its slices."""

import argparse
import sys
from pathlib import Path

from ctrecon.cli.console import print_files
from ctrecon.cli.options import DONE, NOTHING_FOUND, Commands, add_out, add_paper

__all__ = ["DRAWN", "add_parser", "run"]

DRAWN = ("sheet.pdf", "sheet.svg", "sheet.png", "sheet.dxf", "outlines.dxf", "template.pdf")
SOLID = ("solid.step", "solid.stl")


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = commands.add_parser("draw", help="draw the sheet of a part record", description=__doc__)
    parser.add_argument("part", metavar="PART.json", type=Path, help="the record that measure wrote")
    add_out(parser)
    add_paper(parser)
    parser.add_argument(
        "--solid", action="store_true",
        help="write solid.step and solid.stl too, each piece a body of its own (needs the extra named solid)",
    )  # fmt: skip
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Draw, and print the files."""
    from ctrecon.drawing import draw_sheet, write_outlines, write_template
    from ctrecon.pipeline import check_target, staged_folder
    from ctrecon.record.store import read_part
    from ctrecon.solid.kernel import need_kernel
    from ctrecon.solid.write import write_solids

    check_target(args.out, force=args.force, ours=(*DRAWN, *SOLID))
    part = read_part(args.part)
    if not part.features:
        print(f"{args.part}: the record holds no features, so there is nothing to draw")
        return NOTHING_FOUND
    if args.solid:
        need_kernel()  # before the drawing: it takes seconds
    with staged_folder(args.out, force=args.force, ours=(*DRAWN, *SOLID)) as folder:
        draw_sheet(part, folder, paper=args.paper, projection=args.projection, units=args.units)
        write_outlines(part, folder / "outlines.dxf")
        write_template(part, folder / "template.pdf", paper=args.paper, units=args.units)
        said = write_solids(part, tuple(folder / name for name in SOLID)) if args.solid else ()
    print_files(args.out, (*DRAWN, *SOLID))
    for sentence in said:
        print(f"note: {sentence}", file=sys.stderr)
    return DONE
