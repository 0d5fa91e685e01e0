"""The flat part of an end face: without chamfer, round or rim, seen in a rough map of its depth."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.frames import Floats
from ctrecon.grey.square_up import SquaredStack

__all__ = ["FlatPart", "depth_map", "flat_part", "leans"]

_STEEP = 0.15  # planes per px; a face that leans so much towards its rim is a chamfer
_LEAST_PX = 40  # pixels; fewer show no plane
_FALLEN = 0.25  # planes; a sharp edge's blur looks fallen by a tenth
_FLAT_PX = 3  # so much flat face must show beyond a broken edge
_BROKEN_PX = 2.5  # narrower chamfers drown in the blur


@dataclass(frozen=True, eq=False)
class FlatPart:
    """Which pixels are flat, and how wide a chamfer or round runs along the outline (px; 0 for a sharp edge)."""

    region: NDArray[np.bool_]
    broken_px: float


def depth_map(
    squared: SquaredStack, region: NDArray[np.bool_], corner: tuple[int, int], planes: tuple[float, float],
    metal_above: bool,
) -> Floats:  # fmt: skip
    """Return the depth (plane) of the face at each pixel from the sum of its grey, lightly smoothed."""
    rows, columns = region.shape
    window = np.s_[corner[1] : corner[1] + rows, corner[0] : corner[0] + columns]
    first, last = int(np.ceil(planes[0])), int(np.floor(planes[1]))
    total = sum((np.nan_to_num(squared.window(k, window)) for k in range(first, last + 1)), np.zeros(region.shape))
    depth = last + 0.5 - total if metal_above else first - 0.5 + total
    size = 3 if squared.survey.levels.snr > 12 else 5
    weight = ndimage.uniform_filter(region.astype(float), size)
    return np.asarray(ndimage.uniform_filter(np.where(region, depth, 0.0), size) / np.maximum(weight, 1e-6))


def leans(depth: Floats, region: NDArray[np.bool_], distance: Floats) -> bool:
    """Return whether the face gets deeper towards the outline, as a chamfer does."""
    d, z = np.abs(distance[region]), depth[region]
    near = (d > 1.5) & (d < 14)
    if near.sum() < 30 or np.ptp(d[near]) < 1.2:
        return False
    return bool(abs(np.polyfit(d[near], z[near], 1)[0]) > _STEEP)


def flat_part(
    depth: Floats, region: NDArray[np.bool_], distance: Floats, noise: float, planes: int, metal_above: bool
) -> FlatPart | None:
    """Keep what is in the plane of most of the face; None where no plane holds enough of it.

    The plane may lean by a degree or two. What falls away from it towards the outline is
    a broken edge.
    """
    row, column = np.nonzero(region)
    z = depth[region]
    reach = max(0.6, 2.0 * noise * np.sqrt(planes))
    counts, edges = np.histogram(z, bins=np.arange(z.min() - 0.25, z.max() + 0.75, 0.5))
    plane = np.array([edges[int(np.argmax(counts))] + 0.25, 0.0, 0.0])
    places = np.column_stack([np.ones(len(z)), column - column.mean(), row - row.mean()])
    near = np.abs(z - plane[0]) < reach + 0.4
    for _ in range(4):
        if near.sum() < _LEAST_PX:
            return None
        plane = np.linalg.lstsq(places[near], z[near], rcond=None)[0]
        plane[1:] = np.clip(plane[1:], -0.04, 0.04)
        near = np.abs(z - places @ plane) < reach
    flat = np.zeros_like(region)
    flat[row[near], column[near]] = True
    off = np.zeros(region.shape)
    off[row, column] = (z - places @ plane) * (1.0 if metal_above else -1.0)
    inner = flat & ~ndimage.binary_dilation(region & ~flat, iterations=2)
    kept = inner if inner.sum() >= _LEAST_PX else flat
    return FlatPart(kept, _broken(off, region, np.abs(distance)))


def _broken(off: Floats, region: NDArray[np.bool_], away: Floats) -> float:
    """Width in px of the strip along the outline whose face has fallen away into the metal."""
    rings: list[tuple[float, float]] = []
    usual = float(np.median([(region & (away >= low) & (away < low + 1)).sum() for low in np.arange(2.5, 8.0)]))
    for low in np.arange(1.5, 20.0):
        ring = region & (away >= low) & (away < low + 1)
        # of a ring right at the outline only the pixels are here that blur has lowered most
        if ring.sum() < max(20, 0.25 * usual if low < 2 else 0):
            if low < 6 and not rings:
                continue
            break
        rings.append((float(low), float(np.median(off[ring]))))
    fallen = next((i for i, (_, by) in enumerate(rings) if by < _FALLEN), len(rings))
    beyond = [abs(by) < _FALLEN for _, by in rings[fallen : fallen + _FLAT_PX]]
    if not fallen or len(beyond) < _FLAT_PX or not all(beyond):
        return 0.0
    width = float(rings[fallen - 1][0]) + 1
    return width if width >= _BROKEN_PX else 0.0
