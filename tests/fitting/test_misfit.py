"""Log likelihoods of several shapes on the same voxels."""

import numpy as np
import pytest
from scipy.special import ndtr

from ctrecon.fitting.misfit import Misfit, compare
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
