"""The smaller steps on the way from outlines to features."""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from ctrecon.core.fit_result import FitFailed, ShapeFit
from ctrecon.core.measured import Measured
from ctrecon.features.axis import part_axis, refine_slopes
from ctrecon.features.build import MeasuredFeature, order_features
from ctrecon.features.candidates import Candidate, Span, mean_window, trimmed
from ctrecon.features.collect_voxels import VoxelRequest, collect_voxels
from ctrecon.features.ends import End
from ctrecon.features.roundness import roundness
from ctrecon.features.size import FittedCandidate
from ctrecon.fitting.choose import Choice
from ctrecon.grey.levels import Levels
from ctrecon.grey.square_up import AxisGuess, SquaredStack, square_up
from ctrecon.grey.survey import survey_stack
from ctrecon.record.part import Feature
from ctrecon.shapes import Circle
from ctrecon.slices import SliceStack


def leaning(slope_x: float, slope_y: float, u: float, *, axis_free: bool = True) -> FittedCandidate:
    """A fitted round feature with this axis."""
    names = ("x", "y", "radius", "slope_x", "slope_y", "growth")
    covariance = np.diag([1e-4, 1e-4, 1e-4, u**2, u**2, 1e-6])
    fit = ShapeFit(names, np.array([0.0, 0.0, 5.0, slope_x, slope_y, 0.0]), covariance, 1.0, 1.0, 100)
    return FittedCandidate(cast(Candidate, SimpleNamespace()), fit, 10.0, axis_free)


GUESS = AxisGuess(0.0, 0.0, 0.005)


@pytest.mark.parametrize(
    ("first", "last", "kept"), [(0, 2, (0, 2)), (0, 3, (1, 2)), (4, 11, (5, 10)), (4, 12, (6, 10)), (0, 40, (3, 37))]
)
def test_blurred_ends_are_trimmed(first: int, last: int, kept: tuple[int, int]) -> None:
    """One plane is left out at either end from four planes on, two from nine, three from fifteen."""
    assert trimmed(first, last) == kept


def test_mean_of_planes_passes_over_lost_voxels() -> None:
    """Each pixel is the mean of the planes that have data there, NaN where none has."""
    planes = np.arange(12.0).repeat(20).reshape(12, 4, 5)
    planes[3, 0, 0] = np.nan
    planes[:, 3, 4] = np.nan
    squared = cast(SquaredStack, SimpleNamespace(window=lambda k, at: planes[k][at]))
    mean = mean_window(squared, 2, 5, (0, 0, 5, 4))
    assert mean[1, 1] == pytest.approx(3.5)
    assert mean[0, 0] == pytest.approx((2 + 4 + 5) / 3)
    assert np.isnan(mean[3, 4])
    assert mean_window(squared, 2, 5, (1, 2, 3, 4)).shape == (2, 2)


def test_axis_of_agreeing_features_is_their_weighted_mean() -> None:
    """Two features count by 1/u², and the result is surer than either."""
    slopes, u = refine_slopes(GUESS, [leaning(0.010, -0.004, 0.0005), leaning(0.0106, -0.0046, 0.0005)], [])
    assert slopes == pytest.approx([0.0103, -0.0043], abs=2e-4)
    assert u < 0.0005


def test_a_feature_that_leans_otherwise_is_left_out() -> None:
    """One hole drilled askew does not turn the part."""
    true = [leaning(0.004, 0.0, 0.0005) for _ in range(3)]
    slopes, _ = refine_slopes(GUESS, [*true, leaning(0.05, 0.04, 0.0005)], [])
    assert slopes == pytest.approx([0.004, 0.0], abs=2e-4)


def test_features_without_an_axis_of_their_own_do_not_count() -> None:
    """Fits whose slope was held say nothing about the axis; failed fits neither."""
    failed = FittedCandidate(cast(Candidate, SimpleNamespace()), FitFailed("no"), 0.0, True)
    slopes, u = refine_slopes(GUESS, [leaning(0.05, 0.05, 1e-4, axis_free=False), failed], [])
    assert slopes == pytest.approx([0.0, 0.0])
    assert u == pytest.approx(0.005, rel=0.01)


