"""Which shape an outline is."""

import numpy as np
import pytest
import shapely

from ctrecon.core.frames import Floats
from ctrecon.fitting.choose import choose_shape, gaps_of, reliefs_of
from ctrecon.outlines.trace import even_points
from ctrecon.shapes import Circle, Rectangle, RegularPolygon, Shape

RNG_NOISE = 0.06


def walk(corners: Floats | list[tuple[float, float]], seed: int = 0) -> Floats:
    """Points at even steps along a closed curve, with a little noise."""
    ring = np.asarray(corners, dtype=float)
    points = even_points(np.vstack([ring, ring[:1]]))
    return np.asarray(points + RNG_NOISE * np.random.default_rng(seed).standard_normal(points.shape))


KNOWN: list[tuple[str, Shape]] = [
    ("round", Circle(40.3, 38.8, 21.0)),
    ("round", Circle(12.0, 11.0, 5.0)),
    ("square", Rectangle(40.0, 41.0, 30.0, 30.0, 17.0)),
    ("square", Rectangle(40.0, 41.0, 30.0, 30.0, 61.0, 4.0)),
    ("rectangular", Rectangle(40.0, 41.0, 44.0, 26.0, -33.0)),
    ("slot", Rectangle(40.0, 41.0, 50.0, 18.0, 12.0, 9.0)),
    ("polygon", RegularPolygon(40.0, 41.0, 6, 20.0, 9.0)),
    ("polygon", RegularPolygon(40.0, 41.0, 8, 24.0, 3.0)),
    ("polygon", RegularPolygon(40.0, 41.0, 5, 20.0, 40.0)),
    ("polygon", RegularPolygon(40.0, 41.0, 3, 14.0, 71.0)),
]


@pytest.mark.parametrize("hole", [False, True])
@pytest.mark.parametrize(("kind", "shape"), KNOWN, ids=[f"{k}-{s!r}"[:44] for k, s in KNOWN])
def test_plain_shapes_are_recognised(kind: str, shape: Shape, hole: bool) -> None:
    """A clean outline gets its own kind, nearly all points near it, and a shape in its place to a tenth of a pixel."""
    points = walk(shape.outline(240))
    found = choose_shape(points, hole=hole)
    assert found.kind == kind
    assert found.share > 0.9
    assert found.shape is not None
    assert found.shape.centre == pytest.approx(shape.centre, abs=0.15)
    assert np.abs(found.shape.signed_distance(shape.outline(240))).max() < 0.5
    if isinstance(shape, RegularPolygon):
        assert isinstance(found.shape, RegularPolygon)
        assert found.shape.sides == shape.sides
        assert found.shape.inradius == pytest.approx(shape.inradius, abs=0.15)


CROSS = [(14, 0), (27, 0), (27, 14), (41, 14), (41, 27), (27, 27), (27, 41), (14, 41), (14, 27), (0, 27), (0, 14), (14, 14)]
ARROW = [(0, 10), (25, 10), (25, 0), (50, 22), (25, 44), (25, 33), (0, 33)]
TRAPEZIUM = [(0, 0), (42, 6), (30, 30), (9, 25)]


@pytest.mark.parametrize("corners", [CROSS, ARROW, TRAPEZIUM], ids=["cross", "arrow", "trapezium"])
def test_uneven_outlines_are_free(corners: list[tuple[float, float]]) -> None:
    """An outline that is not a shape of the list is called free, not forced into one."""
    found = choose_shape(walk(corners), hole=True)
    assert found.kind == "free"
    assert found.shape is None
    assert not found.toothed


def test_a_toothed_rim_is_free_and_said_to_be_toothed() -> None:
    """Twenty teeth make no circle and no polygon."""
    angle = np.linspace(0, 2 * np.pi, 1600, endpoint=False)
    radius = 30 + 3 * np.sign(np.sin(20 * angle))
    found = choose_shape(walk(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])))
    assert (found.kind, found.toothed) == ("free", True)


