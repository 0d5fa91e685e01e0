"""Wheels from records to trains and making: arbors and ratios of a stated train, counts by mates, what is cut."""

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from math import hypot, pi
from types import ModuleType

import numpy as np
import pytest
import shapely
from shapely.geometry import Point, Polygon

from ctrecon.core.measured import Measured
from ctrecon.record.part import Piece
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.wheels.lost import count_by_mates
from ctrecon.workshop.wheels.meshes import DEPTHING, TrainWheel
from ctrecon.workshop.wheels.outline import points_of, wheel_outline
from ctrecon.workshop.wheels.plan import WheelsPlan, plan_wheels
from ctrecon.workshop.wheels.tooth import found_tooth, spur_tooth

UNSURE = {"runs": ((5, 9),), "u_centre": 0.12, "seed": 4}
"""A piece of rim too short, about a centre known too badly, to tell its count."""


@pytest.fixture(scope="module")
def plan(wheel_records: ModuleType) -> WheelsPlan:
    """Return the plan of the fragment, its broken wheel unsettled by its rim alone."""
    return plan_wheels(wheel_records.fragment(**UNSURE), lost={"F6": ["F5"]})


def test_wheels_sit_on_the_arbors_of_their_bores(plan: WheelsPlan) -> None:
    """A bore gives the arbor, two wheels of one axis share it, and the bore's distance from the rim is the run-out."""
    arbors = {one.found.name: one.found.arbor for one in plan.wheels}
    assert [one.name for one in arbors.values()] == ["F2", "F4", "F4"]
    assert hypot(arbors["F3"].x - arbors["F1"].x, arbors["F3"].y - arbors["F1"].y) == pytest.approx(21.6)
    run_out = plan["F1"].found.run_out
    assert run_out is not None and run_out.value == pytest.approx(0.02) and run_out.u == pytest.approx(hypot(0.12, 0.003))


def test_the_stated_train_is_found(plan: WheelsPlan) -> None:
    """Of three wheels only 60 and 12 can mesh, as the train was made: the ratio is 5, the other way round."""
    assert plan.meshes == (("F1", "F3"),)
    assert plan.train is not None and plan.train.agrees, plan.train
    assert plan.train.speeds == {"F2": 1, "F4": -Fraction(60, 12)}


def test_a_mate_settles_what_the_rim_does_not(plan: WheelsPlan) -> None:
    """The broken wheel's rim leaves several counts; in mesh with 12 on a known arbor, the true one gains and leads."""
    wheel = plan["F1"]
    assert wheel.found.feature.teeth is None and len(wheel.found.odds) > 3
    assert wheel.teeth == 60 and wheel.odds[60] > wheel.found.odds[60] + 0.1
    assert any("in mesh with F3 (12)" in one for one in wheel.count_says)
    assert sum(wheel.odds.values()) == pytest.approx(1, abs=0.01)


def test_a_lost_wheel_is_the_one_that_was_left_out(plan: WheelsPlan) -> None:
    """The wheel of 16 that the stated train had on the empty arbor leads the odds."""
    assert plan.lost["F6"].table[0].teeth == 16
    assert plan.lost["F6"].teeth_range[0] <= 16 <= plan.lost["F6"].teeth_range[1]


