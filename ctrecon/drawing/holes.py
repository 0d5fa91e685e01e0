"""The holes of a part as the sheet gives them, without the sheet: one table for paper and screen."""

from dataclasses import dataclass

from ctrecon.core.measured import decimals_for, format_u
from ctrecon.drawing.model.dimension_text import places_of
from ctrecon.drawing.model.views import build_model
from ctrecon.drawing.shown.hole_table import HEADINGS, hole_rows
from ctrecon.drawing.shown.notes import axes_says
from ctrecon.record.measurement import need_part
from ctrecon.record.part import Part

__all__ = ["HoleTable", "hole_table"]


@dataclass(frozen=True)
class HoleTable:
    """Rows of texts under their headings, and a sentence that says where X and Y begin and run."""

    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    says: str


def hole_table(part: Part, *, units: str = "mm") -> HoleTable:
    """Return the holes along the axis with the coordinates, sizes and depths of the sheet, and the U of their place.

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
    ('Hole', 'X', 'Y', 'U of X, Y', 'Size', 'Turn °', 'Depth')
    """
    need_part(part, "hole_table")
    model = build_model(part, units=units)
    rows = []
    for ident, x, y, *rest in hole_rows(model, 0):
        known = [one for one in places_of(model, model.of(ident)) if one is not None]
        wide = max(known, default=None)
        on_datum = model.datum is not None and ident == model.datum.id
        rows.append((ident, x, y, "" if on_datum else format_u(wide, decimals_for(wide)), *rest))
    axis = f"the axis of {model.datum.id}" if model.datum else "the middle"
    says = f"X and Y count from {axis}, in {units}, as on the sheet. {axes_says(model)}"
    return HoleTable((*HEADINGS[:3], "U of X, Y", *HEADINGS[3:]), tuple(rows), says)
