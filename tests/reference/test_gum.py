"""Uncertainty put together as in the Guide (JCGM 100:2008, GUM): its end gauge, example H.1.

Inputs and answers are quoted from memory; the arithmetic between them was checked.
"""

from math import hypot

from ctrecon.core.measured import Measured, expanded

STANDARD, DIFFERENCE, EXPANSION, TEMPERATURE = 25.0, 9.7, 2.9, 16.6
"""Standard uncertainties in the length of the gauge, nm."""
LENGTH_MM = 50.000838


def test_scale_is_added_as_one_more_component() -> None:
    """GUM H.1 (from memory): with the standard as the scale's share, a printed U (k = 2) is twice 32 nm."""
    own = hypot(DIFFERENCE, EXPANSION, TEMPERATURE)
    printed = expanded(Measured(LENGTH_MM, own * 1e-6), STANDARD * 1e-6 / LENGTH_MM)
    assert printed is not None
    assert round(printed / 2 * 1e6) == 32
    without = expanded(Measured(LENGTH_MM, own * 1e-6))
    assert without is not None
    assert round(without / 2 * 1e6, 1) == 19.4
