"""Where section A–A is cut: bent, stepped or straight; what it then shows, and how the view marks it (ISO 128-3)."""

import itertools
import math
from typing import Any

import drawing_records as records
import pytest
from drawing_records import feature, m

from ctrecon.drawing.layout import lay_out
from ctrecon.drawing.model.views import build_model
from ctrecon.drawing.paper.items import Hatch, Label, Line
from ctrecon.drawing.shown.cut import cut_zones
from ctrecon.drawing.shown.plane import STRAIGHT, Leg, Plane, cutting_plane
from ctrecon.drawing.shown.section import section_shapes
from ctrecon.record.part import Feature, Part


def ring(start_deg: float, arc_deg: float, **more: Any) -> Part:
    """Return what is left of a ring of 16 by 10 by 3 mm about (10, 10); angles as the record has them."""
    rest: dict[str, Any] = {"arc_deg": arc_deg, "arc_from_deg": start_deg}
    return records.plain(
        "ring",
        (
            feature("F1", "round_outside", 10.0, 10.0, 0.0, 3.0, diameter_mm=m(16.0), **rest, **more),
            feature("F2", "round_hole", 10.0, 10.0, 0.0, 3.0, diameter_mm=m(10.0), opens_at=("start", "end"), **rest),
        ),
    )


def flange(*angles_deg: float, depth: float = 4.0) -> Part:
    """Return a disc of 24 by 4 mm with a bore of 6 and holes of 3 on a circle of 16; angles as the sheet has them."""
    made: list[Feature] = [
        feature("F1", "round_outside", 15.0, 15.0, 0.0, 4.0, diameter_mm=m(24.0)),
        feature("F2", "round_hole", 15.0, 15.0, 0.0, 4.0, diameter_mm=m(6.0), opens_at=("start", "end")),
    ]
    for k, angle in enumerate(angles_deg):
        x, y = 15.0 + 8.0 * math.cos(math.radians(angle)), 15.0 - 8.0 * math.sin(math.radians(angle))
        ends = ("start", "end") if depth >= 4.0 else ("start",)
        made.append(feature(f"F{k + 3}", "round_hole", x, y, 0.0, depth, diameter_mm=m(3.0), opens_at=ends))
    return records.plain("flange", tuple(made))


def strips(part: Part) -> list[tuple[float, float, float, float]]:
    """Return the hatched metal of the section in mm: first and last depth, lowest and highest Y, sorted."""
    model = build_model(part)
    found = []
    for item in section_shapes(model, cut_zones(model), 1.0)[0]:
        if isinstance(item, Hatch):
            xs, ys = zip(*item.outer, strict=True)
            found.append((min(xs), max(xs), min(ys), max(ys)))
    return sorted(found)


@pytest.mark.parametrize(("start", "arc"), [(300.0, 300.0), (120.0, 300.0), (0.0, 200.0), (-60.0, 240.0)])
def test_a_ring_fragment_is_cut_where_its_metal_is(start: float, arc: float) -> None:
    """Wherever the gap lies, half a ring or more shows both walls, 5 to 8 mm from the axis, above and below."""
    (low, high) = strips(ring(start, arc))
    assert low == pytest.approx((0.0, 3.0, -8.0, -5.0), abs=1e-3) and high == pytest.approx(
        (0.0, 3.0, 5.0, 8.0), abs=1e-3
    )


@pytest.mark.parametrize("middle", [0.0, 45.0, 180.0, 200.0])
def test_a_short_stretch_of_a_ring_is_never_missed(middle: float) -> None:
    """A sector of 60 degrees anywhere: one wall is cut, 3 mm thick, and the drawing says that the cut is bent."""
    part = ring(middle - 30.0, 60.0)
    (only,) = strips(part)
    assert only[3] - only[2] == pytest.approx(3.0, abs=0.02)
    plane = cutting_plane(build_model(part))
    assert (plane.says == "bent clear of the gap") == (plane is not STRAIGHT)


def test_walls_of_a_fragment_are_cut_along_its_taper() -> None:
    """1:10 on the diameter over 3 mm: the outside is 16.15 wide at the start, 15.85 at the end (ISO 3040)."""
    model = build_model(ring(0.0, 250.0, taper_mm_per_mm=m(-0.1, 0.001), flags=("tapered",)))
    ys = sorted({round(y, 3) for i in section_shapes(model, cut_zones(model), 1.0)[0] if isinstance(i, Hatch)
                 for _, y in i.outer})  # fmt: skip
    assert ys == pytest.approx([-8.075, -7.925, -5.0, 5.0, 7.925, 8.075], abs=2e-3)


