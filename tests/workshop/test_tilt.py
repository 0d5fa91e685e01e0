"""Tilt of a pivot in its hole against worked values and a leaning strip drawn with shapely."""

from math import cos, radians, tan

import pytest
from shapely.affinity import rotate
from shapely.geometry import box

from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.tilt import clearance_for_tilt, tilt_between_plates, tilt_in_hole


# Own closed form D = t tan(phi) + d / cos(phi) at 5°; 1.091 is why a hole is bushed at 1.10 pivots.
@pytest.mark.parametrize(
    ("depth", "pivot", "clearance"), [(1, 1, 0.0913), (1.5, 1.5, 0.1370), (2, 1.5, 0.1807), (3, 2, 0.2701)]
)
def test_clearance_for_five_degrees(depth: float, pivot: float, clearance: float) -> None:
    """Worked clearances at 5°; the tilt of a hole of that size is 5° again, and the leaning pivot just touches it."""
    tilt = clearance_for_tilt(depth, pivot)
    assert tilt.clearance == pytest.approx(clearance, abs=6e-5)
    assert tilt_in_hole(depth, pivot, tilt.clearance).tilt_deg == pytest.approx(5)
    pin = rotate(box(-pivot / 2, -30, pivot / 2, 30), 5, origin=(0, 0))
    inside = pin.intersection(box(-30, -depth / 2, 30, depth / 2)).bounds
    assert inside[2] - inside[0] == pytest.approx(tilt.hole, abs=1e-9)


def test_tilt_of_a_pivot_and_of_an_arbor() -> None:
    """0.05 in a hole 1.5 deep leans a thin pivot 1.91° (a stout one less), between plates 30 apart only 5.73′."""
    assert tilt_in_hole(1.5, 1e-6, 0.05).tilt_deg == pytest.approx(1.91, abs=0.005)
    # the same pivot as wide as the hole is deep: the leaning strip itself needs 1 / cos more
    stout = tilt_in_hole(1.5, 1.5, 0.05)
    assert 1.5 * tan(radians(stout.tilt_deg)) + 1.5 / cos(radians(stout.tilt_deg)) == pytest.approx(1.55)
    assert stout.tilt_deg < 1.91
    assert 60 * tilt_between_plates(30, 0.05).tilt_deg == pytest.approx(5.73, abs=0.005)
    assert 30 * tan(radians(tilt_between_plates(30, 0.05).tilt_deg)) == pytest.approx(0.05)
    assert tilt_in_hole(1, 1, 0).tilt_deg == pytest.approx(0)
    assert clearance_for_tilt(1, 1).hole == pytest.approx(1.0913, abs=6e-5)
    with pytest.raises(PlanError):
        tilt_in_hole(1, 1, -0.1)
