"""Blurred shapes with corners against closed forms and against plain rendering."""

from typing import Any

import numpy as np
import pytest
from scipy import ndimage
from scipy.special import ndtr

from ctrecon.fitting.blurred_models import BlurredCircle, BlurredPolygon, BlurredRectangle, OvalModel
from ctrecon.fitting.solve import Samples

BLUR = 0.9


def places(half: float = 18.0, step: float = 1.0) -> Samples:
    y, x = np.meshgrid(np.arange(-half, half + 1, step), np.arange(-half, half + 1, step), indexing="ij")
    count = x.size
    return Samples(x.ravel(), y.ravel(), np.full(count, 0.4), np.zeros(count), np.zeros(count, dtype=np.int64))


def grey(model: Any, p: list[float], samples: Samples) -> np.ndarray:
    distance, _ = model.distance(np.array(p), samples, BLUR)
    return np.asarray(ndtr(distance / BLUR))


def rendered(inside: Any, samples: Samples, fine: int = 12, half: int = 26) -> np.ndarray:
    """Area samples on a fine grid, blurred by scipy, read at the samples."""
    axis = np.arange(-half * fine, half * fine + 1) / fine + 1e-7  # no sample right on an edge of whole pixels
    plane = ndimage.gaussian_filter(inside(axis[None, :], axis[:, None]).astype(float), BLUR * fine)
    at = np.stack([(samples.y + half) * fine, (samples.x + half) * fine])
    return np.asarray(ndimage.map_coordinates(plane, at, order=1))


def test_middle_of_a_blurred_disc() -> None:
    """At its centre a blurred disc shows 1 - exp(-R²/2σ²) (the Rayleigh law), whatever its size."""
    s = Samples(np.zeros(1), np.zeros(1), np.zeros(1), np.zeros(1), np.zeros(1, dtype=np.int64))
    for radius in (0.5, 1.0, 2.0, 3.5):
        want = 1 - np.exp(-(radius**2) / (2 * BLUR**2))
        assert grey(BlurredCircle(False), [0, 0, radius, 0, 0, 0], s)[0] == pytest.approx(want, abs=1e-6)
        assert grey(BlurredCircle(True), [0, 0, radius, 0, 0, 0], s)[0] == pytest.approx(1 - want, abs=1e-6)


def test_area_of_a_blurred_disc_is_kept() -> None:
    """Blur moves grey about but adds none: the sum over all pixels is the disc's area."""
    assert grey(BlurredCircle(False), [0.2, -0.1, 2.0, 0, 0, 0], places()).sum() == pytest.approx(np.pi * 4, rel=1e-4)


def test_sharp_square_is_the_product_of_two_edges() -> None:
    """Away from the opposite sides a blurred sharp square is Φ times Φ, exactly; the quadrature comes within 0.004."""
    s = places()
    want = ndtr((10 - np.abs(s.x)) / BLUR) * ndtr((10 - np.abs(s.y)) / BLUR)
    assert np.abs(grey(BlurredPolygon(False, 4), [0, 0, 10, 0, 1e-6, 0, 0, 0], s) - want).max() < 0.004
    assert np.abs(grey(BlurredRectangle(False), [0, 0, 20, 20, 0, 1e-6, 0, 0, 0], s) - want).max() < 0.004


