"""Running clearances and end shake: published and worked values, shapely as judge of every gap."""

from dataclasses import replace
from math import cos, pi, sin

import numpy as np
import pytest
from shapely.affinity import rotate
from shapely.geometry import Point, Polygon, box

from ctrecon.core.measured import Measured
from ctrecon.workshop.clearance import Body, end_shake, running_clearances, sweep_of
from ctrecon.workshop.errors import PlanError


def disc(x: float, y: float, r: float) -> Polygon:
    return Point(x, y).buffer(r, quad_segs=180)


WHEEL = Body("wheel", disc(0, 0, 8), 2.0, 3.5, (0.0, 0.0), 0.05, 0.02, 0.02)


def only(*bodies: Body, **options: object) -> tuple[float, float, str]:
    (one,) = running_clearances(bodies, **options)  # type: ignore[arg-type]
    return one.plan.value, one.depth.value, one.way


def test_side_by_side_and_above_one_another() -> None:
    """A pillar beside the wheel is apart in plan, a plate under it in depth; what keeps them apart is named."""
    pillar = Body("pillar", disc(13, 0, 3), 0.0, 10.0)
    assert only(WHEEL, pillar) == (pytest.approx(2), pytest.approx(-3.5), "plan")
    plate = Body("plate", box(-30, -20, 30, 20), 4.1, 6.0)
    plan, depth, way = only(plate, WHEEL)
    assert (depth, way) == (pytest.approx(0.6), "depth")
    assert plan < -8


def test_a_square_hub_is_judged_by_its_corners() -> None:
    """A turning square of 10 sweeps 5√2: a post 6.5 from its centre fouls it though the drawing shows a gap."""
    hub = Body("hub", box(-5, -5, 5, 5), 0, 3, (0.0, 0.0))
    post = Body("post", disc(0, 8.5, 2), 1, 5)
    assert hub.outline.distance(post.outline) == pytest.approx(1.5, abs=1e-3)
    (found,) = running_clearances([hub, post])
    assert found.plan.value == pytest.approx(6.5 - 5 * 2**0.5, abs=1e-3)
    assert found.fouls
    assert "hub fouls post" in found.reason
    turned = min(rotate(hub.outline, a, origin=(0, 0)).distance(post.outline) for a in range(0, 90, 1))
    assert turned == 0


def test_gap_as_by_turning_the_part() -> None:
    """For random outlines the gap is the least distance found by turning the part step by step (shapely)."""
    rng = np.random.default_rng(12)
    for _ in range(25):
        angles = np.sort(rng.uniform(0, 2 * pi, 9))
        radii = rng.uniform(3, 7, 9)
        part = Polygon([(r * cos(a), r * sin(a)) for r, a in zip(radii, angles, strict=True)]).buffer(0.5)
        if part.geom_type != "Polygon":
            continue
        fixed = box(0, 0, *rng.uniform(2, 6, 2))
        fixed = rotate(fixed, rng.uniform(0, 90))
        at = rng.uniform(9, 16)
        fixed = Polygon([(x + at, y) for x, y in fixed.exterior.coords])
        bodies = [Body("part", part, 0, 1, (0.0, 0.0)), Body("fixed", fixed, 0, 1)]
        gap = running_clearances(bodies)[0].plan.value
        turned = min(rotate(part, a, origin=(0, 0)).distance(fixed) for a in np.arange(0, 360, 0.5))
        assert (gap if gap > 0 else 0) == pytest.approx(turned, abs=0.02)


def test_a_ring_may_turn_about_a_post() -> None:
    """Inside a turning ring of bore 12 a post of radius 4, 1 off centre, has 1 mm; two discs and two rings likewise."""
    ring = Body("ring", disc(0, 0, 9).difference(disc(0, 0, 6)), 0, 2, (0.0, 0.0))
    assert sweep_of(ring.outline, (0, 0)).inner == pytest.approx(6, abs=1e-3)
    assert only(ring, Body("post", disc(1, 0, 4), 0, 5))[0] == pytest.approx(1, abs=1e-3)
    assert only(ring, Body("wheel", disc(1, 0, 4), 0, 5, (1.0, 0.0)))[0] == pytest.approx(1, abs=1e-3)
    assert only(WHEEL, Body("other", disc(0, 20, 10), 2, 3, (0.0, 20.0)))[0] == pytest.approx(2, abs=1e-3)


