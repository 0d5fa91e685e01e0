"""Panels in which a person decides: review of features, true scale, depth range."""

import ipywidgets as ipw

from ctrecon.core.measured import format_short, format_value
from ctrecon.decisions import ADDED_KINDS
from ctrecon.widgets.charts import depth_range_chart
from ctrecon.widgets.following import draw_button
from ctrecon.widgets.panel import button, figure_bytes, notice_line, panel, paragraph, table
from ctrecon.widgets.state import Review, read_points
from ctrecon.widgets.viewer import SliceView, feature_list
from ctrecon.widgets.words import feature_label

__all__ = ["depth_range", "review_features", "take_back", "true_scale"]

_WIDE = {"description_width": "110px"}
_ADD_POINTS = 40


def _field(width: str = "96%") -> ipw.Layout:
    """Return a layout of its own for one control: a shared one would hide all of them at once."""
    return ipw.Layout(width=width)


def _decided(review: Review) -> ipw.HTML:
    """Return the list of what was decided, which follows the review."""
    shown = ipw.HTML()
    shown.add_class("ctr-decided")

    def fill(what: str = "part") -> None:
        if what != "part":
            return
        left = {one.number: one.why for one in review.unmatched}
        rows = [
            (str(k), one.says(), f"left out: {left[k]}" if k in left else "in force")
            for k, one in enumerate(review.decisions, start=1)
        ]
        where = "kept in memory only, no file was named"
        if review.file is not None:
            where = f"saved in {review.file.absolute()}"
        head = paragraph(f"{len(rows)} decided, {where}")
        shown.value = head + (table(rows, ("", "decision", "state")) if rows else "")

    review.on_change(fill)
    fill()
    return shown


def take_back(review: Review) -> ipw.HBox:
    """Return the buttons that take decisions back and decide them again."""
    undo, redo = button("Undo", "take the last decision back"), button("Redo", "decide again what was taken back")

    def back(_: object) -> None:
        if not review.undo():
            review.say("There is nothing to take back.")

    def again(_: object) -> None:
        if not review.redo():
            review.say("There is nothing to decide again.")

    undo.on_click(lambda _: review.attempt(lambda: back(_)))
    redo.on_click(lambda _: review.attempt(lambda: again(_)))
    return ipw.HBox([undo, redo])


def _points_field(review: Review) -> ipw.Text:
    """Return the field in which points stand as typed numbers; clicks on the picture fill it."""
    field = ipw.Text(
        description="points", placeholder="column row; column row", continuous_update=False, style=_WIDE,
        layout=_field(),
    )  # fmt: skip
    field.add_class("ctr-points")

    def fill(what: str) -> None:
        if what == "points":
            field.value = "; ".join(f"{format_value(x, 1)} {format_value(y, 1)}" for x, y in review.points)

    def typed(change: dict[str, str]) -> None:
        text = "; ".join(f"{format_value(x, 1)} {format_value(y, 1)}" for x, y in review.points)
        if change["new"].strip() != text:
            review.attempt(lambda: review.set_points(read_points(change["new"])))

    field.observe(typed, "value")
    review.on_change(fill)
    return field


def review_features(review: Review) -> ipw.VBox:
    """Return the panel in which features are accepted, rejected, renamed, called another kind, or added by points.

    Without widgets the same is `Review.accept`, `reject`, `rename`, `change_kind`, `add` and `undo`.
    """
    view = SliceView(review, points=_ADD_POINTS)
    name = ipw.Text(description="new name", continuous_update=True, style=_WIDE, layout=_field("72%"))
    kind = ipw.Dropdown(description="other kind", style=_WIDE, layout=_field("72%"))
    accept, reject = button("Accept", "the chosen feature is right"), button("Reject", "take the chosen feature out")
    rename, change = button("Rename", "give it the name typed"), button("Change kind", "call it the kind chosen")
    add_kind = ipw.Dropdown(
        options=[(one.replace("_", " "), one) for one in ADDED_KINDS], description="new feature", style=_WIDE,
        layout=_field("72%"),
    )  # fmt: skip
    add, clear = button("Add", "add the feature through the points"), button("Clear points", "take the points away")
    slices = ipw.IntRangeSlider(
        value=review.slices, min=0, max=max(len(review.stack) - 1, 1), description="from, to slice", style=_WIDE,
        layout=_field(), continuous_update=False,
    )  # fmt: skip

    def chosen() -> str:
        if review.chosen is None:
            review.say("Choose a feature first: from the list, or with the keys in it.")
        return review.chosen or ""

    def with_chosen(action: str) -> None:
        ident = chosen()
        if not ident:
            return
        if action == "change" and not kind.value:
            review.say(
                f"{ident} has the sizes of no other kind; reject it, and add it by points as what it is."
                if not kind.options else "Choose the other kind first, in the list beside the button."
            )
            return
        label = feature_label(review.part.feature(ident))
        done = {
            "accept": lambda: review.accept(ident),
            "reject": lambda: review.reject(ident),
            "rename": lambda: review.rename(ident, name.value),
            "change": lambda: review.change_kind(ident, kind.value or ""),
        }[action]
        words = {"accept": "accepted", "reject": "rejected", "rename": "renamed", "change": "changed"}[action]
        if review.attempt(done):
            review.say(f"{label}: {words}. Undo takes it back.")

    def add_one() -> None:
        if review.attempt(lambda: review.add(add_kind.value, name=name.value.strip() or None)):
            review.say(f"{feature_label(review.part.feature(review.chosen or ''))}: added by points.")

    def follow(what: str) -> None:
        if what in ("chosen", "part"):
            kinds = review.kinds_for(review.chosen) if review.chosen else ()
            kind.options = [(one.replace("_", " "), one) for one in kinds]
        if what == "slices":
            slices.value = review.slices

    review.on_change(follow)
    accept.on_click(lambda _: with_chosen("accept"))
    reject.on_click(lambda _: with_chosen("reject"))
    rename.on_click(lambda _: with_chosen("rename"))
    change.on_click(lambda _: with_chosen("change"))
    add.on_click(lambda _: add_one())
    clear.on_click(lambda _: review.set_points(()))
    slices.observe(lambda change: review.choose_slices(*change["new"]), "value")
    controls = ipw.VBox(
        [
            ipw.HBox([accept, reject, take_back(review), draw_button(review)]),
            ipw.HBox([name, rename]),
            ipw.HBox([kind, change]),
            ipw.HTML(paragraph("Add by points: press Set points and click the outline, or type the points.")),
            add_kind, slices, _points_field(review), ipw.HBox([add, clear]),
            notice_line(review), _decided(review),
        ]
    )  # fmt: skip
    view.box.children[1].children = (*view.box.children[1].children, controls)
    return panel("ctr-review", f"Review of the features of {review.part.name}", view.box, still=view.still)


