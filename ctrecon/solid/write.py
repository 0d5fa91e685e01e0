"""The part as a solid: a STEP or STL file of its pieces, made from the record alone."""

from pathlib import Path
from typing import Any

import numpy as np

from ctrecon.core.errors import CtreconError, InputError
from ctrecon.core.files import write_whole
from ctrecon.core.frames import Floats
from ctrecon.core.measured import format_short
from ctrecon.drawing.model.edges import TO_MAKE
from ctrecon.record.measurement import need_part
from ctrecon.record.part import Part
from ctrecon.solid.kernel import need_kernel, shape_of, step_bytes, triangles_of, volume_of
from ctrecon.solid.plan import solid_record
from ctrecon.solid.volume import record_volume

__all__ = ["stl_bytes", "write_solid", "write_solids"]

_WORST = 1e-3
"""How far the volume of a built body may lie off the record's, as a share of it."""

_STEP, _STL = (".step", ".stp"), (".stl",)


def write_solid(part: Part, path: str | Path, *, edges: str = TO_MAKE) -> tuple[str, ...]:
    """Write a part as a solid, each piece a body of its own, in mm.

    X runs right and Y up as on the sheet, seen from the start end; Z runs towards the
    viewer, so the start face lies at Z = 0 and the part below it. Outsides less their
    holes; hole and boss of a seat stand apart by its gap, as on the sheet. The volume of each
    body is checked against the record's before anything is written.

    Parameters
    ----------
    part : Part
        The record; nothing else is read.
    path : path
        The file; its ending says which kind: `.step` or `.stp`, or `.stl`.
    edges : {"to-make", "as-found"}
        Whether worn edges are made sound, or as they were found.

    Returns
    -------
    tuple of str
        Sentences: what was left out, and what was taken as known.

    Raises
    ------
    CtreconError
        If the extra named solid is not installed, or a body cannot be built as recorded.
    InputError
        If the record holds no solid, or the ending or the edges are others.
    InputFileError
        If the file cannot be written.

    Examples
    --------
    >>> from pathlib import Path
    >>> from ctrecon import read_part, write_solid
    >>> part = read_part("drum_hub_out/part.json")
    >>> for sentence in write_solid(part, "hub.stl"):
    ...     print(sentence)
    F3 has no known far end: it is cut right through there.
    F7 (free hole) is left out: it runs across the axis and its own axis is not known.
    Pieces stand apart by the gaps of their side seams, hole and boss as on the sheet.
    The slices are assumed to run away from the viewer: otherwise the solid is the mirror image.
    >>> [line for line in Path("hub.stl").read_text().splitlines() if line.startswith("solid")]
    ['solid P1 hub', 'solid P2 spacer']
    """
    need_part(part, "write_solid")
    return write_solids(part, (Path(path),), edges=edges)


def write_solids(part: Part, paths: tuple[Path, ...], *, edges: str = TO_MAKE) -> tuple[str, ...]:
    """Write one part as several files, building it once; as `write_solid` otherwise."""
    for path in paths:
        if path.suffix.lower() not in (*_STEP, *_STL):
            raise InputError(f"{path} is not a name for a solid: end it in .step or .stl")
    need_kernel()
    record = solid_record(part, edges=edges)
    shapes = []
    for body in record.bodies:
        shape, wanted = shape_of(body), record_volume(body)
        got = volume_of(shape)
        if not abs(got - wanted) <= _WORST * wanted:
            raise CtreconError(
                f"the solid of {body.name} came out at {format_short(got, 4)} mm³ where its record holds "
                f"{format_short(wanted, 4)} mm³, so it "
                "was not written; look for outlines that cross each other on the sheet"
            )
        shapes.append((body.name, shape))
    for path in paths:
        step = path.suffix.lower() in _STEP
        write_whole(path, step_bytes(shapes, part.name) if step else _as_stl(shapes))
    return record.notes


def _as_stl(shapes: list[tuple[str, Any]]) -> bytes:
    return stl_bytes([(name, triangles_of(shape)) for name, shape in shapes])


def stl_bytes(bodies: list[tuple[str, Floats]]) -> bytes:
    """Return triangles as a text STL file, one named solid after another.

    Parameters
    ----------
    bodies : list of (str, (N, 3, 3) array)
        Name and triangles (mm, anticlockwise seen from outside) of every body.

    Examples
    --------
    >>> corner = np.array([[[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]])
    >>> print(stl_bytes([("chip", corner)]).decode().splitlines()[1])
    facet normal 0.000000 0.000000 1.000000
    """
    lines = []
    for name, triangles in bodies:
        plain = " ".join(name.encode("ascii", "replace").decode().split())
        corners = np.round(triangles, 6) + 0.0  # no negative zero
        normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        length = np.linalg.norm(normal, axis=1)
        lines.append(f"solid {plain}")
        for spots, n in zip(corners[length > 0], (normal[length > 0].T / length[length > 0]).T + 0.0, strict=True):
            lines.append(f"facet normal {n[0]:.6f} {n[1]:.6f} {n[2]:.6f}")
            lines.append("outer loop")
            lines += [f"vertex {x:.6f} {y:.6f} {z:.6f}" for x, y, z in spots]
            lines += ["endloop", "endfacet"]
        lines.append(f"endsolid {plain}")
    return ("\n".join(lines) + "\n").encode("ascii")
