"""part.json and features.csv: what is written is read back, what breaks the contract is refused."""

import csv
import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ctrecon.core.errors import InputFileError
from ctrecon.core.files import write_whole
from ctrecon.core.measured import Measured
from ctrecon.record import store
from ctrecon.record.part import Part
from ctrecon.record.store import part_to_json, read_part, write_features_csv, write_part

HUB = Path(__file__).parents[1] / "plots" / "hub.json"


@pytest.fixture
def hub() -> Part:
    return read_part(HUB)


def rows_of(part: Part, folder: Path) -> list[dict[str, str]]:
    """Write features.csv and return its rows."""
    write_features_csv(part, folder / "features.csv")
    with (folder / "features.csv").open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def test_written_record_is_read_back(hub: Part, tmp_path: Path) -> None:
    """Reading what was written gives an equal record, and writing it again the same bytes."""
    write_part(hub, tmp_path / "part.json")
    assert read_part(tmp_path / "part.json") == hub
    assert (tmp_path / "part.json").read_bytes() == HUB.read_bytes()
    assert [one.name for one in tmp_path.iterdir()] == ["part.json"]


def test_record_keeps_the_contract(hub: Part) -> None:
    """Schema first, u standing beside every value, unknowns as null with a reason, foreign fields left away."""
    record = json.loads(part_to_json(hub))
    assert list(record) == ["schema", "name", "made_with", "stack", "boundary", "axis", "features", "pieces", "warnings"]
    assert record["schema"] == "ctrecon-part-1"
    third = record["features"][2]
    assert third["depth_to_mm"] is None
    assert third["unknown"]["depth_to_mm"] == "the hole reaches the last slice"
    assert third["diameter_mm"] == {"value": 0.5, "u": 0.003}
    assert "flats_mm" not in third
    assert "unknown" not in record["features"][0]


@given(value=st.floats(-1e5, 1e5), u=st.floats(1e-9, 1e3), name=st.text(max_size=30))
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_numbers_and_names_survive(hub: Part, tmp_path: Path, value: float, u: float, name: str) -> None:
    """Any finite value, any u above zero and any name come back to nine digits."""
    bore = replace(hub.features[1], diameter_mm=Measured(value, u))
    part = replace(hub, name=name, features=(hub.features[0], bore, *hub.features[2:]))
    write_part(part, tmp_path / "part.json")
    back = read_part(tmp_path / "part.json")
    read = back.feature("F2").diameter_mm
    assert read is not None
    assert read.u is not None
    assert math.isclose(read.value, value, rel_tol=1e-8, abs_tol=1e-300)
    assert math.isclose(read.u, u, rel_tol=1e-8)
    assert back.name == name


def test_file_name_that_is_no_text_is_still_written(hub: Part, tmp_path: Path) -> None:
    """A folder name with bytes that are not text gives a readable record with marks in their place."""
    write_part(replace(hub, name="h\udcffb"), tmp_path / "part.json")
    assert read_part(tmp_path / "part.json").name == "h?b"


def test_fields_of_later_versions_are_ignored(tmp_path: Path) -> None:
    """A reader ignores fields it does not know."""
    record = json.loads(HUB.read_text(encoding="utf-8"))
    record["colour"] = "green"
    record["features"][0]["colour"] = {"value": 1}
    (tmp_path / "part.json").write_text(json.dumps(record), encoding="utf-8")
    assert read_part(tmp_path / "part.json") == read_part(HUB)


def drop(*keys: str | int) -> Callable[[Any], None]:
    """Return a change that takes one field out."""

    def change(record: Any) -> None:
        for key in keys[:-1]:
            record = record[key]
        del record[keys[-1]]

    return change


def put(value: Any, *keys: str | int) -> Callable[[Any], None]:
    """Return a change that sets one field."""

    def change(record: Any) -> None:
        for key in keys[:-1]:
            record = record[key]
        record[keys[-1]] = value

    return change


