"""Assembly files with a fault: each is refused in one sentence that names file, key and what to do."""

import re
from pathlib import Path

import pytest

from ctrecon.core.errors import CtreconError
from ctrecon.workshop.assembly.read import read_assembly

RECORDS = Path(__file__).parents[2] / "notebooks" / "fare_counter" / "records"

_GOOD = """
name = "try"
stack = ["upper", "lower"]
[frame]
part = "upper"
origin = "main"
[axes.main]
[axes.side]
[parts.upper]
role = "plate"
outline = { size_mm = [40, 30] }
thickness_mm = "1.5±0.02"
holes = [{ axis = "main", diameter_mm = 3 }, { axis = "side", at_mm = [12, 8], diameter_mm = 2 }]
[parts.lower]
role = "plate"
outline = { size_mm = [40, 30] }
thickness_mm = 2.0
holes = [{ axis = "main", diameter_mm = 3 }, { axis = "side", at_mm = [12, 8], diameter_mm = 2 }]
[parts.spacer]
role = "spacer"
outline = { diameter_mm = 8 }
thickness_mm = "1.8±0.02"
axis = "main"
rests_on = "upper"
"""
_PLATE = f'record = "{RECORDS}/top_plate.part.json"\n'
_SCANNED = _GOOD.replace(
    'outline = { size_mm = [40, 30] }\nthickness_mm = 2.0\nholes = [{ axis = "main", diameter_mm = 3 }, '
    '{ axis = "side", at_mm = [12, 8], diameter_mm = 2 }]',
    _PLATE + 'axes = { main = "F4", side = "F2" }',
)


def _say(folder: Path, text: str) -> str:
    """Return the sentence that a file is refused with."""
    file = folder / "assembly.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(CtreconError) as refused:
        read_assembly(file)
    return str(refused.value)


def test_the_good_files_are_read(tmp_path: Path) -> None:
    """The file that the faults are put into is read, so that each fault below is the only one."""
    for text in (_GOOD, _SCANNED.replace('axes = { main = "F4", side = "F2" }', 'axes = { main = "F4" }')):
        (tmp_path / "assembly.toml").write_text(text, encoding="utf-8")
        assert [one.id for one in read_assembly(tmp_path / "assembly.toml").plates] == ["upper", "lower"]


