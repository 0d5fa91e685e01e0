"""Seams inside metal: found where there is one, measured, and not claimed where there is none."""

from functools import cache
from typing import Any

import numpy as np
import pytest
from scipy.special import ndtr

from ctrecon.core.measured import Measured
from ctrecon.measuring import measure_stack
from ctrecon.record.kinds import is_seam
from ctrecon.record.part import Feature, Part
from ctrecon.slices import SliceStack

MM = 0.05
BLUR = 0.9
X, Y = 41.2, 40.7
START, END = 4.4, 20.3


def bush(seam: str, *, outer: float = 33.0, thick: float = 0.25, noise: float = 0.05) -> np.ndarray:
    """A bored round bar, bore radius 6 px, with a thin line in it; air 0, metal 1, lengths in px.

    The line is the blur of a gap of `thick` px: a Gaussian of that area.
    """
    size = np.arange(2 * outer + 17)
    z, y, x = np.meshgrid(np.arange(25.0), size, size, indexing="ij")
    dx, dy = x - X - (outer - 33), y - Y - (outer - 33)
    off = np.hypot(dx, dy)
    body = ndtr((outer - BLUR**2 / (2 * outer) - off) / BLUR) * ndtr((off - 6 + BLUR**2 / 12) / BLUR)
    depth = ndtr((z - START) / BLUR) - ndtr((z - END) / BLUR)
    metal = body * depth
    turn = np.radians(28.0)
    u, v = np.abs(dx * np.cos(turn) + dy * np.sin(turn)), np.abs(-dx * np.sin(turn) + dy * np.cos(turn))
    line = {
        "square": np.maximum(u, v) - 15.0,
        "round": off - 18.0,
        "bright": off - 18.0,
        "two sides": np.where(v < u, u - 15.0, 99.0),
        "rings": np.hypot(x - 22.0, y - 30.0) - 20.0,
        "none": np.full_like(off, 99.0),
    }[seam]
    sign = -1 if seam == "bright" else 1
    metal -= sign * thick * np.exp(-0.5 * (line / BLUR) ** 2) / (BLUR * np.sqrt(2 * np.pi)) * depth
    return np.asarray(metal + noise * np.random.default_rng(11).standard_normal(metal.shape))


def measured(seam: str, outer: float = 33.0) -> Part:
    return _measured(seam, outer)


@cache  # by the same key, whether the radius is told or not
def _measured(seam: str, outer: float) -> Part:
    volume = (bush(seam, outer=outer) * 4000 + 700).astype(np.float32)
    return measure_stack(SliceStack.from_array(volume, voxel_mm=MM, source=seam, towards_viewer=False)).part


def the_seam(part: Part) -> Feature:
    (one,) = [f for f in part.features if is_seam(f)]
    return one


def px(measured: Measured | None) -> float:
    assert measured is not None
    return measured.value / MM


def test_square_seam() -> None:
    """A square line a quarter of a pixel thick is found with its size, turn, thickness and whole depth."""
    seam = the_seam(measured("square"))
    assert seam.kind == "square_seam"
    assert px(seam.flats_mm) == pytest.approx(30.0, abs=0.15)
    assert seam.turn_deg is not None
    assert seam.turn_deg.value == pytest.approx(28.0, abs=0.5)
    assert px(seam.seam_mm) == pytest.approx(0.25, abs=0.05)
    assert (px(seam.x_mm), px(seam.y_mm)) == pytest.approx((X, Y), abs=0.15)
    assert (px(seam.depth_from_mm), px(seam.depth_to_mm)) == pytest.approx((START, END), abs=0.5)


def test_round_seam() -> None:
    """A round line is found as round, not as a square of like size."""
    seam = the_seam(measured("round", 48.0))
    assert seam.kind == "round_seam"
    assert px(seam.diameter_mm) == pytest.approx(36.0, abs=0.15)
    assert px(seam.seam_mm) == pytest.approx(0.25, abs=0.05)
    assert seam.flags == ()


def test_round_seam_in_a_thin_wall() -> None:
    """A round line with 27 px of metal between bore and outside is as plain to see as in a thick wall."""
    assert the_seam(measured("round")).kind == "round_seam"


