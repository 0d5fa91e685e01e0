"""The plain state of a review: what is shown, what is decided, what is kept."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ctrecon.core.errors import InputError, InputFileError
from ctrecon.record.part import Part
from ctrecon.record.store import read_part, write_part
from ctrecon.slices import SliceStack
from ctrecon.widgets import Review, open_review
from ctrecon.widgets.curves import curves_on_slice, slices_of
from ctrecon.widgets.state import read_length, read_points


def test_every_decision_is_on_the_disk_before_it_is_on_the_screen(review: Review, tmp_path: Path) -> None:
    """A second review, as after a restarted kernel, starts where the first one stood."""
    review.reject("F2")
    review.rename("F1", "spindle bore")
    again = Review(review.base, review.stack, file=tmp_path)
    assert again.part == review.part
    assert [one.id for one in again.part.features] == ["F1", "F3"]
    assert again.part.feature("F1").name == "spindle bore"
    assert len(json.loads((tmp_path / "decisions.json").read_text())["decisions"]) == 2


def test_undo_and_redo_walk_through_all_decisions(review: Review) -> None:
    """Everything can be taken back, to the record as it was measured, and decided again."""
    seen = [review.part]
    review.accept("F1")
    seen.append(review.part)
    review.reject("F2")
    seen.append(review.part)
    review.known_length("2.02±0.01", "F1")
    seen.append(review.part)
    for expected in reversed(seen[:-1]):
        assert review.undo()
        assert review.part == expected
    assert not review.undo()
    assert review.part == review.base
    for expected in seen[1:]:
        assert review.redo()
        assert review.part == expected
    assert not review.redo()


def test_what_is_refused_leaves_no_trace(review: Review, tmp_path: Path) -> None:
    """A decision that can't be used raises one sentence, changes nothing and is not saved."""
    with pytest.raises(InputError, match="no sizes of a wheel"):
        review.change_kind("F1", "wheel")
    with pytest.raises(InputError, match="there is no feature F9"):
        review.accept("F9")
    with pytest.raises(InputError, match="set more"):
        review.add("round_hole", [(1, 1), (2, 2)])
    with pytest.raises(InputError, match="two points are needed"):
        review.known_length("5", None, points=[(1, 1)])
    assert review.decisions == ()
    assert not (tmp_path / "decisions.json").exists()
    assert not review.attempt(lambda: review.rename("F1", "  "))
    assert "name is empty" in review.notice


def test_a_bore_added_by_points_stands_where_they_were_set(review: Review) -> None:
    """Points on a circle of 1.5 mm give that bore, basis stated, over the chosen slices."""
    review.go_to(10)
    review.choose_slices(4, 12)
    ring = [(60 + 7.5 * np.cos(a), 40 + 7.5 * np.sin(a)) for a in np.radians(range(0, 360, 60))]
    ident = review.add("round_hole", ring, name="oil hole")
    new = review.part.feature(ident)
    assert new.diameter_mm is not None
    assert new.diameter_mm.value == pytest.approx(1.5, abs=1e-6)
    assert new.basis == "stated"
    assert slices_of(review.part, new) == (4, 12)
    assert review.chosen == ident


def test_true_scale_from_two_points_on_a_slice(review: Review) -> None:
    """35 voxels of 0.1 mm between two points, said to be 3.605 mm, stretch the scan by 3 %."""
    review.set_points([(25, 40), (60, 40)])
    review.known_length("3.605 ± 0.01")
    assert review.part.stack.voxel_mm[2] == pytest.approx(0.103, rel=1e-3)
    assert review.part.feature("F1").diameter_mm.value == pytest.approx(2.06, rel=1e-2)  # type: ignore[union-attr]
    assert review.points == ()


def test_decisions_after_true_scale_are_matched_all_the_same(review: Review, tmp_path: Path) -> None:
    """Lengths in the file are those as measured, whatever was known when the decision was made."""
    review.known_length("6.4±0.01", "F1", other="F3")
    review.reject("F2")
    kept = json.loads((tmp_path / "decisions.json").read_text())["decisions"][1]["feature"]
    assert kept["x_mm"] == pytest.approx(6.0)
    assert [one.id for one in Review(review.base, review.stack, file=tmp_path).part.features] == ["F1", "F3"]


def test_curves_lie_on_the_edges_they_were_made_from(plate: Part) -> None:
    """On a slice the curve of a bore has its radius round its middle; beyond its depth there is none."""
    curves = dict(curves_on_slice(plate, 6))
    assert set(curves) == {"F1", "F2", "F3"}
    away = np.hypot(curves["F1"][:, 0] - 25, curves["F1"][:, 1] - 40)
    assert away == pytest.approx(10.0, abs=0.02)
    assert np.ptp(curves["F3"], axis=0) == pytest.approx([30.0, 30.0])
    assert set(dict(curves_on_slice(plate, 15))) == {"F1", "F3"}


def test_the_feature_under_a_point_is_the_nearest_curve(review: Review) -> None:
    """On a line its feature is found, far from all lines none."""
    review.go_to(6)
    assert review.feature_at(35.5, 40) == "F1"
    assert review.feature_at(75.5, 38) == "F3"
    assert review.feature_at(45, 10) is None


def test_choosing_jumps_to_a_slice_that_shows_it(review: Review) -> None:
    """A feature that does not show on the present slice brings its middle slice."""
    review.go_to(15)
    review.choose("F2")
    low, high = slices_of(review.part, review.part.feature("F2"))
    assert low <= review.slice <= high
    review.choose("F1")
    assert low <= review.slice <= high
    review.choose("none such")
    assert review.chosen is None


