"""What finished pieces change: clearances, fits, steps done; chains of the plan judged by Monte Carlo."""

from collections.abc import Callable, Mapping

import numpy as np
import pytest

from ctrecon.workshop.assembly.model import Assembly, AxialGap
from ctrecon.workshop.plan.gaps import close_gaps
from ctrecon.workshop.plan.model import FAILS, GOOD, LOOK, Check, Plan, SizeRow

Planned = Callable[[str], Plan]
_ALL_MADE = '"hub.thickness" = "1.20±0.01"\n"pillar.shank.length" = "3.00±0.01"\n"lower.thickness" = "2.00±0.01"\n'


def _one(plan: Plan, topic: str, about: str, part_of: str = "") -> Check:
    (found,) = [one for one in plan.of(topic) if one.about == about and part_of in one.says]
    return found


def _row(plan: Plan, key: str) -> SizeRow:
    (found,) = [row for piece in plan.pieces for row in piece.rows if row.key == key]
    return found


def _drawn(assembly: Assembly, gap: AxialGap, count: int, seed: int, tolerance: float) -> np.ndarray:
    """Draw a gap: each size errs by itself, all of one scan by its scale and by where its edges lie, making evenly."""
    rng = np.random.default_rng(seed)
    scans: dict[str, tuple[np.ndarray, np.ndarray]] = {}
    total = np.full(count, gap.fixed_mm)
    for term in gap.terms:
        size = assembly.sizes[term.key]
        drawn = size.value + (size.size.u or 0.0) * rng.standard_normal(count)
        if size.scan is not None:
            scale, edge = scans.setdefault(size.scan, (rng.standard_normal(count), rng.standard_normal(count)))
            drawn += (size.scale_u or 0.0) * scale + size.edge_u * edge
        drawn += tolerance * rng.uniform(-1, 1, count)
        total += term.sign * drawn
    return total


def test_gaps_are_the_distance_of_their_faces(counter: Assembly) -> None:
    """The gap of a chain is the difference of the two faces' heights in the stack, found another way."""
    z = {part.id: {"lower": part.from_z, "upper": part.to_z} for part in counter.parts}
    z |= {f"{part.id}.{step.id}": {"lower": step.from_z, "upper": step.to_z} for part in counter.parts for step in part.steps}
    results = close_gaps(counter, {})
    assert len(results) == 3
    for one in results:
        (upper, a), (lower, b) = (face.rsplit(".", 1) for face in (one.gap.upper, one.gap.lower))
        assert one.chain.gap.value == pytest.approx(z[upper][a] - z[lower][b], abs=1e-6)


def test_measuring_u_of_a_gap_agrees_with_monte_carlo(counter: Assembly) -> None:
    """U (k = 2) of each gap is twice the spread of 200 000 gaps drawn size by size, scale and edges shared in a scan."""
    for one in close_gaps(counter, {}):
        drawn = _drawn(counter, one.gap, 200_000, 71, 0.0)
        wide = one.chain.gap.U
        assert wide == pytest.approx(2 * drawn.std(), rel=0.02)
        assert one.chain.gap.value == pytest.approx(drawn.mean(), abs=1e-4)


def test_spread_of_a_gap_agrees_with_monte_carlo(counter: Assembly) -> None:
    """With making spread evenly over ± the tolerance, limits for 1 % and 99 % agree with the drawn ones."""
    for one in close_gaps(counter, {}):
        drawn = _drawn(counter, one.gap, 400_000, 72, counter.shop.length_tolerance_mm)
        for share in (0.01, 0.5, 0.99):
            assert one.chain.quantile(share) == pytest.approx(float(np.quantile(drawn, share)), abs=1.5e-3)
        assert one.chain.gap.value - one.chain.shop_worst_mm <= drawn.min() + one.chain.gap.U
        assert one.chain.gap.value + one.chain.shop_worst_mm >= drawn.max() - one.chain.gap.U


def test_a_spacer_too_thick_is_rubbed_down(small_text: str, planned: Planned) -> None:
    """With all else made, 1.84 for 1.60 leaves 3.00 - 1.20 - 1.84 = -0.04: take 0.24 off for the middle of 0.1 to 0.3."""
    plan = planned(f'{small_text}[made]\n"spacer.thickness" = "1.84±0.01"\n{_ALL_MADE}')
    check = _one(plan, "clearance", "shake")
    assert check.state == LOOK  # a step brings it in
    assert "gap -0.040 mm" in check.says
    assert "Thickness of spacer: 0.24 mm off (at least 0.14, no more than 0.34), then try" in check.why
    step = next(one for one in plan.steps if one.id == "adjust-shake")
    assert "0.24 mm off" in step.does[0]
    bench = _one(plan, "bench", "spacer")
    assert "0.240 mm over what was found" in bench.says
    assert "0.24 mm off" in bench.why


