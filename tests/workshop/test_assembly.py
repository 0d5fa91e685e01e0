"""Assemblies read from their file: sizes and their u, places, faces along Z, made sizes, overrides."""

import importlib.util
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from shapely import Point

from ctrecon.core.errors import InputError
from ctrecon.core.measured import Measured
from ctrecon.record.part import ImageInfo, Part, Sensitivity
from ctrecon.record.sensitivity import with_sensitivity
from ctrecon.record.store import write_part
from ctrecon.workshop.assembly.from_record import own_from_record
from ctrecon.workshop.assembly.heights import faces_of, size_between
from ctrecon.workshop.assembly.model import Assembly, Place, PlannedSize
from ctrecon.workshop.assembly.own import Level, OwnHole, Shared
from ctrecon.workshop.assembly.place import by_two
from ctrecon.workshop.assembly.read import read_assembly
from ctrecon.workshop.assembly.schema import parse_size
from ctrecon.workshop.assembly.shop import HABITS, ShopHabits

_spec = importlib.util.spec_from_file_location(
    "random_records_of_assembly", Path(__file__).with_name("random_records.py")
)
assert _spec is not None
assert _spec.loader is not None
records = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(records)
bare_part, feature, piece = records.bare_part, records.feature, records.piece

_TURNED = """
name = "try"
stack = ["base"]
match_within_mm = 0.2
[frame]
part = "base"
origin = "main"
turn_deg = 30.0
[axes.main]
[axes.far]
at_mm = ["20±0.1", 5]
[parts.base]
role = "plate"
outline = { size_mm = [60, 40] }
thickness_mm = "2.00±0.02"
holes = [
  { axis = "main", at_mm = [-10, 4], diameter_mm = "3.00±0.01" },
  { name = "long_hole", at_mm = [5, -6], size_mm = [6, 2], turn_deg = 25, round_ends = true },
]
[parts.post]
role = "pillar"
axis = "far"
rests_on = "base"
foot = "shank"
steps = [
  { name = "peg", length_mm = "1.90±0.02", diameter_mm = 2 },
  { name = "shank", length_mm = "6.00±0.04", diameter_mm = 5 },
  { name = "neck", length_mm = "3.00±0.06", flats_mm = 3, turn_deg = 10 },
]
[parts.ring]
role = "ring"
outline = { diameter_mm = 9 }
thickness_mm = "1.80±0.02"
axis = "far"
rests_on = "post.shank"
gap_mm = 0.2
[gaps.play]
between = ["post.neck.upper", "ring.upper"]
"""


def _read(folder: Path, text: str) -> Assembly:
    file = folder / "assembly.toml"
    file.write_text(text, encoding="utf-8")
    return read_assembly(file)


@pytest.mark.parametrize(
    ("typed", "value", "u"),
    [
        (2, 2.0, None), (1.5, 1.5, None), ("1.83", 1.83, None), ("1.83±0.01", 1.83, 0.005), ("1.83 +/- 0.01", 1.83, 0.005),
        ("1.83+-0.01 mm", 1.83, 0.005), ("0.072 in", 1.8288, None), ("0.5 ± 0.001 inch", 12.7, 0.0127), ("-3.5", -3.5, None),
    ],
)  # fmt: skip
def test_sizes_are_read_as_written(typed: object, value: float, u: float | None) -> None:
    """± is U (k = 2), as tables print it; an inch is 25.4 mm (ISO 31-1)."""
    size = parse_size(typed)
    assert size.value == pytest.approx(value)
    assert size.u == (None if u is None else pytest.approx(u))


def test_turned_frame_puts_typed_holes_where_plane_geometry_has_them(tmp_path: Path) -> None:
    """Turned by 30 degrees about its main hole: a place (15, -10) from it comes to lie at r, phi + 30 degrees."""
    base = _read(tmp_path, _TURNED)["base"]
    hole = next(one for one in base.holes if one.id == "long_hole")
    far, way = math.hypot(15.0, -10.0), math.atan2(-10.0, 15.0) + math.radians(30.0)
    assert hole.place.xy == pytest.approx((far * math.cos(way), far * math.sin(way)))
    assert hole.turn_deg == pytest.approx(55.0)
    # a slot is a rectangle between two half circles
    assert hole.shape.area == pytest.approx(2.0 * 4.0 + math.pi, rel=1e-4)
    assert hole.long == Measured(6.0, None)
    assert base.outline.area == pytest.approx(2400.0)


