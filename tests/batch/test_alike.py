"""What parts share: made-up records whose common drills, sheets, patterns and rings are known."""

import base64
import io
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image

from ctrecon.batch import Entry
from ctrecon.batch.alike import Alike, find_alike
from ctrecon.batch.index import write_index
from ctrecon.batch.together import write_summary
from ctrecon.core.measured import Measured
from ctrecon.record.part import Axis, Feature, Part, StackInfo

U = 0.003


def _feature(ident: str, kind: str, x: float, y: float, **more: object) -> Feature:
    place = {"x_mm": Measured(x, U), "y_mm": Measured(y, U)}
    depth = {"depth_from_mm": Measured(0.0, U), "depth_to_mm": Measured(2.0, U)}
    return Feature(id=ident, kind=kind, **place, **depth, **more)  # type: ignore[arg-type]


def _entry(name: str, *features: Feature) -> Entry:
    stack = StackInfo(source=name, slices=40, rows=99, columns=99, voxel_mm=(0.05, 0.05, 0.05), scale_basis="stated")
    axis = Axis(tilt_deg=Measured(0.0, 0.02), direction_xyz=(0.0, 0.0, 1.0))
    part = Part(name=name, made_with="ctrecon 0.1.0", stack=stack, axis=axis, features=features)
    return Entry(stack=name, results=name, outcome="measured", part=part)


def _plate(name: str, places: np.ndarray, diameters: list[float], seed: int) -> Entry:
    rng = np.random.default_rng(seed)
    noisy = places + rng.normal(0, U, places.shape)
    holes = [
        _feature(f"F{k}", "round_hole", *at, diameter_mm=Measured(size + rng.normal(0, U), U))
        for k, (at, size) in enumerate(zip(noisy, diameters, strict=True), 1)
    ]
    return _entry(name, *holes)


def _of(found: list[Alike], what: str) -> list[Alike]:
    return [one for one in found if one.what == what]


