"""Parts of random size for accuracy runs: every draw comes from the generator passed in."""

import math
from dataclasses import fields, replace
from typing import Any

import numpy as np

from ctrecon.core.errors import InputError
from ctrecon.core.frames import Voxel
from ctrecon.phantoms.hub import Hub, hub_design
from ctrecon.phantoms.phantom import Phantom, Pose, assemble
from ctrecon.phantoms.plate import Plate, RoundHole, SquareHole, plate_design
from ctrecon.phantoms.render import Body
from ctrecon.phantoms.scanner import Scanner
from ctrecon.phantoms.solids import Cylinder, Difference, RoughCut, Union, eaten_rim, tube
from ctrecon.phantoms.truth import Design

__all__ = ["random_hub", "random_plate"]

_SLOPE_OF_PINS = 1 / 48
_WALL_PX = 9.0


def _scanner(snr: float, psf: float, artefacts: dict[str, Any]) -> Scanner:
    known = {f.name for f in fields(Scanner)}
    unknown = sorted(set(artefacts) - known)
    if unknown:
        raise InputError(f"There is no artefact {unknown[0]!r}; choose from: {', '.join(sorted(known))}.")
    return Scanner(**{"snr": snr, "psf_px": psf, **artefacts})


def _voxel(rng: np.random.Generator) -> Voxel:
    dz, dy = rng.uniform(0.05, 0.08, 2).round(4)
    dx = dy * rng.uniform(0.9, 1.1)
    return float(dz), float(dy), round(float(dx), 4)


def _pose(rng: np.random.Generator, tilt_deg: float | None, max_tilt_deg: float) -> Pose:
    tilt = rng.uniform(0.0, max_tilt_deg)
    towards, turn = rng.uniform(0.0, 360.0, 2)
    offset = rng.uniform(-0.5, 0.5, 3)
    return Pose(
        tilt_deg=float(tilt if tilt_deg is None else tilt_deg), towards_deg=float(towards), turn_deg=float(turn),
        flipped=bool(rng.random() < 0.5), offset_px=(float(offset[0]), float(offset[1]), float(offset[2])),
    )


def _surround(design: Design, bore: float, *, holder: bool, second_body: bool, clearance: float) -> Design:
    bodies, radius = design.bodies, design.radius
    high = design.z_to - design.z_from
    if second_body:
        # A rivet lying beside the part.
        size = 0.35 * radius
        rivet = Cylinder(
            diameter=size, z_from=design.z_from + 0.2 * high, z_to=design.z_to - 0.2 * high,
            x=radius + clearance + 0.5 * size,
        )
        bodies += (Body(name="rivet", solid=rivet),)
        radius += clearance + size
    if holder:
        metal = Union((*(b.solid for b in bodies), Cylinder(diameter=bore, z_from=-math.inf, z_to=math.inf)))
        inner = 2 * (radius + clearance)
        foam = Difference(Cylinder(diameter=inner, z_from=-math.inf, z_to=math.inf), (metal,))
        ring = tube(outer=inner + 2 * clearance, inner=inner, z_from=-math.inf, z_to=math.inf)
        bodies += (Body(name="foam", solid=foam, grey=0.04, grain=0.5), Body(name="holder", solid=ring, grey=0.12))
        radius += 2 * clearance
    return replace(design, bodies=bodies, radius=radius)


def random_hub(
    rng: np.random.Generator, *, one_piece: bool = False, seam_voxels: float = 0.2, snr: float = 20.0,
    psf: float = 0.8, tilt_deg: float | None = None, max_tilt_deg: float = 2.0, voxel_mm: Voxel | None = None,
    relief: bool = True, spacer_grey: float = 1.0, eaten: bool = False, holder: bool = False,
    second_body: bool = False, **artefacts: Any,
) -> Phantom:
    """Return a hub of random size: flange, drum, spacer on a square boss, bore.

    Bores and rims are at least 12 px across, the boss at least 20 px, everything at least
    10 slices long, the spacer 20 to 28.

    Parameters
    ----------
    rng : Generator
        All chance comes from here.
    one_piece : bool
        The same outside, made in one piece.
    seam_voxels : float
        Air between boss and spacer, in mean in-plane voxels.
    snr, psf : float
        See `Scanner`.
    tilt_deg : float or None
        Tilt; None draws it from 0 to `max_tilt_deg`.
    voxel_mm : (dz, dy, dx) or None
        Voxel edges; None draws dz and dy from 0.05 to 0.08 mm, and dx within a tenth of dy.
    relief, eaten, holder, second_body : bool
        An arc cut from the spacer's rim; a stretch of flange eaten away; a holder ring with
        foam; a rivet beside the part.
    spacer_grey : float
        Grey of the spacer as a share of the body's.
    **artefacts
        Further fields of `Scanner`.

    Returns
    -------
    Phantom
    """
    scanner = _scanner(snr, psf, artefacts)
    voxel = _voxel(rng) if voxel_mm is None else voxel_mm
    dz, pitch = voxel[0], max(voxel[1:])
    bore = rng.uniform(13.0, 24.0)
    flats = max(22.0, bore + rng.uniform(14.0, 22.0))
    spacer = math.sqrt(2.0) * flats + rng.uniform(27.0, 40.0)
    step = rng.uniform(8.0, 16.0)
    drum = spacer + (step if rng.random() < 0.7 else -step)
    flange = max(drum, spacer) + rng.uniform(14.0, 32.0)
    heights = np.cumsum([rng.uniform(10.5, 18.0), rng.uniform(10.5, 20.0), rng.uniform(20.0, 28.0),
                         rng.uniform(10.5, 16.0)]) * dz
    cut = rng.uniform(24.0, 34.0)
    depth = rng.uniform(5.0, 7.0)
    towards = rng.uniform(0.0, 360.0)
    boss_turn = rng.uniform(0.0, 90.0)
    pits = None
    if eaten:
        pits = eaten_rim(
            rng, diameter=flange * pitch, z_from=0.0, z_to=float(heights[0]), from_deg=rng.uniform(0.0, 360.0),
            arc_deg=rng.uniform(25.0, 70.0), depth=4.0 * pitch,
        )
    hub = Hub(
        flange=flange * pitch, drum=drum * pitch, spacer=spacer * pitch, bore=bore * pitch, flats=flats * pitch,
        flange_top=float(heights[0]), drum_top=float(heights[1]), spacer_top=float(heights[2]),
        boss_top=float(heights[3]), boss_turn_deg=boss_turn, relief=cut * pitch if relief else 0.0,
        relief_centre=(0.5 * (spacer + cut) - depth) * pitch, relief_towards_deg=towards,
        gap=0.0 if one_piece else seam_voxels * 0.5 * (voxel[1] + voxel[2]), spacer_grey=spacer_grey,
        one_piece=one_piece, pits=pits,
    )
    pose = _pose(rng, tilt_deg, max_tilt_deg)
    design = _surround(
        hub_design(hub), hub.bore, holder=holder, second_body=second_body, clearance=_WALL_PX * pitch
    )
    return assemble("random_hub", design, pose=pose, voxel_mm=voxel, scanner=scanner, rng=rng)


