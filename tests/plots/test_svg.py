"""Pictures inside the SVG: voxel by voxel where the paper has room, reduced where it has not."""

import base64
import io
import re

import numpy as np
import pytest
from matplotlib.figure import Figure
from PIL import Image

from ctrecon.plots.style import grey_bar, to_svg


def embedded(svg: bytes) -> list[tuple[str, Image.Image]]:
    """Return the tag and the picture of each image in an SVG."""
    tags = re.findall(r"<image[^>]*>", svg.decode())
    datas = [re.search(r'base64,\s*([^"]+)"', tag)[1] for tag in tags]
    return [(tag, Image.open(io.BytesIO(base64.b64decode(data)))) for tag, data in zip(tags, datas, strict=True)]


def shown(values: np.ndarray, interpolation: str) -> bytes:
    """Return a figure of one inch that shows the values from 0 to 1."""
    figure = Figure(figsize=(1.0, 1.0))
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_axis_off()
    axes.imshow(np.ma.masked_invalid(values), cmap="gray", vmin=0, vmax=1, interpolation=interpolation)
    return to_svg(figure)


@pytest.mark.parametrize("interpolation", ["nearest", "auto"])
def test_small_pictures_are_written_voxel_by_voxel(interpolation: str) -> None:
    """A picture of 30 x 40 voxels is a grey PNG of 30 x 40 pixels with the values of the scan; it is smoothed only if asked."""
    values = np.random.default_rng(3).random((30, 40))
    ((tag, picture),) = embedded(shown(values, interpolation))
    assert (picture.mode, picture.size) == ("L", (40, 30))
    assert abs(np.asarray(picture) / 255 - values).max() < 2 / 255, "256 greys, rounded twice"
    assert ("pixelated" in tag) == (interpolation == "nearest")


def test_missing_voxels_are_clear() -> None:
    """What is not known lets the ground show through."""
    values = np.random.default_rng(4).random((20, 20))
    values[5:9, 3:8] = np.nan
    ((_, picture),) = embedded(shown(values, "nearest"))
    clear = np.asarray(picture)[..., 1] == 0
    assert picture.mode == "LA" and clear.sum() == 20


def test_large_pictures_are_reduced() -> None:
    """A slice of 700 x 700 voxels on one inch is reduced to 144 dots an inch, its mean kept."""
    values = np.random.default_rng(5).random((700, 700))
    ((_, picture),) = embedded(shown(values, "auto"))
    assert max(picture.size) <= 145
    assert np.asarray(picture)[3:-3, 3:-3].mean() / 255 == pytest.approx(values.mean(), abs=0.02)


def test_grey_bar_runs_from_dark_below_to_light_above() -> None:
    """The bar's picture is one column whose greys rise evenly, black at the lower end of the scale and white at the upper."""
    figure = Figure(figsize=(2.0, 2.0))
    image = figure.add_axes((0, 0, 0.5, 1)).imshow(np.zeros((4, 4)), cmap="gray", vmin=-3, vmax=5)
    axes = figure.add_axes((0.6, 0.1, 0.1, 0.8))
    bar = grey_bar(figure, image, axes)
    assert tuple(round(v, 6) for v in axes.get_ylim()) == (-3, 5) and bar.ax.images
    ramp = bar.ax.images[0]
    greys = np.asarray(ramp.to_rgba(ramp.get_array()))[:, 0, 0]
    assert ramp.origin == "lower" and greys[0] == 0 and greys[-1] == 1 and np.all(np.diff(greys) >= 0)
    assert len(re.findall("<path", to_svg(figure).decode())) < 60, "no rectangle for each grey"
