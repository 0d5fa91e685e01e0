"""Plates that go together one way only: published misses, and brute force over turns, flips and pairings as judge."""

import itertools

import numpy as np
import pytest
import shapely
from shapely.geometry import Point, Polygon, box

from ctrecon.core.errors import InputError
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.pins.choose_places import Level, one_way_pins, pins_of_levels, third_pin
from ctrecon.workshop.pins.condition import one_way_condition
from ctrecon.workshop.pins.free_area import FreeArea, Obstacle, free_area
from ctrecon.workshop.pins.misses import least_miss_mm
from ctrecon.workshop.pins.motions import Motion, hole_motions, outline_off_mm, outline_symmetry
from ctrecon.workshop.pins.one_way import RegisterHole, StackedPlate, judge_plates

OBLONG = box(-30, -20, 30, 20)
SQUARE = box(-20, -20, 20, 20)


def pins(*places: tuple[float, float], sizes: tuple[float, ...] = ()) -> tuple[RegisterHole, ...]:
    return tuple(RegisterHole(x, y, (*sizes, 2.0, 2.0, 2.0)[i]) for i, (x, y) in enumerate(places))


def outline_misses(outline: Polygon, places: list[tuple[float, float]]) -> dict[str, float]:
    """Misses by the outline's own symmetries."""
    points = np.array(places, float)
    return {
        one.name: least_miss_mm(points, one(points), [0.0] * len(points), [0.0] * len(points))
        for one in outline_symmetry(outline).motions
    }


@pytest.mark.parametrize(
    ("places", "half", "left_right", "top_bottom"),
    [
        ([(-25, -15), (25, 15)], 0, 30, 30),
        ([(-25, -15), (22, 15)], 3.0000, 30.1496, 30.0000),
        ([(-25, -15), (25, 13)], 2.0000, 28.0000, 30.0000),
        ([(-25, -15), (25, -15), (22, 15)], 47.0000, 44.0000, 30.0000),
    ],
)
def test_misses_on_an_oblong(places: list[tuple[float, float]], half: float, left_right: float, top_bottom: float) -> None:
    """Outline 60 x 40, centre 0: misses at the half-turn and the two flips (own table, computed apart)."""
    found = outline_misses(OBLONG, places)
    assert found == pytest.approx(
        {"turned half round": half, "turned over left to right": left_right, "turned over top to bottom": top_bottom}, abs=5e-5
    )


def test_misses_on_a_square() -> None:
    """(-15, -12), (12, 15) misses the half-turn by 4.2426 but fits turned over about the other diagonal; (-15, -14) misses all by 2."""
    found = outline_misses(SQUARE, [(-15, -12), (12, 15)])
    assert len(found) == 7
    assert found["turned half round"] == pytest.approx(4.2426, abs=5e-5)
    assert found["turned over about the line at 135°"] == pytest.approx(0)
    better = outline_misses(SQUARE, [(-15, -14), (12, 15)])
    assert min(better.values()) == pytest.approx(2.0)
    assert min(better, key=lambda name: better[name]) == "turned over about the line at 135°"


def test_half_turn_shift_is_the_sum() -> None:
    """Pins alone: put back on turned half round, the outline stands off by just |p + q| (own closed form), for random pins."""
    rng = np.random.default_rng(5)
    for _ in range(20):
        p, q = rng.uniform([-28, -18], [28, 18], (2, 2))
        turn = next(one for one, _ in hole_motions([tuple(p), tuple(q)]) if not one.flipped)
        # of a rectangle shifted by s the corners stand off by |s|, where that stays within the outline's size
        assert outline_off_mm(OBLONG, turn) == pytest.approx(np.hypot(*(p + q)), rel=1e-6)


def test_two_equal_pins_fit_four_ways() -> None:
    """Half-turn and two flips besides leaving them; unequal pins leave one flip; a scalene triangle none (own, plain geometry)."""
    rng = np.random.default_rng(6)
    for _ in range(20):
        places = [tuple(map(float, one)) for one in rng.uniform(-20, 20, (3, 2))]
        two = hole_motions(places[:2])
        assert [one.flipped for one, _ in two] == [False, True, True]
        points = np.array(places[:2])
        for one, miss in two:
            moved = one(points)
            assert miss == pytest.approx(0, abs=1e-9)
            assert min(np.abs(moved - points).max(), np.abs(moved - points[::-1]).max()) < 1e-9
        assert [one.flipped for one, _ in hole_motions(places[:2], [2, 1.5])] == [True]
        assert hole_motions(places) == ()


