"""The cosine quantogram against Kendall's formula and its known properties.

D. G. Kendall, Hunting quanta, Phil. Trans. R. Soc. A 276 (1974) 231-266.
"""

import numpy as np
import pytest

from ctrecon.core.measured import Measured
from ctrecon.workshop.quantum import find_quantum, quantogram

# Atomic masses (u) of the 19 elements of one natural isotope, IUPAC / AME: near whole multiples of one nucleon.
MASSES = [
    9.0121831, 18.9984032, 22.9897693, 26.9815385, 30.9737620, 44.955908, 54.938044, 58.933194, 74.921595, 88.90584, 92.90637,
    102.90550, 126.90447, 132.905452, 140.90766, 158.92535, 164.93033, 168.93422, 196.966569,
]  # fmt: skip

# Made up, quantum 2.5 with errors.
LITTLE = [7.43, 10.11, 12.38, 17.61, 20.07, 27.36, 30.14, 37.62, 44.91, 52.44]


def test_exact_multiples_give_the_greatest_value() -> None:
    """Ten exact multiples: phi = sqrt(2 N) = 4.472136 (the formula of the paper)."""
    assert quantogram(2.5 * np.arange(3, 13), 2.5) == pytest.approx(4.472136, abs=1e-6)


@pytest.mark.parametrize(("error", "expected"), [(0.1, 6.128), (0.3, 4.760), (0.5, 2.872)])
def test_errors_lower_it_as_predicted(error: float, expected: float) -> None:
    """Mean phi of 20 multiples of 2.5 with Gaussian error s is sqrt(2 N) exp(-2 pi² s² / q²) within 1 %."""
    rng = np.random.default_rng(401)
    sets = 2.5 * rng.integers(4, 40, (4000, 20)) + rng.normal(0, error, (4000, 20))
    assert np.mean([quantogram(one, 2.5) for one in sets]) == pytest.approx(expected, rel=0.01)


def test_without_a_quantum_it_is_normal() -> None:
    """At one fixed q lengths put anywhere give mean 0, variance 1 and 5 % above 1.645 (Kendall's limit law)."""
    rng = np.random.default_rng(402)
    q = 195 / 27  # a whole number of times in the range, so that its ends add nothing
    phi = np.array([quantogram(one, q) for one in rng.uniform(5, 200, (6000, 30))])
    assert abs(phi.mean()) < 0.05
    assert phi.var() == pytest.approx(1.0, abs=0.07)
    assert (phi > 1.645).mean() == pytest.approx(0.05, abs=0.012)


@pytest.mark.parametrize(("count", "point"), [(10, 3.24), (20, 3.32), (50, 3.38)])
def test_largest_of_a_range_has_the_known_95_percent_point(count: int, point: float) -> None:
    """Lengths from 5 to 200, q from 5 to 24: the 95 % point of the largest phi, against 4000 runs of another program."""
    rng = np.random.default_rng(403)
    q = 1 / np.linspace(1 / 24, 1 / 5, 380)
    top = [quantogram(one, q).max() for one in rng.uniform(5, 200, (1000, count))]
    assert np.quantile(top, 0.95) == pytest.approx(point, abs=0.13)


def test_nucleon_is_found_in_atomic_masses() -> None:
    """q 0.8 to 6: peak at 0.99944 with phi 6.0503 of sqrt(38) = 6.1644; least squares with mass numbers 0.9994379."""
    lengths = [Measured(one, 1e-5) for one in MASSES]
    found = find_quantum(lengths, (0.8, 6.0), rng=np.random.default_rng(404), runs=300)
    assert found
    assert found.phi == pytest.approx(6.0503, abs=2e-4)
    assert found.quantum_mm.value == pytest.approx(0.9994379, abs=2e-7)
    assert found.multiples == (9, 19, 23, 27, 31, 45, 55, 59, 75, 89, 93, 103, 127, 133, 141, 159, 165, 169, 197)
    assert found.p == pytest.approx(1 / 301)
    assert quantogram(MASSES, 1.0) == pytest.approx(5.6221, abs=5e-5)


def test_little_made_up_set() -> None:
    """Peak at q 2.500 with phi 4.31273 (scan 1.5 to 6 in steps of 0.001 by another program)."""
    q = np.arange(1.5, 6.0, 0.001)
    phi = quantogram(LITTLE, q)
    assert q[np.argmax(phi)] == pytest.approx(2.5, abs=1e-9)
    assert phi.max() == pytest.approx(4.31273, abs=5e-6)
