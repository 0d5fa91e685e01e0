"""Area and middle of a free outline, held against the polygon it was drawn from (shapely's area and centroid)."""

import numpy as np
import pytest
import shapely
from scipy import ndimage
from skimage.draw import polygon2mask

from ctrecon.features.free_area import EdgeBand
from ctrecon.outlines.trace import trace

SIZE, FINE = 90, 8


def _drawn(corners: np.ndarray, sigma: float, hole: bool) -> np.ndarray:
    """Grey of a polygon (x, y in px): covered share of each pixel, blurred; a hole in metal or metal in air."""
    mask = polygon2mask((SIZE * FINE, SIZE * FINE), (corners[:, ::-1] + 0.5) * FINE - 0.5).astype(float)
    share = mask.reshape(SIZE, FINE, SIZE, FINE).mean((1, 3))
    return ndimage.gaussian_filter(1 - share if hole else share, sigma)


def _corners(rng: np.random.Generator) -> np.ndarray:
    count = int(rng.integers(4, 8))
    turn = (np.arange(count) + rng.uniform(-0.25, 0.25, count)) * 2 * np.pi / count
    far = rng.uniform(18.0, 30.0, len(turn))
    return 45 + far[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])


@pytest.mark.parametrize("sigma", [0.7, 1.15])
@pytest.mark.parametrize("hole", [True, False])
def test_area_and_middle_are_the_polygons(sigma: float, hole: bool) -> None:
    """Ten polygons with sharp corners: the sum of grey finds area within 0.02 px of edge, where a contour does not."""
    rng = np.random.default_rng(9021)
    off, by_contour = [], []
    for _ in range(10):
        corners = _corners(rng)
        polygon = shapely.Polygon(corners)
        plane = _drawn(corners, sigma, hole)
        rim = min((o for o in trace(plane, smooth_px=0.0) if o.hole == hole), key=lambda o: abs(o.area_px2 - polygon.area))
        band = EdgeBand.beside(plane, rim.points)
        (area, x, y), length = band.sum(plane), band.length
        off.append((area - polygon.area) / length)
        by_contour.append((rim.area_px2 - polygon.area) / length)
        assert np.hypot(x - polygon.centroid.x, y - polygon.centroid.y) < 0.02
    assert np.abs(off).max() < 0.02
    assert np.mean(by_contour) < -0.015  # what blur takes off the corners


def test_a_near_edge_does_not_pull() -> None:
    """A square room five pixels from the rim of its plate: the rim's blur is not taken for the metal's grey."""
    room = np.array([[30.0, 30.0], [55.0, 30.0], [55.0, 55.0], [30.0, 55.0]])
    plane = _drawn(room, 1.0, True)
    outside = np.array([[25.0, 25.0], [80.0, 25.0], [80.0, 80.0], [25.0, 80.0]])
    plane = plane + _drawn(outside, 1.0, False) - 1
    rim = next(o for o in trace(plane, smooth_px=0.0) if o.hole)
    band = EdgeBand.beside(plane, rim.points)
    assert band.sum(plane)[0] == pytest.approx(25.0 * 25.0, abs=0.02 * band.length)