def test_a_spacer_a_tenth_too_thick_in_the_counter(counter_text: str, counter_plan: Plan, changed_plan: Plan) -> None:
    """A tenth over what the plan asks of the counter's spacer: the gap is a tenth less, and the spacer is named."""
    before, after = (_gap(one, "hub_end_shake") for one in (counter_plan, changed_plan))
    made = changed_plan.assembly.made["spacer.thickness"]
    assert before - after == pytest.approx(made.value - 1.453, abs=0.01)
    check = _one(changed_plan, "clearance", "hub_end_shake")
    assert check.state == LOOK
    # to the middle of 0.1 to 0.3, just in at 0.1, just in at 0.3
    off, least, most = (f"{middle - after:.2f}" for middle in (0.2, 0.1, 0.3))
    assert f"Thickness of spacer: {off} mm off (at least {least}, no more than {most}), then try" in check.why
    assert any("spacer" in " ".join(one.does) for one in changed_plan.steps if one.id == "adjust-hub_end_shake")
    row = _row(changed_plan, "spacer.thickness")
    assert (row.made, row.to_make) == (made.size, made.value)
    assert row.as_found.basis == "measured"
    assert row.as_found.value == pytest.approx(1.453, abs=0.01)  # what was found stays what it was


def _gap(plan: Plan, ident: str) -> float:
    words = _one(plan, "clearance", ident).says
    return float(words.split("gap ")[1].split(" mm")[0])


def test_pieces_that_came_out_right_leave_nothing_to_adjust(small_text: str, planned: Planned) -> None:
    """3.00 - 1.20 - 1.60 = 0.20 is in, so no step adjusts it; each size made is told with what follows."""
    plan = planned(f'{small_text}[made]\n"spacer.thickness" = "1.60±0.01"\n{_ALL_MADE}')
    assert _one(plan, "clearance", "shake").state == GOOD
    assert not [one for one in plan.steps if one.title == "Adjust"]
    assert "as found, within U" in _one(plan, "bench", "spacer").says
    assert {one.state for one in plan.of("bench")} == {GOOD}


def test_what_cannot_be_rubbed_gets_another_way_out(small_text: str, planned: Planned) -> None:
    """A spacer 0.2 too thin leaves 0.40, too large: the plan says how much and of which piece, not more off the spacer."""
    plan = planned(f'{small_text}[made]\n"spacer.thickness" = "1.40±0.01"\n{_ALL_MADE}')
    check = _one(plan, "clearance", "shake")
    assert "gap 0.400 mm" in check.says
    assert "too large" in check.says
    assert "shank of pillar: 0.20 mm off" in check.why
    assert "thickness of spacer: 0" not in check.why


@pytest.mark.parametrize(
    ("made", "to_make"),
    [
        ({"pillar.tenon": 2.2}, {"upper.post": 2.2, "lower.post": 2.0}),
        ({"upper.post": 2.3}, {"pillar.tenon": 2.3, "pillar.foot": 2.0}),
    ],
)
def test_a_made_size_leads_its_mate(
    small_text: str, planned: Planned, made: Mapping[str, float], to_make: Mapping[str, float]
) -> None:
    """The hole still to make follows the pin that came out thick, the pin the hole that came out wide; others stay."""
    plan = planned(small_text + "[made]\n" + "".join(f'"{key}" = "{size}±0.01"\n' for key, size in made.items()))
    for key, size in to_make.items():
        assert _row(plan, key).to_make == pytest.approx(size)
        assert _row(plan, key).made is None
    (key,) = made
    assert "to suit" in _one(plan, "bench", key.split(".")[0]).why


@pytest.mark.parametrize(
    ("hole", "pin", "words", "state"),
    [
        (2.010, 2.000, "0.010 mm of play, it goes in", GOOD),
        (2.020, 2.200, "-0.180 mm of play, it does not go in", LOOK),
        # H7/h6 up to 3 mm: 0 to 16 µm (ISO 286-2); 0.320 - 0.016 = 0.304
        (2.300, 1.980, "0.304 mm more than H7/h6 allows: bush the hole", LOOK),
    ],
)
def test_two_made_pieces_are_held_against_their_fit(
    small_text: str, planned: Planned, hole: float, pin: float, words: str, state: str
) -> None:
    """Hole and pin both made: the play is their difference, judged against nothing and against the fit."""
    plan = planned(f'{small_text}[made]\n"upper.post" = "{hole}±0.005"\n"pillar.tenon" = "{pin}±0.005"\n')
    for part in ("upper", "pillar"):
        check = _one(plan, "bench", part)
        assert words in check.why
        assert check.state == state


