"""What every kind says of itself, against plain geometry (shapely) and against its own other answers."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely

from ctrecon.core.measured import Measured
from ctrecon.drawing.paper.contours import contour_of
from ctrecon.record.kinds import KINDS, REQUIRED, kind_of
from ctrecon.record.part import Feature

SIZES: dict[str, Any] = {
    "diameter_mm": Measured(6.0, 0.01), "flats_mm": Measured(5.0, 0.01), "turn_deg": Measured(20.0, 0.1),
    "flats_pair_mm": (Measured(7.0, 0.01), Measured(4.0, 0.01)), "sides": 6, "area_mm2": Measured(9.0, 0.1),
    "outline_mm": ((0.0, 0.0), (3.0, 0.0), (3.0, 3.0), (0.0, 3.0), (0.0, 0.0)), "seam_mm": Measured(0.02, 0.001),
    "arc_deg": 360.0, "tip_diameter_mm": Measured(9.0, 0.01), "root_diameter_mm": Measured(7.5, 0.01), "teeth": 12,
}  # fmt: skip
"""One value for every field that a kind may need."""


def one(name: str) -> Feature:
    """Return a feature of this kind with the fields it must carry."""
    return Feature(id="F1", kind=name, **{field: SIZES[field] for field in REQUIRED[name]})


SHAPED = [name for name in KINDS if kind_of(one(name)).shape(one(name), 0.0, 0.0, 0.0) is not None]
AREAS = {
    "round_hole": np.pi * 9, "square_hole": 25.0, "rectangular_hole": 28.0, "slot": 3 * 4 + np.pi * 4,
    "polygon_hole": 2 * np.sqrt(3) * 6.25,
}  # fmt: skip
"""Closed forms (from memory) for the sizes above."""


def test_all_but_outlined_kinds_have_a_section() -> None:
    """Free shapes bring their own outline and a flat seam has no section; all others make theirs of their sizes."""
    without = {name for name, kind in KINDS.items() if kind.is_outlined or kind.is_face}
    assert set(KINDS) - set(SHAPED) == without


@pytest.mark.parametrize("name", list(AREAS))
def test_area_of_the_section(name: str) -> None:
    """The section of the required sizes has the area of the closed form, drawn as arcs and as points alike."""
    shape = KINDS[name].shape(one(name), 2.0, 1.0, 20.0)
    assert shape is not None
    assert contour_of(shape).area() == pytest.approx(AREAS[name], rel=1e-12)
    assert shapely.Polygon(shape.outline(4000)).area == pytest.approx(AREAS[name], rel=1e-5)


@pytest.mark.parametrize("name", SHAPED)
def test_vertices_lie_on_the_outline(name: str) -> None:
    """Points along lines and arcs of the vertices have no distance to the shape, and run once round it."""
    shape = KINDS[name].shape(one(name), 2.0, 1.0, 20.0)
    assert shape is not None
    contour = contour_of(shape)
    points = np.array(contour.points(3.0))
    assert np.abs(shape.signed_distance(points)).max() < 1e-9
    assert shapely.Polygon(points).exterior.is_ccw


@pytest.mark.parametrize("name", SHAPED)
def test_walls_move_out_as_far_as_told(name: str) -> None:
    """With its walls moved out by a little the section gains that times its girth; of a wheel, flanks stand still."""
    kind, feature, by = KINDS[name], one(name), 1e-3
    old, new = kind.shape(feature, 0.0, 0.0, 20.0), kind.shape(feature, 0.0, 0.0, 20.0, by)
    assert old is not None
    assert new is not None
    before, after = contour_of(old), contour_of(new)
    girth = before.length() - (SIZES["teeth"] * 2 * 0.75 if kind.is_toothed else 0.0)
    assert (after.area() - before.area()) / (by * girth) == pytest.approx(1.0, abs=2e-3)


@pytest.mark.parametrize("name", list(KINDS))
def test_edge_answers_are_what_growing_does(name: str) -> None:
    """Metal that reaches further out by e changes each width by the told answer times e: holes shrink, outsides grow."""
    kind, feature, by = KINDS[name], one(name), 1e-4
    for size, _ in kind.known(feature):
        answer = kind.edge_answer(size.quantity, feature)
        assert answer == (0.0 if kind.is_seam else -2.0 if kind.is_cutter else 2.0)
    if kind.is_outlined and kind.role != "seam":
        square = shapely.Polygon(feature.outline_mm)
        grown = square.buffer(by if kind.outward > 0 else -by, join_style="mitre").area - square.area
        assert kind.edge_answer("area_mm2", feature) == pytest.approx(grown / by, rel=1e-3)


@pytest.mark.parametrize("name", list(KINDS))
def test_words_sizes_and_roles_are_complete(name: str) -> None:
    """Every kind has words; its main sizes are among the fields it must carry and can be written in its callout."""
    kind, feature = KINDS[name], one(name)
    assert kind.words
    assert "_" not in kind.on_sheet
    assert sum((kind.is_hole, kind.is_outside, kind.is_relief, kind.is_seam)) == 1
    main = kind.main_sizes(feature)
    assert all(size.field in kind.required for size, _ in main)
    text = kind.callout.format(*(f"{value.value:.1f}" for _, value in main), sides=feature.sides)
    assert all(f"{value.value:.1f}" in text for _, value in main)
    assert len({size.typed for size in kind.sizes}) == len(kind.sizes)


@pytest.mark.parametrize("name", SHAPED)
def test_a_whole_period_of_turn_changes_nothing(name: str) -> None:
    """Turned by its period the section is the same set of points."""
    kind, feature = KINDS[name], one(name)
    here, there = (kind.shape(feature, 0.0, 0.0, t) for t in (11.0, 11.0 + kind.period_deg(feature)))
    assert here is not None
    assert there is not None
    points = np.random.default_rng(2).uniform(-5, 5, (300, 2))
    assert there.signed_distance(points) == pytest.approx(here.signed_distance(points), abs=1e-9)


def test_main_size_is_one_length() -> None:
    """One size is that size, two are the root of their product, an outline the root of its area."""
    assert kind_of(one("round_hole")).main_size(one("round_hole")) == 6.0
    assert kind_of(one("slot")).main_size(one("slot")) == pytest.approx(28**0.5)
    assert kind_of(one("free_hole")).main_size(one("free_hole")) == 3.0
    bare = replace(one("round_hole"), diameter_mm=None)
    assert kind_of(bare).main_size(bare) is None
