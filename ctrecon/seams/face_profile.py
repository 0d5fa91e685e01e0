"""Mean grey of sound metal by small tiles and by plane, and how deep a thin dip across the axis it shows."""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.special import ndtr

from ctrecon.core.ahead import ahead
from ctrecon.core.frames import Floats
from ctrecon.grey.square_up import SquaredStack

__all__ = ["DipFilter", "Dips", "Tiles", "metal_of", "template", "tiles_of"]

_TILES_ACROSS = 28
_LEAST_TILE_PX = 4
_USUAL_BLUR = 0.8  # slices, where the stack does not tell
_CLEAR_BLURS = 3.2
_CLEAR_ALONG = 2.8  # blurs kept off faces: on the outermost plane a quarter of a percent of the face is left
_DRIFT_SLICES = 9
_HALF_STEPS = (0.0, 0.5)


@dataclass(frozen=True, eq=False)
class Tiles:
    """Mean grey of the sound metal in every tile of every plane.

    Attributes
    ----------
    grey, count : (planes, rows, columns) arrays
        Mean grey (air 0, metal 1; single dark slices left in) and number of sound pixels; grey is 0 where none are.
    x, y : (rows, columns) arrays
        Middle of each tile, px of the part grid.
    slice_at : (planes, rows, columns) array
        Slice of the stack that the middle of the tile lies in.
    air : (planes,) array
        Mean grey of the air round the part, NaN where too little is seen.
    blur : float
        Sigma (planes) of the dip that a thin gap leaves.
    clear : int
        Planes kept off every face.
    """

    grey: Floats
    count: Floats
    x: Floats
    y: Floats
    slice_at: Floats
    air: Floats
    blur: float
    clear: int

    @property
    def window(self) -> int:
        """Planes on either side of a dip that tell what the grey is without it."""
        return int(np.clip(np.ceil(6.5 * self.blur), 4, 14))


@dataclass(frozen=True, eq=False)
class Dips:
    """How much a dip at a depth takes off each tile: `size` (planes of air) and `info`, 1 over its variance.

    Both are (depths, tiles); `depth` is in planes, two a plane. `info` is for noise of 1 in a single pixel.
    `block` numbers the three by three tiles each tile belongs to.
    """

    depth: Floats
    size: Floats
    info: Floats
    block: NDArray[np.int64]


def metal_of(grey: Floats) -> NDArray[np.bool_]:
    """Return which pixels of a plane lie in metal."""
    known = np.where(np.isfinite(grey), grey, np.float32(0))
    smooth = ndimage.uniform_filter(known.astype(np.float32, copy=False), 3, mode="constant")
    return np.asarray(smooth > 0.5)


