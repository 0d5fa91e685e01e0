"""From seams to pieces: weights, probabilities, hypotheses and joints, on invented drafts."""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from ctrecon.core.fit_result import FitFailed, ShapeFit
from ctrecon.core.measured import Measured
from ctrecon.features.build import MeasuredFeature, SeamStrength
from ctrecon.features.candidates import Candidate
from ctrecon.features.size import FittedCandidate
from ctrecon.pieces.evidence import MOST_FROM_A_SEAM, reach_of
from ctrecon.pieces.infer import PRIORS, infer_pieces
from ctrecon.pieces.joints import find_joints
from ctrecon.record.part import Feature
from ctrecon.seams.face_limit import FlatLimit
from ctrecon.shapes import Circle, Rectangle, RegularPolygon, Shape

MM = 0.05


def draft(ident: str, kind: str, shape: Shape, depths: tuple[float, float], p_false: float | None = None) -> MeasuredFeature:
    """A feature of known make on a grid of 0.05 mm, given as a seam where its false-alarm chance is given."""
    size = {"diameter_mm": Measured(2 * shape.radius * MM, 0.001)} if isinstance(shape, Circle) else {
        "flats_mm": Measured(getattr(shape, "a", 60.0) * MM, 0.001), "turn_deg": Measured(shape.turn_deg, 0.1),
    }  # fmt: skip
    seam = None if p_false is None else SeamStrength(12.0, p_false, 0.95, (6.0, 6.0, 6.0, 6.0))
    extra = {} if p_false is None else {"seam_mm": Measured(0.01, 0.001)}
    feature = Feature(
        id=ident, kind=kind, x_mm=Measured(shape.centre[0] * MM, 0.001), y_mm=Measured(shape.centre[1] * MM, 0.001),
        depth_from_mm=Measured(depths[0] * MM, 0.001), depth_to_mm=Measured(depths[1] * MM, 0.001),
        slices_used=(round(depths[0]), round(depths[1])), **size, **extra,
    )  # fmt: skip
    candidate = Candidate(kind.split("_")[0], kind.endswith("_hole"), shape, 0.0, (), True)
    return MeasuredFeature(feature, FittedCandidate(candidate, FitFailed("invented"), 0.0, True), depths, seam)


class Grid(SimpleNamespace):
    """A stack of 40 even slices of metal with a little noise."""

    def __len__(self) -> int:
        return 40

    def plane(self, k: int) -> np.ndarray:
        return 1 + np.random.default_rng(k).normal(0, 0.02, (100, 100))


def grid(*, snr: float = 20.0, rings: float = 0.0, shared: float = 1.0) -> Any:
    artefacts = SimpleNamespace(psf_px=0.8, snr=snr, noise_correlation=0.0, ring_left_rel=rings)
    noise = SimpleNamespace(sum=shared)
    survey = SimpleNamespace(stack=range(40), body_slices=40, artefacts=artefacts, correlation=noise)
    return Grid(pitch_mm=MM, depth_step_mm=MM, survey=survey)


FLANGE = draft("F1", "round_outside", Circle(50, 50, 45), (2, 12))
COLLAR = draft("F2", "round_outside", Circle(50, 50, 30), (12, 28))
BOSS = draft("F4", "square_outside", Rectangle(50, 50, 24.0, 24.0, 17.0), (28, 36))


def seam(p_false: float) -> MeasuredFeature:
    return draft("F3", "square_seam", Rectangle(50, 50, 24.1, 24.1, 17.1), (12, 28), p_false)


def test_a_sure_seam_makes_a_spacer_that_was_put_on_from_the_boss() -> None:
    """Collar and seam form P2, separate; flange and boss stay the hub; it can only have come over the boss."""
    drafts = [FLANGE, COLLAR, seam(1e-6), BOSS]
    pieces, hypotheses = infer_pieces(drafts, grid())
    assert [(p.id, p.name, p.verdict) for p in pieces] == [("P1", "hub", "separate"), ("P2", "spacer", "separate")]
    assert pieces[1].features == ("F2", "F3")
    assert pieces[0].features == ("F1", "F4")
    kinds = {e.kind for e in pieces[1].evidence}
    assert {"seam", "flats_go_on"} <= kinds
    assert hypotheses[0].name == "pressed_in"
    assert sum(h.probability for h in hypotheses) == pytest.approx(1.0, abs=1e-3)
    (joint,) = find_joints(pieces, drafts, grid())
    assert (joint.piece, joint.on, joint.put_on_from) == ("P2", "P1", ("end",))
    assert joint.contact_mm2 is not None
    assert joint.contact_mm2.value == pytest.approx(4 * 24.1 * MM * 16 * MM, rel=0.01)


def test_never_surer_than_the_detection() -> None:
    """The probability that the piece is separate stays below one less the chance of a false alarm."""
    for p_false in (0.03, 0.01, 1e-9):
        pieces, _ = infer_pieces([FLANGE, COLLAR, seam(p_false), BOSS], grid())
        assert pieces[1].probability_separate is not None
        assert pieces[1].probability_separate <= 1 - max(p_false, 1 / 500) + 1e-9
        assert pieces[1].evidence[0].weight <= MOST_FROM_A_SEAM + 0.01


