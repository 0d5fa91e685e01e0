"""The named parts: pieces of a fare counter from a river ferry, lost in the mud. All invented."""

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np

from ctrecon.core.errors import InputError
from ctrecon.core.frames import Voxel
from ctrecon.phantoms.fare_counter import COUNTER, make_counter_part
from ctrecon.phantoms.hub import Hub, hub_design
from ctrecon.phantoms.phantom import Phantom, Pose, assemble
from ctrecon.phantoms.plate import Plate, RoundHole, SquareHole, plate_design
from ctrecon.phantoms.render import Placement
from ctrecon.phantoms.rings import Bush, Ring, bush_design, ring_design
from ctrecon.phantoms.scanner import Scanner
from ctrecon.phantoms.solids import RoughCut
from ctrecon.phantoms.wheel import Teeth, Wheel, divided_by_hand, wheel_design

__all__ = ["SAMPLES", "make", "names"]

SAMPLES = ("drum_hub", "quay_plate")
"""The parts that ship as sample slices."""

_HUB_VOXEL: Voxel = (0.075, 0.07, 0.068)
_HUB = Hub(
    flange=12.0, drum=8.6, spacer=7.8, bore=2.4, flats=3.6, flange_top=1.5, drum_top=3.1, spacer_top=4.9,
    boss_top=5.8, boss_turn_deg=0.0, relief=3.2, relief_centre=4.7, relief_towards_deg=90.0, gap=0.014,
    spacer_grey=0.985,
)
_HUB_POSE = Pose(tilt_deg=1.3, towards_deg=205.0, turn_deg=17.0, offset_px=(0.31, -0.42, 0.27))
_HUB_SCAN = Scanner(snr=25.0, psf_px=0.8, rings=0.002, cupping=0.003, air=1300.0, contrast=4800.0, bits=16)

_PLATE_VOXEL: Voxel = (0.058, 0.064, 0.062)
_PLATE = Plate(
    long=16.0, short=11.0, thickness=1.5,
    square_holes=(
        SquareHole(x=-6.1, y=-4.1, flats=1.4),
        SquareHole(x=2.2, y=-4.1, flats=1.4),
        SquareHole(x=-3.4, y=4.1, flats=1.4),
        SquareHole(x=6.4, y=1.2, flats=1.4),
    ),
    round_holes=(
        RoundHole(x=0.0, y=0.0, diameter=4.0),
        RoundHole(x=-6.3, y=2.3, diameter=0.9, taper=1 / 48),
        RoundHole(x=4.9, y=-3.4, diameter=1.1, taper=-1 / 48),
    ),
    broken_corner=RoughCut(direction_deg=49.0, at=8.1, height=0.09, length=1.3),
)
_PLATE_POSE = Pose(tilt_deg=0.6, towards_deg=62.0, turn_deg=3.5, offset_px=(0.23, 0.37, -0.18))
_PLATE_SCAN = Scanner(snr=25.0, psf_px=0.8, rings=0.002, cupping=0.0025, air=34.0, contrast=158.0, bits=8)


def _scaled(voxel_mm: Voxel, scale: float) -> Voxel:
    return (voxel_mm[0] / scale, voxel_mm[1] / scale, voxel_mm[2] / scale)


def _drum_hub(rng: np.random.Generator, scale: float) -> Phantom:
    return assemble(
        "drum_hub", hub_design(_HUB), pose=_HUB_POSE, voxel_mm=_scaled(_HUB_VOXEL, scale), scanner=_HUB_SCAN, rng=rng
    )


def _solid_hub(rng: np.random.Generator, scale: float) -> Phantom:
    whole = hub_design(replace(_HUB, one_piece=True))
    return assemble(
        "solid_hub", whole, pose=_HUB_POSE, voxel_mm=_scaled(_HUB_VOXEL, scale), scanner=_HUB_SCAN, rng=rng
    )


def _quay_plate(rng: np.random.Generator, scale: float) -> Phantom:
    return assemble(
        "quay_plate", plate_design(_PLATE), pose=_PLATE_POSE, voxel_mm=_scaled(_PLATE_VOXEL, scale),
        scanner=_PLATE_SCAN, rng=rng, half_xy=(0.5 * _PLATE.long, 0.5 * _PLATE.short),
    )