def test_joint_odds_of_two_broken_wheels_by_sampling() -> None:
    """Odds of a count by a mate that is unsettled too are those of drawing module, tips and distance for every pair."""
    rng = np.random.default_rng(21)
    first, second = {29: 0.3, 30: 0.4, 31: 0.3}, {59: 0.5, 60: 0.3, 61: 0.2}
    form = Measured(1.0, 0.05)
    tips, apart = (Measured(16.05, 0.05), Measured(31.0, 0.05)), Measured(22.55, 0.02)
    mate = TrainWheel("mate", "A", 59, tips[1], form, odds=second)
    found = count_by_mates([(mate, apart)], seen=first, tip_diameter=tips[0], addendum=form)
    draws, weight = 400_000, {}
    module = np.exp(rng.uniform(np.log(0.46), np.log(0.55), draws))  # as likely on any scale
    for one, p in first.items():
        weight[one] = 0.0
        for two, q in second.items():
            off = [
                (tips[0].value - module * (one + 2 * rng.normal(1, 0.05, draws))) / 0.05,
                (tips[1].value - module * (two + 2 * rng.normal(1, 0.05, draws))) / 0.05,
                (apart.value - module * ((one + two) / 2 + rng.normal(0, DEPTHING, draws))) / 0.02,
            ]
            weight[one] += p * q * float(np.mean(np.exp(-0.5 * sum(part**2 for part in off))))
    odds = {one.teeth: one.probability for one in found.table}
    for one, value in weight.items():
        assert odds[one] == pytest.approx(value / sum(weight.values()), abs=0.02)


def test_odds_by_mates_come_true() -> None:
    """Drawn pairs of broken wheels, each with odds by its own rim: the odds after the mesh come true."""
    rng = np.random.default_rng(22)
    stated, came, gained = [], [], []
    for _ in range(300):
        counts, module = rng.integers(20, 100, 2), float(np.exp(rng.uniform(np.log(0.3), np.log(2))))
        sides = []
        for teeth in counts:
            spread = rng.uniform(0.3, 2.0)
            seen = np.arange(6, 130)
            p = np.exp(-0.5 * ((seen - rng.normal(teeth, spread)) / spread) ** 2)
            odds = {int(n): float(one) for n, one in zip(seen, p / p.sum(), strict=True) if one > 1e-6}
            u = 0.02 * module
            tip = Measured(module * (teeth + 2 * rng.normal(1.2, 0.2)) + rng.normal(0, u), u)
            sides.append((odds, tip))
        far = module * (counts.sum() / 2 + rng.normal(0, DEPTHING)) + rng.normal(0, 0.02 * module)
        mate = TrainWheel("mate", "B", max(sides[1][0], key=sides[1][0].__getitem__), sides[1][1], odds=sides[1][0])
        distance = Measured(far, 0.02 * module) if rng.random() < 0.7 else None
        found = count_by_mates([(mate, distance)], seen=sides[0][0], tip_diameter=sides[0][1])
        stated += [one.probability for one in found.table]
        came += [one.teeth == counts[0] for one in found.table]
        gained.append(np.log(dict(zip([o.teeth for o in found.table], stated[-len(found.table):], strict=True)).get(counts[0], 1e-4) / max(sides[0][0].get(counts[0], 1e-4), 1e-4)))
    odds, true = np.array(stated), np.array(came, dtype=float)
    for low, high in ((0.01, 0.1), (0.1, 0.3), (0.3, 0.6), (0.6, 1.01)):
        part = (odds >= low) & (odds < high)
        assert part.sum() > 20
        assert abs(true[part].sum() - odds[part].sum()) < 3 * np.sqrt(np.sum(odds[part] * (1 - odds[part])))
    assert np.mean(gained) > 0.05  # a mate tells something, on average


