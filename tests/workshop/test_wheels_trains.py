"""Trains: spur relations as printed, exact ratios, locked loops, lost wheels by Monte Carlo, modules by Bayes."""

import itertools
from fractions import Fraction

import numpy as np
import pytest
from shapely.geometry import Point, Polygon

from ctrecon.core.measured import Measured
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.wheels.lost import count_by_mates
from ctrecon.workshop.wheels.meshes import (
    DEPTHING,
    Arbor,
    TrainWheel,
    check_mesh,
    meshing_pairs,
    module_of,
)
from ctrecon.workshop.wheels.modules import common_modules, module_hypotheses
from ctrecon.workshop.wheels.trains import check_train

SPUR = Measured(1.0, 0.0)
LOW, HIGH = Measured(0.0, 0.01), Measured(1.0, 0.01)

# Spur relations d = m z, da = m (z + 2), a = m (z1 + z2) / 2: module, counts, tip diameters, distance (any textbook).
PAIRS = [(1, 20, 40, 22, 42, 30), (0.5, 48, 127, 25, 64.5, 43.75), (2, 17, 51, 38, 106, 68), (0.8, 12, 60, 11.2, 49.6, 28.8)]


def wheel(name: str, arbor: str, teeth: int, module: float, u: float = 0.01, low: Measured = LOW, high: Measured = HIGH) -> TrainWheel:
    return TrainWheel(name, arbor, teeth, Measured(module * (teeth + 2), u), SPUR, low, high)


@pytest.mark.parametrize(("module", "z1", "z2", "tip1", "tip2", "distance"), PAIRS)
def test_printed_pairs_mesh(module: float, z1: int, z2: int, tip1: float, tip2: float, distance: float) -> None:
    """Pairs at their printed distance can mesh; a tooth more, a tenth more module, or half a mm less face can't."""
    one = TrainWheel("one", "A", z1, Measured(tip1, 0.005), SPUR, LOW, HIGH)
    two = TrainWheel("two", "B", z2, Measured(tip2, 0.005), SPUR, LOW, HIGH)
    mesh = check_mesh(one, two, Measured(distance, 0.005), depthing=0.01)
    assert mesh.verdict == "yes" and mesh.ratio == Fraction(z1, z2)
    assert mesh.pitch_sd == pytest.approx(0, abs=1e-9) and mesh.distance_sd == pytest.approx(0, abs=1e-9)
    assert module_of(one).value == pytest.approx(module)
    assert check_mesh(one, two, Measured(distance + module / 2, 0.005), depthing=0.01).verdict == "no"
    coarser = wheel("two", "B", z2, 1.1 * module)
    assert check_mesh(one, coarser).verdict == "no"
    above = TrainWheel("two", "B", z2, two.tip_diameter, SPUR, Measured(1.05, 0.01), Measured(2.0, 0.01))
    missed = check_mesh(one, above, Measured(distance, 0.005))
    assert missed.verdict == "no" and "share no face" in missed.reason
    assert check_mesh(one, two).verdict == "open"


def test_module_and_its_u_by_monte_carlo() -> None:
    """u of a module holds that of the tips and of the form, as random draws of both show."""
    rng = np.random.default_rng(12)
    found = module_of(TrainWheel("one", "A", 30, Measured(17.0, 0.05)))
    draws = rng.normal(17.0, 0.05, 40_000) / (30 + 2 * rng.normal(1.2, 0.2, 40_000))
    assert found.value == pytest.approx(draws.mean(), rel=1e-3) and found.u == pytest.approx(draws.std(), rel=0.02)


def going_train() -> tuple[list[TrainWheel], list[Arbor]]:
    """Return a clock's going train as books give it: 96:12 and 90:12 make 60 turns of the last arbor per turn of the first."""
    wheels = [
        wheel("great", "A", 96, 0.5), wheel("centre pinion", "B", 12, 0.5), wheel("third", "B", 90, 0.5, low=Measured(2.0), high=Measured(3.0)),
        wheel("escape pinion", "C", 12, 0.5, low=Measured(2.0), high=Measured(3.0)),
    ]  # fmt: skip
    return wheels, [Arbor("A", 0, 0, 0.01), Arbor("B", 27, 0, 0.01), Arbor("C", 27, 25.5, 0.01)]


def test_ratio_of_a_train_is_exact() -> None:
    """96:12 and 90:12 turn the last arbor 60 times, the same way round (two meshes), exactly."""
    wheels, arbors = going_train()
    found = check_train(wheels, arbors, [("great", "centre pinion"), ("third", "escape pinion")])
    assert found.agrees, found.reason
    assert found.speeds == {"A": 1, "B": -8, "C": Fraction(96, 12) * Fraction(90, 12)}
    assert meshing_pairs(wheels, arbors)[0].verdict == "yes"
    pairs = {frozenset((one.first, one.second)) for one in meshing_pairs(wheels, arbors)}
    assert pairs == {frozenset(("great", "centre pinion")), frozenset(("third", "escape pinion"))}


