"""Log likelihoods of several shapes on the same voxels."""

from itertools import product

import numpy as np
import pytest
from scipy.special import ndtr

from ctrecon.fitting.misfit import Misfit, _eaten, compare
from ctrecon.fitting.solve import Samples


def line(noise: np.ndarray, slope: float = 0.0) -> Samples:
    """A straight edge at x = 0 over 40 rows, blur 1, with noise and a grey ramp along it."""
    y, x = np.meshgrid(np.arange(40.0), np.arange(-4.0, 5.0), indexing="ij")
    grey = ndtr(x) * (1 + slope * (y - 20)) + noise
    return Samples(x.ravel(), y.ravel(), np.zeros(x.size), grey.ravel(), np.zeros(x.size, dtype=np.int64))


def white(seed: int, size: float) -> np.ndarray:
    return size * np.random.default_rng(seed).standard_normal((40, 9))


def wavy(samples: Samples, size: float) -> Misfit:
    """The edge as a shape that waves along the rows would have it."""
    return Misfit(samples, samples.x - size * np.sin(samples.y * 2 * np.pi / 10))


def test_the_true_edge_wins_by_half_chi_square() -> None:
    """A wave of 0.2 px that is not there costs half the squared change of grey over the noise's variance."""
    samples = line(white(1, 0.05))
    true, other = compare([wavy(samples, 0.0), wavy(samples, 0.2)], 0.05)
    change = (ndtr(samples.x) - ndtr(wavy(samples, 0.2).t)) / 0.05
    expected = float(change @ change) / 2
    # normal noise scatters it by the square root of twice that; the redescending loss takes a little
    assert true - other == pytest.approx(0.85 * expected, abs=3 * np.sqrt(2 * expected))
    assert true - other > 10


def test_ramps_of_grey_are_no_misfit() -> None:
    """Shading along the edge is taken up, so it does not decide between shapes."""
    flat, ramp = (line(white(2, 0.05), slope) for slope in (0.0, 0.01))
    (a,), (b,) = compare([Misfit(flat, flat.x)], 0.05), compare([Misfit(ramp, ramp.x)], 0.05)
    assert a == pytest.approx(b, abs=8)


def test_voxels_that_go_together_count_for_fewer() -> None:
    """Noise that is the same in patches of 4 x 3 pixels lowers the odds against the same wave."""
    rng = np.random.default_rng(5)
    patches = 0.05 * np.repeat(np.repeat(rng.standard_normal((10, 3)), 4, axis=0), 3, axis=1)
    odds = []
    for noise in (white(4, 0.05), patches):
        samples = line(noise)
        true, other = compare([wavy(samples, 0.0), wavy(samples, 0.4)], 0.05)
        odds.append(true - other)
    assert odds[1] < 0.5 * odds[0]


def test_wild_voxels_have_no_say() -> None:
    """A stain of ten bright voxels costs every shape the same and at most 4.5 each."""
    noise = white(6, 0.05)
    stained = noise.copy()
    stained[10, :5] += 3.0
    stained[11, :5] += 3.0
    clean, dirty = line(noise), line(stained)
    (a,), (b,) = compare([Misfit(clean, clean.x)], 0.05), compare([Misfit(dirty, dirty.x)], 0.05)
    assert 0 < a - b < 10 * 4.5 + 12


@pytest.mark.parametrize("seed", range(4))
def test_bites_round_an_edge_cost_the_least_there_is(seed: int) -> None:
    """The cost of an eaten edge is the least over all 2^10 ways of marking its ten sectors (by enumeration)."""
    rng = np.random.default_rng(seed)
    sound, bitten = rng.exponential(4.0, 10), rng.uniform(0.5, 2.0, 10)
    ways = []
    for marks in product((False, True), repeat=10):
        bites = sum(b and not a for a, b in zip((marks[-1], *marks[:-1]), marks, strict=True))
        ways.append(sum(np.where(marks, bitten, sound)) + 5.0 * bites)
    assert _eaten(sound, bitten) == pytest.approx(min(ways))


def test_a_bite_costs_its_price_and_no_more() -> None:
    """An edge right but for a bite of four rows loses to none by more than the bite's price; uneaten it would lose all."""
    rng = np.random.default_rng(2)
    y, x = np.meshgrid(np.arange(40.0), np.arange(-4.0, 5.0), indexing="ij")
    place = np.where((y > 10) & (y < 15), 2.0, 0.0)
    grey = ndtr(x - place) + 0.03 * rng.standard_normal(x.shape)
    samples = Samples(x.ravel(), y.ravel(), np.zeros(x.size), grey.ravel(), y.ravel().astype(np.int64))
    straight, true = Misfit(samples, samples.x), Misfit(samples, (x - place).ravel())
    plain = compare([straight, true], 0.03)
    priced = compare([straight, true], 0.03, edges_px=[40.0, None])
    assert plain[1] - plain[0] > 30
    assert 5.0 < priced[1] - priced[0] < 5.0 + 1.5 * 6
