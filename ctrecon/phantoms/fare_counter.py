"""The plates, the drum hub, the spacer and the pillars of the fare counter, made to go together. All invented.

Places are those of the assembly: X right, Y up as seen from the top, the origin at the middle of the plates. A plate's
own frame has y down, as its slices show it.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from ctrecon.core.frames import Voxel
from ctrecon.phantoms.phantom import Phantom, Pose, assemble
from ctrecon.phantoms.plate import Plate, RoundHole, SquareHole, plate_design
from ctrecon.phantoms.scanner import Scanner
from ctrecon.phantoms.solids import RoughCut, eaten_rim
from ctrecon.phantoms.stepped import Step, Stepped, stepped_design

__all__ = ["COUNTER", "make_counter_part"]

_LONG, _SHORT = 34.0, 26.0
_PLATE_VOXEL: Voxel = (0.078, 0.081, 0.08)
_SMALL_VOXEL: Voxel = (0.062, 0.06, 0.059)
# One scanner for all: the same blur and noise, artefacts that stay in the background.
_SCAN = Scanner(
    snr=20.0, psf_px=0.8, correlated_px=0.4, rings=0.002, cupping=0.003, air=1500.0, contrast=5200.0, bits=16
)

# A slender part stands on the scanner's axis with all of its rings inside: fainter ones tell of a longer exposure.
_SLENDER_SCAN = replace(_SCAN, rings=0.0008)


def _round(x: float, y: float, diameter: float) -> RoundHole:
    return RoundHole(x=x, y=-y, diameter=diameter)


def _square(x: float, y: float, flats: float, turn_deg: float = 0.0) -> SquareHole:
    return SquareHole(x=x, y=-y, flats=flats, turn_deg=(-turn_deg) % 90.0, corner_radius=0.08)


# The same four axes in each plate, as far as the first maker hit them: some hundredths of a millimetre off.
_TOP = Plate(
    long=_LONG,
    short=_SHORT,
    thickness=1.488,
    round_holes=(_round(-3.0, 0.5, 3.02), _round(8.0, -1.5, 1.21)),
    square_holes=(_square(-13.0, -9.0, 2.03), _square(13.5, 8.5, 2.02, 0.6)),
)
_MIDDLE = Plate(
    long=_LONG - 0.05,
    short=_SHORT + 0.04,
    thickness=1.976,
    round_holes=(_round(-3.02, 0.51, 7.42), _round(8.01, -1.52, 2.43)),
    square_holes=(_square(-13.01, -8.98, 2.64, 0.4), _square(13.52, 8.51, 2.63)),
    broken_corner=RoughCut(direction_deg=40.0, at=19.9, height=0.09, length=1.4),
)
_BOTTOM = Plate(
    long=_LONG + 0.03,
    short=_SHORT - 0.02,
    thickness=2.031,
    round_holes=(
        _round(-2.99, 0.48, 3.03),
        _round(7.98, -1.5, 1.22),
        _round(-12.98, -9.01, 2.02),
        _round(13.49, 8.53, 2.03),
    ),
)
_SPACER = Stepped(name="spacer", steps=(Step(length=1.447, diameter=9.02),), bore=Step(length=1.447, diameter=5.11))


def _hub(rng: np.random.Generator) -> Stepped:
    return Stepped(
        name="hub",
        steps=(
            Step(length=1.604, diameter=9.62),
            Step(length=3.297, diameter=8.41),
            Step(length=2.672, diameter=7.03),
            Step(length=1.248, diameter=5.02),
        ),
        bore=Step(length=0.0, flats=2.41),
        pits=eaten_rim(rng, diameter=9.62, z_from=0.2, z_to=1.4, from_deg=70.0, arc_deg=55.0, depth=0.25),
    )


def _pillar(lengths: tuple[float, float, float, float], square_mm: float, tenon_mm: float) -> Stepped:
    foot, shank, middle, tenon = lengths
    return Stepped(
        name="pillar",
        steps=(
            Step(length=foot, diameter=1.99),
            Step(length=shank, diameter=4.01),
            Step(length=middle, flats=square_mm),
            Step(length=tenon, flats=tenon_mm),
        ),
    )


_PILLAR_1 = _pillar((1.952, 5.203, 4.006, 1.402), 2.602, 1.996)
_PILLAR_2 = _pillar((1.947, 5.196, 4.003, 1.395), 2.597, 1.989)


def _plate(name: str, plate: Plate, pose: Pose) -> Callable[[np.random.Generator, Voxel], Phantom]:
    def made(rng: np.random.Generator, voxel_mm: Voxel) -> Phantom:
        return assemble(
            name,
            plate_design(plate),
            pose=pose,
            voxel_mm=voxel_mm,
            scanner=_SCAN,
            rng=rng,
            half_xy=(0.5 * plate.long, 0.5 * plate.short),
        )

    return made


def _stepped(
    name: str, part: Callable[[np.random.Generator], Stepped], pose: Pose, scanner: Scanner = _SCAN
) -> Callable[[np.random.Generator, Voxel], Phantom]:
    def made(rng: np.random.Generator, voxel_mm: Voxel) -> Phantom:
        # the pits are part of the piece: the same whatever the seed of the noise
        design = stepped_design(part(np.random.default_rng(31)))
        return assemble(name, design, pose=pose, voxel_mm=voxel_mm, scanner=scanner, rng=rng)

    return made


_MADE: dict[str, tuple[Voxel, Callable[[np.random.Generator, Voxel], Phantom]]] = {
    "counter_top_plate": (
        _PLATE_VOXEL,
        _plate(
            "counter_top_plate", _TOP, Pose(tilt_deg=1.2, towards_deg=35.0, turn_deg=2.2, offset_px=(0.2, -0.3, 0.4))
        ),
    ),
    "counter_middle_plate": (
        _PLATE_VOXEL,
        _plate(
            "counter_middle_plate",
            _MIDDLE,
            Pose(tilt_deg=1.0, towards_deg=250.0, turn_deg=-3.1, offset_px=(-0.1, 0.2, 0.3)),
        ),
    ),
    "counter_bottom_plate": (
        _PLATE_VOXEL,
        _plate(
            "counter_bottom_plate",
            _BOTTOM,
            Pose(tilt_deg=1.4, towards_deg=120.0, turn_deg=1.7, flipped=True, offset_px=(0.3, 0.1, -0.2)),
        ),
    ),
    "counter_hub": (
        _SMALL_VOXEL,
        _stepped("counter_hub", _hub, Pose(tilt_deg=1.6, towards_deg=200.0, turn_deg=24.0, offset_px=(0.1, 0.4, -0.3))),
    ),
    "counter_spacer": (
        _SMALL_VOXEL,
        _stepped(
            "counter_spacer", lambda _: _SPACER, Pose(tilt_deg=1.1, towards_deg=310.0, offset_px=(-0.4, 0.2, 0.1))
        ),
    ),
    "counter_pillar_1": (
        _SMALL_VOXEL,
        _stepped(
            "counter_pillar_1",
            lambda _: _PILLAR_1,
            Pose(tilt_deg=1.8, towards_deg=75.0, turn_deg=12.0, offset_px=(0.2, 0.3, 0.1)),
            _SLENDER_SCAN,
        ),
    ),
    "counter_pillar_2": (
        _SMALL_VOXEL,
        _stepped(
            "counter_pillar_2",
            lambda _: _PILLAR_2,
            Pose(tilt_deg=1.3, towards_deg=160.0, turn_deg=31.0, offset_px=(0.4, -0.2, 0.2)),
            _SLENDER_SCAN,
        ),
    ),
}

COUNTER = tuple(_MADE)
"""The parts that go together, by the names `make` knows."""


def make_counter_part(name: str, rng: np.random.Generator, scale: float) -> Phantom:
    """Make one of `COUNTER`; `scale` is the fineness of its voxels, 1 for the usual size."""
    (dz, dy, dx), made = _MADE[name]
    return made(rng, (dz / scale, dy / scale, dx / scale))
