"""`ctrecon phantom NAME --out DIR`: writes the slices of an invented part, with its true sizes."""

import argparse

from ctrecon.cli.options import DONE, Commands, add_out

__all__ = ["WRITTEN", "add_parser", "run"]

WRITTEN = ("truth.json", "s[0-9]*.tif")


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = commands.add_parser("phantom", help="write the slices of an invented part", description=__doc__)
    parser.add_argument("name", metavar="NAME", help="which one; a name that is not known lists them all")
    add_out(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Render and write the phantom."""
    from ctrecon.core.errors import InputError
    from ctrecon.phantoms import make, names, write
    from ctrecon.pipeline import check_target

    if args.name not in names():
        raise InputError(f"there is no phantom '{args.name}'; choose one of {', '.join(names())}")
    check_target(args.out, force=args.force, ours=WRITTEN)
    phantom = make(args.name)
    write(phantom, args.out, force=args.force)
    dz, dy, dx = phantom.voxel_mm
    print(f"{args.out}: {len(phantom.slice_numbers)} slices of the invented part {args.name}")
    print(f"voxel {dz:g} x {dy:g} x {dx:g} mm (between slices, down, across)")
    print(f"{args.out / 'truth.json'}: its true sizes")
    return DONE
