"""A broken ring and a tapered bush: designs with free dimensions."""

from dataclasses import dataclass

from ctrecon.phantoms.render import Body
from ctrecon.phantoms.solids import Cylinder, Difference, Sector, Solid, tube
from ctrecon.phantoms.truth import Design, Feature, Piece

__all__ = ["Bush", "Ring", "bush_design", "ring_design"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ring:
    """A ring with a sector broken out (mm, degrees); at most half of it is gone."""

    outer: float
    inner: float
    height: float
    gone_from_deg: float = 0.0
    gone_deg: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Bush:
    """A bush, tapered outside, with a straight bore that is countersunk at its upper end (mm).

    Parameters
    ----------
    outer : float
        Outside diameter at mid-height.
    taper : float
        Change of the outside diameter per mm of height.
    bore, height : float
        Diameter of the bore, and height.
    countersink, countersink_depth : float
        Widest diameter and depth of the countersink; a depth of 0 leaves it out.
    """

    outer: float
    taper: float
    bore: float
    height: float
    countersink: float = 0.0
    countersink_depth: float = 0.0


def ring_design(ring: Ring) -> Design:
    """Return bodies and truth of a ring or its fragment."""
    solid: Solid = tube(outer=ring.outer, inner=ring.inner, z_from=0.0, z_to=ring.height)
    if ring.gone_deg:
        solid = Difference(solid, (Sector(from_deg=ring.gone_from_deg, arc_deg=ring.gone_deg),))
    left = {"arc_deg": 360.0 - ring.gone_deg, "taper_mm_per_mm": 0.0}
    begins = ring.gone_from_deg + ring.gone_deg if ring.gone_deg else None
    features = (
        Feature(
            kind="round_outside", piece="ring", z_from=0.0, z_to=ring.height,
            sizes={"diameter_mm": ring.outer, **left}, arc_from_deg=begins,
        ),
        Feature(
            kind="round_hole", piece="ring", z_from=0.0, z_to=ring.height,
            sizes={"diameter_mm": ring.inner, **left}, arc_from_deg=begins, opens_at=("start", "end"),
        ),
    )
    return Design(
        bodies=(Body(name="ring", solid=solid),), features=features,
        pieces=(Piece(name="ring", z_from=0.0, z_to=ring.height),),
        radius=0.5 * ring.outer, z_from=0.0, z_to=ring.height,
    )


def bush_design(bush: Bush) -> Design:
    """Return bodies and truth of a bush."""
    top = bush.height - bush.countersink_depth
    taken: list[Solid] = [Cylinder(diameter=bush.bore, z_from=-1.0, z_to=bush.height + 1.0)]
    features = [
        Feature(
            kind="round_outside", piece="bush", z_from=0.0, z_to=bush.height, flags=("tapered",) if bush.taper else (),
            sizes={"diameter_mm": bush.outer, "taper_mm_per_mm": bush.taper, "arc_deg": 360.0},
        ),
        Feature(
            kind="round_hole", piece="bush", z_from=0.0, z_to=top,
            opens_at=("start",) if bush.countersink_depth else ("start", "end"),
            sizes={"diameter_mm": bush.bore, "taper_mm_per_mm": 0.0, "arc_deg": 360.0},
        ),
    ]
    if bush.countersink_depth:
        slope = (bush.countersink - bush.bore) / bush.countersink_depth
        # The cone is cut 0.2 mm beyond the face along the same slope.
        taken.append(
            Cylinder(
                diameter=0.5 * (bush.countersink + bush.bore) + 0.1 * slope, z_from=top, z_to=bush.height + 0.2,
                taper=slope,
            )
        )
        features.append(
            Feature(
                kind="round_hole", piece="bush", z_from=top, z_to=bush.height, opens_at=("end",), flags=("tapered",),
                sizes={
                    "diameter_mm": 0.5 * (bush.countersink + bush.bore), "taper_mm_per_mm": slope, "arc_deg": 360.0,
                },
            )
        )
    widest = bush.outer + 0.5 * abs(bush.taper) * bush.height
    return Design(
        bodies=(
            Body(
                name="bush",
                solid=Difference(
                    Cylinder(diameter=bush.outer, z_from=0.0, z_to=bush.height, taper=bush.taper), tuple(taken)
                ),
            ),
        ),
        features=tuple(features), pieces=(Piece(name="bush", z_from=0.0, z_to=bush.height),),
        radius=0.5 * widest, z_from=0.0, z_to=bush.height,
    )
