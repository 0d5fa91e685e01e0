"""The few numbers by which an outline is recognised from plane to plane."""

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.outlines.trace import Outline

__all__ = ["describe"]


def describe(outline: Outline) -> Floats:
    """Return size, place and form of an outline as lengths in px.

    Equal-area radius, centroid x and y, equal-perimeter radius, and the radii below
    which 10 % and 90 % of the outline lie, seen from the centroid.
    """
    step = np.hypot(*np.diff(outline.points, axis=0).T)
    middle = (outline.points[1:] + outline.points[:-1]) / 2
    radius = np.hypot(middle[:, 0] - outline.x_px, middle[:, 1] - outline.y_px)
    order = np.argsort(radius, kind="stable")
    share = np.cumsum(step[order]) / step.sum()
    inner, outer = np.interp([0.1, 0.9], share, radius[order])
    return np.array(
        [np.sqrt(outline.area_px2 / np.pi), outline.x_px, outline.y_px, 0.5 * step.sum() / (2 * np.pi), inner, outer]
    )
