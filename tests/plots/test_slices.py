"""Slices with fits: true proportions, curves where they belong, names taken as they stand."""

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.figure import Figure

from ctrecon.plots import slice_with_fits, to_svg
from ctrecon.record.part import Part
from ctrecon.record.pictures import SlicePicture


def texts(figure: Figure) -> list[str]:
    """Return everything written in the figure."""
    written = [text.get_text() for axes in figure.axes for text in axes.texts] + [
        text.get_text() for text in figure.texts
    ]
    return written + [text.get_text() for legend in figure.legends for text in legend.get_texts()]


@pytest.mark.parametrize("voxel_mm", [(0.05, 0.05, 0.05), (0.05, 0.05, 0.06), (0.3, 0.2, 0.05), (0.3, 0.05, 0.2)])
def test_true_proportions(hub: Part, bore_slice: SlicePicture, voxel_mm: tuple[float, float, float]) -> None:
    """A millimetre is as long to the right as downwards, whatever the shape of a voxel."""
    part = replace(hub, stack=replace(hub.stack, voxel_mm=voxel_mm))
    figure = slice_with_fits(bore_slice, part, title="slice 20")
    figure.draw_without_rendering()
    axes = figure.axes[0]
    corner, right, below = axes.transData.transform([(20.0, 20.0), (21.0, 20.0), (20.0, 21.0)])
    assert (right[0] - corner[0]) / voxel_mm[2] == pytest.approx((corner[1] - below[1]) / voxel_mm[1], rel=1e-3)


def test_curve_lies_on_the_edge_of_the_metal(hub: Part, bore_slice: SlicePicture) -> None:
    """Just inside the drawn outside the picture shows metal, just outside it air: no half-voxel shift, no swap."""
    figure = slice_with_fits(bore_slice, hub, title="slice 20")
    axes = figure.axes[0]
    shown = np.asarray(axes.images[0].get_array())
    left, right, bottom, top = axes.images[0].get_extent()
    curve = np.asarray(axes.lines[0].get_xydata())
    middle = curve.mean(axis=0)

    def grey(points: np.ndarray) -> np.ndarray:
        column = ((points[:, 0] - left) / (right - left) * shown.shape[1]).astype(int)
        row = ((points[:, 1] - top) / (bottom - top) * shown.shape[0]).astype(int)
        return shown[row, column]

    assert np.all(grey(middle + (curve - middle) * (1 - 1.5 / 53)) > 100)
    assert np.all(grey(middle + (curve - middle) * (1 + 1.5 / 53)) < 100)


def test_voxel_centres_lie_on_whole_numbers(hub: Part, bore_slice: SlicePicture) -> None:
    """The window of columns 15 to 129 and rows 10 to 149 reaches half a voxel beyond the outermost centres."""
    axes = slice_with_fits(bore_slice, hub, title="slice 20").axes[0]
    assert tuple(axes.images[0].get_extent()) == (14.5, 129.5, 149.5, 9.5)
    assert (axes.get_xlim(), axes.get_ylim()) == ((14.5, 129.5), (149.5, 9.5))


def test_scale_bar_is_as_long_as_it_says(hub: Part, bore_slice: SlicePicture) -> None:
    """The bar's share of the picture's width is its length over the width in mm."""
    axes = slice_with_fits(bore_slice, hub, title="slice 20").axes[0]
    share = np.ptp(np.asarray(axes.lines[-1].get_xdata()))
    said = next(text.get_text() for text in axes.texts if text.get_text().endswith(" mm"))
    assert share * bore_slice.grey.shape[1] * hub.stack.voxel_mm[2] == pytest.approx(float(said.split()[0]))


def test_every_curve_has_its_name(hub: Part, bore_slice: SlicePicture) -> None:
    """Each curve carries its id, and the key tells the kind of feature."""
    written = texts(slice_with_fits(bore_slice, hub, title="slice 20, depth 1.000 mm"))
    assert {"F1", "F2", "F1 round outside", "F2 round hole", "slice 20, depth 1.000 mm"} <= set(written)


