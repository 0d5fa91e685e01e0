"""What a press fit does to the metal: Lamé's thick cylinders for round joints, a range for square ones.

Lengths mm, stresses MPa, forces N, torques N mm; tension positive.
"""

from dataclasses import dataclass
from math import isfinite, pi, sqrt

from ctrecon.core.measured import format_short, format_value
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.fits.iso286 import Fit
from ctrecon.workshop.materials import Material

__all__ = ["PressFit", "PressRange", "SquarePress", "press_fit", "press_range", "square_press"]

FRICTION = 0.12
"""Brass on steel, dry to slightly oiled, for force and torque (common practice, no source)."""

ROUGHNESS_LOST = 0.8
"""Share of both surfaces' Rz by which interference is smoothed away (DIN 7190, from memory)."""

CORNER_RAISES = 3.0
"""By how much a filed inside corner raises the stress of a square joint (common practice, no source)."""

SQUARE_LEAST_WALL = 0.15
"""Least wall at the corners of a square hole, as a share of its flats, to press into (common practice, no source)."""


@dataclass(frozen=True)
class PressFit:
    """One interference of a round joint and what it does.

    Parameters
    ----------
    interference_mm, effective_mm : float
        On the diameter, as made and after the surfaces are smoothed.
    pressure_mpa : float
        Between hub and shaft.
    hub_hoop_mpa : float
        Hoop stress at the hub's bore; its radial stress there is minus the pressure.
    shaft_hoop_mpa, shaft_bore_hoop_mpa : float
        Hoop stress of the shaft at its surface, and at its bore (that of the surface if solid).
    axial_force_n, torque_nmm : float
        To press it on (and what it holds), and what it carries in turn.
    hub_equivalent_mpa, shaft_equivalent_mpa : float
        Largest difference of principal stresses (Tresca), to hold against yield.
    yields : tuple of str
        hub, shaft where that is above the hint of yield of the soft state.
    reason : str
        One sentence.
    """

    interference_mm: float
    effective_mm: float
    pressure_mpa: float
    hub_hoop_mpa: float
    shaft_hoop_mpa: float
    shaft_bore_hoop_mpa: float
    axial_force_n: float
    torque_nmm: float
    hub_equivalent_mpa: float
    shaft_equivalent_mpa: float
    yields: tuple[str, ...]
    reason: str


@dataclass(frozen=True)
class PressRange:
    """A press fit at the least and at the most interference its limits allow."""

    least: PressFit
    most: PressFit
    reason: str


@dataclass(frozen=True)
class SquarePress:
    """Interference (mm, across flats) to aim at for a square joint, and the metal at the hole's corners (mm)."""

    least_mm: float
    most_mm: float
    corner_wall_mm: float
    reason: str


def _checked(diameter: float, outside: float, bore: float, length: float) -> None:
    if not all(isfinite(one) for one in (diameter, outside, bore, length)) or diameter <= 0 or length <= 0 or bore < 0:
        raise PlanError("a press fit needs a joint diameter and length above 0 and a shaft bore of 0 or more, in mm")
    if outside <= diameter:
        raise PlanError(
            f"a hub {format_short(outside)} mm outside has no metal round a joint of {format_short(diameter)} mm"
        )
    if bore >= diameter:
        raise PlanError(f"a shaft of {format_short(diameter)} mm can't have a bore of {format_short(bore)} mm")


