"""How a wheel was crossed out: its arms in words, and the windows that are lost with a stretch of its rim."""

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.core.measured import Measured
from ctrecon.drawing.model.dimension_text import length_text
from ctrecon.drawing.model.views import Model, build_model
from ctrecon.drawing.paper.contours import Contour
from ctrecon.record.kinds import is_hole, kind_of
from ctrecon.record.part import Feature, Part, outline_in_part_frame, place_in_part_frame

if TYPE_CHECKING:
    from ctrecon.workshop.wheels.crossing import CrossingOut

__all__ = ["crossed_out", "crossing_words", "lost_windows", "with_lost_windows"]


def crossed_out(part: Part, wheel: Feature) -> "CrossingOut | None":
    """Return how a wheel was crossed out, by the windows that are left of it; None where it shows no even arms."""
    from ctrecon.workshop.errors import PlanError
    from ctrecon.workshop.wheels.as_found import found_wheels
    from ctrecon.workshop.wheels.making import crossing_as_found

    tip, root = wheel.tip_diameter_mm, wheel.root_diameter_mm
    if not kind_of(wheel).is_toothed or tip is None or root is None or not _windows(part):
        return None
    found = next((one for one in found_wheels([part]) if one.feature.id == wheel.id), None)
    try:
        return None if found is None else crossing_as_found(found, root, Measured((tip.value - root.value) / 2))
    except PlanError:
        return None


def crossing_words(model: Model, crossing: "CrossingOut") -> str:
    """Return arms and windows of a wheel in words, lengths in the sheet's units."""
    arm, boss, rim = (
        length_text(model.units, one, 2)
        for one in (crossing.arm_width.value, crossing.boss_diameter, crossing.inner_diameter.value)
    )
    return f"{len(crossing.windows)} arms {arm} wide, windows from Ø{boss} to Ø{rim}"


def lost_windows(model: Model) -> list[Contour]:
    """Return the windows of wheels that are lost with their rims, in sheet axes."""
    part = with_lost_windows(model.part)
    added = {f.id for f in part.features[len(model.part.features) :]}
    made = build_model(part, about=model).drawn if added else ()
    return [d.contour for d in made if d.feature.id in added and d.contour is not None]


def with_lost_windows(part: Part) -> Part:
    """Return the record with the windows that broke off with a rim: each is the first one that is left, turned."""
    added: list[Feature] = []
    for wheel in part.features:
        crossing = crossed_out(part, wheel)
        if crossing is None or wheel.arc_deg is None or wheel.arc_deg >= 360 or wheel.arc_from_deg is None:
            continue
        centre = np.array(place_in_part_frame(part, wheel))
        rings = [np.asarray(one.exterior.coords) for one in crossing.windows]
        middles = [math.atan2(one.centroid.y, one.centroid.x) for one in crossing.windows]
        left = _first_left(part, centre, middles)
        for ring, middle in zip(rings, middles, strict=True):
            from_break = (np.degrees(np.arctan2(ring[:, 1], ring[:, 0])) - wheel.arc_from_deg) % 360
            if left is not None and (from_break > wheel.arc_deg).any():
                copy = _turned(part, left[0], centre, middle - left[1], len(added) + 1)
                added += [] if copy is None else [copy]
    return replace(part, features=(*part.features, *added)) if added else part


def _windows(part: Part) -> list[Feature]:
    return [f for f in part.features if is_hole(f) and kind_of(f).is_outlined and f.outline_mm and f.x_mm and f.y_mm]


def _first_left(part: Part, centre: Floats, middles: list[float]) -> tuple[Feature, float] | None:
    """Return the first hole that is one of the windows, and the direction (radians) of its middle."""
    near = math.pi / len(middles) / 2
    for f in _windows(part):
        x, y = np.array(place_in_part_frame(part, f)) - centre
        for middle in middles:
            if abs((math.atan2(y, x) - middle + math.pi) % (2 * math.pi) - math.pi) < near:
                return f, middle
    return None


def _turned(part: Part, window: Feature, centre: Floats, by: float, number: int) -> Feature | None:
    """Return a window turned about the wheel's axis, between the same faces: stack depths follow the part's lean."""
    if window.depth_from_mm is None or window.depth_to_mm is None or window.x_mm is None or window.y_mm is None:
        return None
    r, c, s = part.rotation, math.cos(by), math.sin(by)
    turn = np.array([[c, -s], [s, c]])
    mid = (window.depth_from_mm.value + window.depth_to_mm.value) / 2
    depth = float(r[2] @ [window.x_mm.value, window.y_mm.value, mid])
    place = turn @ (np.array(place_in_part_frame(part, window)) - centre) + centre
    x, y, z = (float(v) for v in r.T @ [*place, depth])
    outline = (outline_in_part_frame(part, window) - centre) @ turn.T + centre
    points = np.linalg.solve(r[:2, :2], (outline - r[:2, 2] * z).T).T
    ends = (Measured(one.value + z - mid, one.u) for one in (window.depth_from_mm, window.depth_to_mm))
    first, last = ends
    return replace(
        window, id=f"{window.id}.{number}", basis="inferred", x_mm=Measured(x, window.x_mm.u), worn=None,
        y_mm=Measured(y, window.y_mm.u), depth_from_mm=first, depth_to_mm=last,
        outline_mm=tuple((float(u), float(v)) for u, v in points),
    )  # fmt: skip
