"""Where the record's features cut a slice: curves in voxels, drawn from the record alone."""

import numpy as np

from ctrecon.core.frames import Floats, to_voxels
from ctrecon.record.part import Feature, Part, depths_in_part_frame, place_in_part_frame, taper_of
from ctrecon.record.sections import Section, section_of

__all__ = ["curves_along", "curves_on_slice", "lives_on_slice", "nearest_curve", "slices_of"]

Curve = tuple[str, Floats]


def slices_of(part: Part, feature: Feature) -> tuple[int, int]:
    """Return the first and last slice on which the feature shows; where it runs out, the stack's end."""
    dz, last = part.stack.voxel_mm[0], part.stack.slices - 1
    low = 0 if feature.depth_from_mm is None else int(np.ceil(feature.depth_from_mm.value / dz - 0.5))
    high = last if feature.depth_to_mm is None else int(np.floor(feature.depth_to_mm.value / dz + 0.5))
    low, high = min(max(low, 0), last), min(max(high, 0), last)
    return (low, high) if low <= high else (high, low)


def lives_on_slice(part: Part, feature: Feature, index: int) -> bool:
    """Return whether the feature shows on this slice."""
    low, high = slices_of(part, feature)
    return low <= index <= high


def curves_on_slice(part: Part, index: int) -> tuple[Curve, ...]:
    """Return the curve of every feature that shows on a slice.

    Parameters
    ----------
    part : Part
        The record.
    index : int
        Slice, from 0.

    Returns
    -------
    tuple of (feature id, (N, 2) array)
        Curves as (column, row) in voxels, closed or as far round as was seen; whole numbers are voxel
        centres. Face seams, holes across and features of unknown place have none.
    """
    rotation = part.rotation
    axis = rotation[2]
    z = index * part.stack.voxel_mm[0]
    pitch = min(part.stack.voxel_mm[1:])
    out = []
    for feature in part.features:
        section = _section(part, feature, pitch) if lives_on_slice(part, feature, index) else None
        if section is None:
            continue
        outline = _outline(part, feature, section.outline)
        flat = np.column_stack([outline, np.zeros(len(outline))]) @ rotation
        points = flat + ((z - flat[:, 2]) / axis[2])[:, None] * axis
        middle = points.mean(axis=0)
        deeper = float(rotation[2] @ middle) - sum(depths_in_part_frame(part, feature)) / 2
        points = middle + (points - middle) * _grown(feature, section, deeper)
        out.append((feature.id, to_voxels(points, part.stack.voxel_mm)[:, :0:-1]))
    return tuple(out)


def curves_along(part: Part, along: str, at: int) -> tuple[Curve, ...]:
    """Return where a section along the part cuts the sides and the ends of each feature.

    Parameters
    ----------
    part : Part
        The record.
    along : {"row", "column"}
        Which line of every slice the section holds.
    at : int
        The number of that row or column.

    Returns
    -------
    tuple of (feature id, (2 N, 2) array)
        The ends of N straight pieces as (column or row, slice) in voxels.
    """
    voxel, rotation = part.stack.voxel_mm, part.rotation
    across = 1 if along == "row" else 0  # of x, y: the one that is the same all over the section
    out = []
    for feature in part.features:
        section = _section(part, feature, min(voxel[1:]))
        if section is None:
            continue
        outline = _outline(part, feature, section.outline)
        low, high = depths_in_part_frame(part, feature)
        ends = []
        for depth in (low, high):
            flat = section.centre + (outline - section.centre) * _grown(feature, section, depth - (low + high) / 2)
            ends.append(np.column_stack([flat, np.full(len(flat), depth)]) @ rotation)
        cut = _cut(ends[0], ends[1], across, at * voxel[2 - across])
        if len(cut):
            out.append((feature.id, to_voxels(cut, voxel)[:, [1 + across, 0]]))
    return tuple(out)


def _cut(low: Floats, high: Floats, across: int, at: float) -> Floats:
    """Return the ends of the pieces in which a plane meets a ruled surface between two outlines, and its flat ends."""
    sides = np.stack([low[:-1], low[1:], high[1:], high[:-1]], axis=1)  # four corners of each strip
    met = [one for quad in sides for one in _pairs(quad, across, at, closed=True)]
    for end in (low, high):
        if np.array_equal(end[0], end[-1]):
            met += _pairs(end, across, at, closed=False)
    return np.array(met).reshape(-1, 3)


def _pairs(line: Floats, across: int, at: float, *, closed: bool) -> list[Floats]:
    """Return where a line of points meets the plane, an even number of places, in their order along the plane."""
    ahead = np.roll(line, -1, axis=0) if closed else line[1:]
    here = line if closed else line[:-1]
    off, then = here[:, across] - at, ahead[:, across] - at
    met = (off < 0) != (then < 0)
    share = off[met] / (off[met] - then[met])
    places = here[met] + share[:, None] * (ahead[met] - here[met])
    return list(places[np.lexsort((places[:, 2], places[:, 1 - across]))])


def _section(part: Part, feature: Feature, pitch_mm: float) -> Section | None:
    """Return the section of a feature that runs along the part."""
    return None if feature.cross_diameter_mm is not None else section_of(part, feature, pitch_mm)


def _grown(feature: Feature, section: Section, deeper_mm: float) -> float:
    """Return how much larger than at its mid depth a tapering feature is, so much deeper."""
    taper = taper_of(feature)
    return 1.0 if taper is None else 1 + taper.value * deeper_mm / (2 * max(section.reach, 1e-9))


def _outline(part: Part, feature: Feature, whole: Floats) -> Floats:
    """Return the outline to draw (part frame, mm): closed, or only as far round as it was seen."""
    arc, start = feature.arc_deg, feature.arc_from_deg
    if feature.diameter_mm is not None and arc is not None and start is not None and arc < 360:
        angle = np.radians(start + np.linspace(0, arc, 181))
        radius = feature.diameter_mm.value / 2
        middle = np.array(place_in_part_frame(part, feature))
        return np.asarray(middle + radius * np.column_stack([np.cos(angle), np.sin(angle)]))
    return np.vstack([whole[:-1] if np.allclose(whole[0], whole[-1]) else whole, whole[:1]])  # closed to the last bit


def nearest_curve(curves: tuple[Curve, ...], column: float, row: float, *, within_px: float) -> str | None:
    """Return the feature whose curve runs nearest to a point, or None where none is within reach.

    Examples
    --------
    >>> square = np.array([[0.0, 0], [10, 0], [10, 10], [0, 10], [0, 0]])
    >>> nearest_curve((("F1", square),), 5.0, 0.8, within_px=2.0)
    'F1'
    """
    best, found = within_px, None
    for ident, points in curves:
        a, b = points[:-1], points[1:]
        along = b - a
        length = np.maximum((along**2).sum(axis=1), 1e-12)
        t = np.clip(((np.array([column, row]) - a) * along).sum(axis=1) / length, 0, 1)
        gap = float(np.hypot(*(a + t[:, None] * along - (column, row)).T).min())
        if gap <= best:
            best, found = gap, ident
    return found
