"""Which sheet or rod to make a piece from, against the published tables and an exhaustive search."""

from math import sqrt
from pathlib import Path

import numpy as np
import pytest

from ctrecon.core.errors import InputError, InputFileError
from ctrecon.core.measured import Measured
from ctrecon.workshop.abrasives import FINISH, abrasive_steps, grain_um, papers
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.own_stock import OwnStock, own_stock, rod_sizes, sheet_sizes
from ctrecon.workshop.stock_choice import choose_rod, choose_sheet, choose_square_rod
from ctrecon.workshop.tables import sheet_tolerance_mm

METRIC = sheet_sizes(lists=["metric_brass"])


@pytest.mark.parametrize(
    ("mm", "width", "tolerance"),
    # EN 1652, cold rolled, by width
    [(0.3, 350, 0.022), (0.31, 350, 0.025), (1.5, 350, 0.060), (1.5, 700, 0.08), (1.5, 1000, 0.10), (1.5, 1250, 0.11), (3.0, 600, 0.10), (6.0, 1250, 0.26), (0.4, 351, 0.04)],
)
def test_sheet_tolerances(mm: float, width: float, tolerance: float) -> None:
    """Cells of EN 1652 by thickness over-to and width up to."""
    assert sheet_tolerance_mm(mm, width_mm=width) == tolerance


def test_wide_sheet_is_less_true() -> None:
    """The four columns rise with width (EN 1652); beyond 1250 mm the table ends."""
    for mm in (0.35, 0.6, 1.0, 1.5, 2.2, 3.0, 3.5, 4.5, 5.5):
        row = [sheet_tolerance_mm(mm, width_mm=w) for w in (350, 700, 1000, 1250)]
        assert row == sorted(set(row))
    with pytest.raises(InputError, match="ends at 1250 mm"):
        sheet_tolerance_mm(1.0, width_mm=1300)


def test_nearest_that_works_as_it_is() -> None:
    """1.47 +- 0.1: sheet of 1.5 may be 1.44 to 1.56 (EN 1652) and always works; +- 0.05: only if it is true; +- 0.02: not."""
    sure = choose_sheet(Measured(1.47, 0.005), 0.1, sizes=METRIC)
    assert (sure.chosen.kind, sure.chosen.stock.size_mm) == ("as it is", 1.5)
    perhaps = choose_sheet(Measured(1.47, 0.005), 0.05, sizes=METRIC)
    assert (perhaps.chosen.kind, perhaps.chosen.stock.size_mm) == ("measure first", 1.5)
    assert "put the caliper to it first" in perhaps.reason
    down = choose_sheet(Measured(1.47, 0.005), 0.02, sizes=METRIC)
    # 1.5 may be rolled to 1.44: too thin; 2.0 may be 1.93 to 2.07
    assert (down.chosen.kind, down.chosen.stock.size_mm) == ("rub down", 2.0)
    assert (down.chosen.off_least_mm, down.chosen.off_most_mm) == (pytest.approx(0.46), pytest.approx(0.60))
    assert any("mill it" in one for one in down.warnings)


def test_thinnest_oversize_against_a_search() -> None:
    """For random thicknesses no thinner listed sheet would do even if rolled at its thinnest, and its thickest fits the range told."""
    rng = np.random.default_rng(51)
    everything = sheet_sizes()
    for _ in range(150):
        wanted = float(rng.uniform(0.2, 6.5))
        plan = choose_sheet(Measured(wanted, 0.001), 1e-6, sizes=everything)
        chosen = plan.chosen
        if chosen.kind != "rub down":
            continue
        enough = [s.size_mm for s in everything if s.size_mm - sheet_tolerance_mm(s.size_mm) >= wanted]
        assert chosen.stock.size_mm == min(enough)
        for part in np.linspace(-1, 1, 5):
            sheet = chosen.stock.size_mm + part * sheet_tolerance_mm(chosen.stock.size_mm)
            assert chosen.off_least_mm - 1e-9 <= sheet - wanted <= chosen.off_most_mm + 1e-9


