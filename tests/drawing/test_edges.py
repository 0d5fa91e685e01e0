"""Sound, worn, lost, broken and unsettled edges: on the sheet, in the outlines, on templates, in the solid.

Areas are worked out by hand from the records; files are read by GDAL.
"""

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import drawing_records as records
import gdal_reader
import pytest
import shapely
import worn_records as worn

from ctrecon.core.errors import InputError
from ctrecon.drawing import draw_sheet, write_outlines
from ctrecon.drawing.layout import lay_out
from ctrecon.drawing.model.edges import AS_FOUND, EDGES, TO_MAKE, lost_corners
from ctrecon.drawing.model.views import build_model
from ctrecon.drawing.paper.items import Label
from ctrecon.drawing.shown.notes import note_lines
from ctrecon.drawing.template import template_sheet
from ctrecon.record.part import Part
from ctrecon.record.store import part_to_json
from ctrecon.settings import Settings, option_of
from ctrecon.solid.plan import solid_record
from ctrecon.solid.volume import record_volume

LOST = worn.LEGS[0] * worn.LEGS[1] / 2
BITTEN = math.pi * worn.BITE[0] ** 2 / 2
WORN_AWAY = math.pi / 4 * ((worn.BORE + worn.GROOVE) ** 2 - worn.BORE**2)
SOUND = 16.0 * 10.0


def areas(part: Part, folder: Path, edges: str) -> dict[str, float]:
    """Return the area that GDAL finds in each layer of the outlines; every line must be a closed ring."""
    write_outlines(part, folder / "outlines.dxf", edges=edges)
    found: dict[str, float] = {}
    for layer, lines in gdal_reader.read(folder / "outlines.dxf", 0.1).items():
        assert all(one.geom_type == "LineString" and one.is_ring for one in lines)
        found[layer] = sum(shapely.Polygon(one).area for one in lines)
    return found


def words(part: Part) -> str:
    """Return all texts of a sheet in one line, as they come."""
    sheet = lay_out(build_model(part))
    return " ".join(i.text for page in sheet.pages for i in page.items if isinstance(i, Label))


def test_worn_edges_are_not_cut_unless_asked_for(tmp_path: Path) -> None:
    """The outlines hold the sound plate alone; asked for as found they hold both, less metal by each bite."""
    assert areas(worn.worn_plate(), tmp_path, TO_MAKE) == {
        "TO_MAKE_OUTSIDE_Z0.00-2.00": pytest.approx(SOUND, abs=1e-9),
        "TO_MAKE_HOLES_ROUND_Z0.00-2.00": pytest.approx(math.pi * worn.BORE**2, rel=1e-5),
    }
    found = areas(worn.worn_plate(), tmp_path, AS_FOUND)
    assert found["TO_MAKE_OUTSIDE_Z0.00-2.00"] == pytest.approx(SOUND, abs=1e-9)
    assert found["AS_FOUND_OUTSIDE_Z0.00-2.00"] == pytest.approx(SOUND - LOST - BITTEN, rel=1e-4)
    assert found["AS_FOUND_HOLES_ROUND_Z0.00-2.00"] == pytest.approx(math.pi * worn.BORE**2 + WORN_AWAY, rel=1e-3)  # chords off by 0.001 mm


def test_the_edge_as_found_is_where_it_was_found(tmp_path: Path) -> None:
    """The corner gone at +x +y of the slices is gone at +X -Y of the outlines: rows run down."""
    write_outlines(worn.worn_plate(), tmp_path / "outlines.dxf", edges=AS_FOUND)
    (line,) = gdal_reader.read(tmp_path / "outlines.dxf")["AS_FOUND_OUTSIDE_Z0.00-2.00"]
    left = shapely.Polygon(line)
    gone = shapely.box(-8.0, -5.0, 8.0, 5.0).difference(left)
    corner = max(gone.geoms, key=lambda one: one.centroid.x)
    assert corner.bounds == pytest.approx((8.0 - worn.LEGS[0], -5.0, 8.0, -5.0 + worn.LEGS[1]), abs=1e-6)
    bite = min(gone.geoms, key=lambda one: one.centroid.x)
    assert bite.bounds[0::2] == pytest.approx((worn.BITE[1] - worn.BITE[0], worn.BITE[1] + worn.BITE[0]), abs=1e-6)


