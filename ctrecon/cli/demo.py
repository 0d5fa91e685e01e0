"""`ctrecon demo`: measures the sample hub, an invented part, to show what comes out."""

import argparse
import tempfile
from pathlib import Path

from ctrecon.cli.measure import measure_and_print
from ctrecon.cli.options import Commands, add_out, add_settings, settings_from
from ctrecon.settings import SHEET

__all__ = ["SAMPLE", "add_parser", "find_sample", "run"]

SAMPLE = "drum_hub"


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = commands.add_parser("demo", help="measure the sample part", description=__doc__)
    add_out(parser, default=Path("demo_out"))
    add_settings(parser, SHEET)
    parser.set_defaults(run=run)


def find_sample() -> Path | None:
    """Return the sample's slices in the working folder or beside the package, if they are there."""
    for root in (Path(), Path(__file__).parents[2]):
        folder = root / "sample_slices" / SAMPLE
        if (folder / "truth.json").is_file():
            return folder
    return None


def run(args: argparse.Namespace) -> int:
    """Measure the sample; where it is not at hand, render it first."""
    from ctrecon.pipeline import check_target

    check_target(args.out, force=args.force)
    settings = settings_from(args)
    print("The sample is invented: no such part was ever made or scanned.")
    sample = find_sample()
    if sample is not None:
        return measure_and_print(sample, args.out, settings=settings, force=args.force)

    from ctrecon.phantoms import make, write

    with tempfile.TemporaryDirectory(prefix="ctrecon-") as folder:
        rendered = write(make(SAMPLE), Path(folder, SAMPLE))
        return measure_and_print(rendered, args.out, settings=settings, force=args.force)