def _ring_fragment(rng: np.random.Generator, scale: float) -> Phantom:
    return assemble(
        "ring_fragment", ring_design(Ring(outer=9.0, inner=5.6, height=2.2, gone_from_deg=20.0, gone_deg=115.0)),
        pose=Pose(tilt_deg=0.9, towards_deg=300.0, turn_deg=40.0, offset_px=(0.1, 0.4, -0.3)),
        voxel_mm=_scaled((0.07, 0.06, 0.063), scale), scanner=Scanner(snr=25.0, psf_px=0.8, rings=0.002), rng=rng,
    )


def _tapered_bush(rng: np.random.Generator, scale: float) -> Phantom:
    bush = Bush(outer=6.4, taper=1 / 48, bore=3.0, height=4.0, countersink=4.4, countersink_depth=0.7)
    return assemble(
        "tapered_bush", bush_design(bush),
        pose=Pose(tilt_deg=1.7, towards_deg=110.0, offset_px=(-0.2, 0.15, 0.45)),
        voxel_mm=_scaled((0.066, 0.058, 0.06), scale), scanner=Scanner(snr=25.0, psf_px=0.8, cupping=0.003), rng=rng,
    )


def _one_slice(rng: np.random.Generator, scale: float) -> Phantom:
    # One slice through the middle of the plate, without tilt: its depth cannot be known.
    dz, dy, dx = _scaled(_PLATE_VOXEL, scale)
    rows, columns = int(13.5 / dy), int(18.0 / dx)
    placement = Placement(
        centre_xyz=(0.5 * (columns - 0.6) * dx, 0.5 * (rows - 1.3) * dy, -0.5 * _PLATE.thickness), turn_deg=3.5
    )
    return assemble(
        "one_slice", plate_design(_PLATE), pose=Pose(), voxel_mm=(dz, dy, dx), scanner=_PLATE_SCAN, rng=rng,
        shape=(1, rows, columns), placement=placement,
    )


def _ticket_wheel(rng: np.random.Generator, scale: float, *, broken: bool) -> Phantom:
    # its hand is not that of the noise: one wheel, whatever the seed
    hand = np.random.default_rng(60)
    teeth = Teeth(
        angles_deg=divided_by_hand(hand, 60, random=0.015, step=0.008, left_over=0.12), tip=20.0, root=17.9,
        at_root=0.72, at_tip=0.26,
    )  # fmt: skip
    gone = {"gone_from_deg": 70.0, "gone_deg": 172.0} if broken else {}
    wheel = Wheel(
        teeth=teeth, thickness=1.5, flats=3.2, flats_turn_deg=8.0, hub=7.4, rim=14.6, arms=4, arm=1.7, **gone
    )
    return assemble(
        "ticket_wheel_broken" if broken else "ticket_wheel", wheel_design(wheel),
        pose=Pose(tilt_deg=0.9, towards_deg=140.0, turn_deg=31.0, offset_px=(0.2, -0.3, 0.4)),
        voxel_mm=_scaled((0.11, 0.1, 0.1), scale), scanner=Scanner(snr=25.0, psf_px=0.8, rings=0.002, cupping=0.003),
        rng=rng,
    )  # fmt: skip


_PARTS: dict[str, Callable[[np.random.Generator, float], Phantom]] = {
    "drum_hub": _drum_hub,
    "quay_plate": _quay_plate,
    "solid_hub": _solid_hub,
    "ring_fragment": _ring_fragment,
    "tapered_bush": _tapered_bush,
    "one_slice": _one_slice,
    "ticket_wheel": partial(_ticket_wheel, broken=False),
    "ticket_wheel_broken": partial(_ticket_wheel, broken=True),
    **{name: partial(make_counter_part, name) for name in COUNTER},
}


def names() -> tuple[str, ...]:
    """Return the names `make` knows."""
    return tuple(_PARTS)


def make(name: str, *, seed: int = 1, scale: float = 1.0) -> Phantom:
    """Make a named part.

    Parameters
    ----------
    name : str
        One of `names()`.
    seed : int
        Seed of the noise; the geometry is the same for all.
    scale : float
        Fineness: 0.5 makes voxels twice as large, for a quick look.

    Returns
    -------
    Phantom

    Raises
    ------
    InputError
        For a name that is not known or a scale that is not positive.
    """
    if name not in _PARTS:
        raise InputError(f"There is no phantom {name!r}; choose one of: {', '.join(names())}.")
    if not 0 < scale < 100:
        raise InputError(f"A scale of {scale} makes no stack; give a number above 0, 1 for the usual size.")
    return _PARTS[name](np.random.default_rng(seed), scale)
