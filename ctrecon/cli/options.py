"""Options that several commands share.

================================= ============================================ ======================
option                            meaning                                      commands
================================= ============================================ ======================
``--out DIR``                     folder the results go to                     all but info
``--force``                       replace results that are there               all but info
``--voxel-mm D`` / ``DZ DY DX``   voxel edges in mm                            info, measure, batch
``--depth-towards-viewer``        the slices run towards the viewer            info, measure, batch
``--boundary``                    sound metal, or its crust too                measure, batch
``--prior-separate P``            before looking: more than one piece?         measure, batch
``--known FEATURE=VALUE±U``       sizes known from the part                    measure, calibrate
``--decisions FILE``              what a person decided before                 measure
``--paper``                       sheet size                                   measure, draw, demo, batch
``--projection``                  first or third angle                         measure, draw, demo, batch
``--units``                       mm, or inches with mm beside, on the sheet   measure, draw, demo, batch
================================= ============================================ ======================

Only the standard library is imported here, so that ``--help`` and ``--version`` answer at once.
"""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ctrecon.settings import Settings

__all__ = [
    "DONE", "FAULT", "INTERRUPTED", "NOTHING_FOUND", "REFUSED", "Commands",
    "add_boundary", "add_decisions", "add_known", "add_out", "add_paper", "add_prior", "add_scale", "add_stack",
    "settings_from",
]  # fmt: skip

DONE, FAULT, REFUSED, NOTHING_FOUND, INTERRUPTED = 0, 1, 2, 3, 130
"""The exit codes."""

if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]
else:
    Commands = object


def _millimetres(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        hint = "use a point, not a comma" if "," in text else "name the stack before this option"
        raise argparse.ArgumentTypeError(f"'{text}' is not a number of mm ({hint})") from None


def _probability(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is no probability; give a number such as 0.5") from None


def add_stack(parser: argparse.ArgumentParser) -> None:
    """Add the stack to read."""
    parser.add_argument("stack", metavar="STACK", type=Path, help="folder of slices, or one image file")


def add_out(parser: argparse.ArgumentParser, *, default: Path | None = None) -> None:
    """Add where the results go, and whether they may replace others."""
    where = "" if default is None else f" (default {default})"
    parser.add_argument(
        "--out", metavar="DIR", type=Path, required=default is None, default=default,
        help=f"folder the results go to; it must not be there yet{where}",
    )  # fmt: skip
    parser.add_argument("--force", action="store_true", help="replace results that are there already")


def add_scale(parser: argparse.ArgumentParser) -> None:
    """Add what a person may state about the slices."""
    parser.add_argument(
        "--voxel-mm", metavar="MM", type=_millimetres, nargs="+",
        help="voxel edge in mm, or three: between slices, down, across (DZ DY DX)",
    )  # fmt: skip
    parser.add_argument(
        "--depth-towards-viewer", action=argparse.BooleanOptionalAction, default=None,
        help="the slices run towards the viewer, or (--no-...) away from them; unsaid, away is assumed, and a wrong "
        "guess mirrors the part",
    )  # fmt: skip


def add_paper(parser: argparse.ArgumentParser) -> None:
    """Add how the sheet is drawn: its size, the placing of its views, its units."""
    parser.add_argument(
        "--paper", choices=("A4", "A3", "Letter"), help="sheet size (default: the smaller of A4 and A3 that fits)"
    )
    parser.add_argument(
        "--projection", choices=("first", "third"), default="first",
        help="how views are placed on the sheet: first angle (the default) or third angle",
    )  # fmt: skip
    parser.add_argument(
        "--units", choices=("mm", "in"), default="mm",
        help="units of length on the sheet: mm (the default), or inches with mm beside; the record stays in mm",
    )  # fmt: skip


def add_known(parser: argparse.ArgumentParser, *, required: bool = False) -> None:
    """Add sizes known from the part itself."""
    parser.add_argument(
        "--known", metavar="FEATURE=VALUE±U", action="append", default=[], required=required,
        help="a size known from the part itself, in mm, to find true scale from; may be given several times. Measure "
        "once, read the ids from the table, then give (to measure, with the same options) for example F1=12.00±0.02 "
        "(main size of F1), F3.length=4.5±0.05 or F1:F4=30.00±0.02 (distance of two axes). U counts as two standard "
        "uncertainties (k = 2), as in the tables; +- or +/- do as well as ±",
    )  # fmt: skip


def add_decisions(parser: argparse.ArgumentParser) -> None:
    """Add what a person decided on an earlier record."""
    parser.add_argument(
        "--decisions", metavar="FILE", type=Path,
        help="decisions.json of an earlier record of this part: what was rejected, renamed, added or known there is "
        "replayed here; a decision that fits nothing is named",
    )  # fmt: skip


def add_boundary(parser: argparse.ArgumentParser) -> None:
    """Add which boundary to measure where corrosion product clings to the metal."""
    parser.add_argument(
        "--boundary", choices=("metal", "outer"), default="metal",
        help="where corrosion product clings to the part: measure the sound metal (the default) or the outer skin",
    )  # fmt: skip


def add_prior(parser: argparse.ArgumentParser) -> None:
    """Add how likely several pieces are before the slices are looked at."""
    parser.add_argument(
        "--prior-separate", metavar="P", type=_probability,
        help="how likely it is, before the slices are looked at, that the part is of more than one piece (above 0, "
        "below 1; default 0.3). The probabilities of the pieces start from it",
    )  # fmt: skip


def settings_from(args: argparse.Namespace) -> "Settings":
    """Gather what was given on the command line.

    Raises
    ------
    InputError
        If a value cannot be used.
    """
    from ctrecon.settings import Settings, voxel_from_numbers

    voxel = getattr(args, "voxel_mm", None)
    return Settings(
        voxel_mm=None if voxel is None else voxel_from_numbers(voxel),
        depth_towards_viewer=getattr(args, "depth_towards_viewer", None),
        name=getattr(args, "name", None),
        paper=getattr(args, "paper", None),
        projection=getattr(args, "projection", "first"),
        units=getattr(args, "units", "mm"),
        boundary=getattr(args, "boundary", "metal"),
        prior_separate=getattr(args, "prior_separate", None),
        known=tuple(getattr(args, "known", ())),
        decisions=getattr(args, "decisions", None),
    )
