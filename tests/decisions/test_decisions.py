"""Decisions of a person: kept readable, matched by kind, place and size, replayed on any later record."""

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ctrecon.core.errors import InputError, InputFileError
from ctrecon.core.measured import Measured
from ctrecon.decisions import (
    Accept,
    Add,
    ChangeKind,
    JudgePiece,
    KnownLength,
    LengthBetween,
    Reject,
    Rename,
    apply_decisions,
    decisions_from_json,
    decisions_to_json,
    match,
    named,
    read_decisions,
    write_decisions,
)
from ctrecon.decisions.kinds import possible_kinds, with_kind
from ctrecon.decisions.points import circle_by_points, square_by_points
from ctrecon.record.part import Alternative, Axis, Evidence, Feature, Joint, Part, Piece, Relation, StackInfo
from ctrecon.record.sensitivity import with_sensitivity
from ctrecon.record.store import part_to_json, read_part, write_part


def bore(ident: str, x: float, y: float, diameter: float, *, low: float = 0.5, high: float = 4.0) -> Feature:
    return Feature(
        id=ident, kind="round_hole", x_mm=Measured(x, 0.001), y_mm=Measured(y, 0.001),
        depth_from_mm=Measured(low, 0.002), depth_to_mm=Measured(high, 0.002), diameter_mm=Measured(diameter, 0.002),
    )  # fmt: skip


def plate(*features: Feature, voxel: float = 0.05) -> Part:
    info = StackInfo(
        source="plate", slices=101, rows=400, columns=400, voxel_mm=(voxel, voxel, voxel), scale_basis="file"
    )
    axis = Axis(tilt_deg=Measured(0.0, 0.01), direction_xyz=(0.0, 0.0, 1.0))
    return Part(name="plate", made_with="ctrecon 0.1.0", stack=info, axis=axis, features=features)


@pytest.fixture
def four() -> Part:
    """Return a plate with four bores, two of them alike in size, at a pitch of 5 mm."""
    return plate(bore("F1", 5, 5, 3.0), bore("F2", 10, 5, 3.0), bore("F3", 5, 10, 1.2), bore("F4", 15, 15, 4.0))


def test_a_rejected_feature_is_gone_and_said(four: Part) -> None:
    """Rejecting takes the feature out of features and relations, and a warning says so."""
    part = replace(four, relations=(Relation(kind="equal_size", features=("F1", "F2"), value=None, says="alike"),))
    done, unmatched = apply_decisions(part, [Reject(feature=named(part, part.feature("F2")))])
    assert unmatched == ()
    assert [one.id for one in done.features] == ["F1", "F3", "F4"]
    assert done.relations == ()
    assert [one.flag for one in done.warnings] == ["decided"]
    assert "reject round hole of 3.00 mm at x 10.00, y 5.00" in done.warnings[0].says
    part_to_json(done)  # still a record that keeps its own rules


def test_a_piece_whose_evidence_is_rejected_becomes_undecided(little_part: Part) -> None:
    """No probability is left standing on a feature that a person rejected."""
    sure = replace(little_part.pieces[0], verdict="separate", probability_separate=0.98, unknown={"depth_to_mm": "out"})
    part = replace(little_part, pieces=(sure,))
    done, _ = apply_decisions(part, [Reject(feature=named(part, part.feature("F2")))])
    assert done.pieces[0].verdict == "undecided"
    assert done.pieces[0].probability_separate is None
    assert done.pieces[0].features == ("F1",)
    part_to_json(done)


@pytest.mark.parametrize(("dx", "ok"), [(0.0, True), (0.12, True), (0.6, False)])
def test_features_are_found_again_by_place_not_by_id(four: Part, dx: float, ok: bool) -> None:
    """Another measurement gives other ids and slightly other numbers; a wholly other place is another feature."""
    kept = named(four, four.feature("F1"))
    again = plate(bore("F7", 10, 5, 3.0), bore("F8", 5 + dx, 5.05, 3.04, high=4.08))
    found = match(again, kept)
    assert (isinstance(found, Feature) and found.id == "F8") is ok


