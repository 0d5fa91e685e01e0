"""Walls so thin that blur leaves none of their voxels the metal's full grey."""

import numpy as np
import pytest
from scipy import ndimage

from ctrecon.measuring import measure_stack
from ctrecon.slices import SliceStack

FINE = 4


def tube(outer: float, inner: float, *, square: bool) -> SliceStack:
    """A tube on a wide flange, its bore through both; cells of a quarter voxel, blur 1.1 px."""
    count = 64
    fine = (np.arange(count * FINE) + 0.5) / FINE - 0.5
    x, y = fine[None, :] - 31.4, fine[:, None] - 31.7
    far = np.hypot(x, y)
    stub = np.maximum(np.abs(x), np.abs(y)) < outer / 2 if square else far < outer / 2
    planes = [
        ndimage.gaussian_filter((metal & (far > inner / 2)).astype(float), 1.1 * FINE)
        .reshape(count, FINE, count, FINE)
        .mean(axis=(1, 3))
        for metal in (far < 27.0, stub)
    ]
    volume = np.zeros((44, count, count))
    volume[4:20], volume[20:40] = planes
    volume = ndimage.gaussian_filter1d(volume, 1.1, axis=0)
    volume += np.random.default_rng(4).standard_normal(volume.shape) / 60
    return SliceStack.from_array((volume * 20000 + 8000).astype(np.uint16), voxel_mm=0.1, source="tube")


@pytest.mark.parametrize(("square", "wall"), [(True, 4.0), (False, 4.4)])
def test_both_sides_of_a_thin_wall_are_right(square: bool, wall: float) -> None:
    """A boss over a wall of four blurs comes out within 2 u and 0.05 px; taken as full, its metal makes it 0.1 too wide."""
    inner = 8.0
    outer = inner + 2 * wall
    part = measure_stack(tube(outer, inner, square=square)).part
    kind = "square_outside" if square else "round_outside"
    boss = min((f for f in part.features if f.kind == kind), key=lambda f: abs(_size(f) - outer))
    measured = boss.flats_mm or boss.diameter_mm
    assert measured is not None
    assert measured.u is not None
    error = measured.value / 0.1 - outer
    assert abs(error) < 0.05
    assert abs(error) < 2 * measured.u / 0.1


def _size(feature: object) -> float:
    for name in ("flats_mm", "diameter_mm"):
        one = getattr(feature, name)
        if one is not None:
            return float(one.value / 0.1)
    return 1e9
