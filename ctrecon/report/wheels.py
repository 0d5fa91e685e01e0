"""Writes everything a plan of wheels gives: data, tables, outlines to cut, and pages to work from."""

import io
from pathlib import Path

from matplotlib.figure import Figure

from ctrecon.core.files import write_whole
from ctrecon.drawing.made_wheel import write_made_outline
from ctrecon.drawing.page import paper_size
from ctrecon.plots.wheel_pages import pages_pdf, wheel_pages
from ctrecon.workshop.wheels.plan import WheelsPlan
from ctrecon.workshop.wheels.store import (
    file_name,
    write_dividing_csv,
    write_teeth_csv,
    write_trains_csv,
    write_wheels_json,
)

__all__ = ["WHEEL_FILES", "write_wheels"]

WHEEL_FILES = (
    "wheels.pdf", "wheels.json", "teeth.csv", "dividing.csv", "trains.csv", "*_to_make.dxf", "wheel_*.png",
    "dividing_*.png", "train.png",
)  # fmt: skip
"""Names, or patterns of names, of what is written."""

_DPI = 130


def write_wheels(plan: WheelsPlan, folder: str | Path, *, paper: str = "A4") -> tuple[str, ...]:
    """Write a plan of wheels into a folder: data, tables, an outline of each wheel to cut, and pages as PDF and PNG.

    Parameters
    ----------
    plan : WheelsPlan
        The plan.
    folder : path
        Where the files go; it is made where it isn't there.
    paper : {"A4", "A3", "Letter"}
        Paper of the pages.

    Returns
    -------
    tuple of str
        Names of the files, in order.

    Raises
    ------
    InputError
        If the paper is not known.
    InputFileError
        If a file cannot be written.

    Examples
    --------
    >>> import ctrecon as ct
    >>> plan = ct.plan_wheels(ct.read_part("wheel_out/part.json"))
    >>> print(*ct.write_wheels(plan, "wheels"))
    wheels.pdf wheels.json teeth.csv dividing.csv F1_to_make.dxf wheel_F1.png dividing_F1.png
    """
    paper_size(paper)  # refuses what it doesn't know
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    pages = wheel_pages(plan, paper=paper)
    write_whole(folder / "wheels.pdf", pages_pdf([one for _, one in pages], "wheels"))
    write_wheels_json(plan, folder / "wheels.json")
    write_teeth_csv(plan, folder / "teeth.csv")
    write_dividing_csv(plan, folder / "dividing.csv")
    written = ["wheels.pdf", "wheels.json", "teeth.csv", "dividing.csv"]
    if len(plan.wheels) > 1:
        write_trains_csv(plan, folder / "trains.csv")
        written.append("trains.csv")
    for one in plan.wheels:
        if one.make is not None:
            written.append(f"{file_name(one.found.name)}_to_make.dxf")
            write_made_outline(one, folder / written[-1])
    for name, page in pages:
        written.append(f"{name}.png")
        write_whole(folder / written[-1], _png(page))
    return tuple(written)


def _png(figure: Figure) -> bytes:
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=_DPI, metadata={"Software": None})
    return out.getvalue()