def test_another_voxel_size_scales_what_was_kept(four: Part) -> None:
    """The same slices with voxels stated twice as large are matched all the same."""
    kept = named(four, four.feature("F3"))
    again = plate(bore("F1", 10, 20, 2.4, low=1.0, high=8.0), voxel=0.1)
    found = match(again, kept)
    assert isinstance(found, Feature)


def test_two_that_fit_alike_are_not_guessed_between(four: Part) -> None:
    """Where two features fit a name alike the decision is left out and both are named."""
    kept = named(four, four.feature("F3"))
    again = plate(bore("F1", 5.05, 10, 1.2), bore("F2", 4.95, 10, 1.2))
    done, unmatched = apply_decisions(again, [Reject(feature=kept)])
    assert len(done.features) == 2
    assert "F1 and F2 fit alike" in unmatched[0].says
    assert done.warnings[0].flag == "decision_unmatched"


def test_accept_rename_and_change_of_kind_stay_with_the_record(four: Part, tmp_path: Path) -> None:
    """Names, acceptance and kinds are written to part.json and read back."""
    third = named(four, four.feature("F3"))
    decisions = [
        Rename(feature=third, name="  pin \n hole "),
        Accept(feature=third),
        ChangeKind(feature=named(four, four.feature("F4")), kind="round_outside"),
    ]
    done, unmatched = apply_decisions(four, decisions)
    write_part(done, tmp_path / "part.json")
    back = read_part(tmp_path / "part.json")
    assert unmatched == ()
    assert (back.feature("F3").name, back.feature("F3").accepted) == ("pin hole", True)
    assert back.feature("F4").kind == "round_outside"
    assert back.feature("F4").flags == ("kind_stated",)
    assert back.feature("F4").sensitivity["diameter_mm"].edge == 2.0
    assert back.feature("F1").accepted is None


def test_a_kind_without_sizes_is_refused_and_one_the_scan_allowed_is_not() -> None:
    """A bore becomes a polygon only where the scan was fitted with one too; then basis is inferred and u unknown."""
    plain = bore("F1", 5, 5, 1.0)
    with pytest.raises(InputError, match="has no sizes of a polygon hole"):
        with_kind(plain, "polygon_hole")
    other = Alternative(kind="polygon_hole", ln_odds=2.0, sizes={"flats_mm": 0.97, "sides": 6.0})
    either = replace(plain, alternatives=(other,))
    assert "polygon_hole" in possible_kinds(either)
    changed = with_kind(either, "polygon_hole")
    assert (changed.flats_mm, changed.sides, changed.diameter_mm) == (Measured(0.97), 6, None)
    assert changed.basis == "inferred"
    part_to_json(plate(changed))


def test_nothing_is_applied_twice(four: Part) -> None:
    """A record that holds a decision already is not changed by it again, and it isn't called unmatched."""
    decisions = [
        Reject(feature=named(four, four.feature("F2"))),
        Add(kind="round_hole", points_px=((0, 50), (50, 0), (100, 50)), slices=(10, 60), on_slice=30),
    ]
    once, _ = apply_decisions(four, decisions)
    twice, unmatched = apply_decisions(once, decisions)
    assert unmatched == ()
    assert twice == once


def test_circle_through_points_matches_its_closed_form() -> None:
    """Three points settle a circle exactly: the circumscribed circle of a 3-4-5 triangle has diameter 5."""
    found = circle_by_points(np.array([[0.0, 0.0], [3.0, 0.0], [0.0, 4.0]]), point_u_mm=0.02)
    assert found.size_mm[0] == pytest.approx(5.0, abs=1e-9)
    assert (found.x_mm[0], found.y_mm[0]) == pytest.approx((1.5, 2.0))
    assert found.size_mm[1] > 0.02


