"""A phantom: a scanned stack whose truth is known, and how one is made from a design."""

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.errors import InputError
from ctrecon.core.frames import Voxel
from ctrecon.phantoms.render import Placement, render
from ctrecon.phantoms.scanner import Scanner, scan
from ctrecon.phantoms.truth import Design, tell

__all__ = ["Phantom", "Pose", "assemble"]

_SAYS = "Invented: this part was never made and never scanned; every number here was chosen, none was measured."


@dataclass(frozen=True, slots=True, eq=False)
class Phantom:
    """A stack and what is true of it.

    Parameters
    ----------
    name : str
        What the part is called.
    volume : (slices, rows, columns) array
        uint16, uint8 or float32.
    voxel_mm : (dz, dy, dx)
        Voxel edges.
    truth : dict
        Ready for JSON; see `ctrecon.phantoms.truth`.
    slice_numbers : tuple of int
        Numbers of the slices present, counted from 1; missing slices leave gaps.
    """

    name: str
    volume: NDArray[Any]
    voxel_mm: Voxel
    truth: dict[str, Any]
    slice_numbers: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pose:
    """How a part lies, before the size of the stack is known.

    Parameters
    ----------
    tilt_deg, towards_deg, turn_deg, flipped
        See `Placement`.
    offset_px : (slice, row, column)
        How far its middle lies from the middle of the stack, voxels.
    """

    tilt_deg: float = 0.0
    towards_deg: float = 0.0
    turn_deg: float = 0.0
    flipped: bool = False
    offset_px: tuple[float, float, float] = (0.0, 0.0, 0.0)


def _lay(
    design: Design, pose: Pose, voxel_mm: Voxel, margin_px: int, half_xy: tuple[float, float] | None
) -> tuple[Placement, tuple[int, int, int]]:
    flat = Placement(
        centre_xyz=(0.0, 0.0, 0.0), tilt_deg=pose.tilt_deg, towards_deg=pose.towards_deg, turn_deg=pose.turn_deg,
        flipped=pose.flipped,
    )
    a, b = half_xy or (design.radius, design.radius)
    if half_xy is None:
        ring = np.radians(np.arange(0.0, 360.0, 5.0))
        rim = np.stack([a * np.cos(ring), b * np.sin(ring)], axis=1)
    else:
        rim = np.array([(a, b), (a, -b), (-a, b), (-a, -b)])
    points = np.concatenate([np.column_stack([rim, np.full(len(rim), z)]) for z in (design.z_from, design.z_to)])
    points = flat.to_stack(points)
    low, high = points.min(axis=0), points.max(axis=0)
    size = (high - low)[::-1]
    rows_etc = [math.ceil(s / v) + 2 * margin_px for s, v in zip(size, voxel_mm, strict=True)]
    shape = (rows_etc[0], rows_etc[1], rows_etc[2])
    middle = [
        (0.5 * (n - 1) + o) * v for n, o, v in zip(shape, pose.offset_px, voxel_mm, strict=True)
    ][::-1]
    x, y, z = (float(m - 0.5 * (p + q)) for m, p, q in zip(middle, low, high, strict=True))
    return replace(flat, centre_xyz=(x, y, z)), shape


# many: a phantom is a part, how it lies and what spoils its picture
def assemble(
    name: str, design: Design, *, pose: Pose, voxel_mm: Voxel, scanner: Scanner, rng: np.random.Generator,
    margin_px: int = 6, half_xy: tuple[float, float] | None = None, shape: tuple[int, int, int] | None = None,
    placement: Placement | None = None,
) -> Phantom:
    """Render a design, scan it and write down its truth.

    Parameters
    ----------
    name : str
        Name of the phantom.
    design : Design
        The part.
    pose : Pose
        How it lies; left aside when `placement` is given.
    voxel_mm : (dz, dy, dx)
        Voxel edges.
    scanner : Scanner
        What spoils the picture.
    rng : Generator
        All chance comes from here.
    margin_px : int
        Air around the part, voxels.
    half_xy : (x, y) or None
        Half sides of a part that is not round, mm.
    shape, placement
        Given together, they replace the size and place worked out from the margin.

    Returns
    -------
    Phantom
    """
    if placement is None or shape is None:
        placement, shape = _lay(design, pose, voxel_mm, margin_px, half_xy)
    if max(scanner.missing, default=0) >= shape[0]:
        raise InputError(f"Slice {max(scanner.missing)} cannot be missing from {shape[0]} slices; leave it out.")
    clean = render(design.bodies, placement=placement, shape=shape, voxel_mm=voxel_mm, rng=rng)
    volume = scan(clean, scanner, rng)
    psf = scanner.psf_px if isinstance(scanner.psf_px, tuple) else (scanner.psf_px,) * 3
    truth = {
        "schema": "ctrecon-truth-1",
        "name": name,
        "invented": True,
        "says": _SAYS,
        "stack": {
            "slices": shape[0], "rows": shape[1], "columns": shape[2], "voxel_mm": list(voxel_mm),
            "missing": sorted(scanner.missing),
        },
        "scan": {
            "snr": scanner.snr if math.isfinite(scanner.snr) else None,
            "psf_px": list(psf),
            "air": scanner.air, "metal": scanner.air + scanner.contrast,
            "rings": scanner.rings, "cupping": scanner.cupping, "ramp": scanner.ramp,
            "correlated_px": scanner.correlated_px, "inverted": scanner.inverted,
        },
        **tell(design, placement, last_mm=(shape[0] - 1) * voxel_mm[0]),
    }
    if scanner.inverted:
        truth["scan"] |= {"air": scanner.air + scanner.contrast, "metal": scanner.air}
    numbers = tuple(n + 1 for n in range(shape[0]) if n not in set(scanner.missing))
    return Phantom(name=name, volume=volume, voxel_mm=voxel_mm, truth=truth, slice_numbers=numbers)
