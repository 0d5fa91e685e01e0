"""Form and relations end to end on small invented plates: flat with a circle of holes, and bent."""

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest

from ctrecon.core.measured import Measured
from ctrecon.measuring import measure_stack
from ctrecon.phantoms import Scanner
from ctrecon.phantoms.phantom import Pose, assemble
from ctrecon.phantoms.plate import Plate, RoundHole, plate_design
from ctrecon.phantoms.render import Body, Placement, render
from ctrecon.phantoms.scanner import scan
from ctrecon.phantoms.solids import Cylinder, Difference, Rectangle, Solid
from ctrecon.record.part import Part, Relation
from ctrecon.record.store import part_to_json, read_part, write_part
from ctrecon.report import report_html
from ctrecon.slices import SliceStack

VOXEL = 0.06
CIRCLE, FIRST_DEG, DRILL = 1.7, 20.0, 0.7
BEND = 0.03
BENT_HOLES = ((-1.7, -1.0), (1.6, -0.9), (-1.5, 1.1))


def value(relation: Relation) -> Measured:
    assert relation.value is not None and relation.value.u is not None
    return relation.value


def of_kind(part: Part, kind: str) -> list[Relation]:
    return [one for one in part.relations if one.kind == kind]


@pytest.fixture(scope="module")
def plate() -> Part:
    """A plate with five holes divided evenly on a circle and a sixth off it, tilted and turned by 8 degrees."""
    angle = np.radians(FIRST_DEG - 8 + 72 * np.arange(5))
    holes = [RoundHole(x=CIRCLE * math.cos(a), y=CIRCLE * math.sin(a), diameter=DRILL) for a in angle]
    holes.append(RoundHole(x=0.35, y=0.2, diameter=DRILL))
    design = plate_design(Plate(long=5.4, short=4.8, thickness=0.9, round_holes=tuple(holes)))
    phantom = assemble(
        "plate", design, voxel_mm=(VOXEL,) * 3, rng=np.random.default_rng(5), half_xy=(2.7, 2.4), margin_px=6,
        pose=Pose(tilt_deg=0.9, towards_deg=130.0, turn_deg=8.0), scanner=Scanner(snr=25.0),
    )  # fmt: skip
    stack = SliceStack.from_array(phantom.volume, voxel_mm=phantom.voxel_mm, source="plate", towards_viewer=False)
    return measure_stack(stack).part


@dataclass(frozen=True)
class Bent:
    """A flat solid bent to a parabola about its y axis: every point moves along z by k x²."""

    body: Solid
    k: float

    def distance(self, x: np.ndarray, y: np.ndarray, z: np.ndarray) -> np.ndarray:
        return np.asarray(self.body.distance(x, y, z - self.k * x * x) / math.hypot(1, 2 * self.k * 3))


@pytest.fixture(scope="module")
def bent() -> Part:
    """A plate with three holes, bent by about two slices."""
    holes = tuple(Cylinder(diameter=0.8, z_from=-2, z_to=2, x=x, y=y) for x, y in BENT_HOLES)
    flat = Difference(Rectangle(long=4.8, short=3.6, z_from=-0.4, z_to=0.4), holes)
    lying = Placement(centre_xyz=(2.9, 2.3, 0.95), tilt_deg=0.8, towards_deg=70.0, turn_deg=4.0)
    clean = render(
        (Body(name="plate", solid=Bent(flat, BEND)),), placement=lying, shape=(33, 78, 98), voxel_mm=(VOXEL,) * 3,
        rng=np.random.default_rng(1),
    )  # fmt: skip
    volume = scan(clean, Scanner(snr=25.0), np.random.default_rng(2))
    return measure_stack(SliceStack.from_array(volume, voxel_mm=VOXEL, source="bent", towards_viewer=False)).part


def test_five_holes_on_a_circle(plate: Part) -> None:
    """Five holes are told as a circle divided in five, with diameter and start angle within their U; the sixth is not."""
    (found,) = of_kind(plate, "divided_circle")
    assert len(found.features) == 5 and found.margin is not None and found.margin > 10
    diameter = value(found)
    assert abs(diameter.value - 2 * CIRCLE) <= 3 * (diameter.u or 0) + 0.001
    assert "divided evenly in 5" in found.says
    # on paper Y runs up, so the start angle counts the other way
    angle = float(found.says.split("a hole stands at ")[1].split("°")[0])
    assert angle == pytest.approx(-FIRST_DEG % 72, abs=0.1)
    (drill,) = of_kind(plate, "equal_size")
    assert len(drill.features) == 6
    assert abs(value(drill).value - DRILL) < 0.003


