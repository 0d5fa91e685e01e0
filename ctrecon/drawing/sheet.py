"""Writes the sheet of a part in all its formats, each file whole or not at all."""

from pathlib import Path

from ctrecon.core.errors import InputError, InputFileError
from ctrecon.core.files import write_whole
from ctrecon.core.threads import in_one_thread
from ctrecon.drawing.layout import lay_out
from ctrecon.drawing.model.views import PROJECTIONS, UNITS, build_model
from ctrecon.drawing.paper.items import Sheet
from ctrecon.drawing.written.dxf import document_bytes
from ctrecon.drawing.written.pdf import pdf_bytes
from ctrecon.drawing.written.png import png_bytes
from ctrecon.drawing.written.strokes import drawn_pages
from ctrecon.drawing.written.svg import svg_bytes
from ctrecon.record.measurement import need_part
from ctrecon.record.part import Part

__all__ = ["draw_sheet", "make_sheet"]


def make_sheet(
    part: Part, *, paper: str | None = None, projection: str = "first", units: str = "mm", digits: int | None = None
) -> Sheet:
    """Return the laid-out sheet of a part, in paper mm, before it becomes a document.

    Raises
    ------
    InputError
        If paper, projection or units are not known, or nothing fits.
    """
    for what, given, known in (("projection", projection, PROJECTIONS), ("units", units, UNITS)):
        if given not in known:
            raise InputError(f"{what} {given!r} is not known: choose one of {', '.join(known)}")
    return lay_out(build_model(part, projection=projection, units=units, digits=digits), paper)


@in_one_thread
def draw_sheet(
    part: Part, folder: str | Path, *, paper: str | None = None, projection: str = "first", units: str = "mm",
    digits: int | None = None,
) -> tuple[Path, ...]:  # fmt: skip
    """Write sheet.pdf, sheet.svg, sheet.png and sheet.dxf of a part.

    Parameters
    ----------
    part : Part
        The record; nothing else is read.
    folder : path
        Where the files go; made if it is not there.
    paper : {"A4", "A3", "Letter"}, optional
        Paper to use; by default the smaller of A4 and A3 that holds the drawing.
    projection : {"first", "third"}
        How views are placed about the section (first or third angle).
    units : {"mm", "in"}
        Units of length; inches stand with mm in brackets beside.
    digits : int, optional
        Most decimals of a length in mm in the views; 2 by default, and never more than its U supports.

    Returns
    -------
    tuple of Path
        The four files.

    Raises
    ------
    InputError
        If paper, projection or units are not known, or nothing fits on the paper.
    InputFileError
        If a file cannot be written.

    Examples
    --------
    >>> from ctrecon import draw_sheet, read_part
    >>> part = read_part("drum_hub_out/part.json")
    >>> [path.name for path in draw_sheet(part, "sheets", paper="A4")]
    ['sheet.pdf', 'sheet.svg', 'sheet.png', 'sheet.dxf']
    """
    need_part(part, "draw_sheet")
    folder = Path(folder)
    sheet = make_sheet(part, paper=paper, projection=projection, units=units, digits=digits)
    doc, pages = drawn_pages(sheet)
    contents = {
        "sheet.pdf": pdf_bytes(sheet, pages),
        "sheet.svg": svg_bytes(sheet, pages),
        "sheet.png": png_bytes(sheet, pages),
        "sheet.dxf": document_bytes(doc),
    }
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputFileError(f"{folder} cannot be made ({error.strerror}): choose another folder") from error
    for name, data in contents.items():
        write_whole(folder / name, data)
    return tuple(folder / name for name in contents)
