"""The truth against the picture: what is written must be what was rendered."""

import json
import math
from typing import Any

import numpy as np
import pytest
from random_parts import random_hub, random_plate
from scipy import ndimage

from ctrecon.core.errors import InputError
from ctrecon.core.frames import rotation_to_part
from ctrecon.phantoms import Phantom, make, names

_KINDS = {
    "round_hole", "round_outside", "square_hole", "square_outside", "rectangular_outside", "square_seam", "arc_outside",
    "wheel", "free_hole",
}
_CLEAN: dict[str, Any] = {"snr": math.inf, "psf": 0.0, "bits": 32, "air": 0.0, "contrast": 1.0}


def _metal_mm3(phantom: Phantom) -> float:
    return float(phantom.volume.sum(dtype=float)) * math.prod(phantom.voxel_mm)


def _lens(big: float, small: float, apart: float) -> float:
    """Area two circles share (the textbook formula of two circular segments)."""
    a = math.acos((apart**2 + big**2 - small**2) / (2 * apart * big))
    b = math.acos((apart**2 + small**2 - big**2) / (2 * apart * small))
    return big**2 * (a - math.sin(2 * a) / 2) + small**2 * (b - math.sin(2 * b) / 2)


def _own_place(feature: dict[str, Any], truth: dict[str, Any]) -> np.ndarray[Any, Any]:
    depth = 0.5 * (feature["depth_from_mm"] + feature["depth_to_mm"])
    turn = rotation_to_part(np.array(truth["axis"]["direction_xyz"]))
    place: np.ndarray[Any, Any] = turn @ np.array([feature["x_mm"], feature["y_mm"], depth])
    return place


def _hub_mm3(truth: dict[str, Any]) -> float:
    total = 0.0
    rim = next(f for f in truth["features"] if f["kind"] == "round_outside" and f["arc_deg"] < 360)
    for f in truth["features"]:
        size, length = f.get("diameter_mm", 0.0), f["length_mm"]
        if f["kind"] == "round_outside":
            total += math.pi / 4 * size**2 * length
        elif f["kind"] == "round_hole":
            total -= math.pi / 4 * size**2 * length
        elif f["kind"] == "square_outside":
            total += f["flats_mm"] ** 2 * length
        elif f["kind"] == "arc_outside":
            apart = float(np.linalg.norm((_own_place(f, truth) - _own_place(rim, truth))[:2]))
            total -= _lens(rim["diameter_mm"] / 2, size / 2, apart) * length
        elif f["kind"] == "square_seam":
            t, flats = f["seam_mm"], f["flats_mm"]
            total -= ((flats + t) ** 2 - (flats - t) ** 2) * length
    return total


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("one_piece", [False, True])
def test_hub_grey_adds_up_to_the_volume_told(seed: int, one_piece: bool) -> None:
    """The metal in the stack is the volume worked out from the told sizes alone, seam and relief included."""
    phantom = random_hub(np.random.default_rng(seed), one_piece=one_piece, max_tilt_deg=6.0, **_CLEAN)
    assert _metal_mm3(phantom) == pytest.approx(_hub_mm3(phantom.truth), rel=2e-4)


@pytest.mark.parametrize("seed", range(4))
def test_plate_grey_adds_up_to_the_volume_told(seed: int) -> None:
    """Sheet less holes, tapered ones as frustums, is the metal in the stack."""
    phantom = random_plate(np.random.default_rng(seed), blind=seed % 2 == 0, max_tilt_deg=6.0, **_CLEAN)
    total = 0.0
    for f in phantom.truth["features"]:
        long, short = f.get("flats_pair_mm", (0.0, 0.0))
        if f["kind"] == "rectangular_outside":
            total += long * short * f["length_mm"]
        elif f["kind"] == "square_hole":
            total -= long * short * f["length_mm"]
        else:
            half = 0.5 * f["taper_mm_per_mm"] * f["length_mm"]
            a, b = f["diameter_mm"] / 2 + half / 2, f["diameter_mm"] / 2 - half / 2
            total -= math.pi * f["length_mm"] / 3 * (a * a + a * b + b * b)
    assert _metal_mm3(phantom) == pytest.approx(total, rel=2e-4)


