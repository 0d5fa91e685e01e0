"""Square holes: closed forms against published rows and shapely, pilots by method, corners, turn and boss."""

from itertools import pairwise
from math import pi, sqrt

import numpy as np
import pytest
from shapely.affinity import rotate
from shapely.geometry import Point, Polygon, box
from shapely.ops import unary_union

from ctrecon.core.measured import Measured
from ctrecon.workshop.corners import boss_wall, corner_relief, corner_seat, square_turn
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.squares import METHODS, plan_square, square_left

# BS 328 metric drills from 1 to 13 mm (ISO 235 pattern).
DRILLS = [round(1 + 0.05 * i, 2) for i in range(40)] + [round(3 + 0.1 * i, 1) for i in range(101)]


def round_at(x: float, y: float, d: float) -> Polygon:
    return Point(x, y).buffer(d / 2, quad_segs=720)


# k, per corner / s², diagonal / s, flat end / s, overcut depth and width / s: own table, each row computed twice.
ROWS = [
    (0.95, 0.07279, 0.23211, 0.5, 0, 0),
    (0.98, 0.06143, 0.21711, 0.5, 0, 0),
    (1.00, 0.05365, 0.20711, 0.5, 0, 0),
    (1.05, 0.03889, 0.18211, 0.3399, 0.025, 0.3202),
    (1.10, 0.02784, 0.15711, 0.2709, 0.050, 0.4583),
    (1.15, 0.01911, 0.13211, 0.2161, 0.075, 0.5679),
]


@pytest.mark.parametrize("row", ROWS)
def test_what_a_pilot_leaves(row: tuple[float, ...]) -> None:
    """Per corner, diagonal, flat end and overcut of each row of the table, for a square of another size."""
    left = square_left(6.35, 6.35 * row[0])
    got = (
        left.per_corner / 6.35**2,
        *(x / 6.35 for x in (left.diagonal, left.flat_end, left.overcut_depth, left.overcut_width)),
    )
    assert got == pytest.approx(row[1:], abs=6e-5)
    assert left.corners_left == 4


@pytest.mark.parametrize("k", [0.7, 0.9, 1.0, 1.03, 1.2, 1.4, 1.5])
def test_what_a_pilot_leaves_as_by_polygons(k: float) -> None:
    """Area and hollow agree with shapely's own difference of square and circle."""
    s = 5.0
    square, pilot = box(-s / 2, -s / 2, s / 2, s / 2), round_at(0, 0, k * s)
    left = square_left(s, k * s)
    assert 4 * left.per_corner == pytest.approx(square.difference(pilot).area, abs=2e-4)
    beyond = pilot.difference(square)
    if k > 1 and k < sqrt(2):
        top = beyond.bounds[3]
        assert left.overcut_depth == pytest.approx(top - s / 2, abs=1e-4)
        assert left.overcut_width == pytest.approx(s - 2 * left.flat_end)
    assert left.corners_left == (0 if k > sqrt(2) else 4)


def test_share_of_each_flat_left_untouched() -> None:
    """Published shares of flat wall left by an oversize pilot: 0.680 at 1.05, 0.542 at 1.10, 0.432 at 1.15, 0.337 at 1.20."""
    for k, share in ((1.05, 0.680), (1.10, 0.542), (1.15, 0.432), (1.20, 0.337)):
        assert 2 * square_left(1, k).flat_end == pytest.approx(share, abs=6e-4)


def test_pilot_for_the_file_stays_inside_the_flats() -> None:
    """Square of 5, pilot 0.1 off centre: no break-out up to 4.8; the true pilot, moved, stays inside, a larger one not."""
    plan = plan_square(5, "file", DRILLS, off_centre=0.1)
    assert plan.drill.diameter_mm == pytest.approx(4.8)
    assert plan.break_out == 0
    assert plan.corners_left == 4
    square = box(-2.5, -2.5, 2.5, 2.5).buffer(1e-9)
    assert square.contains(round_at(0.1, 0, plan.drill.diameter_mm))
    assert not square.contains(round_at(0.1, 0, 4.9))
    exact = plan_square(5, "file", DRILLS, off_centre=0)
    assert exact.drill.diameter_mm == 5.0


