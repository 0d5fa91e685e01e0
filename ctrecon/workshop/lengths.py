"""The lengths of a record that a maker may have set once and used twice, or meant to be round."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import hypot, radians

import numpy as np

from ctrecon.core.measured import Measured
from ctrecon.record.hole_patterns import hole_patterns
from ctrecon.record.kinds import is_hole, is_outside, is_seam, kind_of
from ctrecon.record.part import Feature, Part, Relation, depths_in_part_frame, place_in_part_frame, taper_of
from ctrecon.record.relations import AxisLine, across_mm
from ctrecon.workshop.stock import thickness_of

__all__ = ["PATTERNS", "Length", "divider_lengths", "pattern_relations", "piece_thicknesses", "sizes_of"]

PATTERNS = ("divided_circle", "circle_of_holes", "even_pitch", "in_line", "symmetric")
"""Kinds of relation that are ways of laying holes out."""

_CLEAR = 5.0
_NEAR_AXIS = 0.05
_FEW_HOLES = 5


@dataclass(frozen=True)
class Length:
    """A length (mm) with the words for it and the ids it belongs to."""

    words: str
    features: tuple[str, ...]
    size: Measured


def _sound(feature: Feature) -> bool:
    """Return whether the size was measured and is one size: parallel, along the axis, not too small to trust."""
    spoilt = {"not_along_depth", "very_small", "undecided"} & set(feature.flags)
    return feature.basis == "measured" and not spoilt and taper_of(feature) is None


def sizes_of(part: Part, kinds: Sequence[str]) -> list[Length]:
    """Return the main sizes of all sound features of these kinds: diameter, flats, or both pairs of a rectangle."""
    out = []
    for one in filter(_sound, part.of_kind(*kinds)):
        out += [Length(f"{size.words} of {one.id}", (one.id,), value) for size, value in kind_of(one).main_sizes(one)]
    return [one for one in out if one.size.value > 0]


def piece_thicknesses(part: Part) -> list[Length]:
    """Return the thickness of every piece whose two ends are known."""
    sized = [(piece, thickness_of(part, piece)) for piece in part.pieces]
    return [
        Length(f"thickness of {piece.id}", (piece.id,), size)
        for piece, size in sized
        if size is not None and size.value > 0
    ]


def pattern_relations(part: Part) -> list[Relation]:
    """Return the patterns of the part's holes: those of the record, found afresh in a record without relations."""
    if part.relations:
        return [one for one in part.relations if one.kind in PATTERNS and one.margin is not None]
    lean = 0.0 if part.axis is None or part.axis.direction_u_deg is None else radians(part.axis.direction_u_deg)
    lines = {}
    for one in part.features:
        if one.x_mm is None or one.y_mm is None or not across_mm(one) or "not_along_depth" in one.flags:
            continue
        x, y = place_in_part_frame(part, one)
        z = sum(depths_in_part_frame(part, one)) / 2
        spread = np.diag([(one.x_mm.u or 0.0) ** 2, (one.y_mm.u or 0.0) ** 2, lean**2, lean**2])
        lines[one.id] = AxisLine(x, y, z, (0.0, 0.0), spread, False)
    return [one for one in hole_patterns(part, lines) if one.kind in PATTERNS]


def divider_lengths(part: Part, patterns: Sequence[Relation]) -> list[Length]:
    """Return the lengths a pair of dividers may have set: radii of reliefs and circles of holes, distances of centres.

    Holes that make a pattern enter through it only: their distances follow from it.
    """
    laid = {ident for one in patterns for ident in one.features}
    out = [
        Length(f"radius of {f.id}", (f.id,), _half(f.diameter_mm))
        for f in part.features
        if kind_of(f).is_relief and f.diameter_mm is not None and _sound(f)
    ]
    out += [
        Length(f"radius of the circle of {', '.join(one.features)}", one.features, _half(one.value))
        for one in patterns
        if one.kind in ("divided_circle", "circle_of_holes") and one.value is not None
    ]
    placed = [f for f in part.features if f.x_mm is not None and f.y_mm is not None and not is_seam(f)]
    rounds = [f for f in placed if is_outside(f) and kind_of(f).is_round and f.diameter_mm is not None]
    base = max(rounds, key=across_mm, default=None)
    free = [f for f in placed if kind_of(f).is_cutter and f.id not in laid and _sound(f)]
    pairs: list[tuple[Feature, Feature]] = [] if base is None else [(base, f) for f in free]
    holes = [f for f in free if is_hole(f)]
    if len(holes) <= _FEW_HOLES:
        pairs += list(combinations(holes, 2))
    return out + list(_distances(part, pairs, 0.0 if base is None else _NEAR_AXIS * across_mm(base)))


def _half(size: Measured) -> Measured:
    return Measured(size.value / 2, None if size.u is None else size.u / 2)


def _distances(part: Part, pairs: Sequence[tuple[Feature, Feature]], least: float) -> Iterator[Length]:
    lean = 0.0 if part.axis is None or part.axis.direction_u_deg is None else radians(part.axis.direction_u_deg)
    for a, b in pairs:
        (xa, ya), (xb, yb) = place_in_part_frame(part, a), place_in_part_frame(part, b)
        length = hypot(xb - xa, yb - ya)
        sway = lean * abs(sum(depths_in_part_frame(part, a)) - sum(depths_in_part_frame(part, b))) / 2
        parts = [m.u or 0.0 for f in (a, b) for m in (f.x_mm, f.y_mm) if m is not None]
        u = hypot(hypot(*parts) / 2**0.5, sway)  # the mean of x and y, as the way between them may run anywhere
        if length > max(_CLEAR * u, least):
            yield Length(f"{a.id} to {b.id}", (a.id, b.id), Measured(length, u))
