"""Charts of wheels, judged by what stands on them: marks per tooth, bars per count, errors where they are, habits named."""

from collections.abc import Iterator
from types import ModuleType

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from ctrecon.plots.wheel_pages import pages_pdf, wheel_pages
from ctrecon.plots.wheels import count_chart, division_chart, tooth_chart, wheel_chart
from ctrecon.workshop.wheels.plan import WheelsPlan, plan_wheels


@pytest.fixture(scope="module")
def plan(wheel_records: ModuleType) -> WheelsPlan:
    """Return the plan of the fragment: a broken wheel with a bent tooth, its count unsettled, in mesh with a pinion."""
    return plan_wheels(wheel_records.fragment(runs=((5, 9), (20, 5)), u_centre=0.15, seed=4, bent=9), lost={"F6": ["F5"]})


def _texts(figure: Figure) -> Iterator[str]:
    return (one.get_text() for one in figure.findobj(Text) if one.get_text())


def _marks(figure: Figure, marker: str) -> int:
    return sum(line.get_marker() == marker for line in figure.axes[0].get_lines())


def test_every_tooth_is_marked_as_it_is(plan: WheelsPlan) -> None:
    """Outside each tooth that is left stands one mark: 13 whole, 1 bent; the lost ones are counted in words."""
    figure = wheel_chart(plan["F1"])
    assert _marks(figure, "X") == 1 and _marks(figure, "o") == 13
    lost = plan["F1"].teeth - 14
    assert any(f"13 whole, ✖ 1 bent, ┄ {lost} lost" in text for text in _texts(figure))
    places = {(round(float(x), 3), round(float(y), 3)) for line in figure.axes[0].get_lines() if line.get_marker() in "oX" for x, y in [(line.get_xdata()[0], line.get_ydata()[0])]}
    turns = sorted(np.degrees(np.arctan2(y, x)) % 360 for x, y in places)
    assert turns == pytest.approx(sorted(one.angle_deg.value for one in plan["F1"].found.feature.tooth_places), abs=0.01)
    assert figure.axes[0].yaxis_inverted()  # as the slices are seen


def test_bars_are_the_odds(plan: WheelsPlan) -> None:
    """Bars by the rim alone and with the mates stand side by side, as high as their odds; 95 % is marked."""
    figure = count_chart(plan["F1"])
    heights = sorted(one.get_height() for one in figure.axes[0].patches)
    shown = {n for odds in (plan["F1"].odds, plan["F1"].found.odds) for n, p in odds.items() if p >= 0.001}
    expected = sorted(odds.get(n, 0.0) for odds in (plan["F1"].odds, plan["F1"].found.odds) for n in shown)
    assert heights == pytest.approx(expected)
    assert any(np.allclose(line.get_ydata(), 0.95) for line in figure.axes[0].get_lines())


def test_errors_stand_at_their_teeth_and_lost_teeth_are_shaded(plan: WheelsPlan) -> None:
    """Dots are the table's errors; where a tooth is lost its column is shaded; a bent tooth is crossed."""
    figure = division_chart(plan["F1"])
    division = plan["F1"].division
    assert division is not None
    dots = next(line for line in figure.axes[0].get_lines() if line.get_marker() == "o")
    sound = [row for row in division.table if row.number != 4]
    assert dots.get_xdata().tolist() == [row.number for row in sound]
    assert dots.get_ydata() == pytest.approx([row.error_deg.value for row in sound])
    shaded = [one for one in figure.axes[0].patches if one.get_zorder() == 0]
    assert len(shaded) == plan["F1"].teeth - 14
    crossed = next(line for line in figure.axes[0].get_lines() if line.get_marker() == "X")
    assert crossed.get_xdata().tolist() == [4]


# A seam at the closing, corners of parts marked first, and pitches halved by eye: what a hand leaves behind.
@pytest.mark.parametrize(("kind", "words"), [("closing", "the circle closed before tooth 1"), ("halves", "ringed: every 2. tooth")])
def test_habits_of_the_divider_are_named_and_marked(wheel_records: ModuleType, kind: str, words: str) -> None:
    """A closing step and halved pitches are said on the chart where they are, and marked with lines or rings."""
    w = wheel_records
    more = {"closing": 0.25, "random": 0.01} if kind == "closing" else {"shift": 0.06, "random": 0.01}
    plan = plan_wheels(w.record("one", [w.wheel("F1", 60, 0.6, (20.0, 20.0), (1.0, 3.0), **more)]))
    figure = division_chart(plan["F1"])
    assert any(words in text for text in _texts(figure))
    if kind == "closing":
        step = figure.axes[1].patches
        widest = max(step, key=lambda one: abs(one.get_height()))
        assert widest.get_x() + widest.get_width() / 2 == pytest.approx(0)
    else:
        rings = next(line for line in figure.axes[0].get_lines() if line.get_markerfacecolor() == "none")
        assert len(rings.get_xdata()) == 30


def test_one_tooth_is_drawn_to_scale_with_its_forms(plan: WheelsPlan) -> None:
    """The filled tooth is the recorded profile, and each form is named with whether it agrees."""
    figure = tooth_chart(plan["F1"])
    filled = figure.axes[0].patches[0].get_xy()
    profile = np.array(plan["F1"].found.feature.flank.profile_mm)
    assert filled[:, 0].max() == pytest.approx(profile[:, 1].max()) and np.hypot(*filled.T).max() == pytest.approx(18.6)
    texts = list(_texts(figure))
    assert "spur wheel, module 0.600: agrees" in texts and any("does not agree" in text for text in texts)


def test_pages_come_out_whole(plan: WheelsPlan) -> None:
    """One page and one table per wheel, and one of the train; no text runs over the paper's edge; PDF without dates."""
    pages = wheel_pages(plan)
    assert [name for name, _ in pages] == ["wheel_F1", "dividing_F1", "wheel_F3", "dividing_F3", "wheel_F5", "dividing_F5", "train"]
    for name, figure in pages:
        FigureCanvasAgg(figure).draw()
        box = figure.bbox
        for text in figure.findobj(Text):
            if text.get_text() and text.get_visible():
                here = text.get_window_extent()
                assert here.x0 > box.x0 and here.x1 < box.x1, (name, text.get_text())
    first = pages_pdf([one for _, one in pages], "wheels")
    assert b"CreationDate" not in first and first == pages_pdf([one for _, one in wheel_pages(plan)], "wheels")
    assert first.count(b"/Type /Page\n") + first.count(b"/Type /Page ") == 7


def test_a_crown_is_drawn_as_found_and_what_is_not_made_says_so(wheel_records: ModuleType) -> None:
    """A crown wheel has no outline to cut: its page draws its teeth, sizes them, and gives the reason."""
    w = wheel_records
    plan = plan_wheels(w.record("crown", [w.crown("F1", 40, 0.6, (20.0, 20.0), (1.0, 3.0))]))
    ((name, page),) = wheel_pages(plan)
    assert name == "wheel_F1"
    says = " ".join(_texts(page))
    assert "along the axis" in says and "Ø25.2" in says and "over the teeth" in says
    assert len(wheel_chart(plan["F1"]).axes[0].patches) == 40 + 2  # and both circles
