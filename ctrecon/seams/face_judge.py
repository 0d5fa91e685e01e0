"""Judges one dip along depth: its depth, size and certainty, and whether it may be a dark slice or a step instead."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.frames import Floats
from ctrecon.seams.face_fit import DipFit, Profile
from ctrecon.seams.face_profile import Dips, Tiles
from ctrecon.seams.face_regions import Region

__all__ = ["FaceTilt", "FaceSeam", "judge", "spread_of"]

_LEAST_CHI2 = 9.0
_SHAPE_CHI2 = 6.0
_WITNESS = 3.0
_CLEARLY = 0.2  # of all that a leaning plane explains: it may have been laid along the slices
_HARDLY = 0.25  # of what a seam is expected to be better by; a dark slice is worse by as much
_QUIET = 0.4
_SPREAD_SLICES = 0.5  # of the slices that a squared plane meets, standard deviation
_U_WIDTH = 0.06  # of the thickness: the blur along depth is known to about that
_MOST_LEAN = 1.2  # planes at the rim
_LEAN_CHI2 = 16.0


@dataclass(frozen=True)
class FaceTilt:
    """How a seam's plane leans against the squared planes: planes per px along columns and rows, about (x, y)."""

    x: float
    y: float
    slope_x: float = 0.0
    slope_y: float = 0.0

    def by(self, x: Floats, y: Floats) -> Floats:
        """Return by how many planes the seam lies deeper at places (px)."""
        return np.asarray(self.slope_x * (x - self.x) + self.slope_y * (y - self.y))


@dataclass(frozen=True, eq=False)
class FaceSeam:
    """A dip that stands up: `depth` and `thickness` in planes, `z` its strength in standard deviations.

    `witnessed` tells whether other metal of the same slices, or the tilt, shows that no dark slice did it; `spread` is
    by how much chi squared the blur of the scanner explains the dip better than one dark plane does.
    """

    depth: float
    u_depth: float
    thickness: float
    u_thickness: float
    z: float
    witnessed: bool
    spread: float
    lean: FaceTilt


def _lean_of(tiles: Tiles, used: NDArray[np.bool_], dips: Dips, region: Region, depth: float, sigma: float) -> FaceTilt:
    """Find whether the seam's plane leans a little: only where that makes the dip clearly stronger."""
    x, y = tiles.x[used], tiles.y[used]
    i = int(np.argmin(np.abs(dips.depth - depth)))
    info = region.share * dips.info[i]
    if info.sum() <= 0:
        return FaceTilt(0.0, 0.0)
    cx, cy = float((info * x).sum() / info.sum()), float((info * y).sum() / info.sum())
    reach = max(float(np.hypot(x - cx, y - cy)[info > 0].max()), 1.0)
    steps = np.linspace(-_MOST_LEAN, _MOST_LEAN, 7) / reach
    lean = FaceTilt(cx, cy)
    best = (_strength(dips, region, np.full(len(x), depth)) / sigma) ** 2 + _LEAN_CHI2
    for sx in steps:
        for sy in steps:
            other = FaceTilt(cx, cy, float(sx), float(sy))
            strength = (_strength(dips, region, depth + other.by(x, y)) / sigma) ** 2
            if strength > best:
                best, lean = strength, other
    return lean


def spread_of(dips: Dips) -> float:
    """Return the noise of a single pixel that the scatter of tiles, and of blocks of nine, stands for.

    Noise that neighbours share shows in the blocks.
    """
    total = np.maximum(dips.info.sum(axis=1, keepdims=True), 1e-12)
    away = dips.size - (dips.info * dips.size).sum(axis=1, keepdims=True) / total
    into = np.zeros((len(dips.block), int(dips.block.max()) + 1))
    into[np.arange(len(dips.block)), dips.block] = 1.0
    info = dips.info @ into
    blocks = (dips.info * away) @ into / np.maximum(info, 1e-12)
    share = np.minimum(info / total, 0.8)
    values = [_scatter(away, dips.info, 0.1), _scatter(blocks / np.sqrt(1 - share), info, 0.3)]
    return max(values)


def _scatter(size: Floats, info: Floats, least: float) -> float:
    """Return the robust scatter of a quiet depth: a seam that is shut in places scatters at its own."""
    strength = np.where(info > least * info.max(), np.abs(size) * np.sqrt(info), np.nan)
    strength = strength[np.isfinite(strength).sum(axis=1) >= 4]
    return 1.4826 * float(np.quantile(np.nanmedian(strength, axis=1), _QUIET)) if len(strength) else 0.0


def judge(
    tiles: Tiles, used: NDArray[np.bool_], dips: Dips, region: Region, depth: float, sigma: float, *,
    expected: bool = False, beside: Sequence[float] = (),
) -> FaceSeam | None:  # fmt: skip
    """Measure a dip near `depth` in a region and weigh it against everything else that makes planes dark.

    `sigma` is the noise that a single pixel counts with in a mean of many. At a depth where a seam is `expected` the
    dip need not have the blur's width to pass for more than a slice that came out dark just there. `beside` are planes
    in which there may be other seams.

    Returns
    -------
    Verdict or None
        None where a step of the grey, a dark slice or the common drift of all metal explains it as well.
    """
    lean = _lean_of(tiles, used, dips, region, depth, sigma)
    # far planes tell more of the drift, near ones leave other seams out of the picture
    both = [
        _judged(tiles, used, dips, region, lean, depth, sigma, reach, beside)
        for reach in (tiles.window + 3, max(tiles.window - 2, 4))
    ]
    least = 0.0 if expected else _SHAPE_CHI2
    sound = [one for one in both if one is not None and (one.witnessed or one.spread >= least)]
    return max(sound, key=lambda one: one.z, default=None)