def test_centre_distances_cover_the_truth(plate: Part) -> None:
    """All fifteen centre distances are given; those of the circle are its chords, within 3u."""
    distances = of_kind(plate, "centre_distance")
    assert len(distances) == 15
    (ring,) = of_kind(plate, "divided_circle")
    chords = [2 * CIRCLE * math.sin(math.pi * k / 5) for k in (1, 2)]
    own = [value(d) for d in distances if set(d.features) <= set(ring.features)]
    assert len(own) == 10
    assert all(min(abs(d.value - c) for c in chords) < 3 * (d.u or 0) + 0.0006 for d in own)


def test_true_form_is_not_resolved(plate: Part) -> None:
    """A plate with round holes, flat faces and square flats is at least that good: hardly any figure stands out of the noise."""
    (outside,) = plate.of_kind("rectangular_outside")
    assert "bent" not in outside.flags
    assert {"flatness_start_mm", "flatness_end_mm"} <= set(outside.form)
    for one in plate.of_kind("round_hole"):
        assert one.roundness_mm is not None
        assert one.roundness_mm.value <= 2 * (one.roundness_mm.u or 0)
        assert one.form["roundness_mz_mm"].value <= one.form["roundness_mm"].value + 1e-9
        inside, outside_of_it = one.form["inscribed_mm"], one.form["circumscribed_mm"]
        assert one.diameter_mm is not None and inside.value <= one.diameter_mm.value <= outside_of_it.value
        assert abs(inside.value - DRILL) <= 3 * (inside.u or 0)
    claims = [says for one in plate.features for says in one.form_says] + [
        r.says for r in plate.relations if r.kind in ("flats_square", "flats_parallel", "faces_wedge")
    ]
    assert sum("not significant" not in says for says in claims) <= 2 < len(claims)


def test_bent_plate(bent: Part) -> None:
    """A bent plate is flagged, its bend measured, and its hole distances given as found and developed flat."""
    (outside,) = bent.of_kind("rectangular_outside")
    assert "bent" in outside.flags
    for where in ("start", "end"):
        # over the face less the rim that is left out: between 80 and 100 % of the whole sagitta
        assert 0.75 * BEND * 2.4**2 < outside.form[f"bend_{where}_mm"].value < 1.02 * BEND * 2.4**2
    flat = {frozenset(r.features): value(r) for r in of_kind(bent, "centre_distance_flat")}
    chord = {frozenset(r.features): value(r) for r in of_kind(bent, "centre_distance")}
    assert len(flat) == 3
    t = (np.arange(400) + 0.5) / 400
    truth = []
    for i, (x0, y0) in enumerate(BENT_HOLES):
        for x1, y1 in BENT_HOLES[:i]:
            rise = 2 * BEND * (x0 + t * (x1 - x0)) * (x1 - x0)
            truth.append((math.dist((x0, y0), (x1, y1)), float(np.sqrt((x1 - x0) ** 2 + (y1 - y0) ** 2 + rise**2).mean())))
    for pair, along in flat.items():
        straight, developed = min(truth, key=lambda both: abs(both[0] - chord[pair].value))
        assert abs(chord[pair].value - straight) < 3 * (chord[pair].u or 0) + 0.001
        assert abs(along.value - developed) < 3 * (along.u or 0) + 0.001
    assert max(f.value - chord[p].value for p, f in flat.items()) > 0.003


def test_record_and_report_carry_them(plate: Part, tmp_path) -> None:
    """Form and relations survive part.json, and the report shows both sections."""
    write_part(plate, tmp_path / "part.json")
    again = read_part(tmp_path / "part.json")
    assert len(again.relations) == len(plate.relations)
    assert again.relations[0].says == plate.relations[0].says
    assert sorted(again.of_kind("round_hole")[0].form) == sorted(plate.of_kind("round_hole")[0].form)
    html = report_html(plate)
    assert "<h2>Form</h2>" in html and "How features stand to each other" in html
    assert "divided evenly in 5" in html


def test_record_refuses_an_unknown_relation(plate: Part) -> None:
    """A relation of no known kind, or of a feature that is not there, breaks the record's rules."""
    first = plate.relations[0]
    for wrong in (replace(first, kind="teapot"), replace(first, features=("F99",))):
        with pytest.raises(ValueError, match=r"relations\.0"):
            part_to_json(replace(plate, relations=(wrong,)))


def test_no_form_no_section(plate: Part) -> None:
    """A record without form and relations has neither section in its report."""
    bare = replace(
        plate, relations=(), features=tuple(replace(f, form={}, form_says=()) for f in plate.features)
    )
    html = report_html(bare)
    assert "<h2>Form</h2>" not in html and "How features stand to each other" not in html