def test_a_doubtful_seam_stays_undecided_and_says_what_would_settle_it() -> None:
    """A seam that chance brings about once in three leaves it undecided, and a finer scan is named."""
    alone = replace(seam(0.35), feature=replace(seam(0.35).feature, flats_mm=Measured(1.9, 0.001)))
    alone = replace(alone, sized=replace(alone.sized, candidate=replace(
        alone.sized.candidate, shape=Rectangle(50, 50, 38.0, 38.0, 40.0))))  # fmt: skip
    pieces, _ = infer_pieces([FLANGE, COLLAR, alone, BOSS], grid())
    assert pieces[1].verdict == "undecided"
    assert any(e.kind == "would_settle" and "finer voxels" in e.says for e in pieces[1].evidence)


def limit_of(pieces: Any) -> float:
    says = " ".join(e.says for e in pieces[0].evidence)
    return float(says.split("thinner than about ")[1].split(" mm")[0])


def test_the_limit_is_stated_whatever_was_found_and_counts_shared_noise() -> None:
    """Noise of which nine voxels share one value has a third of the samples to a gap: the limit is three times as thick."""
    for drafts in ([FLANGE, COLLAR, BOSS], [FLANGE, COLLAR, seam(1e-6), BOSS]):
        alone, shared = (limit_of(infer_pieces(drafts, grid(shared=n))[0]) for n in (1.0, 9.0))
        assert shared == pytest.approx(3 * alone, rel=0.05)


def test_no_seam_is_weak_evidence_where_little_can_be_seen() -> None:
    """Without seams the part is one piece; the noisier and ringed the stack, the less that means."""
    clear, _ = infer_pieces([FLANGE, COLLAR, BOSS], grid(snr=40))
    poor, hypotheses = infer_pieces([FLANGE, COLLAR, BOSS], grid(snr=4, rings=0.02))
    assert [p.verdict for p in (*clear, *poor)] == ["one_piece", "one_piece"]
    assert clear[0].probability_separate is not None
    assert poor[0].probability_separate is not None
    assert clear[0].probability_separate < poor[0].probability_separate <= 1 - PRIORS["one_piece"] + 1e-9
    assert hypotheses[0].name == "one_piece"
    assert reach_of(None) == 1.0
    assert reach_of(0.002) < reach_of(0.02) < reach_of(0.3) == 1.0


def test_priors_can_be_changed() -> None:
    """Who is sure beforehand of one piece gets a lower probability from the same seam; unknown ways are refused."""
    drafts = [FLANGE, COLLAR, seam(0.03)]
    usual = infer_pieces(drafts, grid())[0][1].probability_separate
    wary = infer_pieces(drafts, grid(), priors={"one_piece": 50.0})[0][1].probability_separate
    assert usual is not None
    assert wary is not None
    assert wary < usual
    with pytest.raises(ValueError, match="not a hypothesis"):
        infer_pieces(drafts, grid(), priors={"glued": 0.5})


def test_a_piece_held_by_a_larger_head_slides_off_nowhere() -> None:
    """Flange below and a larger head above: neither side is free, and the sentence says what must have come later."""
    head = draft("F4", "round_outside", Circle(50, 50, 25), (28, 33))
    drafts = [FLANGE, COLLAR, seam(1e-6), head]
    pieces, _ = infer_pieces(drafts, grid())
    (joint,) = find_joints(pieces, drafts, grid())
    assert joint.put_on_from == ()
    assert "rivet head" in joint.says


def test_a_collar_of_six_sides_off_the_axis_is_a_reason() -> None:
    """A hexagon in the seam's depths, 4 px beside the axis of the flange, is named with its distance in mm."""
    fit = ShapeFit(("x",), np.zeros(1), np.eye(1), 1.0, 1.0, 100)
    collar = draft("F2", "polygon_outside", RegularPolygon(54, 50, 6, 30.0, 10.0), (12, 28))
    fitted = [replace(d, sized=replace(d.sized, fit=fit)) for d in (FLANGE, collar)]
    pieces, _ = infer_pieces([*fitted, seam(1e-6), BOSS], grid())
    (reason,) = [e for e in pieces[1].evidence if e.kind == "other_axis"]
    assert reason.features == ("F2", "F1")
    assert "0.200 mm" in reason.says


def test_a_tapered_seat_comes_off_towards_its_narrow_end() -> None:
    """A seat that widens with depth lets its piece off at the start only, though nothing stands in the way at the end."""
    for taper, ends in ((0.02, ()), (-0.02, ("end",)), (0.0005, ("end",))):
        straight = seam(1e-6)
        coned = replace(straight, feature=replace(straight.feature, taper_mm_per_mm=Measured(taper, 0.001)))
        drafts = [FLANGE, COLLAR, coned, BOSS]
        pieces, _ = infer_pieces(drafts, grid())
        (joint,) = find_joints(pieces, drafts, grid())
        assert joint.put_on_from == ends


