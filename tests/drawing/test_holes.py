"""The hole table on the screen is that of the sheet: coordinates along the part, not along the scanner."""

import math

import pytest

from ctrecon.core.measured import Measured
from ctrecon.drawing import hole_table
from ctrecon.record.part import Axis, Feature, Part, StackInfo

TURN_DEG = 3.5
PLACES = {"F2": (0.0, 0.0), "F3": (6.0, 2.0), "F4": (-6.0, 1.0)}
"""Where the holes were put on the plate, X along its long side, Y up, mm from the middle hole."""


@pytest.fixture
def turned_plate() -> Part:
    """Return a plate of 16 x 11 mm that was turned in the scanner; the slices' Y runs down."""
    c, s = math.cos(math.radians(TURN_DEG)), math.sin(math.radians(TURN_DEG))
    depth = {"depth_from_mm": Measured(0.5, 0.001), "depth_to_mm": Measured(2.0, 0.001)}

    def at(x: float, y: float) -> dict[str, Measured]:
        return {"x_mm": Measured(9 + c * x + s * y, 0.0005), "y_mm": Measured(7 + s * x - c * y, 0.0005)}

    plate = Feature(
        id="F1", kind="rectangular_outside", flats_pair_mm=(Measured(16.0, 0.001), Measured(11.0, 0.001)),
        turn_deg=Measured(TURN_DEG, 0.01), **at(0, 0), **depth,
    )  # fmt: skip
    bores = [
        Feature(id=ident, kind="round_hole", diameter_mm=Measured(4.0 if ident == "F2" else 1.0, 0.001), **at(*place), **depth)
        for ident, place in PLACES.items()
    ]
    info = StackInfo(source="p", slices=50, rows=280, columns=360, voxel_mm=(0.05, 0.05, 0.05), scale_basis="file")
    axis = Axis(tilt_deg=Measured(0.0, 0.01), direction_xyz=(0.0, 0.0, 1.0))
    return Part(name="p", made_with="", stack=info, axis=axis, features=(plate, *bores))


def test_holes_are_given_along_the_plate(turned_plate: Part) -> None:
    """What was put at (6, 2) mm on the plate is printed there, though the plate lay turned by 3.5 degrees."""
    found = hole_table(turned_plate)
    rows = {row[0]: row for row in found.rows}
    assert set(rows) == set(PLACES)
    for ident, (x, y) in PLACES.items():
        assert float(rows[ident][1]) == pytest.approx(x, abs=1e-3)
        assert float(rows[ident][2]) == pytest.approx(y, abs=1e-3)
    assert "F1" in found.says
    assert "3.50" in found.says


def test_each_place_carries_its_u(turned_plate: Part) -> None:
    """U of a place is twice the two places' u joined, and a little more for the turn of X."""
    rows = {row[0]: row for row in hole_table(turned_plate).rows}
    at = hole_table(turned_plate).headings.index("U of X, Y")
    assert rows["F2"][at] == ""
    least = 2 * math.hypot(0.0005, 0.0005)
    assert least <= float(rows["F3"][at]) <= least + 2 * math.radians(0.01) * math.hypot(6, 2) + 1e-3
