"""The depth chart: bars where the features are, open marks where an end is not known."""

from dataclasses import replace
from itertools import pairwise

import pytest
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from ctrecon.plots import depth_chart, to_svg
from ctrecon.record.part import Part


def bar_of(figure: Figure, row: int) -> tuple[float, float]:
    """Return where the bar in a row starts and ends (mm)."""
    bars = [one for one in figure.axes[0].patches if isinstance(one, Rectangle)]
    bar = next(one for one in bars if abs(one.get_y() + one.get_height() / 2 - row) < 1e-9 and one.get_height() < 0.7)
    return bar.get_x(), bar.get_x() + bar.get_width()


def open_marks(figure: Figure, row: int) -> list[str]:
    """Return the open arrow heads in a row."""
    return [
        str(line.get_marker())
        for line in figure.axes[0].lines
        if line.get_marker() in ("<", ">") and line.get_ydata()[0] == row
    ]


def test_bars_stand_at_their_depths(hub: Part) -> None:
    """Each known feature's bar reaches from its first to its last depth."""
    figure = depth_chart(hub)
    for row, one in enumerate(hub.features):
        if one.depth_from_mm and one.depth_to_mm:
            assert bar_of(figure, row) == pytest.approx((one.depth_from_mm.value, one.depth_to_mm.value))
            assert open_marks(figure, row) == []


def test_unknown_end_is_open(hub: Part) -> None:
    """The hole that runs out of the stack ends there with an open mark, and its text says '?'."""
    figure = depth_chart(hub)
    assert bar_of(figure, 2) == pytest.approx((0.6, 95 * 0.05))
    assert open_marks(figure, 2) == [">"]
    assert "0.600 to ? mm" in [text.get_text() for text in figure.axes[0].texts]


def test_rows_are_named_pieces_first(hub: Part) -> None:
    """Pieces stand above the features, both in the order of the record."""
    names = [label.get_text() for label in depth_chart(hub).axes[0].get_yticklabels()]
    assert names[:3] == ["P1 hub (undecided)", "P2 spacer (separate?)", "F1 round outside"]
    assert len(names) == 10


def test_slice_numbers_on_top(hub: Part) -> None:
    """The upper scale counts slices: depth 1 mm is slice 20 at 0.05 mm a slice."""
    figure = depth_chart(hub)
    figure.draw_without_rendering()
    axes = figure.axes[0]
    above = axes.child_axes[0]
    low, high = axes.get_xlim()
    assert above.get_xlim() == pytest.approx((low / 0.05, high / 0.05))


@pytest.mark.parametrize("count", [0, 1, 60])
@pytest.mark.parametrize("slices", [1, 2, 96])
def test_any_number_of_features(hub: Part, count: int, slices: int) -> None:
    """None, one or sixty features, in one slice or many, known ends or not: a chart comes out and nothing is cut."""
    features = tuple(replace(hub.features[n % 8], id=f"F{n + 1}", depth_from_mm=None) for n in range(count))
    part = replace(hub, features=features, pieces=(), stack=replace(hub.stack, slices=slices))
    figure = depth_chart(part)
    assert b"<svg" in to_svg(figure)
    for text in (*figure.axes[0].texts, *figure.axes[0].get_yticklabels()):
        box = text.get_window_extent()
        assert box.x0 >= 0
        assert box.x1 <= figure.bbox.x1
    heights = sorted(label.get_window_extent().y0 for label in figure.axes[0].get_yticklabels())
    assert all(after - before > 10 for before, after in pairwise(heights))


def test_key_names_what_is_there(hub: Part) -> None:
    """The key explains the marks of this chart and no others."""
    whole = [text.get_text() for text in depth_chart(hub).legends[0].get_texts()]
    assert whole == ["outside", "hole", "seam", "piece", "end not known"]
    bore = [
        text.get_text()
        for text in depth_chart(replace(hub, features=hub.features[1:2], pieces=())).legends[0].get_texts()
    ]
    assert bore == ["hole"]


def test_hostile_piece_name(hub: Part) -> None:
    """A piece called by odd signs is drawn as plain text."""
    part = replace(hub, pieces=(replace(hub.pieces[0], name="$\\frac{ \u6f22 <b>" * 9), hub.pieces[1]))
    assert to_svg(depth_chart(part)) == to_svg(depth_chart(part))
