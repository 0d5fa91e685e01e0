"""Places of two pins: published corners and distances, and an exhaustive search as judge on random plates."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest
import shapely
from shapely.geometry import Point, Polygon, box

from ctrecon.core.errors import InputError
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.pins.condition import OneWayCondition, one_way_condition
from ctrecon.workshop.pins.free_area import FreeArea, Obstacle, free_area
from ctrecon.workshop.pins.motions import Motion
from ctrecon.workshop.pins.place import check_place, largest_room, place_pins

_spec = importlib.util.spec_from_file_location("test_pins_free_area", Path(__file__).with_name("test_pins_free_area.py"))
assert _spec is not None
assert _spec.loader is not None
areas = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(areas)
HALF_TURN = OneWayCondition((Motion(False, 180, 30, 20),), 2.0)


def pillared(*more: Obstacle) -> FreeArea:
    hub = Obstacle("hub", "hole", disc=(30, 20, 12), margin_mm=2)
    return free_area({"top": areas.PLATE, "base": areas.PLATE}, [*areas.four_pillars(), hub, *more], pin_mm=2, edge_mm=2)


def samples(area: FreeArea, step: float) -> np.ndarray:
    """Places along the border of the area and a net over it that keep every distance by the library's own distances."""
    low_x, low_y, high_x, high_y = area.common.bounds
    net = np.stack(np.meshgrid(np.arange(low_x, high_x, 1.0), np.arange(low_y, high_y, 1.0)), -1).reshape(-1, 2)
    points = [net]
    for part in area.region.buffer(-1e-4).geoms if hasattr(area.region.buffer(-1e-4), "geoms") else [area.region.buffer(-1e-4)]:
        for ring in (part.exterior, *part.interiors):
            along = np.arange(0, ring.length, step)
            points.append(shapely.get_coordinates(shapely.line_interpolate_point(ring, along)))
            points.append(shapely.get_coordinates(ring.simplify(2e-3)))
    every = np.unique(np.round(np.vstack(points), 9), axis=0)
    return np.array([one for one in every if areas.keeps_all(area, *one)]).reshape(-1, 2)


def judge(points: np.ndarray, maps: list[tuple[np.ndarray, np.ndarray]], least: float) -> float:
    """Greatest distance of two places, every pair tried, that miss by so much under each map x -> M x + t."""
    best = 0.0
    for i, p in enumerate(points):
        q = points[i:]
        good = np.ones(len(q), bool)
        for matrix, shift in maps:
            gp, gq = matrix @ p + shift, q @ matrix.T + shift
            straight = np.maximum(np.hypot(*(gp - p)), np.hypot(*(gq - q).T))
            crossed = np.maximum(np.hypot(*(gp - q).T), np.hypot(*(gq - p).T))
            good &= np.minimum(straight, crossed) >= least
        if good.any():
            best = max(best, float(np.hypot(*(q[good] - p).T).max()))
    return best


def test_pillared_plate() -> None:
    """Greatest distance 56.3205 = sqrt(54² + 16²), (3, 12) and (57, 28); it is the same turned half round (own, computed apart)."""
    placed = place_pins(pillared())
    assert placed.distance_mm == pytest.approx(np.hypot(54, 16), abs=1e-9)
    assert [one.xy for one in placed.pins] == [pytest.approx((3, 12)), pytest.approx((57, 28))]
    assert HALF_TURN.worst(np.array([3.0, 12.0]), np.array([[57.0, 28.0]]))[0] == pytest.approx(0)
    assert placed.short_mm == 0
    assert "edge of top" in placed.reason


def test_pillared_plate_one_way() -> None:
    """With a half-turn miss of 2 mm 55.7853 = sqrt(54² + 14²), (3, 12) and (57, 26); flips miss by more (own, computed apart)."""
    for condition in (HALF_TURN, one_way_condition(areas.PLATE)):
        placed = place_pins(pillared(), condition=condition)
        assert placed.distance_mm == pytest.approx(np.hypot(54, 14), abs=1e-6)
        assert placed.miss_mm == pytest.approx(2.0)
        assert placed.worst_way == "turned half round"
        assert "0.54 mm less" in placed.reason


def test_a_wheel_moves_a_pin() -> None:
    """A wheel of radius 9 at (52, 20): 51.4782 = sqrt(45² + 25²), (3, 12) and (48, 37) (own, computed apart)."""
    placed = place_pins(pillared(Obstacle("wheel", "wheel", disc=(52, 20, 9), margin_mm=2)))
    assert placed.distance_mm == pytest.approx(np.hypot(45, 25), abs=1e-6)
    assert [one.xy for one in placed.pins] == [pytest.approx((3, 12)), pytest.approx((48, 37))]


