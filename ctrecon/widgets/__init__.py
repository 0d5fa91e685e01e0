"""Panels for the notebook: thin bindings over `Review` and `Planning`, the plain states of looking and deciding.

Every panel has a function that does the same without it; its docstring names it.
"""

from ctrecon.widgets.charts import depth_range_chart
from ctrecon.widgets.deciding import depth_range, review_features, true_scale
from ctrecon.widgets.following import bases, chart, holes, layout_found, remarks, sheet, sizes, ways_built
from ctrecon.widgets.looking import residual_view, review_pieces
from ctrecon.widgets.panel import say
from ctrecon.widgets.picture import picture_of
from ctrecon.widgets.plan_state import Planning
from ctrecon.widgets.planning import plan_made_sizes, plan_pins, plan_save, plan_stack, plan_steps
from ctrecon.widgets.space import part_from_three_sides, part_in_space
from ctrecon.widgets.start import known_truth, open_part, open_slices
from ctrecon.widgets.state import Review, open_review
from ctrecon.widgets.viewer import look_at, slice_viewer
from ctrecon.widgets.waiting import batch_bar, notebook_bar

__all__ = [
    "Planning", "Review", "bases", "batch_bar", "chart", "depth_range", "depth_range_chart", "holes", "known_truth",
    "layout_found", "look_at", "notebook_bar", "open_part", "open_review", "open_slices", "part_from_three_sides",
    "part_in_space", "picture_of", "plan_made_sizes", "plan_pins", "plan_save", "plan_stack", "plan_steps", "remarks",
    "residual_view", "review_features", "review_pieces", "say", "sheet", "sizes", "slice_viewer", "true_scale",
    "ways_built",
]  # fmt: skip
