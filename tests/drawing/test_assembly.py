"""The assembly page: pieces pulled apart the way they were put on, numbered and listed."""

from dataclasses import replace

import drawing_checks as checks
import drawing_records as records
import pytest

from ctrecon.drawing.model.views import build_model
from ctrecon.drawing.sheet import make_sheet
from ctrecon.drawing.shown.assembly import pulled_apart
from ctrecon.drawing.shown.section import cut_zones
from ctrecon.drawing.written.dxf import build_pages
from ctrecon.record.part import Joint


def test_areas_of_the_pieces_in_the_section_are_those_of_the_record() -> None:
    """Spacer: ring from the square (5) to the rim (10) and, cut by the relief, below; the body has the rest."""
    model = build_model(records.hub(0.0))
    pulled = {one.number: one for one in pulled_apart(model, cut_zones(model))}
    # straight through the axis the upper half is whole: 1.6 long from 2.5 to 5.0; relief to the left, not cut
    assert pulled[1].area.area == pytest.approx(2 * 1.6 * 2.5, rel=1e-3)
    body = 1.5 * (12.0 - 3.0) + 3.0 * (8.2 - 3.0) + (1.6 + 0.9) * (5.0 - 3.0)
    assert pulled[0].area.area == pytest.approx(body, rel=1e-3)


def test_pieces_leave_each_other_and_keep_their_order() -> None:
    """Three stacked discs: the first, the largest, stays; the others stand clear of it, one after the other."""
    model = build_model(records.stacked())
    pulled = pulled_apart(model, cut_zones(model))
    spans = [(one.area.bounds[0] + one.shift, one.area.bounds[2] + one.shift) for one in pulled]
    assert pulled[0].shift == 0.0
    assert spans[0][1] < spans[1][0] and spans[1][1] < spans[2][0]


def test_a_piece_is_pulled_out_at_the_end_it_was_put_on_from() -> None:
    """A joint that says 'start' sends the cap past the base to the other side."""
    joint = Joint(
        piece="P3", on="P1", features=("F4",), contact_mm2=None, clearance_mm=None, put_on_from=("start",), says="so"
    )
    model = build_model(replace(records.stacked(), joints=(joint,)))
    cap = {one.number: one for one in pulled_apart(model, cut_zones(model))}[2]
    assert cap.shift < 0 and cap.area.bounds[2] + cap.shift < 0


def test_sheet_of_several_pieces_ends_with_an_assembly_and_list_of_parts() -> None:
    """Every piece has its item number, name, features and verdict; the caution stands beside; one piece has none."""
    sheet = make_sheet(records.stacked())
    doc = build_pages(replace(sheet, pages=(sheet.pages[-1],)))[0]
    texts = [text for text, _ in checks.text_boxes(doc)]
    assert "ASSEMBLY, EXPLODED" in texts and {"Item", "Qty", "Material"} <= set(texts)
    for ident, name, own in (("P1", "base", "F1"), ("P2", "ring", "F3"), ("P3", "cap", "F5")):
        assert f"{ident} {name}" in texts and own in texts
    assert "perhaps separate: undecided" in texts and texts.count("1") >= 3
    assert "eye protection" in " ".join(texts)
    pages = len(sheet.pages)
    assert f"{pages} of {pages}" in texts
    one = " ".join(text for text, _ in checks.text_boxes(build_pages(make_sheet(records.plate()))[0]))
    assert "ASSEMBLY" not in one