# many: what is looked at, which part of it, how the part leans, where, and what lies near
def _judged(
    tiles: Tiles, used: NDArray[np.bool_], dips: Dips, region: Region, lean: FaceTilt, depth: float, sigma: float,
    reach: int, beside: Sequence[float],
) -> FaceSeam | None:  # fmt: skip
    places = depth + lean.by(tiles.x[used], tiles.y[used])
    own = Profile.of(tiles, used, dips, region.share, places, reach=reach, beside=beside)
    if own is None:
        return None
    rest = region.outside.astype(float)
    enough = rest.sum() >= 3
    other = Profile.of(tiles, used, dips, rest, places, like=own, reach=reach, beside=beside) if enough else None
    found = own.fit(tiles.blur, sigma)
    if other is not None:
        share = _common(own.left(found, tiles.blur), other.left(found, tiles.blur))
        found = own.less(other, share).fit(tiles.blur, sigma)
    sign = np.sign(found.size) or 1.0
    if not found.beats_step:
        return None
    witnessed = False
    if other is not None:
        beside = other.at(found.offset, tiles.blur, sigma)
        apart = sign * (found.alone - beside[0])
        u_apart = float(np.hypot(found.u_alone, beside[1]))
        if apart < 2 * u_apart and sign * beside[0] > 3 * beside[1]:
            return None  # all metal of these slices is as dark
        witnessed = apart > _WITNESS * u_apart and sign * beside[0] < 0.6 * abs(found.alone)
    turned = _by_slices(tiles, used, dips, region, depth, places, sigma)
    if turned is not None:
        better, expected, strength = turned
        # where metal beside keeps its grey no slice came out dark: then only what follows the slices better counts
        plain = 0.0 if witnessed else _HARDLY * expected
        if better < (_CLEARLY * strength if lean.slope_x or lean.slope_y else plain):
            return None  # the dark follows the slices, not the part
        witnessed = witnessed or better > 2 * _LEAST_CHI2
    if not witnessed and _air_as_dark(tiles, own, found, sign):
        return None  # a single slice came out dark
    u_size = float(np.hypot(found.u, _U_WIDTH * found.size))
    return FaceSeam(
        own.middle + found.offset - float(np.median(places - depth)),
        found.u_offset,
        found.size,
        u_size,
        abs(found.z),
        bool(witnessed),
        found.spread,
        lean,
    )


def _strength(dips: Dips, region: Region, places: Floats) -> float:
    """Return the summed dip over its noise (of one pixel), tiles taken at their own depth."""
    at = 2 * places
    low = np.clip(np.floor(at).astype(int), 0, len(dips.depth) - 2)
    part = np.clip(at - low, 0, 1)
    tile = np.arange(len(places))
    info = np.minimum(dips.info[low, tile], dips.info[low + 1, tile])
    size = (1 - part) * dips.size[low, tile] + part * dips.size[low + 1, tile]
    share = region.share
    return float((share * info * size).sum() / np.sqrt(max((share**2 * info).sum(), 1e-12)))


def _common(own: Floats, other: Floats) -> float:
    """Share of the other metal's flicker that this metal has too."""
    power = float(other @ other)
    return float(np.clip(float(own @ other) / power, 0.0, 1.0)) if power > 0 else 0.0


def _by_slices(
    tiles: Tiles, used: NDArray[np.bool_], dips: Dips, region: Region, depth: float, places: Floats, sigma: float
) -> tuple[float, float, float] | None:
    """Return how much more chi squared a plane of the part explains than a slice, what a seam should, and all of it.

    None where the two coincide. A dip of width b that lies d beside its place overlaps with itself by exp(-d² / 4 b²).
    """
    k = int(np.clip(round(depth), 0, len(tiles.grey) - 1))
    slices = tiles.slice_at[k][used]
    info = region.share * dips.info[min(2 * k, len(dips.info) - 1)]
    if info.sum() <= 0:
        return None
    mean = float((info * slices).sum() / info.sum())
    wide = float(np.sqrt((info * (slices - mean) ** 2).sum() / info.sum()))
    if wide < _SPREAD_SLICES:
        return None
    by = np.arange(-2, 2.01, 0.5)
    moved = [_strength(dips, region, depth + one - (slices - mean)) for one in by]
    beside = np.exp(-(((by[:, None] - (slices - mean)) / tiles.blur) ** 2) / 4) @ (region.share * info)
    expected = 1 - float(beside.max() / (region.share * info).sum()) ** 2
    own = (_strength(dips, region, places) / sigma) ** 2
    return own - max(m**2 for m in moved) / sigma**2, expected * own, own


def _air_as_dark(tiles: Tiles, own: Profile, found: DipFit, sign: float) -> bool:
    """Return whether the air of the same planes dips alike: then the slice is darker, not the metal."""
    index = own.planes.astype(int)
    if index.min() < 0 or index.max() >= len(tiles.air):
        return False
    air = tiles.air[index]
    if not np.isfinite(air).all():
        return False
    profile = Profile(own.middle, own.planes, air - air.mean(), 1.0, own.tiles, air)
    size, left, gain = profile.solve(profile.grey, found.offset, tiles.blur)
    u = float(np.sqrt(left / max(len(index) - 6, 1) / gain))
    return bool(sign * size > 4 * u and sign * size > 0.4 * abs(found.size))
