"""Circles and squares about every point of the metal, by correlation: what no known axis points to."""

from collections.abc import Iterator, Sequence
from itertools import islice

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from ctrecon.core.frames import Floats
from ctrecon.seams.field import SeamField
from ctrecon.seams.line_kinds import SeamShape, along
from ctrecon.seams.refine import Scale, SeamCandidate
from ctrecon.shapes import Circle, Rectangle

__all__ = ["scale_anywhere", "search_anywhere"]

_REACH_PX = {2: (4.0, 20.0), 4: (18.0, 60.0), 8: (55.0, 200.0)}
"""Half the sizes that are sought, by the width of the cells."""
_FILLED = 0.8
_FEWEST = 50
_NAMES = ("circle", "square")
_SOME = 4  # every so manieth shape tells the scatter


def search_anywhere(field: SeamField) -> list[SeamCandidate]:
    """Return the strongest circle and square of each sign over the whole depth and over its halves, any centre.

    Works on the fine grey in coarse cells; each line drawn as a picture is correlated with it. All places and
    sizes of one family give the median and the scatter by which the best is judged.
    """
    count = len(field.starts) - 1
    runs = [(0, count - 1)]
    if count >= 4:
        runs += [(0, count // 2 - 1), (count // 2, count - 1)]
    out = []
    for cell in _REACH_PX:
        leads = [lead for name in _NAMES for lead in _family(field.coarser(cell), runs, name)]
        for name in _NAMES:
            for bright in (False, True):
                same = [lead for lead in leads if lead.name == f"any {name}" and lead.bright is bright]
                out += sorted(same, key=lambda lead: -lead.z)[:1]
    return out


def scale_anywhere(field: SeamField, lead: SeamCandidate) -> Scale | None:
    """Return median and scatter of the places and sizes of a lead's family, in a field made for its stretch."""
    same = _family(field, [(0, 0)], lead.name.split()[1], every=_SOME)
    return same[0].scale if same else None


def _family(field: SeamField, runs: Sequence[tuple[int, int]], name: str, *, every: int = 1) -> list[SeamCandidate]:
    """Return the strongest dark and bright line of a family in each stretch of blocks."""
    joined = [field.run(a, b) for a, b in runs]
    rows, columns = np.nonzero(joined[0][1] > 0)
    if len(rows) * field.cell**2 < 200:
        return []
    corner = (int(rows.min()), int(columns.min()))
    cut = (slice(corner[0], int(rows.max()) + 1), slice(corner[1], int(columns.max()) + 1))
    maps = np.array([m[cut] for f, w in joined for m in (f * w, w)], dtype=np.float32)
    height, width = maps.shape[1:]
    least, most = (v / field.cell for v in _REACH_PX[field.cell])
    reach = min(most, min(height, width) / 2)
    if reach <= least:
        return []
    pad = int(np.ceil(reach * 2**0.5)) + 2  # what wraps round either side finds the same empty rim
    size = (fft.next_fast_len(height + pad, real=True), fft.next_fast_len(width + pad, real=True))
    spectra = fft.rfft2(maps, size)
    best: dict[tuple[int, float], tuple[float, SeamShape]] = {}
    pools: list[list[Floats]] = [[] for _ in runs]
    for shape in islice(_shapes(name, least, reach), 0, None, every):
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
            pools[i].append(values[:: max(1, len(values) // 200)].copy())  # a view would keep all of them
            for sign in (1.0, -1.0):
                at = int(np.argmax(sign * raw))
                value = float(raw.flat[at])
                if (i, sign) not in best or sign * value > sign * best[i, sign][0]:
                    y, x = divmod(at, width)
                    best[i, sign] = value, shape.moved(corner[1] + x, corner[0] + y)
    leads = []
    for i, (a, b) in enumerate(runs):
        if sum(map(len, pools[i])) < _FEWEST:
            continue
        everything = np.concatenate(pools[i])
        middle = float(np.median(everything))
        spread = max(1.4826 * float(np.median(np.abs(everything - middle))), 1e-9)
        # the scale is that of sums over blocks, as in the search about known axes
        root = float(sum(field.joined[a : b + 1]) if field.joined else b - a + 1) ** 0.5
        for sign in (1.0, -1.0):
            value, shape = best[i, sign]
            z = sign * (value - middle) / spread
            scale = Scale(middle * root, spread * root)
            leads.append(
                SeamCandidate(f"any {name}", shape, a, b, z, sign < 0, 0.0, scale, value * root, cell=field.cell)
            )
    return leads


def _shapes(name: str, least: float, reach: float) -> Iterator[SeamShape]:
    """Yield the lines to be tried, in steps as coarse as the cells allow."""
    half = least
    while half < reach:
        if name == "circle":
            yield Circle(0.0, 0.0, half)
        else:
            step = float(np.clip(np.degrees(1.5 / half), 2.5, 18.0))
            for turn in np.arange(0, 90 - step / 2, step):
                yield Rectangle(0.0, 0.0, 2 * half, 2 * half, float(turn))
        half += 0.5 if half < 6 else 0.75


def _drawn(shape: SeamShape, size: tuple[int, int]) -> NDArray[np.float32]:
    """Draw a line about the corner pixel, wrapped round, each point shared between its neighbours."""
    points = along(shape)
    low = np.floor(points).astype(np.int64)
    part = points - low
    at, share = [], []
    for dx in (0, 1):
        for dy in (0, 1):
            at.append((low[:, 1] + dy) % size[0] * size[1] + (low[:, 0] + dx) % size[1])
            share.append(np.abs(1 - dx - part[:, 0]) * np.abs(1 - dy - part[:, 1]))
    out = np.bincount(np.concatenate(at), np.concatenate(share), size[0] * size[1]).reshape(size)
    return out.astype(np.float32)
