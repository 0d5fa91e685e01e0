"""Patterns of holes: found where they are, hardly ever where they are not."""

import numpy as np
import pytest

from ctrecon.core.measured import Measured
from ctrecon.record.patterns import CLEARLY, Pattern, equal_sizes, find_patterns

MANY = {3: 15, 4: 12, 5: 10, 6: 6, 7: 4, 8: 3}
WIDTH, AREA, U = 20.0, 320.0, 0.003


def found(places: object, **options: object) -> tuple[Pattern, ...]:
    at = np.asarray(places, dtype=float)
    return find_patterns(at, np.full(len(at), U), width_mm=WIDTH, area_mm2=AREA, **options)  # type: ignore[arg-type]


def ring(count: int, radius: float = 5.0, centre: tuple[float, float] = (9.0, 8.0), first: float = 0.3) -> np.ndarray:
    angle = first + 2 * np.pi * np.arange(count) / count
    return np.column_stack([centre[0] + radius * np.cos(angle), centre[1] + radius * np.sin(angle)])


def random_layout(rng: np.random.Generator, count: int) -> np.ndarray:
    """Holes anywhere on the plate, none closer than 1.5 mm to another."""
    while True:
        places = rng.uniform([1, 1], [19, 15], (count, 2))
        gaps = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1)) + 99 * np.eye(count)
        if gaps.min() > 1.5:
            return np.asarray(places)


def test_random_layouts_hardly_ever_make_a_pattern(times: int) -> None:
    """Of 50 random layouts of three to eight holes fewer than 3 % show a pattern."""
    rng = np.random.default_rng(77)
    wrong = sum(bool(found(random_layout(rng, n), anchors={"F1": (10.0, 8.0)})) for n, many in MANY.items() for _ in range(many * times))
    assert wrong < 0.03 * sum(MANY.values()) * times


@pytest.mark.parametrize("scatter", [0.0, 0.02, 0.05])
def test_five_on_a_circle_and_one_off(scatter: float) -> None:
    """Five holes divided evenly are told apart from a sixth, also when the maker was a little careless."""
    rng = np.random.default_rng(5)
    places = np.vstack([ring(5) + rng.normal(0, scatter, (5, 2)), [[3.0, 3.1]]])
    best = found(places)[0]
    assert (best.kind, best.members, best.count) == ("divided_circle", (0, 1, 2, 3, 4), 5)
    for name, truth in (("x", 9.0), ("y", 8.0), ("radius", 5.0), ("angle", np.degrees(0.3))):
        size = best.sizes[name]
        assert size.u is not None and abs(size.value - truth) < 3.5 * size.u


def test_u_of_a_circle_covers_its_truth() -> None:
    """Over 25 layouts with scattered places the true radius and centre lie within 2u in about 95 % of cases."""
    rng = np.random.default_rng(9)
    hits = []
    for _ in range(25):
        best = found(ring(6) + rng.normal(0, 0.02, (6, 2)))[0]
        for name, truth in (("x", 9.0), ("y", 8.0), ("radius", 5.0)):
            hits.append(abs(best.sizes[name].value - truth) <= 2 * (best.sizes[name].u or 0))
    assert np.mean(hits) >= 0.87


def test_missing_member() -> None:
    """Seven of eight divisions: the empty place is counted."""
    best = found(ring(8)[[0, 1, 2, 3, 5, 6, 7]])[0]
    assert best.kind == "divided_circle" and best.count == 8 and len(best.members) == 7
    assert sorted(best.places) != list(range(7))


def test_circle_about_a_named_axis() -> None:
    """Four holes unevenly round a bore are told as a circle about its axis, three even ones as divided."""
    angle = np.array([0.1, 1.0, 2.7, 4.4])
    uneven = np.column_stack([10 + 5 * np.cos(angle), 8 + 5 * np.sin(angle)])
    best = found(uneven, anchors={"F1": (10.0, 8.0)})[0]
    assert (best.kind, best.anchor) == ("circle_of_holes", "F1")
    three = found(ring(3, centre=(10.0, 8.0)), anchors={"F1": (10.0, 8.0)})[0]
    assert (three.kind, three.anchor, three.count) == ("divided_circle", "F1", 3)


def test_in_line() -> None:
    """Four holes in line are told with their even pitch, or without one where there is none."""
    even = found([(2, 5), (6, 5), (10, 5), (14, 5)])[0]
    assert even.kind == "even_pitch" and even.sizes["pitch"].value == pytest.approx(4.0, abs=1e-6)
    uneven = found([(2, 5), (5, 6), (12, 5 + 10 / 3), (15, 5 + 13 / 3)])[0]
    assert uneven.kind == "in_line" and uneven.sizes["angle"].value == pytest.approx(18.4349, abs=1e-3)


def test_symmetric() -> None:
    """Two pairs and one hole on the mirror line are symmetric about it."""
    best = found([(2, 2), (18, 2), (4, 14), (16, 14), (10, 7)])[0]
    assert best.kind == "symmetric" and best.members == (0, 1, 2, 3, 4)
    assert best.sizes["angle"].value == pytest.approx(90.0, abs=1e-6)


def test_rectangle_of_holes() -> None:
    """Four holes at the corners of a rectangle are symmetric about both of its middle lines."""
    lines = found([(2, 2), (18, 2), (2, 14), (18, 14)])
    assert [p.kind for p in lines] == ["symmetric", "symmetric"]
    assert sorted(round(p.sizes["angle"].value) % 180 for p in lines) == [0, 90]


def test_rows_of_a_grid() -> None:
    """In a grid of four by five holes no hole is told in two rows of one way, and the whole is symmetric."""
    told = found([(3.0 + 2.5 * i, 2.0 + 3.1 * j) for i in range(5) for j in range(4)])
    rows = [p for p in told if p.kind == "even_pitch"]
    assert rows and all(p.sizes["pitch"].value == pytest.approx(2.5, abs=0.01) for p in rows)
    members = [i for p in rows for i in p.members]
    assert len(set(members)) == len(members)
    assert any(p.kind == "symmetric" and len(p.members) == 20 for p in told)


def test_many_holes() -> None:
    """Twelve on a circle are found among sixteen holes."""
    rng = np.random.default_rng(1)
    places = np.vstack([ring(12, 6.0, (10.0, 8.0)), [[1, 1], [19, 2], [18, 15], [3, 14]]]) + rng.normal(0, 0.02, (16, 2))
    best = found(places)[0]
    assert (best.kind, best.count, best.members) == ("divided_circle", 12, tuple(range(12)))


def test_three_holes_always_lie_on_some_circle() -> None:
    """Three places settle a circle and nothing more: no pattern is told from that."""
    assert not any(p.kind == "circle_of_holes" for p in found([(2, 3), (11, 4), (7, 13)]))


def test_holes_of_one_size() -> None:
    """Holes within their u of each other make groups; a lone size makes none; random sizes hardly ever do."""
    sizes = [Measured(v, 0.002) for v in (3.0, 5.003, 3.002, 5.0, 2.999, 4.2)]
    groups = equal_sizes(sizes)
    assert [g[0] for g in groups] == [(0, 2, 4), (1, 3)]
    assert groups[0][2].value == pytest.approx(3.0003, abs=1e-3) and groups[0][1] > CLEARLY
    rng = np.random.default_rng(2)
    wrong = sum(bool(equal_sizes([Measured(float(v), 0.002) for v in np.exp(rng.uniform(0, np.log(10), 5))])) for _ in range(200))
    assert wrong <= 6