def test_pilot_goes_by_method() -> None:
    """File under the flats; drift and rotary broach 10-15 % over (PMPA): no rule serves both (sources disagree)."""
    pilots = {method: plan_square(6.35, method, DRILLS) for method in METHODS}
    assert pilots["file"].left is not None and pilots["file"].left.ratio < 1
    for method in ("drift", "broach", "rotary_broach"):
        left = pilots[method].left
        assert left is not None
        assert 1.10 <= left.ratio <= 1.15
        assert left.overcut_width > 0
        assert pilots[method].break_out == pytest.approx(left.overcut_depth + 0.1)
        assert "hollow" in pilots[method].reason
    kept = plan_square(6.35, "drift", DRILLS, keep_flats=True)
    assert kept.left is not None and kept.left.overcut_width == 0
    assert "PMPA" in pilots["drift"].source
    assert "45° lead" in pilots["rotary_broach"].reason
    assert all(one.reason and one.source for one in pilots.values())


def test_without_the_rules_drill_a_broach_takes_the_next_and_says_so() -> None:
    """No drill from 5.5 to 5.75: the nearest from the flats on is taken; under the flats a broach is refused."""
    plan = plan_square(5, "rotary_broach", [3, 4.8, 5.2, 5.4, 6])
    assert plan.drill.diameter_mm == 5.4
    assert "no drill at hand is as large" in plan.reason
    with pytest.raises(
        PlanError, match=r"no drill of the list is between 5 and 5\.75 mm for a square of 5 mm by rotary broach"
    ):
        plan_square(5, "rotary_broach", [3, 4.8, 6])
    with pytest.raises(PlanError, match="chain drill it instead"):
        plan_square(10, "file", [3, 4])
    with pytest.raises(PlanError, match="is not known"):
        plan_square(5, "guess", DRILLS)  # type: ignore[arg-type]


def test_four_corner_holes() -> None:
    """Holes of half the flats leave a quarter of the single pilot's corner, 0.01341 s², and the same 0.2146 s² in all."""
    plan = plan_square(8, "corner_holes", DRILLS, off_centre=0)
    assert plan.drill.diameter_mm == 4
    assert plan.left_per_piece == pytest.approx(0.01341 * 64, abs=5e-4)
    assert plan.left_area == pytest.approx((1 - pi / 4) * 64, abs=0.01)
    assert plan.left_per_piece == pytest.approx(square_left(8, 8).per_corner / 4)
    real = plan_square(8, "corner_holes", DRILLS)
    holes = [round_at(*one) for one in real.holes]
    corner = box(*real.holes[2][:2], 4, 4).difference(unary_union(holes))
    assert real.left_per_piece == pytest.approx(corner.area, abs=1e-3)
    assert box(-4, -4, 4, 4).contains(unary_union(holes).buffer(0.09))


