"""The panels bind to the state and nothing more: buttons, lists and pictures, without a browser."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import ipywidgets as ipw
import numpy as np
import pytest
from PIL import Image

from ctrecon.core.measured import Measured
from ctrecon.plots import depth_chart, slice_with_fits
from ctrecon.record.part import Part, Relation
from ctrecon.slices import SliceStack
from ctrecon.widgets import (
    Review,
    chart,
    depth_range,
    depth_range_chart,
    holes,
    picture_of,
    residual_view,
    review_features,
    review_pieces,
    sheet,
    sizes,
    slice_viewer,
    true_scale,
)
from ctrecon.widgets.pad import SlicePad
from ctrecon.widgets.picture import GreyScale, grey_jpeg
from ctrecon.widgets.words import found_layout, odds_says

PANELS = [slice_viewer, review_features, true_scale, depth_range, review_pieces]


def walk(widget: Any) -> list[Any]:
    return [widget, *(one for child in getattr(widget, "children", ()) for one in walk(child))]


def find(widget: Any, kind: type, description: str) -> Any:
    return next(one for one in walk(widget) if isinstance(one, kind) and one.description == description)


def text_of(widget: Any) -> str:
    return " ".join(one.value.replace("<wbr>", "") for one in walk(widget) if isinstance(one, ipw.HTML))


@pytest.mark.parametrize("make", PANELS, ids=lambda make: make.__name__)
def test_every_control_is_labelled(review: Review, make: Any) -> None:
    """Sliders, fields and lists carry a label, buttons a word and a hint: nothing is told by colour or place alone."""
    for one in walk(make(review)):
        if isinstance(one, ipw.Button):
            assert one.description
            assert one.tooltip
        elif isinstance(one, (ipw.Text, ipw.Dropdown, ipw.IntSlider, ipw.IntRangeSlider, ipw.RadioButtons)):
            assert one.description


@pytest.mark.parametrize("make", PANELS, ids=lambda make: make.__name__)
def test_every_panel_names_what_does_the_same_without_it(make: Any) -> None:
    """The docstring of each panel names a plain function."""
    assert "Without widgets" in make.__doc__


def test_slider_list_and_pad_follow_each_other(review: Review) -> None:
    """Moving the slider shows that slice; choosing from the list shows value and U."""
    box = slice_viewer(review)
    pad = next(one for one in walk(box) if isinstance(one, SlicePad))
    find(box, ipw.IntSlider, "slice").value = 15
    assert (review.slice, pad.slice, [one["id"] for one in pad.curves]) == (15, 15, ["F1", "F3"])
    find(box, ipw.Dropdown, "feature").value = "F2"
    assert review.chosen == pad.chosen == "F2"
    assert find(box, ipw.IntSlider, "slice").value == review.slice
    assert "diameter</td><td>1.000 mm, U 0.004 mm" in text_of(box)
    assert "without scale" in text_of(box)


def test_pointing_reads_and_clicking_chooses(review: Review) -> None:
    """The pointer over a line reads its feature; a click chooses it; page keys change the slice."""
    box = slice_viewer(review)
    pad = next(one for one in walk(box) if isinstance(one, SlicePad))
    review.go_to(6)
    pad.said = {"kind": "over", "column": 35.2, "row": 40.0, "count": 1}
    assert "F1 round hole: diameter 2.000 mm, U 0.004 mm, measured" in text_of(box)
    pad.said = {"kind": "point", "column": 35.2, "row": 40.0, "count": 2}
    assert review.chosen == "F1"
    pad.said = {"kind": "go", "slice": 7, "count": 3}
    assert review.slice == 7


def test_reviewing_by_buttons(review: Review) -> None:
    """Reject, rename, another kind and Undo work on the chosen feature, and the list of decisions says so."""
    box = review_features(review)
    click = lambda name: find(box, ipw.Button, name).click()  # noqa: E731
    click("Reject")
    assert "Choose a feature first" in text_of(box)
    review.choose("F2")
    click("Reject")
    assert [one.id for one in review.part.features] == ["F1", "F3"]
    assert "reject round hole of 1.00 mm" in text_of(box)
    click("Undo")
    assert len(review.part.features) == 3
    review.choose("F1")
    find(box, ipw.Text, "new name").value = "<b>bore"
    click("Rename")
    assert "&lt;b&gt;bore" in text_of(box)
    find(box, ipw.Dropdown, "other kind").value = "round_outside"
    click("Change kind")
    assert review.part.feature("F1").kind == "round_outside"
    click("Accept")
    assert review.part.feature("F1").accepted


def test_adding_by_typed_points(review: Review) -> None:
    """What can be clicked can be typed: five points on a square, Add, and the square stands in the list."""
    box = review_features(review)
    find(box, ipw.Text, "points").value = "50 10; 70 14; 60 5; 55 25; 63 25; 50 20; 70 9; 66 5"
    assert len(review.points) == 8
    find(box, ipw.Dropdown, "new feature").value = "square_hole"
    find(box, ipw.Button, "Add").click()
    assert review.part.feature("F4").flats_mm.value == pytest.approx(2.0, abs=0.01)  # type: ignore[union-attr]
    find(box, ipw.Text, "points").value = "50 ten"
    assert "is not a point" in text_of(box)


def test_true_scale_by_the_panel(review: Review) -> None:
    """Two clicks and a typed length change every voxel edge, and a wrong length gives a sentence."""
    box = true_scale(review)
    pad = next(one for one in walk(box) if isinstance(one, SlicePad))
    find(box, ipw.RadioButtons, "known is the").value = "two points on the slice"
    for k, column in enumerate((25.0, 60.0)):
        pad.said = {"kind": "point", "column": column, "row": 40.0, "count": k}
    assert find(box, ipw.Text, "points").value == "25.0 40.0; 60.0 40.0"
    find(box, ipw.Text, "true length, mm").value = "long"
    find(box, ipw.Button, "Use this length").click()
    assert review.decisions == ()
    assert "is not a length; type mm" in text_of(box)
    find(box, ipw.Text, "true length, mm").value = "3.535±0.005"
    find(box, ipw.Button, "Use this length").click()
    assert review.part.stack.voxel_mm[2] == pytest.approx(0.101, rel=1e-3)
    assert "calibrated" in text_of(box)


def test_pieces_jump_to_their_slices(review: Review) -> None:
    """Each reason has buttons named by its slices."""
    box = review_pieces(review)
    find(box, ipw.Button, "slice 10").click()
    assert review.slice == 10
    assert "chance of more than one piece 90.0 %" in text_of(box)


def test_depth_range_follows_the_slider(review: Review) -> None:
    """The chosen range is listed in slices and mm, and drawn."""
    box = depth_range(review)
    find(box, ipw.IntRangeSlider, "from, to slice").value = (14, 18)
    assert "slices 14 to 18, depth 2.800 to 3.600 mm: 2 features" in text_of(box)
    chart = next(one for one in walk(box) if isinstance(one, ipw.Image))
    assert bytes(chart.value[:4]) == b"\x89PNG"


def test_residual_view_shows_what_is_unexplained(plate: Any, stack: SliceStack) -> None:
    """The panel repeats the sentence of the plain function and draws its chart."""
    box = residual_view(Review(plate, stack))
    assert "the record" in text_of(box)
    find(box, ipw.Button, "Compare again").click()
    assert next(one for one in walk(box) if isinstance(one, ipw.Image)).value[:4] == b"\x89PNG"


def test_figures_without_widgets(review: Review) -> None:
    """The plain functions draw the same slice and the same range."""
    figure = slice_with_fits(picture_of(review), review.part, title="slice")
    assert len(figure.axes) == 1
    assert depth_range_chart(review).axes


def test_a_slice_as_jpeg_keeps_its_greys(stack: SliceStack) -> None:
    """Metal comes out bright, air dark, as large as the slice; a slice wider than 1024 is made smaller."""
    import io

    image = Image.open(io.BytesIO(grey_jpeg(stack.plane(10), GreyScale(stack))))
    grey = np.asarray(image)
    assert image.size == (120, 80)
    assert grey[10, 45] > 240
    assert grey[40, 25] < 15
    large = SliceStack.from_array(np.ones((1, 40, 2100), dtype=np.uint16), voxel_mm=0.1)
    assert Image.open(io.BytesIO(grey_jpeg(large.plane(0), GreyScale(large)))).size == (700, 14)


def test_results_follow_the_decisions(review: Review) -> None:
    """Tables and charts below a panel change with a decision, without a cell being run."""
    shown = [holes(review), sizes(review), chart(review, depth_chart)]
    pictures = [one.value for one in walk(shown[2]) if isinstance(one, ipw.Image)]
    assert all("<td>F2</td>" in text_of(one) for one in shown[:2])
    review.reject("F2")
    assert all("<td>F2</td>" not in text_of(one) for one in shown[:2])
    assert [one.value for one in walk(shown[2]) if isinstance(one, ipw.Image)] != pictures


def test_the_sheet_panel_draws_with_what_is_decided(review: Review, tmp_path: Path) -> None:
    """It shows the sheet at once; after a decision its button draws it anew and says where it is, in full."""
    box = sheet(review)
    picture = next(one for one in walk(box) if isinstance(one, ipw.Image))
    before = picture.value
    assert before[:4] == b"\x89PNG"
    review.reject("F2")
    assert picture.value == before
    find(box, ipw.Button, "Draw the sheet").click()
    assert picture.value != before
    assert str(tmp_path / "sheet.pdf") in text_of(box)


def test_a_verdict_by_its_button(review: Review) -> None:
    """The button of a piece decides, the list says so, and Undo takes it back."""
    box = review_pieces(review)
    find(box, ipw.Button, "Can't say").click()
    assert "P1 body: can&#x27;t be told" in text_of(box)
    assert len(review.decisions) == 1
    find(box, ipw.Button, "Undo").click()
    assert "chance of more than one piece 90.0 %" in text_of(box)


def test_change_kind_with_nothing_chosen_says_so(review: Review) -> None:
    """No silent button: without another kind there is a sentence."""
    box = review_features(review)
    review.choose("F1")
    other = find(box, ipw.Dropdown, "other kind")
    other.options = ()
    find(box, ipw.Button, "Change kind").click()
    assert "has the sizes of no other kind" in text_of(box)


def test_the_scale_panel_asks_once(review: Review) -> None:
    """A radius typed for a diameter is asked about; the same button again uses it; anything changed asks again."""
    box = true_scale(review)
    length, use = find(box, ipw.Text, "true length, mm"), find(box, ipw.Button, "Use this length")
    find(box, ipw.Dropdown, "of feature").value = "F1"
    length.value = "1.0"
    use.click()
    assert "50 % smaller than now" in text_of(box)
    length.value = "0.9"
    use.click()
    assert review.decisions == ()
    use.click()
    assert len(review.decisions) == 1


def test_odds_are_spoken() -> None:
    """e^5.86 is 351 and e^-0.79 the odds of 2.2 to 1 (natural logarithms by a table)."""
    assert odds_says(5.86) == "about 350 to 1"
    assert odds_says(-0.79) == "about 2.2 to 1"


def test_nothing_within_its_u_is_called_found(plate: Part) -> None:
    """Out of parallel by 0.6 degrees over 3 mm is a third of a voxel: the edges say no more; 2 degrees are told."""

    def told(degrees: float, u: float) -> tuple[str, ...]:
        one = Relation(kind="flats_parallel", features=("F3",), value=Measured(degrees, u), says="out of parallel")
        return found_layout(replace(plate, relations=(one,)))

    assert told(0.6, 0.15) == ()
    assert told(2.0, 1.2) == ()
    assert told(2.0, 0.2) == ("out of parallel",)