def tiles_of(squared: SquaredStack, seen: Callable[[Floats], None] | None = None) -> Tiles | None:
    """Average the sound metal of every plane by tiles; None where there is none.

    Sound is what has metal all round it, three blurs and more in the plane and along depth: walls, faces,
    bores that change and chamfers stay out. Every plane is handed to `seen` as well: planes cost more than what is
    done with them.
    """
    found = squared.survey.artefacts
    ratio = squared.depth_step_mm / squared.pitch_mm
    across = found.psf_px if found is not None and found.psf_px is not None else _USUAL_BLUR
    along = found.psf_slices if found is not None and found.psf_slices is not None else across / ratio
    lean = float(np.hypot(squared.rotation[2, 0], squared.rotation[2, 1]))
    between = 1 / 6 if lean > 0.002 else 0.0  # planes drawn from two slices are blurred by that
    blur = float(np.sqrt(np.clip(along, 0.2, 4.0) ** 2 + 1 / 12 + between + (lean / ratio) ** 2 / 12))
    clear = int(np.clip(np.ceil(_CLEAR_ALONG * blur), 2, 10))
    wide = 2 * int(np.clip(np.ceil(_CLEAR_BLURS * float(np.hypot(across, 0.5))), 3, 8)) + 1
    planes, rows, columns = squared.shape
    edge = max(_LEAST_TILE_PX, int(np.ceil(max(rows, columns) / _TILES_ACROSS)))
    high, across_count = -(-rows // edge), -(-columns // edge)
    grey: Floats = np.zeros((planes, high, across_count))
    count: Floats = np.zeros_like(grey)
    air = np.full(planes, np.nan)
    nothing = np.zeros((rows, columns), dtype=np.uint8)
    deep = nothing.copy()  # how many of the planes within reach are metal
    waiting: deque[Floats] = deque()
    sound = deque([nothing] * clear)

    def read(k: int) -> Floats:
        plane = squared.plane(k)
        if seen is not None:
            seen(plane)
        return plane

    coming = ahead(read, range(planes), rows * columns)
    for k in range(planes + clear):
        if k < planes:
            plane = next(coming)
            air[k] = _air(plane)
            waiting.append(plane)
            metal = metal_of(plane).view(np.uint8)
            here = ndimage.minimum_filter(metal, size=wide, mode="constant", cval=0)
        else:
            here = nothing
        deep += here
        sound.append(here)
        if k < clear:
            continue
        plane = waiting.popleft()
        solid = deep == 2 * clear + 1
        deep -= sound.popleft()
        if solid.any():
            total, number = _summed(plane, solid, edge)
            count[k - clear] = number
            grey[k - clear] = np.where(number > 0, total / np.maximum(number, 1), 0.0)
    if not count.any():
        return None
    y = np.repeat((np.arange(high) * edge + (edge - 1) / 2)[:, None], across_count, axis=1)
    x = np.repeat((np.arange(across_count) * edge + (edge - 1) / 2)[None], high, axis=0)
    slice_at = _slices(squared, x, y, planes)
    count = _present(squared, slice_at, count)
    grey = np.where(count > 0, grey + _taken_off(squared, slice_at), 0.0)
    return Tiles(grey, count, x, y, slice_at, air, blur, clear)


def template(offset: Floats, blur: float) -> Floats:
    """Return the share of a gap one plane thick that each plane loses, `offset` planes from it."""
    return np.asarray(np.exp(-0.5 * (offset / blur) ** 2) / (blur * np.sqrt(2 * np.pi)))


class DipFilter:
    """Fits a dip at every half plane of every tile in use, beside a step and a bent trend.

    Weighted least squares over the planes near by: a grey that steps where the section changes, or where another
    metal begins, is no dip. Where one side is not seen there is next to no information left. All but the grey is
    worked out once, so that the same tiles can be read again without the seams that are known.

    Parameters
    ----------
    tiles : Tiles
    used : (rows, columns) array
        Which tiles are in use.
    """

    def __init__(self, tiles: Tiles, used: NDArray[np.bool_]) -> None:
        window = tiles.window
        reach = np.arange(-window - 1, window + 2, dtype=float)
        self._used = used
        self._count = count = tiles.count[:, used]
        self._basis = [_basis(reach - shift, tiles.blur, window) for shift in _HALF_STEPS]
        info = np.zeros((2 * len(count), count.shape[1]))
        self._first: list[Floats] = []
        for half, basis in enumerate(self._basis):
            n = len(basis)
            moments = np.empty((*count.shape, n, n))
            for a in range(n):
                for b in range(a, n):
                    both = ndimage.correlate1d(count, basis[a] * basis[b], axis=0, mode="constant")
                    moments[..., a, b] = moments[..., b, a] = both
            moments += np.eye(n) * (1e-6 * np.einsum("...ii->...", moments)[..., None, None] + 1e-9)
            self._first.append(np.linalg.inv(moments)[..., 0, :].copy())  # a view would keep all of it
            info[half::2] = 1 / self._first[-1][..., 0]
        seen = (count > 0).astype(float)
        off = [((side * reach > 1.5 * tiles.blur) & (np.abs(reach) <= window)).astype(float) for side in (-1, 1)]
        enough = [ndimage.correlate1d(seen, one, axis=0, mode="constant") >= 2 for one in off]
        self._seen = np.repeat(enough[0] & enough[1] & (count > 0), 2, axis=0)
        self._info = np.where(self._seen, info, 0.0)
        rows, columns = np.nonzero(used)
        block = np.unique(rows // 3 * used.shape[1] + columns // 3, return_inverse=True)[1]
        self._block = block.astype(np.int64)

    def __call__(self, tiles: Tiles) -> Dips:
        """Return the dips of tiles that hold as much sound metal as those the filter was made for."""
        grey, count = tiles.grey[:, self._used], self._count
        middle = np.where(count > 0, grey, 0.0).sum(axis=0) / np.maximum((count > 0).sum(axis=0), 1)
        weighted = np.where(count > 0, grey - middle, 0.0) * count
        size = np.zeros_like(self._info)
        for half, (basis, first) in enumerate(zip(self._basis, self._first, strict=True)):
            for a, row in enumerate(basis):
                size[half::2] -= first[..., a] * ndimage.correlate1d(weighted, row, axis=0, mode="constant")
        return Dips(np.arange(2 * len(grey)) / 2, np.where(self._seen, size, 0.0), self._info, self._block)


def _basis(offset: Floats, blur: float, window: int) -> Floats:
    near = np.abs(offset) <= window
    u = offset / window
    rows = [template(offset, blur), ndtr(offset / blur) - 0.5, np.ones_like(u), u, u**2]
    return np.asarray([row * near for row in rows])


def _summed(plane: Floats, solid: NDArray[np.bool_], edge: int) -> tuple[Floats, Floats]:
    rows, columns = solid.shape
    tall, wide = (-rows) % edge, (-columns) % edge
    values = np.pad(np.where(solid, plane, np.float32(0)), ((0, tall), (0, wide)))
    number = np.pad(solid.astype(np.float32), ((0, tall), (0, wide)))
    shape = (values.shape[0] // edge, edge, values.shape[1] // edge, edge)
    return (
        values.reshape(shape).sum(axis=(1, 3), dtype=np.float64),
        number.reshape(shape).sum(axis=(1, 3), dtype=np.float64),
    )


def _air(plane: Floats) -> float:
    """Mean grey of the air of one plane, clear of every edge."""
    thin = plane[::2, ::2]
    known = np.isfinite(thin)
    smooth = ndimage.uniform_filter(np.where(known, thin, np.float32(1)), 3, mode="nearest")
    empty = ndimage.minimum_filter((smooth < 0.25).view(np.uint8), size=5, mode="nearest").view(bool) & known
    return float(thin[empty].mean()) if empty.sum() >= 200 else np.nan


def _slices(squared: SquaredStack, x: Floats, y: Floats, planes: int) -> Floats:
    x0, y0, z0 = squared.origin_mm
    back = squared.rotation.T
    flat = back[2, 0] * (x0 + x * squared.pitch_mm) + back[2, 1] * (y0 + y * squared.pitch_mm)
    depth = back[2, 2] * (z0 + np.arange(planes) * squared.depth_step_mm)
    return np.asarray((flat[None] + depth[:, None, None]) / squared.depth_step_mm)


def _present(squared: SquaredStack, slice_at: Floats, count: Floats) -> Floats:
    """Give no weight to what was bridged over missing slices."""
    for gap in squared.survey.stack.missing:
        count = np.where(np.abs(slice_at - gap) < 1 - 1e-6, 0.0, count)
    return count


def _taken_off(squared: SquaredStack, slice_at: Floats) -> Floats:
    """Return what was taken off the metal of single slices as if they had come out dark: it may be a flat seam."""
    found = squared.survey.artefacts
    if found is None or found.drift is None:
        return np.zeros_like(slice_at)
    metal = found.drift.metal
    # what runs over many slices is drift; a seam is done with in three
    sudden = metal - ndimage.median_filter(metal, _DRIFT_SLICES, mode="nearest")
    return np.asarray(np.interp(slice_at, np.arange(len(metal)), sudden))
