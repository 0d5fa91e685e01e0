"""Wheels on the sheet and in the outlines: teeth as lines and arcs, found teeth drawn, lost ones by circles (ISO 2203).

True areas are built here from the record's own figures with shapely; files are read by GDAL and by group codes.
"""

import itertools
import math
from pathlib import Path
from typing import Any

import gdal_reader
import group_codes
import numpy as np
import pytest
import shapely
import wheel_records as records
from shapely import affinity

from ctrecon.drawing import draw_sheet, write_outlines
from ctrecon.drawing.layout import lay_out
from ctrecon.drawing.model.edges import AS_FOUND, TO_MAKE
from ctrecon.drawing.model.views import build_model
from ctrecon.drawing.outlines import layer_contours
from ctrecon.drawing.paper.arc_fit import lines_and_arcs
from ctrecon.drawing.paper.contours import Contour
from ctrecon.drawing.paper.items import Hatch, Label, Linear, Shape
from ctrecon.drawing.shown.cut import cut_zones
from ctrecon.drawing.shown.section import section_shapes
from ctrecon.drawing.shown.wheel import wheel_rows
from ctrecon.record.part import Part
from ctrecon.record.solid import solid_of
from ctrecon.solid.plan import solid_record
from ctrecon.solid.volume import record_volume

RIM = "TO_MAKE_OUTSIDE_Z0.00-2.00"
PITCH = 360.0 / records.TEETH
LEFT = tuple(range(3, 22))
"""Teeth left of the broken wheel: 19 in a row."""
TWO_RUNS = (*range(3, 12), *range(15, 24))


def disc(radius: float) -> Any:
    """Return a circle as a polygon whose area is right to a millionth."""
    return shapely.Point(0.0, 0.0).buffer(radius, quad_segs=1000)


def true_wheel(found: tuple[int, ...] = tuple(range(records.TEETH))) -> Any:
    """Return the wheel of the record: its root disc and each tooth between its flanks, inside the tip circle."""
    tip = disc(records.TIP)
    flank = [
        (math.sqrt(r**2 - half**2), half)
        for r, half in ((records.ROOT, records.HALF[0]), (7.5, sum(records.HALF) / 2), (records.TIP, records.HALF[1]))
    ]
    beyond = (records.TIP + 0.1, records.HALF[1])
    ring = [(0.0, records.HALF[0]), *flank, beyond]
    tooth = shapely.Polygon([*ring, *((x, -y) for x, y in ring[::-1])]).intersection(tip)
    turns = [-(records.TURN + PITCH * k) for k in found]  # rows run down: turns change sign on the sheet
    return shapely.unary_union([disc(records.ROOT), *(affinity.rotate(tooth, a, origin=(0, 0)) for a in turns)])


def rim_of(part: Part, folder: Path) -> Any:
    """Return the rim in the outlines as GDAL reads it, as an area."""
    write_outlines(part, folder / "outlines.dxf")
    (line,) = gdal_reader.read(folder / "outlines.dxf", 0.05)[RIM]
    assert line.is_ring and line.is_simple
    return shapely.Polygon(line)


@pytest.mark.parametrize("found", [tuple(range(records.TEETH)), LEFT])
def test_the_whole_rim_is_cut_tooth_by_tooth(tmp_path: Path, found: tuple[int, ...]) -> None:
    """Whole or broken, a wheel of known number is cut whole, each tooth in its place and none mirrored."""
    made, true = rim_of(records.wheel(found), tmp_path), true_wheel()
    assert made.area == pytest.approx(true.area, rel=1e-4)  # lines keep to the tooth within 0.001 mm
    assert made.symmetric_difference(true).area < 0.001 * true.length
    assert made.symmetric_difference(affinity.scale(true, 1, -1, origin=(0, 0))).area > 1.0


