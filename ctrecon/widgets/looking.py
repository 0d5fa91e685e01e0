"""Panels in which a person checks: the pieces with their evidence, and what the record leaves unexplained."""

from functools import partial

import ipywidgets as ipw

from ctrecon.decisions import VERDICTS
from ctrecon.explain import explain_scan
from ctrecon.plots.explain import explained_chart, explained_slice
from ctrecon.record.explained import Explained
from ctrecon.record.part import Evidence, Piece
from ctrecon.widgets.deciding import take_back
from ctrecon.widgets.following import draw_button
from ctrecon.widgets.panel import button, figure_bytes, notice_line, panel, paragraph
from ctrecon.widgets.state import Review
from ctrecon.widgets.viewer import SliceView
from ctrecon.widgets.words import evidence_slices, evidence_strength, verdict_says

__all__ = ["residual_view", "review_pieces"]

_WHERE = ("first", "middle", "last")


def review_pieces(review: Review) -> ipw.VBox:
    """Return the panel that lists each piece with the reasons for it, and jumps to the slices that show them.

    Without widgets the same is `Review.show_evidence`, with the slices it returns, and `Review.judge`.
    """
    view = SliceView(review)
    listed = ipw.VBox()

    def rows_of(piece: Piece, number: int, evidence: Evidence) -> list[ipw.Widget]:
        counts = evidence_strength(evidence)
        says = f"{counts[:1].upper()}{counts[1:]}: {evidence.says}" if counts else evidence.says
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

    def verdicts_on(piece: Piece) -> ipw.HBox:
        words = {"separate": "Separate", "one_piece": "One piece", "undecided": "Can't say"}
        buttons = []
        for verdict, word in words.items():
            if verdict == "separate" and piece is review.part.pieces[0]:
                continue
            one = button(word, f"I looked at {piece.id}: {VERDICTS[verdict]}")
            one.on_click(partial(lambda _, v: judge(piece, v), v=verdict))
            buttons.append(one)
        return ipw.HBox([ipw.Label(f"I looked at {piece.id}:"), *buttons])

    def judge(piece: Piece, verdict: str) -> None:
        if review.attempt(lambda: review.judge(piece.id, verdict)):
            review.say(f"{piece.id}: {VERDICTS[verdict]}. Undo takes it back.")

    def fill(what: str = "part") -> None:
        if what != "part":
            return
        children: list[ipw.Widget] = []
        for piece in review.part.pieces:
            children.append(ipw.HTML(paragraph(verdict_says(piece))))
            if piece is not review.part.pieces[0] or len(review.part.pieces) == 1:
                children.append(verdicts_on(piece))
            for number, evidence in enumerate(piece.evidence):
                children += rows_of(piece, number, evidence)
        listed.children = children or [ipw.HTML(paragraph("the record suggests no pieces"))]

    review.on_change(fill)
    fill()
    side = view.box.children[1]
    side.children = (listed, ipw.HBox([take_back(review), draw_button(review)]), notice_line(review), *side.children)
    return panel(
        "ctr-pieces", "Pieces, and the reasons for them", view.box,
        still=lambda: "".join(one.value for one in listed.children if isinstance(one, ipw.HTML)),
    )  # fmt: skip


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
    return panel(
        "ctr-residual", "What the record leaves unexplained", ipw.HBox([which, again]), says, chart, picture,
        still=lambda: [chart.value, picture.value],
    )  # fmt: skip
