"""The grey-value models: their derivatives and where their edges lie."""

import numpy as np
import pytest

from ctrecon.core.frames import Floats
from ctrecon.fitting.models import FaceModel, PolygonModel, RectangleModel, RoundModel
from ctrecon.fitting.solve import GreyModel, Samples

MODELS: list[tuple[GreyModel, list[float]]] = [
    (RoundModel(False), [0.4, -0.3, 9.0, 0.02, -0.01, 0.05]),
    (RoundModel(True), [0.4, -0.3, 9.0, 0.02, -0.01, -0.05]),
    (RectangleModel(False), [0.2, 0.1, 17.0, 12.0, 0.3, 0.01, 0.02, 0.03]),
    (RectangleModel(True), [0.2, 0.1, 11.0, 16.0, -0.7, -0.01, 0.02, 0.0]),
    (PolygonModel(False, 6), [0.3, -0.2, 8.0, 0.2, 0.01, -0.02]),
    (PolygonModel(True, 5), [0.3, -0.2, 8.0, 0.2, 0.01, -0.02]),
    (FaceModel(True), [0.4, 0.02, -0.03]),
    (FaceModel(False), [0.4, 0.02, -0.03]),
]


def samples(x: Floats, y: Floats, z: Floats) -> Samples:
    return Samples(x, y, z, np.zeros(len(x)), np.zeros(len(x), dtype=np.int64))


@pytest.mark.parametrize(("model", "p"), MODELS, ids=[f"{m!r}"[:40] for m, _ in MODELS])
def test_derivatives(model: GreyModel, p: list[float]) -> None:
    """The stated derivatives are those of the distance, by central differences."""
    rng = np.random.default_rng(3)
    at = samples(*(rng.uniform(-12, 12, 400) for _ in range(3)))
    at = at.thin(np.hypot(at.x, at.y) > 3)
    start = np.array(p)
    _, stated = model.distance(start, at, 0.8)
    step = 1e-6
    for i in range(len(p)):
        move = np.zeros(len(p))
        move[i] = step
        low, high = model.distance(start - move, at, 0.8)[0], model.distance(start + move, at, 0.8)[0]
        slope = (high - low) / (2 * step)
        # a sample may change its nearest side within the step
        agree = np.abs(slope - stated[:, i]) < 1e-5
        assert agree.mean() > 0.98


def test_hole_and_outside_are_opposite() -> None:
    """What is inside the metal of a pin is outside the metal of a hole of the same size."""
    at = samples(np.array([0.0, 5.0, 12.0]), np.zeros(3), np.zeros(3))
    p = np.array([0.0, 0.0, 9.0, 0.0, 0.0, 0.0])
    pin, hole = RoundModel(False).distance(p, at, 0.0)[0], RoundModel(True).distance(p, at, 0.0)[0]
    assert pin == pytest.approx([9.0, 4.0, -3.0])
    assert hole == pytest.approx(-pin)


def test_a_tapered_leaning_pin() -> None:
    """At depth z the axis has moved by slope times z and the radius grown by growth times z."""
    at = samples(np.array([2.0 + 0.1 * 5 + 9.5]), np.array([1.0]), np.array([5.0]))
    distance, _ = RoundModel(False).distance(np.array([2.0, 1.0, 9.0, 0.1, 0.0, 0.1]), at, 0.0)
    assert distance == pytest.approx([0.0], abs=1e-12)