def test_records_of_their_own_meet_on_a_plate(wheel_records: ModuleType) -> None:
    """Two wheels scanned apart have no distance until both are put on holes of a plate; then they mesh, faces unknown."""
    w, low = wheel_records, (1.0, 3.0)
    parts = [
        w.record("wheel", [w.wheel("F1", 60, 0.6, (20.0, 20.0), low, **UNSURE)]),
        w.record("pinion", [w.wheel("F1", 12, 0.6, (9.0, 9.0), low)]),
        w.record("plate", [w.arbor_hole("F1", (5.0, 5.0), low), w.arbor_hole("F2", (5.0, 26.6), low)]),
    ]
    apart = plan_wheels(parts)
    assert apart.pairs[0].verdict == "open" and apart.pairs[0].distance_sd is None and apart.train is None
    on = {"wheel.F1": "plate.F1", "pinion.F1": "plate.F2"}
    together = plan_wheels(parts, on=on, meshes=[("wheel.F1", "pinion.F1")])
    assert together.pairs[0].distance_sd == pytest.approx(0, abs=0.5) and together.pairs[0].overlap is None
    assert together.train is not None and together.train.speeds["plate.F2"] == -5
    assert together["wheel.F1"].odds[60] > together["wheel.F1"].found.odds[60]
    # what two scales may differ by is in u of both tips
    one, other = (plan_wheels(some)["F1" if len(some) == 1 else "wheel.F1"].found for some in (parts[:1], parts))
    alone, among = (w_.in_train({60: 1.0}, between_records=b) for w_, b in ((one, False), (other, True)))
    assert alone is not None and among is not None
    assert among.tip_diameter.u == pytest.approx(hypot(alone.tip_diameter.u or 0.0, 37.2 * 0.0005))


def test_the_made_wheel_is_the_wheel_as_it_was(plan: WheelsPlan) -> None:
    """Outline, bore and windows of the wheel to make cover the stated wheel: involute teeth, four arms, square bore."""
    make = plan["F1"].make
    assert make is not None and make.form == "found" and make.crossing is not None
    outline = Polygon(points_of(make.outline, step_deg=0.5))
    truth = Polygon(points_of(wheel_outline(spur_tooth(60, Measured(0.6)), turn_deg=3.0), step_deg=0.5))
    assert outline.is_valid and outline.symmetric_difference(truth).area < 0.004 * pi * 37.2  # 4 µm all round
    assert make.crossing.arm_width.value == pytest.approx(2.4, abs=0.01)
    assert make.crossing.inner_diameter.value == pytest.approx(29.0, abs=0.01)
    assert len(make.crossing.windows) == 4
    made, found = (shapely.union_all(some) for some in (make.crossing.windows, [one.polygon for one in plan["F1"].found.windows]))
    assert made.symmetric_difference(found).area < 0.01 * found.area
    bore = plan["F1"].found.bore
    assert bore is not None and bore.polygon.area == pytest.approx(16.0) and bore.polygon.centroid.distance(Point(0, 0)) < 1e-9


def test_forms_of_the_standards_beside_the_tooth_found(plan: WheelsPlan) -> None:
    """A tooth made by ISO 54 proportions agrees with the spur form of its own module, and with no clock tooth."""
    for name, module in (("F1", 0.6), ("F3", 0.6), ("F5", 0.6)):
        make = plan[name].make
        assert make is not None
        spur, clock = sorted(make.forms, key=lambda one: one.name != "spur")[:2]
        assert spur.beside.agrees and spur.sizes.module.value == pytest.approx(module)
        assert spur.modules[0].label == "0.6" and not clock.beside.agrees
    forced = plan["F1"].make
    assert forced is not None and forced.sizes.depth_of_cut.value == pytest.approx(2.25 * 0.6)


def test_arcs_of_an_involute_follow_it() -> None:
    """Arcs of the drawn flank are within a thousandth of a module of the involute's own equation."""
    module, teeth = 1.0, 30
    points = points_of(wheel_outline(spur_tooth(teeth, Measured(module))), step_deg=0.2)
    radius, angle = np.hypot(*points.T), np.abs(np.arctan2(points[:, 1], points[:, 0]))
    base = teeth * module / 2 * np.cos(np.radians(20))
    flank = (radius > base + 1e-6) & (radius < module * (teeth + 2) / 2 - 1e-6) & (angle < pi / teeth)
    at = np.arccos(base / radius[flank])
    involute = pi / (2 * teeth) + np.tan(np.radians(20)) - np.radians(20) - (np.tan(at) - at)
    assert flank.sum() > 40
    assert np.max(np.abs(angle[flank] - involute) * radius[flank]) < 1e-3 * module


