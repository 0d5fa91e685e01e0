"""What is true of a phantom, written down in the words and the frame of the part record.

A design names its features in the part's own frame; `tell` turns them into stack depths,
positions and turns. Nothing here looks at the picture.
"""

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ctrecon.phantoms.render import Body, Placement

__all__ = ["Design", "Feature", "Piece", "relief_arcs", "tell"]

_EXACT = 9


@dataclass(frozen=True, slots=True, kw_only=True)
class Feature:
    """One feature of a design, in the part's own frame.

    Parameters
    ----------
    kind : str
        A kind of the part record.
    piece : str
        Name of the body it belongs to.
    z_from, z_to : float
        Where its own axis crosses its end faces, mm.
    x, y : float
        Its axis, mm.
    sizes : dict
        Further fields of the record, mm or plain numbers.
    turn_deg : float or None
        Turn in the part's own frame; `period_deg` is what it repeats after.
    arc_from_deg : float or None
        Where a partial arc begins, in the part's own frame.
    opens_at : tuple of str or None
        For holes.
    flags : tuple of str
        Flags the record must carry.
    angles_deg : tuple of float
        Middle of every tooth that is left, in the part's own frame.
    """

    kind: str
    piece: str
    z_from: float
    z_to: float
    x: float = 0.0
    y: float = 0.0
    sizes: dict[str, Any] = field(default_factory=dict)
    turn_deg: float | None = None
    period_deg: float = 90.0
    arc_from_deg: float | None = None
    opens_at: tuple[str, ...] | None = None
    flags: tuple[str, ...] = ()
    angles_deg: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """A piece of a design: the name of its body and its end faces on the part axis, mm."""

    name: str
    z_from: float
    z_to: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """A part before it is laid into a stack.

    Parameters
    ----------
    bodies : tuple of Body
        What is rendered.
    features : tuple of Feature
        What is true.
    pieces : tuple of Piece
        The separate pieces.
    radius : float
        Radius about the part axis that holds the part, mm.
    z_from, z_to : float
        Lowest and highest end face, mm.
    """

    bodies: tuple[Body, ...]
    features: tuple[Feature, ...]
    pieces: tuple[Piece, ...]
    radius: float
    z_from: float
    z_to: float


def relief_arcs(*, outer: float, relief: float, centre: float) -> tuple[float, float]:
    """Return how many degrees a relief takes from a rim, and how long the relief is itself.

    Parameters
    ----------
    outer, relief : float
        Diameters of the rim and of the relief, mm.
    centre : float
        Distance between their axes, mm.

    Returns
    -------
    (from the rim, of the relief)
        Degrees, from the triangle of the two radii and the distance.
    """
    big, small = 0.5 * outer, 0.5 * relief
    of_rim = math.acos((centre**2 + big**2 - small**2) / (2 * centre * big))
    of_relief = math.acos((centre**2 + small**2 - big**2) / (2 * centre * small))
    return 2 * math.degrees(of_rim), 2 * math.degrees(of_relief)


def _round(value: float) -> float:
    return round(float(value), _EXACT) + 0.0


def _wrap(angle: float, period: float) -> float:
    turned = _round(angle % period)
    return 0.0 if turned == period else turned


def _ends(
    placement: Placement, x: float, y: float, z_from: float, z_to: float, last_mm: float
) -> tuple[dict[str, Any], list[str]]:
    """Return place and depth of a length of axis, and the flags they bring.

    An end outside the stack is None; x and y are then midway along what the stack shows.
    """
    low, high = sorted(
        (placement.to_stack(np.array([x, y, z])) for z in (z_from, z_to)), key=lambda point: float(point[2])
    )
    inside = [0.0 <= low[2] <= last_mm, 0.0 <= high[2] <= last_mm]
    shown = [min(max(float(p[2]), 0.0), last_mm) for p in (low, high)]
    share = (0.5 * (shown[0] + shown[1]) - low[2]) / (high[2] - low[2])
    middle = low + share * (high - low)
    told: dict[str, Any] = {
        "x_mm": _round(middle[0]),
        "y_mm": _round(middle[1]),
        "depth_from_mm": _round(low[2]) if inside[0] else None,
        "depth_to_mm": _round(high[2]) if inside[1] else None,
        "length_mm": _round(z_to - z_from) if all(inside) else None,
    }
    return told, [] if all(inside) else ["runs_out_of_stack"]