def random_plate(
    rng: np.random.Generator, *, snr: float = 20.0, psf: float = 0.8, tilt_deg: float | None = None,
    max_tilt_deg: float = 2.0, voxel_mm: Voxel | None = None, tapered: bool = True, blind: bool = False,
    broken_corner: bool = False, corner_radius_px: float = 0.0, **artefacts: Any,
) -> Phantom:
    """Return a plate of random size with square holes, round holes and a bore.

    Round holes are at least 12 px across, square ones at least 20 px, all at least 10 slices
    long and 9 px of metal apart.

    Parameters
    ----------
    rng : Generator
        All chance comes from here.
    snr, psf : float
        See `Scanner`.
    tilt_deg : float or None
        Tilt; None draws it from 0 to `max_tilt_deg`.
    voxel_mm : (dz, dy, dx) or None
        Voxel edges; None draws dz and dy from 0.05 to 0.08 mm, and dx within a tenth of dy.
    tapered, blind, broken_corner : bool
        Two holes for taper pins (1:48); a hole that ends inside; a lost corner.
    corner_radius_px : float
        Radius of the corners of the square holes.
    **artefacts
        Further fields of `Scanner`.

    Returns
    -------
    Phantom
    """
    scanner = _scanner(snr, psf, artefacts)
    voxel = _voxel(rng) if voxel_mm is None else voxel_mm
    dz, pitch = voxel[0], max(voxel[1:])
    long, short = rng.uniform(170.0, 210.0), rng.uniform(120.0, 150.0)
    thick = rng.uniform(24.0, 30.0) if blind else rng.uniform(11.0, 24.0)
    bore = rng.uniform(26.0, 44.0)
    # Room taken so far: x, y, radius in px; the corner that may break off is kept free.
    room = [(0.0, 0.0, 0.5 * bore), (0.5 * long, 0.5 * short, 30.0)]
    squares = []
    for _ in range(4):
        flats = rng.uniform(20.5, 26.0)
        x, y = _free_spot(rng, room, math.sqrt(0.5) * flats, long, short)
        turn = float(rng.uniform(0.0, 90.0)) if rng.random() < 0.5 else 0.0
        squares.append(
            SquareHole(
                x=x * pitch, y=y * pitch, flats=flats * pitch, turn_deg=turn,
                corner_radius=corner_radius_px * pitch,
            )
        )
    rounds = [RoundHole(x=0.0, y=0.0, diameter=bore * pitch)]
    for number in range(3):
        size = rng.uniform(13.0, 20.0)
        x, y = _free_spot(rng, room, 0.5 * size, long, short)
        slope = _SLOPE_OF_PINS * (1.0, -1.0, 0.0)[number] if tapered else 0.0
        end = thick * dz - rng.uniform(10.5, 12.5) * dz if blind and number == 2 else None
        rounds.append(RoundHole(x=x * pitch, y=y * pitch, diameter=size * pitch, taper=slope, z_to=end))
    corner = None
    if broken_corner:
        reach = 0.5 * (long + short) * math.sqrt(0.5)
        corner = RoughCut(
            direction_deg=45.0, at=(reach - rng.uniform(9.0, 16.0)) * pitch, height=1.2 * pitch, length=18.0 * pitch
        )
    plate = Plate(
        long=long * pitch, short=short * pitch, thickness=thick * dz, round_holes=tuple(rounds),
        square_holes=tuple(squares), broken_corner=corner,
    )
    return assemble(
        "random_plate", plate_design(plate), pose=_pose(rng, tilt_deg, max_tilt_deg), voxel_mm=voxel, scanner=scanner,
        rng=rng, half_xy=(0.5 * plate.long, 0.5 * plate.short),
    )


def _free_spot(
    rng: np.random.Generator, room: list[tuple[float, float, float]], radius: float, long: float, short: float
) -> tuple[float, float]:
    """Return a place for a hole with metal all round, and note it in `room`."""
    for _ in range(10_000):
        x = float(rng.uniform(-1.0, 1.0) * (0.5 * long - radius - _WALL_PX))
        y = float(rng.uniform(-1.0, 1.0) * (0.5 * short - radius - _WALL_PX))
        if all(math.hypot(x - a, y - b) >= radius + r + _WALL_PX for a, b, r in room):
            room.append((x, y, radius))
            return x, y
    raise InputError("The random plate has no room for another hole; draw again with another seed.")
