"""The files of a plan: whole, the same whoever runs it where, and safe to open in a spreadsheet."""

import csv
import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from ctrecon.workshop.assembly.read import read_assembly
from ctrecon.workshop.plan.compose import make_plan
from ctrecon.workshop.plan.model import Plan
from ctrecon.workshop.plan.store import plan_to_json, write_coordinates_csv, write_plan_json, write_shopping_csv

Planned = Callable[[str], Plan]


@pytest.fixture(scope="module")
def told(counter_plan: Plan) -> dict[str, Any]:
    """Return the counter's plan.json, read again."""
    data: dict[str, Any] = json.loads(plan_to_json(counter_plan))
    return data


def test_json_holds_the_whole_plan(told: dict[str, Any], counter_plan: Plan) -> None:
    """Every field of the plan is there with as many entries, and the schema says what it is."""
    assert told["schema"] == "ctrecon-plan-1"
    for name in ("checks", "registrations", "set_ups", "steps", "pieces", "buy", "cautions", "names"):
        assert len(told[name]) == len(getattr(counter_plan, name)), name
    assert [one["id"] for one in told["steps"]] == [one.id for one in counter_plan.steps]
    assert [one["id"] for one in told["assembly"]["parts"]] == [one.id for one in counter_plan.assembly.parts]


def _polygons(area: list[list[list[list[float]]]]) -> float:
    return sum(Polygon(rings[0], rings[1:]).area for rings in area)


def test_areas_come_back_from_their_rings(told: dict[str, Any], counter_plan: Plan) -> None:
    """The area of outlines, free areas and sweeps is that of the rings, holes taken out (judged by shapely)."""
    pairs: list[tuple[list[list[list[list[float]]]], BaseGeometry]] = [
        (a["region"], b.region) for a, b in zip(told["registrations"], counter_plan.registrations, strict=True)
    ]
    pairs += [
        (a["outline"], b.outline) for a, b in zip(told["assembly"]["parts"], counter_plan.assembly.parts, strict=True)
    ]
    for area, shape in pairs:
        assert _polygons(area) == pytest.approx(shape.area, rel=1e-6)
        assert all(ring[0] == ring[-1] for rings in area for ring in rings)


def test_to_make_and_as_found_are_two_fields(told: dict[str, Any]) -> None:
    """A row of a working sheet keeps what was found with its u, and what to make, under their own names."""
    rows = {row["key"]: row for piece in told["pieces"] for row in piece["rows"]}
    row = rows["hub.neck"]
    assert row["to_make"] == 5.11
    assert row["as_found"]["basis"] == "measured"
    assert row["as_found"]["size"]["value"] == pytest.approx(5.02, abs=0.01)
    assert row["as_found"]["size"]["u"] > 0
    assert row["made"] is None


def test_numbers_are_short_and_paths_are_relative(told: dict[str, Any], counter_plan: Plan) -> None:
    """Nine significant digits at the most, no folder of this machine, and pairs of numbers on one line."""
    text = plan_to_json(counter_plan)
    assert str(Path.cwd()) not in text
    assert str(counter_plan.assembly.source.parent) not in text
    assert {one["record"] for one in told["assembly"]["parts"]} >= {"records/hub.part.json", None}
    numbers = [part for line in text.splitlines() for part in line.replace("[", " ").replace("]", " ").split()]
    digits = [len(one.strip(",-").replace(".", "").lstrip("0").split("e")[0]) for one in numbers if "." in one and one.strip(",-").replace(".", "").isdigit()]
    assert len(digits) > 5000
    assert max(digits) <= 9
    assert max(len(line) for line in text.splitlines()) < 5000
    assert len(text) < 1_500_000


def test_not_finite_is_a_fault(counter_plan: Plan) -> None:
    """A number that JSON has no word for is never written."""
    one = replace(counter_plan.registrations[0], miss_mm=float("nan"))
    with pytest.raises(ValueError, match="JSON"):
        plan_to_json(replace(counter_plan, registrations=(one,)))


