"""Seams of rivets, and of arbors whose ends are thinner than what they carry; solids that only look like it."""

from functools import cache

import numpy as np
import pytest
from scipy.special import ndtr

from ctrecon.core.fit_result import FitFailed, ShapeFit
from ctrecon.core.measured import Measured
from ctrecon.features.build import MeasuredFeature
from ctrecon.features.candidates import Candidate, Span
from ctrecon.features.size import FittedCandidate
from ctrecon.fitting.choose import Choice
from ctrecon.measuring import measure_stack
from ctrecon.record.part import Feature, Part
from ctrecon.seams.find import _centres
from ctrecon.seams.to_feature import of_one_size
from ctrecon.shapes import Circle
from ctrecon.slices import SliceStack

MM = 0.05
BLUR = 0.9
MIDDLE = 41.3
NOISE = 0.05
RIVETS = [(MIDDLE + 19 * np.cos(a), MIDDLE + 19 * np.sin(a)) for a in np.radians([12.0, 132.0, 252.0])]
RIVET_RADIUS = 4.2


def _between(z: np.ndarray, low: float, high: float) -> np.ndarray:
    return np.asarray(ndtr((z - low) / BLUR) - ndtr((z - high) / BLUR))


def _gap(off: np.ndarray, thick: float) -> np.ndarray:
    """Grey that a gap takes: a Gaussian of its area, whatever the blur."""
    return np.asarray(thick * np.exp(-0.5 * (off / BLUR) ** 2) / (BLUR * np.sqrt(2 * np.pi)))


def volume(what: str) -> np.ndarray:
    """A disc of 33 px radius, air 0 and metal 1: riveted, alone, or on a square arbor with a long thin end.

    Two discs are riveted to a ring between them so narrow that its rims hide what the rivets show there.
    """
    z, y, x = np.meshgrid(np.arange(40.0), np.arange(83.0), np.arange(83.0), indexing="ij")
    off = np.hypot(x - MIDDLE, y - MIDDLE)
    low, high = (4.4, 17.3) if what == "arbor" else (4.4, 34.3)
    whole = ndtr((33.0 - off) / BLUR) * _between(z, low, high)
    if what == "arbor":
        metal = np.maximum(whole, ndtr((8.0 - off) / BLUR) * _between(z, low, 36.4))
        turn = np.radians(25.0)
        u = np.abs((x - MIDDLE) * np.cos(turn) + (y - MIDDLE) * np.sin(turn))
        v = np.abs(-(x - MIDDLE) * np.sin(turn) + (y - MIDDLE) * np.cos(turn))
        metal = metal - _gap(np.maximum(u, v) - 12.0, 0.07) * _between(z, low, high)
    else:
        metal = whole * ndtr((off - 6.0) / BLUR)
        if what == "two discs":
            metal *= 1 - _between(z, 14.2, 24.6) * (ndtr((off - 24.4) / BLUR) + ndtr((13.6 - off) / BLUR))
        # rings of the scanner lie about the part's own axis: all three rivets lie on the same ones
        ring = np.interp(off, np.arange(64.0), 0.006 * np.random.default_rng(3).standard_normal(64))
        metal = metal + ring
        for rx, ry in RIVETS if what != "solid" else ():
            metal -= _gap(np.hypot(x - rx, y - ry) - RIVET_RADIUS, 0.07) * _between(z, low, high)
    return np.asarray(metal + NOISE * np.random.default_rng(5).standard_normal(metal.shape))


@cache
def measured(what: str) -> Part:
    grey = (volume(what) * 4000 + 700).astype(np.float32)
    return measure_stack(SliceStack.from_array(grey, voxel_mm=MM, source=what)).part


def px(one: Measured | None) -> float:
    assert one is not None
    return one.value / MM


def test_three_rivets_are_found_together() -> None:
    """Rivets too faint to tell one by one under rings stand at their places, with their size, each a piece."""
    part = measured("riveted")
    seams = [f for f in part.features if f.kind == "round_seam"]
    assert len(seams) == len(RIVETS)
    for x, y in RIVETS:
        near = min(seams, key=lambda f: np.hypot(px(f.x_mm) - x, px(f.y_mm) - y))
        assert np.hypot(px(near.x_mm) - x, px(near.y_mm) - y) < 0.4
        assert near.diameter_mm is not None
        assert near.diameter_mm.u is not None
        assert abs(px(near.diameter_mm) - 2 * RIVET_RADIUS) < min(3 * near.diameter_mm.u / MM, 0.9)
        assert (px(near.depth_from_mm), px(near.depth_to_mm)) == pytest.approx((4.4, 34.3), abs=0.2)
    assert sorted(p.name for p in part.pieces) == ["body", "pin", "pin", "pin"]
    assert all(p.verdict == "separate" for p in part.pieces)