def test_steps_stand_where_they_rest(tmp_path: Path) -> None:
    """The post rests with its shank on the plate: the peg reaches into it, the ring lies 0.2 over the shank."""
    read = _read(tmp_path, _TURNED)
    post, ring = read["post"], read["ring"]
    assert [(one.from_z, one.to_z) for one in post.steps] == [
        (pytest.approx(0.1), 2.0), (2.0, 8.0), (8.0, 11.0),
    ]  # fmt: skip
    assert (ring.from_z, ring.to_z) == pytest.approx((8.2, 10.0))
    assert post.steps[1].shape.centroid.coords[0] == pytest.approx((20.0, 5.0))


def test_gap_is_the_chain_between_its_faces(tmp_path: Path) -> None:
    """Neck over ring: the neck's length less ring and gap; the post's shank and the plate cancel."""
    read = _read(tmp_path, _TURNED)
    (gap,) = read.gaps
    assert {(one.sign, one.key) for one in gap.terms} == {(1, "post.neck.length"), (-1, "ring.thickness")}
    assert gap.fixed_mm == pytest.approx(-0.2)
    assert sum(one.sign * read.sizes[one.key].value for one in gap.terms) + gap.fixed_mm == pytest.approx(1.0)
    assert read.sizes["post.neck.height"].size.u == pytest.approx(math.hypot(0.02, 0.03))


def test_made_size_takes_the_place_and_keeps_the_planned_one(tmp_path: Path) -> None:
    """A made thickness moves what lies above, with its own u; the stated one stays beside it, and nothing is mixed."""
    read = _read(
        tmp_path, _TURNED + '[made]\n"base.thickness" = "2.05±0.01"\nring.thickness = 1.75\n"base.main" = 3.02\n'
    )
    assert read["base"].thickness == Measured(2.05, 0.005)
    assert read["base"].measured["base.thickness"].size == Measured(2.0, 0.01)
    made = read.made["ring.thickness"]
    assert (made.basis, made.size, made.made_from) == ("made", Measured(1.75, 0.02), Measured(1.8, 0.01))
    assert read["ring"].from_z == pytest.approx(8.25)
    hole = read["base"].hole_on("main")
    assert hole is not None
    assert hole.shape.area == pytest.approx(math.pi / 4 * 3.02**2, rel=1e-6)
    assert read["base"].sizes["base.main"].value == 3.02 and read["base"].measured["base.main"].value == 3.0


def test_made_length_moves_the_faces_above_it(tmp_path: Path) -> None:
    """A made shank moves the neck; the height to the neck's top follows from a made and a stated length."""
    read = _read(tmp_path, _TURNED + '[made]\n"post.shank.length" = "6.10±0.01"\n')
    height = read.sizes["post.neck.height"]
    assert height.value == pytest.approx(9.1)
    assert height.basis == "inferred"
    assert height.size.u == pytest.approx(math.hypot(0.005, 0.03))
    assert read.sizes["post.shank.length"].basis == "made"
    assert read["post"].to_z == pytest.approx(11.1)


def _stepped() -> Part:
    """Return a record of three steps with faces at 1, 3, 6.5 and 8 mm, u 0.004, and how they answer to the edge."""
    lengths = ((1.0, 3.0, 9.0), (3.0, 6.5, 7.0), (6.5, 8.0, 4.0))
    features = [
        feature(n, "round_outside", size, (20.0, 20.0), u=0.004, depth=(low, high))
        for n, (low, high, size) in enumerate(lengths, 1)
    ]
    part = bare_part(features, [piece(1, 7.0)], scale_u=0.001)
    image = ImageInfo(edge_u_px=0.05)
    return with_sensitivity(replace(part, image=image))


