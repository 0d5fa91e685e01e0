"""Grey levels of a stack: air, metal, noise, and where the scanner saw nothing at all."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, overload

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage import filters

from ctrecon.core.errors import InputError
from ctrecon.core.frames import Floats
from ctrecon.slices.product import find_product_levels
from ctrecon.slices.stack import SliceStack

__all__ = ["Levels", "find_levels"]

_OTSU: Callable[..., float] = filters.threshold_otsu
_SAMPLED = 16
_MOST = 2_000_000
_APART = 4.2  # spreads between the halves of one heap: 2.7 for a Gaussian, 3.5 for an even gradient, up to 4 for cores
_SMOOTH_PX = 2.0
_TWO_HEAPS = 0.8  # 0.64 for a Gaussian, 0.75 for an even gradient; parts at a contrast of 4 noises keep 0.85


@dataclass(frozen=True, eq=False)
class Levels:
    """Air and metal in the stack's own grey, and the noise of one voxel.

    `normal` maps air to 0 and metal to 1, also where metal is the darker of the two.
    `product` is the grey of a third material that clings to the metal (corrosion
    product), None where there is none.
    """

    air: float
    metal: float
    noise: float
    field: NDArray[np.bool_] | None = None
    product: float | None = None

    def at_boundary(self, boundary: str) -> "Levels":
        """Return the levels either side of a boundary, so that its half height comes to lie at 0.5.

        Parameters
        ----------
        boundary : {"metal", "outer"}
            The skin of the sound metal, or the outer skin of what clings to it. The same
            thing where nothing clings to it.
        """
        if self.product is None:
            return self
        return replace(self, air=self.product) if boundary == "metal" else replace(self, metal=self.product)

    @property
    def dark_metal(self) -> bool:
        """True where metal is darker than its surroundings."""
        return self.metal < self.air

    @property
    def snr(self) -> float:
        """Contrast between metal and air divided by the noise of one voxel."""
        return abs(self.metal - self.air) / self.noise if self.noise > 0 else float("inf")

    @property
    def noise_rel(self) -> float:
        """Noise as a share of the contrast, never below 1e-4."""
        return max(self.noise / abs(self.metal - self.air), 1e-4)

    def normal(self, plane: NDArray[np.generic]) -> Floats:
        """Return the plane as float32 with air 0, metal 1 and NaN where there is no data."""
        out = plane.astype(np.float32)
        out -= np.float32(self.air)
        out /= np.float32(self.metal - self.air)
        if self.field is not None:
            out[~self.field] = np.nan
        if plane.dtype.kind == "f":
            out[~np.isfinite(out)] = np.nan
        return np.asarray(out, dtype=np.float32)


def find_levels(stack: SliceStack) -> Levels | None:
    """Find the levels from up to 16 slices, or None where the grey holds no two levels.

    Metal is the population that does not make up the rim of the field of view, so stacks
    with dark metal are taken too. Where the brighter class itself holds two clearly
    separate populations (a plastic holder, say), metal is the upper one.

    Raises
    ------
    InputError
        If the stack is constant or holds no number at all.
    """
    count = len(stack)
    picks = sorted({round(i) for i in np.linspace(0, count - 1, min(count, _SAMPLED))} - set(stack.missing))
    planes = [_held(stack.plane(i)) for i in picks]
    planes = [p for p in planes if np.isfinite(p).any()]
    if not planes:
        raise InputError(f"{stack.source}: holds no data at all (every voxel is NaN); export the slices again")
    if all(np.nanmin(p) == np.nanmax(p) for p in planes) and len({float(np.nanmax(p)) for p in planes}) == 1:
        raise InputError(
            f"{stack.source}: every voxel has the same grey value, so there is nothing to see; export the slices again"
        )
    field = _field(planes)
    step = max(1, int(np.ceil(np.sqrt(sum(p.size for p in planes) / _MOST))))
    valid = [np.isfinite(p) & (field if field is not None else True) for p in planes]
    values = np.concatenate([p[::step, ::step][v[::step, ::step]] for p, v in zip(planes, valid, strict=True)])
    low, high = np.percentile(values, [0.05, 99.95])
    if not high > low:
        low, high = float(values.min()), float(values.max())
    if not high > low:
        raise InputError(f"{stack.source}: every voxel in the field has the same grey value; export the slices again")
    cut = float(_OTSU(np.clip(values, low, high), nbins=512))
    rim = _rim(valid[0])
    bright_rim = float(
        np.mean([np.mean(p[rim & v] > cut) for p, v in zip(planes, valid, strict=True) if (rim & v).any()])
    )
    sign = -1.0 if bright_rim > 0.6 else 1.0
    every = max(1, sum(p.size for p in planes) // _MOST)
    metal_values: list[Floats] = []
    air_values: list[Floats] = []
    for p, v in zip(planes, valid, strict=True):
        inside = (sign * p > sign * cut) & v
        for mask, out in ((inside, metal_values), (~inside & v, air_values)):
            core = ndimage.binary_erosion(mask, iterations=3)
            out.append(p[core if core.any() else mask][::every].astype(np.float32))
    noise = float(np.median([_noise(p, v) for p, v in zip(planes, valid, strict=True)]))
    metal_all, air_all = np.concatenate(metal_values), np.concatenate(air_values)
    if not metal_all.size or not air_all.size:
        return None
    air = float(np.median(air_all))
    metal_all = _upper_population(sign * (metal_all - air), noise)
    metal = air + sign * float(np.median(metal_all))
    if abs(metal - air) <= 3 * noise or not (metal_all.size and metal != air):
        return None
    if _one_population(planes, valid, abs(metal - air), air_all - air, metal_all - abs(metal - air)):
        return None
    two = Levels(air=air, metal=metal, noise=noise, field=field)
    three = find_product_levels(_Normal(two, planes), two.noise_rel)
    if three is None:
        return two
    low, middle, high = (air + g * (metal - air) for g in three)
    return Levels(air=low, metal=high, noise=noise, field=field, product=middle)


def _held(plane: NDArray[np.generic]) -> NDArray[Any]:
    """Return a plane to keep: small whole numbers as they are, anything else as float32."""
    return plane if plane.dtype.kind == "u" and plane.dtype.itemsize <= 2 else plane.astype(np.float32)


class _Normal(Sequence[Floats]):
    """Planes with air 0 and metal 1, made when asked for."""

    def __init__(self, levels: Levels, planes: Sequence[NDArray[Any]]) -> None:
        self._levels, self._planes = levels, planes

    def __len__(self) -> int:
        return len(self._planes)

    @overload
    def __getitem__(self, index: int) -> Floats: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[Floats]: ...
    def __getitem__(self, index: int | slice) -> Floats | Sequence[Floats]:
        if isinstance(index, slice):
            return _Normal(self._levels, self._planes[index])
        return self._levels.normal(self._planes[index])


def _upper_population(values: Floats, noise: float) -> Floats:
    """Keep the upper of two clearly separate populations (lower mean under half the upper)."""
    if values.size < 200:
        return values
    thin = values[:: max(1, values.size // 200_000)]
    cut = float(_OTSU(thin, nbins=256))
    low, high = thin[thin <= cut], thin[thin > cut]
    if not low.size or not high.size or high.size < 0.02 * thin.size:
        return values
    apart = low.mean() < 0.5 * high.mean() and high.mean() - low.mean() > 6 * noise
    separate = apart and _between(low, high) > 0.85 * thin.var()
    return values[values > cut] if separate else values


def _one_population(
    planes: list[NDArray[Any]], valid: list[NDArray[np.bool_]], contrast: float, air: Floats, metal: Floats
) -> bool:
    """Return whether the grey is one population cut in two: noise, or a gradient, and no part.

    The halves of any single heap of grey values lie no more than four of their own spreads apart, however neighbours
    share their noise. Scans of real parts may come as close where they are poor; smoothing then parts metal from air,
    while it leaves noise one heap: the share of variance between the halves (Otsu's criterion) is 2/pi for a
    Gaussian and 3/4 for an even gradient.
    """
    spread = 1.4826 * min(float(np.median(np.abs(v - np.median(v)))) for v in (air, metal))
    if contrast > _APART * spread:
        return False
    smooth = [
        ndimage.gaussian_filter(np.where(v, p, np.median(p[v])).astype(np.float32), _SMOOTH_PX)[v]
        for p, v in zip(planes, valid, strict=True)
        if v.any()
    ]
    values = np.concatenate(smooth)
    cut = float(_OTSU(values, nbins=256))
    low, high = values[values <= cut], values[values > cut]
    return not low.size or not high.size or _between(low, high) < _TWO_HEAPS * float(values.var())


def _between(low: Floats, high: Floats) -> float:
    """Return the variance between two parts of a set of values (N. Otsu's criterion)."""
    share = low.size / (low.size + high.size)
    return share * (1 - share) * float(high.mean() - low.mean()) ** 2


def _noise(plane: NDArray[Any], valid: NDArray[np.bool_]) -> float:
    """Noise of one voxel from second differences along rows; edges are outvoted by the median."""
    plane = plane.astype(np.float32, copy=False)
    second = plane[:, :-2] - 2 * plane[:, 1:-1] + plane[:, 2:]
    good = valid[:, :-2] & valid[:, 1:-1] & valid[:, 2:]
    if not good.any():
        return 0.0
    return float(np.median(np.abs(second[good])) / 0.6745 / np.sqrt(6.0))


def _rim(valid: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the outermost ring (3 % of the width) of the field with data."""
    width = max(2, round(0.03 * min(valid.shape)))
    padded = np.pad(valid, 1)
    return np.asarray(valid & ~ndimage.binary_erosion(padded, iterations=width)[1:-1, 1:-1])


def _field(planes: list[NDArray[Any]]) -> NDArray[np.bool_] | None:
    """Find a round field of view padded with one constant value in every slice.

    The padding is told from clean air by its shape: what is left must be round and
    noisy, and its rim must differ from the padding.
    """
    first = planes[0]
    rows, columns = first.shape
    if min(rows, columns) < 16:
        return None
    fill = first[0, 0]
    corners = first[[0, 0, -1, -1], [0, -1, 0, -1]]
    if not np.isfinite(fill):
        return None
    if not np.all(corners == fill):
        return None
    constant = np.logical_and.reduce([p == fill for p in planes])
    labels, _ = ndimage.label(constant)
    ids = {int(labels[r, c]) for r in (0, -1) for c in (0, -1)} - {0}
    padding = np.isin(labels, sorted(ids))
    inside = ndimage.binary_fill_holes(~padding)
    share = float(inside.mean())
    if not 0.15 < share < 0.99:
        return None
    if min(_noise(p, inside) for p in planes) == 0:  # without noise the constant region is clean air
        return None
    y, x = np.mgrid[:rows, :columns]
    # round in mm: an ellipse where voxels are no squares; its half axes are twice the spread
    v = (y - y[inside].mean()) / (2 * y[inside].std())
    u = (x - x[inside].mean()) / (2 * x[inside].std())
    expected = np.hypot(u, v) <= 1
    if np.mean(inside != expected) > 0.02:
        return None
    shell = inside & ~ndimage.binary_erosion(inside, iterations=3)
    shell_values = np.concatenate([p[shell] for p in planes])
    if np.median(shell_values) == fill:  # the padding is the air level itself: nothing to set apart
        return None
    return np.asarray(ndimage.binary_erosion(inside, iterations=2))
