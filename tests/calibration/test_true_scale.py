"""True scale from known sizes: the algebra by hand, honest u, slips that are caught, and whole runs."""

import json
import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.special import ndtr

from ctrecon.calibration import EDGE_U_PX, Calibration, Known, calibrate, find_scale, parse_known
from ctrecon.calibration.known import UNSAID_U_MM
from ctrecon.calibration.rescale import rescaled
from ctrecon.core.errors import InputError
from ctrecon.core.measured import Measured, expanded
from ctrecon.measuring import measure_stack
from ctrecon.record.part import Axis, Evidence, Feature, Part, Piece, StackInfo, place_in_part_frame, scale_u_of
from ctrecon.record.sensitivity import quantities, with_sensitivity
from ctrecon.record.store import part_to_json, read_part, write_features_csv, write_part
from ctrecon.settings import Settings
from ctrecon.slices import SliceStack

PX = 0.05
OUTSIDE, BORE, DRUM, EDGE_1, EDGE_2 = 12.0, 3.0, 8.2, 1.6, 2.1


def m(value: float, u: float = 0.002) -> Measured:
    return Measured(value, u)


def flange(
    *, outside: float = OUTSIDE, bore: float = BORE, drum: float = DRUM, holes: tuple[float, float] = (EDGE_1, EDGE_2),
    apart: float = 9.0, along_y: float = 0.0, lengths: tuple[float, float, float] = (1.5, 3.0, 4.5), u: float = 0.002,
    **more: object,
) -> Part:  # fmt: skip
    """An upright bored drum on a flange with two holes beside it; invented."""

    def feature(ident: str, kind: str, x: float, y: float, z0: float, z1: float, size: float) -> Feature:
        return Feature(
            id=ident, kind=kind, x_mm=m(x, u), y_mm=m(y, u), depth_from_mm=m(z0, u), depth_to_mm=m(z1, u),
            length_mm=m(z1 - z0, u * math.sqrt(2)), diameter_mm=m(size, u),
        )  # fmt: skip

    c, (rim, upper, whole) = 9.0, lengths
    features = (
        feature("F1", "round_outside", c, c, 0.5, 0.5 + rim, outside),
        feature("F2", "round_hole", c, c, 0.5, 0.5 + whole, bore),
        feature("F3", "round_hole", c - apart / 2, c - along_y / 2, 0.5, 0.5 + rim, holes[0]),
        feature("F4", "round_hole", c + apart / 2, c + along_y / 2, 0.5, 0.5 + rim, holes[1]),
        feature("F5", "round_outside", c, c, 0.5 + rim, 0.5 + rim + upper, drum),
    )
    given = {
        "stack": StackInfo(
            source="flange", slices=120, rows=400, columns=400, voxel_mm=(PX, PX, PX), scale_basis="stated"
        ),
        "axis": Axis(tilt_deg=m(0.0, 0.02), direction_xyz=(0.0, 0.0, 1.0)),
    } | more
    return Part(name="flange", made_with="ctrecon", features=features, **given)  # type: ignore[arg-type]


def size(part: Part, ident: str, name: str = "diameter_mm") -> Measured:
    return quantities(part.feature(ident))[name]


def factors(found: Calibration) -> list[float]:
    return [one.value for one in found.factor]


# the algebra


def test_a_bore_and_an_outside_settle_scale_and_edge() -> None:
    """Two equations by hand: 12 (1+s) + 2e = 12.30 and 3 (1+s) - 2e = 3.00 give 1+s = 1.02 and e = 0.03 mm."""
    part = flange(u=1e-7)
    found = find_scale(
        part,
        [Known(feature="F1", value_mm=12.30, u_mm=1e-7), Known(feature="F2", value_mm=3.00, u_mm=1e-7)],
        edge_u_px=1e3,
    )
    assert factors(found) == pytest.approx([1.02] * 3, abs=1e-6)
    assert found.edge_mm.value == pytest.approx(0.03, abs=1e-6)
    assert size(found.part, "F5").value == pytest.approx(8.2 * 1.02 + 0.06, abs=1e-5)
    assert size(found.part, "F3").value == pytest.approx(1.6 * 1.02 - 0.06, abs=1e-5)
    # both ends of the flange face out of the metal, the drum stands on the flange: +2 and 0
    assert size(found.part, "F1", "length_mm").value == pytest.approx(1.5 * 1.02 + 0.06, abs=1e-5)
    assert size(found.part, "F5", "length_mm").value == pytest.approx(3.0 * 1.02, abs=1e-5)
    assert found.part.stack.voxel_mm == pytest.approx((0.051,) * 3, abs=1e-7)
    assert found.part.stack.scale_basis == "calibrated"


