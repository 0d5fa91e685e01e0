"""Changes to an assembly, and the TOML they are written as; the reader of TOML in the standard library is the judge."""

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import ctrecon
from ctrecon.core.errors import InputError, InputFileError, OutputExistsError
from ctrecon.workshop.assembly.changed import (
    AssemblyFile,
    open_assembly,
    with_done,
    with_habit,
    with_keep_out,
    with_keep_out_at,
    with_made,
    with_override,
    without_keep_out,
)
from ctrecon.workshop.assembly.changed_text import changed_tables, save_assembly, toml_text, whole_text

COUNTER = Path(ctrecon.__file__).parents[1] / "notebooks" / "fare_counter" / "assembly.toml"

# written as people write: comments, a table in one line, a list over several, dotted keys, an apostrophe
ODD = """# an odd file
name = 'two plates'   # in apostrophes
stack = ["upper", "lower"]
done = [
  "blank-upper", # sawn
  "blank-lower",
]
made.lower.thickness = "1.98±0.01"

[axes.post] # the only one
[parts.upper]
role = "plate"
outline = { size_mm = [20.0, 12.0] }
thickness_mm = 2.0
holes = [{ name = "post", axis = "post", diameter_mm = 3.0, at_mm = [0.0, 0.0] }]
# below the upper one lies
[parts.lower]
role = "plate"
outline = { size_mm = [20.0, 12.0] }
thickness_mm = 2.0
holes = [{ name = "post", axis = "post", diameter_mm = 3.0, at_mm = [0.0, 0.0] }]

[shop] # our habits
edge_margin_mm = 0.6
# the end
"""


@pytest.fixture(scope="module")
def counter() -> AssemblyFile:
    """Return the fare counter's file, unchanged."""
    return open_assembly(COUNTER)


@pytest.fixture
def odd(tmp_path: Path) -> AssemblyFile:
    """Return a file of two typed plates that is written in unusual ways."""
    path = tmp_path / "odd.toml"
    path.write_text(ODD, encoding="utf-8")
    return open_assembly(path)


def test_a_made_thickness_moves_what_rests_on_it(counter: AssemblyFile) -> None:
    """The spacer's upper face rises by what it came out thicker; it is put in, replaced, and taken out again."""
    before = counter.assembly()
    changed = with_made(with_made(counter, "spacer.thickness", 1.6), "spacer.thickness", "1.49±0.01")
    after = changed.assembly()
    size = after.sizes["spacer.thickness"]
    assert (size.value, size.basis, size.U) == (1.49, "made", pytest.approx(0.01))
    rise = after["spacer"].to_z - before["spacer"].to_z
    assert rise == pytest.approx(1.49 - before["spacer"].thickness.value)
    assert after["spacer"].from_z == pytest.approx(before["spacer"].from_z)
    assert with_made(changed, "spacer.thickness", None).data == counter.data
    assert "made" not in counter.data


def test_a_moved_keep_out_stands_where_it_was_put(counter: AssemblyFile) -> None:
    """One that hung on an axis and one with a place both come to the place given, in the same shape and on the same plates."""
    before = {one.name: one for one in counter.assembly().keep_outs}
    changed = with_keep_out_at(with_keep_out_at(counter, "bearing ring", 2.0, -1.5), "number plate", -3.0, 4.25)
    after = {one.name: one for one in changed.assembly().keep_outs}
    for name, place in (("bearing ring", (2.0, -1.5)), ("number plate", (-3.0, 4.25))):
        middle = after[name].shape.centroid
        assert (middle.x, middle.y) == pytest.approx(place, abs=1e-4)
        assert after[name].shape.area == pytest.approx(before[name].shape.area)
        assert after[name].plates == before[name].plates
        assert after[name].margin_mm == before[name].margin_mm
    assert [one.name for one in changed.assembly().keep_outs] == list(before)


