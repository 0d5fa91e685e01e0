"""Faces against each other, and hole distances along the surface of a bent plate."""

from collections.abc import Mapping
from itertools import combinations

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.core.measured import Measured
from ctrecon.features.faces import Face
from ctrecon.grey.square_up import SquaredStack
from ctrecon.record.part import Part, Relation
from ctrecon.record.relations import AxisLine, holes_of, place_and_covariance, said

__all__ = ["faces_wedge", "flat_distances", "length_along"]

_ALL_PAIRS = 8  # holes that are taken in pairs, at most
_NOISE_99 = 3.03  # of a length made by two equal components
_STEPS = 64  # places along the way on which a rise is summed


def faces_wedge(part: Part, surfaces: Mapping[tuple[str, bool], Face]) -> list[Relation]:
    """Return the angle between the two end faces of each feature that shows both (0 where they are parallel)."""
    out = []
    for feature in part.features:
        low, high = surfaces.get((feature.id, True)), surfaces.get((feature.id, False))
        if low is None or high is None:
            continue
        lean = np.degrees(_slopes(high, high.middle) - _slopes(low, high.middle))
        covariance = (low.covariance + high.covariance)[1:3, 1:3] * np.degrees(1) ** 2
        sd = float(np.sqrt(np.trace(covariance) / 2))
        wedge = float(np.hypot(*lean))
        resolved = wedge > _NOISE_99 * sd
        value = Measured(wedge, max(sd, 1e-6) if resolved else max(sd, wedge / 2, 1e-6))
        span = feature.flats_pair_mm[0] if feature.flats_pair_mm else (feature.diameter_mm or feature.flats_mm)
        over = "" if span is None else f", {np.radians(wedge) * span.value:.4f} mm over {span.value:.1f} mm"
        verdict = "" if resolved else "; not significant: parallel within noise"
        says = (
            f"{feature.id}: its two end faces stand {said(value, part, 'deg')} to each other{over}; "
            f"noise alone gives about {1.2533 * sd:.3f}°{verdict}"
        )
        out.append(Relation(kind="faces_wedge", features=(feature.id,), value=value, says=says))
    return out


def _slopes(face: Face, at: tuple[float, float]) -> Floats:
    """Return dz/dx and dz/dy of a face at a place of the grid."""
    x, y = at[0] - face.middle[0], at[1] - face.middle[1]
    _, sx, sy, xx, xy, yy = face.values
    return np.array([sx + 2 * xx * x + xy * y, sy + xy * x + 2 * yy * y])


def flat_distances(
    part: Part, squared: SquaredStack, lines: Mapping[str, AxisLine], surfaces: Mapping[tuple[str, bool], Face]
) -> list[Relation]:
    """Return, for a bent plate, the centre distances of its holes along the surface midway between its faces.

    That is where a plate keeps its length when it bends (it holds for gentle bends of an
    even thickness). Where one face only is known, that one is followed.
    """
    bent = [f for f in part.features if "bent" in f.flags]
    if not bent:
        return []
    faces = [s for s in (surfaces.get((bent[0].id, True)), surfaces.get((bent[0].id, False))) if s is not None]
    holes = holes_of(part, lines)[:_ALL_PAIRS]
    to_part = part.rotation
    back = squared.rotation @ to_part.T  # part frame to the part grid's
    out = []
    for a, b in combinations(holes, 2):
        ends, spread = [], 0.0
        for one in (a, b):
            place, covariance = place_and_covariance(lines, one.id)
            point = (back @ np.array([*place, lines[one.id].z]) - squared.origin_mm) / squared.pitch_mm
            ends.append(point[:2])
            spread += float(np.trace(covariance)) / 2
        chord = float(np.hypot(*(ends[1] - ends[0]))) * squared.pitch_mm
        along = length_along(faces, ends[0], ends[1]) * squared.pitch_mm
        # a tenth of the correction: a plate's middle keeps its length only roughly
        value = Measured(along, float(np.sqrt(spread + (0.1 * (along - chord)) ** 2)) + 1e-9)
        says = (
            f"{a.id} to {b.id}: {said(value, part)} along the middle of the bent plate, developed flat; "
            f"{chord:.4f} mm straight across as found"
        )
        out.append(Relation(kind="centre_distance_flat", features=(a.id, b.id), value=value, says=says))
    return out


def length_along(faces: list[Face], start: Floats, end: Floats) -> float:
    """Return the length (px) of the surface midway between the faces, over the straight line from start to end."""
    t = (np.arange(_STEPS) + 0.5) / _STEPS
    way = np.asarray(end) - np.asarray(start)
    places = np.asarray(start) + t[:, None] * way
    rise = np.zeros(_STEPS)
    for face in faces:
        x, y = places[:, 0] - face.middle[0], places[:, 1] - face.middle[1]
        _, sx, sy, xx, xy, yy = face.values
        slope = np.column_stack([sx + 2 * xx * x + xy * y, sy + xy * x + 2 * yy * y])
        rise += slope @ way / len(faces)
    return float(np.sqrt(way @ way + rise**2).mean())
