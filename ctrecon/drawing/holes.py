"""The holes of a part as the sheet gives them, without the sheet: one table for paper and screen."""

from dataclasses import dataclass

from ctrecon.drawing.model.rows import HEADINGS, rows_of
from ctrecon.drawing.model.views import build_model
from ctrecon.drawing.shown.notes import axes_says
from ctrecon.record.kinds import is_hole
from ctrecon.record.measurement import need_part
from ctrecon.record.part import Part

__all__ = ["HoleTable", "hole_table"]

_AT = {name: HEADINGS.index(name) for name in ("Id", "Value", "Z from", "Z to", "X", "Y")}
_U_OF_VALUE, _U_OF_PLACE = _AT["Value"] + 1, _AT["Y"] + 1


@dataclass(frozen=True)
class HoleTable:
    """Rows of texts under their headings, and a sentence that says where X and Y begin and run."""

    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    says: str


def hole_table(part: Part, *, units: str = "mm") -> HoleTable:
    """Return the holes along the axis with coordinates, main sizes and depths of the sheet's table, each with its U.

    Parameters
    ----------
    part : Part
        The record.
    units : {"mm", "in"}
        Units of length, as for `draw_sheet`.

    Examples
    --------
    >>> from ctrecon import read_part
    >>> from ctrecon.drawing import hole_table
    >>> hole_table(read_part("drum_hub_out/part.json")).headings
    ('Hole', 'X', 'Y', 'U of X, Y', 'Size', 'U of size', 'Z from', 'Z to')
    """
    need_part(part, "hole_table")
    model = build_model(part, units=units)
    rows = []
    for drawn in model.drawn:
        if not is_hole(drawn.feature) or drawn.contour is None or "not_along_depth" in drawn.feature.flags:
            continue
        cells = rows_of(model, drawn)[0].cells
        size = f"{cells[_AT['Value'] - 1]} {cells[_AT['Value']]}"
        place = (cells[_AT["X"]], cells[_AT["Y"]], cells[_U_OF_PLACE].replace("datum", ""))
        rows.append((cells[_AT["Id"]], *place, size, cells[_U_OF_VALUE], cells[_AT["Z from"]], cells[_AT["Z to"]]))
    axis = f"the axis of {model.datum.id}" if model.datum else "the middle"
    says = f"X and Y count from {axis}, in {units}, as on the sheet. {axes_says(model)}"
    return HoleTable(("Hole", "X", "Y", "U of X, Y", "Size", "U of size", "Z from", "Z to"), tuple(rows), says)
