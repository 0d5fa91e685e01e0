"""Where a part of the assembly turns, and how far it reaches when it does."""

from shapely import Polygon

from ctrecon.workshop.assembly.model import Assembly, PlannedPart
from ctrecon.workshop.clearance import sweep_of

__all__ = ["centre_of", "swept_radius"]

_SAME_MM = 1e-6


def centre_of(assembly: Assembly, part: PlannedPart) -> tuple[float, float]:
    """Return where a part turns (mm): its axis, or the middle of its outline where it is on none."""
    axis = next((one for one in assembly.axes if one.id == part.axis), None)
    return axis.place.xy if axis is not None else (part.outline.centroid.x, part.outline.centroid.y)


def swept_radius(part: PlannedPart, section: Polygon, centre: tuple[float, float]) -> float:
    """Return the radius (mm) that one section of a part sweeps.

    Where the file states a sweep it is that of the section that reaches farthest; the others sweep what they reach.
    """
    reach = sweep_of(section, centre).outer
    if part.sweep_radius is None or reach < sweep_of(part.outline, centre).outer - _SAME_MM:
        return reach
    return part.sweep_radius.value
