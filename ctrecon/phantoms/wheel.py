"""A toothed wheel divided by hand, whole or with a stretch of it broken out: a design with free dimensions."""

import math
from dataclasses import dataclass

import numpy as np

from ctrecon.phantoms.render import Body
from ctrecon.phantoms.solids import Array, Cylinder, Difference, Rectangle, Sector, Solid, square
from ctrecon.phantoms.truth import Design, Feature, Piece

__all__ = ["Teeth", "Wheel", "divided_by_hand", "wheel_design"]

_OVER = 1.0  # mm that cuts are longer than the metal, so that no skin is left across them


@dataclass(frozen=True, slots=True, kw_only=True)
class Teeth:
    """A disc with straight-sided teeth at any angles, endless along z.

    Parameters
    ----------
    angles_deg : tuple of float
        Middle of each tooth, ascending, from +x towards +y.
    tip, root : float
        Diameters, mm.
    at_root, at_tip : float
        Thickness of a tooth there, square to its middle line, mm.
    """

    angles_deg: tuple[float, ...]
    tip: float
    root: float
    at_root: float
    at_tip: float

    def distance(self, x: Array, y: Array, z: Array) -> Array:
        """Return the signed distance in mm."""
        angles = np.radians(self.angles_deg)
        r, at = np.hypot(x, y), np.arctan2(y, x) % (2 * math.pi)
        after = np.searchsorted(angles, at)
        slope = 0.5 * (self.at_root - self.at_tip) / (0.5 * (self.tip - self.root))
        out = r - 0.5 * self.root
        for k in (after - 1, after):
            off = at - angles[k % len(angles)]
            height = r * np.cos(off) - 0.5 * self.root
            aside = np.abs(r * np.sin(off)) + np.where(np.cos(off) > 0, 0.0, self.tip)
            flank = (aside - 0.5 * self.at_root + slope * height) / math.hypot(1.0, slope)
            out = np.minimum(out, np.maximum(flank, r - 0.5 * self.tip))
        return out


@dataclass(frozen=True, slots=True, kw_only=True)
class Wheel:
    """A wheel with a square hole and crossed-out windows (mm, degrees).

    Parameters
    ----------
    teeth : Teeth
        Its rim.
    thickness : float
        Along the axis.
    flats, flats_turn_deg : float
        Of the square hole.
    hub, rim : float
        Diameters between which the windows are.
    arms, arm : int, float
        How many arms, and how wide; 0 leaves the windows out.
    gone_from_deg, gone_deg : float
        Stretch that is broken out down to the hub, at most 180 degrees.
    """

    teeth: Teeth
    thickness: float
    flats: float
    flats_turn_deg: float = 0.0
    hub: float = 0.0
    rim: float = 0.0
    arms: int = 0
    arm: float = 0.0
    gone_from_deg: float = 0.0
    gone_deg: float = 0.0


def divided_by_hand(
    rng: np.random.Generator, teeth: int, *, random: float, step: float, left_over: float
) -> tuple[float, ...]:
    """Return the angles (degrees, ascending from 0) of teeth stepped round a rim with dividers.

    Parameters
    ----------
    rng : Generator
        Where the errors come from.
    teeth : int
        How many.
    random : float
        Standard deviation of the cut of each tooth, pitches.
    step : float
        Standard deviation of each step, which all later teeth carry on, pitches.
    left_over : float
        What is left when the divider comes round; it goes into the last step, pitches.
    """
    steps = 1 + step * rng.standard_normal(teeth - 1)
    steps *= (teeth - 1 - left_over) / steps.sum()
    marks = np.r_[0.0, np.cumsum(steps)] + random * rng.standard_normal(teeth)
    return tuple(float(one) for one in np.sort((marks - marks[0]) * 360 / teeth))


