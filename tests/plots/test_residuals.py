"""Residuals: one bar a fit, what exceeds the noise is marked without colour."""

from dataclasses import replace

import pytest

from ctrecon.plots import residual_plot, to_svg
from ctrecon.record.part import Part


def test_bars_are_the_values(hub: Part) -> None:
    """Each bar is as long as the misfit in the record; features without a fit are left out."""
    part = replace(hub, features=(replace(hub.features[0], fit_rms_noise=None), *hub.features[1:]))
    figure = residual_plot(part)
    bars = [bar.get_width() for bar in figure.axes[0].patches]
    assert bars == pytest.approx([one.fit_rms_noise for one in part.features[1:]])
    assert len(figure.axes[0].get_yticklabels()) == 7


def test_high_ones_are_hatched(hub: Part) -> None:
    """Only the free hole, at 2.4 times the noise, is hatched."""
    hatched = [bool(bar.get_hatch()) for bar in residual_plot(hub).axes[0].patches]
    assert hatched == [one.id == "F7" for one in hub.features]


@pytest.mark.parametrize("count", [0, 60])
def test_none_and_many(hub: Part, count: int) -> None:
    """No fits and sixty fits are both drawn, the same every time."""
    part = replace(hub, features=tuple(replace(hub.features[n % 8], id=f"F{n + 1}") for n in range(count)))
    assert to_svg(residual_plot(part)) == to_svg(residual_plot(part))
