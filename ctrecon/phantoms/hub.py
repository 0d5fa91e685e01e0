"""A stepped hub with a spacer pressed on its square boss: a design with free dimensions."""

import math
from dataclasses import dataclass

from ctrecon.phantoms.render import Body
from ctrecon.phantoms.solids import Balls, Cylinder, Difference, Solid, Union, square
from ctrecon.phantoms.truth import Design, Feature, Piece, relief_arcs

__all__ = ["Hub", "hub_design"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hub:
    """Dimensions of a hub, mm and degrees; heights run upwards from the flange's face at z = 0.

    Parameters
    ----------
    flange, drum, spacer, bore : float
        Diameters.
    flats : float
        Across the flats of the boss.
    flange_top, drum_top, spacer_top, boss_top : float
        Heights of the steps.
    boss_turn_deg : float
        Turn of the boss.
    relief, relief_centre, relief_towards_deg : float
        Diameter, distance from the axis and direction of the arc cut from the spacer's rim;
        no relief with a diameter of 0.
    gap : float
        Air between each flat of the boss and the spacer.
    spacer_grey : float
        Grey of the spacer as a share of the body's.
    one_piece : bool
        Boss and spacer are one piece of metal: the same outside, no seam.
    pits : Balls or None
        Bites out of the flange's rim.
    """

    flange: float
    drum: float
    spacer: float
    bore: float
    flats: float
    flange_top: float
    drum_top: float
    spacer_top: float
    boss_top: float
    boss_turn_deg: float = 0.0
    relief: float = 0.0
    relief_centre: float = 0.0
    relief_towards_deg: float = 0.0
    gap: float = 0.0
    spacer_grey: float = 1.0
    one_piece: bool = False
    pits: Balls | None = None


def _bodies(hub: Hub) -> tuple[Body, ...]:
    over = 1.0  # holes are cut longer than the metal, so that no skin is left across them
    bore = Cylinder(diameter=hub.bore, z_from=-over, z_to=hub.boss_top + over)
    relief: tuple[Solid, ...] = ()
    if hub.relief:
        x, y = _polar(hub.relief_centre, hub.relief_towards_deg)
        relief = (Cylinder(diameter=hub.relief, z_from=hub.drum_top - over, z_to=hub.spacer_top + over, x=x, y=y),)
    flange: Solid = Cylinder(diameter=hub.flange, z_from=0.0, z_to=hub.flange_top)
    if hub.pits is not None:
        flange = Difference(flange, (hub.pits,))
    drum = Cylinder(diameter=hub.drum, z_from=0.0, z_to=hub.drum_top)
    # The boss reaches down into the drum: pieces of a union may overlap.
    boss = square(flats=hub.flats, z_from=0.0, z_to=hub.boss_top, turn_deg=hub.boss_turn_deg)
    disc = Cylinder(diameter=hub.spacer, z_from=hub.drum_top, z_to=hub.spacer_top)
    if hub.one_piece:
        # A core runs through the joint: parts of a union that merely touch would leave a skin there.
        core = Cylinder(diameter=min(hub.drum, hub.spacer), z_from=0.0, z_to=hub.spacer_top)
        upper = Difference(Union((disc, core)), relief) if relief else Union((disc, core))
        joined = Difference(Union((flange, drum, boss, upper)), (bore,))
        return (Body(name="body", solid=joined),)
    hole = square(
        flats=hub.flats + 2 * hub.gap, z_from=hub.drum_top - over, z_to=hub.spacer_top + over,
        turn_deg=hub.boss_turn_deg,
    )
    return (
        Body(name="body", solid=Difference(Union((flange, drum, boss)), (bore,))),
        Body(name="spacer", solid=Difference(disc, (hole, *relief)), grey=hub.spacer_grey),
    )


def _polar(radius: float, deg: float) -> tuple[float, float]:
    return radius * math.cos(math.radians(deg)), radius * math.sin(math.radians(deg))


def hub_design(hub: Hub) -> Design:
    """Return bodies and truth of a hub."""
    spacer_piece = "body" if hub.one_piece else "spacer"
    whole = {"arc_deg": 360.0, "taper_mm_per_mm": 0.0}
    rim: dict[str, float] = dict(whole)
    rim_from = None
    features = []
    if hub.relief:
        off_rim, of_relief = relief_arcs(outer=hub.spacer, relief=hub.relief, centre=hub.relief_centre)
        rim["arc_deg"] = 360.0 - off_rim
        rim_from = hub.relief_towards_deg + 0.5 * off_rim
        x, y = _polar(hub.relief_centre, hub.relief_towards_deg)
        features.append(
            Feature(
                kind="arc_outside", piece=spacer_piece, z_from=hub.drum_top, z_to=hub.spacer_top, x=x, y=y,
                sizes={"diameter_mm": hub.relief, "arc_deg": of_relief, "taper_mm_per_mm": 0.0},
                arc_from_deg=hub.relief_towards_deg + 180.0 - 0.5 * of_relief,
            )
        )
    features += [
        Feature(
            kind="round_outside", piece="body", z_from=0.0, z_to=hub.flange_top,
            sizes={"diameter_mm": hub.flange, **whole}, flags=("rim_damaged",) if hub.pits is not None else (),
        ),
        Feature(
            kind="round_outside", piece="body", z_from=hub.flange_top, z_to=hub.drum_top,
            sizes={"diameter_mm": hub.drum, **whole},
        ),
        Feature(
            kind="round_outside", piece=spacer_piece, z_from=hub.drum_top, z_to=hub.spacer_top,
            sizes={"diameter_mm": hub.spacer, **rim}, arc_from_deg=rim_from,
        ),
        Feature(
            kind="square_outside", piece="body", z_from=hub.spacer_top, z_to=hub.boss_top,
            sizes={"flats_mm": hub.flats, "flats_pair_mm": (hub.flats, hub.flats), "corner_radius_mm": 0.0},
            turn_deg=hub.boss_turn_deg,
        ),
        Feature(
            kind="round_hole", piece="body", z_from=0.0, z_to=hub.boss_top,
            sizes={"diameter_mm": hub.bore, **whole}, opens_at=("start", "end"),
        ),
    ]
    pieces = [Piece(name="body", z_from=0.0, z_to=hub.boss_top)]
    if not hub.one_piece:
        pieces.append(Piece(name="spacer", z_from=hub.drum_top, z_to=hub.spacer_top))
        features.append(
            Feature(
                kind="square_seam", piece="spacer", z_from=hub.drum_top, z_to=hub.spacer_top,
                sizes={"flats_mm": hub.flats + hub.gap, "seam_mm": hub.gap}, turn_deg=hub.boss_turn_deg,
            )
        )
    return Design(
        bodies=_bodies(hub), features=tuple(features), pieces=tuple(pieces),
        radius=0.5 * max(hub.flange, hub.drum, hub.spacer, 1.4143 * hub.flats), z_from=0.0, z_to=hub.boss_top,
    )
