"""How features stand to each other: axes, flats, turns, centre distances, with u, in the part frame."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.core.measured import Measured, decimals_for, expanded, format_u, format_value
from ctrecon.record.kinds import is_hole, kind_of
from ctrecon.record.part import Feature, Part, Relation, depths_in_part_frame, scale_u_along

__all__ = [
    "AxisLine", "across_mm", "axes_angles", "axis_offsets", "centre_distances", "equal_turns", "holes_of",
    "said",
]  # fmt: skip

_ALL_PAIRS = 8
_NEAREST = 2
_NESTED = 0.12
_MOST_PAIRS = 15
_NOISE_MEAN = np.sqrt(np.pi / 2)
_NOISE_99 = 3.03  # of a length made by two equal components
_WIDEST_U_DEG = 2.0


@dataclass(frozen=True, eq=False)
class AxisLine:
    """The axis of a feature in the part frame: place (mm) at depth `z`, slopes, their covariance; `own` if its own."""

    x: float
    y: float
    z: float
    slopes: tuple[float, float]
    covariance: Floats
    own: bool

    def at(self, z: float) -> tuple[Floats, Floats]:
        """Return place (2,) and its covariance (2, 2) at a depth."""
        by = np.hstack([np.eye(2), np.eye(2) * (z - self.z)])
        return by @ np.array([self.x, self.y, *self.slopes]), by @ self.covariance @ by.T


def said(value: Measured, part: Part, unit: str = "mm") -> str:
    """Return a quantity with its U as printed everywhere: value, unit, (U ...)."""
    spread = expanded(value, scale_u_along(part, "across") if unit == "mm" else 0.0)
    digits = decimals_for(spread)
    text = f"{format_value(value.value, digits)} {unit}" if unit == "mm" else f"{format_value(value.value, digits)}°"
    u = format_u(spread, digits)
    return f"{text} (U {u})" if u else text


def across_mm(feature: Feature) -> float:
    """Return the smallest size square to the axis; 0 where none is known."""
    return min((size.value for _, size in kind_of(feature).known(feature)), default=0.0)


def _pairs(part: Part, lines: Mapping[str, AxisLine]) -> Iterator[tuple[Feature, Feature, float]]:
    """Yield nested or adjoining features whose axes were meant to be one, and the depth to judge them at."""
    some = [f for f in part.features if f.id in lines and not kind_of(f).is_relief]
    slack = 2 * part.stack.voxel_mm[0]
    for a, b in combinations(some, 2):
        (a0, a1), (b0, b1) = depths_in_part_frame(part, a), depths_in_part_frame(part, b)
        low, high = max(a0, b0), min(a1, b1)
        if low > high + slack:
            continue
        z = (low + high) / 2
        gap = _norm(lines[a.id].at(z)[0] - lines[b.id].at(z)[0])
        if gap < _NESTED * min(across_mm(a), across_mm(b)):
            yield a, b, z


def _length_and_u(vector: Floats, covariance: Floats) -> tuple[float, float, float]:
    """Return the length of a small 2-vector, its u, and the standard deviation of one component."""
    length = _norm(vector)
    sd = float(np.sqrt(np.trace(covariance) / 2))
    unit = vector / max(length, 1e-12)
    along = float(np.sqrt(max(float(unit @ covariance @ unit), 1e-18)))
    # noise alone makes a length: below what it explains the length is open down to zero
    resolved = length > _NOISE_99 * sd
    return length, max(along, 1e-6) if resolved else max(along, length / 2, 1e-6), sd


def axis_offsets(part: Part, lines: Mapping[str, AxisLine]) -> list[Relation]:
    """Return the distances between axes of nested and adjoining features (the coaxial zone is twice that)."""
    out = []
    for a, b, z in list(_pairs(part, lines))[:_MOST_PAIRS]:
        (pa, ca), (pb, cb) = lines[a.id].at(z), lines[b.id].at(z)
        shift = pb - pa
        length, u, sd = _length_and_u(shift, ca + cb)
        value = Measured(length, u)
        side = (
            f"{b.id} lies X {format_value(shift[0], 4, sign=True)}, Y {format_value(-shift[1], 4, sign=True)} mm "
            f"from {a.id}"
        )
        verdict = "" if length > _NOISE_99 * sd else "; not significant (within noise)"
        says = (
            f"Axes of {a.id} and {b.id} {said(value, part)} apart; {side}; "
            f"noise alone gives about {format_value(_NOISE_MEAN * sd, 4)} mm{verdict}"
        )
        out.append(Relation(kind="axis_offset", features=(a.id, b.id), value=value, says=says))
    return out


def axes_angles(part: Part, lines: Mapping[str, AxisLine]) -> list[Relation]:
    """Return the angles between axes that both features show on their own: nested ones, holes to the main outside."""
    pairs = [(a, b) for a, b, _ in _pairs(part, lines)]
    own = [f for f in part.features if f.id in lines and lines[f.id].own]
    main = max((f for f in own if kind_of(f).is_outside), key=across_mm, default=None)
    if main is not None:
        pairs += [(main, f) for f in own if is_hole(f)]
    out, seen = [], set()
    for a, b in pairs:
        key = frozenset((a.id, b.id))
        if key in seen or not (lines[a.id].own and lines[b.id].own):
            continue
        seen.add(key)
        lean = np.degrees(np.array(lines[b.id].slopes) - np.array(lines[a.id].slopes))
        covariance = (lines[a.id].covariance + lines[b.id].covariance)[2:, 2:] * np.degrees(1) ** 2
        length, u, sd = _length_and_u(lean, covariance)
        if sd > _WIDEST_U_DEG:
            continue
        value = Measured(length, u)
        verdict = "" if length > _NOISE_99 * sd else "; not significant: parallel within noise"
        says = (
            f"Axes of {a.id} and {b.id} at {said(value, part, 'deg')} to each other; "
            f"noise alone gives about {format_value(_NOISE_MEAN * sd, 3)}°{verdict}"
        )
        out.append(Relation(kind="axes_angle", features=(a.id, b.id), value=value, says=says))
        if len(out) >= _MOST_PAIRS:
            break
    return out


def equal_turns(part: Part) -> list[Relation]:
    """Return the differences in turn of squares and rectangles, to the nearest quarter turn."""
    some = [f for f in part.features if kind_of(f).is_four_sided and f.turn_deg is not None]
    out = []
    for a, b in list(combinations(some, 2))[:_MOST_PAIRS]:
        if a.turn_deg is None or b.turn_deg is None:
            continue
        difference = (b.turn_deg.value - a.turn_deg.value + 45) % 90 - 45
        u = float(np.hypot(a.turn_deg.u or 0.0, b.turn_deg.u or 0.0)) or None
        value = Measured(float(difference), u)
        same = u is not None and abs(difference) <= 2 * u
        verdict = "the same turn within U" if same else "turned against each other"
        says = f"{b.id} stands {said(value, part, 'deg')} to {a.id}, to the nearest quarter turn: {verdict}"
        out.append(Relation(kind="equal_turn", features=(a.id, b.id), value=value, says=says))
    return out


def holes_of(part: Part, lines: Mapping[str, AxisLine]) -> list[Feature]:
    """Return the holes that could be laid out on a plate: along the axis, one of those that share an axis."""
    out: list[Feature] = []
    for f in part.features:
        if not is_hole(f) or f.id not in lines:
            continue
        here = np.array([lines[f.id].x, lines[f.id].y])
        near = [g for g in out if np.hypot(*(here - [lines[g.id].x, lines[g.id].y])) < 0.5 * across_mm(f)]
        if not near:
            out.append(f)
    return out


def centre_distances(part: Part, lines: Mapping[str, AxisLine]) -> list[Relation]:
    """Return the centre distances of holes: all pairs of up to eight, else each hole to its two nearest."""
    holes = holes_of(part, lines)
    places = {f.id: place_and_covariance(lines, f.id) for f in holes}
    pairs = list(combinations(holes, 2))
    if len(holes) > _ALL_PAIRS:
        chosen = set()
        for f in holes:
            others = [g for g in holes if g is not f]
            away = {g.id: _norm(places[g.id][0] - places[f.id][0]) for g in others}
            others.sort(key=lambda g: (away[g.id], g.id))
            chosen |= {frozenset((f.id, g.id)) for g in others[:_NEAREST]}
        pairs = [(a, b) for a, b in pairs if frozenset((a.id, b.id)) in chosen]
    out = []
    for a, b in pairs:
        (pa, ca), (pb, cb) = places[a.id], places[b.id]
        way = pb - pa
        length = _norm(way)
        unit = way / max(length, 1e-12)
        sway = _sway(part) * abs(lines[a.id].z - lines[b.id].z)
        u = float(np.sqrt(max(float(unit @ (ca + cb) @ unit) + sway**2, 1e-14)))
        value = Measured(length, u)
        says = (
            f"{a.id} to {b.id}: {said(value, part)} from centre to centre (X {format_value(way[0], 3, sign=True)}, "
            f"Y {format_value(-way[1], 3, sign=True)})"
        )
        out.append(Relation(kind="centre_distance", features=(a.id, b.id), value=value, says=says))
    return out


def place_and_covariance(lines: Mapping[str, AxisLine], ident: str) -> tuple[Floats, Floats]:
    """Return the place (X, Y down; mm) of a feature at its own middle and its covariance."""
    return lines[ident].at(lines[ident].z)


def _norm(vector: Floats) -> float:
    return float(np.hypot(vector[0], vector[1]))


def _sway(part: Part) -> float:
    """Return by how much a wrong part axis moves what lies one mm deeper."""
    u_deg = None if part.axis is None else part.axis.direction_u_deg
    return 0.0 if u_deg is None else float(np.radians(u_deg))
