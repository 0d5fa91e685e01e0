"""The sheet as a machinist gets it: read back from the document and the files."""

import math
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import drawing_checks as checks
import drawing_records as records
import pytest

from ctrecon.core.errors import InputError, InputFileError
from ctrecon.drawing import draw_sheet
from ctrecon.drawing.dxf import build_document
from ctrecon.drawing.items import Sheet
from ctrecon.drawing.sheet import make_sheet
from ctrecon.drawing.views import build_model
from ctrecon.part import Part

PARTS = (
    "hub", "plate", "nothing", "tiny", "huge", "sixty", "twelve", "single_slice", "open_ended", "medley", "fragment",
    "d_shaft",
)  # fmt: skip
ISO_5455 = {50, 20, 10, 5, 2, 1, 1 / 2, 1 / 5, 1 / 10, 1 / 20, 1 / 50, 1 / 100}
"""Scales of ISO 5455:1979 (enlargement, full size, reduction)."""


def made(name: str, paper: str | None = None) -> tuple[Part, Sheet, Any]:
    """Return a part, its sheet and its document."""
    part = getattr(records, name)()
    sheet = make_sheet(part, paper=paper)
    return part, sheet, build_document(sheet)


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
    assert found["F5"] == pytest.approx([5.0], abs=1e-9)
    assert sorted(found["F6"]) == pytest.approx([5.0, 70.0], abs=1e-9)
    assert sorted(found["F7"]) == pytest.approx([5.0, 70.0], abs=1e-9)
    towards = math.radians(215)
    centre = [6.5 * math.cos(towards), -6.5 * math.sin(towards)]
    assert sorted(found["place"]) == pytest.approx(sorted([0, 1.5, 4.5, 6.1, 7.0, 0, 0, *centre]), abs=1e-9)


def test_plate_dimensions_measure_the_record_and_show_handedness() -> None:
    """Sizes and places from the bore agree with the record, Y turned up; a mirror image would not."""
    _, sheet, doc = made("plate")
    found = checks.measured_values(doc, sheet)
    assert sorted(found["F1"]) == pytest.approx([11.0, 16.0], abs=1e-9)
    for ident in ("F2", "F3", "F4", "F5"):
        assert found[ident] == pytest.approx([1.9], abs=1e-9)
    assert found["F6"] + found["F7"] + found["F8"] == pytest.approx([1.1, 1.2, 3.0], abs=1e-9)
    expected = [-6.6, -5.2, -0.4, 0, 4.6, 6.4, -4.1, -3.1, -0.3, 0, 3.4, 4.1, 0, 1.5]
    assert found["place"] == pytest.approx(expected, abs=1e-9)


def test_printed_figures_follow_the_geometry_and_its_uncertainty() -> None:
    """A dimension prints the value with the decimals U deserves, a square with its sign, never a bare plus-minus."""
    texts = [text for text, _ in checks.text_boxes(made("plate")[2])]
    assert "F2 □1.900" in texts and "F1 16.000" in texts and "-6.600" in texts
    assert "F6 Ø1.100 tapered" in texts
    for name in PARTS:
        assert "±" not in words(made(name)[2])


def test_notes_say_what_a_maker_must_know() -> None:
    """Scale, units, the meaning of U, basis, safety and the handedness warning stand on the hub's sheet."""
    said = words(made("hub")[2])
    for part in (
        "Scale 5:1", "lengths in mm", "U is measuring uncertainty (k = 2), not a tolerance to work to",
        "U without scale", "WARNING, handedness assumed", "local rules and licensed practice come first",
        "seen from the start end", "depth 4.500 to 6.100", "0.05 × 0.05 × 0.05 mm (stated)", "ctrecon 0.1.0",
        "SECTION A–A", "hatched 135°",
    ):  # fmt: skip
        assert all(word in said for word in part.split()), part
    assert "U with scale" in words(made("plate")[2])
    assert "WARNING" not in words(made("tiny")[2])
    basis = words(made("medley")[2])
    assert "F4 5.000 (inferred)" in basis and "Ø4.000 (assumed)" in basis


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
    assert "runs out of the stack" in open_end and "end of the stack (runs out)" in open_end


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
    with pytest.raises(InputError, match="A4, A3"):
        make_sheet(records.hub(), paper="B5")


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
    assert (root.get("width"), root.get("height")) == ("420mm", "297mm")
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