def test_a_hub_in_its_hole() -> None:
    """A hub of radius 4 in a hole of 4.1, 0.03 off centre, runs 0.07 clear of the plate it goes through."""
    hub = Body("hub", disc(0, 0, 4), 0, 3, (0.0, 0.0))
    plate = Body("plate", box(-20, -20, 20, 20).difference(disc(0.03, 0, 4.1)), 1, 2.5)
    assert only(hub, plate)[0] == pytest.approx(0.07, abs=1e-3)
    assert hub.outline.distance(plate.outline) == pytest.approx(0.07, abs=1e-3)


def test_u_goes_into_the_verdict() -> None:
    """0.35 apart with U 0.11 is not surely the 0.3 wanted; with U 0.04 it is; an overlap within U is to be tried."""
    pillar = Body("pillar", disc(11.35, 0, 3), 0, 10)
    (unsure,) = running_clearances([WHEEL, pillar], least=0.3)
    assert unsure.gap.u == pytest.approx(0.05)
    assert not unsure.enough and not unsure.fouls
    assert "when U is against it" in unsure.reason
    (sure,) = running_clearances([replace(WHEEL, u_plan=0.015), pillar], least=0.3)
    assert sure.enough
    (close,) = running_clearances([WHEEL, Body("pillar", disc(10.95, 0, 3), 0, 10)])
    assert close.gap.value == pytest.approx(-0.05, abs=1e-3)
    assert not close.fouls
    assert "try it before cutting" in close.reason


def test_scale_goes_with_the_gap_of_one_scan() -> None:
    """A scale 0.2 % off changes a 2 mm gap by 0.004 mm where both parts are of one scan, not where of two."""
    a, b = replace(WHEEL, scan="s"), Body("p", disc(13, 0, 3), 0, 9, scan="s")
    assert running_clearances([a, b], scale_u=0.002)[0].plan.scale_u == pytest.approx(0.004, abs=1e-5)
    assert running_clearances([a, replace(b, scan="t")], scale_u=0.002)[0].plan.scale_u is None


def test_pairs_at_rest_or_meant_to_touch_are_left_out() -> None:
    """Two plates do not run on each other, meshing wheels are meant to; the tightest pair comes first."""
    other = Body("other", disc(15, 0, 8), 2, 3.5, (15.0, 0.0))
    plates = [Body("top", box(-20, -20, 30, 20), 0, 1.7), Body("low", box(-20, -20, 30, 20), 4.5, 6)]
    found = running_clearances([WHEEL, other, *plates], may_touch=[frozenset(("wheel", "other"))])
    assert len(found) == 4
    assert found[0].gap.value == pytest.approx(0.3)
    assert [one.gap.value for one in found] == sorted(one.gap.value for one in found)
    with pytest.raises(PlanError, match="no thickness"):
        running_clearances([replace(WHEEL, z_to=1.0)])


def test_end_shake() -> None:
    """Plates 20.25, shoulders 20.00: 0.25 is good for 0.1 to 0.3; its u by draws; outside, what to take off."""
    shake = end_shake(Measured(20.25, 0.01), Measured(20.0, 0.015))
    rng = np.random.default_rng(2)
    drawn = rng.normal(20.25, 0.01, 200_000) - rng.normal(20, 0.015, 200_000)
    assert shake.shake.u == pytest.approx(drawn.std(), rel=0.01)
    assert shake.verdict == "good"
    tight = end_shake(Measured(20.02, 0.005), Measured(20.0, 0.005))
    assert (tight.verdict, round(tight.to_change, 3)) == ("too little", 0.18)
    assert "shoulders" in tight.reason and "0.18" in tight.reason
    assert end_shake(Measured(20.8), Measured(20.0)).verdict == "too much"
    assert end_shake(Measured(20.11, 0.02), Measured(20.0, 0.01)).verdict == "not sure"
