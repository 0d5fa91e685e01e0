"""As found and as intended: schemes are found where a maker used one, and hardly ever where nobody did."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from ctrecon.core.measured import Measured
from ctrecon.record.part import Part, Relation
from ctrecon.workshop.intended import LEAST_ODDS, Scheme, schemes
from ctrecon.workshop.lengths import Length
from ctrecon.workshop.printed import intended_rows, stock_rows
from ctrecon.workshop.round_numbers import round_numbers

_spec = importlib.util.spec_from_file_location("random_records", Path(__file__).with_name("random_records.py"))
assert _spec is not None
assert _spec.loader is not None
records = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(records)
bare_part, feature, piece = records.bare_part, records.feature, records.piece


def kinds(found: tuple[Scheme, ...]) -> list[str]:
    return [one.kind for one in found]


def scattered(rng: np.random.Generator, count: int) -> list[tuple[float, float]]:
    """Places that make no pattern: anywhere in a disc of 24 mm, 3 mm apart."""
    out: list[np.ndarray] = []
    while len(out) < count:
        at = rng.uniform(-12, 12, 2)
        if np.hypot(*at) < 12 and all(np.hypot(*(at - one)) > 3 for one in out):
            out.append(at)
    return [(15 + float(x), 14 + float(y)) for x, y in out]


@pytest.mark.slow
def test_random_parts_hardly_ever_show_a_scheme(times: int) -> None:
    """Of 60 parts with sizes and places drawn freely fewer than 3 % show any scheme."""
    false = [bool(schemes(records.random_part(np.random.default_rng([8801, k])))) for k in range(60 * times)]
    assert np.mean(false) < 0.03


def test_one_drill_for_five_holes() -> None:
    """Five holes of a 2.93 mm drill among two others, 0.005 mm rms apart: told in at least 14 of 15 parts, others left out."""
    rng = np.random.default_rng(701)
    hits = 0
    for _ in range(15):
        sizes = [*(2.93 + rng.normal(0, 0.005, 5)), *rng.uniform([1.1, 3.6], [2.4, 5.0])]
        holes = [feature(i + 2, "round_hole", float(s), at) for i, (s, at) in enumerate(zip(sizes, scattered(rng, 7), strict=True))]
        found = schemes(bare_part([feature(1, "round_outside", 27.31, (15.0, 14.0)), *holes]))
        drills = [one for one in found if one.kind == "one_drill"]
        if drills and drills[0].features == ("F2", "F3", "F4", "F5", "F6"):
            hits += 1
            assert drills[0].value is not None
            assert drills[0].value.value == pytest.approx(2.93, abs=0.01)
            assert drills[0].found == tuple(one.diameter_mm for one in holes[:5])
            assert drills[0].odds >= LEAST_ODDS
    assert hits >= 14


def test_circle_divided_in_six_with_one_missing() -> None:
    """Five of six places of an evenly divided circle: the division is told, with its empty place and its circle."""
    angle = 0.3 + 2 * np.pi * np.array([0, 1, 2, 3, 5]) / 6
    sizes = [1.31, 2.07, 1.62, 2.71, 3.33]
    holes = [
        feature(i + 2, "round_hole", s, (15 + 9 * float(np.cos(a)), 14 + 9 * float(np.sin(a))))
        for i, (a, s) in enumerate(zip(angle, sizes, strict=True))
    ]
    found = schemes(bare_part([feature(1, "round_outside", 27.31, (15.0, 14.0)), *holes]))
    best = next(one for one in found if one.kind == "equal_division")
    assert best.features == ("F2", "F3", "F4", "F5", "F6")
    assert "divided evenly in 6, 1 of them empty" in best.says
    assert best.value is not None
    assert best.value.value == pytest.approx(18.0, abs=0.01)


def test_relations_of_the_record_are_used() -> None:
    """A pattern that stands in the record is taken from there; its odds pay for the schemes tried, so they are lower."""
    part = bare_part([feature(1, "round_outside", 27.31, (15.0, 14.0))])
    relation = Relation(kind="divided_circle", features=("F2", "F3", "F4"), value=Measured(18.0, 0.01), says="as told", margin=9.0)
    weak = Relation(kind="in_line", features=("F2", "F3", "F5"), value=Measured(0.1, 0.01), says="weak", margin=3.2)
    found = schemes(Part(**{**vars(part), "relations": (weak, relation)}))
    assert kinds(found) == ["equal_division"]
    assert found[0].says == "as told"
    assert LEAST_ODDS < found[0].odds < np.exp(9.0)


def test_one_square_for_four_pillars() -> None:
    """Four pillars 3.617 mm across flats, 0.004 mm rms apart, are one square; a fifth of 3.9 mm is not of them."""
    rng = np.random.default_rng(702)
    flats = [*(3.617 + rng.normal(0, 0.004, 4)), 3.9]
    pillars = [feature(i + 1, "square_outside", float(s), at) for i, (s, at) in enumerate(zip(flats, scattered(rng, 5), strict=True))]
    found = [one for one in schemes(bare_part(pillars)) if one.kind == "one_square"]
    assert [one.features for one in found] == [("F1", "F2", "F3", "F4")]


def test_radii_from_one_divider_setting() -> None:
    """Three reliefs of radius 4.183 mm, their centres 4.183 mm from two holes' axis distance, come from one setting."""
    part = bare_part([
        feature(1, "round_outside", 31.7, (15.0, 14.0)),
        feature(2, "arc_outside", 8.366, (29.0, 17.3)), feature(3, "arc_outside", 8.368, (4.4, 26.0)),
        feature(4, "arc_outside", 8.364, (9.7, -0.6)),
        feature(5, "round_hole", 1.37, (17.11, 10.9)), feature(6, "round_hole", 2.18, (17.11, 10.9 + 4.183)),
    ])  # fmt: skip
    found = [one for one in schemes(part) if one.kind == "one_divider_setting"]
    assert len(found) == 1
    assert set(found[0].figures) >= {"radius of F2", "radius of F3", "radius of F4", "F5 to F6"}
    assert found[0].value is not None
    assert found[0].value.value == pytest.approx(4.183, abs=0.002)


