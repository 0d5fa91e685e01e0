"""Records of worn parts, written by hand: what is sound, what is gone, and by how much."""

import math
from dataclasses import replace

from drawing_records import feature, m, plain

from ctrecon.record.part import Alternative, Feature, Part, Worn, WornStretch

LEGS = (3.0, 2.0)
"""Legs (mm, along x and along y) of the corner that the worn plate lost."""
BITE = (1.2, 0.8)
"""Radius of the half round bite in the plate's upper side as the slices lie, and how far it is from the middle (mm)."""
BORE, GROOVE = 2.0, 0.5
"""Radius of the plate's bore (mm), and how deep it is worn over a quarter of its rim."""


def worn(*stretches: tuple[tuple[float, float], ...], deepest: float) -> Worn:
    """Return wear whose stretches run through the whole feature."""
    found = tuple(WornStretch(edge_mm=one, deepest_mm=deepest) for one in stretches)
    return Worn(share=0.1, deepest_mm=m(deepest), says="Eaten.", stretches=found)


def arc(x: float, y: float, radius: float, low: float, high: float) -> tuple[tuple[float, float], ...]:
    """Return points along an arc, angles in degrees from x towards y."""
    turns = [math.radians(low + (high - low) * k / 90) for k in range(91)]
    return tuple((x + radius * math.cos(t), y + radius * math.sin(t)) for t in turns)


def worn_plate() -> Part:
    """A plate 16 x 10 x 2 about (10, 10): a corner lost at +x +y, a bite from -y, a worn bore in the middle."""
    corner = ((18.0 - LEGS[0], 15.0), (18.0, 15.0 - LEGS[1]))
    middle = (18.0 - LEGS[0] / 2, 15.0 - LEGS[1] / 2)
    bite = arc(10.0 + BITE[1], 5.0, BITE[0], 180.0, 0.0)
    outside = feature(
        "F1", "rectangular_outside", 10.0, 10.0, 1.0, 3.0, flats_pair_mm=(m(16.0), m(10.0)), turn_deg=m(0.0),
        corner_radius_mm=m(0.0), flags=("corner_missing",),
        worn=worn((corner[0], middle, corner[1]), bite, deepest=1.2),
    )  # fmt: skip
    groove = ((10.0 + BORE, 10.0), *arc(10.0, 10.0, BORE + GROOVE, 0.0, 90.0), (10.0, 10.0 + BORE))
    bore = feature(
        "F2", "round_hole", 10.0, 10.0, 1.0, 3.0, diameter_mm=m(2 * BORE), arc_deg=360.0, opens_at=("start", "end"),
        worn=worn(groove, deepest=GROOVE),
    )  # fmt: skip
    return plain("worn_plate", (outside, bore))


def relieved_disc(*flags: str) -> Part:
    """A disc of radius 6 with a relief of radius 2 about a point on its rim; as sure as its flags say."""
    other = Alternative(kind="worn", ln_odds=2.0, says="It could also be an edge that was eaten")
    return plain("relieved", (
        feature("F1", "round_outside", 10.0, 10.0, 1.0, 3.0, diameter_mm=m(12.0), arc_deg=322.0, arc_from_deg=19.0),
        feature(
            "F2", "arc_outside", 16.0, 10.0, 1.0, 3.0, diameter_mm=m(4.0), arc_deg=160.0, arc_from_deg=100.0,
            flags=flags, alternatives=(other,) if flags else (),
        ),
    ))  # fmt: skip


def with_part_of(part: Part, ident: str, low: float, high: float) -> Part:
    """Return the record with the wear of one feature between two depths only (stack z)."""

    def shorter(f: Feature) -> Feature:
        if f.id != ident or f.worn is None:
            return f
        some = tuple(replace(one, depth_from_mm=low, depth_to_mm=high) for one in f.worn.stretches)
        return replace(f, worn=replace(f.worn, stretches=some))

    return replace(part, features=tuple(shorter(f) for f in part.features))
