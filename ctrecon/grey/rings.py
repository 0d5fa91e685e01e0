"""Concentric rings about the scanner's axis: found in even metal and air, and taken out.

Rings are the same in every slice and in every direction from the scanner's axis, and they
do not stop where metal stops. Edges of the part, seams and stains are none of that.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.linalg import solveh_banded

from ctrecon.core.frames import Floats
from ctrecon.grey.ring_centre import EvenGrey, centre_of

__all__ = ["Rings", "find_rings"]

_SECTORS = 24
_BIN_PX = 0.5  # px of radius per ring
_LEAST_RADIUS_PX = 3.0  # px; nearer the axis a ring is a spot
_SURE = 4.5  # standard errors from which rings are believed
_LOUDEST = 2.5
_STANDS_OUT = 5.0  # times the usual ring; louder is an edge of the part
_TREND_PX = 15  # px of radius over which rings are levelled
_LEAST_AMPLITUDE = 0.001  # contrasts; weaker rings are left in
_CORRELATED_PX = 1.5
# on rendered rings: trend and bins take off a quarter of their amplitude, and radii scatter more than their cells tell
_TAKEN_OFF = 1.3
_RADII_SCATTER = 1.4
_SLOW_SHARE, _SLOW_PX = 0.35, 12.0


@dataclass(frozen=True, eq=False)
class Rings:
    """Rings about an axis along depth.

    Attributes
    ----------
    x_px, y_px : float
        Column and row of the rings' centre.
    squash : float
        Row spacing over column spacing: rings are round in mm, radii are in columns.
    radii_px, profile, sd : arrays
        Radius, grey of the ring (share of the contrast) and its standard uncertainty there.
    amplitude : float
        Standard deviation of the rings, share of the contrast.
    left : float
        What is left of it after correction, over the radii of the metal.
    unseen : float
        Share of the metal's radii at which no even material showed the ring.
    gains : (blocks,) array
        Strength in each block of depth against the mean.
    weight : array
        Inverse variance with which even material showed each radius; 0 where it did not.
    step_px : float
        Spacing of the radii.
    """

    x_px: float
    y_px: float
    squash: float
    radii_px: Floats
    profile: Floats
    sd: Floats
    amplitude: float
    left: float
    unseen: float
    gains: Floats
    weight: Floats
    step_px: float = _BIN_PX

    def radius(self, column: Floats, row: Floats) -> Floats:
        """Return the distance from the rings' centre, in columns."""
        return np.asarray(np.hypot(column - self.x_px, (row - self.y_px) * self.squash))

    def picture(self, rows: int, columns: int) -> NDArray[np.float32]:
        """Return the rings as a plane."""
        radius = self.radius(np.arange(columns, dtype=float), np.arange(rows, dtype=float)[:, None])
        return np.interp(radius, self.radii_px, self.profile, left=0.0, right=0.0).astype(np.float32)

    def precision(self, first: int, last: int) -> Floats:
        """Return the inverse covariance of what is left of the rings at radii `first` to `last` (exclusive).

        Slow changes along the radius were taken for shading and left in the planes: they count as unknown.
        """
        banded = _prior(len(self.radii_px), self.amplitude)
        out = np.diag(banded[1, first:last] + self.weight[first:last])
        beside = np.arange(last - first - 1)
        out[beside, beside + 1] = out[beside + 1, beside] = banded[0, first + 1 : last]
        at = self.radii_px[first:last]
        slow = (_SLOW_SHARE * self.amplitude) ** 2 * np.exp(-np.abs(at[:, None] - at[None, :]) / _SLOW_PX)
        return np.asarray(np.linalg.inv(np.linalg.inv(out) + slow))

    def gain(self, share: float) -> float:
        """Return the strength at a share (0 to 1) of the depth."""
        places = (np.arange(len(self.gains)) + 0.5) / len(self.gains)
        return float(np.interp(share, places, self.gains))