def true_scale(review: Review) -> ipw.VBox:
    """Return the panel in which a known length gives true scale: of a feature, of two axes, or between two points.

    Without widgets the same is `Review.known_length`.
    """
    view = SliceView(review, points=2)
    way = ipw.RadioButtons(
        options=["size of a feature", "distance of two axes", "two points on the slice"], description="known is the",
        style=_WIDE, layout=_field(),
    )  # fmt: skip
    one, other = feature_list(review, "of feature", none=None), feature_list(review, "and feature", none=None)
    size = ipw.Dropdown(
        options=[("its main size", ""), ("its length", "length")], description="which size", style=_WIDE,
        layout=_field(),
    )  # fmt: skip
    points = _points_field(review)
    length = ipw.Text(
        description="true length, mm", placeholder="such as 12.00±0.02 (U, k = 2)", style=_WIDE, layout=_field()
    )
    length.add_class("ctr-length")
    use = button("Use this length", "find true scale from all known lengths")
    found = ipw.HTML()
    found.add_class("ctr-scale")

    def shown(_: object = None) -> None:
        at = way.options.index(way.value)
        for widget, ways in ((one, (0, 1)), (size, (0,)), (other, (1,)), (points, (2,))):
            widget.layout.display = "" if at in ways else "none"
        view.pad.adding = at == 2

    asked: list[object] = []

    def apply() -> None:
        at = way.options.index(way.value)
        now = [way.value, length.value, one.value, other.value, size.value, review.points]
        sure = asked == now  # the same button again, with nothing changed
        asked[:] = now
        if review.attempt(
            lambda: review.known_length(
                length.value.strip(),
                one.value if at < 2 else None,
                other=other.value if at == 1 else None,
                size=(size.value or None) if at == 0 else None,
                sure=sure,
            )
        ):
            asked.clear()
            review.say("The length is used; all sizes are at the new scale.")

    def follow(what: str = "part") -> None:
        if what == "part":
            dz, dy, dx = review.part.stack.voxel_mm
            says = (
                f"voxel {format_short(dz, 6)} x {format_short(dy, 6)} x {format_short(dx, 6)} mm "
                f"({review.part.stack.scale_basis})"
            )
            lines = () if review.part.calibration is None else review.part.calibration.says
            found.value = paragraph(says) + "".join(paragraph(line) for line in lines)

    way.observe(shown, "value")
    use.on_click(lambda _: apply())
    review.on_change(follow)
    follow()
    shown()
    controls = ipw.VBox(
        [
            way, one, size, other, points, length, ipw.HBox([use, take_back(review), draw_button(review)]),
            notice_line(review), found,
        ]
    )  # fmt: skip
    view.box.children[1].children = (controls, *view.box.children[1].children)
    return panel("ctr-true-scale", "True scale from a known length", view.box, still=view.still)


def depth_range(review: Review) -> ipw.VBox:
    """Return the panel in which a range of depth is chosen, and what lives in it is listed.

    Without widgets the same is `Review.choose_slices`, `Review.features_in_range` and `depth_range_chart`.
    """
    slices = ipw.IntRangeSlider(
        value=review.slices, min=0, max=max(len(review.stack) - 1, 1), description="from, to slice", style=_WIDE,
        layout=ipw.Layout(width="98%"), continuous_update=False,
    )  # fmt: skip
    slices.add_class("ctr-range-slider")
    chart = ipw.Image(format="png", layout=ipw.Layout(width="98%", max_width="900px", height="auto"))
    listed = ipw.HTML()
    listed.add_class("ctr-in-range")

    def follow(what: str = "slices") -> None:
        if what not in ("slices", "part"):
            return
        slices.value = review.slices
        low, high = review.depths_mm
        inside = review.features_in_range()
        first, last = review.slices
        says = (
            f"slices {first} to {last}, depth {format_value(low, 3)} to {format_value(high, 3)} mm: "
            f"{len(inside)} features"
        )
        listed.value = paragraph(says) + paragraph(", ".join(feature_label(f) for f in inside))
        figure = depth_range_chart(review)
        chart.value = figure_bytes(figure)

    slices.observe(lambda change: review.choose_slices(*change["new"]), "value")
    review.on_change(follow)
    follow()
    return panel("ctr-range", "Depth range", slices, chart, listed, still=lambda: [chart.value])
