"""True-size closed contours on named layers, and nothing else: what a cutting machine takes."""

from pathlib import Path

from ctrecon.core.files import write_whole
from ctrecon.core.measured import format_value
from ctrecon.drawing.model.views import Model, Zone, build_model
from ctrecon.drawing.paper.contours import Contour
from ctrecon.drawing.written.dxf import add_contour, document_bytes, new_document
from ctrecon.record.kinds import kind_of
from ctrecon.record.measurement import need_part
from ctrecon.record.part import Part

__all__ = ["layer_contours", "write_outlines"]


def _depths(model: Model, zone: Zone) -> str:
    """Return the zone's part of a layer name."""
    if not model.has_depth:
        return "NO_DEPTH"
    return f"Z{format_value(zone.z0, 2)}-{format_value(zone.z1, 2)}"


def layer_contours(part: Part) -> list[tuple[str, Contour]]:
    """Return (layer name, closed contour in mm) of every depth zone, X right, Y up.

    The origin is the datum axis of the sheet. Rims are cut by their reliefs: one contour.
    """
    model = build_model(part)
    found: list[tuple[str, Contour]] = []
    for zone in model.zones:
        depths = _depths(model, zone)
        found += [(f"OUTSIDE_{depths}", contour) for _, contour in zone.rims]
        found += [(f"{kind_of(d.feature).layer_of()}_{depths}", contour) for d, contour in (*zone.holes, *zone.seams)]
    return found


def write_outlines(part: Part, path: str | Path) -> None:
    """Write the contours of a part as a DXF file of true size in mm.

    Parameters
    ----------
    part : Part
        The record.
    path : path
        The file, `outlines.dxf` by custom.

    Raises
    ------
    InputFileError
        If the file cannot be written.

    Examples
    --------
    >>> from ctrecon import read_part, write_outlines
    >>> part = read_part("drum_hub_out/part.json")
    >>> write_outlines(part, "outlines.dxf")
    >>> import ezdxf
    >>> names = sorted(layer.dxf.name for layer in ezdxf.readfile("outlines.dxf").layers)
    >>> [name for name in names if name.startswith("OUTSIDE")][:2]
    ['OUTSIDE_Z0.00-0.46', 'OUTSIDE_Z0.46-0.86']
    """
    need_part(part, "write_outlines")
    doc = new_document()
    space = doc.modelspace()
    for layer, contour in layer_contours(part):
        if layer not in doc.layers:
            doc.layers.add(layer)
        add_contour(space, contour, layer)
    write_whole(path, document_bytes(doc))
