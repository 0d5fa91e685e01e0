"""Rivets, bushes and shoulders against published tables, and volumes by revolution."""

from math import pi

import numpy as np
import pytest

from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.rivet_places import rivet_diameter, rivet_hole, rivet_spacing
from ctrecon.workshop.rivets import HEADS, Head, countersink, head_volume_d, rivet_length
from ctrecon.workshop.shoulders import bush_rim, shoulder_seat

NUMBER_DRILLS = {"No. 30": 0.1285 * 25.4, "No. 31": 0.12 * 25.4, "No. 29": 0.136 * 25.4, "No. 40": 0.098 * 25.4,
                 "No. 41": 0.096 * 25.4, "No. 42": 0.0935 * 25.4}  # fmt: skip


def revolved(radius: np.ndarray, z: np.ndarray) -> float:
    """Return the volume of a body of revolution from its radius along z, over the shank's area (D = 1)."""
    return float(np.trapezoid(pi * radius**2, z)) / (pi / 4)


# Published allowances in diameters: BS 275 snap and raised, BS 4620 90° countersunk; the 60° one is an own value.
@pytest.mark.parametrize(
    ("head", "published", "close"),
    [("snap", 1.125, 5e-4), ("countersunk_90", 0.667, 5e-4), ("raised_45", 0.584, 5e-4), ("flat", 1.125, 1e-9),
     ("countersunk_60", 0.2526, 5e-5)],
)  # fmt: skip
def test_head_volumes(head: Head, published: float, close: float) -> None:
    """The volume of each head over the shank's area is the published allowance."""
    assert head_volume_d(head) == pytest.approx(published, abs=close)


def test_head_volumes_by_revolution() -> None:
    """The same volumes by turning each profile numerically."""
    z = np.linspace(0, 1, 200_001)
    rho = (0.8**2 + 0.7**2) / (2 * 0.7)
    snap = revolved(np.sqrt(np.maximum(rho**2 - (rho - 0.7 * (1 - z)) ** 2, 0)), 0.7 * z)
    assert head_volume_d("snap") == pytest.approx(snap, rel=1e-5)
    cone = revolved(0.5 + 0.5 * z, 0.5 * z) - 0.5
    assert head_volume_d("countersunk_90") == pytest.approx(cone, rel=1e-5)
    rho = (0.75**2 + 0.201**2) / (2 * 0.201)
    cap = revolved(np.sqrt(np.maximum(rho**2 - (rho - 0.201 * z) ** 2, 0)), 0.201 * z)
    assert head_volume_d("raised_45") == pytest.approx(revolved(0.5 + 0.25 * z, 0.604 * z) - 0.604 + cap, rel=1e-5)


# BS 4620 90° countersunk: shank diameter and allowance, mm.
@pytest.mark.parametrize(
    ("diameter", "allowance"),
    [(1, 0.67), (1.2, 0.80), (1.6, 1.07), (2, 1.33), (2.5, 1.67), (3, 2.00), (4, 2.67), (5, 3.34)],
)
def test_countersunk_allowances_of_the_table(diameter: float, allowance: float) -> None:
    """Each row of the published table, to its last digit."""
    assert rivet_length(4, diameter, "countersunk_90").allowance == pytest.approx(allowance, abs=0.0051)


def test_length_for_a_head() -> None:
    """Grip 4, D 2: 5.333 countersunk, 6.25 snap by BS 275, 7.0 by the 1.5 D rule; a 2.1 hole adds 0.41."""
    assert rivet_length(4, 2, "countersunk_90").length == pytest.approx(5.333, abs=1e-3)
    snap = rivet_length(4, 2, "snap")
    assert snap.length == pytest.approx(6.25)
    assert rivet_length(4, 2, "snap", rule="US Navy").length == pytest.approx(7.0)
    assert rivet_length(4, 2, "flat").length == pytest.approx(7.0)
    wide = rivet_length(4, 2, "snap", hole=2.1)
    assert wide.length - snap.length == pytest.approx(0.41, abs=1e-9)


def test_where_rules_disagree_the_range_is_shown() -> None:
    """Round heads: 1.125 D, 1.17 D, 1.2 D and 1.5 D are all published; all are listed and the sentence gives the range."""
    one = rivet_length(4, 2, "snap")
    assert sorted(round(rule[1] / 2, 3) for rule in one.rules) == [1.125, 1.125, 1.17, 1.2, 1.5]
    assert one.low == pytest.approx(4 + 2 * head_volume_d("snap"))
    assert one.high == pytest.approx(7.0)
    assert "rules disagree, 6.25 to 7.00 mm" in one.reason
    assert "disagree" not in rivet_length(4, 2, "countersunk_90").reason
    assert all(rule[0] for rule in one.rules)
    with pytest.raises(PlanError, match="no rule for a snap"):
        rivet_length(4, 2, "snap", rule="somebody")


