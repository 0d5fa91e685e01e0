"""Blur and noise of the scanner, estimated where the record's solid meets the grey of a few slices."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.optimize import minimize_scalar

from ctrecon.core.frames import Floats
from ctrecon.explain.local_grey import fit_grey_levels
from ctrecon.explain.neighbours import spread
from ctrecon.explain.predict import Predictor, depth_weights
from ctrecon.grey.levels import Levels
from ctrecon.record.explained import Noise, Psf
from ctrecon.record.solid import Solid
from ctrecon.slices.stack import SliceStack

__all__ = ["Seen", "find_psf", "look_ahead"]

_WALL_SLICES = 4
_FACE_SLICES = 4
_PX = (0.3, 3.0)
_START = 0.8
_EDGE = 0.06  # share of metal from which (and up to one less which) a voxel shows the blur
_ALIKE = 0.25
_UNLIKE = 2.0  # blur along depth is at most this times the blur in the plane, or its inverse
_FEWEST = 150
_SAME_GREY = 0.2
_CLIPPED = 0.45


@dataclass(frozen=True, eq=False)
class _Patch:
    """Sharp planes round one slice (as many before as after it; in half precision) and its grey."""

    planes: tuple[NDArray[np.float16], ...]
    grey: Floats
    usable: NDArray[np.bool_]
    edge: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Seen:
    """What a few slices show before all are compared: noise, levels of air and metal to start from.

    `clipped`: much of the air or of the metal holds one and the same grey, so noise has one side only.
    """

    noise: Noise
    levels: Floats | None
    clipped: bool


def find_psf(stack: SliceStack, levels: Levels, solid: Solid) -> Psf:
    """Estimate the blur in the plane from walls, and along depth from end faces (as in the plane where none is seen).

    The residual is summed up to a limit, so that what the record misses has little say.
    """
    dz, dy, dx = solid.voxel_mm
    pitch = float(np.sqrt(dy * dx))
    faces = sorted({e for body, _ in solid.bodies for e in (body.low, body.high) if np.isfinite(e)})
    noise = levels.noise_rel

    def of_walls() -> float:  # its patches are gone before those of the faces are cut: each takes nine planes
        walls = _wall_slices(stack, [_slice_of(solid, f) for f in faces])
        patches = [p for p in (_patch(stack, levels, solid, k) for k in walls) if p is not None]

        def in_plane(sigma_px: float) -> float:
            across = sigma_px * pitch
            return sum(_misfit(p, (across / dy, across / dx), across / dz, noise) for p in patches)

        return _least(in_plane, _PX, _START) * pitch if patches else _START * pitch

    across = of_walls()
    near = [k for f in faces for k in (round(_slice_of(solid, f)) - 1, round(_slice_of(solid, f)) + 1)]
    near = [k for k in near if 1 <= k < len(stack) - 1 and k not in stack.missing]
    chosen = sorted(set(near))
    chosen = chosen[:: max(1, -(-len(chosen) // _FACE_SLICES))]
    ends = [p for p in (_patch(stack, levels, solid, k) for k in chosen) if p is not None]
    if not ends:
        return Psf(across, across)

    def along(sigma: float) -> float:
        return sum(_misfit(p, (across / dy, across / dx), sigma, noise) for p in ends)

    same = across / dz
    return Psf(across, _least(along, (same / _UNLIKE, min(same * _UNLIKE, 2.5)), same) * dz)


def _least(cost: Callable[[float], float], bounds: tuple[float, float], start: float) -> float:
    found = minimize_scalar(cost, bounds=bounds, method="bounded", options={"xatol": 0.02, "maxiter": 16})
    return float(found.x) if found.fun <= cost(start) else start


def _slice_of(solid: Solid, depth_mm: float) -> float:
    """Return the slice at which the middle of the solid has this depth in the part frame."""
    middle = np.mean([body.section.centre for body, _ in solid.bodies], axis=0)
    return float((solid.rotation.T @ np.array([*middle, depth_mm]))[2]) / solid.voxel_mm[0]


def _wall_slices(stack: SliceStack, faces: Sequence[float]) -> list[int]:
    """Choose slices through metal that lie well away from every face."""
    count = len(stack)
    there = [k for k in range(count) if k not in stack.missing]
    if faces:
        inside = [k for k in there if min(faces) - 1 < k < max(faces) + 1]
        there = inside or there
    clear = [k for k in there if all(abs(k - f) > 3 for f in faces)] or there
    picks = np.linspace(0, len(clear) - 1, min(_WALL_SLICES, len(clear)))
    return sorted({clear[round(i)] for i in picks})


def _patch(stack: SliceStack, levels: Levels, solid: Solid, index: int) -> _Patch | None:
    planes = tuple(solid.coverage(index + step).astype(np.float16) for step in range(-4, 5))
    any_metal = np.zeros(planes[0].shape, dtype=np.int8)
    for plane in planes:
        any_metal |= plane > 0
    if not any_metal.any():
        return None
    rows, columns = ndimage.find_objects(any_metal)[0]
    box = (
        slice(max(rows.start - 8, 0), rows.stop + 8),
        slice(max(columns.start - 8, 0), columns.stop + 8),
    )
    grey = levels.normal(stack.plane(index))[box]
    usable = np.isfinite(grey)
    cut = tuple(p[box].copy() for p in planes)
    grey = np.nan_to_num(grey)
    wide = _blurred(cut, (2.0, 2.0), _START)
    # where even the blurred pictures differ, the record is wrong and shows no blur
    alike = np.abs(wide - ndimage.gaussian_filter(grey, 2.0)) < _ALIKE
    return _Patch(cut, grey, usable, (wide > _EDGE) & (wide < 1 - _EDGE) & usable & alike)


def _blurred(planes: tuple[NDArray[np.float16], ...], sigma_px: tuple[float, float], sigma_z: float) -> Floats:
    weights = depth_weights(sigma_z)
    reach, middle = len(weights) // 2, len(planes) // 2
    out = np.zeros(planes[0].shape, dtype=np.float32)
    for step in range(-min(reach, middle), min(reach, middle) + 1):
        out += np.float32(weights[reach + step]) * planes[middle + step]
    return np.asarray(ndimage.gaussian_filter(out, sigma_px, truncate=3.5))


def _misfit(patch: _Patch, sigma_px: tuple[float, float], sigma_z: float, noise: float) -> float:
    share = _blurred(patch.planes, sigma_px, sigma_z)
    model = fit_grey_levels(patch.grey, share, patch.usable, noise)
    rest = patch.grey - model.plane
    limit = max(5 * noise, 0.15)
    return float(np.minimum(rest[patch.edge] ** 2, limit**2).sum())


def _scatter(values: Floats, *, same: float) -> float:
    """Return the robust scatter; where many voxels hold the same grey (clipped, or few steps), from the outer ones."""
    if same > _SAME_GREY:
        low, high = np.percentile(values, (10, 90))
        return float(high - low) / 2.563
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def look_ahead(stack: SliceStack, levels: Levels, solid: Solid, psf: Psf) -> Seen:
    """Return the noise of one voxel in air and in metal, as the scatter of what is left away from every edge.

    Unlike differences of neighbours this holds for noise that neighbours share, too.
    """
    faces = [_slice_of(solid, e) for body, _ in solid.bodies for e in (body.low, body.high) if np.isfinite(e)]
    scatter: tuple[list[float], list[float]] = ([], [])
    fitted: list[Floats] = []
    clipped = False
    for index in _wall_slices(stack, faces):
        share = Predictor(solid, psf).slice(index)[0]
        grey = levels.normal(stack.plane(index))
        usable = np.isfinite(grey)
        grey = np.nan_to_num(grey)
        model = fit_grey_levels(grey, share, usable, levels.noise_rel)
        fitted.append(model.levels)
        near = spread(share > 0.05, 15)
        for core, out in zip((near & (share < 0.005), share > 0.995), scatter, strict=True):
            values, plain = (grey - model.plane)[core & usable], grey[core & usable]
            if len(values) >= _FEWEST:
                same = float(np.mean(plain == np.median(plain)))
                clipped |= same > _CLIPPED
                out.append(_scatter(values, same=same))
    # grey stored in whole steps, or cut off at zero, may scatter by nothing at all
    least = 0.3 * levels.noise_rel
    air, metal = (max(float(np.median(one)) if one else levels.noise_rel, least) for one in scatter)
    return Seen(Noise(air, metal), np.median(fitted, axis=0) if fitted else None, clipped)