def test_u_of_a_circle_by_points_covers_its_error() -> None:
    """Points that scatter by a known amount give diameters that lie within U about 19 times out of 20."""
    rng = np.random.default_rng(5)
    inside = 0
    for _ in range(300):
        angle = np.radians(np.arange(0, 360, 30)) + rng.uniform(0, 6)
        ring = np.column_stack([2 + 1.5 * np.cos(angle), 3 + 1.5 * np.sin(angle)]) + rng.normal(0, 0.02, (12, 2))
        found = circle_by_points(ring, point_u_mm=0.001)
        inside += abs(found.size_mm[0] - 3.0) <= 2 * found.size_mm[1]
    assert 0.90 <= inside / 300 <= 0.99


@pytest.mark.parametrize("turn", [0.0, 17.0, 44.0, 80.0])
def test_square_through_points_finds_flats_and_turn(turn: float) -> None:
    """Points on all sides of a turned square give back its flats, middle and turn."""
    t = np.radians(turn)
    own = np.array([[2, 0.7], [2, -1.1], [-2, 0.4], [-2, 1.2], [0.3, 2], [-1.0, 2], [0.9, -2], [-0.2, -2]], dtype=float)
    points = own @ np.array([[np.cos(t), np.sin(t)], [-np.sin(t), np.cos(t)]]) + (7.0, 9.0)
    found = square_by_points(points, point_u_mm=0.01)
    assert found.size_mm[0] == pytest.approx(4.0, abs=1e-6)
    assert found.turn_deg is not None
    assert (found.turn_deg[0] - turn + 45) % 90 - 45 == pytest.approx(0.0, abs=1e-5)
    assert found.rms_mm < 1e-7


@pytest.mark.parametrize(
    ("fit", "points"),
    [
        (circle_by_points, [[0, 0], [1, 0]]),
        (circle_by_points, [[0, 0], [1, 0], [2, 0], [3, 0]]),
        (square_by_points, [[0, 0], [1, 0], [2, 0], [3, 0]]),
        (square_by_points, [[1, 1]] * 6),
    ],
)  # fmt: skip
def test_points_that_settle_nothing_are_refused(fit: object, points: list[list[float]]) -> None:
    """Too few points, points in a line or in one place give one sentence that says what to do."""
    with pytest.raises(InputError, match="set"):
        fit(np.array(points, dtype=float), point_u_mm=0.01)  # type: ignore[operator]


def test_an_added_feature_follows_the_axis(four: Part) -> None:
    """Points are set on one slice; the place is given at mid depth, shifted along a tilted axis."""
    tilted = replace(four, axis=Axis(tilt_deg=Measured(5.7, 0.01), direction_xyz=(0.0995037, 0.0, 0.9950372)))
    ring = tuple((100 + 40 * np.cos(a), 120 + 40 * np.sin(a)) for a in np.radians([0, 90, 180, 270]))
    add = Add(kind="round_hole", name="oil hole", points_px=ring, slices=(20, 60), on_slice=20)
    done, unmatched = apply_decisions(tilted, [add])
    new = done.feature("F5")
    assert unmatched == ()
    assert new.basis == "stated"
    assert new.name == "oil hole"
    assert new.diameter_mm is not None
    assert new.diameter_mm.value == pytest.approx(4.0, abs=1e-6)
    assert new.x_mm is not None
    assert new.x_mm.value == pytest.approx(5.0 + 0.1 * 20 * 0.05, abs=1e-5)
    part_to_json(done)


def test_true_scale_from_a_feature_and_from_two_points_agree(four: Part) -> None:
    """A bore known to be 1 % larger, or two points known to be 1 % farther apart, both stretch all sizes by 1 %."""
    by_axes = KnownLength(
        feature=named(four, four.feature("F1")), other=named(four, four.feature("F4")),
        value_mm=1.01 * np.hypot(10, 10), u_mm=0.002,
    )  # fmt: skip
    points = LengthBetween(slice=50, one_px=(20.0, 100.0), other_px=(380.0, 100.0))
    by_points = KnownLength(between=points, value_mm=18.18, u_mm=0.002)
    for decision in (by_axes, by_points):
        done, unmatched = apply_decisions(four, [decision])
        assert unmatched == ()
        assert done.stack.scale_basis == "calibrated"
        assert done.stack.voxel_mm[1] == pytest.approx(0.0505, rel=1e-4)
        assert [one.id for one in done.features] == ["F1", "F2", "F3", "F4"]
        part_to_json(done)


