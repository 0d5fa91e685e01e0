"""The sheet as a machinist gets it: read back from the document and the files."""

import math
import re
import subprocess
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import drawing_checks as checks
import drawing_records as records
import pytest

from ctrecon.core.errors import InputError, InputFileError
from ctrecon.core.measured import Measured
from ctrecon.drawing import draw_sheet
from ctrecon.drawing.model.views import build_model
from ctrecon.drawing.page import PAPERS
from ctrecon.drawing.paper.items import Label, Sheet
from ctrecon.drawing.sheet import make_sheet
from ctrecon.drawing.written.dxf import build_pages
from ctrecon.record.part import Part
from ctrecon.record.worn import Worn

PARTS = (
    "hub", "plate", "nothing", "tiny", "huge", "sixty", "twelve", "single_slice", "open_ended", "medley", "fragment",
    "d_shaft", "fine", "lopsided", "stacked", "collared",
)  # fmt: skip
ISO_5455 = {100, 50, 20, 10, 5, 2, 1, 1 / 2, 1 / 5, 1 / 10, 1 / 20, 1 / 50, 1 / 100}
"""Scales of ISO 5455:1979 (enlargement, full size, reduction)."""


@cache
def made(name: str, paper: str | None = None) -> tuple[Part, Sheet, Any]:
    """Return a part, its sheet and its document; without the details of its pieces, which are drawings of their own."""
    part = getattr(records, name)()
    sheet = make_sheet(part, paper=paper)
    whole = tuple(p for p in sheet.pages if not any(isinstance(i, Label) and i.text.startswith("ITEM ") for i in p.items))
    sheet = replace(sheet, pages=whole)
    return part, sheet, build_pages(sheet)[0]


def words(doc: Any) -> str:
    """Return all texts of a document as one string."""
    return " ".join(text for text, _ in checks.text_boxes(doc))


@pytest.mark.parametrize("name", PARTS)
def test_texts_never_overlap_nor_leave_the_frame_nor_lie_on_contours(name: str) -> None:
    """On every kind of part all texts are apart, inside the frame and off the wide lines; the audit is clean."""
    _, sheet, doc = made(name)
    assert checks.overlapping(doc) == []
    assert checks.outside_frame(doc, sheet) == []
    assert checks.struck_through(doc) == []
    assert checks.crossing_dimensions(doc) == []
    assert not doc.audit().errors
    assert min(abs(sheet.scale / s - 1) for s in ISO_5455) < 1e-9


def test_hub_dimensions_measure_the_record() -> None:
    """What the dimension entities measure is what the record says, though the hub stands tilted."""
    _, sheet, doc = made("hub")
    found = checks.measured_values(doc, sheet)
    assert found["F1"] == pytest.approx([12.0], abs=1e-9)
    assert found["F2"] == pytest.approx([3.0], abs=1e-9)
    assert found["F3"] == pytest.approx([8.2], abs=1e-9)
    assert found["F4"] == pytest.approx([10.0], abs=1e-9)
    assert found["F6"] == pytest.approx([5.0], abs=1e-9)
    assert found["place"] == pytest.approx([0, 1.5, 4.5, 6.1, 7.0], abs=1e-9)
    # what belongs to one piece alone stands on its detail, once
    sheet = make_sheet(records.hub())
    found = checks.measured_values(build_pages(sheet)[0], sheet)
    assert found["F5"] == pytest.approx([2.5], abs=1e-9)  # less than a half circle: its radius, ISO 129-1
    assert found["F7"] == pytest.approx([5.0], abs=1e-9)
    # X runs square to the boss, which stands 20 degrees off the slices: the relief turns with it, unmirrored
    towards = math.radians(215 - 20)
    centre = [6.5 * math.cos(towards), -6.5 * math.sin(towards)]
    for wanted in centre:
        assert any(abs(value - wanted) < 1e-9 for value in found["place"])


def test_plate_dimensions_measure_the_record_once() -> None:
    """Sides, thickness and the bore on the axis stand once; what the table has of the other holes does not again."""
    _, sheet, doc = made("plate")
    found = checks.measured_values(doc, sheet)
    assert sorted(found["F1"]) == pytest.approx([11.0, 16.0], abs=1e-9)
    assert found["place"] == pytest.approx([0.0, 1.5], abs=1e-9)
    assert found["F8"] == pytest.approx([3.0], abs=1e-9)
    assert set(found) == {"F1", "F8", "place"}


def test_printed_figures_follow_the_geometry_and_its_uncertainty() -> None:
    """A dimension prints the value with the decimals U deserves, a square with its sign, never a bare plus-minus."""
    texts = [text for text, _ in checks.text_boxes(made("plate")[2])]
    assert "F1 16.00" in texts and "taper (▷1:50)" in texts
    assert "F2 Ø3.00" in [text for text, _ in checks.text_boxes(made("hub")[2])]
    for name in PARTS:
        assert "±" not in words(made(name)[2])