def find_rings(even: EvenGrey, *, squash: float = 1.0) -> Rings | None:
    """Find rings, or None where nothing shows that is sure to be one.

    Parameters
    ----------
    even : EvenGrey
        Fine grey of even metal and air.
    squash : float
        Row spacing over column spacing.

    Returns
    -------
    Rings or None

    Notes
    -----
    Profiles from one half of all (sector, depth) cells are set against those of the other
    half: noise, texture and streaks do not agree between them, rings do. Each radius may
    speak with two and a half standard errors at most, and most radii must agree in sign,
    so that one round seam about the scanner's axis never passes for rings.
    """
    centre = centre_of(even, squash)
    if centre is None:
        return None
    sums, counts = _polar(even, centre, squash)
    cleaned = _without_shadows(even, sums, counts, centre, squash)
    if cleaned is not None:
        even = cleaned
        centre = centre_of(even, squash) or centre
        sums, counts = _polar(even, centre, squash)
    strength, amplitude = _agreement(sums, counts)
    if strength < _SURE or amplitude < _LEAST_AMPLITUDE:
        return None
    return _profile(sums, counts, centre, squash, amplitude)


def _without_shadows(
    even: EvenGrey, sums: Floats, counts: Floats, centre: tuple[float, float], squash: float
) -> EvenGrey | None:
    """Put right what the trend took off beside a strong round line in the metal; None where there is none.

    A seam drags the local mean down, so its neighbours look bright: many radii would then
    agree about the centre of the part and pass for rings.
    """
    blocks, _, _, columns = even.count.shape
    bins = sums.shape[3]
    half = round(_TREND_PX / _BIN_PX)
    kernel = np.bartlett(2 * half + 1)
    kernel /= kernel.sum()
    total: NDArray[np.float32] | None = None
    ring: NDArray[np.int64] | None = None
    for b in range(blocks):
        value, error = _median(sums[b, 1], counts[b, 1])
        seen = np.isfinite(value) & (np.arange(bins) * _BIN_PX >= _LEAST_RADIUS_PX)
        if seen.sum() < 24:
            continue
        usual = 1.4826 * float(np.median(np.abs(value[seen])))
        loud = seen & (np.abs(value) > np.maximum(_STANDS_OUT * usual, 6 * error))
        # wide bands are not a line
        if not loud.any() or loud.sum() > 0.25 * seen.sum():
            continue
        loud = ndimage.binary_dilation(loud, iterations=2) & seen
        line = np.where(loud, value, 0.0)
        weight = np.convolve(seen.astype(float), kernel, mode="same")
        # the line itself was lowered by its own share of the mean, too
        for _ in range(3):
            shadow = np.convolve(line, kernel, mode="same") / np.maximum(weight, 0.2)
            line = np.where(loud, value + shadow, 0.0)
        if total is None or ring is None:
            total = even.total.copy()
            radius = np.hypot(np.arange(columns) - centre[0], (even.row[:, None] - centre[1]) * squash)
            ring = (radius / _BIN_PX).astype(np.int64)
        # the line itself goes as well: it is not a ring, whatever the rest is
        lift = shadow - np.where(loud, line, 0.0)
        total[b, 1] += even.count[b, 1] * lift[ring].astype(np.float32)
    return None if total is None else replace(even, total=total)


def _polar(even: EvenGrey, centre: tuple[float, float], squash: float) -> tuple[Floats, Floats]:
    """Sum the fine grey over (block, class, sector, radius) cells."""
    blocks, _, _, columns = even.count.shape
    dx, dy = np.arange(columns) - centre[0], (even.row[:, None] - centre[1]) * squash
    ring = (np.hypot(dx, dy) / _BIN_PX).astype(np.int64)
    sector = ((np.arctan2(dy, dx) / (2 * np.pi) + 0.5) * _SECTORS).astype(np.int64) % _SECTORS
    bins = int(ring.max()) + 1
    cell = (sector * bins + ring).ravel()
    shape = (blocks, 2, _SECTORS, bins)
    sums, counts = np.zeros(shape), np.zeros(shape)
    for b in range(blocks):
        for which in range(2):
            weight = even.count[b, which].ravel()
            sums[b, which] = np.bincount(cell, even.total[b, which].ravel(), _SECTORS * bins).reshape(_SECTORS, bins)
            counts[b, which] = np.bincount(cell, weight, _SECTORS * bins).reshape(_SECTORS, bins)
    return sums, counts


