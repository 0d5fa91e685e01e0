"""One piece out of a record of several: the hub with its pressed spacer, planned as two parts."""

import math
from pathlib import Path
from typing import Any

import pytest

from ctrecon.record.part import Part
from ctrecon.record.store import write_part
from ctrecon.workshop.assembly.read import read_assembly

_FILE = """
name = "hub and spacer"
stack = ["base"]
[frame]
origin = "main"
[axes.main]
[parts.base]
role = "plate"
outline = { size_mm = [40, 30] }
thickness_mm = 2
holes = [{ axis = "main", diameter_mm = 2.4 }]
[parts.hub]
role = "hub"
record = "drum_hub.part.json"
piece = "hub"
features = { flange = "F2", bore = "F1" }
face_up = "end"
axis = "main"
rests_on = "base"
[parts.spacer]
role = "spacer"
record = "drum_hub.part.json"
piece = "spacer"
features = { seat = "F5" }
face_up = "end"
axis = "main"
rests_on = "hub.F3"
"""


@pytest.fixture
def part(hub_of_two_pieces: tuple[Part, dict[str, Any]]) -> Part:
    """Return the record of the hub with its spacer, a phantom: boss 3.6, gap 0.014, drum top at 3.1, spacer to 4.9."""
    return hub_of_two_pieces[0]


def test_each_piece_has_its_own_side_of_the_seam(part: Part, tmp_path: Path) -> None:
    """The seam is the spacer's square hole (3.628 as rendered) and the boss under it (3.600), each within 2U."""
    assert [one.id for one in part.features if one.kind == "square_seam"] == ["F5"]
    write_part(part, tmp_path / "drum_hub.part.json")
    (tmp_path / "assembly.toml").write_text(_FILE, encoding="utf-8")
    read = read_assembly(tmp_path / "assembly.toml")
    hub, spacer = read["hub"], read["spacer"]
    for size, true in ((spacer.sizes["spacer.seat"], 3.6 + 2 * 0.014), (hub.sizes["hub.F5"], 3.6)):
        assert size.U is not None
        assert abs(size.value - true) <= 2 * size.U
    assert spacer.hole_on("main") is None and [one.id for one in spacer.holes] == ["seat"]
    assert [one.id for one in hub.holes] == ["bore"]
    # the flange is whole: the relief was cut from the spacer alone
    assert hub.outline.area == pytest.approx(math.pi * 36.0, rel=1e-3)
    assert spacer.outline.area < 0.985 * math.pi / 4 * 7.8**2
    assert hub.seams == spacer.seams == ()
    assert spacer.from_z == pytest.approx(2.0 + 3.1, abs=0.1)


def test_piece_that_is_not_there_is_refused(part: Part, tmp_path: Path) -> None:
    """A piece of another name is refused with the nearest that is there."""
    write_part(part, tmp_path / "drum_hub.part.json")
    (tmp_path / "assembly.toml").write_text(_FILE.replace('"spacer"\nfeat', '"spacr"\nfeat'), encoding="utf-8")
    with pytest.raises(ValueError, match=r"parts\.spacer\.piece: its record has no piece 'spacr'; did you mean spacer\?"):
        read_assembly(tmp_path / "assembly.toml")
