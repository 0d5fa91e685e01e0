"""True-size closed contours on named layers, and nothing else: what a cutting machine takes."""

from pathlib import Path

from ctrecon.core.files import write_whole
from ctrecon.core.measured import format_value
from ctrecon.drawing.model.crossing import with_lost_windows
from ctrecon.drawing.model.edges import AS_FOUND, TO_MAKE, need_edges
from ctrecon.drawing.model.views import Model, Zone, build_model
from ctrecon.drawing.paper.contours import Contour
from ctrecon.drawing.written.dxf import add_contour, document_bytes, new_document
from ctrecon.record.items import PartItem, items_of
from ctrecon.record.kinds import is_outside, kind_of
from ctrecon.record.measurement import need_part
from ctrecon.record.part import Part

__all__ = ["layer_contours", "write_outlines"]


def _depths(model: Model, zone: Zone) -> str:
    """Return the zone's part of a layer name."""
    if not model.has_depth:
        return "NO_DEPTH"
    return f"Z{format_value(zone.z0, 2)}-{format_value(zone.z1, 2)}"


def layer_contours(part: Part, edges: str = TO_MAKE) -> list[tuple[str, Contour]]:
    """Return (layer name, closed contour in mm) of every piece and depth zone, X right, Y up.

    The origin is the datum axis of the sheet; of a part of several pieces, each piece stands about the datum axis of
    its own detail, its depths from its own start face, and both sides of a seat are there. Rims are cut by their
    reliefs: one contour. What time took stands on layers of its own, and only where it is asked for: a machine that
    cuts all layers is not to copy it.
    """
    wanted = [TO_MAKE] if need_edges(edges) == TO_MAKE else [TO_MAKE, AS_FOUND]
    alone = [(_piece(item), item.part) for item in items_of(part)] or [((), part)]
    found: list[tuple[str, Contour]] = []
    for which in wanted:
        for piece, own in alone:
            model = build_model(with_lost_windows(own) if which == TO_MAKE else own, edges=which)
            for zone in model.zones:
                depths = _depths(model, zone)
                for d, contour in (*zone.rims, *zone.holes, *zone.seams):
                    group = "OUTSIDE" if is_outside(d.feature) else kind_of(d.feature).layer_of()
                    found.append(("_".join((which.upper().replace("-", "_"), *piece, group, depths)), contour))
    return found


def _piece(item: PartItem) -> tuple[str, ...]:
    """Return the part of a layer's name that says which piece it is, and that it may not be one."""
    return (item.pieces[0].id, "UNDECIDED") if item.is_doubtful else (item.pieces[0].id,)


def write_outlines(part: Part, path: str | Path, *, edges: str = TO_MAKE) -> None:
    """Write the contours of a part as a DXF file of true size in mm.

    Parameters
    ----------
    part : Part
        The record.
    path : path
        The file, `outlines.dxf` by custom.
    edges : {"to-make", "as-found"}
        With "as-found" the edges as they were found stand beside those to make, on layers of their own.

    Raises
    ------
    InputError
        If the edges are not known.
    InputFileError
        If the file cannot be written.

    Examples
    --------
    >>> from ctrecon import read_part, write_outlines
    >>> part = read_part("drum_hub_out/part.json")
    >>> write_outlines(part, "outlines.dxf")
    >>> import ezdxf
    >>> names = sorted(layer.dxf.name for layer in ezdxf.readfile("outlines.dxf").layers)
    >>> [name for name in names if "OUTSIDE" in name][:2]
    ['TO_MAKE_P1_OUTSIDE_Z0.00-0.46', 'TO_MAKE_P1_OUTSIDE_Z0.46-0.86']
    """
    need_part(part, "write_outlines")
    doc = new_document()
    space = doc.modelspace()
    for layer, contour in layer_contours(part, edges):
        if layer not in doc.layers:
            doc.layers.add(layer)
        add_contour(space, contour, layer)
    write_whole(path, document_bytes(doc))
