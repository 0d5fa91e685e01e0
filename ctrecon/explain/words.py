"""Says of an unexplained lump where it lies and what it may be."""

import numpy as np

from ctrecon.core.measured import format_value
from ctrecon.explain.residual_regions import RegionStats
from ctrecon.record.explained import ResidualRegion
from ctrecon.record.kinds import is_hole
from ctrecon.record.part import Part, outline_in_part_frame, place_in_part_frame
from ctrecon.record.solid import Solid

__all__ = ["describe", "is_told"]

_BESIDE_PX = 4.0
_THIN_PX = 6.0
_SPOT_PX = 9.0  # blur and smoothing widen a pore of nothing to some 5 px
_SLENDER = 3.0  # length over width from which a dark spot may be a bore
_WITHIN = 0.95  # of a lump's voxels: less, and it reaches an edge
_HOLLOW = 0.35  # of its box: a lump that fills less is a line round something


def describe(tally: RegionStats, part: Part, solid: Solid) -> ResidualRegion:
    """Turn the sums over a lump into its place, its size and a sentence."""
    dz, dy, dx = part.stack.voxel_mm
    assert tally.sums is not None
    assert tally.squares is not None
    middle = tally.sums / tally.count
    spread = tally.squares / tally.count - np.outer(middle, middle)
    scale = np.array([dy, dx])
    across = spread[1:, 1:] * np.outer(scale, scale)
    small, large = np.sqrt(np.maximum(np.linalg.eigvalsh(across), 0.0))
    pitch = float(np.sqrt(dy * dx))
    first, last = tally.low[0], tally.high[0]
    a_slice = tally.count / max(last - first + 1, 1)
    # a bar of even weight is sqrt(12) standard deviations long, a ring sqrt(8) across
    ring = small > 0.4 * large and a_slice * dx * dy < _HOLLOW * 12 * float(small * large)
    long, short = (float(np.sqrt(8 if ring else 12)) * float(s) + pitch for s in (large, small))
    x, y = float(middle[2] * dx), float(middle[1] * dy)
    depth, row, column = tally.peak
    name, gap = solid.nearest(column * dx, row * dy, depth * dz)
    near = name if gap < _BESIDE_PX * pitch else ""
    width = a_slice * pitch**2 / long
    line = ring or (width < _THIN_PX * pitch and long > 3 * width)
    slender = (last - first + 1) * dz / long
    spot = None if line or max(long, short) > _SPOT_PX * pitch or long > 2 * short else slender
    at = f"x = {format_value(x, 2)}, y = {format_value(y, 2)} mm"
    says = _sentence(tally, near, at, long, ring=ring, thin=line, spot=spot)
    return ResidualRegion(
        says=says, sign=tally.sign, x_mm=x, y_mm=y, depth_from_mm=first * dz, depth_to_mm=last * dz,
        slices=(first, last), size_mm=(long, short, (last - first + 1) * dz), strength=tally.strength,
        voxels=tally.count, near=near,
    )  # fmt: skip


def is_told(lump: ResidualRegion, part: Part) -> bool:
    """Return whether metal is missing where the record says already that an edge is eaten or a corner lost."""
    from shapely.geometry import LineString, Point

    z = (lump.depth_from_mm + lump.depth_to_mm) / 2
    place = Point((part.rotation @ np.array([lump.x_mm, lump.y_mm, z]))[:2])
    for f in part.features if lump.sign < 0 else ():
        for one in f.worn.stretches if f.worn and f.x_mm and f.y_mm else ():
            low, high = one.depth_from_mm, one.depth_to_mm
            if low is not None and high is not None and not low <= z <= high:
                continue
            edge = LineString(outline_in_part_frame(part, f, one.edge_mm))
            beyond = LineString([Point(place_in_part_frame(part, f)), place]).intersects(edge)
            if beyond != is_hole(f) and edge.distance(place) <= one.deepest_mm:
                return True
    return False


def _sentence(
    tally: RegionStats, near: str, at: str, long: float, *, ring: bool, thin: bool, spot: float | None
) -> str:  # fmt: skip
    """Word what a lump may be; `spot` is length over width of a small round one, None for any other."""
    first, last = tally.low[0], tally.high[0]
    where = f"slice {first}" if first == last else f"slices {first} to {last}"
    beside = f" (beside {near})" if near else ""
    in_metal, at_edge = tally.in_metal / tally.count, tally.at_edge / tally.count
    line = f"near {at}"
    if ring:
        line = f"along a closed or curved line {format_value(long, 2)} mm across about {at}"
    elif thin:
        line = f"along a line {format_value(long, 2)} mm long near {at}"
    if tally.sign < 0 and at_edge > 0.6:
        guess = "the edge lies further back there; wear, a chamfer or a wrong size?"
        return f"{where}: metal ends short of the record's edge {line}{beside}; {guess}"
    if spot is not None and in_metal > _WITHIN and tally.sign < 0 and tally.deepest <= 0.5:
        kind = "a pore?" if spot < _SLENDER else "a pore drawn out along depth, or a bore too fine to be sure of?"
        return f"{where}: a small dark spot within the metal {line}{beside}; {kind}"
    if spot is not None and in_metal > _WITHIN and tally.sign > 0:
        return f"{where}: a small bright spot within the metal {line}{beside}; an inclusion of heavier metal?"
    if tally.sign < 0:
        if tally.deepest > 0.5:
            guess = "a hole, a groove or a crack that is not in the record?" if not thin else "a gap or an open crack?"
            if spot is not None and spot < _SLENDER and in_metal > _WITHIN:
                guess = "a pore, or a hole that is not in the record?"
            return f"{where}: air where the record says metal {line}{beside}; {guess}"
        guess = "a crack or seam?" if thin else "a pore, a filled hole or lighter metal?"
        return f"{where}: metal darker than the record says {line}{beside}; {guess}"
    if at_edge > 0.6:
        guess = "a burr, dirt or a wrong size?"
        return f"{where}: metal stands over the record's edge {line}{beside}; {guess}"
    if in_metal > 0.5:
        guess = "a seam filled with heavier metal?" if thin else "heavier metal?"
        return f"{where}: metal brighter than the record says {line}{beside}; {guess}"
    guess = "another body, a pin or a feature that was not found?"
    return f"{where}: metal where the record says air {line}{beside}; {guess}"
