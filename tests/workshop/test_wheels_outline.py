"""Outlines of wheels to be made: spans across teeth in shapely, and ogives beside the epicycloid they stand for."""

from math import cos, hypot, pi, radians

import numpy as np
import pytest
from shapely.affinity import rotate, translate
from shapely.geometry import LineString, Point, Polygon

from ctrecon.core.measured import Measured
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.wheels.outline import points_of
from ctrecon.workshop.wheels.outline import wheel_outline as outline_of
from ctrecon.workshop.wheels.tooth import ToothSizes, clock_pinion, clock_wheel, spur_tooth


def wheel_outline(sizes: ToothSizes, turn_deg: float = 0.0, pressure_deg: float = 20.0) -> Polygon:
    return Polygon(points_of(outline_of(sizes, turn_deg=turn_deg, pressure_deg=pressure_deg), step_deg=0.5))


# Spans over k teeth at 20° as printed in handbooks; k odd, so that a tooth is in the middle.
@pytest.mark.parametrize(("module", "teeth", "over", "width"), [(1, 20, 3, 7.6604), (1, 60, 7, 20.0292), (0.5, 48, 6, 8.4545), (3, 30, 4, 32.2579), (2, 17, 2, 9.3326)])
def test_span_of_the_drawn_involutes(module: float, teeth: int, over: int, width: float) -> None:
    """A line that touches the base circle crosses the outer flanks of k teeth squarely, at the printed span."""
    outline = wheel_outline(spur_tooth(teeth, Measured(module)), turn_deg=0.0 if over % 2 else 180 / teeth)
    base = module * teeth / 2 * cos(radians(20))
    line = LineString([(base, -2 * width), (base, 2 * width)])
    metal = sorted((part.bounds[1], part.bounds[3]) for part in getattr(outline.intersection(line), "geoms", [outline.intersection(line)]))
    # the k teeth in the middle, whatever the line still meets beyond them
    middle = [one for one in metal if abs(sum(one) / 2) < width / 2]
    assert middle[-1][1] - middle[0][0] == pytest.approx(width, abs=2e-3 * module)


ALL = [
    spur_tooth(48, Measured(0.5)), spur_tooth(127, Measured(0.5)), spur_tooth(20, Measured(1.0)), clock_wheel(75, 10, Measured(0.12)),
    clock_wheel(60, 8, Measured(1.0)), clock_pinion(6, 48, Measured(1.0)), clock_pinion(8, 60, Measured(1.0)), clock_pinion(12, 96, Measured(1.0)),
]  # fmt: skip


@pytest.mark.parametrize("sizes", ALL, ids=lambda one: f"{one.form} {one.teeth}")
def test_every_tooth_is_there(sizes: ToothSizes) -> None:
    """The outline is simple, lies between root and tip circle, repeats every pitch, and each tooth is as wide as stated."""
    outline = wheel_outline(sizes)
    assert outline.is_valid and not outline.interiors
    radii = [hypot(x, y) for x, y in outline.exterior.coords]
    assert 2 * max(radii) == pytest.approx(sizes.blank_diameter.value) and 2 * min(radii) == pytest.approx(sizes.root_diameter.value)
    turned = rotate(outline, 360 / sizes.teeth, origin=(0, 0))
    assert outline.symmetric_difference(turned).area == pytest.approx(0, abs=1e-6 * outline.area)
    # cut by the pitch circle: as many teeth, each half a pitch (or the pinion's width) wide along it
    circle = Point(0, 0).buffer(sizes.pitch_diameter.value / 2, quad_segs=4000).exterior
    inside = outline.intersection(circle)
    assert inside.length == pytest.approx(sizes.teeth * sizes.tooth_width.value, rel=0.01)
    mirrored = Polygon([(x, -y) for x, y in outline.exterior.coords])
    assert outline.symmetric_difference(mirrored).area == pytest.approx(0, abs=1e-6 * outline.area)


@pytest.mark.parametrize(("teeth", "leaves"), [(60, 8), (75, 10), (96, 12), (48, 6), (80, 16)])
def test_ogive_stays_by_the_epicycloid(teeth: int, leaves: int) -> None:
    """A clock wheel's flank is within 0.07 modules of the epicycloid, drawn here by rolling a circle, and of its radius."""
    sizes = clock_wheel(teeth, leaves, Measured(1.0))
    outline = wheel_outline(sizes)
    big, small, half = teeth / 2, leaves / 4, pi / (2 * teeth)
    roll = np.linspace(0, pi * small / big, 600)
    x = (big + small) * np.cos(roll) - small * np.cos((big + small) / small * roll)
    y = (big + small) * np.sin(roll) - small * np.sin((big + small) / small * roll)
    angle, radius = half - np.arctan2(y, x), np.hypot(x, y)
    on_flank = (angle > 0) & (radius < sizes.blank_diameter.value / 2)
    flank = LineString(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])[on_flank])
    assert max(outline.exterior.distance(Point(p)) for p in flank.coords) < 0.07
    # the circle through three points of the drawn flank has the ogive's radius
    pitch = sizes.pitch_diameter.value / 2
    points = [complex(*p) for p in outline.exterior.coords if hypot(*p) > pitch + 1e-3 and 0 < np.arctan2(p[1], p[0]) < half]
    a, b, c = points[0], points[len(points) // 2], points[-1]
    area = abs(((b - a) * (c - a).conjugate()).imag) / 2
    assert sizes.tip_radius is not None
    assert abs(a - b) * abs(b - c) * abs(c - a) / (4 * area) == pytest.approx(sizes.tip_radius.value, rel=1e-3)


def test_a_tooth_that_cannot_be_drawn_is_refused() -> None:
    """Pointed involutes, and teeth that meet above their roots, are refused."""
    with pytest.raises(PlanError, match="meet below the tip"):
        wheel_outline(spur_tooth(20, Measured(1.0), pressure_deg=30.0), pressure_deg=45.0)


# The law of gearing: involutes, and cycloidal wheels with radial-flanked pinions, roll without crossing and stay in touch.
@pytest.mark.parametrize(
    ("wheel", "mate", "distance", "touch"),
    [
        (spur_tooth(20, Measured(1.0)), spur_tooth(40, Measured(1.0)), 30.0, 0.003),
        (spur_tooth(48, Measured(0.5)), spur_tooth(127, Measured(0.5)), 43.75, 0.0015),
        (clock_wheel(60, 8, Measured(1.0)), clock_pinion(8, 60, Measured(1.0)), 34.0, 0.3),
    ],
)
def test_a_pair_rolls_without_crossing(wheel: ToothSizes, mate: ToothSizes, distance: float, touch: float) -> None:
    """Turned together by their ratio at the distance of their pitch radii, two outlines never cross and hardly part."""
    for phase in np.linspace(0, 1, 9):
        one = wheel_outline(wheel, turn_deg=phase * 360 / wheel.teeth)
        two = translate(wheel_outline(mate, turn_deg=180 + (0.5 - phase) * 360 / mate.teeth), distance, 0)
        assert one.intersection(two).area < 1e-3 * wheel.module.value**2
        assert one.distance(two) < touch