def test_end_faces_count_with_their_slope_turned_round() -> None:
    """A face z = sx x + sy y is square to an axis of slopes -sx, -sy."""
    face = End(3.0, 0.01, slope_x=0.008, slope_y=-0.006, u_slope=0.0003)
    slopes, _ = refine_slopes(GUESS, [], [face, replace(face, plane=20.0)])
    assert slopes == pytest.approx([-0.008, 0.006], abs=4e-4)


def test_axis_record_is_told_in_the_stack_frame() -> None:
    """Slopes in the squared frame come on top of the frame's own turn; the tilt is that of the sum."""
    c, s = np.cos(0.02), np.sin(0.02)
    squared = cast(SquaredStack, SimpleNamespace(rotation=np.array([[c, 0.0, -s], [0.0, 1.0, 0.0], [s, 0.0, c]])))
    axis = part_axis(squared, np.array([np.tan(0.01), 0.0]), 0.001)
    assert axis.tilt_deg.value == pytest.approx(np.degrees(0.03))
    assert axis.direction_xyz == pytest.approx((np.sin(0.03), 0.0, np.cos(0.03)))
    assert axis.tilt_deg.u == pytest.approx(np.degrees(0.001))


def draft(kind: str, x: float, y: float, z: float | None) -> MeasuredFeature:
    depth = None if z is None else Measured(z, 0.01)
    feature = Feature(id="", kind=kind, x_mm=Measured(x, 0.01), y_mm=Measured(y, 0.01), depth_from_mm=depth)
    return MeasuredFeature(feature, cast(FittedCandidate, SimpleNamespace()), (0.0, 1.0))


def test_ids_follow_depth_then_y_then_x_then_kind() -> None:
    """Numbers go by where a feature begins, then down, then right; without a known beginning it comes first."""
    mixed = [
        draft("round_hole", 1.0, 1.0, 2.0), draft("round_outside", 2.0, 1.0, 0.5), draft("round_hole", 9.0, 0.5, 0.5),
        draft("round_hole", 2.0, 1.0, 0.5), draft("round_hole", 5.0, 5.0, None), draft("round_hole", 1.5, 1.0, 0.5),
    ]  # fmt: skip
    for order in (mixed, mixed[::-1]):
        ranked = [d.feature for d in order_features(order)]
        assert [f.id for f in ranked] == ["F1", "F2", "F3", "F4", "F5", "F6"]
        assert [(f.kind, f.x_mm.value if f.x_mm else 0) for f in ranked] == [
            ("round_hole", 5.0), ("round_hole", 9.0), ("round_hole", 1.5), ("round_hole", 2.0),
            ("round_outside", 2.0), ("round_hole", 1.0),
        ]  # fmt: skip


def rim(radius: np.ndarray, noise: float = 0.0) -> Candidate:
    """A candidate whose outline has this radius degree by degree."""
    angle = np.radians(np.arange(0.0, 360.0, 0.5))
    size = radius + noise * np.random.default_rng(0).standard_normal(720)
    points = np.column_stack([30 + size * np.cos(angle), 31 + size * np.sin(angle)])
    choice = Choice("round", Circle(30.0, 31.0, 20.0), np.ones(720, dtype=bool), 1.0)
    span = Span(0, 20, (0, 0), np.ones((2, 2), dtype=np.int8), np.zeros((2, 2)), points, choice)
    return Candidate("round", False, choice.shape, 0.0, (span,), True)


