"""Roundness, straightness and squareness on simulated voxels whose truth is known: coverage and honesty."""

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from scipy import ndimage
from scipy.special import ndtr

from ctrecon.core.fit_result import FitFailed, ShapeFit
from ctrecon.features.candidates import Candidate
from ctrecon.features.edge_deviation import Edge, edge_of_flats, edge_of_round
from ctrecon.features.form import extreme_of, flat_angles, round_form, straightness
from ctrecon.features.size import FittedCandidate
from ctrecon.grey.noise import Correlation

BLUR = 0.8


def sized(names: tuple[str, ...], values: list[float], middle: float) -> FittedCandidate:
    fit = ShapeFit((*names, "blur", "air", "contrast"), np.array([*values, BLUR, 0.0, 1.0]), np.eye(len(names) + 3) * 1e-6, 1.0, 1.0, 100)
    return FittedCandidate(cast(Candidate, SimpleNamespace(metal_outside=False)), fit, middle, True)


def round_edge(
    seed: int, *, radius: float = 20.0, planes: int = 20, lobe: float = 0.0, lobes: int = 3, bow: float = 0.0,
    correlated: float = 0.0, noise: float = 0.05,
) -> Edge:  # fmt: skip
    """Voxels of a round bar with lobes of this amplitude and an axis bowed by this much at its ends (px)."""
    rng = np.random.default_rng(seed)
    size = int(2 * radius + 20)
    z, y, x = np.meshgrid(np.arange(float(planes)), np.arange(float(size)), np.arange(float(size)), indexing="ij")
    c = radius + 9.6
    dx, dy = x - c - bow * ((z - planes / 2) / (planes / 2)) ** 2, y - c
    d = radius + lobe * np.cos(lobes * np.arctan2(dy, dx)) - BLUR**2 / (2 * radius) - np.hypot(dx, dy)
    dirt = rng.standard_normal(x.shape)
    if correlated:
        dirt = ndimage.gaussian_filter(dirt, (0, correlated, correlated))
        dirt /= dirt.std()
    near = np.abs(d) < 4.5
    grey = ndtr(d[near] / BLUR) + noise * dirt[near]
    names = ("x", "y", "radius", "slope_x", "slope_y", "growth")
    one = sized(names, [c, c, radius, 0.0, 0.0, 0.0], planes / 2)
    return edge_of_round(one, (x[near], y[near], z[near], grey), (1.0, 1.0, 1.0), 1.0)


@pytest.mark.parametrize(("lobe", "correlated"), [(0.0, 0.0), (0.0, 0.8), (0.08, 0.0), (0.2, 0.8)])
def test_roundness_covers_the_truth(lobe: float, correlated: float) -> None:
    """In simulated rims, round or lobed, with white or correlated noise, the true roundness lies within 2u."""
    found = [round_form(round_edge(s, lobe=lobe, correlated=correlated, planes=8), 20.0, seed=s) for s in range(10)]
    covered = [f is not None and abs(f.least_squares.value - 2 * lobe) <= 2 * f.least_squares.u for f in found]
    assert sum(covered) >= 9
    resolved = [f is not None and f.least_squares.resolved for f in found]
    assert sum(resolved) <= 1 if lobe == 0 else sum(resolved) == 10


def test_noise_alone_is_stated_for_a_round_rim() -> None:
    """The stated inflation is what perfectly round rims really show under the same noise, on average."""
    found = [round_form(round_edge(100 + s, planes=8), 20.0, seed=s) for s in range(12)]
    values = [f.least_squares.value for f in found if f is not None]
    stated = [f.least_squares.noise_mean for f in found if f is not None]
    assert np.mean(values) == pytest.approx(np.mean(stated), rel=0.15)


def test_four_references_and_cut_off() -> None:
    """The minimum zone is the narrowest of four references; waves above the cut-off do not count."""
    form = round_form(round_edge(1, lobe=0.1, lobes=3), 20.0)
    assert form is not None
    assert form.upr == 15 and set(form.widths) == {"LSCI", "MZCI", "MCCI", "MICI"}
    assert form.widths["MZCI"] == min(form.widths.values())
    assert form.widths["LSCI"] == pytest.approx(0.2, abs=0.03)
    fine = round_form(round_edge(1, lobe=0.1, lobes=20), 20.0)
    assert fine is not None and fine.least_squares.value < 0.1


def test_what_goes_through_a_lobed_hole_and_over_a_lobed_shaft() -> None:
    """Of three lobes of amplitude a the inscribed circle has radius R - a and the circumscribed R + a (closed form), within u of roundness."""
    for seed in (21, 22, 23):
        form = round_form(round_edge(seed, lobe=0.2, lobes=3), 20.0)
        assert form is not None
        assert form.departures["LSCI"] == 0
        assert form.departures["MICI"] == pytest.approx(-0.2, abs=2 * form.least_squares.u)
        assert form.departures["MCCI"] == pytest.approx(0.2, abs=2 * form.least_squares.u)
        assert 2 * form.least_squares.u < 0.1


