"""Uncertainty put together as in the Guide (JCGM 100:2008, GUM): its end gauge, example H.1.

Inputs and answers are quoted from memory; the arithmetic between them was checked.
"""

import math

import pytest
from scipy import stats

from ctrecon.core.budget import combine
from ctrecon.core.errors import InputError
from ctrecon.core.measured import Measured, expanded

# nm in the length of the gauge, degrees of freedom
REPEATED, COMPARATOR_RANDOM, COMPARATOR_SYSTEMATIC = (5.8, 24.0), (3.9, 5.0), (6.7, 8.0)
STANDARD, DIFFERENCE, EXPANSION, TEMPERATURE = (25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)
LENGTH_MM = 50.000838


def test_difference_of_the_gauges() -> None:
    """GUM H.1.3.2 (from memory): three components make u(d) = 9.7 nm with 25.6 degrees of freedom."""
    u, dof = combine([REPEATED, COMPARATOR_RANDOM, COMPARATOR_SYSTEMATIC])
    assert round(u, 1) == 9.7
    # the Guide puts the rounded 9.7 into the formula
    assert round(dof * (9.7 / u) ** 4, 1) == 25.6
    assert dof == pytest.approx(25.6, abs=0.2)


def test_length_of_the_gauge() -> None:
    """GUM H.1.4 and H.1.6 (from memory): u = 32 nm, 16 effective degrees of freedom, U99 = 93 nm."""
    u, dof = combine([STANDARD, DIFFERENCE, EXPANSION, TEMPERATURE])
    assert round(u) == 32
    assert u == pytest.approx(31.67, abs=0.01)
    assert math.floor(dof) == 16
    assert dof == pytest.approx(16.76, abs=0.03)
    t99 = stats.t.ppf(0.995, math.floor(dof))
    assert round(t99, 2) == 2.92
    # the Guide multiplies the rounded 32 nm
    assert round(round(u) * t99) == 93


def test_second_order_terms() -> None:
    """GUM H.1.7 (from memory): the terms of second order, 11.7 and 1.7 nm, raise u to 34 nm."""
    first = combine([STANDARD, DIFFERENCE, EXPANSION, TEMPERATURE])
    u, _ = combine([first, (11.7, math.inf), (1.7, math.inf)])
    assert round(u) == 34


def test_scale_is_added_as_one_more_component() -> None:
    """GUM H.1 (from memory) again: with the standard as the scale's share, a printed U (k = 2) is twice 32 nm."""
    own, _ = combine([DIFFERENCE, EXPANSION, TEMPERATURE])
    printed = expanded(Measured(LENGTH_MM, own * 1e-6), STANDARD[0] * 1e-6 / LENGTH_MM)
    assert printed is not None
    assert round(printed / 2 * 1e6) == 32
    without = expanded(Measured(LENGTH_MM, own * 1e-6))
    assert without is not None
    assert round(without / 2 * 1e6, 1) == 19.4


def test_degrees_of_freedom_are_bounded() -> None:
    """GUM G.4.1: the effective degrees of freedom lie between the least and the sum of those that count."""
    parts = [(1.0, 3.0), (2.0, 7.0), (0.5, 11.0)]
    _, dof = combine(parts)
    assert 3.0 <= dof <= 21.0
    # equality where each variance is as large as its degrees of freedom: one pooled sample
    pooled = combine([(math.sqrt(n), n) for n in (3.0, 7.0, 11.0)])
    assert pooled == pytest.approx((math.sqrt(21.0), 21.0))
    # own: a mean of equal components has as many as all together
    assert combine([(1.0, 4.0)] * 5)[1] == pytest.approx(20.0)


def test_what_is_known_outright() -> None:
    """Own, exact: components known outright add to u only; nothing at all is 0 with no limit; nonsense is refused."""
    assert combine([(3.0, math.inf), (4.0, math.inf)]) == (5.0, math.inf)
    assert combine([(3.0, 4.0), (4.0, math.inf)])[1] == pytest.approx(5.0**4 / (3.0**4 / 4.0))
    assert combine([]) == (0.0, math.inf)
    assert combine([(1e-120, 9.0)]) == pytest.approx((1e-120, 9.0))
    for bad in ((-1.0, 3.0), (math.nan, 3.0), (1.0, 0.0), (1.0, math.nan)):
        with pytest.raises(InputError, match="cannot be combined"):
            combine([bad])