def test_speeds_agree_with_counting_teeth() -> None:
    """Turning the first wheel tooth by tooth: the same number of teeth pass at each mesh."""
    wheels, arbors = going_train()
    speeds = check_train(wheels, arbors, [("great", "centre pinion"), ("third", "escape pinion")]).speeds
    teeth = {one.name: one.teeth for one in wheels}
    on = {one.name: one.arbor for one in wheels}
    for first, second in (("great", "centre pinion"), ("third", "escape pinion")):
        assert speeds[on[first]] * teeth[first] == -speeds[on[second]] * teeth[second]


def test_what_disagrees_in_a_train_is_named() -> None:
    """A loop of three wheels locks; a train in two parts, wheels that foul, and unknown names are named."""
    arbors = [Arbor("A", 0, 0), Arbor("B", 20, 0), Arbor("C", 10, 10 * 3**0.5)]
    loop = [wheel(name, arbor, 20, 1.0) for name, arbor in (("a", "A"), ("b", "B"), ("c", "C"))]
    locked = check_train(loop, arbors, [("a", "b"), ("b", "c"), ("c", "a")])
    assert not locked.agrees and "locked" in locked.faults[0]
    wheels, places = going_train()
    assert "two parts" in check_train([*wheels, wheel("x", "D", 20, 1.0), wheel("y", "E", 20, 1.0)], [*places, Arbor("D", 100, 0), Arbor("E", 120, 0)], [("great", "centre pinion"), ("x", "y")]).faults[0]
    foul = check_train([*wheels, wheel("stop", "C", 60, 0.5)], places, [("great", "centre pinion"), ("third", "escape pinion")])
    # judged by discs: only the stop work's disc crosses the great wheel's
    discs = {"great": Point(0, 0).buffer(24.5, 256), "stop": Point(27, 25.5).buffer(15.5, 256), "centre pinion": Point(27, 0).buffer(3.5, 256)}
    crossing = {frozenset(pair) for pair in itertools.combinations(discs, 2) if discs[pair[0]].intersects(discs[pair[1]])}
    assert frozenset(("great", "stop")) in crossing
    assert [one for one in foul.faults if "foul" in one and "great" in one and "stop" in one]
    assert not [one for one in foul.faults if "centre pinion" in one and "stop" in one]
    with pytest.raises(PlanError, match="no wheel called"):
        check_train(wheels, places, [("great", "moon")])
    with pytest.raises(PlanError, match="no place"):
        meshing_pairs([*wheels, wheel("x", "Z", 20, 1.0)], places)
    with pytest.raises(PlanError, match="same name"):
        meshing_pairs([*wheels, wheels[0]], places)


def test_listed_modules_are_the_standards() -> None:
    """ISO 54:1996 series I has 18 modules from 1 to 50, II as many from 1.125 to 45 (union found in two tables, split from memory)."""
    listed = common_modules()
    first = [one for one, series in listed if series == "I"]
    second = [one for one, series in listed if series == "II"]
    assert len(first) == len(second) == 18 and (first[0], first[-1], second[0], second[-1]) == (1, 50, 1.125, 45)
    # the steps of series I are those of preferred numbers, R10 (ISO 3): about a quarter each
    assert all(1.19 < b / a < 1.34 for a, b in itertools.pairwise(first))


def test_module_odds_come_true() -> None:
    """Half of wheels on a common module, half on any: the probability of a common one is how often it is."""
    rng = np.random.default_rng(13)
    listed = np.array([one for one, _ in common_modules()])
    stated, came = [], []
    for _ in range(4000):
        is_common = rng.random() < 0.5
        true = float(rng.choice(listed)) if is_common else float(np.exp(rng.uniform(np.log(listed[0]), np.log(listed[-1]))))
        u = true * 10 ** rng.uniform(-3.5, -1.5)
        odds = {one.label: one.probability for one in module_hypotheses(Measured(true + rng.normal(0, u), u))}
        stated.append(1 - odds["none"])
        came.append(is_common)
    stated, came = np.array(stated), np.array(came)
    for low, high in ((0, 0.2), (0.2, 0.5), (0.5, 0.8), (0.8, 1.01)):
        part = (stated >= low) & (stated < high)
        assert part.sum() > 100
        assert came[part].mean() == pytest.approx(stated[part].mean(), abs=3 * 0.5 / part.sum() ** 0.5)


def test_a_lost_wheel_between_two_arbors_by_monte_carlo() -> None:
    """Odds of a lost wheel's count are those of drawing module, distance and depthing and solving for the count."""
    rng = np.random.default_rng(14)
    mate = TrainWheel("mate", "A", 30, Measured(16.0, 0.05), Measured(1.0, 0.05))
    distance = Measured(24.0, 0.03)
    found = count_by_mates([(mate, distance)])
    draws = 400_000
    module = rng.normal(16.0, 0.05, draws) / (30 + 2 * rng.normal(1.0, 0.05, draws))
    # weigh each whole count by how often a drawn train of that count gives the distance
    logs = []
    for count in range(60, 74):
        drawn = module * (30 + count) / 2 + rng.normal(0, DEPTHING * 0.5, draws) + rng.normal(0, 0.03, draws)
        logs.append(np.mean(np.abs(drawn - 24.0) < 0.01))
    odds = np.array(logs) / np.sum(logs)
    by_count = {one.teeth: one.probability for one in found.table}
    for count, expected in zip(range(60, 74), odds, strict=True):
        assert by_count.get(count, 0.0) == pytest.approx(expected, abs=0.015)
    assert found.teeth is None and found.teeth_range[0] <= 66 <= found.teeth_range[1]