def test_a_hole_of_a_bolt_circle_is_turned_into_the_section() -> None:
    """Holes at 20, 140 and 260 degrees: the nearest to the plane is cut, 6.5 to 9.5 mm below the axis, through."""
    part = flange(20.0, 140.0, 260.0)
    assert cutting_plane(build_model(part)).says == "bent through F5"
    assert [y for one in strips(part) for y in one[2:]] == pytest.approx([-12.0, -9.5, -6.5, -3.0, 3.0, 12.0], abs=2e-3)


def test_a_blind_hole_goes_before_a_nearer_one_that_runs_through() -> None:
    """What only a cut shows comes first: of two holes the blind one, farther from the plain plane."""
    part = flange(80.0, 300.0)
    blind = flange(300.0, depth=2.0).features[2]
    part = records.plain("flange", (*part.features[:3], blind.__class__(**{**vars(blind), "id": "F4"})))
    assert cutting_plane(build_model(part)).says == "bent through F4"


def test_a_plane_that_already_goes_through_a_hole_stays_straight() -> None:
    """A hole right above the axis is cut anyway; a disc without holes too has nothing to bend for."""
    assert cutting_plane(build_model(flange(90.0, 210.0, 330.0))) == STRAIGHT
    assert cutting_plane(build_model(flange())) == STRAIGHT


def test_a_plate_is_cut_in_steps_through_its_blind_hole() -> None:
    """The blind hole of 4 mm, 2 deep, stands at X 11, Y 6: the section has it at Y 4 to 8, and the bore at 0."""
    part = records.lopsided()
    assert cutting_plane(build_model(part)).says == "stepped through F3"
    first = [one for one in strips(part) if one[0] == pytest.approx(0.0, abs=1e-6)]
    assert [y for one in first for y in one[2:]] == pytest.approx([-10.0, -2.5, 2.5, 4.0, 8.0, 10.0], abs=1e-3)


def test_turning_a_disc_into_the_section_changes_nothing_of_it() -> None:
    """A whole disc laid flat along any bent plane is the same disc: area as reckoned, pi r squared."""
    from shapely.geometry import Point

    disc = Point(0.0, 0.0).buffer(5.0, quad_segs=256)
    for up, down in itertools.product((40.0, 90.0, 130.0), (240.0, 270.0, 320.0)):
        flat = Plane((Leg(90.0 - up, low=0.0), Leg(270.0 - down, high=0.0))).laid_flat(disc)
        assert flat.area == pytest.approx(math.pi * 25.0, rel=1e-3)


def test_a_bent_plane_is_marked_at_its_ends_and_wide_where_it_bends() -> None:
    """ISO 128-3: an A at both ends, one end in line with the hole at 260 degrees; two wide strokes meet on the axis."""
    sheet = lay_out(build_model(flange(20.0, 140.0, 260.0)))
    items = sheet.pages[0].items
    assert sum(isinstance(i, Label) and i.text == "A" for i in items) == 2
    wide = [i for i in items if isinstance(i, Line) and i.style == "WIDE"]
    pairs = [(a, b) for a, b in itertools.combinations(wide, 2) if {a.start, a.end} & {b.start, b.end}]
    turns = {
        round(math.degrees(math.atan2(one.end[1] - one.start[1], one.end[0] - one.start[0])) % 180.0) for one in wide
    }
    assert 80 in turns  # 260 degrees, either way along it
    assert any({round(math.degrees(math.atan2(i.end[1] - i.start[1], i.end[0] - i.start[0])) % 180) for i in pair}
               == {80, 90} for pair in pairs)  # fmt: skip


def test_the_corner_of_a_square_hole_shows_behind_the_cut() -> None:
    """A square of 4 mm turned by 20 degrees: a corner stands 2.828 mm from the axis at 155 degrees, so at Y 1.195."""
    square = feature("F2", "square_hole", 9.0, 9.0, 0.0, 4.0, flats_mm=m(4.0), turn_deg=m(20.0), opens_at=("start",))
    drum = feature("F1", "round_outside", 9.0, 9.0, 0.0, 6.0, diameter_mm=m(12.0))
    flat = feature("F3", "square_outside", 9.0, 9.0, 6.0, 7.0, flats_mm=m(5.0), turn_deg=m(0.0))  # X runs along it
    model = build_model(records.plain("drum", (drum, square, flat)))
    lines = [i for i in section_shapes(model, cut_zones(model), 1.0)[0] if isinstance(i, Line) and i.style == "WIDE"]
    level = {round(i.start[1], 3) for i in lines if i.start[1] == i.end[1] and max(i.start[0], i.end[0]) < 4.1}
    corners = [2 * math.sqrt(2) * math.sin(math.radians(45 + 90 * k - 20)) for k in range(4)]
    left = [2 * math.sqrt(2) * math.cos(math.radians(45 + 90 * k - 20)) < 0 for k in range(4)]
    seen = {round(y, 3) for y, behind in zip(corners, left, strict=True) if behind}
    assert seen & level == {y for y in seen if abs(y) < 2.0 / math.cos(math.radians(20.0)) - 0.7}