def test_known_sizes_that_would_move_edges_by_many_voxels_are_refused() -> None:
    """By hand: 12 (1+s) + 2e = 13.20 and 3 (1+s) - 2e = 1.80 give s = 0 and e = 0.6 mm, 12 voxels of 0.05 mm."""
    known = [Known(feature="F1", value_mm=13.20, u_mm=1e-7), Known(feature="F2", value_mm=1.80, u_mm=1e-7)]
    with pytest.raises(InputError, match="edges would lie 12 voxels off, which no scan has; check them"):
        find_scale(flange(u=1e-7), known, edge_u_px=1e3)


def test_known_sizes_by_which_a_feature_would_end_before_it_begins_are_refused() -> None:
    """By hand: 12 (1+s) + 2e = 11.8 and 3 (1+s) - 2e = 3.2 give s = 0 and e = -0.1 mm: 0.1 mm of flange less 2e is none."""
    known = [Known(feature="F1", value_mm=11.8, u_mm=1e-7), Known(feature="F2", value_mm=3.2, u_mm=1e-7)]
    thin = flange(lengths=(0.1, 3.0, 4.5), u=1e-7)
    with pytest.raises(InputError, match=r"own rules \(features\.0\.depth_from_mm: lies beyond depth_to_mm\); check it"):
        calibrate(thin, *known, edge_u_px=1e3)


def test_a_centre_distance_is_free_of_the_edge() -> None:
    """Centre distances carry no edge: u of the scale is sqrt(u_known² + u_distance²) / distance, and e stays 0."""
    found = find_scale(flange(), [Known(feature="F3", other="F4", value_mm=9.09, u_mm=0.004)])
    assert factors(found) == pytest.approx([1.01] * 3, abs=1e-9)
    u = math.sqrt(0.004**2 + 2 * (0.002 * 1.01) ** 2) / 9.09
    assert found.part.stack.scale_u_rel == pytest.approx((u,) * 3, rel=1e-6)
    assert found.edge_mm.value == pytest.approx(0.0, abs=1e-9)
    assert found.edge_mm.u == pytest.approx(EDGE_U_PX * PX * 1.01, rel=1e-6)
    one, other = (np.array(place_in_part_frame(found.part, found.part.feature(i))) for i in ("F3", "F4"))
    assert np.hypot(*(one - other)) == pytest.approx(9.09, abs=1e-9)
    assert "do not settle how far the true edge lies" in " ".join(found.says)


def test_from_one_diameter_the_edge_enters_the_scale() -> None:
    """With one bore, u of the scale is sqrt(u_known² + u² + (2 u_edge)²) / diameter."""
    found = find_scale(flange(), [Known(feature="F2", value_mm=3.06, u_mm=0.001)])
    edge = EDGE_U_PX * PX * 1.02
    expected = math.sqrt(0.001**2 + (0.002 * 1.02) ** 2 + (2 * edge) ** 2) / 3.06
    assert found.part.stack.scale_u_rel[0] == pytest.approx(expected, rel=1e-3)
    assert found.freedom == 0
    assert found.u_total["F2", "diameter_mm"] == pytest.approx(0.001, rel=0.01)  # as good as the gauge itself
    assert "one more" in " ".join(found.says)


def test_two_centre_distances_are_weighed_by_their_u() -> None:
    """Two distances give the weighted mean of the textbook: weights 1/u², u = 1/sqrt(sum of weights)."""
    part = flange(u=1e-6)
    ours = [
        Known(feature="F3", other="F4", value_mm=9.09, u_mm=0.009),
        Known(feature="F2", other="F4", value_mm=4.50 * 1.012, u_mm=0.009),
    ]
    found = find_scale(part, ours)
    w = np.array([(9.0 / 0.009) ** 2, (4.5 / 0.009) ** 2])
    assert found.factor[0].value == pytest.approx(float(w @ [1.01, 1.012] / w.sum()), abs=1e-6)
    assert found.factor[0].u == pytest.approx(1 / math.sqrt(w.sum()), rel=1e-3)
    assert found.chi2 == pytest.approx(float(w @ (np.array([1.01, 1.012]) - found.factor[0].value) ** 2), rel=1e-3)


