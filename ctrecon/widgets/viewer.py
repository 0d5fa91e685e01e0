"""The slice viewer: look into the slices with fits and seams on them, and read value and U of a feature."""

from pathlib import Path
from typing import Any

import ipywidgets as ipw
import traitlets

from ctrecon.core.measured import format_short, format_value
from ctrecon.plots import slice_with_fits
from ctrecon.record.part import Part, StackInfo
from ctrecon.slices import SliceStack
from ctrecon.widgets.pad import SlicePad
from ctrecon.widgets.panel import figure_bytes, panel, paragraph, split, table
from ctrecon.widgets.picture import picture_of
from ctrecon.widgets.state import Review
from ctrecon.widgets.words import feature_label, feature_says, quantity_lines

__all__ = ["SliceView", "feature_list", "look_at", "slice_viewer"]

_NONE = ("no feature", "")
_NEAR_PX = 6.0


def feature_list(review: Review, label: str, *, none: tuple[str, str] | None = _NONE) -> ipw.Dropdown:
    """Return a list of the features that follows the review, and by which one is chosen."""
    one = ipw.Dropdown(description=label, style={"description_width": "110px"}, layout=ipw.Layout(width="96%"))

    def fill(what: str = "part") -> None:
        if what == "part":
            kept = one.value
            options = [(feature_label(f), f.id) for f in review.part.features]
            one.options = ([none] if none else []) + options
            values = [value for _, value in one.options]
            one.value = kept if kept in values else next(iter(values), None)

    review.on_change(fill)
    fill()
    return one


