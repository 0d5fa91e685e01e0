"""What a shop would call each piece: by its teeth, by what it carries and by what it lies between."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ctrecon.record.kinds import is_outside, is_seam, kind_of
from ctrecon.record.part import Feature, Piece

__all__ = ["name_pieces"]

_LONG = 1.5
"""What carries others and is so many times longer than wide is an arbor, else a hub (common practice, no source)."""

_WIDER = 1.3
"""Of rings without teeth on one seat, one so many times wider than the narrowest is a plate."""


def name_pieces(pieces: Sequence[Piece], features: Sequence[Feature]) -> tuple[Piece, ...]:
    """Return the pieces with names that say what they are.

    Parameters
    ----------
    pieces : sequence of Piece
        The body first; pins and rivets are named already, a ring by its seam.
    features : sequence of Feature
        All of the part.

    Returns
    -------
    tuple of Piece
        A toothed piece is a wheel, what carries others an arbor or a hub, what lies between two wider pieces a
        spacer, any other layer a plate. A part that is one piece stays a body.
    """
    if len(pieces) < 2:
        return tuple(pieces)
    by_id = {f.id: f for f in features}
    own = {p.id: [by_id[i] for i in p.features if i in by_id] for p in pieces}
    rims = {p.id: [f for f in own[p.id] if is_outside(f)] for p in pieces}
    body = pieces[0]
    stack = sorted((p for p in pieces if rims[p.id]), key=lambda p: min(map(_from, rims[p.id])))
    seats = {p.id: [f for f in own[p.id] if is_seam(f) and not kind_of(f).is_face] for p in stack}
    rings = [p.id for p in stack if seats[p.id]]
    layers = [p.id for p in stack if p.name == "layer"]
    layers += [body.id] if layers and not rings else []
    widths = {p.id: max(map(_width, rims[p.id])) for p in stack}
    names = {p.id: p.name or "spacer" for p in pieces}
    if rings:
        wide = max(map(_width, rims[body.id] or seats[rings[0]]))
        names[body.id] = "arbor" if _length(body) > _LONG * wide else "hub"
    for k, piece in enumerate(stack):
        width = widths[piece.id]
        beside = [stack[n].id for n in (k - 1, k + 1) if 0 <= n < len(stack) and stack[n].id in (*rings, *layers)]
        if any("toothed_rim" in f.flags or kind_of(f).is_toothed for f in rims[piece.id]):
            names[piece.id] = "wheel"
        elif piece.id not in (*rings, *layers):
            continue
        elif len(beside) == 2 and width < min(widths[i] for i in beside):
            names[piece.id] = "spacer"
        elif piece.id in layers or (not piece.name and width > _WIDER * min(widths[i] for i in rings)):
            names[piece.id] = "plate"
    return tuple(replace(p, name=names[p.id]) for p in pieces)


def _from(f: Feature) -> float:
    return -np.inf if f.depth_from_mm is None else f.depth_from_mm.value


def _length(piece: Piece) -> float:
    low, high = piece.depth_from_mm, piece.depth_to_mm
    return 0.0 if low is None or high is None else high.value - low.value


def _width(f: Feature) -> float:
    """Return how wide an outside is: its main size, of a free outline the circle of its area (mm)."""
    size = f.diameter_mm or f.flats_mm or f.tip_diameter_mm
    if size is not None:
        return size.value
    return 0.0 if f.area_mm2 is None else 2.0 * float(np.sqrt(max(f.area_mm2.value, 0.0) / np.pi))