def _feature(feature: Feature, placement: Placement, last_mm: float) -> dict[str, Any]:
    place, flags = _ends(placement, feature.x, feature.y, feature.z_from, feature.z_to, last_mm)
    told: dict[str, Any] = {"kind": feature.kind, "piece": feature.piece, **place}
    told["flags"] = sorted([*feature.flags, *flags])
    for name, value in feature.sizes.items():
        told[name] = [_round(v) for v in value] if isinstance(value, tuple) else _round(value)
    hand = -1.0 if placement.flipped else 1.0
    if "taper_mm_per_mm" in told:
        told["taper_mm_per_mm"] = _round(hand * told["taper_mm_per_mm"])
    if feature.turn_deg is not None:
        told["turn_deg"] = _wrap(hand * feature.turn_deg + placement.turn_deg, feature.period_deg)
    if feature.arc_from_deg is not None:
        first = -(feature.arc_from_deg + told["arc_deg"]) if placement.flipped else feature.arc_from_deg
        told["arc_from_deg"] = _wrap(first + placement.turn_deg, 360.0)
    if feature.angles_deg:
        turned = (hand * one + placement.turn_deg for one in feature.angles_deg)
        told["tooth_angles_deg"] = sorted(_wrap(one, 360.0) for one in turned)
    if feature.opens_at is not None:
        other = {"start": "end", "end": "start"}
        opens = [other[o] for o in feature.opens_at] if placement.flipped else feature.opens_at
        seen = {"start": told["depth_from_mm"], "end": told["depth_to_mm"]}
        told["opens_at"] = [end for end in ("start", "end") if end in opens and seen[end] is not None]
    return told


def _order(item: dict[str, Any]) -> tuple[float, float, float, str]:
    depth = item["depth_from_mm"]
    return (-math.inf if depth is None else depth, item["y_mm"], item["x_mm"], item["kind"])


def tell(design: Design, placement: Placement, *, last_mm: float) -> dict[str, Any]:
    """Return axis, features, seams and pieces of a design as it lies in the stack.

    Features are numbered by depth, y, x and kind, as the record numbers them. Seams are
    features; `seams` lists their ids.

    Parameters
    ----------
    design : Design
        The part.
    placement : Placement
        How it lies.
    last_mm : float
        Depth of the last slice.
    """
    features = sorted((_feature(f, placement, last_mm) for f in design.features), key=_order)
    features = [{"id": f"F{n}", **f} for n, f in enumerate(features, 1)]
    pieces = []
    for piece in design.pieces:
        ends, _ = _ends(placement, 0.0, 0.0, piece.z_from, piece.z_to, last_mm)
        grey = next(b.grey for b in design.bodies if b.name == piece.name)
        pieces.append(
            {
                "name": piece.name,
                "depth_from_mm": ends["depth_from_mm"],
                "depth_to_mm": ends["depth_to_mm"],
                "grey": grey,
                "features": [f["id"] for f in features if f["piece"] == piece.name],
                "verdict": "separate" if len(design.pieces) > 1 else "one_piece",
            }
        )
    pieces.sort(key=lambda p: (p["depth_from_mm"] or 0.0, p["name"]))
    own = {piece.name for piece in design.pieces}
    return {
        "axis": {
            "tilt_deg": placement.tilt_deg,
            "direction_xyz": [_round(v) for v in placement.direction()],
            "point_mm": [_round(v) for v in placement.centre_xyz],
        },
        "features": features,
        "seams": [f["id"] for f in features if f["kind"].endswith("_seam")],
        "pieces": [{"id": f"P{n}", **p} for n, p in enumerate(pieces, 1)],
        "other_bodies": [b.name for b in design.bodies if b.name not in own],
    }