@pytest.mark.parametrize("turned_over", [False, True])
def test_a_pattern_is_found_however_the_plates_lie(turned_over: bool) -> None:
    """Five holes, turned by 73 degrees, moved, maybe turned over, among strangers of other sizes, are the ones named."""
    rng = np.random.default_rng(4)
    common = rng.uniform(-8, 8, (5, 2))
    turn = np.radians(73.0)
    moved = (common * (1, -1) if turned_over else common) @ [[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]
    one = _plate("lower", np.vstack([common, [[9.0, 0.5]]]), [1.0, 1.0, 1.5, 1.5, 2.0, 0.7], 1)
    two = _plate("upper", np.vstack([[[0.0, 11.0]], moved + (3, -2)]), [3.0, 1.0, 1.0, 1.5, 1.5, 2.0], 2)
    (found,) = _of(find_alike([one, two]), "hole pattern")
    assert {i for stack, i in found.members if stack == "lower"} == {f"F{k}" for k in range(1, 6)}
    assert {i for stack, i in found.members if stack == "upper"} == {f"F{k}" for k in range(2, 7)}
    assert ("turned over" in found.says) == turned_over


def test_strangers_share_no_pattern() -> None:
    """Of twenty pairs of plates with six holes each by chance, none is said to have been drilled together."""
    for seed in range(20):
        rng = np.random.default_rng(100 + seed)
        one, two = (_plate(name, rng.uniform(-9, 9, (6, 2)), [1.0] * 6, seed) for name in ("one", "two"))
        assert not _of(find_alike([one, two]), "hole pattern")


def test_one_drill_is_told_from_another() -> None:
    """Bores of 1.00 and 1.05 mm measured to 0.003 in four stacks come as two groups; one alone in its size in none."""
    entries = [_plate(f"s{k}", np.array([[0.0, 0.0], [5.0, 0.0]]), [1.0, 1.05], k) for k in range(4)]
    entries.append(_plate("alone", np.array([[0.0, 0.0]]), [1.4], 9))
    groups = _of(find_alike(entries), "bore")
    assert [sorted(group.members) for group in groups] == [
        [(f"s{k}", "F1") for k in range(4)], [(f"s{k}", "F2") for k in range(4)],
    ]  # fmt: skip
    assert [round(group.size.value, 2) for group in groups if group.size] == [1.0, 1.05]


def test_the_number_by_chance_is_about_what_chance_gives() -> None:
    """Thirty stacks of bores of any size: over many draws, sizes near a group's mean by chance are as many as said."""
    said, there = [], []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        sizes = rng.uniform(0.85, 1.15, 30)
        entries = [_plate(f"s{k}", np.zeros((1, 2)), [1.0 if k < 2 else size], seed * 50 + k) for k, size in enumerate(sizes)]
        group = next(one for one in _of(find_alike(entries), "bore") if ("s0", "F1") in one.members)
        assert group.by_chance is not None
        said.append(group.by_chance)
        there.append(len(group.members) - 2)
    assert np.mean(there) == pytest.approx(np.mean(said), rel=0.5)


def test_fragments_of_one_ring_fit_into_one_turn() -> None:
    """Rims of one diameter join if they are no more than a whole turn together."""

    def rim(name: str, diameter: float, arc: float) -> Entry:
        return _entry(name, _feature("F1", "round_outside", 0, 0, diameter_mm=Measured(diameter, U), arc_deg=arc))

    found = _of(find_alike([rim("a", 12.0, 200.0), rim("b", 12.004, 140.0), rim("c", 12.0, 190.0), rim("d", 13.0, 90.0)]), "ring")
    assert [[stack for stack, _ in one.members] for one in found] == [["a", "b"], ["b", "c"]]


def test_copies_are_told_and_share_nothing(tmp_path: Path) -> None:
    """What a copy agrees in says nothing of drills: it is named as a copy in table and page and compared with no other."""
    sizes = [2.0, 2.5, 3.0]
    first, other = (_plate(name, np.array([[0, 0], [9, 1], [4, 7.0]]), sizes, seed) for name, seed in (("a", 1), ("c", 2)))
    copy = replace(first, stack="b", same_as="a")
    assert {stack for one in find_alike([first, copy, other]) for stack, _ in one.members} == {"a", "c"}
    assert find_alike([first, copy]) == []
    write_summary([first, copy], tmp_path / "s.csv")
    assert [line.rpartition(",")[2] for line in (tmp_path / "s.csv").read_text().splitlines()] == ["says", "", "the same slices as a"]
    write_index([first, copy], [], tmp_path)
    assert "the same slices as <b>a</b>" in (tmp_path / "index.html").read_text(encoding="utf-8")


def test_the_picture_of_a_sheet_is_its_first_page(tmp_path: Path) -> None:
    """Of three pages under each other, parted by grey as the sheet's picture has them, the page shows the first whole."""
    (tmp_path / "a").mkdir()
    one = np.full((210, 297), 255, np.uint8)
    one[10:200, 10:287] = 254
    one[100] = 0
    band = np.full((8, 297), 200, np.uint8)
    Image.fromarray(np.vstack([one, band, one, band, one])).save(tmp_path / "a" / "sheet.png")
    write_index([_entry("a")], [], tmp_path)
    page = (tmp_path / "index.html").read_text(encoding="utf-8")
    data = page.partition("data:image/png;base64,")[2].partition('"')[0]
    with Image.open(io.BytesIO(base64.b64decode(data))) as small:
        assert small.size == (220, 156)


def test_a_name_is_no_formula_in_the_tables(tmp_path: Path) -> None:
    """A stack called =cmd() is text in the summary (OWASP, CSV injection), and numbers stay numbers."""
    write_summary([_entry("=cmd()", _feature("F1", "round_hole", 0, 0, diameter_mm=Measured(1.0, U)))], tmp_path / "s.csv")
    row = (tmp_path / "s.csv").read_text(encoding="utf-8").splitlines()[1]
    assert row.startswith("'=cmd(),'=cmd(),measured,1,0,,2.00,0.05,")


def test_the_page_takes_any_name(tmp_path: Path) -> None:
    """A name of angle brackets, quotes and ampersands stands on the page as text, and its links as paths."""
    entry = _entry('a <b onclick="x">&', _feature("F1", "round_hole", 0, 0, diameter_mm=Measured(1.0, U)))
    write_index([entry, Entry(stack="bad", results="", outcome="failed", says="bad: is <spoilt>")], [], tmp_path)
    page = (tmp_path / "index.html").read_text(encoding="utf-8")
    body = page[page.index("<body>") : page.index("</html>")]
    tree = ElementTree.fromstring(body)
    assert [one.text for one in tree.iter("b")] == ['a <b onclick="x">&', "bad", "bad: is <spoilt>"]
    links = [one.get("href") or "" for one in tree.iter("a")]
    assert "a%20%3Cb%20onclick%3D%22x%22%3E%26/report.html" in links
    (failed,) = [one for one in tree.iter("a") if one.text == "bad"]  # named above all rows, with a link to its own
    assert [row.findtext(".//b") for row in tree.iter("tr") if f"#{row.get('id')}" == failed.get("href")] == ["bad"]
