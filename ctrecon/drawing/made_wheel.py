"""The outline of a wheel to be made at true size, every tooth of it, with its bore and windows, as DXF."""

from collections.abc import Iterable
from pathlib import Path

import numpy as np

from ctrecon.core.files import write_whole
from ctrecon.drawing.paper.contours import Contour, polyline
from ctrecon.drawing.written.dxf import add_contour, document_bytes, new_document
from ctrecon.shapes import Vertex
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.wheels.plan import PlannedWheel

__all__ = ["made_contours", "write_made_outline"]


def made_contours(wheel: PlannedWheel) -> list[tuple[str, Contour]]:
    """Return (layer, closed contour in mm) of a wheel to be made; X right, Y up, its centre at (0, 0).

    Parameters
    ----------
    wheel : PlannedWheel
        One wheel of the plan.

    Raises
    ------
    PlanError
        If it can't be made.
    """
    make = wheel.make
    if make is None:
        raise PlanError(f"{wheel.found.name} has no outline to cut: {wheel.unknown.get('make', 'it is not made')}")

    def turned(vertices: Iterable[Vertex]) -> Contour:
        # the part frame has Y down: paper shows it as the slices are seen, so arcs turn the other way
        return Contour(tuple((x, -y, -bulge) for x, y, bulge in vertices))

    found = [("TEETH", turned(make.outline))]
    if wheel.found.bore is not None:
        found.append(("BORE", turned(wheel.found.bore.vertices)))
    if make.crossing is not None:
        rings = [np.asarray(one.exterior.coords) * [1, -1] for one in make.crossing.windows]
        found += [("WINDOWS", polyline([(float(x), float(y)) for x, y in one])) for one in rings]
    left = [one for one in wheel.found.windows if not (one.is_free and make.crossing is not None)]
    return [*found, *(("HOLES", turned(one.vertices)) for one in left)]


def write_made_outline(wheel: PlannedWheel, path: str | Path) -> None:
    """Write the outline of a wheel to be made as a DXF file of true size in mm.

    Parameters
    ----------
    wheel : PlannedWheel
        One wheel of the plan.
    path : path
        The file.

    Raises
    ------
    PlanError
        If it can't be made.
    InputFileError
        If the file cannot be written.
    """
    contours = made_contours(wheel)
    doc = new_document()
    space = doc.modelspace()
    for layer, contour in contours:
        if layer not in doc.layers:
            doc.layers.add(layer)
        add_contour(space, contour, layer)
    write_whole(path, document_bytes(doc))