def test_stated_scale_counts_as_one_more_reading() -> None:
    """Where the files state u of the scale, a known size and the files are joined by their weights."""
    part = flange(u=1e-6)
    part = replace(part, stack=replace(part.stack, scale_u_rel=(0.002, 0.002, 0.002)))
    found = find_scale(part, [Known(feature="F3", other="F4", value_mm=9.0 * 1.004, u_mm=0.018)])
    assert found.factor[2].value == pytest.approx(1.002, abs=2e-5)
    assert found.part.stack.scale_u_rel[2] == pytest.approx(0.002 / math.sqrt(2), rel=0.01)
    assert found.freedom == 1


def test_directions_are_told_apart_where_known_sizes_allow() -> None:
    """Distances across and down and a length in depth give each direction its factor; a bore alone gives one."""
    part = flange(along_y=0.0)
    turned = replace(part.feature("F4"), id="F6", x_mm=m(9.0), y_mm=m(4.0))
    part = replace(part, features=(*part.features, turned))
    ours = ["F3:F4=9.09+-0.01", "F2:F6=4.90+/-0.01", "F5.length=3.15±0.01"]
    found = find_scale(part, ours)
    assert factors(found) == pytest.approx([1.05, 0.98, 1.01], abs=1e-3)
    assert size(found.part, "F2").value == pytest.approx(3 * (0.98 + 1.01) / 2, abs=0.002)
    assert size(found.part, "F2", "length_mm").value == pytest.approx(4.5 * 1.05, abs=0.002)
    assert "each have a factor" in found.says[0]
    plane = find_scale(part, ours[:2])
    assert factors(plane) == pytest.approx([0.995, 0.98, 1.01], abs=1e-3)
    assert "takes the mean" in plane.says[0]
    depth = find_scale(part, [ours[0], ours[2]])
    assert factors(depth) == pytest.approx([1.05, 1.01, 1.01], abs=1e-3)
    assert "Depth has a factor of its own" in depth.says[0]
    one = find_scale(part, ["F2=3.03±0.01"])
    assert len(set(factors(one))) == 1
    assert "share one factor" in one.says[0]


def test_uneven_scale_swings_turns_and_axis() -> None:
    """A square at 30° and a tilted axis in a stack stretched across by 1.1 are where stretched geometry puts them."""
    a = math.radians(20)
    square = Feature(
        id="F6", kind="square_hole", x_mm=m(9.0), y_mm=m(9.0), depth_from_mm=m(0.5), depth_to_mm=m(2.0), flats_mm=m(4.0),
        flats_pair_mm=(m(4.0), m(4.0)), turn_deg=m(30.0, 0.1),
    )  # fmt: skip
    more = replace(square, id="F7", x_mm=m(9.0), y_mm=m(13.0))
    part = flange()
    part = replace(part, features=(*part.features, square, more))
    found = find_scale(part, ["F3:F4=9.90±0.001", "F6:F7=4.00±0.001"])
    normal = np.array([math.cos(math.radians(30)) / 1.1, math.sin(math.radians(30))])
    assert size(found.part, "F6", "turn_deg").value == pytest.approx(math.degrees(math.atan2(*normal[::-1])), abs=0.01)
    assert size(found.part, "F6", "flats_pair_mm_1").value == pytest.approx(4 / np.hypot(*normal), abs=0.003)
    leaning = replace(part, axis=Axis(tilt_deg=m(20.0, 0.02), direction_xyz=(math.sin(a), 0.0, math.cos(a))))
    tilted = find_scale(leaning, ["F3:F4=9.90±0.001", "F6:F7=4.00±0.001"])
    assert tilted.part.axis is not None
    x, y, z = tilted.part.axis.direction_xyz
    zf, _, xf = factors(tilted)
    assert x / z == pytest.approx(math.tan(a) * xf / zf, rel=1e-9)
    assert y == 0.0
    assert tilted.part.axis.tilt_deg.value == pytest.approx(math.degrees(math.atan(x / z)), rel=1e-9)