def test_edge_distance_and_pitch() -> None:
    """2 D from the edge (AC 43.13-1B; a web page says 1.5 D), below 1.5 D refused; pitch 3 D least, 4 to 8 D usual."""
    good = rivet_spacing(3, 6, 15)
    assert (good.verdict, good.least_edge, good.least_pitch) == ("good", 6, 9)
    assert rivet_spacing(3, 5.0, 15).verdict == "close"
    assert rivet_spacing(3, 6, 10).verdict == "close"
    assert rivet_spacing(3, 6, 30).verdict == "close"
    with pytest.raises(PlanError, match=r"tears out: at least 1\.5 D, better 2 D"):
        rivet_spacing(3, 4.4)
    with pytest.raises(PlanError, match=r"too close: at least 3 D, 9\.00 mm"):
        rivet_spacing(3, 6, 8.9)


def test_diameter_for_sheets() -> None:
    """Between the thickest sheet and three times that."""
    one = rivet_diameter([0.8, 1.5], 2)
    assert (one.low, one.high, one.suits) == (1.5, 4.5, True)
    assert rivet_diameter([3, 1], 2).suits is False
    assert rivet_diameter([1]).suits is None


def test_drill_for_a_rivet() -> None:
    """A repair manual gives No. 30 for 1/8 in and No. 41 for 3/32 in; never a drill under the shank."""
    assert rivet_hole(3.175, NUMBER_DRILLS).drill.name == "No. 30"
    assert rivet_hole(3 / 32 * 25.4, NUMBER_DRILLS).drill.name in ("No. 40", "No. 41")
    assert rivet_hole(3 / 32 * 25.4, NUMBER_DRILLS, over=0.05).drill.name == "No. 41"
    assert rivet_hole(2, [1.95, 2.0, 2.1, 2.2]).gap == pytest.approx(0.1)
    with pytest.raises(PlanError):
        rivet_hole(2, [1.9, 3])


def test_countersink_only_in_sheet_thicker_than_the_head() -> None:
    """A 90° head of a 3 mm rivet is 1.5 deep: 2 mm sheet keeps 0.5, 1.5 and 1 mm sheet are refused (AC 65-15A)."""
    sunk = countersink(2, 3, "countersunk_90")
    assert (sunk.diameter, sunk.depth, sunk.left) == pytest.approx((6, 1.5, 0.5))
    for sheet in (1.5, 1.0):
        with pytest.raises(PlanError, match="only in thicker sheet"):
            countersink(sheet, 3, "countersunk_90")
    with pytest.raises(PlanError, match="needs no countersink"):
        countersink(3, 2, "snap")


def test_rim_of_a_bush() -> None:
    """6 over 3 with a 45° countersink 0.5 deep: 2.4871 mm³ and 0.1173 mm proud; the volumes match by revolution."""
    rim = bush_rim(6, 3, 0.5, plate=2)
    assert (rim.volume, rim.projects, rim.length) == pytest.approx((2.4871, 0.1173, 2.1173), abs=5e-5)
    z = np.linspace(0, 0.5, 100_001)
    assert rim.volume == pytest.approx(float(np.trapezoid(pi * ((3 + z) ** 2 - 9), z)), rel=1e-6)
    with pytest.raises(PlanError, match="goes through a plate"):
        bush_rim(6, 3, 0.5, plate=0.5)


@pytest.mark.parametrize("head", HEADS)
@pytest.mark.parametrize("hole", [2.0, 2.1])
@pytest.mark.parametrize("shank_length", [4.0, 5.4, 9.0])
def test_shoulder_projects_what_the_head_needs(head: Head, hole: float, shank_length: float) -> None:
    """Let in or shortened, the shank that is left is exactly the rivet length for the plate that is left under it."""
    plate = 3.0
    if rivet_length(0.5, 2, head, hole=hole).length > shank_length:
        with pytest.raises(PlanError, match="too short"):
            shoulder_seat(plate, shank_length, 2, 5, head, hole=hole)
        return
    seat = shoulder_seat(plate, shank_length, 2, 5, head, hole=hole)
    assert seat.under == pytest.approx(plate - seat.seat_depth)
    needed = rivet_length(seat.under, 2, head, hole=hole).length
    assert shank_length - seat.shorten == pytest.approx(needed)
    assert 0 in (seat.seat_depth, seat.shorten)


def test_shoulder_needs_a_ring_to_seat_on() -> None:
    """The hole is chamfered by the fillet under the shoulder; what is left of the ring must carry it."""
    seat = shoulder_seat(3, 5, 2, 4, "snap", fillet=0.2)
    assert (seat.seat_width, seat.chamfer) == pytest.approx((0.8, 0.2))
    assert "chamfer the hole 0.2 mm" in seat.reason
    with pytest.raises(PlanError, match=r"seats on 0\.10 mm only"):
        shoulder_seat(3, 5, 2, 2.6, "snap", fillet=0.2)
    with pytest.raises(PlanError, match="too short"):
        shoulder_seat(3, 2, 2, 4, "snap")
