"""Where the teeth of a rim begin to be fitted: the wave of the grey along its circle, and every tooth by its phase."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.spatial import ConvexHull, QhullError

from ctrecon.core.frames import Floats
from ctrecon.fitting.outline_candidates import circle_of

__all__ = ["RimWave", "find_teeth", "gap_floor", "rim_wave", "shows_teeth", "tip_circle"]

_LEAST_TEETH, _MOST_TEETH = 6, 400
_LEAST_PITCH_PX = 3.0  # finer teeth leave nothing at the resolution of a scan
_BANDS = (1.5, 2.5, 4.0, 6.5, 10.0, 16.0, 26.0, 40.0)  # px below the circle of the tips
_DEEPEST = 0.45  # of the radius of the tips
_AS_CLEAR = 0.4  # of the clearest wave's height over its neighbours
_CLEAR = 7.0
"""Least height of a wave over its neighbours: sound, eaten and broken round rims stay below 5.5, rims of teeth reach 11
(random worn parts of known truth)."""
_LEAST_WAVE_PX = 0.1
"""Least height of a wave of teeth, as far as it moves the edge: the grid of the voxels leaves a wave of its own on a
clean round rim, of 0.01 px; teeth of four pixels a pitch move it by half a pixel."""
_COMB = 0.3  # of the wave's height
_LEAST_RADIUS_PX = 6.0
_PER_PX = 3.0  # angles per px of the rim
_BAND = 0.3  # standard deviation of the band, of the wave's number
_CREST = 0.35  # of the height of most crests; lower ones are a lost tooth's neighbours


@dataclass(frozen=True, eq=False)
class RimWave:
    """The wave of teeth about a centre: its number round a whole rim, to within one.

    `signal` is the grey at even angles, summed from `low` to `high` (px of radius); `clear` how far the wave stands
    above those of other numbers.
    """

    x: float
    y: float
    number: int
    low: float
    high: float
    clear: float
    signal: Floats


def tip_circle(points: Floats, *, least: int = _LEAST_TEETH) -> tuple[float, float, float] | None:
    """Return centre and radius of the circle through the outermost points of an outline (at least so many), px."""
    try:
        hull = points[np.sort(ConvexHull(points).vertices)]
    except QhullError:
        return None
    circle = circle_of(hull, 1.0) if len(hull) >= least else None
    return None if circle is None else (circle.x, circle.y, circle.radius)


def polar(plane: Floats, x: float, y: float, radii: Floats, count: int) -> Floats:
    """Return the plane at `count` even angles (columns) and some radii (rows), bilinear."""
    angle = 2 * np.pi * np.arange(count) / count
    rows = y + radii[:, None] * np.sin(angle)
    columns = x + radii[:, None] * np.cos(angle)
    return np.asarray(ndimage.map_coordinates(plane, [rows, columns], order=1, mode="nearest"))


def rim_wave(plane: Floats, x: float, y: float, outer: float) -> RimWave | None:
    """Return the even wave of the grey within a circle through the tips that moves the most metal.

    Parameters
    ----------
    plane : (rows, columns) array
        Mean plane, air 0 and metal 1.
    x, y, outer : float
        Circle through the tips as the half-height outline shows it, px.
    """
    plane = _without_windows(plane)
    count = int(2 * np.pi * outer * _PER_PX)
    found: list[tuple[float, RimWave]] = []
    most = int(min(_MOST_TEETH, 2 * np.pi * outer / _LEAST_PITCH_PX))
    for deep in _BANDS:
        if deep > _DEEPEST * outer:
            break
        band = polar(plane, x, y, np.arange(outer - deep, outer + 1.01, 0.5), count)
        signal = np.clip(band, -0.2, 1.2).mean(axis=0)
        wave = np.abs(np.fft.rfft(signal - signal.mean())) / count
        # a band this deep belongs to teeth of a pitch of one to six times that
        low = max(_LEAST_TEETH, int(2 * np.pi * outer / (6.0 * deep + 4)))
        high = min(most, int(2 * np.pi * outer / (deep + 1)))
        for n in range(low, high + 1):
            if wave[n] < max(wave[n - 1], wave[n + 1]):
                continue
            others = np.r_[max(n - 9, 2) : max(n - 3, 2), n + 4 : n + 10]
            own = np.abs((others + 1) % n - 1) <= 1  # multiples of the wave are its own
            beside = wave[others[~own]]
            here = float(np.sqrt(np.sum(wave[n - 1 : n + 2] ** 2)))
            if 2 * here * (deep + 1) < _LEAST_WAVE_PX:
                continue
            clear = here / float(np.sqrt(np.mean(beside**2)) + 1e-9)
            found.append((here * (deep + 1), RimWave(x, y, n, outer - deep, outer + 1.0, clear, signal)))
    if not found:
        return None
    clearest = max(one.clear for _, one in found)
    return max((one for one in found if one[1].clear >= _AS_CLEAR * clearest), key=lambda one: one[0])[1]


def _without_windows(plane: Floats) -> Floats:
    """Return the plane with its holes filled: spokes move more metal than teeth, but only gaps are open outwards."""
    metal = plane > 0.5
    holes = ndimage.binary_dilation(ndimage.binary_fill_holes(metal) & ~metal)
    return np.where(holes, np.maximum(plane, 1.0), plane)


def gap_floor(plane: Floats, wave: RimWave, angles: Floats) -> float | None:
    """Return the radius at which the gaps between teeth reach metal; None where the teeth are too fine to show it."""
    steps = np.diff(angles)
    near = steps < 1.5 * np.median(steps)
    middle = (angles[:-1] + angles[1:])[near] / 2
    radii = np.arange(wave.high, 0.5 * wave.high, -0.25)
    if not len(middle):
        return None
    rows, columns = wave.y + radii[:, None] * np.sin(middle), wave.x + radii[:, None] * np.cos(middle)
    profile = np.median(ndimage.map_coordinates(plane, [rows, columns], order=1, mode="nearest"), axis=1)
    if profile[int(2.5 / 0.25) :].min(initial=1.0) > 0.5:
        return None
    start = int(np.argmax(profile < 0.5))
    inside = np.flatnonzero(profile[start:] >= 0.5)
    return float(radii[start + inside[0]]) if len(inside) else None


def find_teeth(wave: RimWave) -> Floats:
    """Return the angles (radians, ascending) at which the wave has a crest as high as most others.

    The signal is passed through a band about the wave's number, wide enough for a tooth that stands off its place.
    """
    count = len(wave.signal)
    spectrum = np.fft.rfft(wave.signal - wave.signal.mean())
    n = np.arange(len(spectrum))
    spectrum *= 2 * np.exp(-0.5 * ((n - wave.number) / (_BAND * wave.number)) ** 2)
    padded = np.zeros(count, dtype=complex)
    padded[: len(spectrum)] = spectrum
    passed = np.fft.ifft(padded)
    crest = (passed.real > np.roll(passed.real, 1)) & (passed.real >= np.roll(passed.real, -1))
    high = np.abs(passed)
    typical = np.quantile(high[crest], 0.7) if crest.any() else 0.0
    at = np.flatnonzero(crest & (high > _CREST * typical))
    # the top of the parabola through three samples
    before, here, after = (passed.real[(at + k) % count] for k in (-1, 0, 1))
    top = at + 0.5 * (before - after) / np.minimum(before - 2 * here + after, -1e-12)
    return np.asarray(np.sort(2 * np.pi * top / count % (2 * np.pi)))


def shows_teeth(plane: Floats, points: Floats) -> bool:
    """Recognise a toothed rim by one wave of the grey along its outside that stands out from all others.

    Parameters
    ----------
    plane : (rows, columns) array
        Mean plane, air 0 and metal 1.
    points : (N, 2) array
        Its outline, px of the plane.

    Notes
    -----
    Bites and fractures have waves of any number, falling off evenly; teeth have one and its multiples. A cross or a
    plate has all multiples of its few corners.
    """
    circle = tip_circle(points)
    if circle is None or circle[2] < _LEAST_RADIUS_PX:
        return False
    wave = rim_wave(plane, *circle)
    return wave is not None and wave.clear > _CLEAR and not _of_corners(wave)


def _of_corners(wave: RimWave) -> bool:
    """Recognise one wave of a comb: the multiples of a few corners, of which teeth have only their own."""
    size = np.abs(np.fft.rfft(wave.signal - wave.signal.mean()))
    for few in range(2, _LEAST_TEETH):
        if wave.number % few == 0:
            comb = [k for k in range(few, 2 * wave.number, few) if k % wave.number]
            if comb and np.median(size[comb]) > _COMB * size[wave.number]:
                return True
    return False