def test_notes_say_what_a_maker_must_know() -> None:
    """Scale, units, the meaning of U, basis, safety and the handedness warning stand on the hub's sheet."""
    said = words(made("hub")[2])
    for part in (
        "Scale 10:1", "lengths in mm", "U is measuring uncertainty (k = 2), not a tolerance to work to",
        "U without scale", "WARNING, handedness assumed", "local rules and licensed practice come first",
        "seen from the start end", "depth 4.50 to 6.10", "0.05 × 0.05 × 0.05 mm (stated)", "ctrecon 0.1.0",
        "SECTION A–A", "hatched 135°",
    ):  # fmt: skip
        assert all(word in said for word in part.split()), part
    assert "U with scale" in words(made("plate")[2])
    assert "WARNING" not in words(made("tiny")[2])
    basis = words(made("medley")[2])
    assert all(f" {one} " in basis for one in ("inferred", "assumed")) and "F9 8.00 (stated)" in basis
    assert "Legend, basis of a figure: (assumed) = taken for granted" in basis


def test_the_sheet_says_which_sizes_are_of_a_sound_edge() -> None:
    """A worn edge's size is that of its sound part, and the notes say so of that feature alone (part-record.md)."""
    part = made("hub")[0]
    assert "wear and corrosion are not added back" in words(made("hub")[2])
    first = part.features[0]
    worn = Worn(share=0.12, deepest_mm=Measured(0.2, 0.01), says="Eaten over 12 % of its edge.")
    said = words(build_pages(make_sheet(replace(part, features=(replace(first, worn=worn), *part.features[1:]))))[0])
    assert f"The size of {first.id} is that of the sound edge" in said
    assert "wear and corrosion are not added back" not in said


def test_every_page_of_a_long_sheet_carries_title_and_safety() -> None:
    """Sixty features continue on further pages; all ids are listed and every page has its number and the note."""
    part, sheet, doc = made("sixty")
    texts = [text for text, _ in checks.text_boxes(doc)]
    assert len(sheet.pages) > 1
    for number in range(1, len(sheet.pages) + 1):
        assert f"{number} of {len(sheet.pages)}" in texts
    assert " ".join(texts).count("licensed practice come first") >= len(sheet.pages)
    assert {f.id for f in part.features} <= set(texts)


def test_what_is_unknown_is_said() -> None:
    """No features, a single slice and an end outside the stack each say so in words."""
    assert "holds no features" in words(made("nothing")[2])
    one = words(made("single_slice")[2])
    assert "SECTION" not in one and "a single slice has no depth" in one
    open_end = words(made("open_ended")[2])
    assert "zigzag at the end: runs out of the stack" in open_end


def test_pieces_are_hatched_differently_and_the_bore_stays_void() -> None:
    """The section hatches body and spacer at two angles, and no hatch covers the bore."""
    _, sheet, doc = made("hub")
    hatches = [h for h in doc.modelspace().query("HATCH") if not h.dxf.solid_fill]
    assert {round(h.dxf.pattern_angle) % 180 for h in hatches} == {0, 90}
    middle = [
        sum(v[1] for v in h.paths[0].vertices) / len(h.paths[0].vertices) for h in hatches
    ]  # fmt: skip
    axis = (max(middle) + min(middle)) / 2
    for h in hatches:
        ys = [v[1] for v in h.paths[0].vertices]
        assert min(abs(y - axis) for y in ys) >= 1.5 * sheet.scale - 0.5


def test_smaller_paper_is_chosen_where_it_holds_the_drawing() -> None:
    """A plain disc goes on A4, the hub needs A3; a paper asked for is used, an unknown one refused."""
    assert made("tiny")[1].paper == "A4"
    assert made("hub")[1].paper == "A3"
    _, sheet, doc = made("hub", "A4")
    assert sheet.paper == "A4" and checks.overlapping(doc) == [] and checks.outside_frame(doc, sheet) == []
    with pytest.raises(InputError, match="A4, A3, Letter"):
        make_sheet(records.hub(), paper="B5")
    for wrong in ({"projection": "second"}, {"units": "ft"}):
        with pytest.raises(InputError, match="is not known"):
            make_sheet(records.tiny(), **wrong)


def test_files_are_true_size_searchable_and_equal_each_time(tmp_path: Path) -> None:
    """All four files appear, the page is exactly A3, PDF text is text, and a second process writes equal bytes."""
    paths = draw_sheet(records.hub(), tmp_path / "a")
    assert [p.name for p in paths] == ["sheet.pdf", "sheet.svg", "sheet.png", "sheet.dxf"]
    code = (
        f"import sys; sys.path.insert(0, {str(Path(__file__).parent)!r}); import drawing_records as r; "
        f"from pathlib import Path; from ctrecon.drawing import draw_sheet; "
        f"draw_sheet(r.hub(), Path({str(tmp_path)!r}) / 'b')"
    )
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, cwd=Path(__file__).parents[2])
    for path in paths:
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes(), path.name
    pdf = paths[0].read_bytes()
    box = re.search(rb"/MediaBox \[\s*0 0 ([\d.]+) ([\d.]+)", pdf)
    assert box and [float(v) / 72 * 25.4 for v in box.groups()] == pytest.approx([420, 297], abs=0.01)
    assert b"/FontFile2" in pdf and b"CreationDate" not in pdf
    root = ElementTree.fromstring(paths[1].read_bytes())
    pages = len(make_sheet(records.hub()).pages)
    assert (root.get("width"), root.get("height")) == ("420mm", f"{297 * pages + 10 * (pages - 1)}mm")
    assert root[0].tag.endswith("title") and not list((tmp_path / "a").glob("*.part"))


