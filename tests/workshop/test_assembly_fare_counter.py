"""The fare counter's records and assembly against the sizes its parts were rendered with."""

import importlib.util
import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import ctrecon
from ctrecon.core.measured import Measured
from ctrecon.phantoms import make
from ctrecon.record.part import Feature, Part
from ctrecon.record.sensitivity import edge_u_of
from ctrecon.record.store import read_part
from ctrecon.workshop.assembly.model import Assembly
from ctrecon.workshop.assembly.read import read_assembly

FOLDER = Path(__file__).parents[2] / "notebooks" / "fare_counter"
TRUTH: dict[str, Any] = json.loads((Path(__file__).parent / "fare_counter_truth.json").read_text(encoding="utf-8"))
SHORT = tuple(TRUTH)
ASSEMBLY = Path(ctrecon.__file__).parent / "workshop" / "assembly"


@pytest.fixture(scope="module")
def counter() -> Assembly:
    """Return the assembly as read."""
    return read_assembly(FOLDER / "assembly.toml")


def _pairs(part: Part, truth: dict[str, Any]) -> list[tuple[Feature, dict[str, Any]]]:
    """Pair each true feature with the one of its kind that is nearest in place and depth."""
    out = []
    for true in truth["features"]:
        same = [f for f in part.features if f.kind == true["kind"] and f.x_mm and f.y_mm and f.depth_from_mm]
        out.append((min(same, key=lambda f: _apart(f, true)), true))
    return out


def _apart(feature: Feature, true: dict[str, Any]) -> float:
    pairs = [(getattr(feature, name).value, true[name]) for name in ("x_mm", "y_mm", "depth_from_mm", "depth_to_mm")]
    return math.dist([a for a, _ in pairs], [b for _, b in pairs])


def _agrees(part: Part, feature: Feature, name: str, found: Measured, true: float) -> bool:
    """Within 2U of the truth; the scale of these renderings is true, so it adds nothing."""
    assert found.u is not None
    wide = 2 * math.hypot(found.u, edge_u_of(part, feature, name))
    return abs(found.value - true) <= 2 * wide


@pytest.mark.parametrize("short", SHORT)
def test_record_agrees_with_what_was_rendered(short: str) -> None:
    """Every size, length, place and depth of the record lies within 2U of the rendered one, and nothing is made up."""
    part, truth = read_part(FOLDER / "records" / f"{short}.part.json"), TRUTH[short]
    assert len(part.features) == len(truth["features"])
    pairs = _pairs(part, truth)
    assert len({feature.id for feature, _ in pairs}) == len(pairs)
    for feature, true in pairs:
        for name in ("x_mm", "y_mm", "depth_from_mm", "depth_to_mm", "length_mm", "diameter_mm", "flats_mm"):
            if name in true:
                assert _agrees(part, feature, name, getattr(feature, name), true[name]), (feature.id, name)
        if feature.kind == "rectangular_outside":
            assert feature.flats_pair_mm is not None
            for number, (found, wanted) in enumerate(zip(feature.flats_pair_mm, true["flats_pair_mm"], strict=True), 1):
                assert _agrees(part, feature, f"flats_pair_mm_{number}", found, wanted)


def test_records_are_small_and_carry_no_path() -> None:
    """A record is under 200 kB and tells of no folder it was made in."""
    paths = sorted((FOLDER / "records").glob("*.part.json"))
    assert [path.name.removesuffix(".part.json") for path in paths] == sorted(SHORT)
    for path in paths:
        assert path.stat().st_size < 200_000
        assert read_part(path).stack.source == "array"


