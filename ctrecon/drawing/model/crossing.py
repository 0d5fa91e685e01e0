"""How a wheel was crossed out, in sheet axes: its arms in words, and the windows that are lost."""

import math
from typing import TYPE_CHECKING

from ctrecon.core.measured import Measured
from ctrecon.drawing.model.dimension_text import length_text
from ctrecon.drawing.model.views import Drawn, Model
from ctrecon.drawing.paper.contours import Contour, polyline
from ctrecon.record.kinds import is_hole, kind_of

if TYPE_CHECKING:
    from ctrecon.workshop.wheels.crossing import CrossingOut

__all__ = ["crossed_out", "crossing_words", "lost_windows"]


def crossed_out(model: Model, d: Drawn) -> "CrossingOut | None":
    """Return how a wheel was crossed out, by the windows that are left of it; None where it shows no even arms."""
    from ctrecon.workshop.errors import PlanError
    from ctrecon.workshop.wheels.as_found import found_wheels
    from ctrecon.workshop.wheels.making import crossing_as_found

    f = d.feature
    if not kind_of(f).is_toothed or f.tip_diameter_mm is None or f.root_diameter_mm is None:
        return None
    if not any(is_hole(one.feature) and kind_of(one.feature).is_outlined for one in model.drawn):
        return None
    found = next((one for one in found_wheels([model.part]) if one.feature.id == f.id), None)
    deep = Measured((f.tip_diameter_mm.value - f.root_diameter_mm.value) / 2)
    try:
        return None if found is None else crossing_as_found(found, f.root_diameter_mm, deep)
    except PlanError:
        return None


def crossing_words(model: Model, crossing: "CrossingOut") -> str:
    """Return arms and windows of a wheel in words, lengths in the sheet's units."""
    arm, boss, rim = (
        length_text(model.units, one, 2)
        for one in (crossing.arm_width.value, crossing.boss_diameter, crossing.inner_diameter.value)
    )
    return f"{len(crossing.windows)} arms {arm} wide, windows from Ø{boss} to Ø{rim}"


def lost_windows(model: Model, d: Drawn, crossing: "CrossingOut") -> list[Contour]:
    """Return the windows that stood where the wheel is lost, in sheet axes."""
    from shapely.geometry import Polygon

    c, s = (f(math.radians(model.slices_x_deg)) for f in (math.cos, math.sin))
    left = [Polygon(one.contour.points(2.0)) for one in model.drawn if is_hole(one.feature) and one.contour]
    found = []
    for window in crossing.windows:
        points = [(d.x + x * c + y * s, d.y + x * s - y * c) for x, y in window.exterior.coords]  # Y up on the sheet
        area = Polygon(points)
        if not any(area.intersects(one) for one in left):
            found.append(polyline(points))
    return found
