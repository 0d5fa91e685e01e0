"""Stretches of one feature that noise has parted, and stretches that are two features."""

from typing import Any

import numpy as np
import pytest

from ctrecon.features.candidates import Candidate, Span, _join
from ctrecon.fitting.choose import Choice
from ctrecon.shapes import Rectangle


def _slot(first: int, last: int, wide: float, long: float, growth: float) -> Candidate:
    shape = Rectangle(50.0, 40.0, wide, long, 28.0, wide / 2)
    choice = Choice("slot", shape, np.ones(60, dtype=bool), 1.0)
    span = Span(first, last, (0, 0), np.zeros((1, 1), np.int8), np.zeros((1, 1)), shape.outline(60), choice)
    return Candidate("slot", True, shape, growth, (span,), True)


@pytest.mark.parametrize(
    ("rest", "parts"),
    [
        ((27, 34, 9.9, 20.7, -0.06), 1),  # eight planes feign a taper
        ((27, 34, 9.0, 19.8, -0.06), 1),  # and may carry it on
        ((27, 34, 11.0, 21.8, -0.06), 2),  # a step
        ((27, 44, 9.9, 20.7, -0.06), 2),  # as long as the straight one: it tapers
    ],
)
def test_a_slot_is_parted_by_a_step_and_not_by_noise(rest: tuple[int, int, float, float, float], parts: int) -> None:
    """A straight slot of 17 planes goes on where the rest is as wide, whatever taper a few planes of noise feign."""
    no_stack: Any = None  # two stretches that touch need no look at the slices
    assert len(_join(no_stack, [_slot(10, 26, 9.6, 20.4, 0.0), _slot(*rest)])) == parts