@pytest.mark.parametrize(
    ("shape", "turns", "flips"),
    [
        (box(0, 0, 60, 40), 1, 2), (box(5, 5, 25, 25), 3, 4),
        (Polygon([(9 * np.cos(a + 0.4), 9 * np.sin(a + 0.4)) for a in np.arange(3) * 2 * np.pi / 3]), 2, 3),
        (Polygon([(20 * np.cos(a), 20 * np.sin(a)) for a in np.arange(6) * np.pi / 3]), 5, 6),
        (Polygon([(0, 0), (30, 0), (30, 8), (8, 8), (8, 20), (0, 20)]), 0, 0),
        (Polygon([(0, 0), (30, 0), (30, 8), (8, 8), (8, 30), (0, 30)]), 0, 1),
        (Polygon([(-20, -6), (0, -6), (0, -12), (8, -12), (8, -6), (20, -6), (20, 6), (0, 6), (0, 12), (-8, 12), (-8, 6), (-20, 6)]), 1, 0),
    ],
)  # fmt: skip
def test_symmetries_of_outlines(shape: Polygon, turns: int, flips: int) -> None:
    """Oblong, square, triangle, hexagon, two angles and a pinwheel have the symmetries that everybody counts, wherever they lie."""
    for angle, dx in ((0, 0), (17.3, 40), (90, -3)):
        found = outline_symmetry(shapely.affinity.translate(shapely.affinity.rotate(shape, angle), dx, 2 * dx))
        assert (sum(not one.flipped for one in found.motions), sum(one.flipped for one in found.motions)) == (turns, flips)
        assert max(found.off_mm, default=0) < 0.01
        assert not found.round_


def test_a_round_outline_looks_the_same_at_any_turn() -> None:
    """A disc is round; with a flat 3 mm deep it has one flip left."""
    disc = Point(4, 5).buffer(20)
    assert outline_symmetry(disc).round_
    flat = disc.difference(box(4 + 17, -40, 60, 60))
    found = outline_symmetry(flat)
    assert not found.round_
    assert [one.name for one in found.motions] == ["turned over top to bottom"]


def test_nearly_alike_counts_as_alike() -> None:
    """A plate 40 x 39.4 may pass turned by a quarter (0.6 mm are not seen), one 40 x 37 does not."""
    assert len(outline_symmetry(box(0, 0, 40, 39.4)).motions) == 7
    assert len(outline_symmetry(box(0, 0, 40, 37)).motions) == 3


def brute_miss(needed: np.ndarray, holes: np.ndarray, step: np.ndarray) -> float:
    """Least miss over all ways to give each pin a hole of its own."""
    ways = itertools.permutations(range(len(holes)), len(needed))
    cost = np.maximum(0, np.hypot(*(needed[:, None] - holes[None]).transpose(2, 0, 1)) + step)
    return min((max(cost[i, j] for i, j in enumerate(way)) for way in ways), default=np.inf)


def test_pairing_against_every_permutation() -> None:
    """The least miss agrees with trying every pairing of up to five pins with up to six holes of any size."""
    rng = np.random.default_rng(9)
    for _ in range(150):
        n, m = int(rng.integers(1, 6)), int(rng.integers(1, 7))
        a, b = rng.uniform(-9, 9, (n, 2)), rng.uniform(-9, 9, (m, 2))
        s, t = rng.choice([1.0, 1.5, 2.0], n), rng.choice([1.0, 1.5, 2.0], m)
        assert least_miss_mm(a, b, list(s), list(t)) == pytest.approx(brute_miss(a, b, (s[:, None] - t[None]) / 2))


def test_judged_against_brute_force() -> None:
    """On random oblongs and squares plates are found to go one way only just where no turn or flip, at any angle, fits."""
    rng = np.random.default_rng(14)
    verdicts = []
    for k in range(30):
        outline = OBLONG if k % 2 else SQUARE
        count = 2 + k % 3 // 2
        net = rng.integers(-4, 5, (count, 2)) * (6, 4) if k % 3 else rng.uniform(-15, 15, (count, 2))
        if k % 5 in (0, 1):  # places that a half-turn or a flip brings onto each other
            net = np.array([net[0], net[0] * (-1, -1 if k % 5 else 1)])
            count = 2
        places = [tuple(map(float, one)) for one in net]
        if len(set(places)) < count:
            continue
        judged = judge_plates([StackedPlate("top", outline, down=pins(*places))], least_mm=0.5, seen_mm=0.5)
        points, fits = np.array(places), False
        # brute force: every way to lay the first two pins on two others, and whether pins and outline then match
        for i, j in itertools.permutations(range(count), 2):
            for sign in (1, -1):
                base, aim = points[1] - points[0], points[j] - points[i]
                if abs(np.hypot(*base) - np.hypot(*aim)) > 1:
                    continue
                a = np.arctan2(aim[1], aim[0]) - sign * np.arctan2(base[1], base[0])
                matrix = np.array([[np.cos(a), -sign * np.sin(a)], [np.sin(a), sign * np.cos(a)]])
                shift = (points[i] + points[j]) / 2 - matrix @ (points[0] + points[1]) / 2
                moved = points @ matrix.T + shift
                if sign == 1 and np.abs(moved - points).max() < 0.02:
                    continue
                shape = shapely.affinity.affine_transform(outline, [*matrix.ravel(), *shift])
                off = shape.boundary.hausdorff_distance(outline.boundary)
                fits |= brute_miss(points, moved, np.zeros((count, count))) < 1e-6 and off < 1e-6
        if fits:
            assert not judged.ok
        if judged.ok:
            assert not fits
            assert judged.miss_mm >= 0.5
        verdicts.append(judged.ok)
    assert 3 < sum(verdicts) < len(verdicts) - 3