@pytest.mark.parametrize(
    ("radius", "distance", "second"),
    [(4, 48.3408, (47.5, 6.8495)), (4.1, 48.3408, (47.5, 6.8495)), (4.5, 47.1009, (47.5, 10.5981)), (5, 46.7759, (47.5, 11.7417))],
)
def test_tilted_plates(radius: float, distance: float, second: tuple[float, float]) -> None:
    """Two plates askew, arbor radius 4 to 5: the second place jumps at 4.5 (own, computed apart)."""
    placed = place_pins(areas.tilted(radius))
    assert placed.distance_mm == pytest.approx(distance, abs=5e-5)
    assert placed.pins[0].xy == pytest.approx((2.5, 24.5082), abs=5e-5)
    assert placed.pins[1].xy == pytest.approx(second, abs=5e-5)


def test_no_place_is_refused_with_the_largest_margin() -> None:
    """20 x 20, disc of radius 8, 3.5 mm asked for: refused; there is room up to (10 sqrt 2 - 8)/(1 + sqrt 2) = 2.5442."""
    square = box(0, 0, 20, 20)
    area = free_area({"top": square, "base": square}, [Obstacle("hub", "bearing", disc=(10, 10, 8), margin_mm=2.5)], pin_mm=2, edge_mm=2.5)
    with pytest.raises(PlanError, match=r"limited by hub.*up to 2\.544 mm.*3\.500 mm are asked for"):
        place_pins(area)
    room = largest_room(area)
    assert room.margin_mm == pytest.approx((10 * np.sqrt(2) - 8) / (1 + np.sqrt(2)), abs=1e-5)
    assert room.margin_mm == pytest.approx(2.5442, abs=5e-5)
    # a hair less than that has a place, a hair more has none
    assert not area.with_extra(room.extra_mm - 1e-4).empty
    assert area.with_extra(room.extra_mm + 1e-4).empty


def test_random_areas_against_every_pair() -> None:
    """On 15 random areas the places keep all distances, and no pair of a dense set of places lies farther apart."""
    tried = 0
    for k in range(15):
        area = areas.random_area(np.random.default_rng([520, k]))
        points = samples(area, 0.5)
        try:
            placed = place_pins(area, apart_mm=0.0)
        except PlanError:
            assert len(points) < 2
            continue
        assert all(areas.keeps_all(area, *pin.xy) for pin in placed.pins)
        found = judge(points, [], 0.0)
        assert found <= placed.distance_mm + 1e-6
        assert found > placed.distance_mm - 0.5
        tried += 1
    assert tried >= 10


def plate_and_maps(k: int, rng: np.random.Generator) -> tuple[Polygon, list[tuple[np.ndarray, np.ndarray]]]:
    """A plate at a place of its own with its symmetries written out by hand."""
    at = rng.uniform(-5, 5, 2)
    if k % 3 == 0:
        outline, angles, mirrors = box(-14, -9, 14, 9), [180], [0, 90]
    elif k % 3 == 1:
        outline, angles, mirrors = box(-11, -11, 11, 11), [90, 180, 270], [0, 45, 90, 135]
    else:
        hexagon = [(13 * np.cos(a), 13 * np.sin(a)) for a in np.arange(6) * np.pi / 3]
        outline, angles, mirrors = Polygon(hexagon), [60, 120, 180, 240, 300], [0, 30, 60, 90, 120, 150]
    maps = []
    for a in np.radians(angles):
        maps.append(np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]))
    for a in 2 * np.radians(mirrors):
        maps.append(np.array([[np.cos(a), np.sin(a)], [np.sin(a), -np.cos(a)]]))
    return shapely.affinity.translate(outline, *at), [(m, at - m @ at) for m in maps]


def symmetric_area(k: int) -> tuple[FreeArea, list[tuple[np.ndarray, np.ndarray]], float]:
    rng = np.random.default_rng([521, k])
    outline, maps = plate_and_maps(k, rng)
    x, y = np.asarray(outline.centroid.coords)[0]
    obstacles = [Obstacle("hub", "hole", disc=(x, y, float(rng.uniform(2, 5))), margin_mm=0.5)]
    for i in range(int(rng.integers(0, 4))):
        dx, dy = rng.uniform(-9, 9, 2)
        obstacles.append(Obstacle(f"hole {i}", "hole", disc=(x + dx, y + dy, float(rng.uniform(0.5, 2.5))), margin_mm=0.5))
    return free_area({"top": outline, "base": outline}, obstacles, pin_mm=1.5, edge_mm=1), maps, float(rng.uniform(0.8, 3))