def test_teeth_are_lines_and_arcs(tmp_path: Path) -> None:
    """Four vertices make a straight-flanked tooth: two lines, its tip and its root as arcs."""
    write_outlines(records.wheel(), tmp_path / "outlines.dxf")
    _, entities = group_codes.read(tmp_path / "outlines.dxf")
    (rim,) = [one for one in entities if one.text(8) == RIM]
    spots = rim.vertices()
    assert len(spots) == 4 * records.TEETH
    assert sum(bulge > 0 for *_, bulge in spots) == 2 * records.TEETH
    arcs = [(a, b) for a, b in zip(spots, spots[1:] + spots[:1], strict=True) if a[2]]
    radii = sorted({round(math.hypot(*a[:2]), 6) for a, _ in arcs})
    assert radii == [records.ROOT, records.TIP]
    for a, b in arcs:  # both arcs are about the wheel's centre: a bulge is the tangent of a quarter of the sweep
        sweep = (math.atan2(b[1], b[0]) - math.atan2(a[1], a[0])) % (2 * math.pi)
        assert a[2] == pytest.approx(math.tan(sweep / 4), rel=1e-6)


def test_a_round_head_is_a_few_arcs() -> None:
    """Of 26 points of a tooth seven vertices are left, and none of the points is off by more than 0.001 mm."""
    part = records.wheel(profile=records.rounded_profile())
    ((_, rim), _) = layer_contours(part)
    assert len(rim.vertices) <= 7 * records.TEETH
    line = shapely.LineString(rim.points(0.05))
    turn = -math.radians(records.TURN)
    for r, half in records.rounded_profile():
        x, y = math.sqrt(r**2 - half**2), half
        spot = shapely.Point(x * math.cos(turn) - y * math.sin(turn), x * math.sin(turn) + y * math.cos(turn))
        assert line.distance(spot) < 1.1e-3


def test_lines_and_arcs_keep_to_their_points() -> None:
    """Random smooth rows of points are followed within the tolerance, by fewer stretches than they have points."""
    rng = np.random.default_rng(7)
    for _ in range(20):
        x = np.linspace(0.0, 2.0, 40)
        y = np.polyval(rng.normal(0.0, 0.15, 4), x)
        for tolerance in (1e-3, 1e-2):
            found = lines_and_arcs(list(zip(x.tolist(), y.tolist(), strict=True)), tolerance)
            line = shapely.LineString(Contour(tuple(found), closed=False).points(0.1))
            assert max(line.distance(shapely.Point(p)) for p in zip(x, y, strict=True)) <= tolerance * 1.01
            assert len(found) < 30


def test_of_an_unknown_number_what_is_lost_stays_blank(tmp_path: Path) -> None:
    """The found teeth are cut; where teeth are lost the blank stays up to the tip circle, half a pitch beside them."""
    made = rim_of(records.wheel(TWO_RUNS, teeth=None), tmp_path)
    lost = [set(range(TWO_RUNS[8] + 1, TWO_RUNS[9])), set(range(24, 33))]
    blank = sum(len(one) for one in lost) * PITCH / 360 * (disc(records.TIP).area - disc(records.ROOT).area)
    assert made.area == pytest.approx(true_wheel(TWO_RUNS).area + blank, rel=1e-4)
    assert made.covers(true_wheel(TWO_RUNS).buffer(-1e-3))
    assert any("left blank up to the tip circle" in one for one in solid_record(records.wheel(TWO_RUNS, teeth=None)).notes)


def test_on_a_broken_wheel_found_teeth_are_drawn_and_lost_ones_by_circles(tmp_path: Path) -> None:
    """GDAL finds 19 teeth in one wide line, and the tip circle over the other 11 in the line of what is lost."""
    draw_sheet(records.wheel(LEFT), tmp_path)
    scale = lay_out(build_model(records.wheel(LEFT))).scale
    found = gdal_reader.read(tmp_path / "sheet.dxf", 0.1)
    lost = [line.length / scale for line in found["LOST"]]
    assert lost == [pytest.approx(math.radians((records.TEETH - len(LEFT)) * PITCH) * records.TIP, rel=1e-5)]
    true = true_wheel(LEFT).exterior
    rim = true.length - math.radians((records.TEETH - len(LEFT)) * PITCH) * records.ROOT
    assert any(line.length / scale == pytest.approx(rim, rel=1e-3) for line in found["WIDE"])
    roots = [line for line in found["NARROW"] if line.is_ring]
    assert any(line.length / scale == pytest.approx(2 * math.pi * records.ROOT, rel=1e-5) for line in roots)


