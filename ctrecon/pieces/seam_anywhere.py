"""Circles and squares about every point of the metal, by correlation: what no known axis points to."""

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from ctrecon.core.frames import Floats
from ctrecon.pieces.seam_field import SeamField
from ctrecon.pieces.seam_paths import SeamShape, along
from ctrecon.pieces.seam_refine import Lead, Scale
from ctrecon.shapes import Circle, Rectangle

__all__ = ["scale_anywhere", "search_anywhere"]

_COARSE = 2
_LEAST_PX, _MOST_PX = 4.0, 60.0
_MOST_SQUARE_PX = 40.0
_FILLED = 0.8
_FEWEST = 50
_NAMES = ("circle", "square")


def search_anywhere(field: SeamField) -> list[Lead]:
    """Return the strongest circle and square of each sign over the whole depth and over its halves, any centre.

    Works on the fine grey binned two by two; each line drawn as a picture is correlated with it. All places and
    sizes of one family give the median and the scatter by which the best is judged.
    """
    count = len(field.starts) - 1
    runs = [(0, count - 1)]
    if count >= 4:
        runs += [(0, count // 2 - 1), (count // 2, count - 1)]
    leads = [lead for name in _NAMES for lead in _family(field, runs, name)]
    out = []
    for name in _NAMES:
        for bright in (False, True):
            same = [lead for lead in leads if lead.name == f"any {name}" and lead.bright is bright]
            out += sorted(same, key=lambda lead: -lead.z)[:1]
    return out


def scale_anywhere(field: SeamField, lead: Lead) -> Scale | None:
    """Return median and scatter of all places and sizes of a lead's family over its stretch of depth."""
    same = _family(field, [(lead.first, lead.last)], lead.name.split()[1])
    return same[0].scale if same else None


def _family(field: SeamField, runs: Sequence[tuple[int, int]], name: str) -> list[Lead]:
    """Return the strongest dark and bright line of a family in each stretch of blocks."""
    joined = [field.run(a, b) for a, b in runs]
    rows, columns = np.nonzero(joined[0][1] > 0)
    if len(rows) < 200:
        return []
    corner = (max(int(rows.min()) - 2, 0), max(int(columns.min()) - 2, 0))
    cut = (slice(corner[0], int(rows.max()) + 3), slice(corner[1], int(columns.max()) + 3))
    maps = np.array([_binned(m[cut]) for f, w in joined for m in (f * w, w)])
    height, width = maps.shape[1:]
    reach = min(_MOST_PX if name == "circle" else _MOST_SQUARE_PX, min(height, width) * _COARSE / 2 - 1)
    pad = 2 * int(np.ceil(reach * 2**0.5 / _COARSE)) + 2
    size = (fft.next_fast_len(height + pad, real=True), fft.next_fast_len(width + pad, real=True))
    spectra = fft.rfft2(maps, size)
    best: dict[tuple[int, float], tuple[float, SeamShape]] = {}
    pools: list[list[Floats]] = [[] for _ in runs]
    for shape in _shapes(name, reach):
        template = np.conj(fft.rfft2(_drawn(shape, size), size))
        total = float(len(along(shape)))
        sums = fft.irfft2(spectra * template, size)[:, :height, :width]
        for i in range(len(runs)):
            filled = sums[2 * i + 1] / total
            good = filled > _FILLED
            if not good.any():
                continue
            raw = np.where(good, -sums[2 * i] / np.sqrt(np.maximum(sums[2 * i + 1], 1e-6)), 0.0)
            values = raw[good]
            pools[i].append(values[:: max(1, len(values) // 200)])
            for sign in (1.0, -1.0):
                at = int(np.argmax(sign * raw))
                value = float(raw.flat[at])
                if (i, sign) not in best or sign * value > sign * best[i, sign][0]:
                    y, x = divmod(at, width)
                    best[i, sign] = value, _moved(shape, corner[1] + _COARSE * x + 0.5, corner[0] + _COARSE * y + 0.5)
    leads = []
    for i, (a, b) in enumerate(runs):
        if sum(map(len, pools[i])) < _FEWEST:
            continue
        everything = np.concatenate(pools[i])
        middle = float(np.median(everything))
        spread = max(1.4826 * float(np.median(np.abs(everything - middle))), 1e-9)
        root = (b - a + 1) ** 0.5  # the scale is that of sums over blocks, as in the search about known axes
        for sign in (1.0, -1.0):
            value, shape = best[i, sign]
            z = sign * (value - middle) / spread
            scale = Scale(middle * root, spread * root)
            leads.append(Lead(f"any {name}", shape, a, b, z, sign < 0, 0.0, scale, value * root))
    return leads


def _binned(picture: Floats) -> NDArray[np.float32]:
    rows, columns = (n // _COARSE * _COARSE for n in picture.shape)
    cells = picture[:rows, :columns].reshape(rows // _COARSE, _COARSE, columns // _COARSE, _COARSE)
    return np.asarray(cells.mean(axis=(1, 3)), dtype=np.float32)


def _shapes(name: str, reach: float) -> Iterator[SeamShape]:
    """Yield the lines to be tried, in steps as coarse as the binned grey allows."""
    half = _LEAST_PX
    while half < reach:
        if name == "circle":
            yield Circle(0.0, 0.0, half)
        else:
            step = float(np.clip(np.degrees(3.0 / half), 5.0, 18.0))
            for turn in np.arange(0, 90 - step / 2, step):
                yield Rectangle(0.0, 0.0, 2 * half, 2 * half, float(turn))
        half += 1.0 if half < 12 else 1.5


def _drawn(shape: SeamShape, size: tuple[int, int]) -> NDArray[np.float32]:
    """Draw a line about the corner pixel, wrapped round, each point shared between its neighbours."""
    points = along(shape) / _COARSE
    low = np.floor(points).astype(np.int64)
    part = points - low
    at, share = [], []
    for dx in (0, 1):
        for dy in (0, 1):
            at.append((low[:, 1] + dy) % size[0] * size[1] + (low[:, 0] + dx) % size[1])
            share.append(np.abs(1 - dx - part[:, 0]) * np.abs(1 - dy - part[:, 1]))
    out = np.bincount(np.concatenate(at), np.concatenate(share), size[0] * size[1]).reshape(size)
    return out.astype(np.float32)


def _moved(shape: SeamShape, x: float, y: float) -> SeamShape:
    if isinstance(shape, Circle):
        return Circle(x, y, shape.radius)
    assert isinstance(shape, Rectangle)
    return Rectangle(x, y, shape.a, shape.b, shape.turn_deg)
