"""Pieces as triangles for the eye, from the sections of the record alone: no kernel is needed."""

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.record.part import Part
from ctrecon.solid.plan import Bar, Body, solid_record
from ctrecon.solid.volume import section_at, stops_of

__all__ = ["Mesh", "meshes_of"]

_FINE = 2e-4  # of the part's width: what a curve may leave its chord by is less than a pixel of the screen
_SLABS = 16  # an edge that leans, or a hole across, is shown in this many steps
_LEAST_MM = 1e-9


@dataclass(frozen=True, eq=False)
class Mesh:
    """A piece as triangles.

    Attributes
    ----------
    name : str
        The piece.
    corners : array, shape (triangles, 3, 3)
        Corners of the triangles, mm, sheet axes (X right, Y up, Z towards the viewer: depth is -Z), anticlockwise
        seen from outside.
    edges : array, shape (edges, 2, 3)
        Ends of the edges to be drawn as lines.
    """

    name: str
    corners: Floats
    edges: Floats

    @property
    def volume(self) -> float:
        """The volume it encloses, mm³ (divergence theorem)."""
        a, b, c = (self.corners[:, k] for k in range(3))
        return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)


def meshes_of(part: Part) -> tuple[Mesh, ...]:
    """Return the pieces of a record as triangles; each lies where it was found.

    Parameters
    ----------
    part : Part
        The record; it needs a depth and at least one outside.

    Raises
    ------
    InputError
        If the record holds no solid.
    """
    return tuple(_mesh(body) for body in solid_record(part).bodies)


def _mesh(body: Body) -> Mesh:
    from shapely import get_parts
    from shapely.geometry import Polygon

    levels = _levels(body)
    sections = [_whole(body, (low + high) / 2) for low, high in itertools.pairwise(levels)]
    corners: list[Floats] = []
    edges: list[Floats] = []
    nothing = Polygon()
    for level, above, below in zip(levels, [nothing, *sections], [*sections, nothing], strict=True):
        for area, up in ((below.difference(above), True), (above.difference(below), False)):
            for one in get_parts(area):
                if isinstance(one, Polygon) and one.area > _LEAST_MM:
                    corners.append(_cap(one, -level, up=up))
                    edges += [_line(ring, -level) for ring in _rings(one)]
    for (low, high), area in zip(itertools.pairwise(levels), sections, strict=True):
        for one in get_parts(area):
            corners += [_wall(ring, -low, -high) for ring in _rings(one)]
    return Mesh(body.name, np.concatenate(corners), np.concatenate(edges))


def _levels(body: Body) -> list[float]:
    """Return the depths between which sections are taken to stay the same."""
    stops = sorted({z for block in body.blocks for z in stops_of(block)})
    out = stops[:1]
    for low, high in itertools.pairwise(stops):
        if high - low < _LEAST_MM:
            continue
        changes = any(
            isinstance(one, Bar) or one.tapers
            for block in body.blocks for one in (block.run, *block.cuts)
            if isinstance(one, Bar) or (one.low < high and one.high > low)
        )  # fmt: skip
        out += list(np.linspace(low, high, _SLABS + 1)[1:]) if changes else [high]
    return out


def _whole(body: Body, z: float) -> Any:
    """Return the metal of a piece at a depth, its curves as few chords."""
    from shapely import MultiPolygon, get_parts, unary_union
    from shapely.geometry.polygon import orient

    area = unary_union([section_at(block, z) for block in body.blocks if block.run.low < z < block.run.high])
    if area.is_empty:
        return area
    left, down, right, up = area.bounds
    area = area.simplify(_FINE * max(right - left, up - down))
    return MultiPolygon([orient(one) for one in get_parts(area) if one.geom_type == "Polygon"])


def _rings(polygon: Any) -> list[Floats]:
    return [np.asarray(ring.coords)[:, :2] for ring in (polygon.exterior, *polygon.interiors)]


def _line(ring: Floats, z: float) -> Floats:
    points = np.column_stack([ring, np.full(len(ring), z)])
    return np.stack([points[:-1], points[1:]], axis=1)


def _cap(polygon: Any, z: float, *, up: bool) -> Floats:
    from shapely import constrained_delaunay_triangles, get_parts

    flat = np.array([np.asarray(one.exterior.coords)[:3] for one in get_parts(constrained_delaunay_triangles(polygon))])
    a, b, c = (flat[:, k, :2] for k in range(3))
    turned = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    wrong = (turned > 0) != up
    out = np.concatenate([flat[:, :, :2], np.full((len(flat), 3, 1), z)], axis=2)
    out[wrong] = out[wrong][:, ::-1]
    return np.asarray(out)


def _wall(ring: Floats, top: float, bottom: float) -> Floats:
    """Return the wall below a ring that runs anticlockwise about metal, clockwise about a hole."""
    a, b = ring[:-1], ring[1:]
    high, low = np.full((len(a), 1), top), np.full((len(a), 1), bottom)
    a0, b0, a1, b1 = (np.hstack(pair) for pair in ((a, high), (b, high), (a, low), (b, low)))
    return np.concatenate([np.stack([a0, a1, b1], axis=1), np.stack([a0, b1, b0], axis=1)])
