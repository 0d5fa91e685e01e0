"""Dimensioned sheets, cutting outlines and paper templates from a part record.

Drawing libraries load on the first call, so importing this costs next to nothing.
"""

from ctrecon.drawing.holes import HoleTable, hole_table
from ctrecon.drawing.outlines import write_outlines
from ctrecon.drawing.sheet import draw_sheet
from ctrecon.drawing.template import write_template

__all__ = ["HoleTable", "draw_sheet", "hole_table", "write_outlines", "write_template"]