def test_evidence_leads_to_its_slices(review: Review) -> None:
    """First, middle and last slice of the feature a reason names, and that feature chosen."""
    assert review.show_evidence("P1", 0, 2) == (2, 6, 10)
    assert review.slice == 10
    assert review.chosen == "F2"


def test_the_depth_range_lists_what_lives_in_it(review: Review) -> None:
    """Slices 14 to 18 hold the deep features, and the range is given in mm."""
    review.choose_slices(18, 14)
    assert review.slices == (14, 18)
    assert review.depths_mm == pytest.approx((2.8, 3.6))
    assert [one.id for one in review.features_in_range()] == ["F1", "F3"]


def test_slices_of_another_part_are_refused(plate: Part) -> None:
    """A record with the wrong slices gives a sentence that says so."""
    other = SliceStack.from_array(np.zeros((3, 4, 5), dtype=np.uint8), voxel_mm=0.1)
    with pytest.raises(InputError, match="give the slices it was measured on"):
        Review(plate, other)


def test_a_review_opens_from_what_measure_wrote(plate: Part, make_slices: object, tmp_path: Path) -> None:
    """part.json and the slices make a review that keeps its decisions beside the record."""
    source = make_slices("block", slices=21, voxel_mm=0.1)  # type: ignore[operator]
    out = tmp_path / "out"
    out.mkdir()
    with pytest.raises(InputFileError, match="cannot be read"):
        open_review(out, source)
    write_part(replace(plate, stack=replace(plate.stack, rows=12, columns=14)), out / "part.json")
    opened = open_review(out, source)
    opened.accept("F1")
    assert (out / "decisions.json").exists()


@pytest.mark.parametrize("text", ["1 2 3", "a b", "1;2"])
def test_points_that_are_no_numbers_are_named(text: str) -> None:
    """A slip in typed points says which one and how to write it."""
    with pytest.raises(InputError, match="such as 10 20; 30 40"):
        read_points(text)


def test_a_known_length_without_u_leaves_it_open() -> None:
    """U typed is halved to one standard uncertainty; nothing typed is not made up here."""
    assert read_length("12.00+-0.04") == (12.0, 0.02)
    assert read_length("12") == (12.0, None)
    with pytest.raises(InputError, match="is not a length"):
        read_length("twelve")


def test_the_nearest_feature_of_a_kind_is_found_by_its_size(review: Review) -> None:
    """Kind and length name a feature without its id; a kind that isn't there is said with what is."""
    assert review.nearest("round_hole", "1.1±0.1") == "F2"
    assert review.nearest("round_hole", 1.9) == "F1"
    with pytest.raises(InputError, match="has no wheel; it has round_hole, square_hole"):
        review.nearest("wheel", 1.0)


def test_the_sheet_is_drawn_with_what_is_decided(review: Review, tmp_path: Path) -> None:
    """Sheet, outlines and template are beside the decisions, and the record they show holds no rejected bore."""
    review.reject("F2")
    assert review.draw() == tmp_path
    assert {"sheet.pdf", "sheet.dxf", "outlines.dxf", "template.pdf", "features.csv"} <= {
        one.name for one in tmp_path.iterdir()
    }
    assert [one.id for one in read_part(tmp_path / "decided.json").features] == ["F1", "F3"]
    assert "\nF2," not in (tmp_path / "features.csv").read_text()
    assert review.draw(tmp_path / "other" / "sheets") == tmp_path / "other" / "sheets"


def test_without_a_folder_the_sheet_asks_for_one(plate: Part, stack: SliceStack) -> None:
    """A review in memory only does not guess a place."""
    with pytest.raises(InputError, match="name one"):
        Review(plate, stack).draw()


def test_a_length_that_changes_much_is_asked_about(review: Review) -> None:
    """Half the bore's diameter, its radius, is refused until one is sure; 2 % more is taken at once."""
    with pytest.raises(InputError, match=r"50 % smaller than now\. Is it a radius"):
        review.known_length("1.0", "F1", sure=False)
    assert review.decisions == ()
    review.known_length("2.04", "F1", sure=False)
    assert review.part.stack.voxel_mm[2] == pytest.approx(0.102, rel=1e-3)
    review.known_length("1.0", "F1")
    assert review.part.stack.voxel_mm[2] == pytest.approx(0.05, rel=1e-2)


def test_a_length_stated_again_is_kept_once(review: Review, tmp_path: Path) -> None:
    """A cell run twice, in this kernel or after a restart, leaves one decision."""
    for _ in range(2):
        review.known_length("2,02±0,01", "F1")
    again = Review(review.base, review.stack, file=tmp_path)
    again.known_length("2.02±0.01", "F1")
    assert len(again.decisions) == 1


def test_a_verdict_on_a_piece_is_kept(plate: Part, stack: SliceStack, tmp_path: Path) -> None:
    """The only piece of a part: one piece or can't say; separate from what, nobody could tell."""
    review = Review(replace(plate, pieces=(replace(plate.pieces[0], verdict="undecided"),)), stack, file=tmp_path)
    review.judge("P1", "one_piece")
    assert review.part.pieces[0].verdict == "one_piece"
    with pytest.raises(InputError, match="not in it"):
        review.judge("P1", "separate")
    with pytest.raises(InputError, match="no piece P9"):
        review.judge("P9", "separate")