def test_straightness_of_a_straight_and_of_a_bowed_axis() -> None:
    """A straight axis is not resolved; one bowed far beyond the noise comes out with its truth within 2u."""
    straight = straightness(round_edge(4))
    assert not isinstance(straight, FitFailed) and not straight[0].resolved
    z = (np.arange(20) - 10) / 10
    left = z**2 - np.polyval(np.polyfit(z, z**2, 1), z)
    bowed = straightness(round_edge(4, bow=0.3))
    assert not isinstance(bowed, FitFailed)
    assert bowed[0].resolved
    assert abs(bowed[0].value - 2 * 0.3 * np.abs(left).max()) < 2 * bowed[0].u < 0.2


def test_straightness_needs_eight_slices() -> None:
    """Seven slices give a reason instead of a figure."""
    few = straightness(round_edge(4, planes=7))
    assert isinstance(few, FitFailed) and "7 slices" in few.reason


def flats_voxels(
    seed: int, turned_deg: float = 0.0, a: float = 40.0, b: float = 40.2, smooth: float = 0.0
) -> tuple[Edge, np.ndarray]:
    """A rectangle one flat of which is turned by a little about its middle, and its voxels' numbers."""
    rng = np.random.default_rng(seed)
    z, y, x = np.meshgrid(np.arange(10.0), np.arange(60.0), np.arange(60.0), indexing="ij")
    u, v = x - 30.3, y - 29.6
    d = np.minimum(a / 2 - np.abs(u), b / 2 - np.abs(v))
    own = (a / 2 - u < b / 2 - np.abs(v)) & (u > 0)
    d = np.where(own, a / 2 + np.tan(np.radians(turned_deg)) * -v - u, d)
    corner = (np.abs(u) > a / 2 - 5) & (np.abs(v) > b / 2 - 5)
    near = (np.abs(d) < 4.5) & ~corner
    noise = ndimage.gaussian_filter(rng.standard_normal(d.shape), smooth, mode="wrap")
    grey = ndtr(d[near] / BLUR) + 0.05 * (noise / noise.std())[near]
    one = sized(("x", "y", "a", "b", "turn", "slope_x", "slope_y", "growth"), [30.3, 29.6, a, b, 0, 0, 0, 0], 5.0)
    edge = edge_of_flats(one, (x[near], y[near], z[near], grey), (1.0, 1.0, 1.0), 1.0)
    return edge, np.column_stack([z[near], y[near], x[near]]).astype(np.int64)


def flats_edge(seed: int, turned_deg: float = 0.0, a: float = 40.0, b: float = 40.2) -> Edge:
    """That under noise that no two voxels share."""
    return flats_voxels(seed, turned_deg, a, b)[0]


def test_flats_under_noise_that_neighbours_share() -> None:
    """Small squares under noise smoothed by a voxel: corners scatter about 90 degrees by their u; none is called out."""
    lags = np.array(list(np.ndindex(2, 9, 9))) - [0, 4, 4]
    lags = lags[(lags[:, 0] > 0) | (lags[:, 1] > 0) | ((lags[:, 1] == 0) & (lags[:, 2] > 0))]
    # closed form: noise smoothed by a Gaussian of 1 voxel has the correlation exp(-r²/4)
    shared = Correlation(lags, np.exp(-(lags**2).sum(axis=1) / 4), 0.05, tuple(np.exp(-(np.arange(1.0, 5) ** 2 - 1) / 4)))
    ratios, called = [], 0
    for seed in range(12):
        edge, voxel = flats_voxels(60 + seed, a=16.0, b=16.0, smooth=1.0)
        found = flat_angles(edge, 0.0, voxel=voxel, correlation=shared)
        assert found is not None
        ratios += [(c.value - 90) / (c.u or np.nan) for c in found.corners]
        called += found.square.resolved + found.parallel.resolved
    assert 0.5 < np.sqrt(np.mean(np.square(ratios))) < 1.25
    assert called <= 1


def test_turned_flat() -> None:
    """A flat whose normal is turned by 0.5 degrees closes one corner and opens the next; a true square is not resolved."""
    true = flat_angles(flats_edge(1), 0.0)
    assert true is not None and not true.square.resolved and not true.parallel.resolved
    found = flat_angles(flats_edge(1, turned_deg=0.5), 0.0)
    assert found is not None and found.square.resolved
    # outward normal of the +u flat at +0.5 degrees: towards the +v flat's, so that corner opens
    assert found.corners[0].value == pytest.approx(90.5, abs=3 * (found.corners[0].u or 0))
    assert found.corners[3].value == pytest.approx(89.5, abs=3 * (found.corners[3].u or 0))
    assert found.corners[1].value == pytest.approx(90.0, abs=3 * (found.corners[1].u or 0))
    assert abs(found.parallel.value - 0.5) < 2 * found.parallel.u < 0.3


def test_difference_of_widths() -> None:
    """A square 0.2 px wider one way than the fit had it shows that, within its u."""
    found = flat_angles(flats_edge(3, a=40.0, b=40.0), 0.2)
    assert found is not None
    assert found.wider.value == pytest.approx(0.2, abs=3 * (found.wider.u or 0))


def test_unresolved_extreme_reaches_down_to_zero() -> None:
    """Where noise explains all of an extreme, 2u reaches at least down to zero."""
    rng = np.random.default_rng(1)
    draws: Any = np.ptp(rng.standard_normal((300, 20)), axis=1)
    small = extreme_of(3.0, draws, draws + 0.5)
    assert not small.resolved and 2 * small.u >= small.value
    large = extreme_of(30.0, draws, 30 + 0.3 * rng.standard_normal(300))
    assert large.resolved and large.u < 3