BAD: dict[str, tuple[str, str, str, str, str]] = {
    # name: (file, what stands there, what is put in its place, key that must be named, words that must be said)
    "no TOML": (_GOOD, 'name = "try"', 'name = "try', "", "is no TOML"),
    "no name": (_GOOD, 'name = "try"', "", "name", "is missing; give what is made"),
    "unknown key at the top": (_GOOD, 'name = "try"', 'name = "try"\nkeep_out = []', "keep_out", "did you mean keep_outs?"),
    "unknown units": (_GOOD, 'name = "try"', 'name = "try"\nunits = "inches"', "units", "did you mean inch?"),
    "unknown key of a part": (_GOOD, "thickness_mm = 2.0", "thicknes_mm = 2.0\nthickness_mm = 2.0", "parts.lower.thicknes_mm", "did you mean thickness_mm?"),
    "no thickness": (_GOOD, "thickness_mm = 2.0\n", "", "parts.lower.thickness_mm", "is missing"),
    "thickness of zero": (_GOOD, "thickness_mm = 2.0", "thickness_mm = 0", "parts.lower.thickness_mm", "must be above 0"),
    "thickness below zero": (_GOOD, '"1.8±0.02"', '"-1.8±0.02"', "parts.spacer.thickness_mm", "must be above 0"),
    "thickness without end": (_GOOD, "thickness_mm = 2.0", "thickness_mm = inf", "parts.lower.thickness_mm", "give one up to"),
    "thickness of 401 digits": (_GOOD, "thickness_mm = 2.0", f"thickness_mm = {10**400}", "parts.lower.thickness_mm", "1.00e+400 is no number"),
    "gap of 401 digits": (_GOOD, "", f'\n[gaps.play]\nbetween = ["spacer.lower", "upper.upper"]\nleast_mm = {10**400}\n', "gaps.play.least_mm", "give one up to"),
    "5,000 digits": (_GOOD, "thickness_mm = 2.0", f"thickness_mm = {'9' * 5000}", "is no TOML", "mend that line"),
    "brackets 3,000 deep": (_GOOD, "thickness_mm = 2.0", f"thickness_mm = {'[' * 3000}", "is no TOML", "mend that line"),
    "± without end": (_GOOD, '"1.8±0.02"', f'"1.8±{"9" * 400}"', "parts.spacer.thickness_mm", "more than 10000 mm"),
    "true for a thickness": (_GOOD, "thickness_mm = 2.0", "thickness_mm = true", "parts.lower.thickness_mm", "write a number of mm"),
    "decimal comma": (_GOOD, '"1.8±0.02"', '"1,8±0,02"', "parts.spacer.thickness_mm", "decimal comma; write '1.8±0.02'"),
    "words for a size": (_GOOD, '"1.8±0.02"', '"about two"', "parts.spacer.thickness_mm", "'about two' is no size"),
    "± of zero": (_GOOD, '"1.8±0.02"', '"1.8±0"', "parts.spacer.thickness_mm", "must be above 0; leave it out"),
    "role that is none": (_GOOD, 'role = "spacer"', 'role = "space"', "parts.spacer.role", "did you mean spacer?"),
    "no role": (_GOOD, 'role = "spacer"\n', "", "parts.spacer.role", "is missing"),
    "no sizes": (_GOOD, 'outline = { diameter_mm = 8 }\n', "", "parts.spacer", "give one of record, outline"),
    "two sections": (_GOOD, "outline = { diameter_mm = 8 }", "outline = { diameter_mm = 8, flats_mm = 7 }", "parts.spacer.outline", "has diameter_mm and flats_mm"),
    "stack names no part": (_GOOD, '["upper", "lower"]', '["upper", "lowr"]', "stack", "did you mean lower?"),
    "stack names a spacer": (_GOOD, '["upper", "lower"]', '["upper", "spacer", "lower"]', "stack", "only plates stack"),
    "stack leaves a plate out": (_GOOD, '["upper", "lower"]', '["upper"]', "stack", "leaves out lower"),
    "stack names a plate twice": (_GOOD, '["upper", "lower"]', '["upper", "lower", "upper"]', "stack", "stands there twice"),
    "axis that is none": (_GOOD, 'axis = "main"\nrests_on', 'axis = "mian"\nrests_on', "parts.spacer.axis", "did you mean main?"),
    "axis nobody shows": (_GOOD, "[axes.side]", "[axes.side]\n[axes.third]", "axes.third", "no part has a hole on it"),
    "nothing places a part": (_GOOD, 'axis = "main"\nrests_on', "rests_on", "parts.spacer.axes", "nothing places it"),
    "rests on no part": (_GOOD, 'rests_on = "upper"', 'rests_on = "uper"', "parts.spacer.rests_on", "did you mean upper?"),
    "rests on nothing": (_GOOD, 'rests_on = "upper"\n', "", "parts.spacer.rests_on", "only one part may"),
    "rests on itself": (_GOOD, 'rests_on = "upper"', 'rests_on = "spacer"', "parts.spacer.rests_on", "names the part itself"),
    "goes round in a ring": (_GOOD, '[parts.lower]\nrole = "plate"', '[parts.lower]\nrole = "plate"\nrests_on = "spacer"', "parts.upper.rests_on", "every part rests on another"),
    "record that is not there": (_SCANNED, "top_plate.part.json", "no_plate.part.json", "parts.lower.record", "cannot be read"),
    "feature that is not there": (_SCANNED, 'side = "F2"', 'side = "F9"', "parts.lower.axes.side", "has no feature 'F9'; it has F1 (round hole 1.21"),
    "feature that is no hole": (_SCANNED, 'side = "F2"', 'side = "F3"', "parts.lower.axes.side", "F3 is a rectangular outside, no hole"),
    "one feature on two axes": (_SCANNED, 'side = "F2"', 'side = "F4"', "parts.lower.axes.side", "F4 is called 'main' already"),
    "no hole near enough": (_SCANNED, 'side = "F2"', 'side = "near"', "parts.lower.axes.side", "no hole lies within 0.5 mm of side: the nearest is"),
    "several holes near": (_SCANNED.replace('name = "try"', 'name = "try"\nmatch_within_mm = 14'), 'side = "F2"', 'side = "near"', "parts.lower.axes.side", "both lie within 14 mm of side; name the one that is meant"),
    "holes that miss their axes": (_SCANNED, 'side = "F2"', 'side = "F5"', "parts.lower.axes", "mm off the axis as the other parts have it"),
    "made size that is none": (_GOOD, 'name = "try"', 'name = "try"\nmade = { "spacer.thicknes" = 1.8 }', "made.spacer.thicknes", "did you mean spacer.thickness?"),
    "made size that is no number": (_GOOD, 'name = "try"', 'name = "try"\nmade = { "spacer.thickness" = "thin" }', "made.spacer.thickness", "is no size"),
    "keep-out without place": (_GOOD, "", '\n[[keep_outs]]\nname = "ring"\ndiameter_mm = 5\n', "keep_outs[1]", "has no place; give axis, or at_mm"),
    "keep-out on no plate": (_GOOD, "", '\n[[keep_outs]]\nname = "ring"\naxis = "main"\nplates = ["uper"]\ndiameter_mm = 5\n', "keep_outs[1].plates", "did you mean upper?"),
    "keep-out that crosses itself": (_GOOD, "", '\n[[keep_outs]]\nname = "bow"\npoints_mm = [[0, 0], [2, 2], [2, 0], [0, 2]]\n', "keep_outs[1].points_mm", "crosses itself"),
    "habit that is none": (_GOOD, "", "\n[shop]\nedge_margin = 1.0\n", "shop.edge_margin", "did you mean edge_margin_mm?"),
    "habit out of bounds": (_GOOD, "", "\n[shop]\nedge_margin_mm = -1.0\n", "shop.edge_margin_mm", "give a number from 0 to 20"),
    "taper that is none": (_GOOD, "", "\n[shop]\npin_taper = 20\n", "shop.pin_taper", "choose 50 or 48"),
    "stock list that is none": (_GOOD, "", '\n[stock]\nlists = ["metric_bras"]\n', "stock.lists", "did you mean metric_brass?"),
    "stock file that is not there": (_GOOD, "", '\n[stock]\nstock_files = ["mine.csv"]\n', "stock.stock_files", "cannot be read"),
    "pins of plates that are no neighbours": (_GOOD, "", '\n[overrides.pins]\n"lower/upper" = [[1, 2], [3, 4]]\n', "overrides.pins.lower/upper", "upper/lower"),
    "fit of no hole": (_GOOD, "", '\n[overrides.fits]\n"upper.mian" = "H7/h6"\n', "overrides.fits.upper.mian", "did you mean upper.main?"),
    "set-up of no plate": (_GOOD, "", '\n[overrides]\nset_ups = [["upper", "spacer"]]\n', "overrides.set_ups", "there is no plate 'spacer'"),
    "gap with one face": (_GOOD, "", '\n[gaps.play]\nbetween = ["spacer.lower"]\n', "gaps.play.between", "must name two faces"),
    "gap at no face": (_GOOD, "", '\n[gaps.play]\nbetween = ["spacer.lower", "upper"]\n', "gaps.play.between", "'upper' is no face"),
    "origin the part has not": (_GOOD, 'origin = "main"', 'origin = "mein"', "frame.origin", "did you mean main?"),
    "scan that is none": (_SCANNED, 'axes = { main = "F4"', 'scan = "bench"\naxes = { main = "F4"', "parts.lower.scan", "there is no scan 'bench'"),
    "two features of one name": (_GOOD, '{ axis = "side", at_mm = [12, 8], diameter_mm = 2 }]\n[parts.lower]', '{ name = "main", at_mm = [12, 8], diameter_mm = 2 }]\n[parts.lower]', "parts.upper", "calls two of its features 'main'"),
}  # fmt: skip


