"""Figures the panels show, which can be had without them."""

from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from ctrecon.plots import depth_chart
from ctrecon.plots.style import ACCENT
from ctrecon.widgets.state import Review

__all__ = ["depth_range_chart"]


def depth_range_chart(review: Review) -> Figure:
    """Return the depth chart with the chosen range framed and hatched."""
    figure = depth_chart(review.part)
    axes = figure.axes[0]
    low, high = review.depths_mm
    bottom, top = axes.get_ylim()
    frame = Rectangle(
        (low, top), max(high - low, 1e-6), bottom - top, fill=False, edgecolor=ACCENT, linewidth=1.6, hatch="..",
        zorder=6, alpha=0.55, clip_on=False,
    )  # fmt: skip
    axes.add_patch(frame)
    axes.set_ylim(bottom, top)
    return figure
