"""The DXF files as other programs take them: by group codes alone, the library's repairing reader, and GDAL."""

import math
from collections.abc import Callable
from pathlib import Path

import drawing_records as records
import gdal_reader
import group_codes
import pytest
import shapely
from ezdxf import recover

from ctrecon.drawing import draw_sheet, write_outlines
from ctrecon.drawing.layout import lay_out
from ctrecon.drawing.model.views import build_model
from ctrecon.drawing.outlines import layer_contours
from ctrecon.record.part import Part


def test_outlines_have_the_right_lengths_and_millimetres(tmp_path: Path) -> None:
    """Circumference of the flange, sides of the boss, perimeter of the plate: by hand from the record."""
    write_outlines(records.hub(), tmp_path / "hub.dxf")
    header, entities = group_codes.read(tmp_path / "hub.dxf")
    assert header["$INSUNITS"] == "4"  # millimetres in the DXF reference
    assert {one.kind for one in entities} == {"CIRCLE", "LWPOLYLINE"}
    layers = {one.text(8): one.length() for one in entities}
    assert layers["TO_MAKE_P1_OUTSIDE_Z0.00-1.50"] == pytest.approx(math.pi * 12.0, abs=1e-6)
    assert layers["TO_MAKE_P1_OUTSIDE_Z4.50-7.00"] == pytest.approx(4 * 5.0, abs=1e-6)
    big, small, gap = 5.0, 2.5, 6.5
    outer = math.acos((gap**2 + big**2 - small**2) / (2 * gap * big))  # half angles the relief takes (cosine rule)
    inner = math.acos((gap**2 + small**2 - big**2) / (2 * gap * small))
    rim = big * (2 * math.pi - 2 * outer) + small * 2 * inner
    assert layers["TO_MAKE_P2_OUTSIDE_Z0.00-1.60"] == pytest.approx(rim, rel=1e-6)
    write_outlines(records.plate(), tmp_path / "plate.dxf")
    _, entities = group_codes.read(tmp_path / "plate.dxf")
    (outside,) = [one for one in entities if one.text(8).startswith("TO_MAKE_OUTSIDE")]
    assert outside.closed and outside.length() == pytest.approx(2 * (16.0 + 11.0), abs=1e-6)


def test_outlines_of_a_lopsided_part_are_not_mirrored(tmp_path: Path) -> None:
    """The blind hole 11 mm right of the bore and 6 mm up the slices lies right and up, the block left and down."""
    write_outlines(records.lopsided(), tmp_path / "outlines.dxf")
    _, entities = group_codes.read(tmp_path / "outlines.dxf")
    blind = [one for one in entities if one.kind == "CIRCLE" and abs(one.number(40) - 2.0) < 1e-9]
    assert [(one.number(10), one.number(20)) for one in blind] == [(pytest.approx(11.0), pytest.approx(6.0))]
    (block,) = [one for one in entities if one.text(8) == "TO_MAKE_OUTSIDE_Z3.00-8.00"]
    xs, ys, _ = zip(*block.vertices(), strict=True)
    assert (min(xs), max(xs)) == (pytest.approx(-9.0), pytest.approx(5.0))
    assert (min(ys), max(ys)) == (pytest.approx(-5.5), pytest.approx(3.5))


@pytest.mark.parametrize(("units", "per"), [("mm", 1.0), ("in", 25.4)])
def test_sheet_dimensions_measure_the_part_in_its_units(tmp_path: Path, units: str, per: float) -> None:
    """The measurements stored in the file (group 42), by its own style's factor (DIMLFAC), are the part's sizes."""
    draw_sheet(records.lopsided(), tmp_path, units=units)
    doc, auditor = recover.readfile(tmp_path / "sheet.dxf")
    assert not auditor.has_errors
    _, entities = group_codes.read(tmp_path / "sheet.dxf")
    factor = doc.dimstyles.get("SHEET").dxf.dimlfac
    found: dict[str, list[float]] = {}
    for one in entities:
        if one.kind == "DIMENSION" and int(one.number(70)) & 7 in (0, 1):
            a = math.radians(next((float(v) for code, v in one.pairs if code == 50), 0.0))
            dx, dy = one.number(14) - one.number(13), one.number(24) - one.number(23)
            found.setdefault(one.text(1).split()[0], []).append(abs(dx * math.cos(a) + dy * math.sin(a)) * factor)
    assert sorted(found["F1"]) == pytest.approx([20.0 / per, 30.0 / per], abs=1e-6)
    assert sorted(found["F4"]) == pytest.approx([9.0 / per, 14.0 / per], abs=1e-6)