def test_rivets_that_can_t_be_seen_half_way_run_from_end_to_end() -> None:
    """Between two discs a narrow ring hides three rivets for ten planes: each is one seam over the whole depth."""
    seams = [f for f in measured("two discs").features if f.kind == "round_seam"]
    assert len(seams) == len(RIVETS)
    for seam in seams:
        assert (px(seam.depth_from_mm), px(seam.depth_to_mm)) == pytest.approx((4.4, 34.3), abs=0.3)


def test_the_same_disc_without_rivets_is_one_piece() -> None:
    """Rings and noise alone make no rivets."""
    part = measured("solid")
    assert not [f for f in part.features if f.kind.endswith("_seam")]
    assert [p.verdict for p in part.pieces] == ["one_piece"]


def test_a_long_thin_end_hides_no_seam_in_the_disc() -> None:
    """The arbor's end is the longest round outside; the square seam lies far outside its radius all the same."""
    part = measured("arbor")
    (seam,) = [f for f in part.features if f.kind == "square_seam"]
    assert px(seam.flats_mm) == pytest.approx(24.0, abs=0.4)
    assert (px(seam.depth_from_mm), px(seam.depth_to_mm)) == pytest.approx((4.4, 17.3), abs=0.3)
    assert [p.name for p in part.pieces] == ["arbor", "spacer"]


def _outside(radius: float, depths: tuple[float, float]) -> MeasuredFeature:
    """A round outside about (50, 50) with the outline that was traced of it."""
    circle = Circle(50.0, 50.0, radius)
    choice = Choice("circle", circle, np.ones(180, dtype=bool), 1.0)
    span = Span(0, 1, (0, 0), np.zeros((1, 1), np.int8), np.zeros((1, 1)), circle.outline(180)[:-1], choice)
    candidate = Candidate("round", False, circle, 0.0, (span,), True)
    fit = ShapeFit(("x", "y"), np.array([50.0, 50.0]), np.eye(2), 1.0, 1.0, 100)
    quantity = Measured(50.0 * MM, 0.001)
    feature = Feature(id="", kind="round_outside", x_mm=quantity, y_mm=quantity, depth_from_mm=None, depth_to_mm=None)
    return MeasuredFeature(feature, FittedCandidate(candidate, fit, 0.0, True), depths)


def test_an_axis_reaches_as_far_as_all_that_shares_it() -> None:
    """A pin end of 8 px is longer than the wheel of 33 px that it carries: lines are sought as far as the wheel goes."""
    (centre,) = _centres([_outside(33.0, (4.0, 17.0)), _outside(8.0, (17.0, 36.0))])
    assert centre.reach == pytest.approx(33.0, abs=0.01)


def test_faint_rivets_of_a_set_share_their_size() -> None:
    """Weighted by 1 / u²: of 6.0 ± 0.2 and 6.25 ± 0.4 that is 6.05 ± 0.179; sure ones, and unlike ones, keep their own."""

    def of(*sizes: tuple[float, float]) -> list[MeasuredFeature]:
        sized = FittedCandidate(Candidate("seam", False, None, 0.0, (), True), FitFailed("a seam"), 0.0, False)
        return [
            MeasuredFeature(Feature(id="", kind="round_seam", diameter_mm=Measured(*one)), sized, (0.0, 1.0), None)
            for one in sizes
        ]

    for one in of_one_size(of((6.0, 0.2), (6.25, 0.4))):
        assert one.feature.diameter_mm is not None and one.feature.diameter_mm.u is not None
        assert one.feature.diameter_mm.value == pytest.approx(6.05)
        assert one.feature.diameter_mm.u == pytest.approx(0.16**0.5 / 5**0.5)
        assert one.feature.flags == ("size_of_set",)
    for kept in (of((6.0, 0.01), (6.02, 0.01)), of((6.0, 0.2), (8.0, 0.2)), of((6.0, 0.4))):
        assert of_one_size(kept) == kept