def wheel_design(wheel: Wheel) -> Design:
    """Return bodies and truth of a wheel."""
    teeth, high = wheel.teeth, wheel.thickness
    cuts: list[Solid] = [
        square(flats=wheel.flats, z_from=-_OVER, z_to=high + _OVER, turn_deg=wheel.flats_turn_deg)
    ]
    if wheel.arms:
        ring = Difference(
            Cylinder(diameter=wheel.rim, z_from=-_OVER, z_to=high + _OVER),
            (
                Cylinder(diameter=wheel.hub, z_from=-2 * _OVER, z_to=high + 2 * _OVER),
                *(
                    Rectangle(
                        long=wheel.rim, short=wheel.arm, z_from=-2 * _OVER, z_to=high + 2 * _OVER,
                        x=0.5 * wheel.rim * math.cos(a), y=0.5 * wheel.rim * math.sin(a), turn_deg=math.degrees(a),
                    )
                    for a in (2 * math.pi * k / wheel.arms for k in range(wheel.arms))
                ),
            ),
        )  # fmt: skip
        cuts.append(ring)
    if wheel.gone_deg:
        hub = Cylinder(diameter=wheel.hub, z_from=-2 * _OVER, z_to=high + 2 * _OVER)
        cuts.append(Difference(Sector(from_deg=wheel.gone_from_deg, arc_deg=wheel.gone_deg), (hub,)))
    rim = Difference(Cylinder(diameter=teeth.tip + 1, z_from=0.0, z_to=high), (_Outside(teeth),))
    half = math.degrees(0.5 * teeth.at_root / (0.5 * teeth.root))
    left = tuple(
        a for a in teeth.angles_deg
        if not wheel.gone_deg or half < (a - wheel.gone_from_deg - wheel.gone_deg) % 360 < 360 - wheel.gone_deg - half
    )  # fmt: skip
    features = (
        Feature(
            kind="wheel", piece="wheel", z_from=0.0, z_to=high, angles_deg=left,
            sizes={
                "teeth": float(len(teeth.angles_deg)), "tip_diameter_mm": teeth.tip, "root_diameter_mm": teeth.root,
                "tooth_width_mm": 0.5 * (teeth.at_root + teeth.at_tip), "arc_deg": 360.0 - wheel.gone_deg,
            },
            arc_from_deg=wheel.gone_from_deg + wheel.gone_deg if wheel.gone_deg else None,
        ),
        Feature(
            kind="square_hole", piece="wheel", z_from=0.0, z_to=high, opens_at=("start", "end"),
            sizes={"flats_mm": wheel.flats, "flats_pair_mm": (wheel.flats, wheel.flats), "corner_radius_mm": 0.0},
            turn_deg=wheel.flats_turn_deg,
        ),
        *_windows(wheel),
    )  # fmt: skip
    return Design(
        bodies=(Body(name="wheel", solid=Difference(rim, tuple(cuts))),), features=features,
        pieces=(Piece(name="wheel", z_from=0.0, z_to=high),), radius=0.5 * teeth.tip, z_from=0.0, z_to=high,
    )  # fmt: skip


def _windows(wheel: Wheel) -> list[Feature]:
    """Return the windows that are left whole, each with its area and the middle of that."""
    if not wheel.arms:
        return []
    edges = np.linspace(0.5 * wheel.hub, 0.5 * wheel.rim, 20001)
    r = 0.5 * (edges[1:] + edges[:-1])
    half = np.maximum(np.pi / wheel.arms - np.arcsin(np.minimum(0.5 * wheel.arm / r, 1.0)), 0.0)
    step = float(edges[1] - edges[0])
    area = float(np.sum(2 * r * half)) * step
    far = float(np.sum(2 * r**2 * np.sin(half))) * step / area
    span, found = 360 / wheel.arms, []
    for k in range(wheel.arms):
        before_gone = (wheel.gone_from_deg - k * span) % 360
        if wheel.gone_deg and not span <= before_gone <= 360 - wheel.gone_deg:
            continue
        middle = math.radians((k + 0.5) * span)
        found.append(
            Feature(
                kind="free_hole", piece="wheel", z_from=0.0, z_to=wheel.thickness, x=far * math.cos(middle),
                y=far * math.sin(middle), sizes={"area_mm2": area}, opens_at=("start", "end"),
            )
        )  # fmt: skip
    return found


@dataclass(frozen=True, slots=True)
class _Outside:
    """All that is not in a solid."""

    solid: Solid

    def distance(self, x: Array, y: Array, z: Array) -> Array:
        """Return the signed distance in mm."""
        return -self.solid.distance(x, y, z)