def test_far_wrong_scale_is_solved_exactly_and_flagged() -> None:
    """A stack said to have half its voxel size comes out right, with a sentence that names both sizes."""
    found = find_scale(flange(), ["F3:F4=18.00±0.01", "F1=24.00±0.02"])
    assert factors(found) == pytest.approx([2.0] * 3, abs=1e-3)
    says = {w.flag: w.says for w in found.part.warnings}
    assert "0.1 mm" in says["scale_differs"] and "0.05 mm" in says["scale_differs"]
    assert "before you cut" in says["scale_differs"]
    assert "scale_differs" not in {w.flag for w in find_scale(flange(), ["F1=12.3±0.02"]).part.warnings}


def test_sizes_in_sentences_of_pieces_are_marked_as_older() -> None:
    """Evidence quotes lengths in words; after a change of scale it says that they are older."""
    why = Evidence(kind="seam", features=("F1",), weight=5.0, says="A line 5.00 mm across.")
    piece = Piece(
        id="P1", name="body", depth_from_mm=m(0.5), depth_to_mm=m(5.0), features=("F1",), verdict="separate",
        probability_separate=None, evidence=(why,), unknown={"probability_separate": "none"},
    )  # fmt: skip
    found = find_scale(replace(flange(), pieces=(piece,)), ["F3:F4=9.90±0.01"])
    assert found.part.pieces[0].evidence[0].says == (
        "A line 5.00 mm across; lengths in this sentence are those before calibration."
    )
    said = find_scale(
        replace(flange(), pieces=(replace(piece, evidence=(replace(why, says="A line."),)),)), ["F1=12.3"]
    )
    assert said.part.pieces[0].evidence[0].says == "A line."
    assert found.part.pieces[0].depth_from_mm == found.part.feature("F1").depth_from_mm


# slips of the hand


def test_a_known_size_that_does_not_fit_is_named_and_left_out() -> None:
    """Of four readings one is off by 0.5 mm: it is named, left out, and the others give the scale."""
    ours = ["F1=12.12±0.02", "F2=3.03±0.02", "F3:F4=9.09±0.02", "F5=8.80±0.02"]
    found = find_scale(flange(), ours)
    assert found.inconsistent == ("F5",)
    assert factors(found) == pytest.approx([1.01] * 3, abs=2e-3)
    assert [k.used for k in found.knowns] == [True, True, True, False]
    assert found.knowns[3].residual_mm == pytest.approx(0.52, abs=0.02)
    (says,) = [w.says for w in found.part.warnings if w.flag == "known_inconsistent"]
    assert says.startswith("F5 = 8.80 mm")
    assert "left out" in says


def test_two_that_exclude_each_other_are_both_named() -> None:
    """Of two distances that differ by 5 % nobody can say which is wrong: both are named and every u widened."""
    ours = ["F3:F4=9.00±0.02", "F2:F4=4.725±0.02"]
    found = find_scale(flange(), ours)
    assert found.inconsistent == ("F3:F4", "F2:F4")
    good = find_scale(flange(), ["F3:F4=9.00±0.02", "F2:F4=4.50±0.02"])
    assert good.inconsistent == ()
    widened = found.part.stack.scale_u_rel[0], good.part.stack.scale_u_rel[0]
    assert widened[0] == pytest.approx(widened[1] * math.sqrt(found.chi2), rel=0.05)
    assert "agree within" in " ".join(good.says)


def test_known_sizes_are_read_as_people_write_them() -> None:
    """±, +- and +/- mean the same, mm and blanks may stand, U is two standard uncertainties, none is the usual one."""
    for text in ("F3=4.5±0.04", "f3 = 4.5 +- 0.04 mm", "F3=4.5mm+/-0.04"):
        assert parse_known(text) == Known(feature="F3", value_mm=4.5, u_mm=0.02)
    assert parse_known("F3.length=4.5±0.04").name == "F3.length"
    assert parse_known("F1:F4=30±0.1") == Known(feature="F1", other="F4", value_mm=30.0, u_mm=0.05)
    unsaid = parse_known("F3=4.5")
    assert (unsaid.u_mm, unsaid.u_stated) == (UNSAID_U_MM, False)
    found = find_scale(flange(), ["F1=12"])
    assert "known_u_assumed" in {w.flag for w in found.part.warnings}


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("F3", "write it like"), ("F3=", "write it like"), ("F3=4,5±0.1", "not a comma"), ("F3=4.5±0,1", "not a comma"),
        ("F3=wide", "not a number"), ("F3=-3±0.1", "above 0"), ("F3=3±0", "above 0"), ("F3=3±1e-320", "1e-09 or more"), ("F3=1e-300±1", "above 0"), ("F3=nan", "no number"),
        ("F3.depth=3", "choose one of"), ("=3", "write it like"), ("F3=3±0.1±0.2", "not a number"),
    ],
)  # fmt: skip
def test_known_sizes_that_cannot_be_read(text: str, says: str) -> None:
    """What cannot be read is refused in one sentence with what to write instead, before anything is measured."""
    with pytest.raises(InputError, match=says) as caught:
        Settings(known=(text,))
    assert "\n" not in str(caught.value)


