"""Images that come inside scikit-image's wheel, as outside eyes on outlines and fits: nothing is downloaded.

Coins: Greek coins from Pompeii, Brooklyn Museum, no known copyright restrictions. Head: L. A. Shepp & B. F. Logan,
IEEE Trans. Nucl. Sci. 21 (1974) 21-43. Checkerboard: made by scikit-image, 8 x 8 squares on 200 x 200 px.
"""

import numpy as np
import pytest
from scipy import ndimage
from skimage import data
from skimage.measure import EllipseModel

from ctrecon.core.fit_result import ShapeFit
from ctrecon.core.frames import Floats
from ctrecon.fitting.choose import choose_shape
from ctrecon.fitting.models import FaceModel, RectangleModel
from ctrecon.fitting.solve import Samples, fit_grey
from ctrecon.grey.levels import find_levels
from ctrecon.outlines.trace import Outline, even_points, trace
from ctrecon.slices import SliceStack


def even_light(image: Floats, width: int, sigma: float) -> Floats:
    """Take away a background that changes slowly."""
    return np.asarray(image - ndimage.gaussian_filter(ndimage.grey_opening(image, size=(width, width)), sigma))


@pytest.mark.parametrize(("width", "sigma"), [(61, 20.0), (71, 25.0), (81, 30.0)])
def test_coins_are_counted_and_sized(width: int, sigma: float) -> None:
    """skimage.data.coins: 24 coins (scikit-image's own segmentation example); the largest is 63.2 px at (347, 186)."""
    image = data.coins()
    assert (image.shape, int(image.min()), int(image.max())) == ((303, 384), 1, 252)
    plane = even_light(image.astype(np.float32), width, sigma)
    levels = find_levels(SliceStack.from_array(plane))
    assert levels is not None
    assert not levels.dark_metal
    coins = [one for one in trace(levels.normal(plane), smooth_px=2.0, least_area_px2=500.0) if not one.hole]
    assert len(coins) == 24
    assert all(one.whole for one in coins)
    size = [2 * np.sqrt(one.area_px2 / np.pi) for one in coins]
    assert size[0] == pytest.approx(63.2, abs=1.5)
    assert (coins[0].x_px, coins[0].y_px) == pytest.approx((347, 186), abs=2)
    # four rows of six, each at its place in the row: no coin is found twice
    rows = sorted(coins, key=lambda one: one.y_px)
    for at in range(4):
        x = sorted(one.x_px for one in rows[6 * at : 6 * at + 6])
        assert min(np.diff(x)) > 35


def samples_of(image: Floats, rows: slice, columns: slice) -> Samples:
    """Pixels of a window as samples, places in px of the image."""
    y, x = (a.ravel().astype(float) for a in np.mgrid[rows, columns])
    grey = image[rows, columns].ravel().astype(float) / 255
    return Samples(x, y, np.zeros_like(x), grey, np.arange(len(x)))


@pytest.mark.parametrize(("row", "column"), [(2, 2), (3, 5), (1, 2), (4, 1)])
def test_checkerboard_squares(row: int, column: int) -> None:
    """skimage.data.checkerboard: every square has sides of 25.0 px and its edges at 24.5, 49.5, ... px."""
    image = data.checkerboard().astype(float)
    assert image.shape == (200, 200)
    x, y = 24.5 + 25 * (column - 1) + 12.5, 24.5 + 25 * (row - 1) + 12.5
    hole = (row + column) % 2 == 1
    assert (image[round(y), round(x)] < 128) == hole
    s = samples_of(image, slice(round(y - 17), round(y + 18)), slice(round(x - 17), round(x + 18)))
    # the neighbours' corners touch this square's, so only the middles of the flats are used
    u, v = np.abs(s.x - x), np.abs(s.y - y)
    flats = ((np.abs(u - 12.5) < 4) & (v < 7)) | ((np.abs(v - 12.5) < 4) & (u < 7))
    used = s.thin(flats)
    used = Samples(used.x - x, used.y - y, used.z, used.grey, used.cluster)
    active = np.array([True] * 5 + [False] * 3)
    start = np.array([0.4, -0.3, 24.5, 25.4, 0.01, 0.0, 0.0, 0.0])
    fit = fit_grey(RectangleModel(hole), start, used, noise=0.02, active=active)
    assert isinstance(fit, ShapeFit)
    assert [fit.value("a"), fit.value("b")] == pytest.approx([25.0, 25.0], abs=0.02)
    assert [fit.value("x"), fit.value("y")] == pytest.approx([0.0, 0.0], abs=0.02)
    assert fit.value("turn") == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("edge", range(1, 8))
