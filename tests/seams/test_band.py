"""Pixels near a line that a seam may follow."""

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.seams.outline_fit import band_of
from ctrecon.shapes import Circle


class Gone(Circle):
    """A parallel so far inside its outline that nothing of it is left."""

    def outline(self, count: int = 90) -> Floats:
        """Return no points."""
        return np.empty((0, 2))


def test_a_line_that_is_gone_has_no_pixels() -> None:
    """A line without an outline has no pixels near it, and is no fault."""
    rows, columns, distance = band_of(Gone(20.0, 20.0, 5.0), (40, 40), 3.0)
    assert len(rows) == len(columns) == len(distance) == 0


def test_pixels_near_a_circle_are_a_ring() -> None:
    """The pixels within reach of a circle are those whose distance from it is smaller."""
    rows, columns, distance = band_of(Circle(20.0, 19.0, 8.0), (40, 40), 2.0)
    yy, xx = np.mgrid[:40, :40]
    want = np.abs(np.hypot(xx - 20.0, yy - 19.0) - 8.0) < 2.0
    assert {(int(r), int(c)) for r, c in zip(rows, columns, strict=True)} == {
        (int(r), int(c)) for r, c in np.argwhere(want)
    }
    assert np.abs(distance).max() < 2.0