def test_u_of_heights_and_lengths_is_that_of_a_simulation() -> None:
    """Monte Carlo as the judge: faces drawn with their u, one length made; spread and covariance of heights hold."""
    part = _stepped()
    own = own_from_record(part, "hub", names={}, face_up="end", shared=Shared("s", 0.001, 0.001))
    made = {"hub.F2.length": PlannedSize(key="hub.F2.length", words="", size=Measured(3.6, 0.002), basis="made")}
    faces = faces_of(own, None, made)
    rng = np.random.default_rng(7)
    runs = 400_000
    f = {z: z + 0.004 * rng.standard_normal(runs) for z in (1.0, 3.0, 6.5, 8.0)}
    length = 3.6 + 0.002 * rng.standard_normal(runs)
    top1 = f[3.0] - f[1.0]
    top2 = top1 + length
    top3 = top2 + f[8.0] - f[6.5]
    pairs = [
        (faces.seat, faces.pairs[0][1], top1), (faces.seat, faces.pairs[1][1], top2), (faces.seat, faces.pairs[2][1], top3),
        (faces.pairs[0][1], faces.pairs[2][1], top3 - top1), (faces.pairs[2][0], faces.pairs[2][1], f[8.0] - f[6.5]),
    ]  # fmt: skip
    for low, high, drawn in pairs:
        size = size_between(own, "k", "", low, high)
        assert size.value == pytest.approx(float(drawn.mean()), abs=5e-5)
        assert size.size.u == pytest.approx(float(drawn.std()), rel=0.01)


@pytest.mark.parametrize("size", [-3.0, 0.0, 1e-300])
def test_a_hole_whose_size_is_none_joins_no_assembly(size: float) -> None:
    """A record that says so is refused with the feature's name: the plan would reckon with a hole of no section."""
    part = _stepped()
    hole = feature(4, "round_hole", size, (20.0, 20.0), u=0.004, depth=(1.0, 8.0))
    with pytest.raises(InputError, match="holds no section of F4: a size of it is none; measure it again"):
        own_from_record(replace(part, features=(*part.features, hole)), "hub", names={})


def test_a_size_across_of_none_joins_no_assembly() -> None:
    """Made sizes are divided by it: a square hole whose flats are 0 in the record is refused by name."""
    pair = (Measured(2.0, 0.004), Measured(2.0, 0.004))
    hole = replace(feature(4, "square_hole", 0.0, (20.0, 20.0), u=0.004, depth=(1.0, 8.0)), flats_pair_mm=pair)
    part = _stepped()
    with pytest.raises(InputError, match="gives F4 a size of 0 mm, which is none; measure it again"):
        own_from_record(replace(part, features=(*part.features, hole)), "hub", names={})


def test_shared_face_counts_once() -> None:
    """Two lengths that share a face make one height: its u is that of two faces, not of four."""
    own = own_from_record(_stepped(), "hub", names={}, face_up="end")
    faces = faces_of(own)
    height = size_between(own, "k", "", faces.seat, faces.pairs[1][1])
    assert height.size.u == pytest.approx(0.004 * 2**0.5)
    assert height.scale_u == pytest.approx(5.5 * 0.001)


def test_edge_moves_an_outer_length_and_no_step_between_like_faces() -> None:
    """When the edge lies further out, the whole grows at both ends; the face of a shoulder moves with the end it looks to."""
    own = own_from_record(_stepped(), "hub", names={}, face_up="end")
    faces = faces_of(own)
    edge = 0.05 * 0.05
    whole = size_between(own, "k", "", faces.lowest, faces.highest)
    assert whole.edge_u == pytest.approx(2 * edge)
    # both shoulders look up: the middle step neither grows nor shrinks
    step = size_between(own, "k", "", *faces.pairs[1])
    assert step.edge_u == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("face_up", ["start", "end"])
