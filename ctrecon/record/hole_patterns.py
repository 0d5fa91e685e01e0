"""Patterns of the holes of a part, told as relations in a maker's words."""

from collections.abc import Mapping, Sequence

import numpy as np
import shapely

from ctrecon.core.measured import Measured, format_value
from ctrecon.record.kinds import is_hole, kind_of
from ctrecon.record.part import Feature, Part, Relation, outline_in_part_frame
from ctrecon.record.patterns import Pattern, equal_sizes, find_patterns
from ctrecon.record.relations import AxisLine, across_mm, holes_of, place_and_covariance, said

__all__ = ["hole_patterns"]

_LEAST_WIDTH = 0.3


def hole_patterns(part: Part, lines: Mapping[str, AxisLine]) -> list[Relation]:
    """Return groups of holes of one size, and the patterns their places clearly make."""
    holes = holes_of(part, lines)
    drilled = [f for f in part.features if is_hole(f) and kind_of(f).is_round and f.diameter_mm is not None]
    out, groups = _one_size(part, drilled, holes)
    if len(holes) < 3:
        return out
    got = [place_and_covariance(lines, f.id) for f in holes]
    places = np.array([p for p, _ in got])
    u = np.array([np.sqrt(np.trace(c) / 2) for _, c in got])
    width, area = _room(part, places)
    base = _reference(part, lines)
    anchors = _anchors(part, lines, holes, width)
    for pattern in find_patterns(places, u, width_mm=width, area_mm2=area, anchors=anchors, groups=groups):
        out.append(_told(part, pattern, holes, lines, base))
    return out


def _one_size(
    part: Part, round_holes: Sequence[Feature], holes: Sequence[Feature]
) -> tuple[list[Relation], list[list[int]]]:
    sizes = [f.diameter_mm for f in round_holes if f.diameter_mm is not None]
    out, groups = [], []
    for members, margin, common in equal_sizes(sizes) if len(sizes) > 1 else ():
        ids = tuple(round_holes[i].id for i in members)
        spread = max(sizes[i].value for i in members) - min(sizes[i].value for i in members)
        says = (
            f"{len(ids)} holes of one size ({', '.join(ids)}), as from one drill: diameter {said(common, part)}, "
            f"spread {format_value(spread, 4)} mm"
        )
        out.append(Relation(kind="equal_size", features=ids, value=common, says=says, margin=margin))
        at = [k for k, f in enumerate(holes) if f.id in ids]
        if len(at) >= 3:
            groups.append(at)
    return out, groups


def _room(part: Part, places: np.ndarray) -> tuple[float, float]:
    """Return width and area in which holes could have been put: the largest outside, else the box of the holes."""
    best = (0.0, 0.0)
    for f in part.features:
        if not kind_of(f).is_outside:
            continue
        if f.diameter_mm is not None:
            size = (f.diameter_mm.value, np.pi / 4 * f.diameter_mm.value**2)
        elif f.flats_pair_mm is not None:
            a, b = (m.value for m in f.flats_pair_mm)
            size = (max(a, b), a * b)
        elif f.flats_mm is not None:
            size = (f.flats_mm.value, f.flats_mm.value**2)
        elif f.outline_mm is not None:
            outline = shapely.Polygon(outline_in_part_frame(part, f))
            box = outline.bounds
            size = (max(box[2] - box[0], box[3] - box[1]), outline.area)
        else:
            continue
        best = max(best, (float(size[0]), float(size[1])), key=lambda one: one[1])
    span = np.ptp(places, axis=0)
    low = max(float(span.max()), 1e-3)
    return max(best[0], low), max(best[1], 1.2 * low * max(float(span.min()), _LEAST_WIDTH * low))


def _reference(part: Part, lines: Mapping[str, AxisLine]) -> Feature | None:
    some = [f for f in part.features if f.id in lines and kind_of(f).is_body]
    return max(some, key=across_mm, default=None)