BROKEN = [
    (put("ctrecon-part-9", "schema"), "schema"),
    (drop("stack"), "stack"),
    (put("wide", "stack", "voxel_mm", 0), "stack.voxel_mm.0"),
    (put(0.0, "stack", "voxel_mm", 0), "stack.voxel_mm"),
    (put(5e-324, "stack", "voxel_mm", 1), "stack.voxel_mm"),
    (put(10**400, "stack", "rows"), "stack.rows"),
    (put(1e300, "features", 0, "x_mm", "value"), "features.0.x_mm.value"),
    (put([0.0, 0.0, 1e-12], "axis", "direction_xyz"), "axis.direction_xyz"),
    (put(10**7, "features", 0, "teeth"), "features.0: no wheel has more than 1000 teeth"),
    (put([[10**7, 1.0]], "features", 0, "teeth_odds"), "features.0: no wheel"),
    (put(10**7, "features", 3, "sides"), "features.3: no wheel"),
    (
        put([{"angle_deg": {"value": 1.0, "u": 5e-324}, "whole": True, "bent": False, "stretch": 0}], "features", 0, "tooth_places"),
        "features.0.tooth_places: u of an angle",
    ),
    (put(None, "axis"), "axis"),
    (put([0.0, 0.1, -1.0], "axis", "direction_xyz"), "axis.direction_xyz"),
    (put("4.0", "features", 0, "x_mm", "value"), "features.0.x_mm.value"),
    (put(0, "features", 0, "x_mm", "u"), "features.0.x_mm.u"),
    (put(-1.0, "features", 3, "flats_pair_mm", 1, "u"), "features.3.flats_pair_mm.u"),
    (put(9.0, "features", 0, "depth_from_mm", "value"), "features.0.depth_from_mm"),
    (put(None, "features", 1, "diameter_mm"), "features.1.diameter_mm"),
    (put("bump", "features", 1, "kind"), "features.1.kind"),
    (put("guessed", "features", 1, "basis"), "features.1.basis"),
    (put([7e8, 4.0], "features", 6, "outline_mm", 0), "features.6: an outline of F7 is larger than the slices"),
    (put("F1", "features", 1, "id"), "same id"),
    (put("maybe", "pieces", 0, "verdict"), "pieces.0.verdict"),
    (put(1.5, "pieces", 0, "probability_separate"), "pieces.0.probability_separate"),
    (drop("pieces", 0, "unknown"), "pieces.0.probability_separate"),
    (put(None, "pieces", 1, "depth_to_mm"), "pieces.1.depth_to_mm"),
    (put(["F77"], "pieces", 1, "features"), "F77"),
]


@pytest.mark.parametrize(("change", "named"), BROKEN, ids=[named + str(n) for n, (_, named) in enumerate(BROKEN)])
def test_broken_record_is_refused_by_name(change: Callable[[Any], None], named: str, tmp_path: Path) -> None:
    """A record that breaks the contract is refused in one line that names the file and the field."""
    record = json.loads(HUB.read_text(encoding="utf-8"))
    change(record)
    path = tmp_path / "part.json"
    path.write_text(json.dumps(record), encoding="utf-8")
    with pytest.raises(InputFileError) as caught:
        read_part(path)
    assert named in str(caught.value)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("text", [b"", b"{", b"[]", b"null", b"\xff\xfe\x00", b"[" * 5000, b"<html>"])
def test_files_that_are_no_record(text: bytes, tmp_path: Path) -> None:
    """Empty, cut short, deeply nested or foreign files are refused as not being part records."""
    (tmp_path / "part.json").write_bytes(text)
    with pytest.raises(InputFileError, match="not a part record"):
        read_part(tmp_path / "part.json")


def test_not_a_number_is_refused(tmp_path: Path) -> None:
    """NaN and infinity in a record are refused, though some writers of JSON allow them."""
    for word in ("NaN", "Infinity", "1e999"):
        (tmp_path / "part.json").write_text(HUB.read_text(encoding="utf-8").replace("6.4012", word), encoding="utf-8")
        with pytest.raises(InputFileError, match="diameter_mm"):
            read_part(tmp_path / "part.json")


