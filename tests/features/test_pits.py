"""Small holes no deeper than wide are pits."""

import numpy as np
import pytest
from scipy.special import ndtr

from ctrecon.core.frames import Floats
from ctrecon.features.candidates import _is_pit
from ctrecon.outlines.stretches import find_stretches

ROWS, COLUMNS = np.mgrid[:64, :64].astype(float)


def disc(radius: float, x: float, y: float) -> Floats:
    return np.asarray(ndtr(radius - np.hypot(COLUMNS - x, ROWS - y)))


@pytest.mark.parametrize(("planes", "radius", "pit"), [(5, 3.0, True), (14, 3.0, False), (5, 6.0, False), (20, 3.0, False)])
def test_depth_against_width_tells_a_pit(planes: int, radius: float, pit: bool) -> None:
    """In a disc of 20 planes a hole of 6 px and 5 planes is a pit; deeper, wider or right through it is a hole."""
    plain = disc(24, 31, 31)
    holed = plain - disc(radius, 40, 30)
    stack = [holed] * planes + [plain] * (20 - planes)
    found = find_stretches(lambda k: stack[k], len(stack))
    (hole,) = [s for s in found if s.hole]
    assert _is_pit(hole, [s for s in found if not s.hole], 1.0) == pit


def test_a_hole_through_a_thin_sheet_is_no_pit() -> None:
    """Three planes of sheet with a hole of 6 px right through: it has no other depth to have."""
    stack = [disc(24, 31, 31) - disc(3.0, 40, 30)] * 3
    found = find_stretches(lambda k: stack[k], len(stack))
    (hole,) = [s for s in found if s.hole]
    assert not _is_pit(hole, [s for s in found if not s.hole], 1.0)
