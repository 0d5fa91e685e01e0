"""Register pins on the plates: what is drawn stands where the plan has it."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.patches import Circle

from ctrecon.plots import register_pins_chart, to_svg
from ctrecon.workshop.assembly.changed import open_assembly, with_keep_out_at
from ctrecon.workshop.plan.compose import make_plan
from ctrecon.workshop.plan.model import Plan

TWO_PLATES = Path(__file__).parents[1] / "widgets" / "two_plates.toml"


@pytest.fixture(scope="module")
def plans() -> tuple[Plan, Plan]:
    """Return the plan of two plates, and the one with the keep-out on a pin's place."""
    file = open_assembly(TWO_PLATES)
    return make_plan(file.assembly()), make_plan(with_keep_out_at(file, "name plate", 11.0, 6.0).assembly())


def _discs(plan: Plan, **more: Plan) -> list[tuple[bool, tuple[float, float]]]:
    axes = register_pins_chart(plan, **more).axes[0]
    return [
        (bool(np.mean(one.get_facecolor()[:3]) < 0.5), (float(one.center[0]), float(one.center[1])))
        for one in axes.patches
        if isinstance(one, Circle)
    ]


def test_pins_stand_where_the_plan_has_them(plans: tuple[Plan, Plan]) -> None:
    """Each pin is a black disc at its place; where it stood before is an open ring."""
    before, after = plans
    old, new = ([(pin.x, pin.y) for pin in one.registrations[0].pins] for one in plans)
    assert _discs(before) == [(True, place) for place in old]
    moved = [place for place, now in zip(old, new, strict=True) if place != now]
    assert moved
    shown = _discs(after, before=before)
    assert sorted(place for full, place in shown if full) == sorted(new)
    assert sorted(place for full, place in shown if not full) == sorted(moved)


def test_every_thing_in_the_way_is_named(plans: tuple[Plan, Plan]) -> None:
    """Keep-outs always by their own name; nothing but their frame is coloured, and the same plan gives the same picture."""
    figure = register_pins_chart(plans[0])
    words = {one.get_text() for one in figure.axes[0].texts}
    assert {"P1", "P2", "name plate", "collar"} <= words
    says = " ".join(one.get_text() for one in figure.texts)
    assert "upper plate on lower plate: P1, P2" in says
    assert "stood before" not in says
    assert to_svg(register_pins_chart(plans[0])) == to_svg(register_pins_chart(plans[0]))


def test_one_plate_is_said_to_need_none(plans: tuple[Plan, Plan]) -> None:
    """Without a pair of plates the figure says so."""
    figure = register_pins_chart(replace(plans[0], registrations=()))
    assert [one.get_text() for one in figure.texts] == ["one plate needs no register pins"]