def test_missing_file_and_folder(tmp_path: Path) -> None:
    """A path that is not there, or is a folder, is refused with what to give instead."""
    for path in (tmp_path / "none.json", tmp_path):
        with pytest.raises(InputFileError, match=r"give the part\.json"):
            read_part(path)


def test_own_fault_is_not_written(hub: Part, tmp_path: Path) -> None:
    """A record that breaks its own rules, or holds NaN, is not written and leaves the old file whole."""
    target = tmp_path / "part.json"
    write_part(hub, target)
    for value in (None, Measured(math.nan, 0.1), Measured(1.0, 0.0)):
        broken = replace(hub, features=(replace(hub.features[0], diameter_mm=value), *hub.features[1:]))
        with pytest.raises(ValueError, match=r"diameter_mm|not JSON compliant"):
            write_part(broken, target)
    assert target.read_bytes() == HUB.read_bytes()
    assert len(list(tmp_path.iterdir())) == 1


def test_failed_write_leaves_nothing_behind(tmp_path: Path) -> None:
    """When the file cannot take its place, no half-written file stays."""
    (tmp_path / "taken").mkdir()
    with pytest.raises(InputFileError, match="taken cannot be written"):
        write_whole(tmp_path / "taken", b"x")
    assert [one.name for one in tmp_path.iterdir()] == ["taken"]


def test_csv_tells_each_quantity(hub: Part, tmp_path: Path) -> None:
    """One row a quantity, U twice u, pairs numbered, unknowns empty with their reason."""
    rows = {(row["feature"], row["quantity"]): row for row in rows_of(hub, tmp_path)}
    diameter = rows["F1", "diameter_mm"]
    assert float(diameter["value"]) == 6.4012
    assert float(diameter["U_k2_without_scale"]) == pytest.approx(2 * float(diameter["u_k1"]))
    assert diameter["flags"] == "rim_damaged"
    assert float(rows["F4", "flats_pair_mm_2"]["value"]) == 2.5999
    end = rows["F3", "depth_to_mm"]
    assert (end["value"], end["why_unknown"]) == ("", "the hole reaches the last slice")


def test_csv_adds_the_scale(hub: Part, tmp_path: Path) -> None:
    """With the scale known to 1 in 1000, U of a 6.4012 mm diameter is 2 hypot(u, 0.0064012), and turns keep 2 u."""
    known = replace(hub, stack=replace(hub.stack, scale_u_rel=(0.001, 0.001, 0.001)))
    rows = {(row["feature"], row["quantity"]): row for row in rows_of(known, tmp_path)}
    assert float(rows["F1", "diameter_mm"]["U_k2"]) == pytest.approx(2 * math.hypot(0.0009, 0.0064012), rel=1e-5)
    assert float(rows["F4", "turn_deg"]["U_k2"]) == pytest.approx(0.12)
    # an area grows with the square of the scale
    assert float(rows["F7", "area_mm2"]["U_k2"]) == pytest.approx(2 * math.hypot(0.01, 2 * 0.001 * 0.52), rel=1e-5)


def test_csv_is_the_same_every_time(hub: Part, tmp_path: Path) -> None:
    """Writing twice gives the same bytes, with plain line ends on every system."""
    write_features_csv(hub, tmp_path / "a.csv")
    write_features_csv(hub, tmp_path / "b.csv")
    data = (tmp_path / "a.csv").read_bytes()
    assert data == (tmp_path / "b.csv").read_bytes()
    assert b"\r" not in data


def test_the_shipped_schema_describes_the_record() -> None:
    """part_schema.json names every field of every part of the record (made by `store.record_schema`)."""
    shipped = json.loads((Path(store.__file__).with_name("part_schema.json")).read_text())
    current = json.loads(store.record_schema())
    fields = {name: sorted(one.get("properties", {})) for name, one in current["$defs"].items()}
    assert {name: sorted(one.get("properties", {})) for name, one in shipped["$defs"].items()} == fields
    assert sorted(shipped["properties"]) == sorted(current["properties"])
    assert shipped["properties"]["features"]["items"] == {"$ref": "#/$defs/Feature"}