def test_a_known_length_that_fits_nothing_leaves_scale_alone(four: Part) -> None:
    """A known length of a feature that isn't there is reported and nothing is stretched."""
    gone = replace(named(four, four.feature("F4")), x_mm=1.0)
    done, unmatched = apply_decisions(four, [KnownLength(feature=gone, value_mm=4.1)])
    assert len(unmatched) == 1
    assert done.stack == four.stack


def test_the_file_is_readable_and_the_same_again(four: Part, tmp_path: Path) -> None:
    """What was decided stands in the file in plain words and numbers, and comes back the same."""
    decisions = (
        Reject(feature=named(four, four.feature("F2"))),
        Add(kind="square_hole", points_px=((1.5, 2.0),) * 5, slices=(3, 9), on_slice=4),
    )
    write_decisions(decisions, tmp_path / "decisions.json")
    text = (tmp_path / "decisions.json").read_text()
    assert read_decisions(tmp_path / "decisions.json") == decisions
    assert json.loads(text)["decisions"][0]["feature"]["x_mm"] == 10.0
    assert '"id"' not in text
    assert decisions_to_json(decisions_from_json(text)) == text
    assert [one.name for one in tmp_path.iterdir()] == ["decisions.json"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("{}", "schema"),
        ("no json", "Invalid JSON"),
        ('{"schema": "ctrecon-decisions-9"}', "expected"),
        ('{"schema": "ctrecon-decisions-1", "decisions": [{"do": "accept", "featur": 1}]}', "featur"),
        ('{"schema": "ctrecon-decisions-1", "decisions": [{"do": "paint"}]}', "choose one of"),
    ],
)
def test_a_file_with_faults_is_refused_by_name(tmp_path: Path, text: str, says: str) -> None:
    """A slip in a file that people write is an error that names the place, not a decision silently lost."""
    (tmp_path / "decisions.json").write_text(text)
    with pytest.raises(InputFileError, match=says):
        read_decisions(tmp_path / "decisions.json")
    with pytest.raises(InputFileError, match="cannot be read"):
        read_decisions(tmp_path / "none.json")


_ADD = {"do": "add", "kind": "round_hole", "points_px": [[10, 10], [14, 10], [12, 12]], "slices": [2, 9], "on_slice": 4}
_RENAME = {
    "do": "rename", "name": "oil hole", "feature": {
        "kind": "round_hole", "x_mm": 5.0, "y_mm": 5.0, "depth_from_mm": None, "depth_to_mm": None, "size_mm": 3.0,
        "voxel_mm": [0.05, 0.05, 0.05],
    },
}  # fmt: skip
_LENGTH = {"do": "known_length", "between": {"slice": 4, "one_px": [10, 10], "other_px": [60, 10]}, "value_mm": 2.5}