def test_recipe_writes_this_record_and_this_truth(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The command in the README makes the spacer's record anew: the same features, sizes to a tenth of U."""
    spec = importlib.util.spec_from_file_location("make_records", FOLDER / "make_records.py")
    assert spec is not None and spec.loader is not None
    recipe = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(recipe)
    monkeypatch.setattr(recipe, "COUNTER", ("counter_spacer",))
    monkeypatch.setattr("sys.argv", ["make_records.py", "--to", str(tmp_path), "--truth", str(tmp_path / "truth.json")])
    recipe.main()
    again, kept = (read_part(where / "spacer.part.json") for where in (tmp_path, FOLDER / "records"))
    assert [one.kind for one in again.features] == [one.kind for one in kept.features]
    for new, old in zip(again.features, kept.features, strict=True):
        assert new.diameter_mm is not None and old.diameter_mm is not None and old.diameter_mm.u is not None
        assert abs(new.diameter_mm.value - old.diameter_mm.value) < 0.2 * old.diameter_mm.u
    assert json.loads((tmp_path / "truth.json").read_text())["spacer"] == TRUTH["spacer"]


def test_truth_file_is_what_the_phantoms_say() -> None:
    """The true sizes beside the tests are those of the phantoms (told again at a coarse scale: places differ)."""
    for short in SHORT:
        again = make(f"counter_{short}", scale=0.2).truth
        for one, other in zip(_sorted(again), _sorted(TRUTH[short]), strict=True):
            for name in ("kind", "length_mm", "diameter_mm", "flats_mm", "flats_pair_mm"):
                assert one.get(name) == other.get(name)


def _sorted(truth: dict[str, Any]) -> list[dict[str, Any]]:
    return sorted(
        truth["features"], key=lambda f: (f["kind"], f["length_mm"], str(f.get("diameter_mm")), str(f.get("flats_mm")))
    )


def _true_place(short: str, diameter: float | None = None, flats: float | None = None) -> np.ndarray[Any, Any]:
    """Return where the axis of a hole pierces the plane square to the part's axis: (x, y, z) less its share along it."""
    truth = TRUTH[short]
    axis = np.array(truth["axis"]["direction_xyz"])
    for one in truth["features"]:
        if one["kind"].endswith("_hole") and (one.get("diameter_mm"), one.get("flats_mm")) == (diameter, flats):
            point = np.array([one["x_mm"], one["y_mm"], (one["depth_from_mm"] + one["depth_to_mm"]) / 2])
            return np.asarray(point - axis * (axis @ point))
    raise AssertionError("no such hole")


# hole sizes by axis as rendered: (plate, diameter or None, flats or None)
_HOLES = {
    "top_plate": {"main": (3.02, None), "wheel": (1.21, None), "pillar_1": (None, 2.03), "pillar_2": (None, 2.02)},
    "middle_plate": {"main": (7.42, None), "wheel": (2.43, None), "pillar_1": (None, 2.64), "pillar_2": (None, 2.63)},
    "bottom_plate": {"main": (3.03, None), "wheel": (1.22, None), "pillar_1": (2.02, None), "pillar_2": (2.03, None)},
}


@pytest.mark.parametrize("plate", list(_HOLES))
def test_holes_of_a_plate_lie_as_rendered(counter: Assembly, plate: str) -> None:
    """Distances of all pairs of holes, by the true places projected along the true axis, hold within 2U of the places."""
    true = {axis: _true_place(plate, *sizes) for axis, sizes in _HOLES[plate].items()}
    for a in true:
        for b in true:
            if a < b:
                one, other = counter[plate].hole_on(a), counter[plate].hole_on(b)
                assert one is not None and other is not None
                found = math.dist(one.place.xy, other.place.xy)
                u = math.hypot(one.place.u or 0.0, other.place.u or 0.0)
                assert u > 0
                assert abs(found - np.linalg.norm(true[a] - true[b])) <= 4 * u


@pytest.mark.parametrize("plate", list(_HOLES))
def test_no_plate_is_mirrored(counter: Assembly, plate: str) -> None:
    """Seen from the top, main, pillar 2 and the wheel go round the same way in all plates, as they were laid out.

    As laid out: the wheel lies clockwise of pillar 2 about the main arbor (X right, Y up).
    """
    at = {axis: counter[plate].hole_on(axis) for axis in ("main", "pillar_2", "wheel")}
    (mx, my), (px, py), (wx, wy) = (one.place.xy for one in at.values() if one is not None)
    assert (px - mx) * (wy - my) - (py - my) * (wx - mx) < -50.0


def test_frame_is_that_of_the_top_plate(counter: Assembly) -> None:
    """The main arbor is the origin, X runs along the long side: places as they were laid out, to 0.01 mm and the turn's u."""
    assert counter["top_plate"].hole_on("main").place.xy == (0.0, 0.0)  # type: ignore[union-attr]
    wanted = {"pillar_1": (-10.0, -9.5), "pillar_2": (16.5, 8.0), "wheel": (11.0, -2.0)}
    for axis, (x, y) in wanted.items():
        place = next(one.place for one in counter.axes if one.id == axis)
        assert math.dist(place.xy, (x, y)) < 0.01
    west, south, east, north = counter["top_plate"].outline.bounds
    assert (west, south, east, north) == pytest.approx((-14.0, -13.5, 20.0, 12.5), abs=0.01)


def test_z_follows_what_rests_on_what(counter: Assembly) -> None:
    """Heights are the sums of the rendered lengths, from the underside of the bottom plate."""
    bottom, shank, square, middle, top = 2.031, 5.203, 4.006, 1.976, 1.488
    hub, spacer = 1.604 + 3.297 + 2.672, 1.447
    wanted = {
        "bottom_plate": (0.0, bottom), "middle_plate": (bottom + shank, bottom + shank + middle),
        "top_plate": (bottom + shank + square, bottom + shank + square + top),
        "hub": (bottom, bottom + hub + 1.248), "spacer": (bottom + hub, bottom + hub + spacer),
        "pillar_1": (bottom - 1.952, bottom + shank + square + 1.402),
    }  # fmt: skip
    for ident, (low, high) in wanted.items():
        assert (counter[ident].from_z, counter[ident].to_z) == pytest.approx((low, high), abs=0.01)


def test_end_shake_is_a_chain_with_its_u(counter: Assembly) -> None:
    """The hub's end shake: the rendered lengths give 0.189 mm; the chain finds it within its U, edge taken as shared."""
    gap = next(one for one in counter.gaps if one.id == "hub_end_shake")
    assert [(one.sign, one.key) for one in gap.terms] == [
        (1, "pillar_1.square.height"), (-1, "spacer.thickness"), (-1, "hub.boss.height"),
    ]  # fmt: skip
    sizes = [(one.sign, counter.sizes[one.key]) for one in gap.terms]
    found = sum(sign * size.value for sign, size in sizes)
    own = math.hypot(*(size.size.u or 0.0 for _, size in sizes))
    shared = abs(sum(sign * size.edge_u for sign, size in sizes))
    true = 5.203 + 4.006 - (1.604 + 3.297 + 2.672) - 1.447
    assert true == pytest.approx(0.189)
    assert abs(found - true) <= 2 * math.hypot(own, shared)
    # one scan: the scale's error is that of the gap alone, not of the 18 mm that make it up
    scale = sum(sign * (size.scale_u or 0.0) for sign, size in sizes)
    assert scale == pytest.approx(found * 0.0003)


def test_sections_have_the_area_of_what_they_stand_for(counter: Assembly) -> None:
    """Polygons of round holes have the area of their circle, of square ones that of the square less its corners."""
    main = counter["middle_plate"].hole_on("main")
    assert main is not None
    assert main.shape.area == pytest.approx(math.pi / 4 * main.size.value**2, rel=1e-6)
    pillar = counter["top_plate"].hole_on("pillar_1")
    assert pillar is not None
    assert pillar.shape.area == pytest.approx(pillar.size.value**2, rel=0.01)
    assert pillar.shape.centroid.coords[0] == pytest.approx(pillar.place.xy, abs=1e-6)


def test_what_moves_sweeps_as_far_as_it_reaches(counter: Assembly) -> None:
    """The hub sweeps half its flange (9.62 mm), the wheels what was typed for them; plates and pillars sweep nothing."""
    hub = counter["hub"]
    assert hub.moving and hub.sweep_radius is not None
    assert hub.sweep_radius.value == pytest.approx(4.81, abs=0.002)
    assert counter["carry_wheel"].sweep_radius == Measured(6.9, 0.05)
    assert all(not one.moving for one in counter.plates)


def test_wrong_face_up_is_told(tmp_path: Path) -> None:
    """The bottom plate with its other face up misses its axes: it is refused, and the way that fits is named."""
    text = (FOLDER / "assembly.toml").read_text(encoding="utf-8").replace("records/", f"{FOLDER}/records/")
    file = tmp_path / "assembly.toml"
    wrong = text.replace('face_up = "end" # its last slice', 'face_up = "start" # its last slice')
    assert wrong != text
    file.write_text(wrong, encoding="utf-8")
    with pytest.raises(
        ValueError, match=r'parts\.bottom_plate\.axes: its hole for \w+ lies [\d.]+ mm off .* face_up = "end"'
    ):
        read_assembly(file)


def test_plate_by_edge_or_by_two_axes_agree(tmp_path: Path, counter: Assembly) -> None:
    """The middle plate placed by the main arbor and its edge lies as by two axes, but for what its maker erred."""
    text = (FOLDER / "assembly.toml").read_text(encoding="utf-8").replace("records/", f"{FOLDER}/records/")
    file = tmp_path / "assembly.toml"
    file.write_text(text.replace('place_by = ["main", "pillar_1"]', 'place_by = ["main", "edge"]'), encoding="utf-8")
    by_edge = read_assembly(file)
    for axis in ("pillar_1", "pillar_2", "wheel"):
        one, other = by_edge["middle_plate"].hole_on(axis), counter["middle_plate"].hole_on(axis)
        assert one is not None and other is not None
        assert math.dist(one.place.xy, other.place.xy) < 0.06


def test_keys_in_the_readme_are_the_keys_that_are_read() -> None:
    """Every habit aside, each key the README lists is one the reader asks for, so that the page cannot go stale."""
    readme = (FOLDER / "README.md").read_text(encoding="utf-8").partition("## Keys")[2]
    listed = set(re.findall(r"^    (\w+) = ", readme, flags=re.MULTILINE))
    code = "".join(path.read_text(encoding="utf-8") for path in sorted(ASSEMBLY.glob("*.py")))
    asked = set(re.findall(r'\.(?:text|texts|number|flag|size|sizes|points|table|tables|has|need|one_of|some_of)\(\s*"(\w+)"', code))
    inside = {"diameter_mm", "flats_mm", "size_mm", "points_mm", "rods_mm", "drills_mm", "record", "outline", "steps", "spacer"}
    assert listed - asked - inside == set()
    words = set(re.findall(r"\w+", readme))
    assert asked - words == set()