def test_pieces_from_one_sheet_and_built_up_from_one() -> None:
    """Three pieces of 1.57 mm come from one sheet; pieces of 1, 2, 3, 4, 5, 7 and 9 sheets of 0.813 mm share that quantum."""
    same = schemes(bare_part([], [piece(i + 1, t) for i, t in enumerate([1.57, 1.572, 1.569, 2.91])]))
    assert kinds(same) == ["one_sheet"]
    assert same[0].features == ("P1", "P2", "P3")
    built = schemes(bare_part([], [piece(i + 1, 0.813 * k) for i, k in enumerate([1, 2, 3, 4, 5, 7, 9])]))
    quantum = next(one for one in built if one.kind == "common_quantum")
    assert quantum.value is not None
    assert quantum.value.value == pytest.approx(0.813, abs=0.001)
    assert quantum.meant[0] == "1 x 0.813 mm"


@pytest.mark.parametrize(("step", "kind"), [(1.0, "round_mm"), (25.4 / 16, "round_inch")])
def test_round_numbers_tell_the_rule_they_were_measured_with(step: float, kind: str) -> None:
    """Five sizes on whole millimetres, or on sixteenths of an inch, within 0.01 mm: that rule and not the other."""
    rng = np.random.default_rng(703)
    sizes = step * np.array([3, 5, 7, 11, 17]) + rng.normal(0, 0.01, 5)
    found = schemes(bare_part([feature(i + 1, "round_outside", float(s), (15.0, 14.0)) for i, s in enumerate(sizes)]))
    assert kinds(found) == [kind]
    meant = ("3 mm", "5 mm", "7 mm", "11 mm", "17 mm") if kind == "round_mm" else ("3/16 in", "5/16 in", "7/16 in", "11/16 in", "1 1/16 in")
    assert found[0].meant == meant


def test_a_fine_grid_is_worth_nothing_where_u_is_as_wide() -> None:
    """Five sizes on tenths of a millimetre, each known to 0.04 mm only: any size would lie on such a grid."""
    sizes = [2.3, 3.1, 4.7, 6.9, 8.2]
    assert schemes(bare_part([feature(i + 1, "round_outside", s, (15.0, 14.0), u=0.04) for i, s in enumerate(sizes)])) == ()


def test_a_wrong_scale_is_paid_for_once_by_all_sizes() -> None:
    """Sizes 1 % too large are round numbers where the scale may be that wrong, and are not where it is known."""
    def odds(scale_u: float, sizes: list[float]) -> float:
        lengths = [Length(f"F{i}", (f"F{i}",), Measured(1.01 * s, 0.002)) for i, s in enumerate(sizes)]
        found = round_numbers(bare_part([], scale_u=scale_u), lengths)
        return max((one.ln_odds for one in found if one.kind == "round_mm"), default=-99.0)

    whole = [5.0, 8.0, 13.0, 18.0, 29.0]
    assert odds(0.01, whole) > np.log(100)
    assert odds(1e-5, whole) < 0.5
    assert odds(0.01, [5.37, 8.12, 13.59, 18.26, 29.71]) < 2


def test_equal_sizes_do_not_depend_on_the_scale() -> None:
    """A scale wrong by 2 % changes neither the odds nor the members of one drill: it moves all holes alike."""
    places = scattered(np.random.default_rng(704), 3)

    def drill(stretch: float) -> Scheme:
        holes = [feature(i + 1, "round_hole", stretch * s, at, u=0.002 * stretch) for i, (s, at) in enumerate(zip([3.117, 3.119, 3.115], places, strict=True))]
        return next(one for one in schemes(bare_part(holes, scale_u=None)) if one.kind == "one_drill")

    assert drill(1.02).odds == pytest.approx(drill(1.0).odds, rel=1e-6)
    assert drill(1.02).features == drill(1.0).features


def test_printed_rows_keep_the_figures_as_found() -> None:
    """The report's rows show each measured figure with its U beside the setting, and a thickness beside its stock."""
    holes = [feature(i + 1, "round_hole", s, at) for i, (s, at) in enumerate(zip([3.117, 3.119, 3.115], scattered(np.random.default_rng(705), 3), strict=True))]
    part = bare_part(holes, [piece(1, 1.601)], scale_u=0.0)
    row = next(one for one in intended_rows(part) if one.words == "one drill")
    assert row.found == ("diameter of F1 3.117 mm (U 0.004)", "diameter of F2 3.119 mm (U 0.004)", "diameter of F3 3.115 mm (U 0.004)")
    assert row.intended[0].startswith("3.117")
    assert row.odds.endswith(" to 1")
    stock = stock_rows(part)[0]
    assert stock.thickness == "1.601 mm (U 0.004)"
    assert stock.matches[0][0].startswith("1.6 mm (ISO 3 R10, ISO 3 R20; from memory: metric first choice): agrees within U")