@pytest.mark.parametrize(
    ("decision", "says"),
    [
        (_ADD | {"points_px": [[1e300, 10], [14, 10], [12, 12]]}, r"points_px\.0\.0: 1\.00e\+300 is no number"),
        (_ADD | {"on_slice": 10**400}, r"on_slice: 1\.00e\+400 is no number"),
        (_ADD | {"slices": [-1e16, 1e16]}, r"slices\.0: -1\.00e\+16 is no number"),
        (_RENAME | {"feature": _RENAME["feature"] | {"voxel_mm": [0, 0.05, 0.05]}}, r"feature: voxel_mm: .* above 0 mm, not 0"),  # type: ignore[operator]
        (_RENAME | {"feature": _RENAME["feature"] | {"voxel_mm": [5e-324, 1, 1]}}, r"feature: voxel_mm: no voxel of a scan"),  # type: ignore[operator]
        (_RENAME | {"feature": _RENAME["feature"] | {"x_mm": 1e300}}, r"feature\.x_mm: 1\.00e\+300 is no number"),  # type: ignore[operator]
        (_LENGTH | {"value_mm": 10**300}, r"value_mm: 1\.00e\+300 is no number"),
    ],
)  # fmt: skip
def test_numbers_that_cannot_be_used_are_refused_where_they_are_read(tmp_path: Path, decision: object, says: str) -> None:
    """The file, the field, what is wrong with its number and what to do stand in one sentence."""
    (tmp_path / "d.json").write_text(json.dumps({"schema": "ctrecon-decisions-1", "decisions": [decision]}))
    with pytest.raises(InputFileError, match=rf"d\.json: .*{says}.*; mend it or take it away"):
        read_decisions(tmp_path / "d.json")


@pytest.mark.parametrize(
    ("decision", "says"),
    [
        (_ADD | {"points_px": [[10, 10], [14, 10], [402, 12]]}, "column 402, row 12 lies outside the slices of 400 x 400 px"),
        (_ADD | {"points_px": [[10, 10], [14, -9], [12, 12]]}, "row -9 lies outside"),
        (_ADD | {"on_slice": 101}, "there is no slice 101; the stack has slices 0 to 100"),
        (_LENGTH | {"between": {"slice": -1, "one_px": [10, 10], "other_px": [60, 10]}}, "there is no slice -1"),
        (_LENGTH | {"between": {"slice": 4, "one_px": [10, 10], "other_px": [1e9, 10]}}, r"column 1e\+09, row 10 lies outside"),
    ],
)  # fmt: skip
def test_points_off_the_slices_are_left_out(four: Part, decision: object, says: str) -> None:
    """A point or slice the stack does not have gives no feature and no scale, and the record says why."""
    text = json.dumps({"schema": "ctrecon-decisions-1", "decisions": [decision]})
    done, (left,) = apply_decisions(four, decisions_from_json(text))
    assert done.features == four.features
    assert re.search(says, left.says)


@pytest.fixture
def two_pieces() -> Part:
    """Return a body and a ring on it, told apart by a round seam, as the slices alone suggest it."""
    seam = replace(bore("F2", 10, 10, 6.0), kind="round_seam", seam_mm=Measured(0.02, 0.004))
    outside = replace(bore("F3", 10, 10, 9.0, low=2.0, high=4.0), kind="round_outside")
    body = Piece(
        id="P1", name="body", depth_from_mm=Measured(0.5, 0.002), depth_to_mm=Measured(3.0, 0.002), features=("F1",),
        verdict="separate", probability_separate=0.9,
        evidence=(Evidence(kind="rest", features=(), weight=0.0, says="see P2"),),
    )  # fmt: skip
    ring = Piece(
        id="P2", name="ring", depth_from_mm=Measured(2.0, 0.002), depth_to_mm=Measured(4.0, 0.002),
        features=("F2", "F3"), verdict="separate", probability_separate=0.9,
        evidence=(Evidence(kind="seam", features=("F2",), weight=3.0, says="a dark line"),),
    )  # fmt: skip
    joint = Joint(
        piece="P2", on="P1", features=("F2",), contact_mm2=None, clearance_mm=None, put_on_from=("end",), says="P2 on P1"
    )
    return replace(plate(bore("F1", 10, 10, 3.0), seam, outside), pieces=(body, ring), joints=(joint,))


def judge(part: Part, ident: str, verdict: str) -> JudgePiece:
    return JudgePiece(feature=named(part, part.feature(ident)), verdict=verdict)


