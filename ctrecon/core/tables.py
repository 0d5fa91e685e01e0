"""Tables as files: CSV, whole or not at all, its cells safe from being taken for formulas."""

import csv
import io
from collections.abc import Iterable, Sequence
from pathlib import Path

from ctrecon.core.files import write_whole

__all__ = ["write_table"]

_FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""What a spreadsheet takes for a formula at the start of a cell of text (OWASP, CSV injection)."""


def write_table(path: str | Path, head: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Write a table as CSV.

    Parameters
    ----------
    path : path
        The file.
    head : sequence of str
        Names of the columns.
    rows : iterable of sequences
        Cells; each is written as its text.

    Raises
    ------
    InputFileError
        If the file cannot be written.
    """
    out = io.StringIO(newline="")
    table = csv.writer(out, lineterminator="\n")
    table.writerow(head)
    table.writerows([_guarded(str(cell)) for cell in row] for row in rows)
    write_whole(path, out.getvalue().encode("utf-8", "replace"))


def _guarded(cell: str) -> str:
    """Return a cell that no spreadsheet takes for a formula: names come from the file, and numbers stay numbers."""
    if not cell.startswith(_FORMULA):
        return cell
    try:
        float(cell)
    except ValueError:
        return f"'{cell}"
    return cell
