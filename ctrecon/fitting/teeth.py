"""Whether an outline is a toothed rim: even waves of its radius, whole or broken, coarse or as fine as blur allows."""

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.fitting.wheel_start import tip_circle

__all__ = ["is_toothed"]

_LEAST_TEETH, _MOST_TEETH = 10, 150
_LEAST_PITCH_PX = 3.0  # finer teeth leave nothing at the resolution of a scan
_LEAST_WAVE_PX = 0.1  # what the pixel grid and noise leave on a mean plane stays below a fifth of it
_CLEAR = 4.5
"""Least height of a wave over those with a few teeth more or less: bitten, broken and turned rims stay below 3.6,
broken wheels reach 5.3 and more (random worn parts of known truth)."""
_BESIDE = 6
_ALONE = 2.0  # the same over the highest of those
_COMB = 0.3
_BANDS = (2.0, 5.0)  # px below the tips within which a rim is looked at: fine and middling teeth
_DEEP = 0.35  # of the radius; the same for coarse teeth
_TIP_PX = 2.0  # px below the outermost point that count as a tip
_TIPS_SEEN = 0.4  # share of the pitches that still have a tip: the corners of a plate fill fewer
_LEAST_POINTS = 60  # of an outline; fewer show no teeth


def is_toothed(points: Floats) -> bool:
    """Recognise a toothed rim by one wave of its radius that stands out from all with a few teeth more or less.

    Parameters
    ----------
    points : (N, 2) array
        Points at even steps along the closed outline, px.

    Notes
    -----
    The radius is counted from the circle through the tips, which the convex hull shows even where a third of the wheel
    is missing. Bites and fractures have waves of any number, falling off evenly; teeth have one and its multiples.
    """
    tips = tip_circle(points, least=_LEAST_TEETH) if len(points) >= _LEAST_POINTS else None
    if tips is None:
        return False
    x, y, outer = tips
    off = points - [x, y]
    radius, angle = np.hypot(*off.T), np.arctan2(off[:, 1], off[:, 0])
    count = np.arange(1, int(min(_MOST_TEETH, 2 * np.pi * outer / _LEAST_PITCH_PX)) + 1)
    turns = np.exp(-1j * np.outer(count, angle))
    for deep in (*_BANDS, _DEEP * outer):
        near = radius > outer - deep
        if near.sum() < _LEAST_POINTS // 2:
            continue
        wave = 2 * np.abs(turns[:, near] @ (radius[near] - radius[near].mean())) / near.sum()
        for n in range(_LEAST_TEETH, len(count) - _BESIDE):
            if _stands_out(wave, n) and not _of_corners(wave, n) and _tips_seen(radius, angle, outer, n):
                return True
    return False


def _stands_out(wave: Floats, n: int) -> bool:
    """Return whether the wave n times round (first entry: once) stands out from those three to six more or less."""
    fewer, more = wave[n - 1 - _BESIDE : n - 3], wave[n + 2 : n + _BESIDE]
    usual, highest = max(np.median(fewer), np.median(more)), max(fewer.max(), more.max())
    return bool(wave[n - 1] > max(_LEAST_WAVE_PX, _CLEAR * usual, _ALONE * highest))


def _of_corners(wave: Floats, n: int) -> bool:
    """Recognise one wave of a comb: a cross or a plate has all multiples of its few corners, teeth only their own."""
    for few in range(2, _LEAST_TEETH):
        if n % few == 0:
            comb = [k for k in range(few, min(2 * n, len(wave)), few) if 2 * k > n and k % n]
            if comb and np.median(wave[np.array(comb) - 1]) > _COMB * wave[n - 1]:
                return True
    return False


def _tips_seen(radius: Floats, angle: Floats, outer: float, teeth: int) -> bool:
    pitch = ((angle + np.pi) / (2 * np.pi) * teeth).astype(int) % teeth
    return len(np.unique(pitch[radius > outer - _TIP_PX])) >= _TIPS_SEEN * teeth
