"""Figures of what was measured: slices with fits, depth chart, residuals.

Every function returns a matplotlib `Figure` that belongs to no window and no global state.
"""

from ctrecon.plots.depth import depth_chart
from ctrecon.plots.residuals import residual_plot
from ctrecon.plots.slices import slice_with_fits
from ctrecon.plots.style import to_svg

__all__ = ["depth_chart", "residual_plot", "slice_with_fits", "to_svg"]
