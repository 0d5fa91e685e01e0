"""Free areas against published corners and areas, and against plain distances on random plates."""

import numpy as np
import pytest
import shapely
from shapely.geometry import Point, Polygon, box

from ctrecon.core.errors import InputError
from ctrecon.workshop.pins.free_area import FreeArea, Obstacle, free_area

PLATE = box(0, 0, 60, 40)


def four_pillars() -> list[Obstacle]:
    return [
        Obstacle(f"pillar {i}", "pillar", shape=box(x - 3, y - 3, x + 3, y + 3), margin_mm=2)
        for i, (x, y) in enumerate([(6, 6), (54, 6), (6, 34), (54, 34)], start=1)
    ]


def tilted(radius: float) -> FreeArea:
    other = Polygon([(6, -4), (56, 6), (46, 34), (-4, 26)])
    discs = [Obstacle("hub", "hole", disc=(25, 15, 8), margin_mm=1.5), Obstacle("arbor", "hole", disc=(41, 8, radius), margin_mm=1.5)]
    return free_area({"top": box(0, 0, 50, 30), "base": other}, discs, pin_mm=2, edge_mm=1.5)


def random_area(rng: np.random.Generator) -> FreeArea:
    """Two many-cornered plates, discs and boxes, all anywhere."""
    plates = {}
    for name in ("top", "base"):
        count = int(rng.integers(5, 9))
        angles = np.sort(rng.uniform(0, 2 * np.pi, count))
        radii = rng.uniform(11, 20, count)
        plates[name] = Polygon(np.column_stack([radii * np.cos(angles), radii * np.sin(angles)])).buffer(0)
        if not isinstance(plates[name], Polygon):
            plates[name] = box(-15, -12, 15, 12)
        plates[name] = plates[name].union(box(-9, -8, 9, 8))
    obstacles = []
    for i in range(int(rng.integers(1, 5))):
        x, y = rng.uniform(-9, 9, 2)
        margin = float(rng.uniform(0, 1.5))
        if rng.random() < 0.5:
            obstacles.append(Obstacle(f"disc {i}", "hole", disc=(float(x), float(y), float(rng.uniform(0.5, 4))), margin_mm=margin))
        else:
            w, h = rng.uniform(0.5, 3, 2)
            corner = shapely.affinity.rotate(box(x - w, y - h, x + w, y + h), float(rng.uniform(0, 90)))
            obstacles.append(Obstacle(f"block {i}", "pillar", shape=corner, margin_mm=margin))
    return free_area(plates, obstacles, pin_mm=float(rng.uniform(1, 2.5)), edge_mm=float(rng.uniform(0, 1.5)))


def keeps_all(area: FreeArea, x: float, y: float, slack: float = 1e-6) -> bool:
    """Whether a place keeps every distance, by the geometry library's own distances."""
    p = Point(x, y)
    for outline in area.outlines:
        if not outline.contains(p) or outline.boundary.distance(p) < area.pin_mm / 2 + area.edge_mm - slack:
            return False
    for one in area.obstacles:
        need = area.pin_mm / 2 + float(one.margin_mm or 0)
        if one.disc is not None:
            if np.hypot(x - one.disc[0], y - one.disc[1]) < one.disc[2] + need - slack:
                return False
        elif one.shape is not None and one.shape.distance(p) < need - slack:
            return False
    return True


def test_area_of_a_plate_with_pillars_and_a_hub() -> None:
    """60 x 40 plate, four pillars, hub of radius 12, 3 mm to pin centres: 812.87 mm² (own, computed apart)."""
    area = free_area({"top": PLATE, "base": PLATE}, [*four_pillars(), Obstacle("hub", "hole", disc=(30, 20, 12), margin_mm=2)], pin_mm=2, edge_mm=2)
    assert area.area_mm2 == pytest.approx(812.87, abs=0.005)
    assert "hub" in area.reason


def test_area_of_two_tilted_plates() -> None:
    """Common area 1365.196 and free area 578.166 mm² of two plates that lie askew (own, computed apart)."""
    area = tilted(4)
    assert float(area.common.area) == pytest.approx(1365.196, abs=5e-4)
    assert area.area_mm2 == pytest.approx(578.166, abs=1e-3)


def test_corners_of_random_areas_are_exact() -> None:
    """On 40 random areas each corner keeps all distances and touches at least two limits, and none of the sampled area's is missed."""
    checked = 0
    for k in range(40):
        area = random_area(np.random.default_rng([510, k]))
        for x, y in area.corners:
            assert keeps_all(area, x, y)
            gaps = [outline.boundary.distance(Point(x, y)) - area.pin_mm / 2 - area.edge_mm for outline in area.outlines]
            for one in area.obstacles:
                need = area.pin_mm / 2 + float(one.margin_mm or 0)
                far = one.shape.distance(Point(x, y)) if one.shape is not None else np.hypot(x - one.disc[0], y - one.disc[1]) - one.disc[2]
                gaps.append(far - need)
            assert min(map(abs, gaps)) < 1e-6
        # every corner of the hull of the finely sampled area has an exact one beside it
        hull = area.region.convex_hull
        for part in [hull] if isinstance(hull, Polygon) and not hull.is_empty else []:
            for x, y in np.asarray(part.simplify(1e-3).exterior.coords)[:-1]:
                assert np.hypot(*(area.corners - (x, y)).T).min() < 0.05
                checked += 1
    assert checked > 100


