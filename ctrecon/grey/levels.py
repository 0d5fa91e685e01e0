"""Grey levels of a stack: air, metal, noise, and where the scanner saw nothing at all."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, overload

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage import filters

from ctrecon.core.errors import InputError
from ctrecon.core.frames import Floats
from ctrecon.grey.product import find_product_levels
from ctrecon.grey.standing import only_rings, stands_out
from ctrecon.slices.stack import SliceStack

__all__ = ["Levels", "find_levels"]

_OTSU: Callable[..., float] = filters.threshold_otsu
_SAMPLED = 16  # slices whose grey is looked at
_MOST = 2_000_000  # voxels; more cost time only
_SMOOTH_PX = 1.5  # noise of a voxel falls to a fifth, a wall of 3 px to half
_RARE = 6.0  # scatters of the smoothed grey: noise alone reaches 5.5 once in ten stacks of ten million voxels


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
    raw = [stack.plane(i) for i in picks]
    planes = [_held(p) for p in raw if np.isfinite(p).any()]
    if not planes:
        raise InputError(f"{stack.source}: holds no data at all (every voxel is NaN); export the slices again")
    if all(np.nanmin(p) == np.nanmax(p) for p in planes) and len({float(np.nanmax(p)) for p in planes}) == 1:
        raise InputError(
            f"{stack.source}: every voxel has the same grey value, so there is nothing to see; export the slices again"
        )
    stepless = raw[0].dtype.kind == "f"
    unit = _unit(planes)
    if unit != 1:
        planes = [np.asarray(p / np.float32(unit)) for p in planes]
    field = _field(planes)
    step = max(1, int(np.ceil(np.sqrt(sum(p.size for p in planes) / _MOST))))
    valid = [np.isfinite(p) & (field if field is not None else True) for p in planes]
    values = np.concatenate([p[::step, ::step][v[::step, ::step]] for p, v in zip(planes, valid, strict=True)])
    if not float(values.max()) > float(values.min()):
        raise InputError(f"{stack.source}: every voxel in the field has the same grey value; export the slices again")
    noise = float(np.median([_noise(p, v) for p, v in zip(planes, valid, strict=True)]))
    stepless |= _two_greys(values)
    _, dy, dx = stack.voxel_mm or (1.0, 1.0, 1.0)
    for inside in _ways_to_part(planes, valid, values):
        two = _two_levels(planes, valid, inside, noise, field)
        if two is None:
            continue
        seen = _Normal(two, planes)
        if stands_out(seen, quantum=0.0 if stepless else 1 / (unit * abs(two.metal - two.air))):
            break
    else:
        return None
    if only_rings(seen, squash=dy / dx):
        return None
    air, middle, metal = find_product_levels(seen, two.noise_rel) or (0.0, None, 1.0)
    low, high = (unit * (two.air + g * (two.metal - two.air)) for g in (air, metal))
    product = None if middle is None else unit * (two.air + middle * (two.metal - two.air))
    return Levels(air=low, metal=high, noise=unit * noise, field=field, product=product)


def _unit(planes: list[NDArray[Any]]) -> float:
    """Return a power of two by which grey is divided where its square would leave single precision; 1 elsewhere."""
    most = max(float(np.nanmax(np.abs(p))) for p in planes)
    return 1.0 if most == 0 or 1e-9 < most < 1e9 else 2.0 ** round(float(np.log2(most)))


def _two_greys(values: Floats) -> bool:
    return bool(np.all((values == values.min()) | (values == values.max())))


def _ways_to_part(
    planes: list[NDArray[Any]], valid: list[NDArray[np.bool_]], values: Floats
) -> Iterator[list[NDArray[np.bool_]]]:
    """Yield ways of parting the grey in two, as masks of one side: by the grey, then by the smoothed grey.

    Noise hides what is thin or small from a threshold; smoothing brings it out, and what is rarer still stands
    out from the usual grey only.
    """
    low, high = (float(v) for v in np.percentile(values, [0.05, 99.95]))
    if not high > low:
        low, high = float(values.min()), float(values.max())
    cut = float(_OTSU(np.clip(values, low, high), nbins=512))
    yield [(p > cut) & v for p, v in zip(planes, valid, strict=True)]
    smooth = [_smoothed(p, v) for p, v in zip(planes, valid, strict=True)]
    values = np.concatenate([p[v] for p, v in zip(smooth, valid, strict=True)])
    values = values[:: max(1, values.size // _MOST)]
    if not values.max() > values.min():
        return
    yield [(p > float(_OTSU(values, nbins=512))) & v for p, v in zip(smooth, valid, strict=True)]
    usual = float(np.median(values))
    scatter = 1.4826 * float(np.median(np.abs(values - usual)))
    for sign in sorted((1, -1), key=lambda sign: -int((sign * (values - usual) > _RARE * scatter).sum())):
        rare = sign * (values - usual)
        if rare.max() > _RARE * scatter:
            half = max(_RARE * scatter, 0.5 * float(np.median(rare[rare > _RARE * scatter])))
            yield [(sign * (p - usual) > half) & v for p, v in zip(smooth, valid, strict=True)]


def _smoothed(plane: NDArray[Any], valid: NDArray[np.bool_]) -> Floats:
    weight = ndimage.gaussian_filter(valid.astype(np.float32), _SMOOTH_PX)
    smooth = ndimage.gaussian_filter(np.where(valid, plane, 0).astype(np.float32), _SMOOTH_PX)
    return np.asarray(smooth / np.maximum(weight, np.float32(1e-6)))


def _two_levels(
    planes: list[NDArray[Any]], valid: list[NDArray[np.bool_]], bright: list[NDArray[np.bool_]], noise: float,
    field: NDArray[np.bool_] | None,
) -> Levels | None:  # fmt: skip
    """Return the levels of two sides; metal is the one that does not make up the rim of the field."""
    rim = _rim(valid[0])
    shares = [float(np.mean(b[rim & v])) for b, v in zip(bright, valid, strict=True) if (rim & v).any()]
    turned = bool(shares) and float(np.mean(shares)) > 0.6
    sign = -1.0 if turned else 1.0
    every = max(1, sum(p.size for p in planes) // _MOST)
    metal_values: list[Floats] = []
    air_values: list[Floats] = []
    for p, v, b in zip(planes, valid, bright, strict=True):
        inside = v & ~b if turned else b
        for mask, out in ((inside, metal_values), (~inside & v, air_values)):
            core = ndimage.binary_erosion(mask, iterations=3)
            out.append(p[core if core.any() else mask][::every].astype(np.float32))
    metal_all, air_all = np.concatenate(metal_values), np.concatenate(air_values)
    if not metal_all.size or not air_all.size:
        return None
    air = float(np.median(air_all))
    metal_all = _upper_population(sign * (metal_all - air), noise)
    metal = air + sign * float(np.median(metal_all))
    if abs(metal - air) <= 3 * noise or not (metal_all.size and metal != air):
        return None
    return Levels(air=air, metal=metal, noise=noise, field=field)


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
    share = low.size / thin.size
    between = share * (1 - share) * (high.mean() - low.mean()) ** 2
    separate = between > 0.85 * thin.var() and low.mean() < 0.5 * high.mean() and high.mean() - low.mean() > 6 * noise
    return values[values > cut] if separate else values


def _noise(plane: NDArray[Any], valid: NDArray[np.bool_]) -> float:
    """Noise of one voxel from second differences along rows; edges are outvoted by the median."""
    some = slice(None, None, max(1, plane.size // _MOST))  # of a large slice some rows are enough
    plane, valid = plane[some].astype(np.float32, copy=False), valid[some]
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

    The padding is distinguished from clean air by its shape: what is left must be round and
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
    # round in mm: an ellipse where voxels are not square; its half axes are twice the spread
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