@pytest.mark.parametrize("seed", range(3))
def test_holes_lie_where_the_truth_says(seed: int) -> None:
    """The air in each hole of a plate, seen in the slice at its mid-depth, has the told middle, area and turn."""
    phantom = random_plate(np.random.default_rng(seed), tapered=False, max_tilt_deg=2.0, **_CLEAN)
    dz, dy, dx = phantom.voxel_mm
    holes = [f for f in phantom.truth["features"] if f["kind"].endswith("_hole")]
    middle = 0.5 * (holes[0]["depth_from_mm"] + holes[0]["depth_to_mm"])
    number = round(middle / dz)
    air = 1.0 - phantom.volume[number].astype(float)
    labels, _ = ndimage.label(air > 0.01)
    slope = np.array(phantom.truth["axis"]["direction_xyz"][:2]) / phantom.truth["axis"]["direction_xyz"][2]
    j, i = np.mgrid[: air.shape[0], : air.shape[1]]
    for f in holes:
        mid = 0.5 * (f["depth_from_mm"] + f["depth_to_mm"])
        x, y = np.array([f["x_mm"], f["y_mm"]]) + slope * (number * dz - mid)
        inside = labels == labels[round(y / dy), round(x / dx)]
        weight = np.where(inside, air, 0.0)
        assert (weight * i).sum() / weight.sum() * dx == pytest.approx(x, abs=3e-4)
        assert (weight * j).sum() / weight.sum() * dy == pytest.approx(y, abs=3e-4)
        area = f["flats_mm"] ** 2 if "flats_mm" in f else math.pi / 4 * f["diameter_mm"] ** 2
        level = phantom.truth["axis"]["direction_xyz"][2]
        assert weight.sum() * dx * dy == pytest.approx(area / level, rel=1e-3)
        if "turn_deg" in f:
            # The fourth moment of a square swings with four times its turn and is lowest towards its flats.
            angle = np.arctan2(j * dy - y, i * dx - x)
            radius = np.hypot(j * dy - y, i * dx - x)
            swing = (weight * radius**4 * np.exp(4j * angle)).sum()
            turn = (math.degrees(np.angle(-swing)) / 4) % 90
            assert abs((turn - f["turn_deg"] + 45) % 90 - 45) < 0.5


@pytest.mark.parametrize("seed", range(2))
def test_depth_ends_lie_where_the_truth_says(seed: int) -> None:
    """Grey along the axis of the boss wall crosses one half at the told top, and flange steps at the told depth."""
    phantom = random_hub(np.random.default_rng(seed), tilt_deg=0.0, relief=False, **_CLEAN)
    dz, dy, dx = phantom.voxel_mm
    area = phantom.volume.sum(axis=(1, 2), dtype=float) * dy * dx
    for f in phantom.truth["features"]:
        if f["kind"] != "round_outside":
            continue
        first, last = math.ceil(f["depth_from_mm"] / dz + 1), math.floor(f["depth_to_mm"] / dz - 1)
        assert np.ptp(area[first:last]) < 1e-3 * area[first]
    low = min(f["depth_from_mm"] for f in phantom.truth["features"])
    high = max(f["depth_to_mm"] for f in phantom.truth["features"])
    seen = np.flatnonzero(area > 1e-9)
    ends = [area[seen[0]] / area[seen[0] + 1], area[seen[-1]] / area[seen[-1] - 1]]
    assert (seen[0] + 0.5 - ends[0]) * dz == pytest.approx(low, abs=0.005 * dz)
    assert (seen[-1] - 0.5 + ends[1]) * dz == pytest.approx(high, abs=0.005 * dz)


