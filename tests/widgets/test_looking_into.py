"""The picture one can look into: what the canvas says of the mouse changes what is shown, without a browser."""

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from ctrecon.core.measured import Measured
from ctrecon.record.part import Axis, Feature, Part
from ctrecon.slices import SliceStack
from ctrecon.widgets import Review, notebook_bar, part_from_three_sides, part_in_space
from ctrecon.widgets.curves import curves_along
from ctrecon.widgets.pad import SlicePad
from ctrecon.widgets.section import cut_along, middle_of
from ctrecon.widgets.viewer import SliceView


def _grey(jpeg: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(jpeg)), dtype=float)


def test_a_section_is_one_line_of_every_slice(stack: SliceStack) -> None:
    """Along a row and along a column it is what numpy takes of the whole volume; planes are decoded once for both."""
    volume, asked = np.asarray(stack), []
    counted = SliceStack(**{**vars(stack), "load": lambda k: asked.append(k) or stack.load(k)})
    assert np.array_equal(cut_along(counted, "row", 40, 25), volume[:, 40])
    assert np.array_equal(cut_along(counted, "column", 40, 25), volume[:, :, 25])
    assert len(asked) == len(stack)


def test_the_section_goes_through_the_middle_of_the_largest_curve(plate: Part) -> None:
    """Of the plate's curves the square is the largest: its middle is taken."""
    assert middle_of(plate) == (90, 40)


def test_a_click_chooses_and_sets_a_point_only_in_set_points(review: Review) -> None:
    """The same click on a line chooses its feature, or with Set points on becomes a point and chooses nothing."""
    view = SliceView(review, points=4)
    review.go_to(6)
    click = {"kind": "point", "column": 35.2, "row": 40.0}
    view.pad.said = {**click, "count": 1}
    assert (review.chosen, review.points) == ("F1", ())
    review.choose(None)
    view.pad.adding = True
    view.pad.said = {**click, "count": 2}
    assert (review.chosen, review.points) == (None, ((35.2, 40.0),))


def test_the_pointer_is_told_in_millimetres_and_grey(review: Review) -> None:
    """Column 30, row 40, slice 6 of voxels 0.2 x 0.1 x 0.1 mm stand at 3, 4 and 1.2 mm; the bore there is dark."""
    view = SliceView(review)
    review.go_to(6)
    view.pad.pointer = [30.0, 40.0]
    assert "x 3.000, y 4.000, depth 1.200 mm (column 30.0, row 40.0, grey 100)" in view.over.value


def test_the_wheel_asks_for_a_slice(review: Review) -> None:
    """What the canvas asks for is shown; beyond the ends, the last slice there is."""
    pad = SliceView(review).pad
    pad.asked = [12, 1]
    assert (review.slice, pad.slice) == (12, 12)
    pad.asked = [99, 2]
    assert pad.slice == 20


def test_the_grey_window_changes_both_pictures(review: Review) -> None:
    """White moved down to the grey of the metal and black up makes what lies between darker and lighter."""
    view = SliceView(review)
    view.pad._hear({"kind": "ready"})
    before, section = _grey(view.pad.jpeg), view.pad.section_jpeg
    view.pad.set_window(-1500.0, 900.0)
    assert _grey(view.pad.jpeg)[40, 25] > before[40, 25] + 100
    assert view.pad.section_jpeg != section


def test_the_section_shows_sides_and_ends_of_what_it_cuts(plate: Part) -> None:
    """Along the row through the bores: each is a rectangle, by hand; a row that meets none of them shows none."""
    found = dict(curves_along(plate, "row", 40))
    assert set(found) == {"F1", "F2", "F3"}
    for ident, (left, right, first, last) in {
        "F1": (15, 35, 2, 18), "F2": (55, 65, 2, 10), "F3": (75, 105, 2, 18),
    }.items():  # fmt: skip
        low, high = found[ident].min(axis=0), found[ident].max(axis=0)
        assert [*low, *high] == pytest.approx([left, first, right, last], abs=0.02)
    assert curves_along(plate, "row", 2) == ()
    assert dict(curves_along(plate, "column", 25)).keys() == {"F1"}