def test_every_wrong_way_is_told() -> None:
    """Of two plates with two equal pins the half-turn, flips and the swap are told with what stops them, and how to mend it."""
    top, base = StackedPlate("top", OBLONG, down=pins((-25, -15), (25, 15))), StackedPlate("base", OBLONG, up=pins((-25, -15), (25, 15)))
    judged = judge_plates([top, base])
    assert not judged.ok
    assert {(one.kind, one.plates) for one in judged.open_ways} == {("turn", ("top",)), ("turn", ("base",)), ("swap", ("top", "base"))}
    assert "take pins of two sizes" in " ".join(judged.remedies)
    assert {one.stopped_by for one in judged.ways if one.kind == "flip"} == {"pins", "outline"}


def test_a_shared_hole_stops_a_turn() -> None:
    """An arbor hole off the centre stops the half-turn that two equal pins allow, by twice its distance from the centre."""
    shared = (RegisterHole(6, 2, 5, "arbor"),)
    judged = judge_plates([StackedPlate("top", OBLONG, down=pins((-25, -15), (25, 15)), shared=shared)])
    assert judged.ok
    half = next(one for one in judged.ways if one.motion.name == "turned half round")
    assert (half.stopped_by, half.miss_mm) == ("shared holes", pytest.approx(2 * np.hypot(6, 2)))


def test_unequal_pins_stop_a_turn() -> None:
    """Pins of 2 and 1.5 mm stop the half-turn by their size: half a millimetre too thick."""
    places = ((-25, -15), (25, 15))
    judged = judge_plates([StackedPlate("top", OBLONG, down=pins(*places, sizes=(2.0, 1.5)))])
    assert judged.ok
    half = next(one for one in judged.ways if one.motion.name == "turned half round")
    assert (half.stopped_by, half.miss_mm) == ("sizes", pytest.approx(0.5))


def test_swapped_plates_of_three() -> None:
    """In a stack of three with pins at two places no plate fits in another's place; with both pairs in one place all do."""
    first, second = pins((-25, -15), (22, 15)), pins((-25, 13), (25, -15))

    def stack(a: tuple[RegisterHole, ...], b: tuple[RegisterHole, ...]) -> list[StackedPlate]:
        return [StackedPlate("top", OBLONG, down=a), StackedPlate("middle", OBLONG, up=a, down=b), StackedPlate("base", OBLONG, up=b)]

    judged = judge_plates(stack(first, second))
    assert judged.ok
    assert {one.stopped_by for one in judged.ways if one.kind == "swap"} == {"pins"}
    alike = judge_plates(stack(first, first))
    assert {one.plates for one in alike.open_ways} >= {("top", "base")}
    two = [StackedPlate("top", OBLONG, down=first), StackedPlate("base", OBLONG, up=first)]
    assert [one.kind for one in judge_plates(two).open_ways] == ["swap"]
    assert "punch marks" in judge_plates(two).remedies[0]


def test_the_condition_agrees_with_the_judge() -> None:
    """What a search counts as a miss is what the judge finds, for random pins on an oblong, equal and unequal."""
    rng = np.random.default_rng(15)
    for _ in range(40):
        p, q = rng.uniform([-28, -18], [28, 18], (2, 2))
        found = outline_misses(OBLONG, [tuple(p), tuple(q)])
        condition = one_way_condition(OBLONG)
        assert condition.worst(p, q[None])[0] == pytest.approx(min(found.values()))
        unequal = one_way_condition(OBLONG, unequal=True)
        assert unequal.worst(p, q[None])[0] >= condition.worst(p, q[None])[0] - 1e-9


def windows(*at: tuple[float, float], radius: float = 1.2) -> FreeArea:
    """An oblong whose pins may only stand in small round windows."""
    blank = OBLONG
    for x, y in at:
        blank = blank.difference(Point(x, y).buffer(radius, quad_segs=8))
    return free_area({"top": OBLONG, "base": OBLONG}, [Obstacle("blank", "keep-out", shape=blank, margin_mm=0)], pin_mm=2, edge_mm=2)


