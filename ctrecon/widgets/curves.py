"""Where the record's features cut a slice: curves in voxels, drawn from the record alone."""

import numpy as np

from ctrecon.core.frames import Floats, to_voxels
from ctrecon.record.part import Feature, Part, depths_in_part_frame, place_in_part_frame, taper_of
from ctrecon.record.sections import section_of

__all__ = ["curves_on_slice", "lives_on_slice", "nearest_curve", "slices_of"]

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
        if not lives_on_slice(part, feature, index) or feature.cross_diameter_mm is not None:
            continue
        section = section_of(part, feature, pitch)
        if section is None:
            continue
        outline = _outline(part, feature, section.outline)
        flat = np.column_stack([outline, np.zeros(len(outline))]) @ rotation
        points = flat + ((z - flat[:, 2]) / axis[2])[:, None] * axis
        taper = taper_of(feature)
        if taper is not None:
            low, high = depths_in_part_frame(part, feature)
            middle = points.mean(axis=0)
            deeper = float(rotation[2] @ middle) - (low + high) / 2
            points = middle + (points - middle) * (1 + taper.value * deeper / (2 * max(section.reach, 1e-9)))
        out.append((feature.id, to_voxels(points, part.stack.voxel_mm)[:, :0:-1]))
    return tuple(out)


def _outline(part: Part, feature: Feature, whole: Floats) -> Floats:
    """Return the outline to draw (part frame, mm): closed, or only as far round as it was seen."""
    arc, start = feature.arc_deg, feature.arc_from_deg
    if feature.diameter_mm is not None and arc is not None and start is not None and arc < 360:
        angle = np.radians(start + np.linspace(0, arc, 181))
        radius = feature.diameter_mm.value / 2
        middle = np.array(place_in_part_frame(part, feature))
        return np.asarray(middle + radius * np.column_stack([np.cos(angle), np.sin(angle)]))
    return whole if np.allclose(whole[0], whole[-1]) else np.vstack([whole, whole[:1]])


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
