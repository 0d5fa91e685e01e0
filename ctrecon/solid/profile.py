"""The section of one feature in sheet axes, grown or shrunk all round: the two ends of a tapered run."""

from typing import Any

from ctrecon.drawing.model.views import Drawn
from ctrecon.drawing.paper.contours import Contour, contour_of, polyline
from ctrecon.record.kinds import kind_of

__all__ = ["grown_profile", "round_cutters"]

_LEAST_FLAT = 0.02
"""What round corners leave of the shorter side: a kernel takes no edge without length, and both ends of a tapered run
need the same edges."""


def round_cutters(drawn: list[Drawn]) -> list[Drawn]:
    """Return the reliefs and broken-out holes that can take a stretch of a rim away."""
    return [
        d
        for d in drawn
        if d.feature.diameter_mm is not None and kind_of(d.feature).cuts_rim(d.feature)
    ]


def grown_profile(own: Drawn, by_mm: float) -> Contour | None:
    """Return the whole section of a feature, its wall moved outwards.

    Parameters
    ----------
    own : Drawn
        The feature in sheet axes; its directions already count from the sheet's X.
    by_mm : float
        How far each wall moves out (half of what a diameter gains).

    Returns
    -------
    Contour or None
        Closed, anticlockwise; None where the record holds no section.
    """
    f = own.feature
    # not brought into one period: the two sizes across flats stay on their own directions
    turn = 0.0 if f.turn_deg is None else -f.turn_deg.value
    if f.outline_mm or kind_of(f).is_toothed:
        return _sound(own.contour)
    if f.x_mm is None or f.y_mm is None:
        return None
    shape = kind_of(f).shape(f, own.x, own.y, turn, by_mm, _LEAST_FLAT)
    return None if shape is None else contour_of(shape)


def _sound(contour: Contour | None) -> Contour | None:
    """Return a free outline that does not cross itself: of a crossed one the largest part."""
    from shapely.geometry import Polygon

    if contour is None:
        return None
    area: Any = Polygon(contour.points())
    if area.is_valid:
        return contour
    parts = area.buffer(0)
    largest = max(getattr(parts, "geoms", [parts]), key=lambda p: p.area)
    if largest.is_empty:
        return None
    return polyline([(float(px), float(py)) for px, py in largest.exterior.coords])