def test_lines_differ_without_colour(hub: Part, bore_slice: SlicePicture) -> None:
    """Neighbouring features differ in their dashes, not in colour alone."""
    curves = tuple((one.id, bore_slice.curves[0][1]) for one in hub.features[:4])
    axes = slice_with_fits(replace(bore_slice, curves=curves), hub, title="").axes[0]
    dashes = {str(line._dash_pattern) for line in axes.lines[:4]}
    assert len(dashes) == 4


@pytest.mark.parametrize("title", ["$\\frac{", "a$b$c", "\u6f22\u5b57\x00\x07", "x" * 500, "two\nlines", ""])
def test_titles_are_plain_text(hub: Part, bore_slice: SlicePicture, title: str) -> None:
    """Dollar signs, foreign letters, control signs and endless names neither stop the drawing nor warn."""
    assert b"<svg" in to_svg(slice_with_fits(bore_slice, hub, title=title))


@pytest.mark.parametrize(
    "grey", [np.full((9, 7), np.nan), np.full((9, 7), 3.0), np.full((1, 1), 2.0), np.diag([np.inf, -np.inf, 1.0])]
)
def test_spoilt_grey_is_still_drawn(hub: Part, grey: np.ndarray) -> None:
    """No data, one single grey, one voxel or infinite greys are drawn without a warning."""
    picture = SlicePicture(index=0, grey=grey.astype(np.float32), origin_rc=(0, 0), curves=())
    assert b"<svg" in to_svg(slice_with_fits(picture, hub, title="slice 0"))


def test_curves_that_cannot_be_drawn(hub: Part, bore_slice: SlicePicture) -> None:
    """Empty and all-NaN curves are left out; a feature not in the record is said to be so."""
    curves = (("F1", np.empty((0, 2))), ("F2", np.full((5, 2), np.nan)), ("F99", bore_slice.curves[0][1]))
    written = texts(slice_with_fits(replace(bore_slice, curves=curves), hub, title="t"))
    assert "F99 not in the record" in written
    assert not {"F1", "F2"} & set(written)


def test_curve_beside_the_window(hub: Part, bore_slice: SlicePicture) -> None:
    """A feature that lies wholly beside the window gets neither a label in the air nor a line in the key."""
    beside = (("F3", bore_slice.curves[1][1] + [500.0, 0.0]), *bore_slice.curves)
    written = texts(slice_with_fits(replace(bore_slice, curves=beside), hub, title="t"))
    assert "F3" not in written
    assert "F1" in written


@pytest.mark.parametrize("count", [1, 24, 25, 60])
def test_key_stays_inside_and_clear_of_the_picture(hub: Part, bore_slice: SlicePicture, count: int) -> None:
    """With up to sixty curves the key is neither cut off nor runs into the picture."""
    features = tuple(replace(hub.features[n % 8], id=f"F{n + 1}") for n in range(count))
    curves = tuple((one.id, bore_slice.curves[1][1] + 3.0 * n % 50) for n, one in enumerate(features))
    figure = slice_with_fits(replace(bore_slice, curves=curves), replace(hub, features=features), title="t")
    figure.draw_without_rendering()
    key = figure.legends[0].get_window_extent()
    assert key.x0 >= 0
    assert key.y0 >= 0
    assert key.x1 <= figure.bbox.x1
    assert key.y1 <= min(
        text.get_window_extent().y0 for text in figure.axes[0].texts if text.get_text().endswith(" mm")
    )


def test_same_bytes_every_time(hub: Part, bore_slice: SlicePicture) -> None:
    """The same picture gives the same SVG, without a date."""
    first, second = (to_svg(slice_with_fits(bore_slice, hub, title="t")) for _ in range(2))
    assert first == second
    assert b"dc:date" not in first