def test_known_sizes_that_name_nothing() -> None:
    """An unknown id lists what there is with its sizes; a wrong size, a doubled one and two axes in one are refused."""
    part = flange()
    box = Feature(
        id="F6", kind="rectangular_hole", x_mm=m(9.0), y_mm=m(9.0), depth_from_mm=m(0.5), depth_to_mm=m(2.0),
        flats_pair_mm=(m(5.0), m(4.0)), turn_deg=m(0.0, 0.1),
    )  # fmt: skip
    part = replace(part, features=(*part.features, box, replace(box, id="F7", basis="inferred")))
    for ours, says in (
        (["F9=3"], r"no F9 in flange; it has F1 round outside \(diameter 12\.000, length 1\.5"),
        (["F1.flats=3"], r"F1 in flange has no flats; it has F1\.diameter \(12\.000\)"),
        (["F6=3"], r"no single main size; it has F6\.long \(5\.000\), F6\.short"),
        (["F7.long=3"], "was not measured"),
        (["F1=12", "F1=12.1"], "given twice"),
        (["F1:F2=3"], "two places"),
        ([], "at least one"),
    ):
        with pytest.raises(InputError, match=says):
            find_scale(part, ours)
    assert find_scale(part, ["F6.short=4.04±0.01"]).factor[0].value == pytest.approx(1.01, abs=1e-9)
    once = find_scale(part, ["F1=12"]).part
    with pytest.raises(InputError, match="calibrated before"):
        find_scale(once, ["F1=12"])


# honest u


@cache
def true_flange() -> Part:
    return with_sensitivity(flange())


def invented_trial(rng: np.random.Generator) -> tuple[Part, Part]:
    """Return (truth, measured): the scan's scale off by up to 10 %, its edge by a tenth of a voxel (1 sd), u 0.002."""
    truth = true_flange()
    scale, edge = rng.uniform(0.9, 1.1), rng.normal(0.0, EDGE_U_PX * PX)
    seen = []
    for one in truth.features:
        new = {
            name: Measured(
                (q.value - one.sensitivity[name].edge * edge) / scale + rng.normal(0.0, q.u / scale), q.u / scale
            )
            for name, q in quantities(one).items()
            if q.u is not None
        }
        seen.append(replace(one, **new))  # type: ignore[arg-type]
    stack = replace(truth.stack, voxel_mm=(PX / scale,) * 3)
    return truth, replace(truth, stack=stack, features=tuple(seen))


MIXES = {
    "bore and outside": (("F1", OUTSIDE, 0.005), ("F2", BORE, 0.002)),
    "centre distance": (("F3:F4", 9.0, 0.005),),
    "one outside": (("F1", OUTSIDE, 0.005),),
    "four of them": (("F1", OUTSIDE, 0.01), ("F2", BORE, 0.003), ("F3:F4", 9.0, 0.01), ("F1.length", 1.5, 0.01)),
}


@pytest.mark.parametrize("mix", MIXES)
def test_truth_lies_within_two_u(mix: str, times: int) -> None:
    """With random scale, edge and readings, 93 to 97 % of all sizes lie within their printed U."""
    rng = np.random.default_rng(sorted(MIXES).index(mix) + 9300)
    inside = []
    names = [(i, n) for i in ("F1", "F2", "F3", "F4", "F5") for n in ("diameter_mm", "length_mm")]
    for _ in range(150 * times):
        truth, scan = invented_trial(rng)
        ours = [replace(parse_known(f"{n}={v}"), value_mm=v + rng.normal(0.0, u), u_mm=u) for n, v, u in MIXES[mix]]
        found = find_scale(scan, ours)
        if found.inconsistent:
            continue  # one in a hundred, and said so
        for ident, name in names:
            miss = abs(size(found.part, ident, name).value - size(truth, ident, name).value)
            wide = expanded(size(found.part, ident, name), scale_u_of(found.part, name))
            assert wide is not None
            inside.append(miss <= wide)
            assert wide == pytest.approx(2 * found.u_total[ident, name], rel=1e-6)
    print(f"{mix}: {100 * np.mean(inside):.1f} % within printed U")
    assert 0.93 <= np.mean(inside) <= 0.97