def test_keep_outs_come_and_go(counter: AssemblyFile) -> None:
    """A new keep-out holds for all plates where none is named; without it the file is what it was."""
    new = with_keep_out(counter, "old hole", at=(3.0, 2.0), diameter=2.0)
    found = new.assembly().keep_outs[-1]
    assert found.plates == new.assembly().stack
    assert found.shape.bounds == pytest.approx((2.0, 1.0, 4.0, 3.0), abs=0.01)
    small = with_keep_out(new, "old hole", at=(0.0, 0.0), size=(4.0, 1.0), plates=["top_plate"], margin=0.2)
    found = small.assembly().keep_outs[-1]
    assert (found.plates, found.margin_mm, found.shape.area) == (("top_plate",), 0.2, pytest.approx(4.0))
    assert without_keep_out(small, "old hole").data == counter.data


def test_ticks_habits_and_decisions(counter: AssemblyFile) -> None:
    """Each change is seen in the assembly that is read, and taking it back leaves no trace."""
    ticked = with_done(with_done(counter, "blank-top_plate"), "blank-top_plate")
    assert ticked.assembly().done == ("blank-top_plate",)
    assert with_done(ticked, "blank-top_plate", False).data == counter.data
    assert with_habit(counter, "edge_margin_mm", 1.25).assembly().shop.edge_margin_mm == 1.25
    pair = "top_plate/middle_plate"
    chosen = with_override(counter, "pins", pair, [[-12.0, -11.0], [16.0, 10.0]])
    chosen = with_override(chosen, "stock", "spacer", 2.0)
    assert chosen.assembly().overrides.pins == {("top_plate", "middle_plate"): ((-12.0, -11.0), (16.0, 10.0))}
    assert chosen.assembly().overrides.stock == {"spacer": 2.0}
    back = with_override(with_override(chosen, "pins", pair, None), "stock", "spacer", None)
    assert back.data == counter.data


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda file: with_made(file, "spacer.thicknes", "1.49"), r"assembly\.toml: made\.spacer\.thicknes: .*did you mean"),
        (lambda file: with_made(file, "spacer.thickness", "thick"), "'thick' is no size"),
        (lambda file: with_habit(file, "edge_margin_mm", -1.0), "edge_margin_mm: is -1; give a number from 0"),
        (lambda file: with_keep_out_at(file, "number plat", 0.0, 0.0), "did you mean number plate"),
        (lambda file: without_keep_out(file, "ring"), "there is no keep-out 'ring'"),
        (lambda file: with_keep_out(file, "x", at=(0.0, 0.0)), "give one of them"),
        (lambda file: with_override(file, "pin", "a/b", []), "did you mean pins"),
    ],
)
def test_what_cannot_be_is_refused_in_one_sentence(counter: AssemblyFile, change: Any, says: str) -> None:
    """The file's own checks refuse a change with file and key, as if it had been typed there."""
    with pytest.raises(InputError, match=says) as refused:
        change(counter).assembly()
    assert "\n" not in str(refused.value)


def test_only_changed_tables_are_copied(counter: AssemblyFile) -> None:
    """What is shown to copy is TOML of the changed tables whole, and nothing else."""
    changed = with_done(with_made(counter, "spacer.thickness", "1.49±0.01"), "blank-top_plate")
    assert tomllib.loads(changed_tables(changed)) == {
        "made": {"spacer.thickness": "1.49±0.01"}, "done": ["blank-top_plate"],
    }  # fmt: skip
    assert tomllib.loads(changed_tables(counter)) == {}
    assert "nothing is changed in assembly.toml" in changed_tables(counter)


def test_all_but_the_changes_stays_as_it_was_written(counter: AssemblyFile) -> None:
    """Of the fare counter's file only the lines of the moved keep-out and of the new tables differ."""
    changed = with_made(with_keep_out_at(counter, "number plate", 1.0, 9.0), "spacer.thickness", "1.49±0.01")
    text = whole_text(changed)
    old, new = counter.text.splitlines(), text.splitlines()
    assert tomllib.loads(text) == changed.data
    assert [line for line in new if line not in old] == ["at_mm = [1.0, 9.0]", "[made]", '"spacer.thickness" = "1.49±0.01"']
    assert [line for line in old if line not in new] == ["at_mm = [4.0, 9.8]"]