def test_one_slice_leaves_it_undecided() -> None:
    """However clear a line in a single slice, whether it goes on through depth is not known, and that is said."""
    one = grid()
    one.survey.stack = range(1)
    flat = replace(seam(1e-9).feature, depth_from_mm=None, depth_to_mm=None, slices_used=(0, 0))
    pieces, _ = infer_pieces([FLANGE, replace(seam(1e-9), feature=flat)], one)
    assert pieces[1].verdict == "undecided"
    says = " ".join(e.says for e in pieces[1].evidence)
    assert "Slice 0 (counted from 0) shows a darker" in says
    assert "the slices above and below" in says


def test_the_body_says_where_its_evidence_stands() -> None:
    """The body of a part in several pieces points to the piece that carries the evidence."""
    pieces, _ = infer_pieces([FLANGE, COLLAR, seam(1e-6), BOSS], grid())
    rest = pieces[0].evidence[0]
    assert "listed under P2" in rest.says


def test_an_outside_beyond_a_flat_seam_belongs_to_one_piece() -> None:
    """A collar that lies on a flange face to face is listed with the upper piece only."""
    face = draft("F5", "face_seam", Circle(50, 50, 30), (12, 12), 1e-4)
    pieces, _ = infer_pieces([FLANGE, COLLAR, face], grid())
    assert [p.name for p in pieces] == ["plate", "plate"]
    assert pieces[0].features == ("F1",)
    assert pieces[1].features == ("F2", "F5")


def stack_of_three(pins: int) -> list[MeasuredFeature]:
    """A wheel, a spacer and a wheel, 10 slices each, on rivets of 6 px filed flush."""
    parts = [
        draft(f"F{i + 1}", "round_outside", Circle(50, 50, r), (2 + 10 * i, 12 + 10 * i))
        for i, r in enumerate((40, 25, 40))
    ]
    faces = [draft(f"F{4 + i}", "face_seam", Circle(50, 50, 25), (12 + 10 * i, 12 + 10 * i), 1e-4) for i in range(2)]
    angles = 2 * np.pi * np.arange(pins) / pins
    rods = [
        draft(f"F{6 + i}", "round_seam", Circle(50 + 16 * np.cos(a), 50 + 16 * np.sin(a), 3.0), (2, 32), 1e-4)
        for i, a in enumerate(angles)
    ]
    return [*parts, *faces, *rods]


def test_a_riveted_stack_is_its_layers_and_its_rivets() -> None:
    """Each layer ends at the flat seam that begins the next, the body at the first; rivets run through all of them."""
    drafts = stack_of_three(3)
    pieces, hypotheses = infer_pieces(drafts, grid())
    ends = [(p.name, round(p.depth_from_mm.value / MM), round(p.depth_to_mm.value / MM)) for p in pieces]  # type: ignore[union-attr]
    assert ends == [
        ("plate", 2, 12), ("spacer", 12, 22), ("plate", 22, 32), *[("rivet", 2, 32)] * 3,
    ]  # fmt: skip
    assert [p.features for p in pieces[:3]] == [("F1",), ("F2", "F4"), ("F3", "F5")]
    assert all(p.verdict == "separate" for p in pieces)
    assert hypotheses[0].name == "riveted"
    joints = find_joints(pieces, drafts, grid())
    rivet = next(j for j in joints if j.piece == "P4")
    assert rivet.put_on_from == ("start", "end")
    assert "sits in P1 (plate); it can have been pushed in from either side" in rivet.says


def test_a_pin_under_a_cover_came_from_the_other_side() -> None:
    """A pin beside the axis that ends under a flange lies open at its other end only; it owns no outside."""
    pin = draft("F3", "round_seam", Circle(50, 70, 4.0), (12, 28), 1e-6)
    drafts = [FLANGE, COLLAR, pin]
    pieces, _ = infer_pieces(drafts, grid())
    assert [(p.name, p.features) for p in pieces] == [("body", ("F1", "F2")), ("pin", ("F3",))]
    (joint,) = find_joints(pieces, drafts, grid())
    assert joint.put_on_from == ("end",)


def test_limits_of_flat_gaps_are_listed_with_the_body() -> None:
    """Each hidden end with its slice and the gap that would not show; where nothing would show that is said."""
    limits = [FlatLimit(12.0, 14, 0.0062), FlatLimit(20.0, 22, 0.01), FlatLimit(28.0, 30, None)]
    pieces, _ = infer_pieces([FLANGE, COLLAR, BOSS], grid(), limits=limits)
    (said,) = [e.says for e in pieces[0].evidence if e.kind == "limit"]
    assert "thinner than about 0.0062 mm at slice 14 and 0.0100 mm at slice 22" in said
    assert "At slice 30 (counted from 0) there is too little metal" in said
