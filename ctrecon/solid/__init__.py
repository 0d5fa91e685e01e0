"""Solids of a part record (STEP, STL), with their volume checked against the record.

The kernel loads on the first call, so importing this costs next to nothing.
"""

from ctrecon.solid.write import write_solid

__all__ = ["write_solid"]
