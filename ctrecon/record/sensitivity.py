"""How each quantity of a feature answers to an error of the edge and of each voxel edge."""

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from ctrecon.core.frames import Floats, rotation_to_part
from ctrecon.core.measured import Measured, expanded
from ctrecon.record.kinds import is_hole, is_seam, kind_of
from ctrecon.record.part import Feature, Part, Sensitivity, depths_in_part_frame, place_in_part_frame, scale_u_of

__all__ = [
    "Sides", "edge_u_of", "end_sides", "expanded_of", "feature_sensitivity", "quantities", "signed_edge_u_of",
    "with_sensitivity",
]  # fmt: skip

Sides = tuple[int, int]
"""Which way (+1 deeper, -1 shallower) the face at the start and at the end moves when the metal grows."""

NOT_SEEN: tuple[int | None, int | None] = (None, None)
"""Both ends of a feature of which no face was seen."""

_SAME_FACE_SLICES = 1.5


def quantities(feature: Feature) -> dict[str, Measured]:
    """Return every measured quantity by its name; a pair of flats as ``flats_pair_mm_1`` and ``_2``."""
    out: dict[str, Measured] = {}
    for name, value in vars(feature).items():
        if isinstance(value, Measured):
            out[name] = value
        elif name == "flats_pair_mm" and value is not None:
            out["flats_pair_mm_1"], out["flats_pair_mm_2"] = value
    return out


def _axis(part: Part) -> Floats:
    return np.array([0.0, 0.0, 1.0] if part.axis is None else part.axis.direction_xyz)


def normal_at(direction: Floats, turn_deg: float) -> Floats:
    """Return the stack direction (x, y, z) of a normal that has this turn in the part frame."""
    t = np.radians(turn_deg)
    return np.asarray(rotation_to_part(direction).T @ np.array([np.cos(t), np.sin(t), 0.0]))


def _zyx(squares: Floats) -> Floats:
    return np.asarray(squares)[::-1]


def feature_sensitivity(feature: Feature, direction: Floats, sides: Sides) -> dict[str, Sensitivity]:
    """Return the sensitivity of every quantity of a feature that has one.

    Parameters
    ----------
    feature : Feature
        With its measured values.
    direction : (3,) array
        Part axis in the stack frame (x, y, z).
    sides : (int, int)
        How its end faces move; see `Sides`.

    Notes
    -----
    Two parallel faces with normal n lie |n·S⁻¹|⁻¹ times as far apart when the axes are
    stretched by S: for small errors the weight of each axis is the square of n's part along
    it. A diameter takes the mean over all directions across.
    """
    axis = np.asarray(direction, dtype=float) / np.linalg.norm(direction)
    along, across = _zyx(axis**2), _zyx((1 - axis**2) / 2)
    kind = kind_of(feature)
    first, last = (0, 0) if kind.is_seam else sides
    turn = 0.0 if feature.turn_deg is None else feature.turn_deg.value
    pair = [_zyx(normal_at(axis, turn + more) ** 2) for more in (0.0, 90.0)]
    out: dict[str, Sensitivity] = {}
    for name, measured in quantities(feature).items():
        q = measured.value
        if name in ("x_mm", "y_mm"):
            edge, weight = 0.0, np.array([0.0, 0.0, 1.0] if name == "x_mm" else [0.0, 1.0, 0.0])
        elif name in ("depth_from_mm", "depth_to_mm"):
            edge, weight = float(first if name == "depth_from_mm" else last) * axis[2], np.array([1.0, 0.0, 0.0])
        elif name == "length_mm":
            edge, weight = float(last - first), along
        else:
            answer = kind.edge_answer(name, feature)
            if answer is None:
                continue
            edge, weight = answer, across
            if name.startswith("flats_pair_mm"):
                weight = pair[0] if name.endswith("1") else pair[1]
            elif name == "area_mm2":
                weight = 2 * across
            elif name == "taper_mm_per_mm":
                weight = across - along
            elif name == "seam_mm" and kind.is_face:
                weight = along
        scale = weight * q
        out[name] = Sensitivity(edge=float(edge), scale=(float(scale[0]), float(scale[1]), float(scale[2])))
    return out


def _reach(feature: Feature) -> float:
    """Return the largest size across, mm."""
    sizes = [one.value for _, one in kind_of(feature).known(feature)]
    if feature.area_mm2 is not None:
        sizes.append(2 * float(np.sqrt(feature.area_mm2.value / np.pi)))
    return max(sizes, default=0.0)