def test_odd_ways_of_writing_are_kept(odd: AssemblyFile) -> None:
    """Lists over several lines, dotted keys and comments: what changes is replaced, the comments round it stay."""
    changed = with_habit(with_made(with_done(odd, "blank-upper", False), "upper.thickness", 2.02), "edge_margin_mm", 0.7)
    text = whole_text(changed)
    assert tomllib.loads(text) == changed.data
    assert changed.assembly().sizes["lower.thickness"].value == 1.98
    for kept in ("# an odd file", "# in apostrophes", "[axes.post] # the only one", "# below the upper one lies", "[shop] # our"):
        assert kept in text
    assert "# sawn" not in text


def test_the_saved_file_finds_its_records_from_another_folder(counter: AssemblyFile, tmp_path: Path) -> None:
    """Saved elsewhere, records are named from there; the same assembly is read."""
    folder = tmp_path / "bench"
    folder.mkdir()
    changed = with_made(counter, "spacer.thickness", "1.49±0.01")
    saved = save_assembly(changed, folder / "mine.toml")
    again, expected = open_assembly(saved).assembly(), changed.assembly()
    assert again.sizes == expected.sizes
    assert again.keep_outs == expected.keep_outs
    assert "# The fare counter of a river ferry" in saved.read_text(encoding="utf-8")


def test_own_lists_of_stock_are_found_too(odd: AssemblyFile, tmp_path: Path) -> None:
    """A list of stock beside the file is named from the folder it is saved to; absolute names stay."""
    (tmp_path / "shelf.csv").write_text("label,thickness_mm\nend of the shelf,1.97\n", encoding="utf-8")
    for name in ("shelf.csv", str(tmp_path / "shelf.csv")):
        odd.path.write_text(f"{ODD}\n[stock]\nstock_files = ['{name}'] # measured\n", encoding="utf-8")
        folder = tmp_path / "deeper" / Path(name).parent.name
        folder.mkdir(parents=True)
        saved = save_assembly(with_done(open_assembly(odd.path), "blank-upper", False), folder / "mine.toml")
        again = open_assembly(saved).assembly()
        assert [one.label for one in again.stock.own] == ["end of the shelf"]
        assert again.done == ("blank-lower",)
        assert "# measured" in saved.read_text(encoding="utf-8")


def test_no_file_is_overwritten_unasked(odd: AssemblyFile) -> None:
    """A file that is there stays as it is until somebody says that it may be replaced; folders and no name are refused."""
    changed = with_made(odd, "upper.thickness", 2.02)
    with pytest.raises(OutputExistsError, match="is there already"):
        save_assembly(changed, odd.path)
    assert odd.path.read_text(encoding="utf-8") == ODD
    for bad in ("", " ", odd.path.parent):
        with pytest.raises(InputFileError):
            save_assembly(changed, bad)
    assert save_assembly(changed, odd.path, replace_it=True) == odd.path
    assert open_assembly(odd.path).data == changed.data
    assert [one.name for one in odd.path.parent.iterdir()] == ["odd.toml"]


_NAMES = st.text(max_size=6) | st.sampled_from(["made", "spacer.thickness", "a b", "é"])
_PLAIN = st.booleans() | st.integers(-(2**62), 2**62) | st.floats(allow_nan=False) | st.text(max_size=8)
_DATA = st.dictionaries(
    _NAMES,
    st.recursive(
        _PLAIN, lambda inside: st.lists(inside, max_size=3) | st.dictionaries(_NAMES, inside, max_size=3), max_leaves=12
    ),
    max_size=5,
)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(_DATA)
def test_any_data_are_written_as_they_are_read(data: dict[str, Any]) -> None:
    """Whatever the data are, the standard library's reader of TOML gives them back."""
    assert tomllib.loads(toml_text(data)) == data
