"""The section of each feature as a signed distance in the part frame (mm), positive inside."""

from collections.abc import Callable, Iterator
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from skimage.draw import polygon2mask

from ctrecon.core.frames import Floats
from ctrecon.record.kinds import is_crown, is_hole, kind_of
from ctrecon.record.part import Feature, Part, outline_in_part_frame, place_in_part_frame
from ctrecon.shapes import ArcShape, Circle

__all__ = ["Distance", "Section", "free_section", "section_of"]

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
        return free_section(outline_in_part_frame(part, feature), pitch_mm)
    if feature.x_mm is None or feature.y_mm is None:
        return None
    x, y = place_in_part_frame(part, feature)
    turn = 0.0 if feature.turn_deg is None else feature.turn_deg.value
    kind = kind_of(feature)
    if is_crown(feature):
        return _crown(feature, x, y)
    shape = kind.shape(feature, x, y, turn)
    if shape is None:
        return None
    lost = kind.arc_left(feature)
    if lost is not None and shape.round_of is not None:
        return _with_gap(part, feature, _exact(shape), shape.round_of, lost)
    section = _exact(shape)
    if kind.is_toothed:
        return Section(section.distance, section.outline, section.distance, _BROKEN_SLACK)
    return section


def _exact(shape: ArcShape) -> Section:
    return Section(_by_points(shape.signed_distance), shape.outline())


def _crown(feature: Feature, x: float, y: float) -> Section | None:
    """Return the teeth of a crown half-way up, as they stand; their flanks point to the axis, for want of a form."""
    ring = feature.diameter_mm, feature.inner_diameter_mm, feature.tooth_width_mm
    angles = np.radians(sorted(one.angle_deg.value % 360 for one in feature.tooth_places if one.whole))
    if any(one is None for one in ring) or not len(angles):
        return None
    outer, inner, width = (one.value / 2 for one in ring if one is not None)
    half = np.arcsin(min(2 * width / (outer + inner), 1.0))
    middles = np.concatenate([angles[-1:] - 2 * np.pi, angles, angles[:1] + 2 * np.pi])

    def distance(px: Floats, py: Floats) -> Floats:
        r, at = np.hypot(px - x, py - y), np.arctan2(py - y, px - x) % (2 * np.pi)
        k = np.clip(np.searchsorted(middles, at), 1, len(middles) - 1)
        off = np.minimum(np.abs(at - middles[k]), np.abs(at - middles[k - 1]))
        return np.asarray(np.minimum(np.minimum(outer - r, r - inner), r * (half - off)), dtype=np.float32)

    return Section(distance, Circle(x, y, outer).outline(), distance, _BROKEN_SLACK)


def _by_points(signed: Callable[[Floats], Floats]) -> Distance:
    def distance(x: Floats, y: Floats) -> Floats:
        points = np.column_stack([np.ravel(x), np.ravel(y)])
        return np.asarray(signed(points), dtype=np.float32).reshape(np.shape(x))

    return distance


def _with_gap(
    part: Part, feature: Feature, whole: Section, circle: tuple[float, float, float], left: tuple[float, float]
) -> Section:
    """Cut a missing sector off a round outside: along its radii where a bore shows it is a ring, else by a chord."""
    (x0, y0, radius), (start, arc) = circle, left
    gap = np.radians(360 - arc)
    middle = np.radians(start + arc) + gap / 2
    for other in (one for one in part.features if kind_of(one).is_relief):
        if other.x_mm is not None and _share_depth(feature, other):
            ox, oy = place_in_part_frame(part, other)
            away = np.arctan2(oy - y0, ox - x0) - middle
            if abs((away + np.pi) % (2 * np.pi) - np.pi) < gap / 2 + 0.2:
                return whole  # the relief itself takes the metal away
    broken = (one for one in part.features if is_hole(one) and kind_of(one).cuts_rim(one))
    ring = any(_share_depth(feature, one) for one in broken)

    def cut(x: Floats, y: Floats) -> Floats:
        dx, dy = x - x0, y - y0
        if not ring:
            return np.asarray(radius * np.cos(gap / 2) - (dx * np.cos(middle) + dy * np.sin(middle)))
        a, b = middle + gap / 2, middle - gap / 2
        one, two = np.cos(a) * dy - np.sin(a) * dx, np.sin(b) * dx - np.cos(b) * dy
        return np.asarray(np.minimum(one, two) if gap > np.pi else np.maximum(one, two))

    def distance(x: Floats, y: Floats) -> Floats:
        d = radius - np.hypot(x - x0, y - y0)
        return np.asarray(np.minimum(d, cut(x, y)), dtype=np.float32)

    return Section(distance, whole.outline, cut, _BROKEN_SLACK)


def _share_depth(one: Feature, other: Feature) -> bool:
    def ends(f: Feature) -> tuple[float, float]:
        low = -np.inf if f.depth_from_mm is None else f.depth_from_mm.value
        return low, np.inf if f.depth_to_mm is None else f.depth_to_mm.value

    (a, b), (c, d) = ends(one), ends(other)
    return min(b, d) > max(a, c)


def free_section(outline: Floats, pitch_mm: float, slack: float = _FREE_SLACK) -> Section | None:
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

    return Section(distance, outline, distance, slack)


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
