"""Records of toothed wheels, written by hand: whole, broken with a sure count, broken with a doubtful one."""

import math

from drawing_records import feature, m, plain

from ctrecon.record.part import Flank, Part, ToothPlace

TEETH, TIP, ROOT = 30, 8.0, 7.0
"""Number of teeth, radii of tips and roots (mm)."""
HALF = (0.45, 0.25)
"""Half width of the straight-flanked tooth at its root and at its tip (mm)."""
TURN = 5.0
"""Middle of a tooth, degrees from x towards y in the slices."""


def rounded_profile() -> tuple[tuple[float, float], ...]:
    """Return a tooth with straight flanks below and a round head of radius 0.4 above, root to tip."""
    head = [math.radians(9.0 * k) for k in range(11)]
    return ((ROOT, 0.4), (7.3, 0.4), *((7.6 + 0.4 * math.sin(a), max(0.4 * math.cos(a), 0.0)) for a in head))


def wheel(
    found: tuple[int, ...] = tuple(range(TEETH)), *, teeth: int | None = TEETH,
    profile: tuple[tuple[float, float], ...] = ((ROOT, HALF[0]), (7.5, sum(HALF) / 2), (TIP, HALF[1])),
) -> Part:  # fmt: skip
    """A wheel about (10, 10), from 1 to 3 mm deep, with a square hole; `found` are the teeth that are left."""
    pitch = 360.0 / TEETH
    places = tuple(
        ToothPlace(angle_deg=m((TURN + pitch * k) % 360.0, 0.02), whole=True, bent=False, stretch=0) for k in found
    )
    rim = feature(
        "F1", "wheel", 10.0, 10.0, 1.0, 3.0, tip_diameter_mm=m(2 * TIP), root_diameter_mm=m(2 * ROOT),
        pitch_deg=m(pitch, 0.01), turn_deg=m(TURN, 0.02), tooth_width_mm=m(2 * sum(HALF) / 2), teeth=teeth,
        teeth_present=len(found), teeth_range=(29, 31), teeth_odds=((30, 0.97 if teeth else 0.6), (31, 0.03 if teeth else 0.3)),
        flank=Flank(form="straight", says="Straight flanks are likelier than any other form by 40 to 1.", profile_mm=profile),
        tooth_places=places, unknown={} if teeth else {"teeth": "two counts fit what is left"},
    )  # fmt: skip
    hole = feature("F2", "square_hole", 10.0, 10.0, 1.0, 3.0, flats_mm=m(4.0), turn_deg=m(0.0), opens_at=("start", "end"))
    return plain("ticket wheel", (rim, hole))
