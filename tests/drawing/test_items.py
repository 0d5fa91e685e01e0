"""A part taken apart: the record of each piece alone, against sizes worked out by hand and areas by shapely."""

import math
from dataclasses import replace

import drawing_records as records
import numpy as np
import pytest
from shapely.geometry import Point

from ctrecon.core.measured import Measured
from ctrecon.record.items import items_of
from ctrecon.record.part import Feature, Part, Piece, depths_in_part_frame

m = records.m


def piece(number: int, name: str, low: float, high: float, features: tuple[str, ...], verdict: str = "separate") -> Piece:
    return Piece(
        id=f"P{number}", name=name, depth_from_mm=m(low), depth_to_mm=m(high), features=features, verdict=verdict,
        probability_separate=0.9,
    )  # fmt: skip


def riveted() -> Part:
    """Three discs of 20, 12 and 16 mm, 2 mm thick each, a bore of 3 and two rivets of 1.5 at 4 mm through all."""
    c = 15.0
    features = [
        records.feature("F1", "round_outside", c, c, 0.0, 2.0, diameter_mm=m(20.0)),
        records.feature("F2", "round_outside", c, c, 2.0, 4.0, diameter_mm=m(12.0)),
        records.feature("F3", "round_outside", c, c, 4.0, 6.0, diameter_mm=m(16.0)),
        records.feature("F4", "face_seam", c, c, 2.0, 2.0, seam_mm=m(0.01)),
        records.feature("F5", "face_seam", c, c, 4.0, 4.0, seam_mm=m(0.01)),
        records.feature("F6", "round_hole", c, c, 0.0, 6.0, diameter_mm=m(3.0), opens_at=("start", "end")),
        records.feature("F7", "round_seam", c + 4, c, 0.0, 6.0, diameter_mm=m(1.5), seam_mm=m(0.02)),
        records.feature("F8", "round_seam", c - 4, c, 0.0, 6.0, diameter_mm=m(1.502), seam_mm=m(0.02)),
    ]
    pieces = (
        piece(1, "wheel", 0.0, 2.0, ("F1", "F6")), piece(2, "spacer", 2.0, 4.0, ("F2", "F4")),
        piece(3, "wheel", 4.0, 6.0, ("F3", "F5")), piece(4, "rivet", 0.0, 6.0, ("F7",)), piece(5, "rivet", 0.0, 6.0, ("F8",)),
    )  # fmt: skip
    return records.plain("riveted", tuple(features), pieces=pieces)


def sizes(features: tuple[Feature, ...]) -> dict[str, tuple[str, float]]:
    return {f.id: (f.kind, (f.diameter_mm or f.flats_mm or Measured(0, 0)).value) for f in features}


@pytest.mark.parametrize("tilt", [0.0, 1.3])
def test_a_seam_is_a_boss_on_one_piece_and_a_hole_in_the_other(tilt: float) -> None:
    """The boss has the size of its free end and runs from drum to end; the hole is larger by twice the gap."""
    hub, spacer = items_of(records.hub(tilt))
    assert sizes(hub.part.features) == {
        "F1": ("round_outside", 12.0), "F2": ("round_hole", 3.0), "F3": ("round_outside", 8.2),
        "F7": ("square_outside", 5.0),
    }  # fmt: skip
    assert sizes(spacer.part.features) == {
        "F4": ("round_outside", 10.0), "F5": ("arc_outside", 5.0), "F6": ("square_hole", pytest.approx(5.02)),
    }  # fmt: skip
    boss = hub.part["F7"]
    low, high = depths_in_part_frame(hub.part, boss)
    assert high - low == pytest.approx(2.5, abs=1e-6) and boss.length_mm is not None
    assert boss.length_mm.value == pytest.approx(2.5, abs=1e-6) and boss.basis == "measured"
    assert spacer.part["F6"].basis == "inferred" and spacer.part["F6"].opens_at == ("start", "end")


def test_without_a_free_end_both_sides_follow_from_the_middle_of_the_gap() -> None:
    """Boss and hole lie half a gap either side of it: 5.00 -+ 0.01, u from both (GUM 5.1.2, uncorrelated)."""
    part = records.hub(0.0)
    short = replace(part, features=tuple(f for f in part.features if f.id != "F7"))
    short = replace(short, pieces=(replace(short.pieces[0], features=("F1", "F2", "F3")), short.pieces[1]))
    hub, spacer = items_of(short)
    boss, hole = hub.part["F6"].flats_mm, spacer.part["F6"].flats_mm
    assert boss is not None and hole is not None
    assert (boss.value, hole.value) == (pytest.approx(4.99), pytest.approx(5.01))
    assert boss.u == hole.u == pytest.approx(math.hypot(records.U, records.U))


def test_metal_of_the_items_is_that_of_the_part_less_its_gaps() -> None:
    """Areas by shapely at nine depths: each layer keeps its bore and gets a hole for each rivet."""
    part = riveted()
    for z in np.linspace(0.3, 5.7, 9):
        total = 0.0
        for item in items_of(part):
            area = Point()
            for f in sorted(item.part.features, key=lambda f: "hole" in f.kind):
                assert f.x_mm and f.y_mm and f.diameter_mm and f.depth_from_mm and f.depth_to_mm
                if f.depth_from_mm.value < z < f.depth_to_mm.value:
                    disc = Point(f.x_mm.value, f.y_mm.value).buffer(f.diameter_mm.value / 2, 256)
                    area = area.difference(disc) if "hole" in f.kind else area.union(disc)
            total += len(item.pieces) * area.area
        whole = {0: 20.0, 1: 12.0, 2: 16.0}[int(z // 2)]
        rings = sum(math.pi / 4 * ((d + 0.02) ** 2 - (d - 0.02) ** 2) for d in (1.5, 1.502))
        assert total == pytest.approx(math.pi / 4 * (whole**2 - 9.0) - rings, rel=2e-4)


def test_rivets_that_are_alike_are_one_item() -> None:
    """Sizes that differ within their U make one line of the list, two off; a thicker rivet is a line of its own."""
    items = items_of(riveted())
    assert [(i.number, i.name, len(i.pieces)) for i in items] == [
        (1, "wheel", 1), (2, "spacer", 1), (3, "wheel", 1), (4, "rivet", 2)
    ]  # fmt: skip
    part = riveted()
    thick = tuple(replace(f, diameter_mm=m(1.6)) if f.id == "F8" else f for f in part.features)
    assert [len(i.pieces) for i in items_of(replace(part, features=thick))] == [1, 1, 1, 1, 1]


def test_what_is_undecided_cuts_nothing_that_is_certain() -> None:
    """With the rivets undecided the discs stay whole there; with a piece found to be one, it is no item."""
    part = riveted()
    pieces = (*part.pieces[:3], *(replace(p, verdict="undecided") for p in part.pieces[3:]))
    items = items_of(replace(part, pieces=pieces))
    assert [i.is_doubtful for i in items] == [False, False, False, True]
    assert set(sizes(items[1].part.features)) == {"F2", "F6"}
    first = (replace(pieces[0], verdict="undecided"), *pieces[1:])  # where others are separate, what is left is too
    assert [i.is_doubtful for i in items_of(replace(part, pieces=first))] == [False, False, False, True]
    one = (*part.pieces[:3], *(replace(p, verdict="one_piece") for p in part.pieces[3:]))
    assert len(items_of(replace(part, pieces=one))) == 3
    assert items_of(records.plate()) == ()