def test_a_whole_wheel_shows_circles_and_one_tooth(tmp_path: Path) -> None:
    """Tip circle wide, root circle narrow, and one tooth enlarged whose outline is that of the record."""
    draw_sheet(records.wheel(), tmp_path)
    sheet = lay_out(build_model(records.wheel()))
    found = gdal_reader.read(tmp_path / "sheet.dxf", 0.1)
    for layer, radius in (("WIDE", records.TIP), ("NARROW", records.ROOT)):
        assert any(
            line.is_ring and line.length / sheet.scale == pytest.approx(2 * math.pi * radius, rel=1e-5)
            for line in found[layer]
        )
    (title,) = [i.text for page in sheet.pages for i in page.items if isinstance(i, Label) and "TOOTH OF" in i.text]
    large = float(title.partition("(")[2].partition(":")[0])
    one = true_wheel().exterior.length / records.TEETH
    assert any(line.length / large == pytest.approx(one, rel=1e-3) for line in found["WIDE"])


def test_teeth_are_not_hatched_in_a_section() -> None:
    """No hatch of the section reaches beyond the root circle (ISO 2203), and the root has its wide line."""
    sheet = lay_out(build_model(records.wheel()))
    hatches = [i for i in sheet.pages[0].items if type(i).__name__ == "Hatch" and not i.solid]
    spots = [y for one in hatches for _, y in one.outer]
    assert (max(spots) - min(spots)) / sheet.scale == pytest.approx(2 * records.ROOT, abs=1e-6)


def test_the_table_says_the_count_with_its_doubt() -> None:
    """A sure count stands with its probability, a doubtful one with the others; first tooth as the sheet turns."""
    for teeth, text in ((records.TEETH, "30 (97 %)"), (None, "30 (60 %) or 31 (30 %)")):
        model = build_model(records.wheel(teeth=teeth))
        rows = {name: (value, u) for name, value, u in wheel_rows(model, model.drawn[0])}
        assert rows["teeth of the whole wheel"][0] == text
        assert rows["first tooth from X °"] == ("7.00", "0.04")  # 5 degrees clockwise is 7 of 12 anticlockwise
        assert rows["pitch angle °"] == ("12.00", "0.02")
        assert rows["tooth width half-way up"][0] == "0.700"


def test_the_solid_has_its_teeth() -> None:
    """Its volume is the area of the true wheel less the square hole, times 2 mm."""
    (body,) = solid_record(records.wheel(), edges=TO_MAKE).bodies
    assert record_volume(body) == pytest.approx(2 * (true_wheel().area - 16.0), rel=1e-4)


@pytest.mark.parametrize("far", [False, True])
def test_every_tooth_of_a_crown_is_in_the_outlines(tmp_path: Path, far: bool) -> None:
    """GDAL reads twelve rings at the teeth's depths; together they are the sectors that the figures give."""
    write_outlines(records.crown(far=far), tmp_path / "outlines.dxf")
    depths = "Z2.00-3.00" if far else "Z0.00-1.00"
    teeth = gdal_reader.read(tmp_path / "outlines.dxf", 0.05)[f"TO_MAKE_OUTSIDE_{depths}"]
    areas = [shapely.Polygon(shapely.get_coordinates(one)).area for one in teeth]
    over, within = records.RING
    sector = (over**2 - within**2) * math.asin(records.CROWN_WIDTH / (over + within))
    assert areas == pytest.approx([sector] * records.CROWN_TEETH, rel=1e-3)
    turns = sorted(math.degrees(math.atan2(one.centroid.y, one.centroid.x)) % 30.0 for one in teeth)
    assert turns == pytest.approx([(-7.0) % 30.0] * records.CROWN_TEETH, abs=0.01)  # rows run down: turns change sign


