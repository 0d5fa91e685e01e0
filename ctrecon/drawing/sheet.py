"""Writes the sheet of a part in all its formats, each file whole or not at all."""

import os
from pathlib import Path

from ctrecon.core.errors import InputFileError
from ctrecon.drawing.dxf import build_document, document_bytes
from ctrecon.drawing.items import Sheet
from ctrecon.drawing.layout import lay_out
from ctrecon.drawing.pdf import pdf_bytes, png_bytes
from ctrecon.drawing.svg import svg_bytes
from ctrecon.drawing.views import build_model
from ctrecon.part import Part

__all__ = ["draw_sheet", "make_sheet", "write_whole"]


def make_sheet(part: Part, *, paper: str | None = None) -> Sheet:
    """Return the laid-out sheet of a part, in paper mm, before it becomes a document."""
    return lay_out(build_model(part), paper)


def write_whole(path: Path, data: bytes) -> None:
    """Write a file under another name first, then rename it into place."""
    part = path.with_name(path.name + ".part")
    try:
        part.write_bytes(data)
        os.replace(part, path)
    except OSError as error:
        part.unlink(missing_ok=True)
        reason = error.strerror or error
        raise InputFileError(f"{path} cannot be written ({reason}): choose a folder you may write to") from error


def draw_sheet(part: Part, folder: Path, *, paper: str | None = None) -> tuple[Path, ...]:
    """Write sheet.pdf, sheet.svg, sheet.png and sheet.dxf of a part.

    Parameters
    ----------
    part : Part
        The record; nothing else is read.
    folder : Path
        Where the files go; made if it is not there.
    paper : {"A4", "A3"}, optional
        Paper to use; by default the smaller one that holds the drawing.

    Returns
    -------
    tuple of Path
        The four files.

    Raises
    ------
    InputError
        If the paper is not known or nothing fits on it.
    InputFileError
        If a file cannot be written.
    """
    folder = Path(folder)
    sheet = make_sheet(part, paper=paper)
    doc = build_document(sheet)
    contents = {
        "sheet.pdf": pdf_bytes(doc, sheet),
        "sheet.svg": svg_bytes(doc, sheet),
        "sheet.png": png_bytes(doc, sheet),
        "sheet.dxf": document_bytes(doc),
    }
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputFileError(f"{folder} cannot be made ({error.strerror}): choose another folder") from error
    for name, data in contents.items():
        write_whole(folder / name, data)
    return tuple(folder / name for name in contents)
