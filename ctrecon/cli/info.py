"""`ctrecon info STACK`: says what a stack is and how healthy, before it is measured; works without a scale."""

import argparse
from typing import TYPE_CHECKING

from ctrecon.cli.options import DONE, Commands, add_settings, add_stack, settings_from
from ctrecon.settings import SCAN

if TYPE_CHECKING:
    from ctrecon.slices import SliceStack

__all__ = ["add_parser", "describe", "grey_range", "health_sheet", "run"]

_LOOKED_AT = 5
_HANDEDNESS = {
    "assumed": "away from the viewer (assumed)",
    "stated": "away from the viewer (stated, and turned round where need be)",
    "file": "away from the viewer (from the files)",
}


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = commands.add_parser("info", help="say what a stack of slices is", description=__doc__)
    add_stack(parser)
    add_settings(parser, SCAN)
    parser.set_defaults(run=run)


def grey_range(stack: "SliceStack") -> tuple[float, float, int] | None:
    """Return the lowest and highest grey of a few evenly spread planes, and how many were looked at.

    None where none of them carries a number.
    """
    import numpy as np

    there = [number for number in range(len(stack)) if number not in set(stack.missing)]
    places = sorted({there[round(i * (len(there) - 1) / (_LOOKED_AT - 1))] for i in range(_LOOKED_AT)}) if there else []
    ends = []
    for number in places:
        plane = stack.plane(number)
        finite = plane[np.isfinite(plane)]
        if finite.size:
            ends.append((float(finite.min()), float(finite.max())))
    if not ends:
        return None
    return min(low for low, _ in ends), max(high for _, high in ends), len(places)


def describe(stack: "SliceStack", *, called: str) -> list[tuple[str, str]]:
    """Return what there is to say of a stack, as (label, text)."""
    slices, rows, columns = stack.shape
    lines = [
        ("stack", called),
        ("slices", f"{slices}" + (f" ({stack.names[0]} to {stack.names[-1]})" if stack.names[0] else "")),
        ("size", f"{rows} rows x {columns} columns"),
        ("type", str(stack.dtype)),
    ]
    if stack.voxel_mm is None:
        voxel = "unknown; to measure, give --voxel-mm"
        if stack.in_plane_mm is not None:
            dy, dx = stack.in_plane_mm
            voxel = f"unknown between slices (down {dy:g}, across {dx:g} from the files); to measure, give --voxel-mm"
    else:
        dz, dy, dx = stack.voxel_mm
        where = {"file": "from the files", "stated": "stated on the command line"}
        basis = where.get(stack.scale_basis or "", stack.scale_basis or "unknown")
        voxel = f"{dz:g} x {dy:g} x {dx:g} mm (between slices, down, across; {basis})"
        lines.append(("extent", f"{slices * dz:g} x {rows * dy:g} x {columns * dx:g} mm"))
    lines.insert(4, ("voxel", voxel))
    lines.append(("direction", _HANDEDNESS.get(stack.handedness_basis, stack.handedness_basis)))
    missing = ", ".join(str(number) for number in stack.missing[:20]) + (" ..." if len(stack.missing) > 20 else "")
    lines.append(("missing", f"{len(stack.missing)} slices: {missing} (counted from 0)" if stack.missing else "none"))
    grey = grey_range(stack)
    if grey is None:
        lines.append(("grey", "no numbers in the slices looked at"))
    else:
        lines.append(("grey", f"{grey[0]:g} to {grey[1]:g} (over {grey[2]} slices)"))
    lines.extend(("note", note.says) for note in stack.notes)
    return lines


def health_sheet(stack: "SliceStack") -> list[tuple[str, str]]:
    """Return the health sheet as (label, word and finding), or one line that says why there is none."""
    from ctrecon.core.errors import InputError
    from ctrecon.grey.health import check_health

    try:
        health = check_health(stack)
    except InputError as error:
        return [("health", f"not to be told: {error}")]
    return [(one.label, f"{one.word:<8} {one.says}") for one in health.findings]


def run(args: argparse.Namespace) -> int:
    """Print the description to stdout."""
    from ctrecon.pipeline import open_stated

    stack = open_stated(args.stack, settings_from(args))
    for label, text in [*describe(stack, called=str(args.stack)), *health_sheet(stack)]:
        print(f"{label:<10} {text}")
    return DONE
