"""Figures of what was measured and planned: slices with fits, depth chart, residuals, register pins, wheels.

Every function returns a matplotlib `Figure` that belongs to no window and no global state.
"""

from ctrecon.plots.depth import depth_chart
from ctrecon.plots.plan import register_pins_chart
from ctrecon.plots.residuals import residual_plot
from ctrecon.plots.slices import slice_with_fits
from ctrecon.plots.style import to_svg
from ctrecon.plots.wheels import count_chart, division_chart, tooth_chart, wheel_chart

__all__ = [
    "count_chart", "depth_chart", "division_chart", "register_pins_chart", "residual_plot", "slice_with_fits", "to_svg",
    "tooth_chart", "wheel_chart",
]  # fmt: skip