def _anchors(
    part: Part, lines: Mapping[str, AxisLine], holes: Sequence[Feature], width: float
) -> dict[str, tuple[float, float]]:
    """Return the axes a maker would lay a circle about: the main outside, and any larger hole."""
    out: dict[str, tuple[float, float]] = {}
    base = _reference(part, lines)
    usual = float(np.median([across_mm(f) for f in holes]))
    chosen = ([base] if base is not None else []) + [f for f in holes if across_mm(f) > 1.3 * usual]
    for f in chosen[:4]:
        here = place_and_covariance(lines, f.id)[0]
        if all(np.hypot(here[0] - x, here[1] - y) > 1e-3 * width for x, y in out.values()):
            out[f.id] = (float(here[0]), float(here[1]))
    return out


def _told(
    part: Part, pattern: Pattern, holes: Sequence[Feature], lines: Mapping[str, AxisLine], base: Feature | None
) -> Relation:
    ids = tuple(holes[i].id for i in pattern.members)
    listed = ", ".join(ids)
    sizes = pattern.sizes
    off = f"; they lie off it by {format_value(pattern.scatter_mm, 4)} mm (rms)"
    value: Measured | None = None
    if pattern.kind in ("circle_of_holes", "divided_circle"):
        value = Measured(2 * sizes["radius"].value, 2 * (sizes["radius"].u or 0.0) or None)
        about = f"about the axis of {pattern.anchor}" if pattern.anchor else _centre(part, pattern, lines, base)
        says = f"{listed} on a circle of {said(value, part)} diameter {about}"
        if pattern.kind == "divided_circle":
            angle = sizes["angle"]
            missing = pattern.count - len(ids)
            # seen with Y up: anticlockwise from X, so the sign of the angle turns
            first = Measured(-angle.value % (360 / pattern.count), angle.u)
            left_out = f", {missing} of them empty" if missing else ""
            stands = f"a hole stands at {said(first, part, 'deg')} from X towards Y"
            says += f", divided evenly in {pattern.count}{left_out}; {stands}"
        says += off
    elif pattern.kind == "even_pitch":
        value = sizes["pitch"]
        missing = pattern.count - len(ids)
        left_out = f", {missing} of the {pattern.count} places empty" if missing else ""
        says = f"{listed} in line at an even pitch of {said(value, part)}{left_out}, {_way(part, sizes['angle'])}{off}"
    elif pattern.kind == "in_line":
        value = Measured(pattern.scatter_mm, _least_u(pattern))
        says = f"{listed} in line, {_way(part, sizes['angle'])}, pitch not even{off}"
    else:
        value = Measured(pattern.scatter_mm, _least_u(pattern))
        pairs = [
            f"{holes[pattern.members[a]].id} with {holes[pattern.members[b]].id}"
            for a, b in zip(pattern.places[::2], pattern.places[1::2], strict=True)
        ]
        miss = f"their mates miss by {format_value(pattern.scatter_mm, 4)} mm (rms)"
        says = f"{listed} symmetric about a line {_way(part, sizes['angle'])}: {', '.join(pairs)}; {miss}"
    return Relation(kind=pattern.kind, features=ids, value=value, says=says, margin=pattern.margin)


def _least_u(pattern: Pattern) -> float:
    return max(pattern.sizes["offset"].u or 0.0, 1e-6)


def _way(part: Part, angle: Measured) -> str:
    return f"running {said(Measured(-angle.value % 180, angle.u), part, 'deg')} from X towards Y"


def _centre(part: Part, pattern: Pattern, lines: Mapping[str, AxisLine], base: Feature | None) -> str:
    x, y = pattern.sizes["x"], pattern.sizes["y"]
    if base is None:
        return "about a centre of its own"
    at = place_and_covariance(lines, base.id)[0]
    right, up = Measured(x.value - float(at[0]), x.u), Measured(float(at[1]) - y.value, y.u)
    return f"about X {said(right, part)}, Y {said(up, part)} from the axis of {base.id}"