@pytest.mark.parametrize("arms", [3, 4, 5, 6])
def test_one_window_left_gives_all_of_them(wheel_records: ModuleType, arms: int) -> None:
    """Of a broken wheel with a single whole window the others follow: arms, their width, rim and boss as they were."""
    w, low = wheel_records, (1.0, 3.0)
    cut = w.windows(7, (25.0, 25.0), low, inner=5.0, outer=14.5, arm=2.4, arms=arms)
    wheel = w.wheel("F1", 60, 0.6, (25.0, 25.0), low)
    all_of_them = shapely.union_all([one.polygon for one in plan_wheels(w.record("whole", [wheel, *cut]))["F1"].found.windows])
    make = plan_wheels(w.record("broken", [wheel, cut[1]]))["F1"].make
    assert make is not None and make.crossing is not None and len(make.crossing.windows) == arms
    assert shapely.union_all(make.crossing.windows).symmetric_difference(all_of_them).area < 0.01 * all_of_them.area


def test_windows_of_another_form_are_left_as_found(wheel_records: ModuleType) -> None:
    """A heart or a triangle is not the room between even arms: it is kept, and the plan says so."""
    w, low = wheel_records, (1.0, 3.0)
    cut = w.windows(7, (25.0, 25.0), low, inner=5.0, outer=14.5, arm=2.4)[0]
    triangle = replace(cut, outline_mm=((30.0, 25.0), (38.0, 28.0), (33.0, 31.0)), x_mm=Measured(33.7, 0.01), y_mm=Measured(28.0, 0.01))
    make = plan_wheels(w.record("odd", [w.wheel("F1", 60, 0.6, (25.0, 25.0), low), triangle]))["F1"].make
    assert make is not None and make.crossing is None and any("left as found" in one for one in make.says)


def test_a_tooth_as_found_is_drawn_without_undercuts() -> None:
    """Where the measured tooth is narrower at its root than above, gaps of the made wheel still widen outwards."""
    sizes = found_tooth(20, Measured(1.0), Measured(22.0), Measured(17.5), Measured(1.6))
    profile = [(8.75, 0.9), (9.3, 1.2), (10.0, 0.8), (11.0, 0.4)]
    outline = Polygon(points_of(wheel_outline(sizes, profile=profile), step_deg=0.5))
    metal = [outline.intersection(Point(0, 0).buffer(r, 2000).exterior).length / r for r in np.linspace(8.8, 10.9, 40)]
    assert outline.is_valid and all(b <= a + 1e-6 for a, b in pairwise(metal))
    # flanks are those measured where no undercut is: 0.8 of half width at radius 10
    assert outline.intersection(Point(0, 0).buffer(10.0, 4000).exterior).length / 20 == pytest.approx(2 * 10 * np.arcsin(0.08), rel=0.01)


def test_a_crown_wheel_and_an_uncounted_one_are_not_cut(wheel_records: ModuleType) -> None:
    """Teeth along the axis give a dividing error table but no blank; a wheel without a count says why."""
    w = wheel_records
    crown = w.crown("F1", 40, 0.6, (20.0, 20.0), (1.0, 3.0))
    bare = replace(crown, id="F2", flags=(), teeth=None, teeth_odds=(), tooth_places=(), unknown={"teeth": "no tip is left"})
    plan = plan_wheels(w.record("two", [crown, bare]))
    assert plan["F1"].make is None and "along the axis" in plan["F1"].unknown["make"] and plan["F1"].division is not None
    assert plan["F2"].teeth is None and plan["F2"].unknown["teeth"] == "no tip is left" and not plan.pairs