def test_a_reading_makes_other_sizes_surer() -> None:
    """Each further known size makes the other sizes surer: distance, then a bore, then an outside too."""
    ours = ["F3:F4=9.00±0.004", "F2=3.000±0.002", "F1=12.000±0.004"]
    u = [find_scale(flange(), ours[:n]).u_total["F5", "diameter_mm"] for n in (1, 2, 3)]
    assert u[0] > 2 * u[1] > 2 * u[2] * 0.9
    assert u[2] < 0.004


# whole runs


def block(*, power: float = 1.0) -> np.ndarray:
    """Slices of a plate with three bores, air 0 and metal 1, 30 x 72 x 96 voxels; grey raised to `power`."""
    z, y, x = np.meshgrid(*(np.arange(float(n)) for n in (26, 72, 96)), indexing="ij")
    sigma = 0.8
    inside = [ndtr((r - np.hypot(x - cx, y - cy)) / sigma) for cx, cy, r in HOLES]
    rim = ndtr((45.0 - np.hypot(x - 47.3, y - 35.4) * 1.35) / (1.35 * sigma))
    metal = rim * np.prod([1 - one for one in inside], axis=0) * (ndtr((z - 5.2) / sigma) - ndtr((z - 19.7) / sigma))
    noisy = metal**power + 0.02 * np.random.default_rng(5).standard_normal(metal.shape)
    return np.asarray(noisy * 2000 + 300).astype(np.float32)


HOLES = ((36.2, 35.7, 7.4), (58.9, 35.1, 5.3), (47.6, 50.9, 4.6))
ROUND = 45.0 / 1.35


@cache
def measured(power: float, voxel: float = 0.1) -> Part:
    stack = SliceStack.from_array(block(power=power), voxel_mm=(voxel,) * 3, source="block")
    return measure_stack(stack, name="block").part


def bores(part: Part) -> list[Feature]:
    """The three bores, from the left."""
    return sorted(part.of_kind("round_hole"), key=lambda one: one.x_mm.value if one.x_mm else 0.0)


def distance(part: Part, a: Feature, b: Feature) -> float:
    return float(np.hypot(*(np.array(place_in_part_frame(part, a)) - place_in_part_frame(part, b))))


def test_a_moved_threshold_moves_diameters_and_leaves_centre_distances() -> None:
    """Grey raised to a power moves every edge as a wrong threshold does, all by the sensitivities.

    Diameters feel the threshold, centre distances don't: VDI/VDE 2630-1.3, after Wohlgemuth et al., J. Sens. Sens.
    Syst. 11 (2022) 171.
    """
    plain, moved = measured(1.0), measured(2.0)
    outside = [part.of_kind("round_outside")[0] for part in (plain, moved)]
    shift = outside[1].diameter_mm.value - outside[0].diameter_mm.value  # type: ignore[union-attr]
    assert shift < -0.05  # half a voxel: far above the noise
    edge = shift / outside[0].sensitivity["diameter_mm"].edge
    for one, other in zip(bores(plain), bores(moved), strict=True):
        assert one.diameter_mm is not None and other.diameter_mm is not None
        grown = other.diameter_mm.value - one.diameter_mm.value
        assert grown == pytest.approx(one.sensitivity["diameter_mm"].edge * edge, rel=0.2)
    assert outside[0].sensitivity["length_mm"].edge == 2.0
    thinner = outside[1].length_mm.value - outside[0].length_mm.value  # type: ignore[union-attr]
    assert thinner == pytest.approx(2 * edge, rel=0.25)
    for a, b in ((0, 1), (0, 2), (1, 2)):
        apart = [distance(part, bores(part)[a], bores(part)[b]) for part in (plain, moved)]
        assert apart[0] == pytest.approx(apart[1], abs=0.003)


