"""Axes, turns and distances between features, on records with known truth."""

from dataclasses import replace

import numpy as np
import pytest

from ctrecon.core.measured import Measured
from ctrecon.features.bent_plate import faces_wedge, length_along
from ctrecon.features.faces import Face
from ctrecon.features.form import Extreme
from ctrecon.record.part import Axis, Feature, Part, Relation, StackInfo
from ctrecon.record.relations import AxisLine, axes_angles, axis_offsets, centre_distances, equal_turns

STACK = StackInfo(
    source="made up", slices=60, rows=200, columns=200, voxel_mm=(0.1, 0.1, 0.1), scale_basis="stated",
    scale_u_rel=(0.0, 0.0, 0.0),
)  # fmt: skip


def feature(ident: str, kind: str, x: float, y: float, low: float, high: float, **sizes: object) -> Feature:
    ends = {"depth_from_mm": Measured(low, 0.002), "depth_to_mm": Measured(high, 0.002)}
    return Feature(id=ident, kind=kind, x_mm=Measured(x, 0.003), y_mm=Measured(y, 0.003), **ends, **sizes)  # type: ignore[arg-type]


def part_of(*features: Feature) -> Part:
    axis = Axis(tilt_deg=Measured(0.0, 0.02), direction_xyz=(0.0, 0.0, 1.0), direction_u_deg=0.02)
    return Part(name="p", made_with="test", stack=STACK, axis=axis, features=features)


def axis_line(x: float, y: float, z: float, slopes: tuple[float, float] = (0.0, 0.0), u: float = 0.003) -> AxisLine:
    return AxisLine(x, y, z, slopes, np.diag([u**2, u**2, 0.001**2, 0.001**2]), True)


BUSH = part_of(
    feature("F1", "round_outside", 5, 5, 0, 4, diameter_mm=Measured(8.0, 0.004)),
    feature("F2", "round_hole", 5, 5, 0, 4, diameter_mm=Measured(4.0, 0.004)),
)


def told(relation: Relation) -> Measured:
    assert relation.value is not None and relation.value.u is not None
    return relation.value


@pytest.mark.parametrize("offset", [0.0, 0.002, 0.01, 0.05])
def test_axis_offset_covers_the_truth(offset: float) -> None:
    """In 300 draws of both places with their own u, the true offset lies within 2u of the one told, none or large."""
    rng = np.random.default_rng(3)
    hits = []
    for _ in range(300):
        noise = rng.normal(0, 0.003, 4)
        lines = {
            "F1": axis_line(5 + noise[0], 5 + noise[1], 2.0),
            "F2": axis_line(5 + 0.6 * offset + noise[2], 5 - 0.8 * offset + noise[3], 2.0),
        }
        (found,) = axis_offsets(BUSH, lines)
        hits.append(abs(told(found).value - offset) <= 2 * (told(found).u or 0))
    assert np.mean(hits) >= 0.93


def test_axis_offset_says_which_way() -> None:
    """The way from one axis to the other is told with Y up; an offset within noise is called not significant."""
    lines = {"F1": axis_line(5, 5, 2.0), "F2": axis_line(5.03, 4.96, 2.0)}
    (found,) = axis_offsets(BUSH, lines)
    assert told(found).value == pytest.approx(0.05)
    assert "X +0.0300, Y +0.0400" in found.says and "not significant" not in found.says
    (none,) = axis_offsets(BUSH, {"F1": axis_line(5, 5, 2.0), "F2": axis_line(5.003, 5.002, 2.0)})
    assert "not significant" in none.says


def test_features_that_share_no_depth_or_no_place_are_not_compared() -> None:
    """A hole far off the axis, or one that lies in other depths, makes no axis offset."""
    lines = {"F1": axis_line(5, 5, 2.0), "F2": axis_line(7, 5, 2.0)}
    assert axis_offsets(BUSH, lines) == []
    apart = part_of(BUSH.features[0], replace(BUSH.features[1], depth_from_mm=Measured(4.5, 0.01), depth_to_mm=Measured(5.5, 0.01)))
    assert axis_offsets(apart, {"F1": axis_line(5, 5, 2.0), "F2": axis_line(5, 5, 5.0)}) == []