class SliceView:
    """Pad, slider, tools and list bound to a review; `box` holds them.

    A click chooses the feature under it. Where points can be set, it sets one only while `pad.adding` is on.

    Parameters
    ----------
    review : Review
        What is shown.
    points : int
        How many points a person may set on the picture: 0 none; beyond that the oldest is dropped.
    """

    def __init__(self, review: Review, *, points: int = 0) -> None:
        self.review, self._points = review, points
        self.pad = SlicePad(review)
        self.pad.layout = ipw.Layout(width="100%")
        self.pad.adds = points > 0
        self.slider = ipw.IntSlider(
            review.slice, 0, max(len(review.stack) - 1, 0), description="slice", continuous_update=True,
            layout=ipw.Layout(width="98%"), style={"description_width": "50px"},
        )  # fmt: skip
        self.slider.add_class("ctr-slice-slider")
        self.list = feature_list(review, "feature")
        self.over = ipw.HTML()
        self.over.add_class("ctr-over")
        self.chosen = ipw.HTML()
        self.chosen.add_class("ctr-chosen")
        self._over("")
        self._refresh("chosen")
        review.on_change(self._refresh)
        self.slider.observe(self._slid, "value")
        self.list.observe(self._listed, "value")
        self.pad.observe(self._said, "said")
        self.box = split([self.slider, self.pad, self.over, *self._tools()], [self.list, self.chosen])

    def _tools(self) -> list[ipw.Widget]:
        """Return what changes the picture and not the review: grey window, outlines, section, points or choosing."""
        grey, pad = self.pad.grey, self.pad
        many = grey.most - grey.least
        window = ipw.FloatRangeSlider(
            value=(grey.low, grey.high), min=grey.least, max=grey.most, step=many / 500, description="black, white",
            readout_format=".0f" if many > 100 else ".4g", layout=ipw.Layout(width="98%"),
            style={"description_width": "80px"},
        )  # fmt: skip
        window.add_class("ctr-window")
        window.observe(lambda change: pad.set_window(*change["new"]), "value")
        outlines = ipw.Checkbox(
            description="outlines", tooltip="curves on the slice (key O)", indent=False, layout=ipw.Layout(width="90px")
        )
        section = ipw.Dropdown(
            options=[("along the row", "row"), ("along the column", "column"), ("none", "")], description="section",
            style={"description_width": "50px"}, layout=ipw.Layout(width="220px"),
        )  # fmt: skip
        traitlets.link((pad, "outlines"), (outlines, "value"))
        traitlets.link((pad, "along"), (section, "value"))
        tools = [outlines, section]
        if self._points:
            add = ipw.ToggleButton(
                description="Set points", tooltip="a click sets a point instead of choosing (key A)",
                layout=ipw.Layout(width="auto"),
            )  # fmt: skip
            add.add_class("ctr-set-points")
            traitlets.link((pad, "adding"), (add, "value"))
            tools.append(add)
        return [window, ipw.HBox(tools, layout=ipw.Layout(flex_flow="row wrap"))]

    def still(self) -> list[bytes]:
        """Return the present slice with its curves as a picture."""
        title = f"slice {self.review.slice}"
        return [figure_bytes(slice_with_fits(picture_of(self.review), self.review.part, title=title))]

    def _slid(self, change: dict[str, Any]) -> None:
        if change["new"] != self.review.slice:
            self.review.go_to(change["new"])

    def _listed(self, change: dict[str, Any]) -> None:
        if (change["new"] or None) != self.review.chosen:
            self.review.choose(change["new"] or None)

    def _said(self, change: dict[str, Any]) -> None:
        said, review = change["new"], self.review
        if not said:
            return
        if said["kind"] == "go":
            review.go_to(said["slice"])
            return
        spot = (float(said["column"]), float(said["row"]))
        if said["kind"] == "point" and self._points and self.pad.adding:
            review.set_points([*review.points, spot][-self._points :])
        else:
            found = review.feature_at(*spot, within_px=self._reach())
            if said["kind"] == "point":
                review.choose(found)
            else:
                self._over(feature_says(review.part, review.part.feature(found)) if found else "", spot)

    def _reach(self) -> float:
        """Return how near the pointer must come to a curve: some pixels of the screen, in voxels."""
        return max(1.5, _NEAR_PX * self.review.stack.shape[2] / 480)

    def _over(self, text: str, spot: tuple[float, float] | None = None) -> None:
        place = ""
        if spot is not None:
            dz, dy, dx = self.review.part.stack.voxel_mm
            mm = (spot[0] * dx, spot[1] * dy, self.review.slice * dz)
            grey = self.pad.grey_at(*spot)
            place = (
                f"x {format_value(mm[0], 3)}, y {format_value(mm[1], 3)}, depth {format_value(mm[2], 3)} mm "
                f"(column {format_value(spot[0], 1)}, row {format_value(spot[1], 1)}"
                f"{'' if grey is None else f', grey {format_short(grey)}'}): "
            )
        self.over.value = paragraph(f"under the pointer: {place}{text or 'no feature'}")

    def _refresh(self, what: str) -> None:
        review = self.review
        if what == "slice":
            self.slider.value = review.slice
        if what in ("chosen", "part", "slice"):
            self.list.value = review.chosen or ""
            dz = review.part.stack.voxel_mm[0]
            here = f"slice {review.slice}, depth {format_value(review.slice * dz, 3)} mm"
            if review.chosen is None:
                self.chosen.value = paragraph(f"{here}. No feature is chosen: take one from the list.")
                return
            feature = review.part.feature(review.chosen)
            scaled = all(one is not None for one in review.part.stack.scale_u_rel)
            tail = f"basis {feature.basis}; U has k = 2{'' if scaled else ', without scale'}"
            tail += f"; flags: {', '.join(feature.flags)}" if feature.flags else ""
            self.chosen.value = (
                paragraph(f"{here}. Chosen: {feature_label(feature)}")
                + table(quantity_lines(review.part, feature), ("size", "value and U"))
                + paragraph(tail)
            )


def look_at(stack: SliceStack) -> ipw.VBox:
    """Return the viewer of slices nothing was measured on yet.

    Without widgets the same is ``stack.plane(number)``.
    """
    slices, rows, columns = stack.shape
    assert stack.voxel_mm is not None
    info = StackInfo(
        source=stack.source, slices=slices, rows=rows, columns=columns, voxel_mm=stack.voxel_mm,
        scale_basis=stack.scale_basis or "stated",
    )  # fmt: skip
    return slice_viewer(Review(Part(name=Path(stack.source).name, made_with="", stack=info, axis=None), stack))


def slice_viewer(review: Review) -> ipw.VBox:
    """Return the slice viewer of a review.

    Without widgets the same is ``slice_with_fits(picture_of(review), review.part, title=...)``.
    """
    view = SliceView(review)
    return panel("ctr-viewer", f"Slices of {review.part.name}", view.box, still=view.still)
