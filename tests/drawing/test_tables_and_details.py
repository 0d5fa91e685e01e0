"""The table of holes, details and inches: what stands instead of, or beside, the dimensions of a view."""

import math
from dataclasses import replace
from functools import cache
from typing import Any

import drawing_checks as checks
import drawing_records as records
import pytest

from ctrecon.core.measured import Measured
from ctrecon.drawing.model.dimension_text import taper_ratio, taper_words
from ctrecon.drawing.model.rows import rows_of
from ctrecon.drawing.model.turned import tabled_holes
from ctrecon.drawing.model.views import build_model
from ctrecon.drawing.paper.items import Hatch, Shape, Sheet
from ctrecon.drawing.sheet import make_sheet
from ctrecon.drawing.written.dxf import build_pages


@cache
def made(name: str, units: str = "mm", paper: str | None = None) -> tuple[Sheet, Any]:
    """Return a sheet and its document."""
    sheet = make_sheet(getattr(records, name)(), units=units, paper=paper)
    return sheet, build_pages(sheet)[0]


def test_table_has_every_hole_with_x_right_and_y_up_from_the_datum() -> None:
    """The plate's holes as written in the record, from its bore; a mirrored plate would have other signs."""
    model = build_model(records.plate())
    rows = {ident: rows_of(model, model.of(ident)) for ident in ("F2", "F3", "F4", "F5", "F6", "F7")}
    # record: rows run down, so +y there is -Y here
    assert {ident: tuple(float(one) for one in row[0].cells[10:12]) for ident, row in rows.items()} == {
        "F2": (0.0, 4.1), "F3": (6.4, -0.3), "F4": (-0.4, -4.1), "F5": (-6.6, 0.0), "F6": (-5.2, 3.4), "F7": (4.6, -3.1),
    }  # fmt: skip
    assert rows["F3"][0].cells[1] == "square hole, through"
    assert rows["F7"][-1].cells[2] == "taper (▷1:50)"
    texts = [text for text, _ in checks.text_boxes(made("plate")[1])]
    assert texts.count("F3") == 2  # beside its hole and in the one table
    assert not any("turned" in text for text in texts)  # its turn too


def test_few_holes_are_dimensioned_in_the_view_instead() -> None:
    """Three holes make no table: their coordinates stand in the view."""
    assert tabled_holes(build_model(records.fine())) == frozenset()
    sheet, doc = made("fine")
    places = checks.measured_values(doc, sheet)["place"]
    assert {-18.0, 17.0, 6.0, -5.0} <= {round(value, 9) for value in places}


def test_each_of_many_holes_is_listed() -> None:
    """Fifty-nine holes: all stand in the table."""
    texts = [text for text, _ in checks.text_boxes(made("sixty")[1])]
    assert {f"F{k}" for k in range(2, 61)} <= set(texts)


def test_what_is_under_3_mm_on_paper_gets_a_circled_detail_with_letter_and_scale() -> None:
    """The small square: circled with B in the view, drawn and sized at 20:1 beside it; a pin hole needs no detail."""
    sheet, doc = made("fine")
    texts = [text for text, _ in checks.text_boxes(doc)]
    assert sheet.scale == 1.0 and "DETAIL B (20:1)" in texts and "DETAIL C (20:1)" not in texts
    assert texts.count("B") == 1
    found = checks.measured_values(doc, sheet)
    assert found["F3"] == pytest.approx([0.8], abs=1e-9) and found["F4"] == pytest.approx([0.7], abs=1e-9)
    sides = [one.contour.segments() for one in sheet.pages[0].items if isinstance(one, Shape)]
    assert any(all(abs(math.dist(a[:2], b[:2]) - 0.7 * 20) < 1e-9 for a, b in four) for four in sides)  # at 20:1
    larger = build_pages(make_sheet(records.plate()))[0]
    assert not any(text.startswith("DETAIL") for text, _ in checks.text_boxes(larger))


