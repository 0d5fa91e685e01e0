"""What a moving part sweeps counts as the file states it."""

import pytest
from shapely import Point, box

from ctrecon.workshop.plan.model import Plan


def test_a_stated_sweep_sets_the_relief(counter_plan: Plan) -> None:
    """The carry wheel's stated 6.9 mm, not its drawn 6.8, and the clearance make the relief in the spacer."""
    sheet = next(one for one in counter_plan.pieces if one.part == "spacer")
    (relief,) = sheet.reliefs
    shop = counter_plan.assembly.shop
    assert relief.radius_mm == pytest.approx(6.9 + shop.running_clearance_mm, abs=1e-6)


def test_a_relieved_spacer_clears_the_sweep(counter_plan: Plan) -> None:
    """The spacer less its relief stays clear of the stated sweep by the running clearance (judged by shapely)."""
    assembly = counter_plan.assembly
    (relief,) = next(one for one in counter_plan.pieces if one.part == "spacer").reliefs
    spacer, wheel = assembly["spacer"], assembly["carry_wheel"]
    assert wheel.sweep_radius is not None
    left = spacer.outline.difference(Point(relief.x, relief.y).buffer(relief.radius_mm, 256))
    sweep = Point(relief.x, relief.y).buffer(wheel.sweep_radius.value, 256)
    assert left.distance(sweep) == pytest.approx(assembly.shop.running_clearance_mm, abs=2e-3)
    assert spacer.outline.intersection(sweep).area > 0 and left.within(box(*spacer.outline.bounds))