def test_wrong_voxel_and_wrong_edge_are_put_right() -> None:
    """A stack given 0.08 for a true 0.1 mm voxel, its grey bent: a bore and an outside bring the third bore right."""
    scan = measured(2.0, 0.08)
    outside, (first, second, third) = scan.of_kind("round_outside")[0], bores(scan)
    truth = {
        outside.id: 0.2 * ROUND,
        **{f.id: 0.2 * h[2] for f, h in zip((first, third, second), (HOLES[0], HOLES[1], HOLES[2]), strict=True)},
    }
    ours = [Known(feature=one.id, value_mm=truth[one.id], u_mm=0.001) for one in (outside, first)]
    found = find_scale(scan, ours, edge_u_px=0.5)
    assert factors(found) == pytest.approx([1.25] * 3, abs=0.004)
    assert found.edge_mm.value > 0.02
    for one in (second, third):
        after = size(found.part, one.id)
        before = size(scan, one.id).value * 1.25
        assert abs(after.value - truth[one.id]) < 0.012 < abs(before - truth[one.id])
        assert abs(after.value - truth[one.id]) < 3 * found.u_total[one.id, "diameter_mm"]
    a, b = (found.part.feature(one.id) for one in (first, third))
    assert distance(found.part, a, b) == pytest.approx(0.1 * math.hypot(58.9 - 36.2, 0.6), abs=0.02)
    assert "scale_differs" in {w.flag for w in found.part.warnings}


def test_a_record_stretched_is_the_record_measured_with_that_voxel() -> None:
    """Measuring with 0.08 mm voxels and stretching by 1.25 gives every quantity that measuring with 0.1 mm gives."""
    stretched, straight = rescaled(measured(2.0, 0.08), np.full(3, 1.25)), measured(2.0)
    assert stretched.stack.voxel_mm == pytest.approx(straight.stack.voxel_mm)
    pairs = zip(
        *(sorted(p.features, key=lambda f: (f.kind, size(p, f.id, "x_mm").value)) for p in (stretched, straight)),
        strict=True,
    )
    for one, other in pairs:
        mine, theirs = quantities(one), quantities(other)
        assert mine.keys() == theirs.keys()
        for name, value in mine.items():
            slack = 0.3 * (theirs[name].u or 0.0)
            assert value.value == pytest.approx(theirs[name].value, abs=slack), (one.id, name)
            assert value.u == pytest.approx(theirs[name].u, rel=0.1), (one.id, name)


def test_sides_seen_in_the_slices_are_those_the_record_tells() -> None:
    """Which way each end face moves reads the same from the voxels and, later, from the record alone."""
    part = measured(1.0)
    bare = replace(part, features=tuple(replace(one, sensitivity={}) for one in part.features))
    told = with_sensitivity(bare)
    for one in part.features:
        for name in ("depth_from_mm", "depth_to_mm", "length_mm"):
            assert told.feature(one.id).sensitivity[name].edge == pytest.approx(one.sensitivity[name].edge), one.id
    assert all("length_mm" in one.sensitivity for one in part.features)


def test_the_record_keeps_how_scale_was_found(tmp_path: Path) -> None:
    """Sensitivities and calibration are written and read back; a record without them carries neither key."""
    found = find_scale(flange(), ["F1=12.12±0.02", "F2=3.03±0.01"])
    write_part(found.part, tmp_path / "part.json")
    back = read_part(tmp_path / "part.json")
    assert back.calibration is not None
    assert [one.name for one in back.calibration.knowns] == ["F1", "F2"]
    assert back.calibration.says == found.says
    assert back.feature("F2").sensitivity["diameter_mm"].edge == -2.0
    assert sum(back.feature("F2").sensitivity["diameter_mm"].scale) == pytest.approx(size(back, "F2").value)
    plain = json.loads(part_to_json(flange()))
    assert "calibration" not in plain
    assert "sensitivity" not in plain["features"][0]
    write_features_csv(found.part, tmp_path / "features.csv")
    head, *rows = (tmp_path / "features.csv").read_text().splitlines()
    assert "U_k2," in head
    cells = next(row.split(",") for row in rows if row.startswith("F5,round_outside,diameter_mm"))
    assert float(cells[5]) == pytest.approx(2 * found.u_total["F5", "diameter_mm"], rel=1e-4)
    assert float(cells[5]) > 2 * float(cells[4])
