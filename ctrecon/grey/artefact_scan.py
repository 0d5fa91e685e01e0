"""One light pass over every slice: a coarse grid of columns through depth, and sums along rows and columns."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.ahead import ahead
from ctrecon.core.frames import Floats
from ctrecon.grey.levels import Levels
from ctrecon.slices.stack import SliceStack

__all__ = ["Scan", "scan_stack", "steady"]

_MOST_COLUMNS = 8000
_MOST_VALUES = 6_000_000


@dataclass(frozen=True, eq=False)
class Scan:
    """What one light pass keeps of a stack.

    Attributes
    ----------
    columns : (slices, rows, columns) array
        Grey on a coarse grid of every `stride` voxels, air 0, metal 1; NaN where there is no data.
    stride : int
        Spacing of that grid, voxels.
    across, down : (slices, columns) and (slices, rows) arrays
        Normalised grey summed along rows' ends: the slice seen edge-on from two sides.
    clipped : (low, high)
        Share of the darkest class at the lowest grey of the stack, of the brightest at the highest.
    """

    columns: Floats
    stride: int
    across: Floats
    down: Floats
    clipped: tuple[float, float]


def scan_stack(
    stack: SliceStack, levels: Levels, *, progress: Callable[[str, int, int], None] | None = None
) -> Scan:
    """Read every slice once and keep little of it."""
    count, rows, columns = stack.shape
    stride = max(1, int(np.ceil(np.sqrt(rows * columns / min(_MOST_COLUMNS, max(400, _MOST_VALUES // count))))))
    first = min(stride // 2, rows - 1), min(stride // 2, columns - 1)
    grid = np.s_[first[0] :: stride, first[1] :: stride]
    field = levels.field
    raw: list[NDArray[np.generic]] = []
    across = np.full((count, columns), np.nan, dtype=np.float32)
    down = np.full((count, rows), np.nan, dtype=np.float32)
    contrast = levels.metal - levels.air
    seen = [i for i in range(count) if i not in stack.missing]
    for k, plane in enumerate(ahead(stack.plane, range(count), rows * columns)):
        coarse = plane[grid].astype(np.float32)
        if field is not None:
            coarse[~field[grid]] = np.nan
        raw.append(coarse)
        if k in stack.missing:
            continue
        if field is not None or plane.dtype.kind == "f":
            flat = levels.normal(plane)
            np.nan_to_num(flat, copy=False, nan=0.0)
            across[k], down[k] = flat.sum(axis=0), flat.sum(axis=1)
        else:
            across[k] = (plane.sum(axis=0, dtype=np.float64) - rows * levels.air) / contrast
            down[k] = (plane.sum(axis=1, dtype=np.float64) - columns * levels.air) / contrast
        if progress is not None:
            progress("artefacts", k + 1, count)
    values = np.stack(raw)
    clipped = _clipped(values[seen], levels)
    values = (values - np.float32(levels.air)) / np.float32(contrast)
    values[~np.isfinite(values)] = np.nan
    return Scan(values, stride, across, down, clipped)


def _clipped(values: Floats, levels: Levels) -> tuple[float, float]:
    """Share of the dark class at the lowest grey and of the bright class at the highest.

    Without noise every voxel of a class has one grey and nothing can be concluded.
    """
    good = values[np.isfinite(values)]
    if levels.noise <= 0 or good.size < 100:
        return 0.0, 0.0
    middle = (levels.air + levels.metal) / 2
    bright = good > middle
    shares = []
    for part, extreme in ((good[~bright], good.min()), (good[bright], good.max())):
        shares.append(float(np.mean(part == extreme)) if part.size > 50 else 0.0)
    # the extreme value of plain noise is met by a few voxels at most; coarse grey steps meet it more often
    steps = np.unique(good[: 20_000])
    coarse = float(np.median(np.diff(steps))) / levels.noise if steps.size > 1 else 0.0
    least = 0.005 if coarse < 0.5 else 0.02
    return (shares[0] if shares[0] > least else 0.0), (shares[1] if shares[1] > least else 0.0)


def steady(scan: Scan, *, metal: bool, reach: int = 2) -> NDArray[np.bool_]:
    """Return which places of the coarse grid are inside one material, also `reach` slices above and below.

    Parameters
    ----------
    scan : Scan
        The light pass.
    metal : bool
        Metal, or air.
    reach : int
        Slices the material must go on for on both sides (as far as the stack reaches).

    Returns
    -------
    (slices, rows, columns) bool array
    """
    with np.errstate(invalid="ignore"):
        inside = scan.columns > 0.5 if metal else scan.columns < 0.3
    lost = np.isnan(scan.columns).all(axis=(1, 2))
    inside[lost] = True  # a missing slice does not end the metal
    out = inside.copy()
    side = max(1, round(5 / scan.stride))  # in-plane: about 5 voxels clear of edges
    for shift in range(1, side + 1):
        out[:, shift:] &= inside[:, :-shift]
        out[:, :-shift] &= inside[:, shift:]
        out[:, :, shift:] &= inside[:, :, :-shift]
        out[:, :, :-shift] &= inside[:, :, shift:]
    flat = out.copy()
    for shift in range(1, reach + 1):
        out[shift:] &= flat[:-shift]
        out[:-shift] &= flat[shift:]
    out[lost] = False
    return out & np.isfinite(scan.columns)