def bitten(radius: float, low_deg: float, high_deg: float, deep: float) -> Floats:
    """A circle about (50, 50) with a stretch of its rim eaten to a smaller radius."""
    degrees = np.arange(0, 360, 0.5)
    size = np.where((degrees > low_deg) & (degrees < high_deg), radius - deep, radius)
    return 50 + np.column_stack([size * np.cos(np.radians(degrees)), size * np.sin(np.radians(degrees))])


@pytest.mark.parametrize(("low", "high"), [(20, 60), (100, 190), (250, 345)])
def test_a_bite_neither_decides_nor_spoils(low: float, high: float) -> None:
    """A rim with up to a quarter eaten is still the whole circle, and the gap is told in degrees and depth."""
    points = walk(bitten(30.0, low, high, 6.0))
    found = choose_shape(points)
    assert found.kind == "round"
    assert isinstance(found.shape, Circle)
    assert found.shape.radius == pytest.approx(30.0, abs=0.1)
    assert found.shape.centre == pytest.approx((50.0, 50.0), abs=0.1)
    (gap,) = gaps_of(found, points)
    assert gap[:2] == pytest.approx((low, high), abs=4)
    assert gap[2] == pytest.approx(6.0, abs=0.5)


def test_a_gap_across_zero_degrees_is_one_gap() -> None:
    """A gap from 340 to 375 degrees starts in [0, 360) and ends above its start."""
    degrees = np.arange(15.0, 340.0, 0.5)
    inner = np.radians(np.arange(340.0, 375.0, 0.5))
    rim = np.radians(degrees)
    ring = np.vstack([
        np.column_stack([30 * np.cos(rim), 30 * np.sin(rim)]), np.column_stack([25 * np.cos(inner), 25 * np.sin(inner)]),
    ])  # fmt: skip
    points = walk(ring)
    (gap,) = gaps_of(choose_shape(points), points)
    assert gap[:2] == pytest.approx((340.0, 375.0), abs=4)


def test_a_whole_circle_has_no_gap_and_a_square_none_either() -> None:
    """Gaps belong to circles only, and a sound one has none."""
    for shape in (Circle(30.0, 30.0, 20.0), Rectangle(30.0, 30.0, 30.0, 30.0, 5.0)):
        points = walk(shape.outline(240))
        assert gaps_of(choose_shape(points), points) == []


def test_a_fragment_of_a_rim_is_a_partial_circle() -> None:
    """A third of a ring, broken off, is called round by its rim's arc with the full diameter."""
    arc = np.radians(np.arange(10.0, 130.0, 0.5))
    outer = 50 + 40 * np.column_stack([np.cos(arc), np.sin(arc)])
    inner = 50 + 24 * np.column_stack([np.cos(arc[::-1]), np.sin(arc[::-1])])
    found = choose_shape(walk(np.vstack([outer, inner])))
    assert found.kind == "round"
    assert isinstance(found.shape, Circle)
    assert found.shape.radius == pytest.approx(40.0, abs=0.3)


def test_a_relief_is_found_as_a_concave_arc() -> None:
    """An arc cut from a disc's rim is found with its own centre and radius, and metal outside it."""
    disc = shapely.Point(50, 50).buffer(35, quad_segs=120).difference(shapely.Point(50, 90).buffer(14, quad_segs=120))
    assert isinstance(disc, shapely.Polygon)
    points = walk(np.asarray(disc.exterior.coords)[:-1])
    choice = choose_shape(points)
    assert choice.kind == "round"
    ((circle, _, arc, concave),) = reliefs_of(choice, points, hole=False)
    assert concave
    assert (circle.x, circle.y, circle.radius) == pytest.approx((50.0, 90.0, 14.0), abs=0.4)
    # where two circles of 35 and 14 with centres 40 apart cross
    half = np.degrees(np.arccos((14**2 + 40**2 - 35**2) / (2 * 14 * 40)))
    assert arc == pytest.approx(2 * half, abs=8)
    assert reliefs_of(choice, points, hole=True) == []