def end_sides(part: Part, feature: Feature) -> Sides:
    """Say from the record which way the metal of each end face grows.

    An outside ends where its metal stops, unless a larger one begins there: then the face is
    that one's. A hole ends in a face where the metal round it stops (it comes out, or widens),
    or where metal begins (it is blind, or narrows). A relief shares the faces of the outside it is cut from.
    """
    slack = _SAME_FACE_SLICES * part.stack.voxel_mm[0]
    hole = is_hole(feature)
    others = [one for one in part.features if one is not feature and not is_seam(one) and not kind_of(one).is_relief]
    own = depths_in_part_frame(part, feature)
    if kind_of(feature).is_relief:
        for one in others:
            theirs = depths_in_part_frame(part, one)
            if not is_hole(one) and max(abs(a - b) for a, b in zip(own, theirs, strict=True)) < slack:
                return end_sides(part, one)
    sides = []
    for end in (0, 1):
        stops = 1 if end else -1
        side = -stops if hole else stops
        for one in others:
            depths = depths_in_part_frame(part, one)
            goes_on = abs(depths[1 - end] - own[end]) < slack
            if is_hole(one) == hole and goes_on and _coaxial(part, feature, one):
                wider = _reach(one) > _reach(feature)
                side = stops if wider == hole else -stops
                break
            if hole and not is_hole(one) and abs(depths[end] - own[end]) < slack:
                side = stops  # it comes out where an outside stops
        sides.append(side)
    return sides[0], sides[1]


def _coaxial(part: Part, one: Feature, other: Feature) -> bool:
    """Return whether the narrower of two lies within the wider."""
    if None in (one.x_mm, one.y_mm, other.x_mm, other.y_mm):
        return False
    apart = np.hypot(*(np.array(place_in_part_frame(part, one)) - place_in_part_frame(part, other)))
    return bool(apart < max(_reach(one), _reach(other)) / 2)


def _said(feature: Feature, name: str) -> int | None:
    """Return how an end face moves by the sensitivity the feature carries already."""
    known = feature.sensitivity.get(name)
    return None if known is None else int(np.sign(known.edge))


def with_sensitivity(part: Part, faces: Mapping[str, tuple[int | None, int | None]] | None = None) -> Part:
    """Return the record with the sensitivity of every quantity filled in.

    Parameters
    ----------
    part : Part
        The record.
    faces : mapping of id to (start, end), optional
        Sides of end faces that were seen; None where one was not, it is then taken from the record. Without
        the mapping those that stand in the record are kept.
    """
    direction = _axis(part)
    features = []
    for one in part.features:
        kept = _said(one, "depth_from_mm"), _said(one, "depth_to_mm")
        seen = kept if faces is None else faces.get(one.id, NOT_SEEN)
        first, last = seen
        if first is None or last is None:
            guess = end_sides(part, one)
            first, last = guess[0] if first is None else first, guess[1] if last is None else last
        features.append(replace(one, sensitivity=feature_sensitivity(one, direction, (first, last))))
    return replace(part, features=tuple(features))


def edge_u_of(part: Part, feature: Feature, quantity: str) -> float:
    """Return the standard uncertainty (mm) an unknown grey scale puts on a quantity, by its name in `sensitivity`.

    It stands beside u as the scale does: all edges of a scan share one error, which no measuring of the same
    scan can show and which known sizes settle; after `calibrate` u holds what is left of it, and this is 0.
    """
    return abs(signed_edge_u_of(part, feature, quantity))


def signed_edge_u_of(part: Part, feature: Feature, quantity: str) -> float:
    """Return the same with the sign by which the quantity follows the edges: in a difference equal ones cancel."""
    answer = feature.sensitivity.get(quantity) or feature.sensitivity.get(f"{quantity}_1")  # a pair answers alike
    if answer is None or part.image is None or part.image.edge_u_px is None or part.calibration is not None:
        return 0.0
    return answer.edge * part.image.edge_u_px * min(part.stack.voxel_mm[1:])


def expanded_of(part: Part, feature: Feature, quantity: str, value: Measured) -> float | None:
    """Return the U (k = 2) that is printed beside a quantity: its u, the common edge, and the scale where it is known.

    Parameters
    ----------
    part, feature : Part, Feature
        The record, and whose quantity it is.
    quantity : str
        Its name in `sensitivity`, such as diameter_mm or flats_pair_mm_1.
    value : Measured
        The quantity, or what follows from it alone, such as a diameter at the end of a taper.

    Returns
    -------
    float or None
        In the unit of the quantity; None where u is unknown.
    """
    if value.u is None:
        return None
    with_edge = replace(value, u=math.hypot(value.u, edge_u_of(part, feature, quantity)))
    return expanded(with_edge, scale_u_of(part, quantity))
