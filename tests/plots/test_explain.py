"""What is left of the scan as pictures: windows in true proportions, one grey scale about zero, numbers as in the list."""

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.patches import Ellipse

from ctrecon.plots import to_svg
from ctrecon.plots.explain import explained_chart, explained_slice
from ctrecon.record.explained import Explained, ExplainedSlice, ResidualRegion
from ctrecon.record.part import Part


@pytest.fixture
def explained() -> Explained:
    """Twelve slices, the fourth missing, one lump on slices 5 to 8 whose slice 6 is shown."""
    rows, columns = np.mgrid[:30, :40]
    predicted = (np.hypot(columns - 20, rows - 15) < 12).astype(np.float32)
    dark = np.hypot(columns - 24, rows - 12) < 2
    residual = np.random.default_rng(2).normal(size=(30, 40)).astype(np.float32) - 18 * dark
    view = ExplainedSlice(6, predicted + 0.05 * residual, predicted, residual, (4, 10))
    lump = ResidualRegion(
        says="slices 5 to 8: air where the record says metal", sign=-1, x_mm=34 * 0.05, y_mm=16 * 0.05,
        depth_from_mm=0.25, depth_to_mm=0.4, slices=(5, 8), size_mm=(0.2, 0.2, 0.2), strength=30.0, voxels=50,
    )  # fmt: skip
    rms = (None, 1.0, 1.01, None, 0.99, 1.4, 1.8, 1.7, 1.5, 1.0, 1.0, None)
    return Explained(rms, 0.9931, 0.004, (lump,), (view,))


def drawn(figure: Figure, text: str) -> bool:
    return any(text in one.get_text() for axes in figure.axes for one in axes.texts) or any(
        text in one.get_text() for one in figure.texts
    )


def test_chart_shows_every_slice_and_marks_those_pictured(explained: Explained) -> None:
    """The line holds the figures given, with a gap where a slice is missing; the pictured slice carries a mark."""
    (axes,) = explained_chart(explained).axes
    line, marks = axes.lines[0], axes.lines[1]
    values = np.asarray(line.get_ydata(), dtype=float)
    assert np.isnan(values[[0, 3, 11]]).all()
    assert values[6] == pytest.approx(1.8)
    assert list(marks.get_xdata()) == [6]
    assert axes.get_ylabel() == "left over, times noise"


def test_residual_is_grey_about_zero_with_its_scale(hub: Part, explained: Explained) -> None:
    """Scan and prediction share one grey scale; that of the residual is as far below zero as above, with a bar beside it."""
    figure = explained_slice(explained.pictures[0], explained, hub)
    scan, predicted, residual, bar = figure.axes
    assert scan.images[0].get_clim() == predicted.images[0].get_clim()
    low, high = residual.images[0].get_clim()
    assert low == -high
    assert high >= 5
    assert {one.images[0].get_cmap().name for one in (scan, predicted, residual)} == {"gray"}
    assert 0 in bar.get_yticks()
    assert drawn(figure, "slice 6") and drawn(figure, "times the noise of one voxel")


def test_lumps_are_ringed_and_numbered_on_their_slices_only(hub: Part, explained: Explained) -> None:
    """The lump's ring lies at its place in voxels with its number; on a slice it does not reach there is none."""
    figure = explained_slice(explained.pictures[0], explained, hub)
    (ring,) = [one for one in figure.axes[2].patches if isinstance(one, Ellipse)]
    _, dy, dx = hub.stack.voxel_mm
    assert ring.center == pytest.approx((34 * 0.05 / dx, 16 * 0.05 / dy))
    assert [one.get_text() for one in figure.axes[2].texts] == ["1"]
    other = explained_slice(replace(explained.pictures[0], index=10), explained, hub)
    assert not [one for one in other.axes[2].patches if isinstance(one, Ellipse)]


def test_the_same_picture_gives_the_same_bytes(hub: Part, explained: Explained) -> None:
    """Nothing of time or machine gets into the figures."""
    view = explained.pictures[0]
    assert to_svg(explained_slice(view, explained, hub)) == to_svg(explained_slice(view, explained, hub))
    assert to_svg(explained_chart(explained)) == to_svg(explained_chart(explained))
