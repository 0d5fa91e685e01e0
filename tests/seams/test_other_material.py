"""Lines round rods of another material in painted metal: a step of grey by the painting, under noise and cupping."""

from typing import cast

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.fit_result import FitFailed
from ctrecon.features.build import MeasuredFeature
from ctrecon.features.candidates import Candidate
from ctrecon.features.size import FittedCandidate
from ctrecon.grey.square_up import SquaredStack
from ctrecon.record.part import Feature
from ctrecon.seams.other_material import grey_inside, is_filling_of
from ctrecon.seams.rod import rod_round
from ctrecon.shapes import Circle, Rectangle


class Painted:
    """Planes of a disc of 55 px, cupped by a quarter, with a rod in it."""

    def __init__(self, radius: float, grey: float, x: float = 85.0) -> None:
        rng = np.random.default_rng(9700)
        rows, columns = np.mgrid[:120, :120]
        far = np.hypot(columns - 60, rows - 60)
        metal = np.where(np.hypot(columns - x, rows - 60) < radius, grey, far < 55)
        metal = ndimage.gaussian_filter(metal * (1 - 0.25 * (1 - np.clip(far / 55, 0, 1) ** 2)), 1.0)
        self.planes = [metal + 0.4 * ndimage.gaussian_filter(rng.standard_normal(metal.shape), 0.9) for _ in range(20)]

    def __len__(self) -> int:
        return len(self.planes)

    def plane(self, index: int) -> NDArray[np.float64]:
        return self.planes[index]


@pytest.mark.parametrize("radius", [3.0, 5.4, 9.0, 20.0])
@pytest.mark.parametrize("grey", [0.45, 0.7, 1.3, 1.6])
def test_a_rod_of_another_material_is_told(radius: float, grey: float) -> None:
    """Inside a line round the rod, round or square, grey is lower or higher as painted, to a fifth of the contrast."""
    squared = cast("SquaredStack", Painted(radius, grey))
    for line in (Circle(85.0, 60.0, radius), Rectangle(85.0, 60.0, 1.8 * radius, 1.8 * radius, 20.0)):
        found = grey_inside(squared, line, 2.0, 17.0)
        assert found is not None
        assert found.other_material
        assert found.step == pytest.approx((grey - 1) * 0.85, abs=0.2)


@pytest.mark.parametrize("radius", [3.0, 5.4, 9.0, 20.0])
@pytest.mark.parametrize("x", [60.0, 85.0])
def test_a_line_in_cupped_metal_is_none(radius: float, x: float) -> None:
    """The same metal inside and out is no other material, however cupped; nor is air."""
    assert not any(
        found is None or found.other_material
        for found in [grey_inside(cast("SquaredStack", Painted(radius, 1.0, x)), Circle(x, 60.0, radius), 2.0, 17.0)]
    )
    assert (
        grey_inside(
            cast("SquaredStack", Painted(max(radius, 5.4), 0.0, x)), Circle(x, 60.0, max(radius, 5.4)), 2.0, 17.0
        )
        is None
    )


@pytest.mark.parametrize("radius", [5.4, 9.0])
@pytest.mark.parametrize("grey", [0.45, 0.7, 1.3, 1.6])
def test_a_rod_has_the_outline_of_its_step(radius: float, grey: float) -> None:
    """A line on the flank of the step, round or square, gives way to the rod's circle: place and radius to 0.7 px."""
    squared = cast("SquaredStack", Painted(radius, grey))
    for line in (Circle(85.0, 60.0, 0.7 * radius), Rectangle(85.3, 60.0, 1.1 * radius, 1.1 * radius, 20.0)):
        found = rod_round(squared, line, 2.0, 17.0)
        assert found is not None
        assert found.shape.radius == pytest.approx(radius, abs=0.7)
        assert np.hypot(found.shape.x - 85, found.shape.y - 60) < 0.8
        assert 0.2 <= found.u[2] < 0.5


def test_even_metal_has_no_rod() -> None:
    """Where the grey inside a line is that around it there is no step to trace."""
    assert rod_round(cast("SquaredStack", Painted(6.0, 1.0)), Circle(85.0, 60.0, 6.0), 2.0, 17.0) is None


def _round(x: float, radius: float, *flags: str, hole: bool) -> MeasuredFeature:
    circle = Circle(x, 26.0, radius)
    candidate = Candidate("round" if hole else "seam", True, circle, 0.0, (), True, flags)
    feature = Feature(id="", kind="round_hole" if hole else "round_seam", x_mm=None, y_mm=None, flags=flags)
    return MeasuredFeature(feature, FittedCandidate(candidate, FitFailed("drawn"), 10.0, axis_free=False), (5.0, 15.0))


def test_one_rod_met_by_two_searches_is_told() -> None:
    """A small hole with something in it and a line round another material at its place are one; others are two."""
    seam = _round(30.0, 3.0, "other_material", hole=False)
    assert is_filling_of(seam, _round(30.8, 2.4, "very_small", "other_material", hole=True))
    assert not is_filling_of(seam, _round(33.0, 2.4, "very_small", "other_material", hole=True))
    assert not is_filling_of(seam, _round(30.8, 2.4, "very_small", hole=True))