def _median(sums: Floats, counts: Floats) -> tuple[Floats, Floats]:
    """Return median over cells (axis 0) and its standard error; NaN where fewer than 4 cells saw the radius."""
    with np.errstate(invalid="ignore", divide="ignore"):
        cells = np.where(counts > 0, sums / counts, np.nan)
    seen = np.isfinite(cells).sum(axis=0)
    out = np.full(cells.shape[1], np.nan)
    error = np.full(cells.shape[1], np.nan)
    use = seen >= 4
    if use.any():
        out[use] = np.nanmedian(cells[:, use], axis=0)
        mad = np.nanmedian(np.abs(cells[:, use] - out[use]), axis=0)
        # few cells tell their own scatter badly: never less than half of what the others show
        error[use] = 1.4826 * mad
        error[use] = 1.25 * np.maximum(error[use], 0.5 * np.median(error[use])) / np.sqrt(seen[use])
    return out, error


def _agreement(sums: Floats, counts: Floats) -> tuple[float, float]:
    """Return how surely two halves of the cells agree (standard deviations), and the rings' amplitude.

    The worst of three ways to halve counts: every other cell, left against right, top
    against bottom. What is on one side only is not a ring.
    """
    blocks, _, sectors, bins = sums.shape
    pairs = bins // 2
    total, count = (
        a.sum(axis=1)[:, :, : 2 * pairs].reshape(blocks, sectors, pairs, 2).sum(axis=3) for a in (sums, counts)
    )
    number = np.broadcast_to(np.arange(sectors), (blocks, sectors))
    every_other = (np.arange(blocks)[:, None] + number) % 2 == 0
    found = []
    for half in (every_other, number < sectors // 2, (number + sectors // 4) % sectors < sectors // 2):
        a, ua = _median(total[half], count[half])
        b, ub = _median(total[~half], count[~half])
        good = np.isfinite(a) & np.isfinite(b) & (np.arange(pairs) >= _LEAST_RADIUS_PX) & (ua > 0) & (ub > 0)
        if good.sum() >= 12:
            found.append(_half_against_half(a[good], ua[good], b[good], ub[good]))
    return min(found, default=(0.0, 0.0))


def _half_against_half(a: Floats, ua: Floats, b: Floats, ub: Floats) -> tuple[float, float]:
    clip = _LOUDEST * _RADII_SCATTER
    za, zb = (np.clip(v / u, -clip, clip) / _RADII_SCATTER for v, u in ((a, ua), (b, ub)))
    root = float(np.sqrt(len(a)))
    # most radii must agree in sign, too: a seam or two are few radii, however sure
    strength = min(float((za * zb).sum()) / root, 2 * float(np.sign(za * zb).sum()) / root)
    # amplitude: products clipped likewise, on the scale of the radii themselves
    limit = 3 * 1.4826 * float(np.median(np.abs(np.concatenate([a, b]))))
    product = np.clip(a, -limit, limit) * np.clip(b, -limit, limit)
    return strength, _TAKEN_OFF * float(np.sqrt(max(float(product.mean()), 0.0)))


def _profile(
    sums: Floats, counts: Floats, centre: tuple[float, float], squash: float, amplitude: float
) -> Rings:
    """Work out the grey of each ring, drawn towards nothing where little or nothing shows it."""
    blocks, _, sectors, bins = sums.shape
    both_s, both_c = sums.sum(axis=1), counts.sum(axis=1)
    value, error = _median(both_s.reshape(blocks * sectors, bins), both_c.reshape(blocks * sectors, bins))
    error = _RADII_SCATTER * error
    radii = (np.arange(bins) + 0.5) * _BIN_PX
    value[radii < _LEAST_RADIUS_PX] = np.nan
    by_block = [_median(both_s[b], both_c[b]) for b in range(blocks)]
    gains = _gains(by_block, value)
    value = _without_seams(value, by_block, counts, amplitude)
    seen = np.isfinite(value)
    data = np.where(seen, value, 0.0)
    weight = np.where(seen, 1.0 / np.maximum(np.where(seen, error, 1.0), 1e-5) ** 2, 0.0)
    profile, sd = _smooth(data, weight, amplitude)
    in_metal = counts[:, 1].sum(axis=(0, 1)) > 0
    in_metal = ndimage.binary_dilation(in_metal, iterations=round(4 / _BIN_PX)) & (radii >= _LEAST_RADIUS_PX)
    left = float(np.sqrt(np.mean(sd[in_metal] ** 2))) if in_metal.any() else amplitude
    unseen = float(np.mean(~seen[in_metal])) if in_metal.any() else 1.0
    return Rings(
        centre[0], centre[1], squash, radii, profile, sd, amplitude, min(left, amplitude), unseen, gains, weight
    )


def _gains(by_block: list[tuple[Floats, Floats]], value: Floats) -> Floats:
    """Strength of the rings block by block; 1 where it does not differ clearly."""
    out = np.ones(len(by_block))
    if len(by_block) < 2:
        return out
    for b, (own, error) in enumerate(by_block):
        good = np.isfinite(own) & np.isfinite(value) & (error > 0)
        if good.sum() < 20:
            continue
        weight = 1 / error[good] ** 2
        base = float((weight * value[good] ** 2).sum())
        gain = float((weight * own[good] * value[good]).sum()) / base
        if abs(gain - 1) > max(4 / np.sqrt(base), 0.15):
            out[b] = min(max(gain, 0.0), 2.0)
    return out


def _without_seams(
    value: Floats, by_block: list[tuple[Floats, Floats]], counts: Floats, amplitude: float
) -> Floats:
    """Leave out radii that behave like a round seam: there in some depths only, or strong and in metal only."""
    out = value.copy()
    if len(by_block) > 1:
        own = np.array([v for v, _ in by_block])
        u = np.array([e for _, e in by_block])
        known = np.isfinite(own)
        with np.errstate(invalid="ignore", divide="ignore"):
            away = np.where(known, (own - value) / u, 0.0)
            chi2 = (away**2).sum(axis=0) / np.maximum(known.sum(axis=0) - 1, 1)
            uneven = np.where(known, np.abs(own - value), 0.0).max(axis=0) > 0.7 * np.abs(value)
        out[(known.sum(axis=0) > 1) & (chi2 > 9) & uneven & (np.abs(value) > 2 * amplitude)] = np.nan
    in_air = counts[:, 0].sum(axis=(0, 1)) > 0
    out[(np.abs(value) > 4 * amplitude) & ~in_air] = np.nan
    return out


def _smooth(data: Floats, weight: Floats, amplitude: float) -> tuple[Floats, Floats]:
    """Combine the radii seen with a prior: rings of this amplitude, alike over about 1.5 px.

    A first-order autoregression has a three-banded inverse, so any number of radii is quick.
    """
    count = len(data)
    banded = _prior(count, amplitude)
    banded[1] += weight
    profile = solveh_banded(banded, weight * data)
    variance = np.empty(count)
    step = 200
    for start in range(0, count, step):  # in pieces: the inverse's diagonal without the whole inverse
        units = np.zeros((count, min(step, count - start)))
        units[np.arange(start, start + units.shape[1]), np.arange(units.shape[1])] = 1.0
        columns = solveh_banded(banded, units)
        variance[start : start + units.shape[1]] = columns[
            np.arange(start, start + units.shape[1]), np.arange(units.shape[1])
        ]
    return np.asarray(profile), np.sqrt(np.maximum(variance, 0.0))


def _prior(count: int, amplitude: float) -> Floats:
    """Return the inverse covariance of rings of this amplitude, alike over about 1.5 px, as its upper two bands."""
    rho = float(np.exp(-_BIN_PX / _CORRELATED_PX))
    scale = 1.0 / (amplitude**2 * (1 - rho**2))
    banded = np.zeros((2, count))
    banded[0, 1:] = -rho * scale
    banded[1] = (1 + rho**2) * scale
    banded[1, [0, -1]] = scale
    return banded
