"""A rectangular plate with pillar holes, register-pin holes and a bore: a design with free dimensions."""

from dataclasses import dataclass

from ctrecon.phantoms.render import Body
from ctrecon.phantoms.solids import Cylinder, Difference, Rectangle, RoughCut, Solid, square
from ctrecon.phantoms.truth import Design, Feature, Piece

__all__ = ["Plate", "RoundHole", "SquareHole", "plate_design"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundHole:
    """A round hole: axis, diameter at mid-length, change of diameter per mm, ends (mm)."""

    x: float
    y: float
    diameter: float
    taper: float = 0.0
    z_from: float | None = None
    z_to: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SquareHole:
    """A square hole through the plate: axis, across flats, turn, radius of its corners (mm)."""

    x: float
    y: float
    flats: float
    turn_deg: float = 0.0
    corner_radius: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Plate:
    """Dimensions of a plate, mm; its middle is the axis, its faces z = 0 and z = thickness.

    Parameters
    ----------
    long, short, thickness : float
        Sides along x and y of its own frame, and thickness.
    round_holes, square_holes
        What is cut through it; a round hole with an end inside the plate is blind.
    broken_corner : RoughCut or None
        The corner that was lost.
    """

    long: float
    short: float
    thickness: float
    round_holes: tuple[RoundHole, ...] = ()
    square_holes: tuple[SquareHole, ...] = ()
    broken_corner: RoughCut | None = None


def _round_hole(hole: RoundHole, thickness: float) -> tuple[Solid, Feature]:
    low = 0.0 if hole.z_from is None else hole.z_from
    high = thickness if hole.z_to is None else hole.z_to
    opens = (("start",) if low <= 0 else ()) + (("end",) if high >= thickness else ())
    # An open end is cut 1 mm longer; the diameter at the new middle follows the taper.
    cut_low = low - 1.0 if low <= 0 else low
    cut_high = high + 1.0 if high >= thickness else high
    shift = 0.5 * (cut_low + cut_high) - 0.5 * (low + high)
    cut = Cylinder(
        diameter=hole.diameter + hole.taper * shift, z_from=cut_low, z_to=cut_high, x=hole.x, y=hole.y,
        taper=hole.taper,
    )
    feature = Feature(
        kind="round_hole", piece="plate", z_from=low, z_to=high, x=hole.x, y=hole.y, opens_at=opens,
        sizes={"diameter_mm": hole.diameter, "taper_mm_per_mm": hole.taper, "arc_deg": 360.0},
        flags=("tapered",) if hole.taper else (),
    )
    return cut, feature


def plate_design(plate: Plate) -> Design:
    """Return bodies and truth of a plate."""
    taken: list[Solid] = []
    features = [
        Feature(
            kind="rectangular_outside", piece="plate", z_from=0.0, z_to=plate.thickness,
            sizes={"flats_pair_mm": (plate.long, plate.short), "corner_radius_mm": 0.0}, turn_deg=0.0,
            period_deg=180.0, flags=("corner_missing",) if plate.broken_corner is not None else (),
        )
    ]
    for hole in plate.round_holes:
        cut, feature = _round_hole(hole, plate.thickness)
        taken.append(cut)
        features.append(feature)
    for pillar in plate.square_holes:
        taken.append(
            square(
                flats=pillar.flats, z_from=-1.0, z_to=plate.thickness + 1.0, x=pillar.x, y=pillar.y,
                turn_deg=pillar.turn_deg, corner_radius=pillar.corner_radius,
            )
        )
        features.append(
            Feature(
                kind="square_hole", piece="plate", z_from=0.0, z_to=plate.thickness, x=pillar.x, y=pillar.y,
                sizes={
                    "flats_mm": pillar.flats, "flats_pair_mm": (pillar.flats, pillar.flats),
                    "corner_radius_mm": pillar.corner_radius,
                },
                turn_deg=pillar.turn_deg, opens_at=("start", "end"),
            )
        )
    if plate.broken_corner is not None:
        taken.append(plate.broken_corner)
    sheet = Rectangle(long=plate.long, short=plate.short, z_from=0.0, z_to=plate.thickness)
    return Design(
        bodies=(Body(name="plate", solid=Difference(sheet, tuple(taken))),), features=tuple(features),
        pieces=(Piece(name="plate", z_from=0.0, z_to=plate.thickness),),
        radius=0.5 * (plate.long**2 + plate.short**2) ** 0.5, z_from=0.0, z_to=plate.thickness,
    )
