"""Gathers the voxels near chosen surfaces from the original slices, in part-frame places."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.ahead import ahead
from ctrecon.core.frames import Floats
from ctrecon.grey.square_up import SquaredStack

__all__ = ["VoxelRequest", "Voxels", "chosen", "collect_voxels"]

Voxels = tuple[Floats, Floats, Floats, Floats]
"""Column, row (px), plane and grey of voxels."""

Select = Callable[[Floats, Floats, Floats], NDArray[np.bool_]]


@dataclass(frozen=True, eq=False)
class VoxelRequest:
    """Voxels to gather: a box on the part grid (px, px, planes) and a test of each voxel in it.

    `select` takes column, row (px) and plane (all fractional) and returns which to keep;
    `keep_share` thins evenly at random where there are more than the fit needs.
    """

    box_px: tuple[float, float, float, float]
    planes: tuple[float, float]
    select: Select
    keep_share: float = 1.0


def collect_voxels(
    squared: SquaredStack, wants: Sequence[VoxelRequest], *, progress: Callable[[str, int, int], None] | None = None
) -> list[Voxels]:
    """Read every slice once and return (column, row, plane, grey) for each want.

    The places are those of the original voxel centres on the part grid, so nothing is
    interpolated and the noise stays as the scanner made it.
    """
    survey = squared.survey
    dz, dy, dx = survey.stack.voxel_mm or (1.0, 1.0, 1.0)
    r = squared.rotation
    x0, y0, z0 = squared.origin_mm
    pitch, step = squared.pitch_mm, squared.depth_step_mm
    parts: list[list[Voxels]] = [[] for _ in wants]
    rng = [np.random.default_rng(100 + i) for i in range(len(wants))]
    count, rows, columns = survey.stack.shape
    inverse = np.linalg.inv(r[:2, :2])
    corner_depths: list[tuple[float, float]] = []
    for want in wants:
        left, top, right, bottom = want.box_px
        corners = np.array(
            [
                (x0 + c * pitch, y0 + w * pitch, z0 + p * step)
                for c in (left, right)
                for w in (top, bottom)
                for p in want.planes
            ]
        )
        depths = corners @ r[:, 2]
        corner_depths.append((float(depths.min()) / dz - 0.5, float(depths.max()) / dz + 0.5))
    wanted = [k for k in range(count) if any(low <= k <= high for low, high in corner_depths)]
    for k, plane in zip(wanted, ahead(survey.plane, wanted, rows * columns), strict=True):
        active = [i for i, (low, high) in enumerate(corner_depths) if low <= k <= high]
        z = k * dz
        for i in active:
            want = wants[i]
            left, top, right, bottom = want.box_px
            square = np.array([(x0 + c * pitch, y0 + w * pitch) for c in (left, right) for w in (top, bottom)])
            xy = (square - r[:2, 2] * z) @ inverse.T
            c0, c1 = max(0, int(xy[:, 0].min() / dx) - 1), min(columns, int(xy[:, 0].max() / dx) + 3)
            r0, r1 = max(0, int(xy[:, 1].min() / dy) - 1), min(rows, int(xy[:, 1].max() / dy) + 3)
            if c1 <= c0 or r1 <= r0:
                continue
            grey = plane[r0:r1, c0:c1]
            keep = np.isfinite(grey)
            x = np.arange(c0, c1) * dx
            y = np.arange(r0, r1) * dy
            depth = ((r[2, 0] * x[[0, -1]] + r[2, 1] * y[[0, -1], None] + r[2, 2] * z) - z0) / step
            if depth.min() < want.planes[0] or depth.max() > want.planes[1]:
                depth = ((r[2, 0] * x + r[2, 1] * y[:, None] + r[2, 2] * z) - z0) / step
                keep &= (depth >= want.planes[0]) & (depth <= want.planes[1])
            if want.keep_share < 1:
                keep &= rng[i].random(keep.shape) < want.keep_share
            kept = np.flatnonzero(keep)
            if not len(kept):
                continue
            # places of the voxels kept, not of all: most are thinned out
            at = np.divmod(kept, keep.shape[1])
            xk, yk = x[at[1]], y[at[0]]
            chosen = [
                ((r[0, 0] * xk + r[0, 1] * yk + r[0, 2] * z) - x0) / pitch,
                ((r[1, 0] * xk + r[1, 1] * yk + r[1, 2] * z) - y0) / pitch,
                ((r[2, 0] * xk + r[2, 1] * yk + r[2, 2] * z) - z0) / step,
                grey[at],
            ]
            good = want.select(chosen[0], chosen[1], chosen[2])
            if good.any():
                parts[i].append((chosen[0][good], chosen[1][good], chosen[2][good], chosen[3][good]))
        if progress is not None:
            progress("voxels", k + 1, count)
    return [_joined(part) for part in parts]


def chosen(
    want: VoxelRequest, voxels: Voxels
) -> Voxels:
    """Return those of some voxels (column, row, plane, grey) that a want selects."""
    keep = want.select(*voxels[:3])
    column, row, plane, grey = (v[keep] for v in voxels)
    return column, row, plane, grey


def _joined(part: list[Voxels]) -> Voxels:
    if not part:
        return np.empty(0), np.empty(0), np.empty(0), np.empty(0)
    column, row, plane, grey = (np.concatenate(values) for values in zip(*part, strict=True))
    return column, row, plane, grey.astype(float)
