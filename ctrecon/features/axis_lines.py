"""The axis of every feature as its grey-value fit gives it, in the part frame."""

import numpy as np

from ctrecon.core.fit_result import ShapeFit
from ctrecon.features.build import MeasuredFeature
from ctrecon.grey.square_up import SquaredStack
from ctrecon.record.part import Part, depths_in_part_frame, place_in_part_frame
from ctrecon.record.relations import AxisLine, across_mm

__all__ = ["axis_lines"]


def axis_lines(part: Part, squared: SquaredStack, drafts: list[MeasuredFeature]) -> dict[str, AxisLine]:
    """Return the axis of every feature with a place and a size, in the part frame."""
    to_part = part.rotation
    turn = to_part @ squared.rotation.T
    u_axis = 0.02 if part.axis is None or part.axis.direction_u_deg is None else np.radians(part.axis.direction_u_deg)
    pitch, step = squared.pitch_mm, squared.depth_step_mm
    out = {}
    for draft in drafts:
        feature, one = draft.feature, draft.sized
        if feature.x_mm is None or feature.y_mm is None or not across_mm(feature):
            continue
        if "not_along_depth" in feature.flags:
            continue
        x, y = place_in_part_frame(part, feature)
        z = sum(depths_in_part_frame(part, feature)) / 2
        ux, uy = feature.x_mm.u or 0.01, feature.y_mm.u or 0.01
        own = isinstance(one.fit, ShapeFit) and one.axis_free and "slope_x" in one.fit.names
        if own and isinstance(one.fit, ShapeFit):
            centre = np.array([*one.centre_at(one.middle, step / pitch), one.middle])
            point = turn @ (np.array(squared.origin_mm) + centre * [pitch, pitch, step])
            way = turn @ np.array([one.fit.value("slope_x"), one.fit.value("slope_y"), 1.0])
            at = [one.fit.names.index(n) for n in ("x", "y", "slope_x", "slope_y")]
            scale = np.array([pitch, pitch, 1.0, 1.0])
            covariance = one.fit.covariance[np.ix_(at, at)] * np.outer(scale, scale)
            slopes = (float(way[0] / way[2]), float(way[1] / way[2]))
            out[feature.id] = AxisLine(float(point[0]), float(point[1]), float(point[2]), slopes, covariance, True)
        else:
            covariance = np.diag([ux**2, uy**2, u_axis**2, u_axis**2])
            out[feature.id] = AxisLine(x, y, z, (0.0, 0.0), covariance, False)
    return out