# many: a press fit is two rings, two metals and two surfaces
def press_fit(
    *, diameter_mm: float, hub_outside_mm: float, interference_mm: float, hub: Material, shaft: Material,
    length_mm: float, shaft_bore_mm: float = 0.0, friction: float = FRICTION, rz_hub_um: float = 0.0,
    rz_shaft_um: float = 0.0,
) -> PressFit:  # fmt: skip
    """Return pressure, stresses, force and torque of a round press fit (Lamé, thick cylinders, free ends).

    Parameters
    ----------
    diameter_mm, hub_outside_mm, shaft_bore_mm : float
        Joint, outside of the hub, bore of the shaft (0: solid), mm.
    interference_mm : float
        Shaft less hole, on the diameter.
    hub, shaft : Material
        Of `material`.
    length_mm : float
        Of contact.
    friction : float
        For force and torque.
    rz_hub_um, rz_shaft_um : float
        Rz of the two surfaces (micrometres); 0 leaves the loss out.

    Raises
    ------
    PlanError
        If the sizes make no joint or there is no interference.

    References
    ----------
    Lamé's cylinders as in Shigley, Mechanical Engineering Design, and Roark's Formulas; loss by roughness after
    DIN 7190 (from memory).

    Examples
    --------
    >>> from ctrecon.workshop.materials import material
    >>> fit = press_fit(diameter_mm=3, hub_outside_mm=6, interference_mm=0.01, hub=material("C36000"),
    ...     shaft=material("steel"), length_mm=4)
    >>> round(fit.pressure_mpa, 1), round(fit.hub_hoop_mpa, 1)
    (141.3, 235.5)
    """
    d, outside, bore = diameter_mm, hub_outside_mm, shaft_bore_mm
    _checked(d, outside, bore, length_mm)
    if not interference_mm > 0:
        raise PlanError(f"an interference of {format_short(interference_mm)} mm is no press fit; it must be above 0")
    effective = max(0.0, interference_mm - ROUGHNESS_LOST * (rz_hub_um + rz_shaft_um) / 1000)
    hub_shape = (outside**2 + d**2) / (outside**2 - d**2)
    shaft_shape = (d**2 + bore**2) / (d**2 - bore**2)
    give = (hub_shape + hub.nu) / (hub.e_gpa * 1000) + (shaft_shape - shaft.nu) / (shaft.e_gpa * 1000)
    p = effective / d / give
    at_bore = -2 * p * d**2 / (d**2 - bore**2) if bore else -p
    force = friction * p * pi * d * length_mm
    in_hub = p * (hub_shape + 1)
    in_shaft = max(abs(at_bore), p * shaft_shape)
    yields = tuple(
        name
        for name, stress, metal in (("hub", in_hub, hub), ("shaft", in_shaft, shaft))
        if stress > metal.yield_soft_mpa
    )
    reason = _told(interference_mm, effective, p, in_hub, force, force * d / 2, yields, hub, shaft)
    return PressFit(
        interference_mm, effective, p, p * hub_shape, -p * shaft_shape, at_bore, force, force * d / 2, in_hub,
        in_shaft, yields, reason,
    )  # fmt: skip


# many: the figures of the sentence
def _told(
    made: float, left: float, p: float, in_hub: float, force: float, torque: float, yields: tuple[str, ...],
    hub: Material, shaft: Material,
) -> str:  # fmt: skip
    um = f"{format_value(made * 1000, 1)} \N{MICRO SIGN}m interference"
    if left <= 0:
        return f"{um} is smoothed away with the surfaces' roughness: the joint would not hold"
    lost = f" ({format_value(left * 1000, 1)} left once the surfaces are smoothed)" if left < made else ""
    does = (
        f"{um}{lost} presses with {format_value(p, 0)} MPa, takes {_plain(force)} N to push home, carries "
        f"{_plain(torque / 1000)} N m and strains the hub to {format_value(in_hub, 0)} MPa"
    )
    if not yields:
        return f"{does}, below the yield of {hub.title} even when soft (about {format_short(hub.yield_soft_mpa)} MPa)"
    metals = {"hub": hub, "shaft": shaft}
    over = " and ".join(
        f"the {one} gives way if its {metals[one].title} is soft (yield about "
        f"{format_short(metals[one].yield_soft_mpa)} MPa; hard about {format_short(metals[one].yield_hard_mpa)})"
        for one in yields
    )
    return f"{does}; {over}, so it holds less than that"