def test_leaning_axes_are_compared_where_both_are() -> None:
    """Axes that lean apart by 0.01 are compared in the middle of their common depth, and their angle is 0.573 degrees."""
    lines = {"F1": axis_line(5, 5, 2.0), "F2": axis_line(5.0, 5, 0.0, (0.01, 0.0))}
    (offset,) = axis_offsets(BUSH, lines)
    assert told(offset).value == pytest.approx(0.02)
    (angle,) = axes_angles(BUSH, lines)
    assert told(angle).value == pytest.approx(np.degrees(0.01))
    assert told(angle).u == pytest.approx(np.degrees(0.001 * np.sqrt(2)), rel=1e-6)
    not_own = {k: replace(v, own=False) for k, v in lines.items()}
    assert axes_angles(BUSH, not_own) == []


def test_equal_turn_counts_to_the_nearest_quarter() -> None:
    """89.9 and 0.05 degrees differ by 0.15; u is of both."""
    pair = part_of(
        feature("F1", "square_outside", 5, 5, 0, 4, flats_mm=Measured(8.0, 0.004), turn_deg=Measured(89.9, 0.03)),
        feature("F2", "square_hole", 5, 5, 0, 4, flats_mm=Measured(4.0, 0.004), turn_deg=Measured(0.05, 0.04)),
    )
    (found,) = equal_turns(pair)
    assert told(found).value == pytest.approx(0.15) and told(found).u == pytest.approx(0.05)
    assert "turned against each other" in found.says


def holes(count: int) -> Part:
    return part_of(*(feature(f"F{i + 1}", "round_hole", 2.0 * i, 0.1 * i * i, 0, 2, diameter_mm=Measured(1.0, 0.004)) for i in range(count)))


def lines_of(part: Part) -> dict[str, AxisLine]:
    return {f.id: axis_line(f.x_mm.value, f.y_mm.value, 1.0) for f in part.features if f.x_mm and f.y_mm}


def test_centre_distances_of_few_and_of_many_holes() -> None:
    """Three holes give three distances with the u of both places; ten holes only those to near neighbours."""
    few = holes(3)
    found = {r.features: told(r) for r in centre_distances(few, lines_of(few))}
    assert len(found) == 3
    assert found["F1", "F3"].value == pytest.approx(np.hypot(4.0, 0.4))
    assert found["F1", "F3"].u == pytest.approx(0.003 * np.sqrt(2), rel=1e-6)
    many = holes(10)
    near = centre_distances(many, lines_of(many))
    assert 10 <= len(near) <= 20
    assert {i for r in near for i in r.features} == {f.id for f in many.features}


def face(slope: float, xx: float = 0.0) -> Face:
    fine = Extreme(0.0, 1e-3, 1e-3, 1e-3, False)
    return Face((50.0, 40.0), np.array([30.0, slope, 0.0, xx, 0.0, 0.0]), np.eye(6) * 1e-8, fine, fine, 50)


def test_wedge_between_faces() -> None:
    """A face that leans by 0.002 against the other stands 0.1146 degrees to it, 0.016 mm over 8 mm."""
    (found,) = faces_wedge(BUSH, {("F1", True): face(0.001), ("F1", False): face(0.003)})
    assert told(found).value == pytest.approx(np.degrees(0.002), rel=1e-6)
    assert "0.0160 mm over 8.0 mm" in found.says
    assert faces_wedge(BUSH, {("F1", True): face(0.0)}) == []


def test_length_along_a_parabola() -> None:
    """The length along z = k x² from -40 to 40 px agrees with the closed form of a parabola's arc."""
    k = 0.002
    slope = 2 * k * 40
    exact = 40 * np.sqrt(1 + slope**2) + np.arcsinh(slope) / (2 * k)
    bent = face(0.0, k)
    assert length_along([bent], np.array([10.0, 40.0]), np.array([90.0, 40.0])) == pytest.approx(exact, rel=1e-5)
    assert length_along([bent, face(0.0)], np.array([50.0, 0.0]), np.array([50.0, 80.0])) == pytest.approx(80.0)
