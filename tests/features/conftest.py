"""A bar made of plain distances and error functions: square below, round above, with a blind hole from the top."""

import numpy as np
import pytest
from scipy.special import ndtr

from ctrecon.measuring import measure_stack
from ctrecon.record.measurement import Measurement
from ctrecon.slices import SliceStack

EDGE_MM = 0.1
BAR = {
    "x": 41.3, "y": 39.6, "flats": 44.0, "corner": 6.0, "turn_deg": 20.0, "boss": 15.3, "hole": 7.2,
    "start": 5.3, "step": 17.6, "end": 27.2, "floor": 12.4,
}  # fmt: skip


def bar_volume(*, noise: float = 0.04, blur: float = 0.8) -> np.ndarray:
    """Air 0, metal 1; lengths in voxels."""
    z, y, x = np.meshgrid(np.arange(34.0), np.arange(80.0), np.arange(84.0), indexing="ij")
    dx, dy = x - BAR["x"], y - BAR["y"]
    c, s = np.cos(np.radians(BAR["turn_deg"])), np.sin(np.radians(BAR["turn_deg"]))
    u, v = np.abs(dx * c + dy * s), np.abs(-dx * s + dy * c)
    r, half = BAR["corner"], BAR["flats"] / 2
    qu, qv = u - half + r, v - half + r
    square = r - np.hypot(np.maximum(qu, 0), np.maximum(qv, 0)) - np.minimum(np.maximum(qu, qv), 0)
    off = np.hypot(dx, dy)
    # blur pulls round edges towards their centre
    boss = BAR["boss"] - blur**2 / (2 * BAR["boss"]) - off
    hole = BAR["hole"] - blur**2 / (2 * BAR["hole"]) - off

    def step(distance: np.ndarray) -> np.ndarray:
        return np.asarray(ndtr(distance / blur))

    below, above = step(z - BAR["start"]) - step(z - BAR["step"]), step(z - BAR["step"]) - step(z - BAR["end"])
    metal = below * step(square) + above * step(boss)
    metal *= 1 - step(hole) * step(z - BAR["floor"])
    return np.asarray(metal + noise * np.random.default_rng(8).standard_normal(metal.shape))


@pytest.fixture(scope="package")
def bar() -> Measurement:
    """Return the bar as measured, voxel 0.1 mm."""
    volume = (bar_volume() * 3000 + 500).astype(np.float32)
    return measure_stack(SliceStack.from_array(volume, voxel_mm=EDGE_MM, source="bar", towards_viewer=False))


@pytest.fixture(scope="package")
def bar_truth() -> dict[str, float]:
    return dict(BAR)