def test_a_broken_corner_leaves_the_rectangle_whole() -> None:
    """A rectangle that lost a corner keeps its kind and full size."""
    found = choose_shape(walk([(0, 0), (60, 0), (60, 27), (47, 40), (0, 40)]))
    assert found.kind == "rectangular"
    assert isinstance(found.shape, Rectangle)
    assert sorted((found.shape.a, found.shape.b)) == pytest.approx([40.0, 60.0], abs=0.2)
    assert found.share < 0.95


def test_a_relief_and_a_lost_corner_leave_little_of_a_side() -> None:
    """A plate of 110 x 60 keeps its sizes where they leave a fifth of one side; with a round end it is none."""
    plate = shapely.box(0, 0, 110, 60)
    eaten = plate - shapely.Point(110, 29).buffer(17.5) - shapely.Polygon([(111, 40), (111, 61), (90, 61)])
    left = eaten.exterior.intersection(shapely.LineString([(110, 0), (110, 60)])).length
    assert 0.15 * 60 < left < 0.23 * 60
    found = choose_shape(walk(list(eaten.exterior.coords)))
    assert found.kind == "rectangular"
    assert isinstance(found.shape, Rectangle)
    assert sorted((found.shape.a, found.shape.b)) == pytest.approx([60.0, 110.0], abs=0.2)
    tongue = shapely.union(shapely.box(0, 0, 80, 60), shapely.Point(80, 30).buffer(30.0))
    assert choose_shape(walk(list(tongue.exterior.coords))).kind != "rectangular"


@pytest.mark.parametrize(("radius", "hole"), [(12.0, True), (31.0, False)])
def test_a_fifth_of_the_rim_eaten_is_no_slot_and_no_oval(radius: float, hole: bool) -> None:
    """A rim eaten 1.5 px deep over a fifth of its way round stays round, its radius that of the sound rim."""
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    eaten = (angle > 1.0) & (angle < 1.0 + 0.4 * np.pi)
    reach = radius + np.where(eaten, 1.5 if hole else -1.5, 0.0)
    found = choose_shape(walk(np.column_stack([40 + reach * np.cos(angle), 41 + reach * np.sin(angle)])), hole=hole)
    assert found.kind == "round"
    assert isinstance(found.shape, Circle)
    assert found.shape.radius == pytest.approx(radius, abs=0.12)
    assert 0.7 < found.share < 0.9


def test_a_disc_a_little_out_of_round_is_no_square() -> None:
    """Four lobes of half a percent of the radius do not make a square of a disc."""
    angle = np.linspace(0, 2 * np.pi, 3000, endpoint=False)
    reach = 230 * (1 + 0.0025 * np.cos(4 * angle))
    points = walk(np.column_stack([240 + reach * np.cos(angle), 240 + reach * np.sin(angle)]))
    assert choose_shape(points).kind in ("round", "free")


def test_a_room_between_spokes_is_no_circle() -> None:
    """The outer edge of a room between spokes lies on a circle about the wheel; the room is free all the same."""
    at = np.radians(np.linspace(30, 142, 200))
    room = np.vstack([
        np.column_stack([49 * np.cos(at), 49 * np.sin(at)]),
        np.column_stack([21 * np.cos(at[::-1]), 21 * np.sin(at[::-1])]),
    ])
    found = choose_shape(walk(room + 70.0), hole=True)
    assert (found.kind, found.shape) == ("free", None)


