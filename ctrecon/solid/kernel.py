"""Bodies of a record as boundary solids: the only module that talks to the modelling kernel.

The kernel is the extra named solid and loads on the first call.
"""

import math
import re
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from ctrecon import __version__
from ctrecon.core.errors import CtreconError
from ctrecon.core.frames import Floats
from ctrecon.drawing.paper.contours import Contour
from ctrecon.shapes import Vertex
from ctrecon.solid.plan import Bar, Block, Body, Run

__all__ = ["need_kernel", "shape_of", "step_bytes", "triangles_of", "volume_of"]

_CHORD_MM = 0.002
"""How far a facet may lie off the true surface."""

_FACET_RAD = 0.06
"""The most that neighbouring facets may turn: keeps the volume of a round to 0.02 %."""

_HEADER = """HEADER;
FILE_DESCRIPTION(('{says}'),'2;1');
FILE_NAME('solid.step','',(''),(''),'ctrecon {version}','ctrecon {version}','');
FILE_SCHEMA(('AUTOMOTIVE_DESIGN {{ 1 0 10303 214 1 1 1 1 }}'));
ENDSEC;"""


@cache
def need_kernel() -> None:
    """Load the kernel and keep it from printing.

    Raises
    ------
    CtreconError
        If the extra named solid is not installed.
    """
    try:
        from OCP.Message import Message, Message_Gravity
    except ImportError:
        raise CtreconError(
            "a solid cannot be made because the extra named solid is not installed; in the checkout: "
            "pip install '.[solid]'"
        ) from None
    for printer in Message.DefaultMessenger_s().Printers():
        printer.SetTraceLevel(Message_Gravity.Message_Alarm)


def shape_of(body: Body) -> Any:
    """Return the body as one shape of the kernel: its blocks, cut and joined.

    Raises
    ------
    CtreconError
        If the kernel cannot build it, or the extra is not installed.
    """
    need_kernel()
    whole: Any = None
    for block in body.blocks:
        made = _block(block)
        whole = made if whole is None else _combined("Fuse", whole, made)
    return whole


def _block(block: Block) -> Any:
    shape = _run(block.run)
    for cut in block.cuts:
        shape = _combined("Cut", shape, _bar(cut) if isinstance(cut, Bar) else _run(cut))
    return shape


def _combined(how: str, one: Any, other: Any) -> Any:
    from OCP import BRepAlgoAPI

    made = getattr(BRepAlgoAPI, f"BRepAlgoAPI_{how}")(one, other)
    if not made.IsDone():
        raise CtreconError("the solid cannot be built: two of its surfaces meet in a way the kernel cannot resolve")
    if how == "Fuse":
        made.SimplifyResult()
    return made.Shape()