def _plain(value: float) -> str:
    """Return a force or torque with no more digits than the friction deserves."""
    return format_value(value, 0) if value >= 100 else format_short(value, 2)


# many: as press_fit
def press_range(
    fit: Fit, *, hub_outside_mm: float, hub: Material, shaft: Material, length_mm: float, shaft_bore_mm: float = 0.0,
    friction: float = FRICTION, rz_hub_um: float = 0.0, rz_shaft_um: float = 0.0,
) -> PressRange:  # fmt: skip
    """Return what a press fit does at both ends of its limits.

    Parameters
    ----------
    fit : Fit
        An interference fit by its limits.
    hub_outside_mm, hub, shaft, length_mm, shaft_bore_mm, friction, rz_hub_um, rz_shaft_um
        As for `press_fit`.

    Raises
    ------
    PlanError
        If the fit may come out with clearance, or the sizes make no joint.
    """
    if fit.clearance_min_mm >= 0 or fit.kind != "interference":
        raise PlanError(f"{fit.reason}: it may come out loose, so no press can be reckoned; take a tighter fit")

    def at(interference: float) -> PressFit:
        return press_fit(
            diameter_mm=fit.size_mm, hub_outside_mm=hub_outside_mm, interference_mm=interference, hub=hub, shaft=shaft,
            length_mm=length_mm, shaft_bore_mm=shaft_bore_mm, friction=friction, rz_hub_um=rz_hub_um,
            rz_shaft_um=rz_shaft_um,
        )  # fmt: skip

    tiny = 1e-9  # a fit whose loosest pair just touches holds nothing there
    least, most = at(max(-fit.clearance_max_mm, tiny)), at(-fit.clearance_min_mm)
    hold = "next to nothing" if least.axial_force_n < 1 else f"{_plain(least.axial_force_n)} N"
    reason = f"{fit.code} holds {hold} at its loosest; at its tightest {most.reason}"
    return PressRange(least, most, reason)


def square_press(*, flats_mm: float, hub_outside_mm: float, hub: Material, shaft: Material) -> SquarePress:
    """Return the interference across flats to aim at where a square peg is pressed into a square hole.

    A square joint has no closed form. The range runs from just touching to what would strain a round joint across the
    square's corners to the soft yield, less by the factor of a sharp corner: the least metal stands there.

    Parameters
    ----------
    flats_mm, hub_outside_mm : float
        Across flats of the hole, outside of the round boss (mm).
    hub, shaft : Material
        Of `material`.

    Raises
    ------
    PlanError
        If the corners leave too little metal.
    """
    if not (isfinite(flats_mm) and isfinite(hub_outside_mm)) or flats_mm <= 0:
        raise PlanError("a square joint needs a width across flats above 0 and the boss's outside, in mm")
    corners = flats_mm * sqrt(2)
    wall = (hub_outside_mm - corners) / 2
    if wall < SQUARE_LEAST_WALL * flats_mm:
        raise PlanError(
            f"a boss of {format_short(hub_outside_mm)} mm leaves {format_value(wall, 3)} mm at the corners of a "
            f"{format_short(flats_mm)} mm square, under the {format_value(SQUARE_LEAST_WALL * flats_mm, 2)} mm to "
            "press into: make it a push fit and solder or pin it"
        )
    one = press_fit(
        diameter_mm=corners, hub_outside_mm=hub_outside_mm, interference_mm=corners / 1000, hub=hub, shaft=shaft,
        length_mm=1.0,
    )  # fmt: skip
    most = corners / 1000 * hub.yield_soft_mpa / one.hub_equivalent_mpa / CORNER_RAISES
    reason = (
        f"light press on the flats, 0 to {format_value(most * 1000, 1)} \N{MICRO SIGN}m over the hole: corners leave "
        f"{format_value(wall, 2)} mm of the boss and raise the stress about {CORNER_RAISES:g} times, so no more than a "
        "third of what a round joint across the corners would bear; relieve the corners of the peg"
    )
    return SquarePress(0.0, most, wall, reason)