def test_a_fragment_of_a_ring_goes_by_its_outside() -> None:
    """Half of a thin ring whose outside is mostly eaten is named by what is left of it, not by the sound bore."""
    at = np.radians(np.linspace(0, 170, 800))
    eaten = np.where((at > 0.9) & (at < 1.9), 3 * np.sin(40 * at) ** 2 + 1.5, 0.0)
    outside, inside = 60.0 - eaten, np.full(len(at), 50.0)
    outline = np.vstack([
        np.column_stack([outside * np.cos(at), outside * np.sin(at)]),
        np.column_stack([inside * np.cos(at[::-1]), inside * np.sin(at[::-1])]),
    ])
    points = walk(outline)
    found = choose_shape(points)
    assert found.kind == "round"
    assert isinstance(found.shape, Circle)
    assert found.shape.radius == pytest.approx(60.0, abs=0.5)
    (ring,) = [one for one, *_ in reliefs_of(found, points, hole=False) if one.radius > 45]
    assert ring.radius == pytest.approx(50.0, abs=0.2)


def test_an_eaten_bore_is_not_an_oval() -> None:
    """A bore with two bites facing each other goes to the grey values as round, with the oval beside it or not."""
    at = np.linspace(0, 2 * np.pi, 600, endpoint=False)
    loss = sum(d * np.clip(1 - (np.angle(np.exp(1j * (at - a))) / 0.4) ** 2, 0, None) for a, d in ((1.2, 1.4), (4.4, 1.0)))
    radius = 4.3 + loss
    points = walk(np.column_stack([20 + radius * np.cos(at), 21 + radius * np.sin(at)]))
    found = choose_shape(points, hole=True)
    kinds = [found.kind, *(k for k, _ in found.rivals)]
    assert "round" in kinds


def test_the_inside_of_a_half_ring_does_not_count_against_its_outside() -> None:
    """Half a thick ring with 80 degrees of its outside eaten: a third of its outline is on the circle it goes by."""
    turn = np.radians(np.linspace(0, 183, 400))
    lost = 3.0 * np.sin(np.clip((np.degrees(turn) - 45) / 80, 0, 1) * np.pi)
    outer = np.column_stack([(70 - lost) * np.cos(turn), (70 - lost) * np.sin(turn)])
    inner = 40 * np.column_stack([np.cos(turn), np.sin(turn)])[::-1]
    found = choose_shape(walk(np.vstack([outer, inner]) + [80.0, 75.0]))
    assert found.kind == "round"
    assert isinstance(found.shape, Circle)
    assert (found.shape.x, found.shape.y, found.shape.radius) == pytest.approx((80, 75, 70), abs=0.4)


def test_a_relief_beside_a_lost_corner_is_found() -> None:
    """A deep arc that runs into a broken corner takes less than three quarters of what leaves the rectangle."""
    block = shapely.box(0, 0, 60, 90) - shapely.Point(30, 90).buffer(12, quad_segs=64)
    block -= shapely.Polygon([(41, 91), (61, 60), (61, 91)])
    points = walk(shapely.get_coordinates(block.exterior)[:-1] + [20.0, 20.0])
    choice = choose_shape(points)
    found = [c for c, _, _, concave in reliefs_of(choice, points, hole=False) if concave and c.radius < 20]
    assert choice.kind == "rectangular"
    assert [(c.x, c.y, c.radius) for c in found] == [pytest.approx((50, 110, 12), abs=0.3)]


def test_the_inside_of_a_ring_fragment_may_be_bitten_all_along() -> None:
    """A bore with two bites, no third of it in one run: still the inside of the ring, its radius within 0.3 px."""
    turn = np.radians(np.linspace(0, 180, 400))
    bites = sum(2.5 * np.cos(np.clip((np.degrees(turn) - at) / 14, -1, 1) * np.pi / 2) ** 2 for at in (60, 120))
    outer = 62 * np.column_stack([np.cos(turn), np.sin(turn)])
    inner = ((44 + bites)[:, None] * np.column_stack([np.cos(turn), np.sin(turn)]))[::-1]
    points = walk(np.vstack([outer, inner]) + [80.0, 75.0])
    rings = [c for c, *_ in reliefs_of(choose_shape(points), points, hole=False) if np.hypot(c.x - 80, c.y - 75) < 2]
    assert [c.radius for c in rings] == [pytest.approx(44, abs=0.3)]
