"""Toothed rims are told from everything else that leaves a circle."""

import numpy as np
import pytest
import shapely

from ctrecon.core.frames import Floats
from ctrecon.fitting.choose import choose_shape
from ctrecon.fitting.teeth import is_toothed
from ctrecon.outlines.trace import even_points

ANGLE = np.linspace(0, 2 * np.pi, 4000, endpoint=False)


def rim(radius: Floats | float) -> shapely.Polygon:
    """The area within a radius given at every angle."""
    return shapely.Polygon(np.column_stack([radius * np.cos(ANGLE), radius * np.sin(ANGLE)]))


def teeth(count: int, deep: float, outer: float = 60.0) -> shapely.Polygon:
    """A rim of even waves from the tips down to `deep` px below them: what blur leaves of teeth."""
    return rim(outer - deep / 2 * (1 - np.cos(count * ANGLE)))


def sector(width_deg: float) -> shapely.Polygon:
    """A wedge of the plane from the middle outwards."""
    at = np.radians(np.linspace(20.0, 20.0 + width_deg, 40))
    return shapely.Polygon([(0, 0), *zip(100 * np.cos(at), 100 * np.sin(at), strict=True)])


def walked(area: shapely.Geometry, seed: int = 0) -> Floats:
    """The outline of an area at even steps, with the noise of a mean plane."""
    points = even_points(shapely.get_coordinates(area.exterior))
    return np.asarray(points + 0.05 * np.random.default_rng(seed).standard_normal(points.shape))


WAVES = [(12, 14.0), (25, 6.0), (48, 2.5), (90, 0.5)]
HUB = shapely.Point(0, 0).buffer(18, 64)


@pytest.mark.parametrize("gone_deg", [0, 130])
@pytest.mark.parametrize(("count", "deep"), WAVES, ids=[f"{n}-teeth" for n, _ in WAVES])
def test_teeth_are_seen(count: int, deep: float, gone_deg: float) -> None:
    """Twelve coarse teeth to ninety of half a pixel are a toothed rim, whole or with a third of the wheel broken away."""
    wheel = teeth(count, deep)
    if gone_deg:
        wheel = wheel.difference(sector(gone_deg)).union(HUB)
    points = walked(wheel)
    assert is_toothed(points)
    found = choose_shape(points)
    assert (found.kind, found.toothed) == ("free", True)


def _bites() -> shapely.Polygon:
    loss = np.zeros(len(ANGLE))
    for at, half, deep in ((0.4, 0.2, 3.0), (1.9, 0.35, 4.0), (3.1, 0.12, 2.5), (4.4, 0.25, 3.5)):
        off = np.abs((ANGLE - at + np.pi) % (2 * np.pi) - np.pi) / half
        loss = np.maximum(loss, deep * np.where(off < 1, 1 - off**2, 0))
    return rim(60.0 - loss)


RING = shapely.Point(0, 0).buffer(60, 128).difference(shapely.Point(0, 0).buffer(42, 128))
OTHERS = {
    "round": rim(60.0),
    "bitten": _bites(),
    "fragment": RING.difference(sector(150)),
    "plate": shapely.box(-50, -32, 50, 32),
    "cross": shapely.box(-50, -14, 50, 14).union(shapely.box(-14, -50, 14, 50)),
}


@pytest.mark.parametrize("name", OTHERS)
def test_nothing_else_is_toothed(name: str) -> None:
    """A round rim, sound or bitten, a ring fragment, a plate and a cross have no teeth."""
    assert not is_toothed(walked(OTHERS[name]))
