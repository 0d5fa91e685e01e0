"""Windows of slices with the fitted outlines on them, for the report."""

from itertools import pairwise

import numpy as np

from ctrecon.core.fit_result import ShapeFit
from ctrecon.core.frames import Floats
from ctrecon.features.build import MeasuredFeature
from ctrecon.grey.square_up import SquaredStack
from ctrecon.record.kinds import kind_of
from ctrecon.record.pictures import SlicePicture
from ctrecon.shapes import FittedShape

__all__ = ["fitted_outline", "make_pictures"]

_MOST = 8  # pictures in a record
_MARGIN = 6  # px of surroundings that a picture shows


def fitted_outline(draft: MeasuredFeature, plane: float, ratio: float) -> Floats:
    """Return the fitted outline (N, 2), px of the part grid, at a plane."""
    sized = draft.sized
    shape, fit = sized.candidate.shape, sized.fit
    if shape is None:
        return np.vstack([sized.candidate.spans[0].points, sized.candidate.spans[0].points[:1]])
    if not isinstance(fit, ShapeFit):
        return shape.outline()
    x, y = sized.centre_at(plane, ratio)
    grown = (plane - sized.middle) * ratio * (fit.value("growth") if "growth" in fit.names else 0.0)
    fitted = shape.fitted(fit.value, grown) if isinstance(shape, FittedShape) else shape
    points = fitted.moved(x - fitted.centre[0], y - fitted.centre[1]).outline()
    if kind_of(draft.feature).is_round and sized.candidate.circle is not None:
        f = draft.feature
        if f.arc_deg is not None and f.arc_deg < 360 and f.arc_from_deg is not None:
            angle = np.radians(f.arc_from_deg + np.linspace(0, f.arc_deg, 181))
            points = np.column_stack([x + fitted.half_width * np.cos(angle), y + fitted.half_width * np.sin(angle)])
    return points


def make_pictures(squared: SquaredStack, drafts: list[MeasuredFeature]) -> tuple[SlicePicture, ...]:
    """Show one slice in the middle of every stretch of depth in which the same features live."""
    survey = squared.survey
    count = len(survey.stack)
    ratio = squared.depth_step_mm / squared.pitch_mm
    voxel = survey.stack.voxel_mm or (1.0, 1.0, 1.0)
    body = survey.bodies[0]
    edges = sorted({round(v, 1) for d in drafts for v in d.depths})
    zones = [(b - a, (a + b) / 2) for a, b in pairwise(edges) if b - a >= 2] or [
        (0.0, (body.low[0] + body.high[0]) / 2)
    ]
    if count == 1:
        zones = [(0.0, 0.0)]
    chosen = sorted(mid for _, mid in sorted(zones, reverse=True)[:_MOST])
    centre = np.array([(squared.shape[2] - 1) / 2, (squared.shape[1] - 1) / 2])
    pictures = []
    used: set[int] = set()
    for plane in chosen:
        z = float(squared.to_stack_mm(centre[0], centre[1], plane)[2])
        index = min(max(round(z / voxel[0]), 0), count - 1)
        if index in used or index in survey.stack.missing:
            continue
        used.add(index)
        top, left = max(0, body.low[1] - _MARGIN), max(0, body.low[2] - _MARGIN)
        grey = survey.plane(index)[top : body.high[1] + _MARGIN + 1, left : body.high[2] + _MARGIN + 1]
        edges_mm = np.array([voxel[2], voxel[1]])
        curves = [
            (d.feature.id, squared.cut_by_slice(fitted_outline(d, plane, ratio), index * voxel[0]) / edges_mm)
            for d in drafts
            if d.depths[0] <= plane <= d.depths[1]
        ]
        pictures.append(SlicePicture(index=index, grey=grey, origin_rc=(top, left), curves=tuple(curves)))
    return tuple(pictures)