@pytest.mark.parametrize("seed", range(3))
def test_relief_arcs_are_told_as_seen(seed: int) -> None:
    """Just inside the told arc of the spacer's rim there is metal, in the told gap there is air."""
    phantom = random_hub(np.random.default_rng(seed), tilt_deg=0.0, **_CLEAN)
    dz, dy, dx = phantom.voxel_mm
    rim = next(f for f in phantom.truth["features"] if f["kind"] == "round_outside" and f["arc_deg"] < 360)
    relief = next(f for f in phantom.truth["features"] if f["kind"] == "arc_outside")
    number = round(0.5 * (rim["depth_from_mm"] + rim["depth_to_mm"]) / dz)

    def grey(feature: dict[str, Any], beside_px: float, degrees: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        r = feature["diameter_mm"] / 2 + beside_px * dy
        y = feature["y_mm"] + r * np.sin(np.radians(degrees))
        x = feature["x_mm"] + r * np.cos(np.radians(degrees))
        return ndimage.map_coordinates(phantom.volume[number].astype(float), [y / dy, x / dx], order=1)

    there = rim["arc_from_deg"] + np.linspace(5.0, rim["arc_deg"] - 5.0, 200)
    gone = rim["arc_from_deg"] + rim["arc_deg"] + np.linspace(5.0, 355.0 - rim["arc_deg"], 50)
    assert grey(rim, -1.6, there).min() > 0.9
    assert grey(rim, -1.6, gone).max() < 0.1
    bitten = relief["arc_from_deg"] + np.linspace(5.0, relief["arc_deg"] - 5.0, 50)
    assert grey(relief, -1.6, bitten).max() < 0.1
    assert grey(relief, +1.6, bitten).min() > 0.75  # the seam may lie near


def test_one_bore_through_two_pieces_is_one_feature() -> None:
    """The hub has one bore through everything, no square hole, one seam, and a boss for its bare length only."""
    truth = make("drum_hub", scale=0.4).truth
    by_kind = {k: [f for f in truth["features"] if f["kind"] == k] for k in _KINDS}
    assert [len(by_kind[k]) for k in ("round_hole", "square_hole", "square_seam", "square_outside")] == [1, 0, 1, 1]
    body, spacer = truth["pieces"]
    bore, seam, boss = by_kind["round_hole"][0], by_kind["square_seam"][0], by_kind["square_outside"][0]
    assert (bore["depth_from_mm"], bore["depth_to_mm"]) == (body["depth_from_mm"], body["depth_to_mm"])
    assert (seam["depth_from_mm"], seam["depth_to_mm"]) == (spacer["depth_from_mm"], spacer["depth_to_mm"])
    assert boss["depth_from_mm"] == spacer["depth_to_mm"]
    assert seam["flats_mm"] == pytest.approx(boss["flats_mm"] + seam["seam_mm"])
    whole = make("solid_hub", scale=0.4).truth
    assert whole["seams"] == []
    assert [p["verdict"] for p in whole["pieces"]] == ["one_piece"]


def test_quay_plate_pins_are_placed_unlike() -> None:
    """The plate fits one way only: the pin holes differ in place and lean, and one corner is gone."""
    truth = make("quay_plate", scale=0.4).truth
    pins = [f for f in truth["features"] if f.get("taper_mm_per_mm")]
    assert sorted(f["taper_mm_per_mm"] for f in pins) == pytest.approx([-1 / 48, 1 / 48])
    centre = next(f for f in truth["features"] if f["kind"] == "round_hole" and f["diameter_mm"] == 4.0)
    away = [np.hypot(f["x_mm"] - centre["x_mm"], f["y_mm"] - centre["y_mm"]) for f in pins]
    assert abs(away[0] - away[1]) > 0.5
    sheet = next(f for f in truth["features"] if f["kind"] == "rectangular_outside")
    assert sheet["flags"] == ["corner_missing"]
    assert sheet["flats_pair_mm"] == [16.0, 11.0]
    assert sum(f["kind"] == "square_hole" for f in truth["features"]) == 4


@pytest.mark.parametrize("name", names())
def test_every_named_part_tells_its_truth(name: str) -> None:
    """Each part says it is invented, uses the record's kinds, orders its ids and is the same when made again."""
    phantom, again = make(name, scale=0.3), make(name, scale=0.3)
    assert phantom.truth == again.truth
    assert np.array_equal(phantom.volume, again.volume)
    assert not np.array_equal(phantom.volume, make(name, scale=0.3, seed=9).volume)
    truth = json.loads(json.dumps(phantom.truth, allow_nan=False))
    assert truth["invented"] is True
    assert len(truth["stack"]["voxel_mm"]) == 3
    assert {f["kind"] for f in truth["features"]} <= _KINDS
    assert [f["id"] for f in truth["features"]] == [f"F{n + 1}" for n in range(len(truth["features"]))]
    depths = [f["depth_from_mm"] for f in truth["features"] if f["depth_from_mm"] is not None]
    assert depths == sorted(depths)
    assert truth["stack"]["slices"] == phantom.volume.shape[0] == len(phantom.slice_numbers)
    grey = np.percentile(phantom.volume, 99.9)
    assert grey > 0.8 * truth["scan"]["metal"], "metal is in the picture"


def test_one_slice_has_no_depth() -> None:
    """A feature that runs out of the stack has no end there, and says so."""
    truth = make("one_slice", scale=0.5).truth
    for f in truth["features"]:
        assert (f["depth_from_mm"], f["depth_to_mm"], f["length_mm"]) == (None, None, None)
        assert "runs_out_of_stack" in f["flags"]
        assert f.get("opens_at", []) == []


def test_turning_a_part_over_keeps_the_truth_in_step() -> None:
    """Draws with the part on its head occur, and the volume told stays the volume rendered."""
    tops = []
    for seed in range(4):
        truth = random_hub(np.random.default_rng(seed), voxel_mm=(0.08, 0.08, 0.08)).truth
        boss = next(f for f in truth["features"] if f["kind"] == "square_outside")
        bore = next(f for f in truth["features"] if f["kind"] == "round_hole")
        tops.append(boss["depth_from_mm"] == pytest.approx(bore["depth_from_mm"], abs=1e-6))
    assert any(tops)
    assert not all(tops)


def test_holder_foam_and_rivet_are_told_apart() -> None:
    """What lies beside the part is neither a feature nor a piece of it."""
    truth = random_hub(np.random.default_rng(1), holder=True, second_body=True, field=0.97).truth
    assert truth["other_bodies"] == ["rivet", "foam", "holder"]
    assert [p["name"] for p in truth["pieces"]] in (["body", "spacer"], ["spacer", "body"])


def test_names_and_options_that_are_not_known_are_refused() -> None:
    """A wrong name, scale or artefact is refused in one sentence that lists the right ones."""
    with pytest.raises(InputError, match="drum_hub"):
        make("hub")
    with pytest.raises(InputError, match="scale"):
        make("drum_hub", scale=0.0)
    with pytest.raises(InputError, match="cupping"):
        random_hub(np.random.default_rng(0), sparkle=1.0)
    with pytest.raises(InputError, match="missing"):
        random_plate(np.random.default_rng(0), missing=(5000,))
