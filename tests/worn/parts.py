"""Random worn parts by kind and seed: drawn, laid into a stack, rendered, scanned."""

import zlib
from collections.abc import Callable
from dataclasses import asdict

import numpy as np
from worn import hubs, plates, scan, wheels
from worn.common import Room
from worn.render import Pose, render
from worn.truth import Made, Scanned, tell_all

SIZE = (96, 160, 160)
"""Slices, rows, columns of a stack where nothing else is asked for."""

_MARGIN = 6.0  # voxels of air between metal and the border of the stack


def _solid(rng: np.random.Generator, room: Room) -> Made:
    """A part of one piece that could be taken for several."""
    if rng.random() < 0.6:
        return hubs.hub(rng, room, one_piece=True)
    return wheels.sandwich(rng, room, one_piece=True)


KINDS: dict[str, Callable[[np.random.Generator, Room], Made]] = {
    "hub": hubs.hub,
    "plate": plates.plate_part,
    "wheel": wheels.wheel,
    "sandwich": wheels.sandwich,
    "ring": hubs.ring,
    "fragment": lambda rng, room: hubs.ring(rng, room, fragment=True),
    "broken": lambda rng, room: wheels.wheel(rng, room, broken=True),
    "solid": _solid,
    "rim": wheels.wheel,
    "crown": wheels.crown,
}
"""Makers of parts by the name of their kind."""

RIM = "rim"
"""The kind of sound wheels whose scans have noise and no other fault."""

CROWN = "crown"
"""The kind of sound crown wheels, scanned likewise."""

NOTHING = "nothing"
"""The kind of stack that holds no metal."""

ALL = (*KINDS, NOTHING)
"""Every kind, in the order in which they are run."""

_MAY_RUN_OUT = ("hub", "ring")


def _lay(rng: np.random.Generator, kind: str, made: Made, shape: tuple[int, int, int], voxel: tuple[float, float, float], tilt: float, towards: float) -> Pose:  # fmt: skip
    """Lay a part into the middle of its stack, some voxels off; some kinds run out of it now and then."""
    middle = [(n - 1) / 2 * v + float(rng.uniform(-1, 1)) for n, v in zip(shape, voxel, strict=True)]
    middle[0] -= (made.low + made.high) / 2
    out = rng.random(3)
    if kind in _MAY_RUN_OUT and out[0] < 0.15:
        share = 0.1 + 0.25 * float(out[2])
        length = made.high - made.low
        if out[1] < 0.5:
            middle[0] = -made.low - share * length
        else:
            middle[0] = (shape[0] - 1) * voxel[0] - made.high + share * length
    return Pose(shape, voxel, (middle[2], middle[1], middle[0]), tilt, towards)


def make(
    kind: str, seed: int, *, size: tuple[int, int, int] = SIZE, faults: bool = True, worn: bool = True
) -> tuple[Scanned, Pose, Made]:
    """Make the part of this kind and seed, which settle everything about it.

    Parameters
    ----------
    kind : str
        One of `KINDS`, or `NOTHING`.
    seed : int
        Seed of all random numbers.
    size : (slices, rows, columns)
        Of the stack; the part grows with it.
    faults, worn : bool
        Whether the scanner has faults and the part is worn.

    Returns
    -------
    Scanned, Pose, Made
        The slices with what is true of them; how the part lies; the part in its own frame.
    """
    rng = np.random.default_rng([zlib.crc32(kind.encode()), seed])
    alone = kind in (RIM, CROWN)  # a sound wheel under noise alone
    scanner = (scan.noisy if alone else scan.ugly if faults else scan.clean)(rng)
    worn = worn and not alone
    edges = rng.uniform(0.85, 1.15, 3)
    if rng.random() < 0.2:
        edges[0] *= 2
    voxel = tuple(float(v) for v in edges / min(edges[1], edges[2]))
    px_mm = round(float(rng.uniform(0.03, 0.1)), 4)
    tilt, towards = float(rng.uniform(0, 4)), float(rng.uniform(0, 360))
    lean = np.sin(np.radians(tilt))
    across = min(size[1] * voxel[1] - 2 * _MARGIN * voxel[1], size[2] * voxel[2] - 2 * _MARGIN * voxel[2]) / 2
    along = size[0] * voxel[0] - 2 * _MARGIN * voxel[0]
    radius = across - 1.5 - lean * min(along, 95.0 * max(1.0, across / 66)) / 2
    later = np.random.default_rng([zlib.crc32(kind.encode()), seed, 1])
    room = Room(radius=radius, height=along - 2 - 2 * lean * radius, worn=float(worn), later=later)
    dz, dy, dx = (round(v * px_mm, 12) for v in voxel)
    about = {"kind": kind, "seed": seed, "voxel_mm": (dz, dy, dx), "px_mm": px_mm}
    if kind == NOTHING:
        pose = Pose(size, voxel, (0.0, 0.0, 0.0))
        slices, held = scan.nothing(pose, rng)
        made = Made(layers=(), truths=(), pieces=(), reach=radius, low=0.0, high=0.0)
        return Scanned(**about, slices=slices, scan={**held, "voxel": voxel}), pose, made
    made = KINDS[kind](rng, room)
    pose = _lay(rng, kind, made, size, voxel, tilt, towards)
    volume = render(made.layers, pose, scanner.psf)
    slices = scan.scan(volume, pose, scanner, made.reach, rng)
    features, pieces = tell_all(made, pose, scanner, px_mm)
    held = {**asdict(scanner), "voxel": voxel, "tilt": tilt}
    return Scanned(**about, slices=slices, features=features, pieces=pieces, scan=held), pose, made
