"""The section of each feature as a signed distance in the part frame (mm), positive inside."""

from collections.abc import Callable, Iterator
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from skimage.draw import polygon2mask

from ctrecon.core.frames import Floats
from ctrecon.record.part import Feature, Part, outline_in_part_frame, place_in_part_frame
from ctrecon.shapes import Circle, Rectangle, RegularPolygon

__all__ = ["Distance", "Section", "section_of"]

Distance = Callable[[Floats, Floats], Floats]

_MASK: Callable[..., NDArray[np.bool_]] = polygon2mask
_FREE_SLACK = 3.0  # a free outline follows blurred corners
_BROKEN_SLACK = 10.0  # only the angles of a broken sector are recorded, of teeth only their number
_BAND = 6  # px; farther from a free outline its distance is only known to be more than this


class Section:
    """A closed shape in the part frame: its signed distance, how far it reaches, points on its outline.

    `loose` is the distance to edges that the record only knows roughly (None: it has none), `slack`
    how many times the usual allowance they get.
    """

    def __init__(self, distance: Distance, outline: Floats, loose: Distance | None = None, slack: float = 1.0) -> None:
        self.distance = distance
        self.loose = loose
        self.slack = slack
        self.outline = outline
        self.centre = (outline.min(axis=0) + outline.max(axis=0)) / 2
        self.reach = float(np.hypot(*(outline - self.centre).T).max())


def section_of(part: Part, feature: Feature, pitch_mm: float) -> Section | None:
    """Return the feature's section at its mid depth, or None where the record holds none.

    Parameters
    ----------
    part : Part
        The record; a missing sector is looked up among the other features.
    feature : Feature
        Its kind decides the shape; a face seam has no section of its own.
    pitch_mm : float
        Mesh of the distance map of free outlines.
    """
    if feature.outline_mm:
        return _free(outline_in_part_frame(part, feature), pitch_mm)
    if feature.x_mm is None or feature.y_mm is None:
        return None
    x, y = place_in_part_frame(part, feature)
    turn = 0.0 if feature.turn_deg is None else feature.turn_deg.value
    if feature.kind == "wheel" or feature.tip_diameter_mm is not None:
        return _wheel(feature, x, y, turn)
    if feature.diameter_mm is not None:
        circle = Circle(x, y, feature.diameter_mm.value / 2)
        return _with_gap(part, feature, circle)
    if feature.kind.startswith("polygon") and feature.flats_mm is not None and feature.sides:
        return _exact(RegularPolygon(x, y, feature.sides, feature.flats_mm.value / 2, turn))
    pair = feature.flats_pair_mm
    if pair is not None:
        a, b = pair[0].value, pair[1].value
    elif feature.flats_mm is not None:
        a = b = feature.flats_mm.value
    else:
        return None
    if feature.kind == "slot" or feature.kind.startswith("free"):
        radius = min(a, b) / 2
    else:
        radius = 0.0 if feature.corner_radius_mm is None else feature.corner_radius_mm.value
    return _exact(Rectangle(x, y, a, b, turn, min(radius, min(a, b) / 2)))


def _exact(shape: Circle | Rectangle | RegularPolygon) -> Section:
    return Section(_by_points(shape.signed_distance), shape.outline())


def _by_points(signed: Callable[[Floats], Floats]) -> Distance:
    def distance(x: Floats, y: Floats) -> Floats:
        points = np.column_stack([np.ravel(x), np.ravel(y)])
        return np.asarray(signed(points), dtype=np.float32).reshape(np.shape(x))

    return distance


def _with_gap(part: Part, feature: Feature, circle: Circle) -> Section:
    """Cut a missing sector off a round outside: along its radii where a bore shows it is a ring, else by a chord."""
    whole = _exact(circle)
    arc, start = feature.arc_deg, feature.arc_from_deg
    if feature.kind != "round_outside" or arc is None or start is None or arc >= 360:
        return whole
    gap = np.radians(360 - arc)
    middle = np.radians(start + arc) + gap / 2
    for other in part.of_kind("arc_outside"):
        if other.x_mm is not None and _share_depth(feature, other):
            ox, oy = place_in_part_frame(part, other)
            away = np.arctan2(oy - circle.y, ox - circle.x) - middle
            if abs((away + np.pi) % (2 * np.pi) - np.pi) < gap / 2 + 0.2:
                return whole  # the relief itself takes the metal away
    ring = any(_share_depth(feature, one) and (one.arc_deg or 360) < 360 for one in part.of_kind("round_hole"))

    def cut(x: Floats, y: Floats) -> Floats:
        dx, dy = x - circle.x, y - circle.y
        if not ring:
            return np.asarray(circle.radius * np.cos(gap / 2) - (dx * np.cos(middle) + dy * np.sin(middle)))
        a, b = middle + gap / 2, middle - gap / 2
        one, two = np.cos(a) * dy - np.sin(a) * dx, np.sin(b) * dx - np.cos(b) * dy
        return np.asarray(np.minimum(one, two) if gap > np.pi else np.maximum(one, two))

    def distance(x: Floats, y: Floats) -> Floats:
        d = circle.radius - np.hypot(x - circle.x, y - circle.y)
        return np.asarray(np.minimum(d, cut(x, y)), dtype=np.float32)

    return Section(distance, circle.outline(), cut, _BROKEN_SLACK)