@pytest.mark.parametrize("sides", [3, 5, 6, 8, 12])
def test_polygon_as_rendered(sides: int) -> None:
    """A regular polygon agrees with a fine rendering to 0.01 of the contrast, corners included."""
    s = places()

    def inside(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        angles = 0.3 + 2 * np.pi * np.arange(sides) / sides
        return np.asarray(np.max([x * np.cos(a) + y * np.sin(a) for a in angles], axis=0) < 8.0)

    got = grey(BlurredPolygon(False, sides), [0, 0, 8.0, 0.3, 1e-6, 0, 0, 0], s)
    assert np.abs(got - rendered(inside, s)).max() < 0.01


def test_rounded_rectangle_and_ellipse_as_rendered() -> None:
    """Round corners of 4 px and an ellipse agree with a fine rendering to 0.01 of the contrast."""
    s = places()

    def rectangle(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        qu, qv = np.abs(x) - 11 - 1 / 24 + 4, np.abs(y) - 8 - 1 / 24 + 4
        return np.asarray(np.hypot(np.maximum(qu, 0), np.maximum(qv, 0)) + np.minimum(np.maximum(qu, qv), 0) < 4)

    got = grey(BlurredRectangle(False), [0, 0, 22 + 1 / 12, 16 + 1 / 12, 0, 4.0, 0, 0, 0], s)
    assert np.abs(got - rendered(rectangle, s)).max() < 0.01
    got = grey(OvalModel(False), [0, 0, 24, 18, 0], s)
    near = np.abs(ndtr(1.0) - 0.5) > np.abs(got - 0.5)
    want = rendered(lambda x, y: np.hypot(x / 12, y / 9) < 1, s)
    assert np.abs(got - want)[near].max() < 0.015


@pytest.mark.parametrize(
    ("model", "p"),
    [
        (BlurredPolygon(False, 6), [0.3, -0.2, 8.0, 0.3, 1.5, 0.01, -0.02, 0.03]),
        (BlurredPolygon(True, 4), [0.3, -0.2, 8.0, 0.3, 3.0, 0.01, -0.02, 0.03]),
        (BlurredRectangle(False), [0.3, -0.2, 19.0, 14.0, 0.3, 2.0, 0.01, -0.02, 0.03]),
        (BlurredCircle(True), [0.3, -0.2, 3.0, 0.01, -0.02, 0.03]),
        (OvalModel(False), [0.3, -0.2, 22.0, 17.0, 0.3]),
    ],
    ids=["hexagon", "square hole", "rectangle", "bore", "ellipse"],
)
def test_derivatives(model: Any, p: list[float]) -> None:
    """Derivatives agree with central differences to 3 % of the largest, by what the grey feels of it."""
    s = places()
    base, jac = model.distance(np.array(p), s, BLUR)
    seen = np.abs(base) < 2.5
    for i in range(len(p)):
        step = np.zeros(len(p))
        step[i] = 1e-5
        up, down = (model.distance(np.array(p) + sign * step, s, BLUR)[0] for sign in (1, -1))
        miss = np.abs((up - down) / 2e-5 - jac[:, i])[seen] * np.exp(-0.5 * (base[seen] / BLUR) ** 2)
        assert miss.max() < 0.03 * max(1.0, float(np.abs(jac[seen, i]).max())), model.names[i]


@pytest.mark.parametrize("corner", [2.0, -2.0, 7.5, 40.0])
def test_derivatives_know_the_greatest_radius_of_a_corner(corner: float) -> None:
    """Derivatives agree with differences also where a corner's radius is turned in sign, or as great as it can be."""
    s = places(14.0)
    for model, p in (
        (BlurredPolygon(False, 4), [0.2, -0.3, 7.0, 0.3, corner, 0.01, 0.0, 0.0]),
        (BlurredRectangle(True), [0.2, -0.3, 19.0, 14.0, 0.3, corner, 0.01, 0.0, 0.0]),
    ):
        at = np.array(p)
        near = np.abs(model.distance(at, s, BLUR)[0]) < 2.5
        jac = model.distance(at, s, BLUR)[1][near]
        for i, step in enumerate(np.eye(len(p)) * 1e-5):
            rise = (model.distance(at + step, s, BLUR)[0] - model.distance(at - step, s, BLUR)[0])[near] / 2e-5
            # the rule that integrates over a round corner has kinks of its own, worth some 5 % there
            assert np.quantile(np.abs(rise - jac[:, i]), 0.99) < 0.08 * max(np.abs(jac[:, i]).max(), 0.1)