def test_roundness_of_an_oval_and_of_a_circle() -> None:
    """Two lobes of ±0.4 px have a peak-to-valley of 0.8 px less the averaging over 10 degrees; a circle has none."""
    angle = np.radians(np.arange(0.0, 360.0, 0.5))
    oval = roundness(rim(20 + 0.4 * np.cos(2 * angle)), 0.04)
    circle = roundness(rim(np.full(720, 20.0)), 0.04)
    assert oval is not None
    assert circle is not None
    # the mean of a cosine of two waves over 10 degrees, sampled at the sectors' middles
    smoothed = np.sinc(2 * 10 / 360)
    assert oval[0] == pytest.approx(0.8 * smoothed * np.cos(np.radians(10)), abs=0.01)
    assert circle[0] < 1e-6
    assert circle[1] > 0


def test_roundness_takes_no_account_of_a_shifted_centre() -> None:
    """One lobe is a shift of the centre, not a want of roundness."""
    angle = np.radians(np.arange(0.0, 360.0, 0.5))
    shifted = roundness(rim(20 + 0.3 * np.cos(angle)), 0.04)
    assert shifted is not None
    assert shifted[0] < 0.01


def test_roundness_needs_a_third_of_the_rim() -> None:
    """A short arc cannot show roundness."""
    one = rim(np.full(720, 20.0))
    near = np.arange(720) < 160
    short = replace(one, spans=(replace(one.spans[0], choice=replace(one.spans[0].choice, near=near)),))
    assert roundness(short, 0.04) is None


@pytest.fixture(scope="module")
def squared() -> SquaredStack:
    """A block of numbered voxels: grey tells slice, row and column; air 0."""
    z, y, x = np.meshgrid(np.arange(12.0), np.arange(30.0), np.arange(34.0), indexing="ij")
    inside = (z > 1) & (z < 10) & (y > 5) & (y < 24) & (x > 6) & (x < 28)
    volume = np.where(inside, 1 + 0.01 * z + 0.0001 * y + 0.000001 * x, 0.0)
    stack = SliceStack.from_array(volume, voxel_mm=(0.2, 0.1, 0.1), source="block")
    return square_up(survey_stack(stack, Levels(0.0, 1.0, 0.01)), None)


def everything(column: Any, row: Any, plane: Any) -> Any:
    return np.ones(len(column), dtype=bool)


def test_gathered_voxels_are_the_original_ones(squared: SquaredStack) -> None:
    """Each gathered grey is that of the voxel whose centre lies at the told place: nothing is interpolated."""
    left, top = -squared.origin_mm[0] / 0.1, -squared.origin_mm[1] / 0.1
    first = -squared.origin_mm[2] / 0.2
    want = VoxelRequest((left + 9, top + 8, left + 15, top + 13), (first + 3.5, first + 6.5), everything)
    ((column, row, plane, grey),) = collect_voxels(squared, [want])
    slices, rows, columns = plane - first, row - top, column - left
    assert sorted(set(slices.round(6))) == [4.0, 5.0, 6.0]
    assert {9, 15} <= set(columns.round(6))
    assert {8, 13} <= set(rows.round(6))
    assert grey == pytest.approx(1 + 0.01 * slices + 0.0001 * rows + 0.000001 * columns, abs=2e-7)


def test_gathering_selects_and_thins(squared: SquaredStack) -> None:
    """The test of each voxel is obeyed, thinning keeps about its share, and both are the same every time."""
    box = (0.0, 0.0, 45.0, 40.0)
    planes = (0.0, float(len(squared)))
    wants = [
        VoxelRequest(box, planes, everything), VoxelRequest(box, planes, lambda c, r, p: c > 20), VoxelRequest(box, planes, everything, 0.25),
        VoxelRequest((-90.0, -90.0, -80.0, -80.0), planes, everything),
    ]  # fmt: skip
    whole, right, thin, nothing = collect_voxels(squared, wants)
    assert 0 < len(right[0]) < len(whole[0])
    assert right[0].min() > 20
    assert len(thin[0]) == pytest.approx(0.25 * len(whole[0]), rel=0.1)
    assert len(nothing[3]) == 0
    assert np.array_equal(collect_voxels(squared, wants)[2][3], thin[3])