@pytest.fixture(scope="module")
def changed_plan(counter_text: str, tmp_path_factory: pytest.TempPathFactory) -> Plan:
    """Return the counter's plan some way on: three steps done, a step that is none, the spacer made too thick."""
    from ctrecon.workshop.assembly.read import read_assembly
    from ctrecon.workshop.plan.compose import make_plan

    done = ["blank-top_plate", "drill-middle_plate+bottom_plate", "make-hub", "polish-everything"]
    text = counter_text.replace('units = "mm"', f'units = "mm"\ndone = {done}'.replace("'", '"'))
    file = tmp_path_factory.mktemp("changed") / "assembly.toml"
    file.write_text(text + '\n[made]\n"spacer.thickness" = "1.553±0.01"\n', encoding="utf-8")
    return make_plan(read_assembly(file))


def test_steps_done_stay_done_and_the_rest_is_ordered_anew(counter_plan: Plan, changed_plan: Plan) -> None:
    """Done steps stand first and are kept, ids are those of before, and no other step waits for one below it."""
    assert {one.id for one in changed_plan.steps} == {one.id for one in counter_plan.steps}
    done = [one.id for one in changed_plan.steps if one.done]
    assert sorted(done) == ["blank-top_plate", "drill-middle_plate+bottom_plate", "make-hub"]
    assert [one.id for one in changed_plan.steps][:3] == done
    ids = [one.id for one in changed_plan.steps]
    for at, step in enumerate(changed_plan.steps):
        assert step.done or set(step.after) <= set(ids[:at])
    assert changed_plan.next_step is not None and not changed_plan.next_step.done
    # the set-up that is done is the first of the set-ups, whatever the order would have been
    assert changed_plan.set_ups[0].plates == ("middle_plate", "bottom_plate")
    assert counter_plan.set_ups[0].plates == ("top_plate", "middle_plate")
    drilling = next(one for one in changed_plan.of("drilling"))
    assert drilling.state == LOOK
    assert "should have come before" in drilling.why


def test_nothing_is_bought_for_what_is_done(counter_plan: Plan, changed_plan: Plan) -> None:
    """The rod of the hub and the drill of its set-up are off the list, what other steps need stays."""
    before, after = ({(one.group, one.what) for one in plan.buy} for plan in (counter_plan, changed_plan))
    assert after < before
    assert ("drill", "drill 1.15 mm") in before - after
    assert not [one for one in changed_plan.buy if one.group == "rod" and "hub" in one.parts]
    assert {step for one in changed_plan.buy for step in one.steps}.isdisjoint({"make-hub", "blank-top_plate"})


def test_words_of_the_file_that_lead_nowhere_are_told(changed_plan: Plan) -> None:
    """A step that is none is named with the nearest there is; holes that are drilled ask to be held in the file."""
    says = [one.says for one in changed_plan.checks if one.overridden]
    assert "Done names polish-everything, which is no step of this plan." in says
    check = next(one for one in changed_plan.checks if "are drilled" in one.says)
    pin = changed_plan.registrations[1].pins[0]
    assert f'"middle_plate/bottom_plate" = [[{pin.x:.3f}, {pin.y:.3f}]' in check.why


def test_no_check_of_the_changed_counter_fails(changed_plan: Plan) -> None:
    """A spacer a tenth too thick is a thing to look at and to rub down, not the end of the work."""
    assert not [one.says for one in changed_plan.checks if one.state == FAILS]


def test_made_sizes_ask_for_their_steps(small_text: str, planned: Planned, changed_plan: Plan) -> None:
    """A thickness comes from the blank, a tenon from the lathe: those steps are named until they are done."""
    made = '[made]\n"spacer.thickness" = 1.6\n"pillar.tenon" = 2.0\n'
    plan = planned(small_text + made)
    says = {one.about: one.says for one in plan.of("steps")}
    assert set(says) == {"spacer", "pillar"}
    assert "blank-spacer is not done" in says["spacer"]
    assert "make-pillar is not done" in says["pillar"]
    done = planned(small_text.replace("axes.main", 'done = ["make-pillar", "blank-spacer"]\naxes.main', 1) + made)
    assert not list(done.of("steps"))
    assert [one.about for one in changed_plan.of("steps")] == [changed_plan.assembly.parts[0].id, "spacer"]
