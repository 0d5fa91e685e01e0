"""Panels for the notebook: thin bindings over `Review`, the plain state of looking and deciding.

Every panel has a function that does the same without it; its docstring names it.
"""

from ctrecon.widgets.charts import depth_range_chart
from ctrecon.widgets.deciding import depth_range, review_features, true_scale
from ctrecon.widgets.looking import residual_view, review_pieces
from ctrecon.widgets.picture import picture_of
from ctrecon.widgets.start import known_truth, open_slices
from ctrecon.widgets.state import Review, open_review
from ctrecon.widgets.viewer import slice_viewer

__all__ = [
    "Review", "depth_range", "depth_range_chart", "known_truth", "open_review", "open_slices",
    "picture_of", "residual_view", "review_features", "review_pieces",
    "slice_viewer", "true_scale",
]  # fmt: skip
