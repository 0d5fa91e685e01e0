"""Corner radius of a square or rectangle, from the metal missing at its corners."""

import numpy as np
from scipy.special import ndtr

from ctrecon.core.fit_result import ShapeFit
from ctrecon.features.size import FittedCandidate
from ctrecon.shapes import Rectangle

__all__ = ["corner_radius"]

_LEVEL_U = 0.003  # contrasts; the levels beside a corner are never surer
_CUT = 1 - np.pi / 4  # share of r² that a round corner leaves out


def corner_radius(sized: FittedCandidate) -> tuple[float, float] | None:
    """Return (radius, u) in px, or None where fewer than two corners can be seen.

    A blurred sharp corner is the product of two blurred edges; what the mean plane
    lacks against it, summed over the corner, is (1 - π/4) r² whatever the blur. The
    median over the corners leaves out a broken one.
    """
    fit, candidate = sized.fit, sized.candidate
    if not isinstance(fit, ShapeFit) or candidate.rectangle is None:
        return None
    span = max(candidate.spans, key=lambda s: s.last - s.first)
    rows, columns = np.mgrid[: span.mean.shape[0], : span.mean.shape[1]]
    points = np.column_stack([columns.ravel() + span.corner[0], rows.ravel() + span.corner[1]]).astype(float)
    a, b, blur = fit.value("a"), fit.value("b"), max(fit.value("blur"), 0.3)
    shape = Rectangle(fit.value("x"), fit.value("y"), a, b, float(np.degrees(fit.value("turn"))))
    u, v = shape.own_axes(points)
    sharp = (ndtr((a / 2 - np.abs(u)) / blur) * ndtr((b / 2 - np.abs(v)) / blur)).reshape(span.mean.shape)
    grey = (span.mean - fit.value("air")) / fit.value("contrast")
    filled = 1 - grey if candidate.hole else grey
    reach = min(candidate.rectangle.corner_radius + 4.0, 0.4 * min(a, b))
    near = (
        (np.abs(u) > a / 2 - reach)
        & (np.abs(v) > b / 2 - reach)
        & (np.abs(u) < a / 2 + 2.5)
        & (np.abs(v) < b / 2 + 2.5)
    ).reshape(sharp.shape)
    missing = []
    for su in (1, -1):
        for sv in (1, -1):
            corner = near & ((np.sign(u) == su) & (np.sign(v) == sv)).reshape(sharp.shape) & np.isfinite(filled)
            if corner.sum() > 10:
                missing.append(float((sharp - filled)[corner].sum()))
    if len(missing) < 2:
        return None
    area = float(np.median(missing))
    spread = 1.4826 * float(np.median(np.abs(np.array(missing) - area))) / np.sqrt(len(missing))
    # levels are known to some thousandths of the contrast, and count over the whole corner
    levels = max(_LEVEL_U, float(np.hypot(fit.u("air"), fit.u("contrast"))))
    u_area = float(np.sqrt(spread**2 + 0.08**2 + (levels * near.sum() / 4) ** 2))
    radius = float(np.sqrt(max(area, 0.0) / _CUT))
    return radius, u_area / (2 * _CUT * max(radius, float(np.sqrt(u_area / _CUT))))