def test_a_verdict_of_separate_takes_the_place_of_the_chance(two_pieces: Part) -> None:
    """The pieces stay, nobody asks again, and what the scan alone gave is kept in the reasons."""
    done, unmatched = apply_decisions(two_pieces, [judge(two_pieces, "F2", "separate")])
    assert unmatched == ()
    assert [(one.verdict, one.probability_separate) for one in done.pieces] == [("separate", None)] * 2
    assert "90 %" in done.pieces[1].evidence[0].says
    assert done.joints == two_pieces.joints
    assert done.warnings[-1].flag == "decided"


def test_a_verdict_of_one_piece_gives_the_metal_back_to_the_body(two_pieces: Part) -> None:
    """One piece over all the depth, with the outside and without the line that was no seam; record and file agree."""
    done, _ = apply_decisions(two_pieces, [judge(two_pieces, "F2", "one_piece")])
    (body,) = done.pieces
    assert (body.verdict, body.features) == ("one_piece", ("F1", "F3"))
    assert (body.depth_from_mm, body.depth_to_mm) == (Measured(0.5, 0.002), Measured(4.0, 0.002))
    assert [one.id for one in done.features] == ["F1", "F3"]
    assert done.joints == ()
    assert all("F2" not in one.features for one in body.evidence)


def test_a_verdict_of_cannot_say_leaves_the_pieces_open(two_pieces: Part, tmp_path: Path) -> None:
    """The verdict is undecided for both, is kept in the file, and is replayed from it."""
    decision = judge(two_pieces, "F3", "undecided")
    write_decisions([decision], tmp_path / "d.json")
    done, _ = apply_decisions(two_pieces, read_decisions(tmp_path / "d.json"))
    assert [one.verdict for one in done.pieces] == ["undecided", "undecided"]
    write_part(done, tmp_path / "part.json")
    assert read_part(tmp_path / "part.json").pieces == done.pieces


def test_a_verdict_that_means_nothing_is_said(two_pieces: Part, four: Part) -> None:
    """The body is what the others leave; a part without pieces has none to judge; a word that is no verdict is refused."""
    _, (left,) = apply_decisions(two_pieces, [judge(two_pieces, "F1", "one_piece")])
    assert "judge those instead" in left.why
    _, (left,) = apply_decisions(four, [judge(four, "F4", "separate")])
    assert "belongs to no piece" in left.why
    with pytest.raises(InputError, match="not a verdict"):
        judge(four, "F4", "perhaps")


def test_of_two_lengths_for_one_size_the_later_holds(four: Part) -> None:
    """Typed twice, a known length does not stop the other: the second one gives the scale."""
    lengths = [KnownLength(feature=named(four, four.feature("F1")), value_mm=one, u_mm=0.001) for one in (3.3, 3.03)]
    done, unmatched = apply_decisions(four, lengths)
    assert unmatched == ()
    assert done.feature("F1").diameter_mm.value == pytest.approx(3.03, abs=0.003)  # type: ignore[union-attr]


def test_lengths_by_which_a_feature_would_end_before_it_begins_are_left_out() -> None:
    """Two bores 0.4 mm larger than measured are an edge 0.2 mm off, and a rim of 0.1 mm between two faces is none."""
    rim = replace(bore("F3", 10, 10, 9.0, low=2.0, high=2.1), kind="round_outside")
    part = with_sensitivity(plate(bore("F1", 5, 5, 3.0), bore("F2", 15, 5, 9.0), rim))
    lengths = [KnownLength(feature=named(part, part[one]), value_mm=part[one].diameter_mm.value + 0.4, u_mm=1e-4) for one in ("F1", "F2")]
    done, left = apply_decisions(part, lengths)
    assert [one.number for one in left] == [1, 2]
    assert "would break its own rules (features.2.depth_from_mm: lies beyond depth_to_mm)" in left[0].says
    assert done.stack == part.stack
    part_to_json(done)


def test_a_length_no_scan_could_have_is_refused(four: Part) -> None:
    """A size of 1e9 mm would make voxels of kilometres."""
    _, (left,) = apply_decisions(four, [KnownLength(feature=named(four, four.feature("F1")), value_mm=1e9)])
    assert "which no scan has" in left.why