def test_solids_are_sound_unless_asked_for() -> None:
    """The volume of the solid is area times 2 mm; wear over half the depth takes half as much."""
    sound = SOUND - math.pi * worn.BORE**2

    def volume(part: Part, edges: str) -> float:
        return sum(record_volume(body) for body in solid_record(part, edges=edges).bodies)

    assert volume(worn.worn_plate(), TO_MAKE) == pytest.approx(2 * sound, rel=1e-6)
    assert volume(worn.worn_plate(), AS_FOUND) == pytest.approx(2 * (sound - LOST - BITTEN - WORN_AWAY), rel=1e-3)
    assert volume(records.fragment(), AS_FOUND) == pytest.approx(math.pi * (64 - 25) * 3 * 140 / 360, rel=1e-4)
    half = worn.with_part_of(worn.with_part_of(worn.worn_plate(), "F1", 1.0, 2.0), "F2", 1.0, 2.0)
    assert volume(half, AS_FOUND) == pytest.approx(2 * sound - LOST - BITTEN - WORN_AWAY, rel=1e-3)


def test_a_template_shows_the_sound_face(tmp_path: Path) -> None:
    """The lost corner is on the template at 1:1; asked for as found, it is not."""
    for edges, there in ((TO_MAKE, True), (AS_FOUND, False)):
        page = template_sheet(worn.worn_plate(), edges=edges).pages[0]
        shown: list[Any] = [shapely.LineString(i.contour.points(1.0)) for i in page.items if type(i).__name__ == "Shape"]
        boxes = [one.bounds for one in shown if one.bounds[2] - one.bounds[0] > 15.9]
        corner = shapely.Point(boxes[0][2], boxes[0][1])
        assert (min(one.distance(corner) for one in shown) < 1e-6) is there


def test_each_kind_of_edge_has_its_line_on_the_sheet(tmp_path: Path) -> None:
    """GDAL finds the sound edge wide, the edge as found on WORN, the lost corner on LOST: lengths by hand."""
    draw_sheet(worn.worn_plate(), tmp_path)
    found = gdal_reader.read(tmp_path / "sheet.dxf", 0.5)
    scale = lay_out(build_model(worn.worn_plate())).scale
    of = {layer: [line.length / scale for line in lines] for layer, lines in found.items()}
    assert max(of["LOST"]) == pytest.approx(sum(worn.LEGS), rel=1e-3)
    for length in (math.hypot(*worn.LEGS), math.pi * worn.BITE[0]):
        assert any(one == pytest.approx(length, rel=1e-3) for one in of["WORN"])
    rim = 2 * (16.0 + 10.0) - sum(worn.LEGS)
    assert any(one == pytest.approx(rim, rel=1e-3) for one in of["WIDE"])
    assert not any(one == pytest.approx(rim + sum(worn.LEGS), rel=1e-3) for one in of["WIDE"])


def test_the_sheet_names_what_not_to_copy_and_both_legs() -> None:
    """The words stand on the sheet, and the legs are those of the lost corner."""
    text = words(worn.worn_plate())
    assert "worn, do not copy" in text
    assert "corner lost, legs 3.0 (X) × 2.0 (Y)" in text
    assert "(F1 corner lost, legs 3.0 (X) × 2.0 (Y)); make it whole" in " ".join(note_lines(build_model(worn.worn_plate()), 1.0))
    model = build_model(worn.worn_plate())
    ((d, contour),) = model.zones[0].rims
    ((_, corner),) = lost_corners(d, model.zones[0], contour, model.voxel_mm)
    assert sorted(corner.legs) == pytest.approx(sorted(worn.LEGS), abs=1e-6)
    assert corner.corner == pytest.approx((8.0, -5.0))


def test_a_small_bite_at_a_corner_is_no_lost_corner() -> None:
    """Where the edge as found stays within two voxels of the corner, it is worn round and has no legs."""
    part = worn.worn_plate()
    near = worn.worn(((17.9, 15.0), (18.0, 14.9)), deepest=0.07)
    rounded = records.plain("round", (worn.replace(part.features[0], worn=near),))
    model = build_model(rounded)
    ((d, contour),) = model.zones[0].rims
    assert lost_corners(d, model.zones[0], contour, model.voxel_mm) == []


