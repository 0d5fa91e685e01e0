"""Everything along depth: places of faces, correlated noise, knees, broken edges, holes across the axis."""

from functools import cache

import numpy as np
import pytest
from scipy import ndimage
from scipy.special import ndtr

from ctrecon.features.axis import refine_slopes
from ctrecon.features.cross_holes import CrossModel
from ctrecon.features.ends import End
from ctrecon.features.face_place import place_by_sum
from ctrecon.fitting.solve import Samples
from ctrecon.grey.levels import find_levels
from ctrecon.grey.square_up import AxisGuess
from ctrecon.grey.survey import survey_stack
from ctrecon.measuring import measure_stack
from ctrecon.record.part import Feature, Part
from ctrecon.slices import SliceStack

VOXEL = (0.1, 0.1, 0.1)
SHAPE = (34, 64, 64)


def rendered(inside: np.ndarray, noise: float = 0.03, seed: int = 5) -> Part:
    """Measure a part given at four times the resolution as 0 and 1, averaged into voxels and blurred."""
    blurred = ndimage.gaussian_filter(inside.astype(np.float32), 3.2)
    slices, rows, columns = (n // 4 for n in inside.shape)
    grey = blurred.reshape(slices, 4, rows, 4, columns, 4).mean(axis=(1, 3, 5))
    grey += noise * np.random.default_rng(seed).standard_normal(grey.shape)
    stack = SliceStack.from_array((grey * 2000 + 300).astype(np.float32), voxel_mm=VOXEL, source="turned")
    return measure_stack(stack).part


def fine_grid() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return slice, row and column (voxels) of the fine grid's points."""
    z, y, x = np.ogrid[tuple(np.s_[-0.375 : n - 0.5 : 0.25] for n in SHAPE)]
    return z, y, x


@cache
def chamfered() -> Part:
    """A pin from slice 7 to 26 with a long chamfer of 45 degrees at its start and one of 3.4 voxels at its end."""
    z, y, x = fine_grid()
    off = np.hypot(y - 31.3, x - 31.8)
    body = (off < 24) & (z > 7) & (z < 26) & (off < 24 - (14 - z)) & (off < 24 - (z - 22.6))
    return rendered(body & (off > 8))


@cache
def drilled() -> Part:
    """A bored pin from slice 5 to 29 with a hole of 8 voxels across at slice 17."""
    z, y, x = fine_grid()
    off = np.hypot(y - 31.3, x - 31.8)
    return rendered((off < 25) & (off > 8) & (z > 5) & (z < 29) & (np.hypot(y - 31.0, z - 17.0) > 4))


def ends_of(feature: Feature) -> tuple[float, float]:
    assert feature.depth_from_mm is not None
    assert feature.depth_to_mm is not None
    return feature.depth_from_mm.value / VOXEL[0], feature.depth_to_mm.value / VOXEL[0]


@pytest.mark.parametrize("place", [6.0, 6.2, 6.37, 6.5, 6.81])
def test_the_place_of_a_face_does_not_depend_on_the_form_of_the_blur(place: float) -> None:
    """A step averaged into voxels and blurred unevenly on top is found where it is, to 0.005 slice."""
    z = np.arange(14.0)
    metal = np.clip(z + 0.5 - place, 0, 1)
    uneven = ndimage.convolve1d(metal, [0.2, 0.5, 0.2, 0.1, 0.0], mode="nearest")
    shift = float(np.average([-2, -1, 0, 1, 2], weights=[0.2, 0.5, 0.2, 0.1, 0.0]))
    # ndimage.convolve1d turns the weights round: they move the step by their own mean
    y, x = np.mgrid[-8:9, -8:9].astype(float)
    grey = np.repeat(uneven[:, None], x.size, axis=1)
    grey += 0.002 * np.random.default_rng(1).standard_normal(grey.shape)
    face = place_by_sum(
        np.tile(x.ravel(), len(z)), np.tile(y.ravel(), len(z)), np.repeat(z, x.size), grey.ravel(),
        start=np.array([place + shift + 0.1, 0.0, 0.0]), metal_above=True, blur=0.9, shared=np.ones(1), prior_sd=0.02,
    )  # fmt: skip
    assert face is not None
    assert face.values[0] == pytest.approx(place + shift, abs=0.005)


def test_a_face_without_air_beyond_the_blur_is_refused() -> None:
    """Where the columns hold no plane of plain air there is nothing to sum against."""
    z = np.repeat(np.arange(5.0, 14.0), 400)
    x = np.tile(np.arange(400.0) % 20, 9)
    y = np.tile(np.arange(400.0) // 20, 9)
    face = place_by_sum(
        x, y, z, ndtr((z - 5.5) / 0.9), start=np.array([5.5, 0.0, 0.0]), metal_above=True, blur=0.9, shared=np.ones(1),
        prior_sd=0.02,
    )  # fmt: skip
    assert face is None


@pytest.mark.parametrize(("sigma", "low", "high"), [(0.0, 1.0, 1.3), (1.0, 8.0, 17.0)])
def test_grain(sigma: float, low: float, high: float) -> None:
    """White noise gives 1; noise blurred by one voxel gives 4 pi, the sum of its correlation exp(-r²/4)."""
    z, y, x = np.ogrid[:40, :90, :90]
    body = ((np.hypot(y - 45, x - 45) < 32) & (z > 5) & (z < 34)).astype(float)
    noise = ndimage.gaussian_filter(np.random.default_rng(2).standard_normal(body.shape), (0.0, sigma, sigma))
    grey = ndimage.gaussian_filter(body, 0.8) + 0.05 * noise / noise.std()
    stack = SliceStack.from_array(grey.astype(np.float32), voxel_mm=VOXEL, source="noise")
    levels = find_levels(stack)
    assert levels is not None
    assert low <= survey_stack(stack, levels).correlation.sum <= high


@pytest.mark.parametrize("sigma", [0.0, 1.2])
def test_u_of_a_face_is_its_scatter(sigma: float) -> None:
    """Under white noise and under noise smoothed by 1.2 voxels a face scatters by its u, to a quarter, over 60 draws."""
    rng = np.random.default_rng(5)
    z, y, x = (v.ravel().astype(float) for v in np.mgrid[:18, :30, :30])
    far = np.arange(7.0 if sigma else 1.0)
    # closed form: a slice's sum of the correlation exp(-r²/4σ²) is 4πσ²
    shared = 4 * np.pi * sigma**2 * np.exp(-(far**2) / (4 * sigma**2)) if sigma else np.ones(1)
    places, stated = [], []
    for _ in range(60):
        noise = ndimage.gaussian_filter(rng.standard_normal((24, 48, 48)), sigma, mode="wrap")
        grey = ndtr((z - 8.3) / 0.9) + 0.1 * (noise / noise.std())[:18, :30, :30].ravel()
        face = place_by_sum(
            x - 14.5, y - 14.5, z, grey, start=np.array([8.3, 0.0, 0.0]), metal_above=True, blur=0.9, prior_sd=0.02,
            shared=shared,
        )  # fmt: skip
        assert face is not None
        places.append(face.values[0])
        stated.append(float(np.sqrt(face.covariance[0, 0])))
    assert np.std(places) == pytest.approx(np.median(stated), rel=0.25)


def test_a_streak_along_depth_makes_no_face_less_sure() -> None:
    """Columns that are brighter from end to end, metal and air alike, do not scatter as places of the face."""
    z = np.repeat(np.arange(16.0), 1600)
    x, y = np.tile(np.arange(1600.0) % 40, 16), np.tile(np.arange(1600.0) // 40, 16)
    rng = np.random.default_rng(8)
    streak = 0.06 * np.sin(x / 3) * np.cos(y / 4)
    grey = ndtr((z - 7.4) / 0.9) + streak + 0.02 * rng.standard_normal(len(z))
    face = place_by_sum(
        x, y, z, grey, start=np.array([7.4, 0.0, 0.0]), metal_above=True, blur=0.9, shared=np.ones(1), prior_sd=0.02
    )
    assert face is not None
    assert face.scatter < 2.0


def test_one_face_counts_once_for_the_axis() -> None:
    """Six features that end in one face make its direction no surer than one feature does."""
    end = End(12.0, 0.01, slope_x=0.001, slope_y=0.0, u_slope=0.002)
    guess = AxisGuess(0.0, 0.0, 0.01)
    _, once = refine_slopes(guess, [], [end])
    slopes, often = refine_slopes(guess, [], [end] * 6)
    assert often == pytest.approx(once)
    assert slopes[0] == pytest.approx(-0.001)


def test_a_long_chamfer_is_a_cone_that_meets_the_cylinder_where_their_lines_cross() -> None:
    """The cone runs from the face at 7 to the cylinder at 14, and the cylinder starts there."""
    outsides = sorted((f for f in chamfered().features if f.kind == "round_outside"), key=ends_of)
    assert len(outsides) == 2
    cone, cylinder = outsides
    assert cone.diameter_mm is not None
    assert cone.diameter_mm.value == pytest.approx(4.1, abs=0.02)
    for feature, end, true in ((cone, 0, 7.0), (cone, 1, 14.0), (cylinder, 0, 14.0)):
        assert ends_of(feature)[end] == pytest.approx(true, abs=0.15)


def test_a_short_chamfer_leaves_the_end_at_the_face() -> None:
    """The cylinder ends at the face at 26, not halfway up its chamfer, and says that the edge is broken."""
    cylinder = max((f for f in chamfered().features if f.kind == "round_outside"), key=ends_of)
    assert ends_of(cylinder)[1] == pytest.approx(26.0, abs=0.1)
    assert "edge_broken" in cylinder.flags


def test_a_sharp_edge_is_not_called_broken() -> None:
    """The drilled pin has sharp edges only."""
    assert all("edge_broken" not in f.flags for f in drilled().features)


def test_a_hole_across_leaves_the_features_it_cuts_whole() -> None:
    """Outside and bore run from 5 to 29 as one feature each, although a hole across cuts both."""
    part = drilled()
    for kind in ("round_outside", "round_hole"):
        (feature,) = part.of_kind(kind)
        assert ends_of(feature) == pytest.approx((5.0, 29.0), abs=0.05)


def test_a_hole_across_has_its_own_axis() -> None:
    """It is a free shape flagged as not along the depth, with its diameter and its direction along x."""
    (hole,) = drilled().of_kind("free_hole")
    assert "not_along_depth" in hole.flags
    assert hole.cross_diameter_mm is not None
    assert hole.cross_diameter_mm.value == pytest.approx(0.8, abs=0.01)
    assert hole.cross_direction_xyz == pytest.approx((1.0, 0.0, 0.0), abs=0.02)
    assert ends_of(hole) == pytest.approx((13.0, 21.0), abs=0.1)


def test_a_groove_parts_two_lands() -> None:
    """Two lands of one size with a groove round all the rim between them stay two outsides."""
    z, y, x = fine_grid()
    off = np.hypot(y - 31.3, x - 31.8)
    part = rendered((z > 5) & (z < 29) & (off < np.where((z > 13) & (z < 20), 19.0, 25.0)))
    assert len(part.of_kind("round_outside")) == 3


def test_the_derivatives_of_the_cross_model() -> None:
    """They agree with finite differences."""
    rng = np.random.default_rng(4)
    x, y, z = rng.uniform(-20, 20, (3, 50))
    samples = Samples(x, y, z, np.zeros(50), np.zeros(50, dtype=np.int64))
    p = np.array([1.0, 2.0, 6.0, 0.7, 0.05])
    _, jac = CrossModel().distance(p, samples, 0.8)
    for i in range(5):
        step = np.zeros(5)
        step[i] = 1e-6
        up, down = (CrossModel().distance(p + sign * step, samples, 0.8)[0] for sign in (1, -1))
        assert jac[:, i] == pytest.approx((up - down) / 2e-6, abs=1e-2 if i == 2 else 1e-5)
