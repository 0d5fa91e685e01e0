"""Panels in which a person checks: the pieces with their evidence, and what the record leaves unexplained."""

from functools import partial

import ipywidgets as ipw

from ctrecon.core.measured import format_value
from ctrecon.explain import explain_scan
from ctrecon.plots.explain import explained_chart, explained_slice
from ctrecon.record.explained import Explained
from ctrecon.record.part import Evidence, Piece
from ctrecon.widgets.panel import button, figure_bytes, panel, paragraph
from ctrecon.widgets.state import Review
from ctrecon.widgets.viewer import SliceView
from ctrecon.widgets.words import evidence_slices

__all__ = ["residual_view", "review_pieces"]

_WHERE = ("first", "middle", "last")


def _verdict(piece: Piece) -> str:
    odds = piece.probability_separate
    chance = "probability unknown" if odds is None else f"probability of being separate {format_value(odds, 3)}"
    return f"{piece.id} {piece.name}: {piece.verdict.replace('_', ' ')}, {chance}"


def review_pieces(review: Review) -> ipw.VBox:
    """Return the panel that lists each piece with the reasons for it, and jumps to the slices that show them.

    Without widgets the same is `Review.show_evidence`, with the slices it returns.
    """
    view = SliceView(review)
    listed = ipw.VBox()

    def rows_of(piece: Piece, number: int, evidence: Evidence) -> list[ipw.Widget]:
        says = (
            f"{'for' if evidence.weight >= 0 else 'against'} (weight "
            f"{format_value(evidence.weight, 1, sign=True)}): {evidence.says}"
        )
        out: list[ipw.Widget] = [ipw.HTML(paragraph(says))]
        slices = evidence_slices(review.part, evidence)
        jumps = []
        for which, index in enumerate(slices):
            jump = button(f"slice {index}", f"go to the {_WHERE[min(which, 2)]} slice that shows this reason")
            jump.add_class("ctr-jump")
            jump.on_click(partial(lambda _, k: review.show_evidence(piece.id, number, k), k=which))
            jumps.append(jump)
        if jumps:
            out.append(ipw.HBox([ipw.Label("check it on"), *jumps]))
        return out

    def fill(what: str = "part") -> None:
        if what != "part":
            return
        children: list[ipw.Widget] = []
        for piece in review.part.pieces:
            children.append(ipw.HTML(paragraph(_verdict(piece))))
            for number, evidence in enumerate(piece.evidence):
                children += rows_of(piece, number, evidence)
        listed.children = children or [ipw.HTML(paragraph("the record suggests no pieces"))]

    review.on_change(fill)
    fill()
    side = view.box.children[1]
    side.children = (listed, *side.children)
    return panel("ctr-pieces", "Pieces, and the reasons for them", view.box)


def residual_view(review: Review, explained: Explained | None = None) -> ipw.VBox:
    """Return the panel that shows what in the scan the record does not explain.

    Without widgets the same is `ctrecon.explain.explain_scan` with `explained_chart` and `explained_slice`.

    Parameters
    ----------
    review : Review
        The record as it stands, with its slices.
    explained : Explained or None
        If it was worked out before; else it is done now, which takes some seconds.
    """
    known = explain_scan(review.part, review.stack) if explained is None else explained
    says = ipw.HTML()
    says.add_class("ctr-explained")
    chart = ipw.Image(format="png", layout=ipw.Layout(width="98%", max_width="1000px", height="auto"))
    picture = ipw.Image(format="png", layout=ipw.Layout(width="98%", max_width="1000px", height="auto"))
    which = ipw.Dropdown(description="slice", style={"description_width": "60px"}, layout=ipw.Layout(width="300px"))
    again = button("Compare again", "compare the record as it stands now with the scan")

    def show_slice(_: object = None) -> None:
        found = next((one for one in known.pictures if one.index == which.value), None)
        picture.layout.display = "none" if found is None else ""
        if found is not None:
            picture.value = figure_bytes(explained_slice(found, known, review.part))

    def show() -> None:
        lumps = "".join(paragraph(f"{k}. {one.says}") for k, one in enumerate(known.lumps[:8], start=1))
        says.value = paragraph(known.says) + lumps
        chart.value = figure_bytes(explained_chart(known))
        which.options = [(f"slice {one.index}", one.index) for one in known.pictures]
        which.value = next((one.index for one in known.pictures), None)
        show_slice()

    def compare(_: object) -> None:
        nonlocal known
        says.value = paragraph("comparing the record with every slice ...")
        known = explain_scan(review.part, review.stack)
        show()

    which.observe(show_slice, "value")
    again.on_click(compare)
    show()
    return panel("ctr-residual", "What the record leaves unexplained", ipw.HBox([which, again]), says, chart, picture)