def test_record_is_seen_from_the_face_that_lies_up(face_up: str) -> None:
    """Slices show y down from the first face: from there a place (x, y) is at (x, -y), from the last at (x, y)."""
    features = [
        feature(1, "round_outside", 30.0, (20.0, 20.0), depth=(1.0, 3.0)), feature(2, "round_hole", 2.0, (26.0, 23.0), depth=(1.0, 3.0)),
        feature(3, "square_hole", 3.0, (15.0, 18.0), depth=(1.0, 2.0)),
    ]  # fmt: skip
    own = own_from_record(bare_part(features), "disc", names={"F2": "off"}, face_up=face_up)
    sign = -1.0 if face_up == "start" else 1.0
    at = {one.id: one for one in own.holes}
    assert (at["off"].x.value, at["off"].y.value) == pytest.approx((26.0, sign * 23.0))
    assert at["F3"].turn_deg == pytest.approx(10.0 if face_up == "end" else 80.0)
    # the blind square hole opens at the first slice: on top where that face lies up
    low, high = own.steps[0].low.z, own.steps[0].high.z
    assert (at["F3"].high.z == high) == (face_up == "start")
    assert (at["F3"].low.z == low) == (face_up == "end")
    assert at["off"].across.key == "disc.off"


def test_relief_is_taken_out_of_the_outline() -> None:
    """A relief of 6 mm whose centre lies on the rim of a disc of 10 mm takes the lens the two circles share."""
    disc, cut = (
        feature(1, "round_outside", 10.0, (20.0, 20.0), depth=(1.0, 3.0)),
        feature(2, "arc_outside", 6.0, (25.0, 20.0), depth=(1.0, 3.0)),
    )
    own = own_from_record(bare_part([disc, cut]), "ring", names={})
    a, b, d = 5.0, 3.0, 5.0
    one, other = ((d * d + a * a - b * b) / (2 * d * a)), ((d * d + b * b - a * a) / (2 * d * b))
    lens = a * a * math.acos(one) + b * b * math.acos(other) - d * a * math.sqrt(1 - one * one)
    assert own.outline.shape.area == pytest.approx(math.pi * 25.0 - lens, rel=2e-4)


def test_seam_is_a_region_as_wide_as_it_is() -> None:
    """A round seam of 6 mm, 0.1 wide, covers the area between circles of 6.1 and 5.9 mm."""
    disc = feature(1, "round_outside", 12.0, (20.0, 20.0), depth=(1.0, 3.0))
    seam = replace(feature(2, "round_seam", 6.0, (20.0, 20.0), depth=(1.0, 3.0)), seam_mm=Measured(0.1, 0.01))
    (ring,) = own_from_record(bare_part([disc, seam]), "disc", names={}).seams
    assert ring.area == pytest.approx(math.pi / 4 * (6.1**2 - 5.9**2), rel=0.01)
    assert not ring.contains(Point(20.0, -20.0))


def test_calibrated_record_keeps_its_own_scale(tmp_path: Path) -> None:
    """Where a record knows its scale, the session's does not take its place; where a size says more, that holds."""
    disc = feature(1, "round_outside", 12.0, (20.0, 20.0), depth=(1.0, 3.0))
    hole = replace(
        feature(2, "round_hole", 4.0, (20.0, 20.0), depth=(1.0, 3.0)), diameter_mm=Measured(4.0, 0.002, 0.0009),
        sensitivity={"diameter_mm": Sensitivity(edge=-2.0, scale=(0.0, 2.0, 2.0))},
    )  # fmt: skip
    write_part(bare_part([disc, hole], scale_u=0.0004), tmp_path / "disc.json")
    text = """
name = "try"
stack = ["disc"]
[axes.main]
[scans.bench]
scale_u_percent = 5
[parts.disc]
role = "plate"
record = "disc.json"
scan = "bench"
axes = { main = "F2" }
"""
    sizes = _read(tmp_path, text).sizes
    assert sizes["disc.diameter"].scale_u == pytest.approx(12.0 * 0.0004)
    assert sizes["disc.main"].scale_u == 0.0009
    assert {one.scan for one in sizes.values()} == {"bench"}


def test_unknown_scale_is_said(tmp_path: Path) -> None:
    """A record whose scale nobody vouches for has no scale_u, and the assembly says that U is without scale."""
    disc, hole = (
        feature(1, "round_outside", 12.0, (20.0, 20.0), depth=(1.0, 3.0)),
        feature(2, "round_hole", 4.0, (20.0, 20.0), depth=(1.0, 3.0)),
    )
    write_part(bare_part([disc, hole], scale_u=None), tmp_path / "disc.json")
    read = _read(
        tmp_path,
        'name = "try"\nstack = ["disc"]\n[axes.main]\n[parts.disc]\nrole = "plate"\nrecord = "disc.json"\naxes = { main = "F2" }\n',
    )
    assert read.sizes["disc.diameter"].scale_u is None
    assert len(read.notes) == 1 and "disc" in read.notes[0] and "without scale" in read.notes[0]
    assert read.sizes["disc.diameter"].size == Measured(12.0, 0.002)