def test_more_mates_and_a_piece_of_rim_settle_a_count_by_mates() -> None:
    """A second mate narrows, odds from a piece of rim multiply, and what fits nothing is refused."""
    a, b = wheel("a", "A", 20, 1.0, 0.05), wheel("b", "B", 31, 1.0, 0.05)
    one = count_by_mates([(a, Measured(30.0, 0.1))], depthing=0.3)
    two = count_by_mates([(a, Measured(30.0, 0.1)), (b, Measured(35.5, 0.1))], depthing=0.3)
    assert one.table[0].teeth == two.table[0].teeth == 40 and two.table[0].probability > one.table[0].probability
    seen = {39: 0.5, 40: 0.0, 41: 0.5}
    both = count_by_mates([(a, Measured(30.0, 0.1))], seen=seen, depthing=0.3)
    by = {one_.teeth: one_.probability for one_ in one.table}
    expected = by[39] / (by[39] + by[41])
    assert {o.teeth: o.probability for o in both.table}[39] == pytest.approx(expected, rel=1e-6)
    assert count_by_mates([(a, Measured(30.0, 0.1))], tip_diameter=Measured(42.0, 0.05), addendum=SPUR, depthing=0.3).teeth == 40
    unsure = TrainWheel("u", "A", 20, a.tip_diameter, SPUR, odds={20: 0.6, 21: 0.4})
    spread = count_by_mates([(unsure, Measured(30.0, 0.1))], depthing=0.05)
    # 22 mm over 21 + 2 modules asks for 2 x 30 / (22 / 23) - 21 = 41.7 teeth
    odds = {o.teeth: o.probability for o in spread.table}
    assert [o.teeth for o in spread.table[:2]] == [40, 42] and odds[40] > 0.6 > odds[42] > 0.05
    with pytest.raises(PlanError, match="no count"):
        count_by_mates([(a, Measured(900.0, 0.01))])
    with pytest.raises(PlanError, match="needs a wheel"):
        count_by_mates([])


def test_odds_of_lost_wheels_come_true() -> None:
    """Drawn trains of known counts, each with two mates and a tip of unknown form: stated odds come true."""
    rng = np.random.default_rng(15)
    stated, came, held = [], [], 0
    trials = 250
    for _ in range(trials):
        teeth, module = int(rng.integers(20, 90)), float(np.exp(rng.uniform(np.log(0.3), np.log(2))))
        mates = []
        for name in "ab":
            count, form, u = int(rng.integers(8, 60)), rng.normal(1.2, 0.2), module * 0.05
            tip = Measured(module * (count + 2 * form) + rng.normal(0, u), u)
            apart = module * (count + teeth) / 2 + rng.normal(0, DEPTHING * module) + rng.normal(0, u)
            mates.append((TrainWheel(name, name, count, tip), Measured(apart, u)))
        seen_tip = Measured(module * (teeth + 2 * rng.normal(1.2, 0.2)) + rng.normal(0, 0.05 * module), 0.05 * module)
        found = count_by_mates(mates, tip_diameter=seen_tip if rng.random() < 0.5 else None)
        stated += [one.probability for one in found.table]
        came += [one.teeth == teeth for one in found.table]
        held += found.teeth_range[0] <= teeth <= found.teeth_range[1]
    odds, true = np.array(stated), np.array(came, dtype=float)
    for low, high in ((0.01, 0.1), (0.1, 0.3), (0.3, 0.6), (0.6, 1.01)):
        part = (odds >= low) & (odds < high)
        assert part.sum() > 20
        assert abs(true[part].sum() - odds[part].sum()) < 3 * np.sqrt(np.sum(odds[part] * (1 - odds[part])))
    assert held >= (0.95 - 2 * (0.95 * 0.05 / trials) ** 0.5) * trials


def test_pitch_radii_touch_in_shapely() -> None:
    """Where a mesh is said to fit, discs of the pitch radii just touch, and discs of the tips cross."""
    one, two = wheel("one", "A", 20, 1.0), wheel("two", "B", 40, 1.0)
    pitch = [Point(x, 0).buffer(module_of(w).value * w.teeth / 2, 512) for x, w in ((0, one), (30, two))]
    tips: list[Polygon] = [Point(x, 0).buffer(w.tip_diameter.value / 2, 512) for x, w in ((0, one), (30, two))]
    assert pitch[0].distance(pitch[1]) == pytest.approx(0, abs=1e-6) and tips[0].intersection(tips[1]).area > 1
    assert check_mesh(one, two, Measured(30.0, 0.01)).verdict == "yes"