def test_bright_seam() -> None:
    """A seam filled with something heavier is found too, has a negative thickness and says so."""
    seam = the_seam(measured("bright", 48.0))
    assert seam.kind == "round_seam"
    assert "seam_bright" in seam.flags
    assert px(seam.seam_mm) == pytest.approx(-0.25, abs=0.05)


@pytest.mark.parametrize("seam", ["none", "two sides", "rings"])
def test_no_seam_is_claimed(seam: str) -> None:
    """Plain metal, a line on two sides only, and a ring about another axis that leaves the part are not seams."""
    part = measured(seam)
    assert [f for f in part.features if is_seam(f)] == []
    (piece,) = part.pieces
    assert (piece.id, piece.name, piece.verdict) == ("P1", "body", "one_piece")
    assert [e.kind for e in piece.evidence] == ["no_seam"]
    assert sorted(f for f in piece.features) == sorted(f.id for f in part.features)


@pytest.mark.parametrize(("seam", "name", "outer"), [("square", "spacer", 33.0), ("round", "bush", 48.0)])
def test_a_seam_makes_a_second_piece(seam: str, name: str, outer: float) -> None:
    """Hub and inner piece are listed, separate, each with its depth and a probability."""
    part = measured(seam, outer)
    body, other = part.pieces
    assert (body.id, body.name, body.verdict) == ("P1", "hub", "separate")
    assert (other.id, other.name, other.verdict) == ("P2", name, "separate")
    assert the_seam(part).id in other.features
    assert set(body.features).isdisjoint(other.features)
    assert other.depth_from_mm == the_seam(part).depth_from_mm
    for piece in part.pieces:
        assert piece.probability_separate is not None
        assert piece.probability_separate > 0.9


def test_evidence_names_slices_and_can_be_checked() -> None:
    """The sentence names the slices and the size, and those slices are where the line is."""
    part = measured("square")
    (evidence,) = [e for e in part.pieces[1].evidence if e.kind == "seam"]
    seam = the_seam(part)
    assert seam.slices_used is not None
    first, last = seam.slices_used
    assert f"Slices {first} to {last}" in evidence.says
    assert "square line, 1.50 mm across the flats" in evidence.says
    assert "darker" in evidence.says
    assert first == pytest.approx(START, abs=1.5)
    assert last == pytest.approx(END, abs=1.5)
    assert evidence.features == (seam.id,)
    assert evidence.weight > 3


def test_the_other_features_do_not_suffer() -> None:
    """Outside and bore measure nearly the same with a seam between them as without, within what their u allows."""
    for kind in ("round_outside", "round_hole"):
        sizes = [next(f for f in measured(s).features if f.kind == kind).diameter_mm for s in ("none", "square", "round")]
        assert [px(s) for s in sizes] == pytest.approx([px(sizes[0])] * 3, abs=0.05)
    assert px(next(f for f in measured("none").features if f.kind == "round_outside").diameter_mm) == pytest.approx(66, abs=0.03)


def test_relief_and_outside_belong_to_the_inner_piece_where_they_live_in_its_depth(
    hub_of_two_pieces: tuple[Part, dict[str, Any]],
) -> None:
    """On a hub of two pieces the spacer owns its rim, its relief and its seam; on the same hub in one piece nothing is split."""
    part, truth = hub_of_two_pieces
    spacer = next(p for p in part.pieces if p.name == "spacer")
    kinds = sorted(f.kind for f in part.features if f.id in spacer.features)
    assert kinds == ["arc_outside", "round_outside", "square_seam"]
    body = next(p for p in part.pieces if p.name == "hub")
    assert sorted(f.kind for f in part.features if f.id in body.features) == [
        "round_hole", "round_outside", "round_outside", "square_outside",
    ]  # fmt: skip
    assert spacer.depth_from_mm is not None
    assert spacer.depth_to_mm is not None
    true = next(p for p in truth["pieces"] if p["name"] == "spacer")
    assert spacer.depth_from_mm.value == pytest.approx(true["depth_from_mm"], abs=0.15)
    assert spacer.depth_to_mm.value == pytest.approx(true["depth_to_mm"], abs=0.15)
