"""Roundness of a sound rim about its least-squares circle, from the outline of its mean plane.

The first figure of a feature; where its voxels carry more, `features/form.py` puts its own in its place.
"""

import numpy as np

from ctrecon.core.circle_points import fit_circle_points
from ctrecon.features.candidates import Candidate

__all__ = ["CUT_OFF_UPR", "roundness"]

CUT_OFF_UPR = 36
"""Undulations per revolution above which form is averaged away (10 degree sectors)."""


def roundness(candidate: Candidate, noise: float) -> tuple[float, float] | None:
    """Return (RONt, u) in px: peak to valley of the radius about the least-squares circle.

    Radii are averaged over sectors of 10 degrees of the mean plane's half-height outline
    (terms: ISO 12181-1, LSCI). Noise inflates the range by about four times the noise of
    one sector, which `u` carries.
    """
    span = max(candidate.spans, key=lambda s: s.last - s.first)
    points = span.points[span.choice.near]
    fit = fit_circle_points(points)
    if not fit:
        return None
    dx, dy = points[:, 0] - fit.value("x"), points[:, 1] - fit.value("y")
    radius = np.hypot(dx, dy)
    sector = (np.degrees(np.arctan2(dy, dx)) % 360 // (360 / CUT_OFF_UPR)).astype(int)
    counts = np.bincount(sector, minlength=CUT_OFF_UPR)
    mean = np.bincount(sector, weights=radius, minlength=CUT_OFF_UPR) / np.maximum(counts, 1)
    full = counts >= max(3, 0.5 * np.median(counts[counts > 0]))
    if full.sum() < CUT_OFF_UPR // 3:
        return None
    planes = min(24, span.last - span.first + 1)
    point_noise = noise * 2.0 / np.sqrt(planes)  # grey noise over the slope of the blurred edge
    u = float(np.hypot(point_noise / np.sqrt(max(float(np.median(counts[full])) / 2, 1.0)), 0.02))
    return float(np.ptp(mean[full])), u
