"""Results that follow the decisions: tables, charts and the sheet, redone when the record under review changes."""

from collections.abc import Callable
from typing import Any

import ipywidgets as ipw
from matplotlib.figure import Figure

from ctrecon.core.flags import explain
from ctrecon.core.measured import format_percent
from ctrecon.drawing import hole_table
from ctrecon.record.part import Part
from ctrecon.widgets.panel import button, figure_bytes, notice_line, panel, paragraph, table
from ctrecon.widgets.state import Review
from ctrecon.widgets.words import found_layout, quantity_lines, scale_says, verdict_says

__all__ = ["bases", "chart", "draw_button", "holes", "layout_found", "remarks", "sheet", "sizes", "ways_built"]

_WIDE = "1100px"


def _text(review: Review, name: str, make: Callable[[Part], str]) -> ipw.VBox:
    """Return text that is made of the record, now and after each decision."""
    shown = ipw.HTML()
    shown.add_class(name)

    def fill(what: str = "part") -> None:
        if what == "part":
            shown.value = make(review.part)

    review.on_change(fill)
    fill()
    return panel(name, "", shown, still=lambda: shown.value)


def chart(review: Review, *make: Callable[[Part], Figure]) -> ipw.VBox:
    """Return figures of the record, drawn again after each decision.

    Without widgets the same is to call them on `Review.part`.
    """
    shown = [ipw.Image(format="png", layout=ipw.Layout(max_width=_WIDE, height="auto")) for _ in make]

    def fill(what: str = "part") -> None:
        if what == "part":
            for one, draw in zip(shown, make, strict=True):
                one.value = figure_bytes(draw(review.part))

    review.on_change(fill)
    fill()
    return panel("ctr-chart", "", *shown, still=lambda: [one.value for one in shown])


def sizes(review: Review) -> ipw.VBox:
    """Return the table of all features with value and U, and the voxel it rests on.

    Without widgets the same is `Review.part` and the size of each of its features.
    """

    def make(part: Part) -> str:
        rows = []
        for feature in part.features:
            ident, what = feature.id, feature.kind.replace("_", " ") + (f", {feature.name}" if feature.name else "")
            for label, says in quantity_lines(part, feature):
                if label not in ("from depth", "to depth"):
                    rows.append((ident, what, label, says))
                    ident = what = ""
        return table(rows, ("", "feature", "size", "value and U")) + paragraph(scale_says(part))

    return _text(review, "ctr-sizes", make)


def holes(review: Review) -> ipw.VBox:
    """Return the hole table with the axes and the numbers of the sheet.

    Without widgets the same is `ctrecon.drawing.hole_table`.
    """

    def make(part: Part) -> str:
        found = hole_table(part)
        names = {one.id: one.name for one in part.features if one.name}
        rows = [(*row, names.get(row[0], "")) for row in found.rows]
        return paragraph(found.says) + table(rows, (*found.headings, "Name" if names else ""))

    return _text(review, "ctr-holes", make)


def layout_found(review: Review) -> ipw.VBox:
    """Return what was found of the layout: only what is larger than its U, and than the scan can show.

    Without widgets the same is `ctrecon.widgets.words.found_layout`.
    """
    return _text(
        review, "ctr-layout",
        lambda part: "".join(map(paragraph, found_layout(part)))
        or paragraph("No pattern, and no side out of square or parallel, stands out from what noise would do."),
    )  # fmt: skip


def _chance(share: float) -> str:
    """Return a chance; one that is not quite nothing is not printed as nothing."""
    return "under 0.1 %" if 0 < share < 0.001 else format_percent(share, 1)


def ways_built(review: Review) -> ipw.VBox:
    """Return the pieces with their verdicts, the ways the part may be built, and how the pieces sit on each other.

    Without widgets the same is the pieces, hypotheses and joints of `Review.part`.
    """

    def make(part: Part) -> str:
        says = "".join(paragraph(verdict_says(one)) for one in part.pieces)
        rows = [(one.says, format_percent(one.prior), _chance(one.probability)) for one in part.hypotheses]
        if rows:
            says += table(rows, ("how it may be built", "before looking", "after"))
        return says + "".join(paragraph(one.says) for one in part.joints)

    return _text(review, "ctr-ways", make)


def bases(review: Review) -> ipw.VBox:
    """Return what the sizes rest on, and what is unknown of which feature and why.

    Without widgets the same is `basis` and `unknown` of the features of `Review.part`.
    """

    def make(part: Part) -> str:
        rows = []
        for basis in dict.fromkeys(one.basis for one in part.features):
            rows.append((basis, ", ".join(one.id for one in part.features if one.basis == basis)))
        lacking = [
            (one.id, name.removesuffix("_mm").replace("_", " "), why)
            for one in part.features for name, why in one.unknown.items()
        ]  # fmt: skip
        unknown = table(lacking, ("feature", "unknown", "because")) if lacking else paragraph("Nothing is unknown.")
        return table(rows, ("basis", "features")) + unknown

    return _text(review, "ctr-bases", make)


def remarks(review: Review) -> ipw.VBox:
    """Return what the flags of the features mean, and the warnings of the whole record.

    Without widgets the same is `flags` of the features and `warnings` of `Review.part`.
    """

    def make(part: Part) -> str:
        flags = dict.fromkeys(flag for one in part.features for flag in one.flags)
        rows = [(", ".join(one.id for one in part.features if flag in one.flags), explain(flag)) for flag in flags]
        rows += [("the whole record", one.says) for one in part.warnings]
        return table(rows, ("of", "look here")) if rows else paragraph("Nothing odd was noticed.")

    return _text(review, "ctr-remarks", make)


def draw_button(review: Review, then: Callable[[], object] | None = None) -> ipw.Button:
    """Return the button that draws the sheet of the record as it stands; without it the same is `Review.draw`."""
    draw = button("Draw the sheet", "write sheet, outlines and template with what is decided so far")

    def act(_: object) -> None:
        review.say("Drawing, which takes a second or two.")

        def make() -> None:
            folder = review.draw()
            if then is not None:
                then()
            many = len(review.decisions)
            review.say(f"Drawn with {many} decision{'' if many == 1 else 's'}: {folder / 'sheet.pdf'}")

        review.attempt(make)

    draw.on_click(act)
    return draw


def sheet(review: Review) -> ipw.VBox:
    """Return the panel with the sheet as it is drawn now, and a button that draws it with later decisions.

    Without widgets the same is `Review.draw`.
    """
    shown: Any = ipw.Image(format="png", layout=ipw.Layout(width="98%", max_width=_WIDE, height="auto"))
    shown.add_class("ctr-sheet-picture")

    def show() -> None:
        if review.folder is not None:
            shown.value = (review.folder / "sheet.png").read_bytes()

    draw = draw_button(review, show)
    draw.click()
    return panel(
        "ctr-sheet", f"The sheet of {review.part.name}", ipw.HBox([draw]), notice_line(review), shown,
        still=lambda: [shown.value],
    )  # fmt: skip
