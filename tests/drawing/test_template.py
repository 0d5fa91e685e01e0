"""The paper templates: true size, both faces, over as many pages as it takes."""

import math
import re
from dataclasses import replace
from pathlib import Path

import drawing_checks as checks
import drawing_records as records
import numpy as np
import pytest
from wheel_records import TEETH, wheel

from ctrecon.calibration.rescale import rescaled
from ctrecon.core.errors import InputError
from ctrecon.drawing import write_template
from ctrecon.drawing.paper.items import Label, Line, Page, Shape
from ctrecon.drawing.template import template_sheet, tiles
from ctrecon.drawing.written.dxf import build_pages
from ctrecon.record.items import items_of
from ctrecon.record.sensitivity import with_sensitivity


def words(page: Page) -> str:
    """Return all words of a page."""
    return " ".join(one.text for one in page.items if isinstance(one, Label))


def rounds(page: Page) -> list[tuple[float, float, float]]:
    """Return (x, y, radius) of the whole circles of a page."""
    return [one.contour.round_of for one in page.items if isinstance(one, Shape) and one.contour.round_of]


def test_pages_are_true_size_with_two_check_lines_of_100_mm() -> None:
    """The flange of 12 mm is 12 mm on paper; a level and an upright line measure 100 mm; when to print again."""
    sheet = template_sheet(records.hub())
    assert sheet.scale == 1.0 and (sheet.width_mm, sheet.height_mm) == (297.0, 210.0)  # A4, ISO 216
    assert len(sheet.pages) == 4  # two pieces, two faces each
    assert any(abs(r - 6.0) < 1e-9 for _, _, r in rounds(sheet.pages[0]))
    for page in sheet.pages:
        long = [one for one in page.items if isinstance(one, Line) and one.style == "NARROW"]
        level = [one for one in long if one.start[1] == one.end[1] and abs(one.end[0] - one.start[0] - 100) < 1e-9]
        upright = [one for one in long if one.start[0] == one.end[0] and abs(one.end[1] - one.start[1] - 100) < 1e-9]
        assert len(level) == 1 and len(upright) == 1
        assert "99.5 to 100.5" in words(page) and "print again" in words(page)
        assert "licensed practice come first" in words(page)


def test_each_face_has_its_own_template_the_far_one_turned() -> None:
    """Start: the blind hole lies right of the bore. End: the block lies right too, for X runs left there."""
    start, end = template_sheet(records.lopsided()).pages
    assert "START face" in words(start) and "Glue on the START face" in words(start)
    assert "END face" in words(end) and "X to the left" in words(end)
    places = {round(2 * r, 6): (x, y) for x, y, r in rounds(start)}
    assert (places[4.0][0] - places[5.0][0], places[4.0][1] - places[5.0][1]) == pytest.approx((11.0, 6.0))
    assert 4.0 not in {round(2 * r, 6) for _, _, r in rounds(end)}  # the blind hole does not reach it
    (bore,) = [(x, y) for x, y, r in rounds(end) if abs(r - 2.5) < 1e-9]
    boxes = [
        one.contour.bounds()
        for one in end.items
        if isinstance(one, Shape) and not one.contour.round_of and one.style == "WIDE"
    ]
    (block,) = [b for b in boxes if abs(b[2] - b[0] - 14.0) < 1e-9]
    assert (block[0] - bore[0], block[2] - bore[0]) == pytest.approx((-5.0, 9.0))


def test_a_large_part_goes_on_with_register_marks_on_both_pages() -> None:
    """A disc of 300 mm: the windows cover it with a common strip, and every mark stands on two pages or more."""
    sheet = template_sheet(records.huge())
    half = len(sheet.pages) // 2
    assert half > 1 and len(sheet.pages) == 2 * half
    marks: dict[str, int] = {}
    for page in sheet.pages[:half]:
        assert "page" in words(page) and "register marks" in words(page)
        for name in {one.text for one in page.items if isinstance(one, Label) and re.fullmatch(r"R\d+", one.text)}:
            marks[name] = marks.get(name, 0) + 1
    assert marks and min(marks.values()) >= 2
    found = tiles((-150.0, -150.0, 150.0, 150.0), "A4")
    assert min(t.box[0] for t in found) <= -150 and max(t.box[2] for t in found) >= 150
    assert min(t.box[1] for t in found) <= -150 and max(t.box[3] for t in found) >= 150
    first, second = found[0], found[1]
    assert first.row == second.row and first.box[2] - second.box[0] == pytest.approx(12.0)


@pytest.mark.parametrize("times", [200.0, 1e6])
def test_what_nobody_would_glue_is_said_on_one_page(times: float) -> None:
    """A voxel size a million times too large makes no millions of pages: each face says what it would take."""
    part = records.hub()
    large = rescaled(with_sensitivity(part), np.full(3, times))
    sheet = template_sheet(large)
    assert len(sheet.pages) == len(template_sheet(part).pages)
    told = words(sheet.pages[0])
    assert "No template: this face is" in told and "Check the voxel size" in told
    assert not any(isinstance(one, Shape) for one in sheet.pages[0].items)