@pytest.mark.parametrize("far", [False, True])
def test_a_crown_on_the_sheet(far: bool) -> None:
    """Its teeth are drawn in the view of their end, uncut in the section, and sized in the table of teeth."""
    (page,) = lay_out(build_model(records.crown(far=far))).pages
    words = [one.text for one in page.items if isinstance(one, Label)]
    rows = dict(itertools.pairwise(words))
    assert rows["teeth of the whole wheel"].startswith("12 (")
    assert [rows[f"diameter {where} the teeth"] for where in ("over", "within")] == ["10.000", "8.000"]
    assert (rows["height of the teeth"], rows["tooth width half-way up"]) == ("1.000", "1.200")
    assert "tip diameter" not in words and not any("root diameter unknown" in one for one in words)
    assert "teeth as at half their height" in words
    model = build_model(records.crown(far=far))
    items, _ = section_shapes(model, cut_zones(model), 1.0)
    low, high = (0.0, 2.0) if far else (1.0, 3.0)
    depths = [x for one in items if isinstance(one, Hatch) for x, _ in one.outer]
    assert (min(depths), max(depths)) == pytest.approx((low, high))


def test_a_scan_of_a_crown_is_predicted_with_its_teeth() -> None:
    """The shares of metal that explain a scan add up to the closed form of disc and teeth within 0.5 %."""
    part = records.crown()
    solid = solid_of(part)
    cells = sum(float(solid.coverage(k).sum()) for k in range(-2, part.stack.slices + 2))
    over, within = records.RING
    teeth = records.CROWN_TEETH * (over**2 - within**2) * math.asin(records.CROWN_WIDTH / (over + within))
    whole = 2 * math.pi * (over**2 - 1.0) + teeth
    assert cells * math.prod(part.stack.voxel_mm) == pytest.approx(whole, rel=5e-3)


def test_arms_and_windows_are_figures_and_lost_windows_are_drawn() -> None:
    """Four arms of 1.50 mm between 7.00 and 12.00 mm, by four windows or by one; what is lost is drawn as lost."""
    for left in ((0, 1, 2, 3), (2,)):
        model = build_model(records.crossed(*left))
        (page,) = lay_out(model).pages
        words = " ".join(one.text for one in page.items if isinstance(one, Label))
        assert "4 arms 1.50 wide, windows from Ø7.00 to Ø12.00" in words
        assert "boss, diameter 7.00 – inside of the rim, diameter 12.00" in words
        lost = [one for one in page.items if isinstance(one, Shape) and one.style == "LOST"]
        assert len(lost) == 4 - len(left)


@pytest.mark.parametrize("tilt", [0.0, 1.3])
def test_lost_windows_are_cut_where_they_were(tilt: float) -> None:
    """Outlines to make and the solid of a broken wheel have all four windows, where the whole wheel's stand."""
    whole, broken = records.crossed(0, 1, 2, 3, tilt_deg=tilt), records.crossed(2, tilt_deg=tilt)
    cut: list[list[Any]] = []
    for part in (whole, broken):
        rings = [shapely.Polygon(c.points(1.0)) for name, c in layer_contours(part) if name.startswith("TO_MAKE_HOLES_FREE")]
        cut.append(sorted(rings, key=lambda one: math.atan2(one.centroid.y, one.centroid.x)))
    assert len(cut[0]) == len(cut[1]) == 4
    for one, other in zip(*cut, strict=True):
        assert one.symmetric_difference(other).area < 2e-3 * one.area
    volumes = [record_volume(solid_record(part).bodies[0]) for part in (whole, broken)]
    assert volumes[1] == pytest.approx(volumes[0], rel=1e-4)
    found = layer_contours(broken, AS_FOUND)
    assert sum("AS_FOUND_HOLES_FREE" in name for name, _ in found) == 1  # as found, only the one that is left


def test_of_four_windows_and_a_square_the_square_keeps_its_size() -> None:
    """The table has the windows; the square on the axis is sized in the view, at the scale that fills the paper."""
    sheet = lay_out(build_model(records.crossed(0, 1, 2, 3)))
    words = [one.text for one in sheet.pages[0].items if isinstance(one, Label)]
    sizes = [one for one in sheet.pages[0].items if isinstance(one, Linear | Label) and "F2 □" in one.text]
    assert sizes and {"F3", "F4", "F5", "F6"} <= set(words)
    assert sheet.scale >= 5.0