def test_the_section_of_a_leaning_bore_is_on_the_cylinder(plate: Part) -> None:
    """Off the middle of a bore that leans 8 degrees every point of its sides is one radius from its axis line."""
    lean = np.array([np.sin(np.radians(8)), 0, np.cos(np.radians(8))])
    leaning = replace(plate, axis=Axis(tilt_deg=Measured(8.0, 0.01), direction_xyz=tuple(lean)))
    points = dict(curves_along(leaning, "row", 46))["F1"]
    at_mm = np.column_stack([points[:, 0] * 0.1, np.full(len(points), 4.6), points[:, 1] * 0.2])
    away = np.linalg.norm(np.cross(at_mm - (2.5, 4.0, 2.0), lean), axis=1)
    assert len(points) == 8  # two sides and two ends
    assert away == pytest.approx(1.0, abs=0.002)


def test_the_section_is_made_when_asked_and_follows_the_cut(review: Review) -> None:
    """Only its room before the first picture stands; then the middle, where a person cuts; none when turned off."""
    pad = SlicePad(review)
    assert (pad.section["along"], pad.section["at"], pad.section["size"]) == ("row", 40, [120, 21])
    assert pad.section_jpeg == b""
    pad._hear({"kind": "ready"})
    assert pad.section_jpeg
    assert pad.section["aspect"] == pytest.approx(2.0)
    pad._hear({"kind": "cut", "column": 400, "row": 12.4})
    assert pad.section["at"] == 12
    pad.along = "column"
    assert pad.section["at"] == 119
    pad.along = ""
    assert pad.section == {}


def test_a_large_slice_comes_whole_where_it_is_looked_at_closely(plate: Part) -> None:
    """Of a slice wider than the picture sent, the part that is seen comes with every voxel."""
    grey = np.zeros((21, 80, 2400), dtype=np.uint16)
    grey[:, :, ::2] = 1000
    wide = Part(**{**vars(plate), "features": (), "stack": type(plate.stack)(**{**vars(plate.stack), "columns": 2400})})
    pad = SlicePad(Review(wide, SliceStack.from_array(grey, voxel_mm=(0.2, 0.1, 0.1), source="plate")))
    assert _grey(pad.jpeg).shape[1] == 800
    pad._hear({"kind": "seen", "box": [1000.0, 10.0, 1100.0, 50.0]})
    assert pad.covers == [980, 0, 141, 71]
    assert _grey(pad.jpeg).shape == (71, 141)
    pad._hear({"kind": "seen", "box": None})
    assert pad.covers == [0, 0, 2400, 80]


def test_the_part_in_space_follows_the_record(plate: Part, stack: SliceStack) -> None:
    """Without an outside there is a sentence; with one, a piece in triangles, and a picture from three sides."""
    assert "no outside" in part_in_space(plate).children[-1].children[0].value
    rim = Feature(
        id="F9", kind="round_outside", diameter_mm=Measured(7.0, 0.01), x_mm=Measured(6.0, 0.01), y_mm=Measured(4.0, 0.01),
        depth_from_mm=Measured(0.4, 0.01), depth_to_mm=Measured(3.6, 0.01),
    )  # fmt: skip
    whole = Part(**{**vars(plate), "features": (rim, plate.features[1]), "pieces": ()})
    review = Review(whole, stack)
    box = part_in_space(review)
    space = box.children[-1].children[-1]
    count = len(space.triangles)
    assert count == 12 * space.pieces[0]["triangles"][1]
    review.reject("F2")
    assert len(box.children[-1].children[-1].triangles) < count
    assert len(part_from_three_sides(whole).axes) == 3


def test_outside_of_a_notebook_there_is_no_bar() -> None:
    """A script is not filled with widgets."""
    assert notebook_bar() is None