def test_an_undecided_relief_is_narrow_queried_and_not_cut(tmp_path: Path) -> None:
    """As found and once decided it is cut by the lens of both circles; undecided the disc stays whole, and says why."""
    doubtful, sure = worn.relieved_disc("undecided"), worn.relieved_disc()
    big, small = 6.0, 2.0
    half = math.acos(small / (2 * big))  # the small circle's middle is on the rim (MathWorld, 'Circle-Circle Intersection')
    lens = small**2 * half + big**2 * (math.pi - 2 * half) - small / 2 * math.sqrt(4 * big**2 - small**2)
    layer = "OUTSIDE_Z0.00-2.00"
    assert areas(doubtful, tmp_path, TO_MAKE)[f"TO_MAKE_{layer}"] == pytest.approx(math.pi * big**2, rel=1e-5)
    for part, edges, name in ((doubtful, AS_FOUND, "AS_FOUND"), (sure, TO_MAKE, "TO_MAKE")):
        assert areas(part, tmp_path, edges)[f"{name}_{layer}"] == pytest.approx(math.pi * big**2 - lens, rel=1e-4)
    draw_sheet(doubtful, tmp_path)
    scale = lay_out(build_model(doubtful)).scale
    narrow = [one.length / scale for one in gdal_reader.read(tmp_path / "sheet.dxf", 0.5)["NARROW"]]
    inner = 2 * half * small
    assert any(one == pytest.approx(inner, rel=2e-3) for one in narrow)
    assert "F2 <> ?" in (tmp_path / "sheet.dxf").read_text() and "F2 ?: cut by a maker, or eaten by time?" in words(doubtful)
    assert " ?" not in words(sure)
    assert any("F2 may be a relief or wear" in one for one in solid_record(doubtful).notes)
    accepted = replace(doubtful, features=(doubtful.features[0], replace(doubtful.features[1], accepted=True)))
    assert areas(accepted, tmp_path, TO_MAKE)[f"TO_MAKE_{layer}"] == pytest.approx(math.pi * big**2 - lens, rel=1e-4)
    assert " ?" not in words(accepted)


def test_a_fragment_ends_in_break_lines_with_their_angles(tmp_path: Path) -> None:
    """The 140 degrees from 20 of the slices end at -20 and -160 degrees of the sheet: 340 and 200."""
    draw_sheet(records.fragment(), tmp_path)
    breaks = gdal_reader.read(tmp_path / "sheet.dxf")["BREAK"]
    text = words(records.fragment())
    assert len(breaks) >= 2
    assert "break at 340°" in text and "break at 200°" in text
    assert "F1 at 200° and 340° from X" in " ".join(note_lines(build_model(records.fragment()), 1.0))


def test_a_fragment_worn_on_beside_its_break_ends_at_the_break() -> None:
    """The rim lacks 111 degrees and the bore 77 of them: the ring broke where the bore ends, and is worn beside it."""
    ring = (
        records.feature("F1", "round_outside", 10.0, 10.0, 1.0, 3.0, diameter_mm=records.m(12.0), arc_deg=249.0, arc_from_deg=120.0),
        records.feature("F2", "round_hole", 10.0, 10.0, 1.0, 3.0, diameter_mm=records.m(8.0), arc_deg=283.0, arc_from_deg=120.0),
    )  # fmt: skip
    model = build_model(records.plain("ring", ring))
    ((_, contour),) = model.zones[0].rims
    assert contour.area() == pytest.approx(math.pi * (36 - 16) * 283 / 360, rel=1e-9)
    assert "F1 at 240° and 317° from X" in " ".join(note_lines(model, 1.0))


def test_two_edges_worn_each_for_itself_are_no_fragment() -> None:
    """A rim and a bore that lack different sectors stay a ring: only what broke together broke."""
    ring = (
        records.feature("F1", "round_outside", 10.0, 10.0, 1.0, 3.0, diameter_mm=records.m(12.0), arc_deg=330.0, arc_from_deg=65.0),
        records.feature("F2", "round_hole", 10.0, 10.0, 1.0, 3.0, diameter_mm=records.m(3.0), arc_deg=320.0, arc_from_deg=114.0),
    )  # fmt: skip
    ((_, contour),) = build_model(records.plain("ring", ring), edges=AS_FOUND).zones[0].holes
    assert contour.area() == pytest.approx(math.pi * 2.25)


def test_edges_are_asked_for_by_the_words_of_the_settings() -> None:
    """The command offers what the drawing knows, and anything else is refused in one sentence."""
    assert option_of(Settings.__dataclass_fields__["edges"]).choices == EDGES
    with pytest.raises(InputError, match="choose one of to-make, as-found"):
        solid_record(worn.worn_plate(), edges="worn")


def test_the_record_keeps_the_stretches() -> None:
    """They are written with the record."""
    assert '"stretches"' in part_to_json(worn.worn_plate())
