"""Records of simple solids whose volumes have closed forms."""

from typing import Any

from drawing_records import blob, feature, m, plain

from ctrecon.core.measured import Measured
from ctrecon.record.part import Part, Piece


def _piece(ident: str, name: str, low: float, high: float, *features: str) -> Piece:
    return Piece(
        id=ident, name=name, depth_from_mm=m(low), depth_to_mm=m(high), features=features, verdict="separate",
        probability_separate=0.9,
    )


def chamfered() -> Part:
    """Return a pin of 6 mm with a chamfer of 1 mm at 45° at its far end and a tapered square hole through it."""
    c = 8.0
    return plain("pin", (
        feature("F1", "round_outside", c, c, 1.0, 5.0, diameter_mm=m(6.0)),
        feature("F2", "round_outside", c, c, 5.0, 6.0, diameter_mm=m(5.0), taper_mm_per_mm=m(-2.0, 0.01)),
        feature("F3", "square_hole", c, c, 1.0, 6.0, flats_mm=m(2.0), turn_deg=m(15.0, 0.1),
                taper_mm_per_mm=m(0.1, 0.001)),
    ))  # fmt: skip


def stacked() -> Part:
    """Return two discs of one diameter, told apart by a flat seam only."""
    c = 8.0
    features = (
        feature("F1", "round_outside", c, c, 0.0, 5.0, diameter_mm=m(10.0)),
        feature("F2", "face_seam", c, c, 2.0, 2.0, seam_mm=m(0.01)),
    )
    pieces = (_piece("P1", "body", 0.0, 5.0, "F1"), _piece("P2", "Ø10 disc", 2.0, 5.0, "F2"))
    return plain("stacked", features, pieces=pieces)


def drilled_across(**more: Any) -> Part:
    """Return a block 10 x 6 x 6 mm with a hole of 2 mm across its long side, 1 mm from the middle."""
    hole = {"cross_diameter_mm": m(2.0), "cross_direction_xyz": (0.0, 1.0, 0.0)} | more
    return plain("block", (
        feature("F1", "rectangular_outside", 10.0, 10.0, 0.0, 6.0, flats_pair_mm=(m(10.0), m(6.0)),
                turn_deg=m(0.0, 0.1)),
        feature("F2", "free_hole", 11.0, 10.0, 2.0, 4.0, area_mm2=m(12.0), flags=("not_along_depth",),
                outline_mm=((10.0, 7.0), (12.0, 7.0), (12.0, 13.0), (10.0, 13.0)), **hole),
    ))  # fmt: skip


def shapes() -> Part:
    """Return a free outline with a hexagon, a slot and a rectangle with round corners in it."""
    c = 20.0
    return plain("shapes", (
        feature("F1", "free_outside", c, c, 0.0, 2.0, area_mm2=m(700.0), outline_mm=blob(c, c, 15.0)),
        feature("F2", "polygon_hole", c - 6, c, 0.0, 2.0, flats_mm=m(4.0), sides=6, turn_deg=m(10.0, 0.1)),
        feature("F3", "slot", c + 6, c, 0.0, 2.0, flats_pair_mm=(m(6.0), m(2.0)), turn_deg=m(30.0, 0.1)),
        feature("F4", "rectangular_hole", c, c - 7, 0.0, 1.0, flats_pair_mm=(m(5.0), m(3.0)), turn_deg=m(170.0, 0.1),
                corner_radius_mm=Measured(0.5, 0.01)),
    ))  # fmt: skip


def uneven_square() -> Part:
    """Return a block whose two sizes across flats differ: 8 mm along 20° (from x towards y), 6 mm square to it."""
    return plain("uneven", (
        feature("F1", "square_outside", 9.0, 9.0, 0.0, 3.0, flats_mm=m(7.0), flats_pair_mm=(m(8.0), m(6.0)),
                turn_deg=m(20.0, 0.1)),
    ))  # fmt: skip
