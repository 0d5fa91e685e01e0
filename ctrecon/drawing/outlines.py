"""True-size closed contours on named layers, and nothing else: what a cutting machine takes."""

from pathlib import Path

from ctrecon.core.files import write_whole
from ctrecon.core.measured import format_value
from ctrecon.drawing.model.edges import AS_FOUND, TO_MAKE, need_edges
from ctrecon.drawing.model.views import Drawn, Model, Zone, build_model
from ctrecon.drawing.paper.contours import Contour
from ctrecon.drawing.shown.section import piece_of
from ctrecon.drawing.written.dxf import add_contour, document_bytes, new_document
from ctrecon.record.kinds import is_outside, is_seam, kind_of
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

    The origin is the datum axis of the sheet. Rims are cut by their reliefs: one contour. What time took stands on
    layers of its own, and only where it is asked for: a machine that cuts all layers is not to copy it.
    """
    wanted = [TO_MAKE] if need_edges(edges) == TO_MAKE else [TO_MAKE, AS_FOUND]
    found: list[tuple[str, Contour]] = []
    for which in wanted:
        model = build_model(part, edges=which)
        for zone in model.zones:
            depths = _depths(model, zone)
            for d, contour in (*zone.rims, *zone.holes, *zone.seams):
                group = "OUTSIDE" if is_outside(d.feature) else kind_of(d.feature).layer_of()
                words = (which.upper().replace("-", "_"), *_piece(model, zone, d), group, depths)
                found.append(("_".join(words), contour))
    return found


def _piece(model: Model, zone: Zone, d: Drawn) -> tuple[str, ...]:
    """Return the id of the piece whose edge this is; nothing where the part is of one piece, and for a seam."""
    if len(model.part.pieces) < 2 or is_seam(d.feature):
        return ()
    return (model.part.pieces[piece_of(model, zone, d, inside_seam=False)].id,)


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