def test_overrides_stock_and_keep_outs_are_read(tmp_path: Path) -> None:
    """What the person decided, has and forbids comes out as typed, in mm, for the plates it was given for."""
    (tmp_path / "mine.csv").write_text(
        "# from the shelf\nlabel,thickness_mm\nold brass,1.62\n,0.072 in\n", encoding="utf-8"
    )
    text = """
name = "try"
units = "inch"
stack = ["upper", "lower"]
done = ["drill 1"]
[axes.main]
[parts.upper]
role = "plate"
outline = { size_mm = [40, 30] }
thickness_mm = 1.5
holes = [{ axis = "main", diameter_mm = 3 }]
[parts.lower]
role = "plate"
outline = { size_mm = [40, 30] }
thickness_mm = 2
holes = [{ axis = "main", diameter_mm = 3 }]
place_by = ["main", "edge"]
[[keep_outs]]
name = "bar"
at_mm = [5, 2]
size_mm = [10, 4]
turn_deg = 90
[[keep_outs]]
name = "patch"
plates = ["lower"]
points_mm = [[0, 0], [4, 0], [0, 3]]
margin_mm = 0.2
[stock]
sheets_mm = [2.0]
stock_files = ["mine.csv"]
drills_mm = [2.5, 1.0]
[overrides]
set_ups = [["upper", "lower"], ["upper"]]
[overrides.pins]
"upper/lower" = [[-15, -10], [14, 11]]
[overrides.fits]
"upper.main" = "H7/g6"
[overrides.stock]
upper = 1.6
"""
    read = _read(tmp_path, text)
    bar, patch = read.keep_outs
    assert bar.plates == ("upper", "lower") and bar.shape.bounds == pytest.approx((3.0, -3.0, 7.0, 7.0))
    assert patch.plates == ("lower",) and patch.shape.area == pytest.approx(6.0) and patch.margin_mm == 0.2
    assert [(one.label, round(one.size_mm, 4)) for one in read.stock.own if one.section == "sheet"] == [
        ("old brass", 1.62), ("", 1.8288), ("at hand", 2.0),
    ]  # fmt: skip
    assert read.stock.drills_mm == (1.0, 2.5)
    assert read.overrides.pins == {("upper", "lower"): ((-15.0, -10.0), (14.0, 11.0))}
    assert read.overrides.fits == {"upper.main": "H7/g6"}
    assert read.overrides.stock == {"upper": 1.6}
    assert read.overrides.set_ups == (("upper", "lower"), ("upper",))
    assert (read.units, read.done) == ("inch", ("drill 1",))


def test_habits_are_defaults_with_reason_and_source(tmp_path: Path) -> None:
    """Every habit says why and whence; what the file gives replaces the default and is remembered as given."""
    for key, habit in HABITS.items():
        assert habit.reason and habit.source
        assert getattr(ShopHabits(), key) == habit.default
    shop = _read(tmp_path, _TURNED + "[shop]\npin_taper = 48\nsquare_method = 'drift'\nedge_margin_mm = 1\n").shop
    assert (shop.pin_taper, shop.square_method, shop.edge_margin_mm) == (48, "drift", 1.0)
    assert shop.given == {"pin_taper", "square_method", "edge_margin_mm"}


def test_reading_twice_gives_the_same(tmp_path: Path) -> None:
    """The same file gives the same assembly."""
    assert _read(tmp_path, _TURNED) == _read(tmp_path, _TURNED)


def _hole(x: float, y: float, u: float) -> OwnHole:
    level = Level(0.0, 0.0)
    size = PlannedSize(key="k", words="", size=Measured(1.0), basis="measured")
    return OwnHole(
        id="F1", kind="round", across=size, long=None, x=Measured(x, u), y=Measured(y, u), turn_deg=0.0, low=level, high=level,
        shape=Point(x, y).buffer(0.5),
    )  # fmt: skip