def test_the_area_agrees_with_counting_places() -> None:
    """Of 3000 places drawn over each of 12 random areas the free share agrees with the area within four sigma."""
    for k in range(12):
        rng = np.random.default_rng([511, k])
        area = random_area(rng)
        points = rng.uniform(-20, 20, (3000, 2))
        inside = np.mean([keeps_all(area, *one) for one in points])
        share = area.area_mm2 / 1600
        assert abs(inside - share) < 4 * np.sqrt(max(share * (1 - share), 1e-4) / 3000)


def test_clearance_is_the_plain_distance() -> None:
    """The clearance of a place and what it names agree with the library's distances."""
    area = tilted(4.5)
    rng = np.random.default_rng(12)
    for x, y in rng.uniform([2, 2], [46, 26], (200, 2)):
        value, name = area.clearance_of(float(x), float(y))
        p = Point(x, y)
        gaps = {
            "edge of top": area.outlines[0].boundary.distance(p) - 2.5, "edge of base": area.outlines[1].boundary.distance(p) - 2.5,
            "hub": np.hypot(x - 25, y - 15) - 10.5, "arbor": np.hypot(x - 41, y - 8) - 7.0,
        }  # fmt: skip
        if value > 0:
            assert value == pytest.approx(min(gaps.values()))
            assert gaps[name] == pytest.approx(value)
        else:
            assert not keeps_all(area, x, y, slack=-1e-9)


def test_what_each_obstacle_takes() -> None:
    """Taking one obstacle away frees just what it is said to take alone, found by making the area anew."""
    area = free_area({"top": PLATE, "base": PLATE}, [*four_pillars(), Obstacle("hub", "hole", disc=(30, 20, 12), margin_mm=2)], pin_mm=2, edge_mm=2)
    for row in area.taken:
        if row.kind == "edge":
            continue
        assert area.without(row.name).area_mm2 - area.area_mm2 == pytest.approx(row.alone_mm2, abs=0.2)
    assert area.limiting is not None
    assert area.limiting.name == "hub"
    assert [row.called for row in area.taken if row.kind == "edge"] == ["the edges of top and base"]


def test_margins_grow_with_the_pin() -> None:
    """Without margins of its own an edge keeps one diameter of metal: 1.5 diameters from the centre (from memory, a default)."""
    area = free_area({"top": PLATE, "base": PLATE}, [Obstacle("arbor", "hole", disc=(30, 20, 3))], pin_mm=2)
    assert area.needs_mm == (3.0, 3.0, 3.0)
    assert area.with_pins([(10, 10, 2)]).limits.clearance(np.array([[16.0, 10.0]]))[0] == pytest.approx(0)


def test_plates_side_by_side_have_nothing_in_common() -> None:
    """Plates that don't lie on each other, or touch at an edge, leave an empty area and say so."""
    for shift in (60, 70):
        area = free_area({"top": PLATE, "base": box(shift, 0, shift + 20, 40)}, pin_mm=2)
        assert area.empty
        assert area.reason == "top and base have no area in common"


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"kind": "cloud"}, "no kind of obstacle"), ({"disc": (0, 0, -1)}, "radius"), ({"shape": PLATE}, "one of the two"),
        ({"margin_mm": -1.0}, "give 0 or more"),
    ],
)  # fmt: skip
def test_a_wrong_obstacle_is_refused(change: dict[str, object], message: str) -> None:
    """The refusal names the obstacle and what is wrong with it."""
    with pytest.raises(InputError, match=message) as refused:
        Obstacle(**{"name": "hub", "kind": "hole", "disc": (0, 0, 1), **change})  # type: ignore[arg-type]
    assert str(refused.value).startswith("hub: ")


def test_a_wrong_plate_is_refused() -> None:
    """Outlines that cross themselves, and sizes that are no sizes."""
    bow = Polygon([(0, 0), (10, 10), (10, 0), (0, 10)])
    with pytest.raises(InputError, match="top: its outline is no simple closed area"):
        free_area({"top": bow}, pin_mm=2)
    with pytest.raises(InputError, match="crosses itself"):
        free_area({"top": PLATE}, [Obstacle("seam", "seam", shape=bow)], pin_mm=2)
    with pytest.raises(InputError, match="above 0"):
        free_area({"top": PLATE}, pin_mm=float("nan"))
