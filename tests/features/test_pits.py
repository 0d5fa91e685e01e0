"""Small holes no deeper than wide with a metal floor are pits."""

from typing import cast

import numpy as np
import pytest
from scipy.special import ndtr

from ctrecon.core.frames import Floats
from ctrecon.features.candidates import _is_pit
from ctrecon.grey.square_up import SquaredStack
from ctrecon.outlines.stretches import find_stretches

ROWS, COLUMNS = np.mgrid[:64, :64].astype(float)


def disc(radius: float, x: float, y: float) -> Floats:
    return np.asarray(ndtr(radius - np.hypot(COLUMNS - x, ROWS - y)))


class Planes:
    """Planes that are square already, one px apart."""

    pitch_mm = depth_step_mm = 1.0

    def __init__(self, planes: list[Floats]) -> None:
        self.planes = planes

    def __len__(self) -> int:
        return len(self.planes)

    def window(self, k: int, at: tuple[slice, slice]) -> Floats:
        return np.asarray(self.planes[k][at])


def pits(planes: list[Floats]) -> list[bool]:
    """Whether each hole of some planes is a pit."""
    squared = cast(SquaredStack, Planes(planes))
    return [_is_pit(squared, s) for s in find_stretches(lambda k: planes[k], len(planes)) if s.hole]


PLAIN, NOTHING = disc(24, 31, 31), np.zeros((64, 64))


@pytest.mark.parametrize(("planes", "radius", "pit"), [(5, 3.0, True), (14, 3.0, False), (5, 6.0, False), (20, 3.0, False)])
def test_depth_against_width_tells_a_pit(planes: int, radius: float, pit: bool) -> None:
    """In a disc of 20 planes a hole of 6 px and 5 planes is a pit; deeper, wider or right through it is a hole."""
    holed = PLAIN - disc(radius, 40, 30)
    assert pits([NOTHING] * 4 + [holed] * planes + [PLAIN] * (20 - planes) + [NOTHING] * 4) == [pit]


def test_a_hole_through_a_thin_sheet_is_no_pit() -> None:
    """Three planes of sheet with a hole of 6 px right through: it has no other depth to have."""
    assert pits([NOTHING] * 4 + [PLAIN - disc(3.0, 40, 30)] * 3 + [NOTHING] * 4) == [False]


def test_a_bore_that_noise_lets_go_of_is_no_pit() -> None:
    """A bore of 6 px whose rim is broken for some planes in the middle keeps both of its ends: it is dark there still."""
    holed = PLAIN - disc(3.0, 40, 30)
    faint = PLAIN - 0.45 * disc(3.0, 40, 30)
    assert pits([NOTHING] * 4 + [holed] * 5 + [faint] * 5 + [holed] * 5 + [NOTHING] * 4) == [False, False]
