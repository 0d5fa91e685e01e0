"""Records of toothed wheels, written by hand: whole, broken with a sure count, broken with a doubtful one."""

import math
from dataclasses import replace

from drawing_records import feature, m, plain, tilted

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


RING = (5.0, 4.0)
"""Radii over and within the teeth of the crown (mm)."""
CROWN_TEETH, CROWN_WIDTH = 12, 1.2
"""Its number of teeth, and their width (mm) half-way up, in the middle of the wall."""


def crown(*, far: bool = False) -> Part:
    """A crown wheel about (10, 10): a bored disc of 10 mm, 2 mm thick, with teeth 1 mm high on its start or far face."""
    teeth = (3.0, 4.0) if far else (0.0, 1.0)
    places = tuple(
        ToothPlace(angle_deg=m((7.0 + 360.0 / CROWN_TEETH * k) % 360.0, 0.02), whole=True, bent=False, stretch=0)
        for k in range(CROWN_TEETH)
    )
    along = "its teeth run along the axis"
    rim = feature(
        "F1", "wheel", 10.0, 10.0, *teeth, diameter_mm=m(2 * RING[0]), inner_diameter_mm=m(2 * RING[1]),
        tooth_width_mm=m(CROWN_WIDTH), turn_deg=m(7.0, 0.02), teeth=CROWN_TEETH,
        teeth_present=CROWN_TEETH, teeth_odds=((CROWN_TEETH, 1.0),), tooth_places=places, flags=("crown_teeth",),
        unknown={"tip_diameter_mm": along, "root_diameter_mm": along, "flank": "not measured"},
    )  # fmt: skip
    disc = feature("F2", "round_outside", 10.0, 10.0, 1.0, 3.0, diameter_mm=m(2 * RING[0]))
    bore = feature("F3", "round_hole", 10.0, 10.0, 1.0, 3.0, diameter_mm=m(2.0), opens_at=("start", "end"))
    return plain("crown", (rim, disc, bore))


def crossed(*windows: int, tilt_deg: float = 0.0) -> Part:
    """A wheel with some of four windows between arms 1.5 mm wide, from radius 3.5 to 6 mm; those left out broke off.

    Window k stands from 90 k to 90 (k + 1) degrees, from x towards y in the slices.
    """

    def ring(radius: float, k: int, way: int) -> list[tuple[float, float]]:
        side = math.degrees(math.asin(0.75 / radius))  # half an arm from the middle line of each arm
        turns = [90.0 * k + side + (90.0 - 2 * side) * n / 40 for n in range(41)][::way]
        return [(10.0 + radius * math.cos(math.radians(t)), 10.0 + radius * math.sin(math.radians(t))) for t in turns]

    part = wheel()
    if len(windows) < 4:  # one quarter is left, and a little on either side
        k = windows[0]
        rim = replace(part["F1"], arc_deg=110.0, arc_from_deg=(90.0 * k - 10.0) % 360)
        part = replace(part, features=(rim, *part.features[1:]))
    cut = tuple(
        feature(f"F{3 + k}", "free_hole", 10.0 + 4.7 * math.cos(math.radians(90.0 * k + 45.0)),
                10.0 + 4.7 * math.sin(math.radians(90.0 * k + 45.0)), 1.0, 3.0, area_mm2=m(14.0),
                outline_mm=(*ring(6.0, k, 1), *ring(3.5, k, -1)), opens_at=("start", "end"))
        for k in windows
    )  # fmt: skip
    return tilted(plain("crossed wheel", (*part.features, *cut)), tilt_deg, 70.0)