@pytest.mark.parametrize("flats", [6.35, 10, 16])
def test_chain_of_holes(flats: float) -> None:
    """Every hole is inside the line by the margin, the webs are as wide as asked, and the core really drops out."""
    plan = plan_square(flats, "chain", DRILLS)
    assert plan.web is not None and plan.web >= 0.2 - 1e-9
    h = flats / 2
    holes = [round_at(*one) for one in plan.holes]
    assert box(-h, -h, h, h).buffer(-0.2 + 1e-6).contains(unary_union(holes))
    apart = [one.distance(two) for i, one in enumerate(holes) for two in holes[:i]]
    assert min(apart) == pytest.approx(plan.web, abs=1e-3)
    assert len(holes) >= 8
    inner = h - 0.2 - plan.drill.diameter_mm / 2
    left = box(-h, -h, h, h).difference(unary_union([*holes, box(-inner, -inner, inner, inner)]))
    assert plan.left_area == pytest.approx(left.area, rel=1e-3)
    # one drill to a corner of the chain, the same step all round
    steps = {
        round(float(np.hypot(a[0] - b[0], a[1] - b[1])), 6) for a, b in pairwise(sorted(plan.holes)[: len(holes) // 4])
    }
    assert min(steps) == pytest.approx(plan.web + plan.drill.diameter_mm)


def test_corner_relief() -> None:
    """A hole through the corner passes each flat by 0.2929 of its radius; polygons find the same."""
    relief = corner_relief(5, 0.5)
    assert relief.past_flat == pytest.approx(0.2929 * 0.5, abs=5e-5)
    hole = round_at(relief.centre, relief.centre, 1.0)
    assert hole.bounds[2] - 2.5 == pytest.approx(relief.past_flat, abs=1e-5)
    assert hole.exterior.distance(Point(2.5, 2.5)) == pytest.approx(0, abs=1e-5)
    cut = hole.intersection(box(-2.5, 2.5, 2.5, 2.5 + 1e-9)).bounds
    assert 2.5 - cut[0] == pytest.approx(relief.mouth, abs=1e-4)
    with pytest.raises(PlanError, match="smaller drill"):
        corner_relief(5, 2)


# Own figures: the area (in rho²) that fouls with a chamfer as deep as the fillet on the diagonal, and larger ones.
@pytest.mark.parametrize(("leg", "foul"), [(0.0, 0.2146), (2 - sqrt(2), 0.0430), (0.8, 0.0032), (1.0, 0.0), (1.3, 0.0)])
def test_a_chamfer_clears_only_from_the_full_radius(leg: float, foul: float) -> None:
    """A chamfer of 0.586 of the fillet still fouls at both ends; only a leg as long as the radius seats."""
    seat = corner_seat(1.0, leg)
    assert seat.foul_area == pytest.approx(foul, abs=6e-5)
    metal = box(0, 0, 1, 1).difference(round_at(1, 1, 2))
    peg = Polygon([(leg, 0), (3, 0), (3, 3), (0, 3), (0, leg)])
    assert seat.foul_area == pytest.approx(metal.intersection(peg).area, abs=2e-5)
    assert seat.seats == (leg >= 1)
    assert corner_seat(0.4, 0.3).least_leg == 0.4
    assert corner_seat(1.0).stands_off == pytest.approx(0.4142, abs=5e-5)


def test_turn_from_an_edge() -> None:
    """Square of 5: one degree moves a corner 0.0617; the turn is within 45° of the edge, its u by root-sum-square."""
    turn = square_turn(5, 187.5, 5.0, u_square=0.3, u_edge=0.4)
    assert turn.turn.value == pytest.approx(2.5)
    assert turn.turn.u == pytest.approx(0.5)
    assert turn.corner_per_degree == pytest.approx(0.0617, abs=5e-5)
    square = box(-2.5, -2.5, 2.5, 2.5)
    moved = Point(rotate(square, 2.5, origin=(0, 0)).exterior.coords[0]).distance(Point(square.exterior.coords[0]))
    assert turn.corner_moves == pytest.approx(moved)
    assert square_turn(5, 44).turn.value == 44
    assert square_turn(5, 46).turn.value == -44


def test_wall_at_the_corners_of_a_boss() -> None:
    """10/5 leaves 1.4645, 12/6 1.7574; 9/6.35 leaves 0.0099 and is refused with the boss it would need."""
    assert boss_wall(Measured(10), Measured(5)).wall.value == pytest.approx(1.4645, abs=5e-5)
    assert boss_wall(Measured(12), Measured(6)).wall.value == pytest.approx(1.7574, abs=5e-5)
    with pytest.raises(
        PlanError, match=r"leaves 0\.010 mm of wall in a boss of ⌀9, less than 0\.5 mm: take a boss of ⌀9\.98"
    ):
        boss_wall(Measured(9), Measured(6.35))
    ring = round_at(0, 0, 10).exterior.distance(box(-2.5, -2.5, 2.5, 2.5))
    assert ring == pytest.approx(1.4645, abs=1e-4)


def test_wall_u_as_by_monte_carlo() -> None:
    """The wall's u agrees with draws; one scale for both sizes goes with their difference."""
    rng = np.random.default_rng(8)
    outside, flats = rng.normal(10, 0.03, 200_000), rng.normal(5, 0.02, 200_000)
    wall = boss_wall(Measured(10, 0.03, 0.02), Measured(5, 0.02, 0.01)).wall
    assert wall.u == pytest.approx(((outside - flats * sqrt(2)) / 2).std(), rel=0.01)
    assert wall.scale_u == pytest.approx(0.002 * wall.value)
    assert boss_wall(Measured(10), Measured(5)).wall.u is None