@pytest.mark.slow
def test_one_way_places_against_every_pair() -> None:
    """On 6 plates with 4 to 12 symmetries the places miss each by what is asked, and no dense pair does so farther apart."""
    for k in range(6):
        area, maps, least = symmetric_area(k)
        placed = place_pins(area, condition=one_way_condition(*area.outlines, least_mm=least))
        pair = np.array([pin.xy for pin in placed.pins])
        assert judge(pair, maps, least - 1e-6) == pytest.approx(placed.distance_mm)
        assert all(areas.keeps_all(area, *pin.xy) for pin in placed.pins)
        found = judge(samples(area, 0.5), maps, least)
        assert found <= placed.distance_mm + 1e-4
        assert placed.distance_mm <= placed.most_mm + 1e-9
        assert placed.most_mm - placed.distance_mm == pytest.approx(placed.short_mm, abs=1e-6)


def test_a_pin_placed_by_the_user_is_kept() -> None:
    """One pin given: the other goes as far from it as it can (exhaustive search as judge); both given: only checked."""
    area = pillared()
    placed = place_pins(area, fixed=[(3, 20)])
    points = samples(area, 0.2)
    assert placed.distance_mm >= np.hypot(*(points - (3, 20)).T).max() - 1e-9
    assert [pin.fixed for pin in placed.pins] == [True, False]
    both = place_pins(area, fixed=[(50, 20), (10, 15)])
    assert both.distance_mm == pytest.approx(np.hypot(40, 5))
    assert "as given" in both.reason


def test_a_bad_place_of_the_user_is_refused() -> None:
    """Too near to a pillar, over the edge, inside the hub, the same turned half round, too near to each other."""
    area = pillared()
    with pytest.raises(PlanError, match=r"at \(6, 10\): it is 2\.00 mm too near to pillar 1"):
        check_place(area, 6, 10)
    for x, y, name in ((6, 10, "pillar 1"), (61, 20, "edge of"), (30, 20, "hub")):
        with pytest.raises(PlanError, match=f"too near to {name}"):
            place_pins(area, fixed=[(x, y)])
    with pytest.raises(PlanError, match=r"go on turned half round: they miss by 0\.00 mm"):
        place_pins(area, condition=HALF_TURN, fixed=[(3, 12), (57, 28)])
    with pytest.raises(PlanError, match=r"two pins 6\.0 mm apart"):
        place_pins(area, fixed=[(3, 15), (3, 18)])
    with pytest.raises(InputError, match="two at most"):
        place_pins(area, fixed=[(3, 15), (3, 18), (3, 21)])


def test_room_for_two() -> None:
    """The largest margin with two places 40 apart on a 60 x 40 plate is where the shrunk diagonal is 40 (closed form)."""
    area = free_area({"top": areas.PLATE, "base": areas.PLATE}, pin_mm=2, edge_mm=1)
    room = largest_room(area, apart_mm=40)
    t = room.margin_mm or 0
    assert np.hypot(60 - 2 * t, 40 - 2 * t) == pytest.approx(40, abs=1e-4)


def test_places_do_not_depend_on_the_order_of_obstacles() -> None:
    """Obstacles in any order give the same places, to the last digit."""
    more = [Obstacle("wheel", "wheel", disc=(52, 20, 9), margin_mm=2)]
    area = pillared(*more)
    one = place_pins(area, condition=one_way_condition(areas.PLATE))
    other = place_pins(
        free_area(dict(zip(area.plates, area.outlines, strict=True)), area.obstacles[::-1], pin_mm=2, edge_mm=2),
        condition=one_way_condition(areas.PLATE),
    )
    assert [pin.xy for pin in one.pins] == [pin.xy for pin in other.pins]


def test_round_plates() -> None:
    """On a round plate two equal pins miss the half-turn, and both flips, by the outline (plain geometry on the circle)."""
    plate = Point(3, -2).buffer(25, quad_segs=24)
    area = free_area({"top": plate, "base": plate}, [Obstacle("hub", "bearing", disc=(3, -2, 6))], pin_mm=2, edge_mm=2)
    for unequal in (False, True):
        condition = one_way_condition(plate, unequal=unequal)
        assert condition.round_at
        placed = place_pins(area, condition=condition)
        p, q = (np.array(pin.xy) - (3, -2) for pin in placed.pins)
        line = abs(p[0] * q[1] - p[1] * q[0]) / np.hypot(*(p - q))
        assert 2 * line >= 2 - 1e-6
        if not unequal:
            middle = (p + q) / 2
            assert 2 * np.hypot(*middle) >= 2 - 1e-6
            assert 2 * abs(middle @ (q - p)) / np.hypot(*(q - p)) >= 2 - 1e-6
        # no more than a chord that passes the centre at 1 mm, and near to it
        assert placed.distance_mm <= 2 * np.sqrt(22**2 - 1) + 1e-6
        assert placed.distance_mm >= 2 * np.sqrt(22**2 - 1) - (0.2 if unequal else 2.2)
