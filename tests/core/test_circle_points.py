"""The circle through points: exact cases, invariances, refusals."""

import numpy as np
import pytest

from ctrecon.core.circle_points import circle_start, fit_circle_points
from ctrecon.core.fit_result import FitFailed, ShapeFit


@pytest.mark.parametrize("size", [1e-6, 1.0, 1e6])
@pytest.mark.parametrize("place", [(0.0, 0.0), (300.0, -7000.0)])
def test_exact_points_of_any_size_and_place(size: float, place: tuple[float, float]) -> None:
    """Points on a circle give it back, whatever their unit and origin."""
    angle = np.array([0.1, 0.9, 2.0, 3.5, 5.1])
    points = size * (np.column_stack([np.cos(angle), np.sin(angle)]) + place)
    fit = fit_circle_points(points)
    assert isinstance(fit, ShapeFit)
    assert fit.values / size == pytest.approx([*place, 1.0], rel=1e-7, abs=1e-7)
    assert fit.rms / size < 1e-9


def test_three_points_have_unit_weights() -> None:
    """Three points leave nothing over to judge the noise by: the covariance is that of unit weights."""
    fit = fit_circle_points(np.array([[1.0, 0.0], [-0.5, np.sqrt(0.75)], [-0.5, -np.sqrt(0.75)]]))
    assert isinstance(fit, ShapeFit)
    assert np.diag(fit.covariance) == pytest.approx([2 / 3, 2 / 3, 1 / 3])


@pytest.mark.parametrize(
    "points",
    [
        np.zeros((2, 2)), np.zeros((5, 2)), np.array([[0.0, 0.0], [1.0, 1.0], [2.0, 2.0], [3.0, 3.0]]),
        np.array([[0.0, 0.0], [1.0, 0.0], [np.nan, 1.0], [2.0, 2.0]]), np.zeros((4, 3)),
    ],
    ids=["two", "one place", "one line", "NaN", "three columns"],
)  # fmt: skip
def test_hopeless_points_are_refused(points: np.ndarray) -> None:
    """What cannot settle a circle gives a false answer with its reason, never a wild circle."""
    fit = fit_circle_points(points)
    assert isinstance(fit, FitFailed)
    assert not fit
    assert len(fit.reason) > 10


def test_start_of_points_in_one_place() -> None:
    """The algebraic start refuses points that all lie in one place."""
    assert circle_start(np.ones((6, 2))) is None
