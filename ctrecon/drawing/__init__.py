"""Dimensioned sheets and cutting outlines from a part record.

Drawing libraries load on the first call, so importing this costs next to nothing.
"""

from ctrecon.drawing.outlines import write_outlines
from ctrecon.drawing.sheet import draw_sheet

__all__ = ["draw_sheet", "write_outlines"]