def test_the_same_file_elsewhere_gives_the_same_bytes(small_text: str, tmp_path: Path) -> None:
    """Planned twice, in two folders, all files are the same byte by byte."""
    outputs = []
    for name in ("here", "there"):
        folder = tmp_path / name
        folder.mkdir()
        (folder / "assembly.toml").write_text(small_text, encoding="utf-8")
        plan = make_plan(read_assembly(folder / "assembly.toml"))
        write_plan_json(plan, folder / "plan.json")
        write_shopping_csv(plan, folder / "shopping.csv")
        write_coordinates_csv(plan, folder / "coordinates.csv")
        outputs.append([(folder / file).read_bytes() for file in ("plan.json", "shopping.csv", "coordinates.csv")])
        shutil.rmtree(folder)
    assert outputs[0] == outputs[1]


def _read(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_coordinates_in_mm_and_inches(counter_plan: Plan, tmp_path: Path) -> None:
    """One row a hole of a set-up with U = 2u; in inches the same places divided by 25.4."""
    write_coordinates_csv(counter_plan, tmp_path / "mm.csv")
    inches = replace(counter_plan, assembly=replace(counter_plan.assembly, units="inch"))
    write_coordinates_csv(inches, tmp_path / "in.csv")
    mm, inch = _read(tmp_path / "mm.csv"), _read(tmp_path / "in.csv")
    holes = [(one.id, hole) for one in counter_plan.set_ups for hole in one.holes]
    assert len(mm) == len(inch) == len(holes) == 8
    for (ident, hole), a, b in zip(holes, mm, inch, strict=True):
        assert a["set_up"] == b["set_up"] == ident
        assert a["hole"] == counter_plan.names.get(hole.id, hole.id)
        assert float(a["x_mm"]) == pytest.approx(hole.x.value, abs=6e-5)
        assert hole.x.u is not None
        assert float(a["U_x_mm"]) == pytest.approx(2 * hole.x.u, abs=6e-5)
        assert float(b["y_in"]) * 25.4 == pytest.approx(hole.y.value, abs=3e-4)
        assert float(b["drill_in"]) * 25.4 == pytest.approx(hole.drill_mm, abs=3e-4)


def test_shopping_list_has_a_row_a_thing(counter_plan: Plan, tmp_path: Path) -> None:
    """Group, what, how many, for which parts by name and steps by id, from which list."""
    write_shopping_csv(counter_plan, tmp_path / "shopping.csv")
    rows = _read(tmp_path / "shopping.csv")
    assert len(rows) == len(counter_plan.buy)
    pins = [row for row in rows if row["group"] == "pin"]
    assert [row["how_many"] for row in pins] == ["2", "2"]
    assert pins[0]["for_parts"] == "top plate; middle plate"
    assert pins[0]["for_steps"] == "pins-top_plate-middle_plate"


def test_names_are_no_formulas(small_text: str, planned: Planned, tmp_path: Path) -> None:
    """A part called =HYPERLINK(...) stays a name in a spreadsheet, numbers below zero stay numbers."""
    text = small_text.replace("axes.post = {}", "[axes.post]\nname = '@SUM(1+1)'").replace(
        '[parts.spacer]\nrole = "spacer"', "[parts.spacer]\nrole = \"spacer\"\nname = '=HYPERLINK(\"x\")'"
    )
    plan = planned(text)
    write_shopping_csv(plan, tmp_path / "shopping.csv")
    low = replace(plan.set_ups[0].holes[0], x=replace(plan.set_ups[0].holes[0].x, value=-1.5))
    plan = replace(plan, set_ups=(replace(plan.set_ups[0], holes=(low, *plan.set_ups[0].holes[1:])),))
    write_coordinates_csv(plan, tmp_path / "coordinates.csv")
    cells = [cell for name in ("shopping", "coordinates") for row in _read(tmp_path / f"{name}.csv") for cell in row.values()]
    assert "'=HYPERLINK(\"x\")" in cells
    assert "'@SUM(1+1)" in cells
    assert "-1.5000" in cells
    assert not [one for one in cells if one.startswith(("=", "@", "+"))]