@pytest.mark.parametrize("case", list(BAD))
def test_fault_is_refused_in_one_sentence(case: str, tmp_path: Path) -> None:
    """The sentence begins with the file, names the key, says what is wrong and what to do."""
    text, there, instead, key, words = BAD[case]
    wrong = text + instead if not there else text.replace(there, instead, 1)
    assert wrong != text
    said = _say(tmp_path, wrong)
    assert said.startswith(f"{tmp_path / 'assembly.toml'}: {key}")
    assert words in said
    assert "\n" not in said
    assert not re.search(r"Traceback|KeyError|\bNone\b", said)


def test_missing_file_is_refused(tmp_path: Path) -> None:
    """A file that is not there is refused by its name."""
    with pytest.raises(CtreconError, match=r"nothing\.toml: cannot be read"):
        read_assembly(tmp_path / "nothing.toml")


def test_text_that_is_no_utf8_is_refused(tmp_path: Path) -> None:
    """Bytes that are no text are refused."""
    (tmp_path / "assembly.toml").write_bytes(b'name = "caf\xe9"\n')
    with pytest.raises(CtreconError, match="is no text in UTF-8"):
        read_assembly(tmp_path / "assembly.toml")


def test_own_sheet_list_without_its_column_is_refused(tmp_path: Path) -> None:
    """A CSV of sheet must have the column it is read for."""
    (tmp_path / "mine.csv").write_text("label,thick\na,1.5\n", encoding="utf-8")
    said = _say(tmp_path, _GOOD + '\n[stock]\nstock_files = ["mine.csv"]\n')
    assert "stock.stock_files" in said and "unknown column 'thick'" in said