def _run(run: Run) -> Any:
    """Return a run as a prism, a cone or a ruled solid; depth goes towards -Z."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
    from OCP.BRepOffsetAPI import BRepOffsetAPI_ThruSections
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeCone, BRepPrimAPI_MakePrism
    from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt, gp_Vec

    if not run.tapers:
        face = _done(BRepBuilderAPI_MakeFace(_wire(run.first, -run.high), True)).Face()
        return BRepPrimAPI_MakePrism(face, gp_Vec(0, 0, run.high - run.low)).Shape()
    if run.first.round_of and run.last.round_of:
        x, y, far = run.last.round_of
        foot = gp_Ax2(gp_Pnt(x, y, -run.high), gp_Dir(0, 0, 1))
        return BRepPrimAPI_MakeCone(foot, far, run.first.round_of[2], run.high - run.low).Shape()
    ruled = BRepOffsetAPI_ThruSections(True, True)
    ruled.AddWire(_wire(run.last, -run.high))
    ruled.AddWire(_wire(run.first, -run.low))
    ruled.CheckCompatibility(False)
    ruled.Build()
    return _done(ruled).Shape()


def _bar(bar: Bar) -> Any:
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeCylinder
    from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt

    start = [p + d * bar.first for p, d in zip(bar.point, bar.direction, strict=True)]
    axis = gp_Ax2(gp_Pnt(*start), gp_Dir(*bar.direction))
    return BRepPrimAPI_MakeCylinder(axis, bar.radius, bar.last - bar.first).Shape()


def _wire(contour: Contour, z: float) -> Any:
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge, BRepBuilderAPI_MakeWire
    from OCP.gp import gp_Ax2, gp_Circ, gp_Dir, gp_Pnt

    made = BRepBuilderAPI_MakeWire()
    if contour.round_of:
        x, y, radius = contour.round_of
        made.Add(BRepBuilderAPI_MakeEdge(gp_Circ(gp_Ax2(gp_Pnt(x, y, z), gp_Dir(0, 0, 1)), radius)).Edge())
        return made.Wire()
    for a, b in contour.segments():
        if math.dist(a[:2], b[:2]) > 1e-7:
            made.Add(_edge(a, b, z))
    return _done(made).Wire()


def _done(maker: Any) -> Any:
    """Return what makes a shape, once it has: the kernel ends the process where a shape that is none is used."""
    if not maker.IsDone():
        raise CtreconError("the solid cannot be built: a contour of the record is not closed, or too far out")
    return maker


def _edge(a: Vertex, b: Vertex, z: float) -> Any:
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge
    from OCP.GC import GC_MakeArcOfCircle
    from OCP.gp import gp_Pnt

    p, q = gp_Pnt(a[0], a[1], z), gp_Pnt(b[0], b[1], z)
    if not a[2]:
        return _done(BRepBuilderAPI_MakeEdge(p, q)).Edge()
    # the middle of the arc stands off the chord by bulge half chords, to the right of the way along it
    middle = gp_Pnt(
        (a[0] + b[0]) / 2 + a[2] * (b[1] - a[1]) / 2, (a[1] + b[1]) / 2 - a[2] * (b[0] - a[0]) / 2, z
    )  # fmt: skip
    return _done(BRepBuilderAPI_MakeEdge(_done(GC_MakeArcOfCircle(p, middle, q)).Value())).Edge()


def volume_of(shape: Any) -> float:
    """Return the volume of a shape in mm³."""
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps

    found = GProp_GProps()
    BRepGProp.VolumeProperties_s(shape, found)
    return float(found.Mass())


def triangles_of(shape: Any) -> Floats:
    """Return the surface as (N, 3, 3) triangles in mm, anticlockwise seen from outside."""
    from OCP.BRep import BRep_Tool
    from OCP.BRepMesh import BRepMesh_IncrementalMesh
    from OCP.TopAbs import TopAbs_Orientation
    from OCP.TopAbs import TopAbs_ShapeEnum as Kind
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopLoc import TopLoc_Location
    from OCP.TopoDS import TopoDS

    BRepMesh_IncrementalMesh(shape, _CHORD_MM, False, _FACET_RAD, False)
    as_face = getattr(TopoDS, "Face_s", None) or TopoDS.Face  # named so up to 7.9, and from 8.0
    found: list[list[tuple[float, float, float]]] = []
    walk = TopExp_Explorer(shape, Kind.TopAbs_FACE)
    while walk.More():
        face = as_face(walk.Current())
        place = TopLoc_Location()
        mesh = BRep_Tool.Triangulation_s(face, place)
        if mesh is None:
            raise CtreconError("the solid cannot be cut into triangles: one of its faces has none")
        moved = [mesh.Node(k).Transformed(place.Transformation()) for k in range(1, mesh.NbNodes() + 1)]
        spots = [(p.X(), p.Y(), p.Z()) for p in moved]
        turned = face.Orientation() == TopAbs_Orientation.TopAbs_REVERSED
        for k in range(1, mesh.NbTriangles() + 1):
            triangle = mesh.Triangle(k)
            i, j, m = (triangle.Value(n) - 1 for n in (1, 2, 3))
            found.append([spots[i], spots[m], spots[j]] if turned else [spots[i], spots[j], spots[m]])
        walk.Next()
    return np.array(found, dtype=float).reshape(-1, 3, 3)


def step_bytes(shapes: list[tuple[str, Any]], name: str) -> bytes:
    """Return named shapes as a STEP file (ISO 10303-21, AP214) in mm, without a date.

    Parameters
    ----------
    shapes : list of (str, shape)
        Name and shape of every body.
    name : str
        Name of the whole.
    """
    from OCP.Interface import Interface_Static
    from OCP.STEPCAFControl import STEPCAFControl_Writer
    from OCP.STEPControl import STEPControl_StepModelType
    from OCP.TCollection import TCollection_ExtendedString
    from OCP.TDataStd import TDataStd_Name
    from OCP.TDocStd import TDocStd_Document
    from OCP.XCAFDoc import XCAFDoc_DocumentTool

    document = TDocStd_Document(TCollection_ExtendedString("XmlXCAF"))
    tool = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    for body, shape in shapes:
        TDataStd_Name.Set_s(tool.AddShape(shape, False), TCollection_ExtendedString(body, True))
    writer = STEPCAFControl_Writer()
    Interface_Static.SetCVal_s("write.step.unit", "MM")
    Interface_Static.SetCVal_s("write.step.schema", "AP214IS")
    writer.Transfer(document, STEPControl_StepModelType.STEPControl_AsIs)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "solid.step")
        writer.Write(str(path))
        text = path.read_text(encoding="utf-8")
    says = name.replace("\\", "\\\\").replace("'", "''")
    header = _HEADER.format(says=f"{says}, in mm; X right, Y up, Z towards the viewer", version=__version__)
    text = re.sub(r"HEADER;.*?ENDSEC;", lambda _: header, text, count=1, flags=re.DOTALL)
    return re.sub(r"[^\x00-\x7e]+", _escaped, text).encode("ascii")


def _escaped(match: "re.Match[str]") -> str:
    """Return letters beyond plain ones as the STEP file format writes them (ISO 10303-21, 6.4.3)."""
    return "\\X2\\" + match.group().encode("utf-16-be").hex().upper() + "\\X0\\"
