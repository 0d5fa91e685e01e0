"""The assembly page: pieces pulled apart the way they were put on, numbered and listed."""

from dataclasses import replace

import drawing_checks as checks
import drawing_records as records
import pytest
from shapely.geometry import Polygon

from ctrecon.drawing.model.views import build_model
from ctrecon.drawing.paper.items import Hatch
from ctrecon.drawing.sheet import make_sheet
from ctrecon.drawing.shown.assembly import Pulled, item_lines, pulled_apart, take_apart
from ctrecon.drawing.shown.section import section_shapes
from ctrecon.drawing.written.dxf import build_pages
from ctrecon.record.part import Joint, Part


def pulled(part: Part) -> dict[str, Pulled]:
    """The items of a part in the exploded view, by their label."""
    model = build_model(part)
    return {one.taken.item.label: one for one in pulled_apart(model, take_apart(model))}


def test_areas_of_the_pieces_in_the_section_are_those_of_the_record() -> None:
    """The spacer's hole clears the boss by the gap of 0.01 on either side; the boss is one from drum to end."""
    areas = {}
    for label, one in pulled(records.hub(0.0)).items():
        shapes, _ = section_shapes(one.taken.model, one.taken.cuts, 1.0)
        areas[label] = sum(Polygon(item.outer).area for item in shapes if isinstance(item, Hatch))
    # straight through the axis the section misses the relief: 1.6 long from 2.51 to 5.0
    assert areas["2"] == pytest.approx(2 * 1.6 * (5.0 - 2.51), rel=1e-3)
    assert areas["1"] == pytest.approx(1.5 * (12.0 - 3.0) + 3.0 * (8.2 - 3.0) + 2.5 * (5.0 - 3.0), rel=1e-3)


def test_pieces_leave_each_other_and_keep_their_order() -> None:
    """Three stacked discs: the first stays; the others stand clear of it, one after the other."""
    part = records.stacked()
    sure = replace(part, pieces=tuple(replace(p, verdict="separate") for p in part.pieces))
    found = pulled(sure)
    spans = [found[label].span for label in "123"]
    assert found["1"].shift == 0.0
    assert spans[0][1] < spans[1][0] and spans[1][1] < spans[2][0]


def test_a_piece_is_pulled_out_at_the_end_it_was_put_on_from() -> None:
    """A joint that says 'start' sends the cap past the base to the other side."""
    joint = Joint(
        piece="P3", on="P1", features=("F4",), contact_mm2=None, clearance_mm=None, put_on_from=("start",), says="so"
    )
    cap = pulled(replace(records.stacked(), joints=(joint,)))["3"]
    assert cap.shift < 0 and cap.span[1] < 0


def test_a_detail_says_what_was_measured_what_follows_and_what_is_in_doubt() -> None:
    """Hole, boss, clearance and length of the boss are figures of their own; an undecided ring says so."""
    hub, spacer = take_apart(build_model(records.hub(0.0)))
    says = " ".join(item_lines(hub, (hub, spacer)))
    assert "hole (item 2) □5.020" in says and "boss F7 (item 1) □5.000" in says
    assert "the boss at its free end and the gap; the hole follows" in says
    assert "Clearance across, as found: 0.020" in says and "The boss is 2.50 long" in says
    assert "boss is" not in " ".join(item_lines(spacer, (hub, spacer)))
    base, ring, _ = every = take_apart(build_model(records.stacked()))
    assert ring.item.label == "2?" and any(line.startswith("UNDECIDED") for line in item_lines(ring, every))
    assert any("no seat for it" in line for line in item_lines(base, every))


def test_pages_of_details_show_every_item_once() -> None:
    """Each item has one frame with its number and name, before the assembly; sizes of both sides of the seat are there."""
    sheet = make_sheet(records.hub())
    texts = [text for text, _ in checks.text_boxes(build_pages(sheet)[0])]
    titles = [text for text in texts if text.startswith("ITEM ")]
    assert titles == ["ITEM 1: BODY", "ITEM 2: SPACER"]
    assert any("5.02" in text and text.startswith("F6 ") for text in texts)
    last = build_pages(replace(sheet, pages=sheet.pages[-1:]))[0]
    assert "ASSEMBLY, EXPLODED" in [text for text, _ in checks.text_boxes(last)]


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
