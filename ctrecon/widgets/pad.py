"""The one canvas: a slice with its curves, a section along the part, and what a person does with the pointer."""

from pathlib import Path
from typing import Any

import anywidget
import numpy as np
import traitlets
from numpy.typing import NDArray

from ctrecon.core.measured import format_value
from ctrecon.plots.style import line_look
from ctrecon.widgets.curves import Curve, curves_along
from ctrecon.widgets.picture import GreyScale, grey_jpeg
from ctrecon.widgets.section import cut_along, middle_of
from ctrecon.widgets.state import Review

__all__ = ["SlicePad"]

_HERE = Path(__file__).parent
_ROOM = 0.2  # share of what is seen that is sent beyond it, so that a little panning shows no rim


class SlicePad(anywidget.AnyWidget):
    """A canvas bound to a review: shows its slice, curves, chosen feature and points, and a section along the part.

    What a person does arrives in `said`: a kind, with the place (column, row; voxels) where it has one. Kinds are
    ``over`` and ``point`` (moved there, clicked there), ``go`` (to a slice), ``cut`` (section through there),
    ``seen`` (the box of voxels looked at closely) and ``ready`` (the first picture is painted).

    Parameters
    ----------
    review : Review
        Followed as it changes.
    """

    _esm = (_HERE / "pad.js").read_text(encoding="utf-8")
    _css = (_HERE / "pad.css").read_text(encoding="utf-8")
    jpeg = traitlets.Bytes(b"").tag(sync=True)
    covers: Any = traitlets.List([]).tag(sync=True)
    slice = traitlets.Int(0).tag(sync=True)
    slices = traitlets.Int(1).tag(sync=True)
    size_px = traitlets.List([1, 1]).tag(sync=True)
    aspect = traitlets.Float(1.0).tag(sync=True)
    pixel_mm = traitlets.Float(1.0).tag(sync=True)
    curves: Any = traitlets.List([]).tag(sync=True)
    outlines = traitlets.Bool(True).tag(sync=True)
    chosen = traitlets.Unicode("").tag(sync=True)
    points: Any = traitlets.List([]).tag(sync=True)
    adds = traitlets.Bool(False).tag(sync=True)
    adding = traitlets.Bool(False).tag(sync=True)
    label = traitlets.Unicode("").tag(sync=True)
    section: Any = traitlets.Dict({}).tag(sync=True)
    section_jpeg = traitlets.Bytes(b"").tag(sync=True)
    cross: Any = traitlets.List([0, 0]).tag(sync=True)
    pointer: Any = traitlets.List([]).tag(sync=True)
    asked: Any = traitlets.List([]).tag(sync=True)
    said = traitlets.Dict({})
    along = traitlets.Unicode("row")

    def __init__(self, review: Review) -> None:
        _, rows, columns = review.stack.shape
        _, dy, dx = review.base.stack.voxel_mm
        super().__init__(size_px=[columns, rows], aspect=dy / dx, slices=len(review.stack))
        self._review, self._scale = review, GreyScale(review.stack)
        self._seen: tuple[int, int, int, int] | None = None
        self._at: tuple[int, int] = middle_of(review.part)
        self._plane: tuple[int, NDArray[np.generic]] | None = None
        self._ready = False
        self.cross = list(self._at)
        review.on_change(self._follow)
        self.on_msg(lambda _, content, __: self._hear(content))
        self.observe(self._moved, "pointer")
        self.observe(lambda _: self._hear({"kind": "go", "slice": self.asked[0]}), "asked")
        self.observe(lambda _: self._show_section(), "along")
        self._show()
        self._show_section()

    @property
    def grey(self) -> GreyScale:
        """Which grey is black and which is white."""
        return self._scale

    def set_window(self, low: float, high: float) -> None:
        """Show this grey as black and that one as white."""
        self._scale.low, self._scale.high = low, high
        self._show()
        self._show_section()

    def grey_at(self, column: float, row: float) -> float | None:
        """Return the grey value of the voxel at a place of the present slice; None where there is none."""
        plane = self._present()
        k, j = round(row), round(column)
        if not (0 <= k < plane.shape[0] and 0 <= j < plane.shape[1]) or not np.isfinite(plane[k, j]):
            return None
        return float(plane[k, j])

    def _hear(self, content: dict[str, Any]) -> None:
        kind = content.get("kind")
        if kind == "ready":
            self._ready = True
            self._show_section()
        elif kind == "seen":
            self._seen = self._box(content["box"])
            self._show()
        elif kind == "cut":
            column, row = round(content["column"]), round(content["row"])
            columns, rows = self.size_px
            self._at = (min(max(column, 0), columns - 1), min(max(row, 0), rows - 1))
            self._show_section()
        elif kind in ("go", "over", "point"):
            self.said = {**content, "count": self.said.get("count", 0) + 1}

    def _moved(self, _: object) -> None:
        column, row = self.pointer
        self._hear({"kind": "over", "column": column, "row": row})

    def _box(self, box: list[float] | None) -> tuple[int, int, int, int] | None:
        """Return the voxels to send of a place looked at closely: the first column and row, how many of each."""
        if box is None:
            return None
        (columns, rows), room = self.size_px, _ROOM * (box[2] - box[0])
        left, top = max(int(box[0] - room), 0), max(int(box[1] - room), 0)
        right, down = min(int(box[2] + room) + 1, columns), min(int(box[3] + room) + 1, rows)
        return (left, top, right - left, down - top) if right > left and down > top else None

    def _present(self) -> NDArray[np.generic]:
        """Return the present plane; it is decoded once."""
        if self._plane is None or self._plane[0] != self._review.slice:
            self._plane = (self._review.slice, self._review.stack.plane(self._review.slice))
        return self._plane[1]

    def _follow(self, what: str) -> None:
        if what in ("slice", "part"):
            self._show(picture=what == "slice")
            if what == "part":
                self._show_section()  # true scale changes its millimetres
        elif what == "chosen":
            self.chosen = self._review.chosen or ""
        elif what == "points":
            self.points = [list(one) for one in self._review.points]

    def _show(self, *, picture: bool = True) -> None:
        """Send all that belongs to the slice in one message, so that the curves never lie on another slice."""
        review = self._review
        depth = review.slice * review.part.stack.voxel_mm[0]
        curves = self._looks(review.curves())
        names = ", ".join(one["id"] for one in curves) or "no feature"
        with self.hold_sync():
            self.slice = review.slice
            self.curves = curves
            self.chosen = review.chosen or ""
            self.points = [list(one) for one in review.points]
            self.label = f"slice {review.slice}, depth {format_value(depth, 3)} mm, showing {names}"
            self.pixel_mm = review.part.stack.voxel_mm[2]
            if picture:
                left, top, columns, rows = self._seen or (0, 0, *self.size_px)
                self.covers = [left, top, columns, rows]
                self.jpeg = grey_jpeg(self._present()[top : top + rows, left : left + columns], self._scale)

    def _looks(self, curves: tuple[Curve, ...]) -> list[dict[str, Any]]:
        out = []
        for ident, points in curves:
            look = line_look(self._review.part, ident)
            flat = [round(float(v), 2) for v in points.ravel()]
            out.append({"id": ident, "colour": look.colour, "dashes": list(look.dashes), "points": flat})
        return out

    def _show_section(self) -> None:
        """Send the section; its picture once the first slice is on the screen, because it takes every slice."""
        if self.along not in ("row", "column"):
            self.section = {}
            return
        column, row = self._at
        dz, dy, dx = self._review.part.stack.voxel_mm
        rows = self.along == "row"
        across_mm = dx if rows else dy
        size = [self.size_px[0 if rows else 1], self.slices]
        with self.hold_sync():
            self.section = {
                "along": self.along, "at": row if rows else column, "size": size, "aspect": dz / across_mm,
                "pixel_mm": across_mm,
                "curves": self._looks(curves_along(self._review.part, self.along, row if rows else column)),
            }  # fmt: skip
            if self._ready:
                self.section_jpeg = grey_jpeg(cut_along(self._review.stack, self.along, row, column), self._scale)