def test_own_sheet_at_hand_goes_first() -> None:
    """A sheet the shop has, measured true, is taken before one to be bought that is as near."""
    mine = OwnStock("sheet", 1.5, 0.005, "offcut 7", "C36000")
    plan = choose_sheet(Measured(1.49, 0.002), 0.02, sizes=sheet_sizes(lists=["metric_brass"], own=[mine]))
    assert plan.chosen.kind == "as it is"
    assert plan.chosen.stock.at_hand and "offcut 7" in plan.reason
    only = sheet_sizes(lists=[], own=[mine])
    with pytest.raises(PlanError, match=r"the thickest is 1\.5 mm"):
        choose_sheet(Measured(1.6, 0.002), 0.02, sizes=only)
    with pytest.raises(PlanError, match="there is none"):
        choose_sheet(Measured(1.6, 0.002), 0.02, sizes=())


def test_a_size_of_several_lists_is_one() -> None:
    """0.5 in is SWG 7/0; 1.0 mm stands once however many lists have it; from memory only where all are."""
    sizes = sheet_sizes(lists=["iso3_r10", "metric_brass"])
    one = [s for s in sizes if abs(s.size_mm - 1.0) < 1e-6]
    assert len(one) == 1 and len(one[0].entries) == 2


def test_the_scan_against_the_tolerance() -> None:
    """U of 0.012 for a piece made to 0.02 is well; 0.03, or a scale of 1 %, is not."""
    assert choose_sheet(Measured(1.5, 0.006), 0.02, sizes=METRIC).warnings == ()
    assert "do not trust the number" in choose_sheet(Measured(1.5, 0.015), 0.02, sizes=METRIC).warnings[0]
    assert choose_sheet(Measured(1.5, 0.006), 0.02, sizes=METRIC, scale_u_rel=0.01).warnings
    assert choose_sheet(Measured(1.5), 0.02, sizes=METRIC).warnings == ()


def test_papers() -> None:
    """P grades (FEPA, two tables agree): P400 is 35 micrometres, a plain 400 is another series and refused; papers go from coarse to fine."""
    assert (grain_um("P120"), grain_um("P400"), grain_um("P800"), grain_um("P2500")) == (125, 35.0, 21.8, 8.4)
    with pytest.raises(InputError, match="without P is another series"):
        grain_um("400")
    for off in (0.005, 0.03, 0.08, 0.2, 0.6, 2.0):
        steps = abrasive_steps(off)
        grains = [one.grain_um for one in steps]
        assert steps[-1].grade == FINISH and steps[-1].leave_mm == 0
        assert grains == sorted(set(grains), reverse=True)
        assert grains[0] <= max(125.0, 25.8)
        assert all(one.leave_mm < off for one in steps)
    assert [one.grade for one in abrasive_steps(0.005)] == ["P600"]
    assert abrasive_steps(0.6)[0].grade == "P120"
    assert papers(abrasive_steps(0.1)) == "P320 until 0.05 over, P600 to size"


def test_round_rod() -> None:
    """6.0 is sold as it is (h11: 5.925 to 6, ISO 286); 5.85 is turned from it only if 0.3 can come off, so from 7."""
    assert choose_rod(Measured(5.97, 0.01), 0.1).chosen.kind == "as it is"
    down = choose_rod(Measured(5.85, 0.01), 0.02)
    assert (down.chosen.kind, down.chosen.stock.size_mm) == ("turn down", 7.0)
    assert (down.chosen.off_least_mm, down.chosen.off_most_mm) == (pytest.approx(1.06), pytest.approx(1.15))
    with pytest.raises(PlanError, match="the thickest is 50 mm"):
        choose_rod(Measured(60.0, 0.01), 0.02)


@pytest.mark.parametrize("flats", [3.0, 5.0, 6.35, 8.0, 10.0])
def test_round_rod_must_reach_the_corners(flats: float) -> None:
    """Corners at 4.2426, 7.0711, 8.9803, 11.3137, 14.1421: the rod at its thinnest is no less, and the next thinner one would be."""
    plan = choose_square_rod(Measured(flats, 0.01), 0.02, square=())
    rod = plan.chosen.stock
    assert rod.least_mm >= flats * sqrt(2)
    assert all(one.least_mm < flats * sqrt(2) for one in rod_sizes("round") if one.size_mm < rod.size_mm)