def test_a_step_too_short_on_paper_gets_a_detail_of_the_section() -> None:
    """The collar of 0.8 mm is under 3 mm on paper: circled in the section, drawn at 20:1 with its length in brackets."""
    sheet, doc = made("collared")
    assert sheet.scale * 0.8 < 3.0
    texts = [text for text, _ in checks.text_boxes(doc)]
    assert "DETAIL B (20:1)" in texts and texts.count("B") == 1 and "F2 (0.80)" in texts
    assert sorted(checks.measured_values(doc, sheet)["F2"]) == pytest.approx([0.8, 20.0], abs=1e-9)
    hatches = [one for one in sheet.pages[0].items if isinstance(one, Hatch) and not one.solid]
    widths = [max(x for x, _ in one.outer) - min(x for x, _ in one.outer) for one in hatches]
    assert any(abs(wide - 0.8 * 20) < 1e-6 for wide in widths)  # the collar's metal at 20:1


def test_inches_stand_with_millimetres_beside() -> None:
    """1 inch is 25.4 mm exactly (the international inch): figures in inches, mm in brackets, one decimal more."""
    sheet, doc = made("hub", "in")
    texts = [text for text, _ in checks.text_boxes(doc)]
    assert "F1 Ø0.472 [12.00]" in texts  # 12 / 25.4 = 0.47244
    assert "F3 Ø0.323 [8.20]" in texts  # 8.2 / 25.4 = 0.32283
    found = checks.measured_values(doc, sheet)
    for ident, size in (("F1", 12.0), ("F5", 2.5)):  # in the whole part, and in the detail of a piece on that page
        assert found[ident] == pytest.approx([size / 25.4] * len(found[ident]), abs=1e-12) and found[ident]
    towards = math.radians(215 - 20)
    low = 6.5 * math.cos(towards)
    assert {f"{low / 25.4:.4f}", f"[{low:.3f}]"} <= set(texts)  # minus in both
    assert "in [mm]" in texts and "0.4724" in texts and "[12.000]" in texts
    assert checks.overlapping(doc) == [] and checks.outside_frame(doc, sheet) == []


@pytest.mark.parametrize("name", ["plate", "sixty", "medley", "fine", "stacked"])
def test_inch_sheets_on_letter_are_as_clean_as_others(name: str) -> None:
    """Longer figures on smaller paper: still nothing overlaps, leaves the frame or lies on a contour."""
    sheet, doc = made(name, "in", "Letter")
    assert checks.overlapping(doc) == [] and checks.outside_frame(doc, sheet) == []
    assert checks.struck_through(doc) == []


def test_taper_rate_is_the_change_of_diameter_over_length() -> None:
    """ISO 3040: C = (D - d) / L, written 1:x; 5.0 to 4.5 over 25 is 1:50."""
    assert taper_ratio(Measured((4.5 - 5.0) / 25.0, 1e-6)) == "1:50.0"
    assert taper_ratio(Measured(0.0209, 0.001)) == "1:48"


def test_a_countersink_is_told_by_its_included_angle() -> None:
    """Opening by twice its depth is 90 degrees in all: tan 45° on each side; a taper of 1:50 stays a ratio."""
    assert taper_words(Measured(2.0, 0.004)) == "cone 90.0°" and taper_words(Measured(-0.02, 1e-5)) == "▷1:50.0"


def test_blind_holes_say_their_depth_and_where_they_open() -> None:
    """The lopsided part's blind hole: 2 mm deep from the start; its bore goes through."""
    texts = [text for text, _ in checks.text_boxes(made("lopsided")[1])]
    assert "F3 Ø4.00 ↧2.00 from start" in texts and "F2 Ø5.00" in texts
    part = records.lopsided()
    silent = replace(part, features=tuple(replace(f, opens_at=None) for f in part.features))
    assert "F3 Ø4.00" in [text for text, _ in checks.text_boxes(build_pages(make_sheet(silent))[0])]
