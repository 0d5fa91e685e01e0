"""Stock for a thickness: ranked, honest about what the lists cannot settle, and how much was rubbed off."""

from dataclasses import replace

import numpy as np
import pytest

from ctrecon.core.errors import InputError
from ctrecon.core.measured import Measured
from ctrecon.record.part import Part
from ctrecon.workshop.stock import NO_LIST, ROLLED, RUBBED, RUBBED_OFF, match_stock, stock_of_pieces, stock_verdict
from ctrecon.workshop.tables import LISTS, sheet_list, sheet_tolerance_mm


def test_agreement_names_every_list() -> None:
    """1.6 mm stands in R10, R20 and the metric first choice; it comes first, within U."""
    best = match_stock(Measured(1.601, 0.002), 0.0005)[0]
    assert best.thickness_mm == 1.6
    assert best.within_u
    assert best.entries == ("ISO 3 R10", "ISO 3 R20", "metric first choice")
    assert best.from_memory == ("metric first choice",)
    assert "from memory: metric first choice" in best.says
    assert f"(U {2 * np.hypot(0.002, 0.0005 * 1.601):.3f})" in best.says


def test_rubbed_down_says_how_far() -> None:
    """0.93 mm from a metric list: the size above explains it, 0.07 mm lower, beyond the rolling tolerance of 0.05 (EN 1652)."""
    matches = match_stock(Measured(0.93, 0.003), 0.0005, lists=["metric_brass"])
    assert matches[0].thickness_mm == 1.0
    assert matches[0].off_mm == pytest.approx(-0.07)
    assert "found 0.070 mm (U 0.006) thinner: had it been this stock, that much was rubbed or worn off" in matches[0].says
    below = next(one for one in matches if one.thickness_mm == 0.8)
    assert below.probability < 0.001
    assert "too thick for this stock" in below.says


def test_several_within_u_are_undecided() -> None:
    """SWG 16 is 1.626 mm and AWG 14 is 1.628 mm: no thickness known to 0.01 mm tells them apart, and the verdict says so."""
    matches = match_stock(Measured(1.627, 0.005), 0.0, lists=["swg", "awg"])
    inside = [one for one in matches if one.within_u]
    assert {entry for one in inside for entry in one.entries} == {"SWG 16", "AWG / B&S 14"}
    assert stock_verdict(matches).startswith("undecided: 2 sizes lie within U")
    assert abs(inside[0].probability - inside[1].probability) < 0.1


def test_a_scale_in_doubt_widens_the_choice() -> None:
    """The same thickness with the scale known to 2 % only has more sizes within U."""
    sharp = match_stock(Measured(1.0, 0.002), 0.0005)
    vague = match_stock(Measured(1.0, 0.002), 0.02)
    assert sum(one.within_u for one in vague) > sum(one.within_u for one in sharp) == 1


def test_probabilities_are_those_of_the_stated_model() -> None:
    """Pieces drawn as the stated beforehand shares say: where a chance of 50 to 90 % is given, that many are right."""
    rng = np.random.default_rng(601)
    given, right = [], []
    span = (0.12, 9.0)
    for _ in range(2500):
        u, stock = 0.003, None
        if rng.random() < NO_LIST:
            t = float(np.exp(rng.uniform(*np.log(span))))
        else:
            sizes = sheet_list(list(LISTS)[int(rng.integers(len(LISTS)))]).sizes
            at = float(np.exp(rng.uniform(*np.log(span))))
            stock = min((s.thickness_mm for s in sizes), key=lambda mm: abs(np.log(mm / at)))
            t = stock + rng.choice(ROLLED) * sheet_tolerance_mm(stock) * rng.normal()
            t -= rng.exponential(RUBBED_OFF * stock) if rng.random() < RUBBED else 0.0
        best = match_stock(Measured(float(t + u * rng.normal()), u), 0.0)[0]
        given.append(best.probability)
        right.append(stock is not None and abs(best.thickness_mm - stock) < 1e-5)
    sure = (np.array(given) > 0.5) & (np.array(given) < 0.9)
    assert sure.sum() > 150
    assert np.mean(np.array(right)[sure]) == pytest.approx(np.mean(np.array(given)[sure]), abs=0.09)


@pytest.mark.parametrize(("thickness", "options", "words"), [(-1.0, {}, "above 0"), (1.0, {"no_list": 1.5}, "is not a share"), (1.0, {"lists": ["rulers"]}, "no list of sheet stock")])
def test_senseless_input_is_refused(thickness: float, options: dict[str, object], words: str) -> None:
    """A thickness that is not positive, a share that is none and an unknown list are refused in a sentence."""
    with pytest.raises(InputError, match=words):
        match_stock(Measured(thickness, 0.01), 0.0, **options)  # type: ignore[arg-type]


def test_pieces_of_a_record(little_part: Part) -> None:
    """A piece with two ends gets its thickness along a leaning axis and matches; without an end, the reason why not."""
    body = little_part.pieces[0]
    whole = replace(body, id="P2", depth_to_mm=Measured(2.5, 0.002), unknown={})
    assert little_part.axis is not None
    leaning = replace(little_part, pieces=(body, whole), axis=replace(little_part.axis, direction_xyz=(0.6, 0.0, 0.8)))
    none, some = stock_of_pieces(leaning)
    assert none.thickness is None
    assert "it runs out of the stack" in none.says
    assert some.thickness is not None
    assert some.thickness.value == pytest.approx(2.0 / 0.8)
    assert some.thickness.u == pytest.approx(0.002 * 2**0.5 / 0.8)
    assert some.matches[0].thickness_mm == 2.5
    assert "the scale is not known" in some.says
