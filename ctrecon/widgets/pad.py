"""The one canvas: a slice with its curves on it, which tells where a person points."""

from pathlib import Path
from typing import Any

import anywidget
import traitlets

from ctrecon.core.measured import format_value
from ctrecon.plots.style import line_look
from ctrecon.widgets.picture import GreyScale, jpeg_of_slice
from ctrecon.widgets.state import Review

__all__ = ["SlicePad"]

_HERE = Path(__file__).parent


class SlicePad(anywidget.AnyWidget):
    """A canvas bound to a review: shows its slice, curves, chosen feature and points.

    Parameters
    ----------
    review : Review
        Followed as it changes.
    """

    _esm = (_HERE / "pad.js").read_text(encoding="utf-8")
    _css = (_HERE / "pad.css").read_text(encoding="utf-8")
    jpeg = traitlets.Bytes(b"").tag(sync=True)
    slice = traitlets.Int(0).tag(sync=True)
    size_px = traitlets.List([1, 1]).tag(sync=True)
    aspect = traitlets.Float(1.0).tag(sync=True)
    curves: Any = traitlets.List([]).tag(sync=True)
    chosen = traitlets.Unicode("").tag(sync=True)
    points: Any = traitlets.List([]).tag(sync=True)
    label = traitlets.Unicode("").tag(sync=True)
    said = traitlets.Dict({}).tag(sync=True)

    def __init__(self, review: Review) -> None:
        _, rows, columns = review.stack.shape
        _, dy, dx = review.base.stack.voxel_mm
        super().__init__(size_px=[columns, rows], aspect=dy / dx)
        self._review, self._scale = review, GreyScale(review.stack)
        review.on_change(self._follow)
        self._show()

    def _follow(self, what: str) -> None:
        if what in ("slice", "part"):
            self._show(picture=what == "slice")
        elif what == "chosen":
            self.chosen = self._review.chosen or ""
        elif what == "points":
            self.points = [list(one) for one in self._review.points]

    def _show(self, *, picture: bool = True) -> None:
        """Send all that belongs to the slice in one message, so that the curves never lie on another slice."""
        review = self._review
        depth = review.slice * review.part.stack.voxel_mm[0]
        curves: list[dict[str, Any]] = []
        for ident, points in review.curves():
            look = line_look(review.part, ident)
            flat = [round(float(v), 2) for v in points.ravel()]
            curves.append({"id": ident, "colour": look.colour, "dashes": list(look.dashes), "points": flat})
        names = ", ".join(one["id"] for one in curves) or "no feature"
        with self.hold_sync():
            self.slice = review.slice
            self.curves = curves
            self.chosen = review.chosen or ""
            self.points = [list(one) for one in review.points]
            self.label = f"slice {review.slice}, depth {format_value(depth, 3)} mm, showing {names}"
            if picture:
                self.jpeg = jpeg_of_slice(review.stack, review.slice, self._scale)