def test_a_wheel_on_a_seat_has_it_as_its_bore(wheel_records: ModuleType) -> None:
    """Of a wheel riveted on an arbor of 4 mm with a seam of 0.01 mm, the bore is 4.01 mm, and is cut so."""
    w = wheel_records
    rim = w.wheel("F1", 40, 0.6, (20.0, 20.0), (3.0, 5.0))
    arbor = w.arbor_hole("F2", (20.0, 20.0), (0.0, 3.0), size=8.0)
    seat = w.arbor_hole("F3", (20.0, 20.0), (3.0, 5.0), size=4.0)
    arbor = replace(arbor, kind="round_outside", opens_at=())
    seat = replace(seat, kind="round_seam", opens_at=(), seam_mm=Measured(0.01, 0.001))
    pieces = tuple(
        Piece(id=f"P{n}", name=name, depth_from_mm=Measured(low, 0.01), depth_to_mm=Measured(5.0, 0.01), features=own,
              verdict="separate", probability_separate=0.99)
        for n, name, low, own in ((1, "arbor", 0.0, ("F2",)), (2, "wheel", 3.0, ("F1", "F3")))
    )  # fmt: skip
    (found,) = plan_wheels(replace(w.record("two", [rim, arbor, seat]), pieces=pieces)).wheels
    assert found.found.bore is not None and found.found.arbor.frame == "two"
    assert max(x for x, _, _ in found.found.bore.vertices) == pytest.approx(2.005, abs=1e-6)
    assert "the bore F3 is a round hole, Ø4.010" in found.found.bore_says


def test_a_stated_count_and_a_stated_form_are_taken(wheel_records: ModuleType) -> None:
    """A count known otherwise replaces the odds, and the form asked for is the one made."""
    plan = plan_wheels(wheel_records.fragment(**UNSURE), teeth={"F1": 61}, form="clock", mate_teeth={"F5": 8})
    assert plan["F1"].teeth == 61 and plan["F1"].settled and len(plan["F1"].make.dividing.rows) == 61
    assert plan["F5"].make.sizes.form == "clock wheel" and "for 8 leaves" in plan["F5"].make.sizes.reason
    # 61 is prime and on no usual plate: angles take the place of holes, and the missing circle is named
    assert plan["F1"].make.dividing.step is None and "circle of 61" in plan["F1"].make.dividing.reason


def test_what_cannot_be_planned_is_refused(wheel_records: ModuleType) -> None:
    """No wheel, names that are not there, one name twice, and odd counts give one sentence each."""
    w = wheel_records
    part = w.fragment()
    hole = w.record("plate", [w.arbor_hole("F1", (1.0, 1.0), (0.0, 1.0))])
    for words, call in (
        ("no measured wheel in plate", lambda: plan_wheels(hole)),
        ("no wheel called F9", lambda: plan_wheels(part, teeth={"F9": 60})),
        ("can't have 2 teeth", lambda: plan_wheels(part, teeth={"F1": 2})),
        ("can't have 1001 teeth; give 3 to 1000", lambda: plan_wheels(part, teeth={"F1": 1001})),
        ("no feature called F99", lambda: plan_wheels(part, on={"F1": "F99"})),
        ("no feature called F99", lambda: plan_wheels(part, lost={"F99": ["F1"]})),
        ("no wheel with a count", lambda: plan_wheels(part, lost={"F6": ["F2"]})),
        ("no wheel with a count", lambda: plan_wheels(part, meshes=[("F1", "F2")])),
        ("no form of tooth called gothic", lambda: plan_wheels(part, form="gothic")),
        ("a name of its own", lambda: plan_wheels([part, part])),
    ):
        with pytest.raises(PlanError, match=words):
            call()


def test_the_dividing_table_steps_evenly(plan: WheelsPlan) -> None:
    """Every wheel's table has its count of rows, a pitch apart within the rounding of the minutes."""
    for one in plan.wheels:
        assert one.make is not None and one.teeth == len(one.make.dividing.rows)
        angles = [row.degrees + row.minutes / 60 for row in one.make.dividing.rows]
        assert all(b - a == pytest.approx(360 / one.teeth, abs=0.1 / 60 + 1e-9) for a, b in pairwise(angles))