def _share_depth(one: Feature, other: Feature) -> bool:
    def ends(f: Feature) -> tuple[float, float]:
        low = -np.inf if f.depth_from_mm is None else f.depth_from_mm.value
        return low, np.inf if f.depth_to_mm is None else f.depth_to_mm.value

    (a, b), (c, d) = ends(one), ends(other)
    return min(b, d) > max(a, c)


def _wheel(feature: Feature, x: float, y: float, turn: float) -> Section | None:
    """Teeth as wide as their gaps: the record holds no flank."""
    tip, root, teeth = feature.tip_diameter_mm, feature.root_diameter_mm, feature.teeth
    if tip is None or root is None:
        return None
    outline = Circle(x, y, tip.value / 2).outline()
    if not teeth:
        return _exact(Circle(x, y, (tip.value + root.value) / 4))
    pitch = 2 * np.pi / teeth

    def distance(px: Floats, py: Floats) -> Floats:
        r = np.hypot(px - x, py - y)
        angle = np.arctan2(py - y, px - x) - np.radians(turn)
        side = r * (pitch / 4 - np.abs((angle + pitch / 2) % pitch - pitch / 2))
        tooth = np.minimum(tip.value / 2 - r, side)
        return np.asarray(np.maximum(root.value / 2 - r, tooth), dtype=np.float32)

    return Section(distance, outline, distance, _BROKEN_SLACK)


def _free(outline: Floats, pitch_mm: float) -> Section | None:
    """Map the signed distance to a free outline on a fine mesh once; slices look it up."""
    if len(outline) < 3:
        return None
    if not np.allclose(outline[0], outline[-1]):
        outline = np.concatenate([outline, outline[:1]])
    corner = outline.min(axis=0) - (_BAND + 2) * pitch_mm
    local = (outline - corner) / pitch_mm
    columns, rows = (int(n) + 1 for n in np.ceil(local.max(axis=0) + _BAND + 2))
    near = np.full((rows, columns), np.float32(_BAND))
    for box, p, q in _segments(local, rows, columns):
        yy, xx = np.mgrid[box]
        along = q - p
        t = ((xx - p[0]) * along[0] + (yy - p[1]) * along[1]) / max(float(along @ along), 1e-12)
        t = np.clip(t, 0, 1)
        gap = np.hypot(xx - p[0] - t * along[0], yy - p[1] - t * along[1])
        near[box] = np.minimum(near[box], gap)
    inside = _MASK((rows, columns), local[:, ::-1])
    field = np.where(inside, near, -near) * np.float32(pitch_mm)

    def distance(x: Floats, y: Floats) -> Floats:
        u = np.clip((x - corner[0]) / pitch_mm, 0, columns - 1.001)
        v = np.clip((y - corner[1]) / pitch_mm, 0, rows - 1.001)
        i, j = v.astype(np.intp), u.astype(np.intp)
        a, b = v - i, u - j
        top = field[i, j] * (1 - b) + field[i, j + 1] * b
        return np.asarray(top * (1 - a) + (field[i + 1, j] * (1 - b) + field[i + 1, j + 1] * b) * a, dtype=np.float32)

    return Section(distance, outline, distance, _FREE_SLACK)


def _segments(local: Floats, rows: int, columns: int) -> Iterator[tuple[tuple[slice, slice], Floats, Floats]]:
    for p, q in pairwise(local):
        low, high = np.minimum(p, q) - _BAND, np.maximum(p, q) + _BAND
        yield (
            (
                slice(max(int(low[1]), 0), min(int(high[1]) + 2, rows)),
                slice(max(int(low[0]), 0), min(int(high[0]) + 2, columns)),
            ),
            p,
            q,
        )
