"""Fits a thin dip, a step and a trend to the mean grey of the same tiles along depth."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.special import ndtr, ndtri, stdtr

from ctrecon.core.frames import Floats
from ctrecon.seams.face_profile import Dips, Tiles, template

__all__ = ["DipFit", "Profile"]

_FLICKER_FLOOR = 3e-4  # of the contrast; no scanner keeps still to better than that
_RAREST = 1e-304  # chance below which floating point loses it
_LEAST_CHI2 = 9.0
_SIMPLER_CHI2 = 4.0
_STEP_SHARE = 0.08
_APART = 3.0  # blurs between two dips that are fitted side by side
_WIDTHS = (0.85, 1.2)


@dataclass(frozen=True)
class DipFit:
    """A dip fitted to a profile: place from its middle plane, size, their u, strength, width against the blur."""

    offset: float
    u_offset: float
    size: float
    u: float
    z: float
    width: float
    beats_step: bool
    spread: float
    alone: float
    u_alone: float


@dataclass(frozen=True, eq=False)
class Profile:
    """Mean grey along depth of the same tiles in every plane; `pixels` is how many single pixels each mean holds.

    `beside` are planes in which there may be other seams: each takes a dip of its own.
    """

    middle: float
    planes: Floats
    grey: Floats
    pixels: float
    tiles: NDArray[np.bool_]
    plain: Floats
    beside: tuple[float, ...] = ()

    @classmethod
    def of(
        cls, tiles: Tiles, used: NDArray[np.bool_], dips: Dips, among: Floats, places: Floats,
        like: "Profile | None" = None, reach: int = 8, beside: Sequence[float] = (),
    ) -> "Profile | None":  # fmt: skip
        """Average tiles over the longest run of planes that most of the metal is seen in."""
        grey, count = tiles.grey[:, used], tiles.count[:, used]
        middle = float(np.round(np.median(places))) if like is None else like.middle
        shift = places - np.median(places)
        offsets = np.arange(-reach, reach + 1) if like is None else (like.planes - middle).astype(int)
        depth = (middle + offsets)[:, None] + shift[None]
        where = np.array([depth, np.broadcast_to(np.arange(len(shift)), depth.shape)])
        seen = ndimage.map_coordinates((count > 0).astype(float), where, order=1, mode="constant") > 0.999
        values = ndimage.map_coordinates(grey, where, order=1, mode="nearest")
        number = ndimage.map_coordinates(count, where, order=1, mode="nearest")
        nearest = np.clip(np.round(2 * places).astype(int), 0, len(dips.info) - 1)
        worth = among * dips.info[nearest, np.arange(len(shift))]
        if worth.sum() <= 0:
            return None
        if like is None:
            kept = [(seen[j] * worth).sum() / worth.sum() for j in range(len(offsets))]
            low, high = reach, reach
            while low > 0 and kept[low - 1] > 0.55:
                low -= 1
            while high < len(offsets) - 1 and kept[high + 1] > 0.55:
                high += 1
            run = slice(low, high + 1)
            offsets, seen, values, number = offsets[run], seen[run], values[run], number[run]
        whole = seen.all(axis=0) & (among > 0)
        if (like is not None and whole.sum() < 2) or not whole.any() or len(offsets) < 8:
            return None
        share = among[whole]
        weight = share * number[:, whole].mean(axis=0)
        level = values[:, whole] - values[:, whole].mean(axis=0)
        # a tile that lies half in the region shows half the dip: matched weights, scaled to the full dip
        scale = float((weight * share).sum())
        mean = (level * weight).sum(axis=1) / scale
        planes = middle + offsets
        clear = tiles.blur * _APART
        own = tuple(b for b in beside if abs(b - middle) > clear and planes[0] + 1 < b < planes[-1] - 1)
        return cls(middle, planes, mean, scale, whole, mean, own)

    def less(self, other: "Profile", share: float) -> "Profile":
        """Take off what the rest of the metal has in common."""
        pixels = 1 / (1 / self.pixels + share**2 / other.pixels)
        return replace(self, grey=self.grey - share * other.grey, pixels=pixels)

    def fit(self, blur: float, sigma: float) -> DipFit:
        """Fit dip, step and trend; look for the place within a plane and a half."""
        u = self.planes - self.middle
        offsets = np.arange(-1.5, 1.501, 0.1)
        inside = (offsets > u[0] + 1) & (offsets < u[-1] - 1)
        offsets = offsets[inside] if inside.any() else np.zeros(1)
        # per-pixel noise of the dip's filter, in noise of the means: shared noise is in it already
        white = sigma**2 / self.pixels
        curve = self._left_by([self._basis(o, blur) for o in offsets])
        offset = _lowest(offsets, curve)
        width = 1.0
        size, left, gain = self.solve(self.grey, offset, blur)
        freedom = max(len(u) - 6 - len(self.beside), 1)
        flicker = max(left / freedom - white, 0.0)
        variance = white + max(flicker, _FLICKER_FLOOR**2)
        for other in _WIDTHS:
            wider = self.solve(self.grey, offset, blur * other)
            if left - wider[1] > 9 * variance:
                (size, left, gain), width = wider, other
        u_size = float(np.sqrt(variance / gain))
        t = size / u_size
        share = flicker / variance
        z = _as_normal(t, min(freedom / max(share, 0.15) ** 2, 200.0))
        beats = self._beats_step(offset, blur * width, left, variance, t)
        single = float(self._left_by([self._one_plane(o) for o in u[np.abs(u - offset) < 1.6]]).min())
        spread = (single - left) / variance
        alone, _, own_gain = self.solve(self.plain, offset, blur * width)
        return DipFit(
            offset, _u_place(offsets, curve, offset, variance), size, u_size, z, width, beats,
            float(spread), alone, float(np.sqrt(variance / own_gain)),
        )  # fmt: skip

    def left(self, found: DipFit, blur: float) -> Floats:
        """Return what the fit at that place leaves of the profile."""
        basis = self._basis(found.offset, blur)
        return np.asarray(self.grey - basis.T @ np.linalg.lstsq(basis.T, self.grey, rcond=None)[0])

    def at(self, offset: float, blur: float, sigma: float) -> tuple[float, float]:
        """Return the dip at a given place, and its uncertainty."""
        size, left, gain = self.solve(self.grey, offset, blur)
        white = sigma**2 / self.pixels
        return size, float(np.sqrt(max(white + _FLICKER_FLOOR**2, left / max(len(self.planes) - 5, 1)) / gain))

    def _basis(self, offset: float, blur: float) -> Floats:
        u = self.planes - self.middle
        v = u / max(np.abs(u).max(), 1.0)
        rows = [template(u - offset, blur), ndtr((u - offset) / blur) - 0.5, np.ones_like(v), v, v**2]
        rows += [v**3] if len(u) >= 17 else []
        return np.asarray([*rows, *(template(self.planes - other, blur) for other in self.beside)])

    def solve(self, grey: Floats, offset: float, blur: float) -> tuple[float, float, float]:
        """Return size of the dip (positive dark), squares left, and how much one unit of noise tells of it."""
        basis = self._basis(offset, blur)
        got = np.linalg.lstsq(basis.T, grey, rcond=None)[0]
        left = grey - basis.T @ got
        pure = basis[0] - basis[1:].T @ np.linalg.lstsq(basis[1:].T, basis[0], rcond=None)[0]
        return -float(got[0]), float(left @ left), max(float(pure @ pure), 1e-12)

    def _beats_step(self, offset: float, blur: float, left: float, variance: float, t: float) -> bool:
        """Return whether no step of the grey near by explains the profile as well.

        A dip alone must do better than a step alone, both on a trend that bends one way only, since a step on a
        winding trend can follow anything; or dip and step together far better than a step.
        """
        u = self.planes - self.middle
        places = [o for o in np.arange(u[0] + 1, u[-1] - 0.9, 0.5) if abs(o - offset) < 4 * blur]
        steps = [self._basis(o, blur)[1:] for o in places]
        dip = np.delete(self._basis(offset, blur), 1, axis=0)
        least = _STEP_SHARE * t**2
        bent = np.arange(len(dip)) != 4 if len(u) >= 17 else np.ones(len(dip), dtype=bool)
        simple = float(self._left_by([one[bent] for one in steps]).min() - self._left_by([dip[bent]])[0])
        both = float(self._left_by(steps).min()) - left
        return bool(simple > max(_SIMPLER_CHI2, least) * variance or both > max(_LEAST_CHI2, least) * variance)

    def _one_plane(self, offset: float) -> Floats:
        basis = self._basis(offset, 1.0)
        basis[0] = self.planes - self.middle == offset
        return basis

    def _left_by(self, bases: Sequence[Floats]) -> Floats:
        """Return the squares that each of some bases (rows, planes) leaves of the profile."""
        along = np.linalg.qr(np.array(bases).transpose(0, 2, 1))[0]
        left = self.grey - np.einsum("mpn,mn->mp", along, self.grey @ along)
        return np.asarray((left**2).sum(axis=1))


def _as_normal(t: float, freedom: float) -> float:
    """Return the normal deviate as rare as this value of Student's t."""
    tail = float(stdtr(freedom, -abs(t)))
    z = abs(t)
    if tail > _RAREST:
        z = -float(ndtri(tail))
    return float(np.sign(t) * min(z, abs(t)))


def _lowest(places: Floats, curve: Floats) -> float:
    """Return where a parabola through the lowest value and its neighbours is lowest."""
    i = int(np.argmin(curve))
    if i in (0, len(curve) - 1):
        return float(places[i])
    before, here, after = curve[i - 1 : i + 2]
    bend = before - 2 * here + after
    part = 0.5 * (before - after) / bend if bend > 0 else 0.0
    return float(places[i] + part * (places[i + 1] - places[i]))


def _u_place(offsets: Floats, curve: Floats, best: float, variance: float) -> float:
    """Return the spread of the likely places of the dip."""
    weight = np.exp(-np.clip((curve - curve.min()) / (2 * variance), 0, 700))
    return float(np.sqrt((weight * (offsets - best) ** 2).sum() / weight.sum() + 0.03**2))