def test_a_rod_of_just_the_corner_size_may_be_too_thin() -> None:
    """Rod of 7.0 drawn to h11 may be 6.91 (ISO 286: 90 micrometres): it can't give a square of 7/√2 = 4.95; own rod true to 7.0 can."""
    assert choose_square_rod(Measured(7 / sqrt(2), 0.01), 0.02, square=()).chosen.stock.size_mm == 8.0
    true = rod_sizes("round", own=[OwnStock("round", 7.0, 0.0, "ground rod", "")], listed=False)
    assert choose_square_rod(Measured(7 / sqrt(2), 0.01), 0.02, square=(), round_rod=true).chosen.stock.at_hand
    square = choose_square_rod(Measured(5.0, 0.01), 0.1)
    assert (square.chosen.kind, square.chosen.section) == ("as it is", "square")
    assert square.others[-1].kind == "file square"


def test_own_list(tmp_path: Path) -> None:
    """A list of one's own is read with its comments, missing values and names."""
    path = tmp_path / "stock.csv"
    path.write_text("# my shelf\nsection,size_mm,tolerance_mm,label,material\nsheet,1.5,,half sheet,CuZn37\n\nround,6,0.01,\"rod, ground\",steel\n", encoding="utf-8")
    found = own_stock(path)
    assert found == (OwnStock("sheet", 1.5, None, "half sheet", "CuZn37"), OwnStock("round", 6.0, 0.01, "rod, ground", "steel"))
    short = tmp_path / "short.csv"
    short.write_text("label,thickness_mm\n,0.8\nhalf sheet,1.5\n", encoding="utf-8")
    assert [(one.section, one.size_mm, one.entry) for one in own_stock(short)] == [("sheet", 0.8, "own sheet"), ("sheet", 1.5, "half sheet")]
    (sheet,) = sheet_sizes(lists=[], own=found)
    assert (sheet.least_mm, sheet.most_mm) == (pytest.approx(1.44), pytest.approx(1.56))


@pytest.mark.parametrize(
    ("text", "words"),
    [("", "is empty"), ("section,thickness\n", "line 1: unknown column 'thickness'"), ("section\nsheet\n", "line 1: no column thickness_mm or size_mm"),
     ("section,size_mm\nsheet,1.5\nsheet,thick\n", "line 3: size_mm is 'thick'"), ("section,size_mm\n#\nplate,1.5\n", "line 3: section 'plate'"),
     ("section,size_mm\nsheet,-1\n", "line 2: size_mm is -1"), ("section,size_mm,tolerance_mm\nsheet,1,2\n", "line 2: tolerance_mm is 2"),
     ("section,size_mm\nsheet,1,5\n", "line 2: has 3 values"), ("section,size_mm\nsheet,inf\n", "line 2: size_mm is 'inf'"), ("section,size_mm,size_mm\n", "a column twice"), ("size_mm,thickness_mm\n", "a column twice"), ("thickness_mm\n0\n", "line 2: thickness_mm is 0")],
)  # fmt: skip
def test_a_bad_list_names_file_and_line(tmp_path: Path, text: str, words: str) -> None:
    """One sentence with file and line."""
    path = tmp_path / "stock.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputFileError, match=words) as refused:
        own_stock(path)
    assert str(path) in str(refused.value)


def test_a_list_that_cannot_be_read(tmp_path: Path) -> None:
    """Missing, a folder, or no text: named."""
    with pytest.raises(InputFileError, match="cannot be read"):
        own_stock(tmp_path / "none.csv")
    with pytest.raises(InputFileError, match="cannot be read"):
        own_stock(tmp_path)
    (tmp_path / "odd.csv").write_bytes(b"\xff\xfe\x00section")
    with pytest.raises(InputFileError, match="no text in UTF-8"):
        own_stock(tmp_path / "odd.csv")


@pytest.mark.parametrize(("wanted", "tolerance"), [(0.0, 0.1), (-1.0, 0.1), (float("nan"), 0.1), (1.0, -0.1), (1.0, float("nan"))])
def test_senseless_wishes_are_refused(wanted: float, tolerance: float) -> None:
    """A size or tolerance that makes no sense is refused for sheet and rod alike."""
    for choose in (choose_sheet, choose_rod, choose_square_rod):
        with pytest.raises(PlanError):
            choose(Measured(wanted, 0.01), tolerance)
