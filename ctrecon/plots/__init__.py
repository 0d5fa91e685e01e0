"""Figures of what was measured and planned: slices with fits, depth chart, residuals, register pins.

Every function returns a matplotlib `Figure` that belongs to no window and no global state.
"""

from ctrecon.plots.depth import depth_chart
from ctrecon.plots.plan import register_pins_chart
from ctrecon.plots.residuals import residual_plot
from ctrecon.plots.slices import slice_with_fits
from ctrecon.plots.style import to_svg

__all__ = ["depth_chart", "register_pins_chart", "residual_plot", "slice_with_fits", "to_svg"]