def test_a_file_in_place_of_the_folder_is_one_sentence(tmp_path: Path) -> None:
    """An output folder that cannot be made raises the project's own error."""
    (tmp_path / "taken").write_text("x")
    with pytest.raises(InputFileError, match="choose another folder"):
        draw_sheet(records.tiny(), tmp_path / "taken")


def test_importing_loads_no_drawing_library() -> None:
    """The heavy libraries load on the first call only."""
    code = "import ctrecon.drawing, sys; print({'ezdxf', 'matplotlib', 'shapely'} & set(sys.modules))"
    ran = subprocess.run(
        [sys.executable, "-c", code], check=True, capture_output=True, text=True, cwd=Path(__file__).parents[2]
    )
    assert ran.stdout.strip() == "set()"


def test_faces_that_differ_by_less_than_measuring_allows_make_one_view() -> None:
    """Ends of the seam and the relief one slice off the spacer's faces do not make sliver views."""
    part = records.hub(0.0)
    moved = tuple(
        replace(f, depth_from_mm=records.m(f.depth_from_mm.value + 0.055)) if f.id in ("F5", "F6") else f
        for f in part.features
        if f.depth_from_mm
    )
    assert len(build_model(replace(part, features=moved)).zones) == 4


@pytest.mark.parametrize("name", PARTS)
def test_no_size_of_a_feature_stands_twice(name: str) -> None:
    """No feature has two dimensions of the same value but for the two sides of a shape that has equal ones."""
    part, sheet, doc = made(name)
    for ident, values in checks.measured_values(doc, sheet).items():
        if ident == "place":
            continue
        pair = part.feature(ident).flats_pair_mm
        most = 2 if pair and pair[0].value == pair[1].value else 1
        assert all(sum(abs(v - w) < 1e-9 for w in values) <= most for v in values), (ident, values)


def test_x_runs_along_the_longest_side_that_can_be_found_on_the_part() -> None:
    """A plate that stands at 33.5 degrees in its slices is drawn level; the direction of the slices is told."""
    part = records.plate()
    turned = []
    a = math.radians(33.5)
    for f in part.features:
        assert f.x_mm and f.y_mm
        x, y = f.x_mm.value - 10.0, f.y_mm.value - 8.0
        turn = None if f.turn_deg is None else records.m(f.turn_deg.value + 33.5, f.turn_deg.u)
        turned.append(
            replace(
                f, turn_deg=turn, x_mm=records.m(10.0 + x * math.cos(a) - y * math.sin(a)),
                y_mm=records.m(8.0 + x * math.sin(a) + y * math.cos(a)),
            )
        )  # fmt: skip
    before, after = build_model(part), build_model(replace(part, features=tuple(turned)))
    for one, two in zip(before.drawn, after.drawn, strict=True):
        assert (two.x, two.y) == pytest.approx((one.x, one.y), abs=1e-9)
        assert one.contour is not None and two.contour is not None
        assert two.contour.bounds() == pytest.approx(one.contour.bounds(), abs=1e-9)
    assert after.slices_x_deg == pytest.approx(33.5)
    assert "X of the slices points at 33.50°" in words(build_pages(make_sheet(replace(part, features=tuple(turned))))[0])


def test_title_block_has_the_fields_of_its_standard() -> None:
    """The fields that ISO 7200:2004 demands stand in the block: owner, number, date, sheet, title, people, type."""
    said = words(made("fine")[2])
    for field in (
        "Legal owner", "Drawing number", "Date of issue", "Sheet", "Title", "Approved by", "Created by",
        "Dimensioned sheet from slices",
    ):  # fmt: skip
        assert field in said


def test_papers_have_their_standard_sizes() -> None:
    """A4 and A3 as in ISO 216 (210 x 297, 297 x 420), Letter 8.5 x 11 inches; the sheet lies down."""
    assert {name: sorted(size) for name, size in PAPERS.items()} == {
        "A4": [210, 297], "A3": [297, 420], "Letter": [pytest.approx(8.5 * 25.4), pytest.approx(11 * 25.4)],
    }  # fmt: skip
    _, sheet, doc = made("tiny", "Letter")
    assert (sheet.width_mm, sheet.height_mm) == PAPERS["Letter"]
    assert checks.outside_frame(doc, sheet) == [] and checks.overlapping(doc) == []


def test_line_types_follow_their_standard() -> None:
    """Contours wide, the rest narrow, 2 : 1; axes long-dashed dotted, hidden edges dashed (ISO 128-2)."""
    layers = made("fine")[2].layers
    assert layers.get("WIDE").dxf.lineweight == 2 * layers.get("NARROW").dxf.lineweight
    assert layers.get("CENTRE").dxf.linetype == "CENTER" and layers.get("HIDDEN").dxf.linetype == "DASHED"