def test_uneven_places_come_first() -> None:
    """A free oblong gets two equal pins, 2 mm off the half-turn, and the judge agrees."""
    chosen = one_way_pins(free_area({"top": OBLONG, "base": OBLONG}, pin_mm=2, edge_mm=2))
    assert (chosen.how, chosen.third, chosen.judged.ok) == ("uneven place", None, True)
    assert chosen.placement.distance_mm == pytest.approx(np.hypot(54, 32), abs=1e-6)


def test_unequal_pins_where_places_are_even() -> None:
    """With room only in two opposite windows: pins of two sizes, or an arbor off the centre, or refused with every reason."""
    area = windows((-25, -15), (25, 15))
    chosen = one_way_pins(area, other_pin_mm=1.5)
    assert (chosen.how, chosen.diameters_mm) == ("unequal pins", (2, 1.5))
    assert "too thick" in chosen.reason
    held = one_way_pins(area, shared=[RegisterHole(5, 3, 4, "arbor")])
    assert held.how == "shared holes"
    with pytest.raises(PlanError, match=r"uneven places: .*shared holes: .*third pin: "):
        one_way_pins(area)


def test_a_third_pin_where_two_are_even() -> None:
    """Two pins given at even places and no other size: a third one makes each wrong turn and flip miss by brute force too."""
    area = free_area({"top": OBLONG, "base": OBLONG}, [Obstacle("hub", "bearing", disc=(0, 0, 8))], pin_mm=2, edge_mm=2)
    chosen = one_way_pins(area, fixed=[(-25, -15), (25, 15)])
    assert chosen.how == "third pin"
    assert chosen.third is not None
    points = np.array([pin.xy for pin in chosen.pins])
    for matrix in (np.diag([-1, -1]), np.diag([-1, 1]), np.diag([1, -1])):
        assert brute_miss(points, points @ matrix, np.zeros((3, 3))) >= 2.0
    assert min(np.hypot(*(points[2] - points[i])) for i in (0, 1)) >= 6.0
    place, miss = third_pin(area, [(-25, -15), (25, 15)])
    assert place == chosen.third
    assert miss >= 2.0


def test_levels_keep_out_of_each_others_way() -> None:
    """Three pairs of plates: pins of different pairs lie 3 diameters apart, and each pair fits one way only."""
    area = free_area({"top": OBLONG, "base": OBLONG}, [Obstacle("hub", "bearing", disc=(0, 0, 8))], pin_mm=2, edge_mm=2)
    found = pins_of_levels([Level(area), Level(area), Level(area)])
    every = [pin.xy for one in found for pin in one.pins]
    assert len(every) == 6
    assert min(np.hypot(a[0] - b[0], a[1] - b[1]) for a, b in itertools.combinations(every, 2)) >= 6 - 1e-6
    stack = [StackedPlate("1", OBLONG, down=found[0].holes), StackedPlate("2", OBLONG, up=found[0].holes, down=found[1].holes),
             StackedPlate("3", OBLONG, up=found[1].holes, down=found[2].holes), StackedPlate("4", OBLONG, up=found[2].holes)]  # fmt: skip
    assert judge_plates(stack).ok
    given = pins_of_levels([Level(area), Level(area, fixed=((-27.0, -17.0), (27.0, 15.0)))])
    assert given[1].how == "as given"
    assert all(np.hypot(pin.x + 27, pin.y + 17) >= 6 - 1e-6 for pin in given[0].pins)


def test_a_motion_keeps_distances() -> None:
    """Turns and flips move points without stretching; a flip mirrors about its line."""
    rng = np.random.default_rng(3)
    points = rng.uniform(-9, 9, (6, 2))
    for flipped in (False, True):
        moved = Motion(flipped, 33.0, 2, -1)(points)
        assert np.hypot(*(moved[:, None] - moved[None]).T) == pytest.approx(np.hypot(*(points[:, None] - points[None]).T))
        assert np.linalg.det(Motion(flipped, 33.0, 2, -1).matrix) == pytest.approx(-1 if flipped else 1)
    on_line = np.array([2, -1]) + 4.2 * np.array([[np.cos(np.radians(33)), np.sin(np.radians(33))]])
    assert Motion(True, 33.0, 2, -1)(on_line) == pytest.approx(on_line)


def test_misuse_is_refused() -> None:
    """No plates, one hole, an outline that crosses itself."""
    with pytest.raises(InputError, match="no plates to judge"):
        judge_plates([])
    with pytest.raises(InputError, match="two holes or more"):
        hole_motions([(0, 0)])
    with pytest.raises(InputError, match="no simple closed area"):
        outline_symmetry(Polygon([(0, 0), (10, 10), (10, 0), (0, 10)]))