def test_the_cut_up_contours_of_a_large_part_are_whole() -> None:
    """The stretches of rim and bore on all pages, common strips counted once, make up both circumferences."""
    from shapely import unary_union
    from shapely.geometry import LineString

    sheet = template_sheet(records.huge())
    found = tiles((-156.0, -156.0, 156.0, 156.0), "A4")
    pieces = []
    for tile, page in zip(found, sheet.pages, strict=False):
        dx, dy = 20.0 - tile.box[0], 52.0 - tile.box[1]
        for one in page.items:
            if isinstance(one, Shape) and one.contour.length() > 10 and not one.contour.round_of:
                pieces.append(LineString([(x - dx, y - dy) for x, y, _ in one.contour.vertices]).buffer(0.05))
    assert unary_union(pieces).area / 0.1 == pytest.approx(math.pi * (300.0 + 75.0), rel=0.01)


@pytest.mark.parametrize("name", ["hub", "plate", "lopsided", "medley", "sixty", "single_slice", "fragment", "huge"])
def test_words_stay_apart_and_on_the_paper(name: str) -> None:
    """On no template texts overlap, lie on a wide line or leave what a printer prints."""
    sheet = template_sheet(getattr(records, name)())
    for page in sheet.pages:
        doc = build_pages(replace(sheet, pages=(page,)))[0]
        assert checks.overlapping(doc) == [] and checks.struck_through(doc) == []
        for _, corners in checks.text_boxes(doc):
            assert all(5 <= x <= sheet.width_mm - 5 and 5 <= y <= sheet.height_mm - 5 for x, y in corners)


def test_file_has_pages_of_the_paper_asked_for_and_is_equal_each_time(tmp_path: Path) -> None:
    """Letter is 11 x 8.5 inches, 792 x 612 points; equal records give equal files; unknown paper is refused."""
    for name in ("a.pdf", "b.pdf"):
        write_template(records.plate(), tmp_path / name, paper="Letter")
    data = (tmp_path / "a.pdf").read_bytes()
    assert data == (tmp_path / "b.pdf").read_bytes()
    boxes = re.findall(rb"/MediaBox \[\s*0 0 ([\d.]+) ([\d.]+)", data)
    assert [[float(v) for v in one] for one in boxes] == [pytest.approx([792, 612], abs=0.01)] * 2
    with pytest.raises(InputError, match="A4, A3, Letter"):
        template_sheet(records.plate(), paper="B5")


def test_handedness_that_was_assumed_is_warned_of() -> None:
    """A mirrored template cuts a mirrored part: the warning stands on each page, and only where it belongs."""
    assert all("handedness assumed" in words(page) for page in template_sheet(records.hub()).pages)
    assert not any("handedness" in words(page) for page in template_sheet(records.lopsided()).pages)


def test_every_item_has_its_own_template() -> None:
    """Both faces of hub and spacer, numbered and named as on the sheet; the spacer's hole is the boss and its gap."""
    pages = template_sheet(records.hub()).pages
    titles = [next(one.text for one in page.items if isinstance(one, Label) and "TEMPLATE" in one.text) for page in pages]
    assert titles == [
        f"hub, ITEM {item} (make 1): TEMPLATE 1:1, {face} face"
        for item in ("1: BODY", "2: SPACER") for face in ("START", "END")
    ]  # fmt: skip
    assert [item.title for item in items_of(records.hub())] == ["ITEM 1: BODY", "ITEM 2: SPACER"]
    lines = [one for one in pages[2].items if isinstance(one, Shape) and one.style == "WIDE"]
    sides = {round(math.dist(a[:2], b[:2]), 3) for one in lines for a, b in one.contour.segments() if not a[2]}
    assert 5.02 in sides and 5.0 not in sides
    assert any(abs(r - 6.0) < 1e-9 for _, _, r in rounds(pages[0]))
    assert not any(abs(r - 6.0) < 1e-9 for page in pages[2:] for _, _, r in rounds(page))


def test_a_toothed_rim_is_drawn_with_every_tooth_in_lines_it_can_be_cut_by() -> None:
    """A broken wheel's template has all thirty teeth, narrow: wide lines (ISO 128-2: 0.5 mm) fill gaps of a tooth's width."""
    start, _ = template_sheet(wheel(tuple(range(3, 22)))).pages
    rim = max((one for one in start.items if isinstance(one, Shape)), key=lambda one: len(one.contour.vertices))
    x, y = (sum(ends) / 2 for ends in zip(rim.contour.bounds()[:2], rim.contour.bounds()[2:], strict=True))
    far = [math.hypot(px - x, py - y) > 7.5 for px, py in rim.contour.points(0.5)]
    assert sum(a and not b for a, b in zip(far, far[1:] + far[:1], strict=True)) == TEETH
    assert rim.style == "NARROW" and "Narrow: this face" in words(start)
    assert "Wide: this face" in words(template_sheet(records.plate()).pages[0])
