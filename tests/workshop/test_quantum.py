"""Searching for a quantum: honest p-values, and no answer where there can be none."""

import numpy as np
import pytest

from ctrecon.core.errors import InputError
from ctrecon.core.measured import Measured
from ctrecon.workshop.quantum import find_quantum


def lengths(values: object, u: float = 0.004) -> list[Measured]:
    return [Measured(float(one), u) for one in np.asarray(values, dtype=float)]


def test_p_is_what_it_says() -> None:
    """Of 200 sets without a quantum about 5 % come out below p = 0.05 and about half below 0.5."""
    rng = np.random.default_rng(501)
    p = []
    for _ in range(200):
        found = find_quantum(lengths(rng.uniform(0.5, 8.0, 7)), (0.3, 1.0), rng=rng, runs=99)
        assert found
        p.append(found.p)
    assert np.mean(np.array(p) <= 0.05) == pytest.approx(0.05, abs=0.045)
    assert np.mean(np.array(p) <= 0.5) == pytest.approx(0.5, abs=0.12)


def test_pieces_from_one_sheet_show_it() -> None:
    """Eight thicknesses of one to nine sheets of 0.813 mm, each off by 0.01 mm: found in at least 18 of 20, truth within 3u."""
    rng = np.random.default_rng(502)
    seen = inside = 0
    for _ in range(20):
        many = rng.choice(np.arange(1, 10), 8, replace=False)
        found = find_quantum(lengths(0.813 * many + rng.normal(0, 0.01, 8)), (0.4, 1.5), rng=rng, runs=300)
        assert found
        if found.significant and found.quantum_mm.value > 0.6:
            seen += 1
            inside += abs(found.quantum_mm.value - 0.813) <= 3 * (found.quantum_mm.u or 0)
    assert seen >= 18
    assert inside >= seen - 1


def test_copies_are_no_further_witnesses() -> None:
    """Four thicknesses, each there twice, are no more significant than the four alone."""
    four = np.array([1.13, 1.91, 2.74, 3.38])
    rng = np.random.default_rng(503)
    once = find_quantum(lengths(four), (0.4, 1.2), rng=rng, runs=500)
    twice = find_quantum(lengths([*four, *four]), (0.4, 1.2), rng=rng, runs=500)
    assert once
    assert twice
    assert twice.phi == pytest.approx(once.phi * 2**0.5, rel=1e-6)
    assert twice.p == pytest.approx(once.p, abs=0.1)


def test_too_few_or_too_coarse_gives_a_reason() -> None:
    """Three lengths, or lengths known worse than the quanta, are a falsy failure with its reason."""
    rng = np.random.default_rng(504)
    few = find_quantum(lengths([1.0, 2.0, 3.0]), (0.3, 1.0), rng=rng)
    coarse = find_quantum(lengths([1.0, 4.1, 7.0, 11.3], u=0.3), (0.3, 1.0), rng=rng)
    assert not few
    assert "only 3 different lengths" in few.reason
    assert not coarse
    assert "too little for quanta this small" in coarse.reason


@pytest.mark.parametrize(("values", "around"), [([1.0, 2.0, 3.0, 4.0], (0.0, 1.0)), ([1.0, 2.0, 3.0, 4.0], (2.0, 1.0)), ([0.0, 2.0, 3.0, 4.0], (0.5, 1.0))])
def test_senseless_input_is_refused(values: list[float], around: tuple[float, float]) -> None:
    """A range that is empty or holds zero, and a length that is not positive, are refused in a sentence."""
    with pytest.raises(InputError):
        find_quantum(lengths(values), around, rng=np.random.default_rng(1))