@pytest.mark.parametrize("at", [(18.0, 3.0), (-9.0, 4.0), (2.0, -15.0), (14.0, 10.0)])
def test_u_of_a_place_by_two_holes_is_that_of_a_simulation(at: tuple[float, float]) -> None:
    """Monte Carlo as the judge: holes drawn with their u, the plate laid by two of them anew each time."""
    a, b, u = (3.0, -2.0), (14.0, 10.0), (0.004, 0.006, 0.003)
    axis_a, axis_b = Place(x=Measured(0.0, 0.0), y=Measured(0.0, 0.0)), Place(x=Measured(10.0, 0.0), y=Measured(12.7, 0.0))
    own = u[1] if at == b else u[2]
    place = by_two(_hole(*a, u[0]), axis_a, _hole(*b, u[1]), axis_b).place(Measured(at[0], own), Measured(at[1], own))
    rng = np.random.default_rng(3)
    runs = 200_000
    drawn_a = np.array(a) + u[0] * rng.standard_normal((runs, 2))
    drawn_b = np.array(b) + u[1] * rng.standard_normal((runs, 2))
    drawn_p = drawn_b if at == b else np.array(at) + u[2] * rng.standard_normal((runs, 2))
    line, far = drawn_b - drawn_a, drawn_p - drawn_a
    turn = math.atan2(12.7, 10.0) - np.arctan2(line[:, 1], line[:, 0])
    x = np.cos(turn) * far[:, 0] - np.sin(turn) * far[:, 1]
    y = np.sin(turn) * far[:, 0] + np.cos(turn) * far[:, 1]
    assert place.xy == pytest.approx((x.mean(), y.mean()), abs=1e-4)
    assert (place.x.u, place.y.u) == pytest.approx((x.std(), y.std()), rel=0.01)


def test_square_plate_is_turned_by_its_nearest_flat(tmp_path: Path) -> None:
    """A square plate turned by 10 degrees in its record is turned back by 10, not by 80."""
    plate = feature(1, "square_outside", 20.0, (20.0, 20.0), depth=(1.0, 3.0))
    hole = feature(2, "round_hole", 4.0, (20.0, 20.0), depth=(1.0, 3.0))
    other = feature(3, "round_hole", 2.0, (26.0, 20.0), depth=(1.0, 3.0))
    write_part(bare_part([plate, hole, other]), tmp_path / "plate.json")
    text = 'name = "try"\nstack = ["plate"]\n[axes.main]\n[frame]\norigin = "main"\n[parts.plate]\nrole = "plate"\nrecord = "plate.json"\naxes = { main = "F2" }\n'
    read = _read(tmp_path, text)
    # seen from the first slice y is turned over: flats at -10 degrees, turned back by +10
    place = next(one.place for one in read["plate"].holes if one.id == "F3")
    assert place.xy == pytest.approx((6.0 * math.cos(math.radians(10.0)), 6.0 * math.sin(math.radians(10.0))))
    assert read["plate"].outline.bounds == pytest.approx((-10.0, -10.0, 10.0, 10.0))


def test_relief_is_taken_out_of_the_step_it_lies_in() -> None:
    """A relief through the upper step alone leaves the lower one whole, and steps meet on the surer of two faces."""
    lower, upper = feature(1, "round_outside", 10.0, (20.0, 20.0), depth=(3.0, 5.0)), feature(2, "round_outside", 9.0, (20.0, 20.0), depth=(1.0, 3.01), u=0.02)
    cut = feature(3, "arc_outside", 6.0, (25.0, 20.0), depth=(1.0, 3.0))
    own = own_from_record(bare_part([lower, upper, cut]), "hub", names={})
    assert own.steps[0].shape.area == pytest.approx(math.pi * 25.0, rel=1e-6)
    assert own.steps[1].shape.area < 0.95 * math.pi * 4.5**2
    assert own.steps[0].high == own.steps[1].low
    assert (own.steps[0].high.z, own.steps[0].high.u) == pytest.approx((-3.0, 0.002))