EVERY = [
    records.hub, records.plate, records.medley, records.fragment, records.d_shaft, records.lopsided, records.stacked,
    records.collared, records.twelve, records.tiny, records.huge, records.single_slice,
]  # fmt: skip


@pytest.mark.parametrize("make", EVERY, ids=[one.__name__ for one in EVERY])
def test_gdal_reads_every_outline_as_a_closed_ring_of_its_length(make: Callable[[], Part], tmp_path: Path) -> None:
    """GDAL finds the same layers, only closed simple rings, and their lengths and areas to its chords of a tenth of a degree."""
    write_outlines(make(), tmp_path / "outlines.dxf")
    found = gdal_reader.read(tmp_path / "outlines.dxf", 0.1)
    wanted: dict[str, list[tuple[float, float]]] = {}
    for layer, contour in layer_contours(make()):
        wanted.setdefault(layer, []).append((contour.length(), contour.area()))
    assert set(found) == set(wanted)
    for layer, lines in found.items():
        assert all(one.geom_type == "LineString" and one.is_ring and one.is_simple for one in lines)
        read = sorted((one.length, shapely.Polygon(one).area) for one in lines)
        for (length, area), (true_length, true_area) in zip(read, sorted(wanted[layer]), strict=True):
            assert length == pytest.approx(true_length, rel=1e-5)
            assert area == pytest.approx(true_area, rel=1e-5)


def test_gdal_finds_true_sizes_and_no_mirror_image(tmp_path: Path) -> None:
    """By hand from the record: a hole of 4 mm at X 11, Y 6, and the block from -9 to 5 and -5.5 to 3.5, in mm."""
    write_outlines(records.lopsided(), tmp_path / "outlines.dxf")
    found = gdal_reader.read(tmp_path / "outlines.dxf", 0.1)
    areas = [shapely.Polygon(line) for lines in found.values() for line in lines]
    assert any(one.bounds == pytest.approx((9.0, 4.0, 13.0, 8.0), abs=1e-5) for one in areas)
    assert any(one.bounds == pytest.approx((-9.0, -5.5, 5.0, 3.5), abs=1e-9) for one in areas)
    assert not any(one.bounds == pytest.approx((9.0, -8.0, 13.0, -4.0), abs=1e-2) for one in areas)


@pytest.mark.parametrize(("units", "paper"), [("mm", "A4"), ("in", "Letter")])
def test_gdal_finds_the_sheet_in_paper_millimetres(units: str, paper: str, tmp_path: Path) -> None:
    """The frame leaves 20 mm to the left and 10 mm elsewhere of the paper (ISO 5457), and the flange is to scale."""
    draw_sheet(records.hub(), tmp_path, units=units, paper=paper)
    found = gdal_reader.read(tmp_path / "sheet.dxf", 0.1)
    wide, tall = {"A4": (297.0, 210.0), "Letter": (279.4, 215.9)}[paper]
    frame = shapely.unary_union([one for one in found["FRAME"] if one.length > 100.0]).bounds  # no centring marks
    assert frame[0] == pytest.approx(20.0, abs=0.36) and frame[2] == pytest.approx(wide - 10.0, abs=0.36)
    assert frame[3] == pytest.approx(tall - 10.0, abs=0.36)
    scale = lay_out(build_model(records.hub(), units=units), paper).scale
    rings = [line for line in found["WIDE"] if line.is_ring]
    assert any(one.length == pytest.approx(math.pi * 12.0 * scale, rel=1e-5) for one in rings)