def test_checkerboard_edges(edge: int) -> None:
    """The seven edges down and across a row of squares lie at 24.5, 49.5, ... 174.5 px (skimage.data.checkerboard)."""
    image = data.checkerboard().astype(float) / 255
    place = 25 * edge - 0.5
    for plane in (image, image.T):
        z, x = (a.ravel() for a in np.mgrid[25 * edge - 8 : 25 * edge + 8, 5:20])
        grey = plane[z, x]
        samples = Samples(x - 12.0, np.zeros(len(x)), z - place, grey, np.arange(len(x)))
        above = bool(plane[25 * edge + 8, 12] > 0.5)
        active = np.array([True, True, False])
        fit = fit_grey(FaceModel(above), np.array([0.6, 0.0, 0.0]), samples, noise=0.02, active=active)
        assert isinstance(fit, ShapeFit)
        assert fit.value("place") == pytest.approx(0.0, abs=0.02)
        assert fit.value("slope_x") == pytest.approx(0.0, abs=1e-3)


PX = 399 / 2  # the raster has -1 and 1 on the centres of its first and last pixel
# air and metal of the edge, hole, centre and semi-axes in units, turn from the horizontal
ELLIPSES = {
    "outside of the skull": (0.0, 1.0, False, (0.0, 0.0), (0.92, 0.69), 90.0),
    "inside of the skull": (0.2, 1.0, True, (0.0, 0.0184), (0.874, 0.6624), 90.0),
    "left ventricle": (0.0, 0.2, True, (-0.22, 0.0), (0.41, 0.16), 72.0),
    "right ventricle": (0.0, 0.2, True, (0.22, 0.0), (0.31, 0.11), 108.0),
}


def ellipse_near(outlines: tuple[Outline, ...], x: float, y: float, area: float) -> Outline:
    """Return the outline whose centre and size come nearest."""
    return min(outlines, key=lambda one: np.hypot(one.x_px - x, one.y_px - y) + abs(np.sqrt(one.area_px2 / area) - 1) * 99)


@pytest.mark.parametrize("name", ELLIPSES)
def test_ellipses_of_the_head(name: str) -> None:
    """Shepp & Logan (1974): semi-axes, centres and turns of the large ellipses within 0.1 px, none taken for a circle."""
    air, metal, hole, centre, axes, turn = ELLIPSES[name]
    x, y = (199.5 + PX * one for one in centre)
    area = np.pi * axes[0] * axes[1] * PX**2
    found = trace((data.shepp_logan_phantom() - air) / (metal - air), smooth_px=0.0, least_area_px2=500.0)
    one = ellipse_near(found, x, y, area)
    assert one.whole
    assert one.hole == hole
    assert (one.x_px, one.y_px) == pytest.approx((x, y), abs=0.1)
    assert np.sqrt(one.area_px2 / np.pi) == pytest.approx(np.sqrt(area / np.pi), abs=0.1)
    oval = EllipseModel.from_estimate(one.points[:-1])
    assert oval.axis_lengths == pytest.approx([PX * axis for axis in axes], abs=0.1)
    assert np.degrees(oval.theta) % 180 == pytest.approx(turn, abs=0.1)
    assert choose_shape(even_points(one.points), hole=hole).kind != "round"
