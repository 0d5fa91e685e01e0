"""Search for a closed line of lower (or higher) grey round a centre, calibrated on the stack itself."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from ctrecon.core.frames import Floats
from ctrecon.shapes import Circle, Rectangle
from ctrecon.slices.square_up import SquaredStack

__all__ = ["Found", "search"]

_STEP_PX = 0.5
_LEAST_RADIUS_PX = 5.0
_ANGLES = 180
_TURNS = 45
_CLEAR_PX = 6.5
_BLOCKS = 32
_DETECT = 9.0
_FILLED = 0.55
_FOOTPRINT = 8


@dataclass(frozen=True, eq=False)
class Found:
    """A seam as found on the search grid: shape (px), planes, strength in robust standard deviations."""

    kind: str
    shape: Circle | Rectangle
    first: int
    last: int
    strength: float
    bright: bool


def search(squared: SquaredStack, solid: dict[int, Floats], x: float, y: float, reach: float) -> Found | None:
    """Search for the strongest square or round seam centred within a pixel of (x, y).

    Every plane is unrolled about the centre and filtered along the radius with a kernel
    matched to a thin dip; the filtered grey is summed along all squares (size, turn) and
    circles, block by block through depth. Each block's scores are set against their own
    median and MAD, so rings and correlated noise raise the bar instead of the alarm; the
    best run of blocks must pass 9 such deviations and show on all sides.
    """
    radii = np.arange(_LEAST_RADIUS_PX, reach, _STEP_PX)
    if len(radii) < 20:
        return None
    unrolled, valid, starts = _unroll(squared, solid, x, y, radii)
    if unrolled is None:
        return None
    best: tuple[float, str, int, int, int, int, float, float] | None = None
    for kind in ("square_seam", "round_seam"):
        indices, turns = _paths(kind, radii)
        z, fill = _scores(unrolled, valid, indices)
        for sign in (1.0, -1.0):
            hit = _best_run(sign * z, fill)
            if hit is None or hit[0] < _DETECT:
                continue
            score, block_a, block_b, t, h = hit
            depth = _mean_depth(unrolled, valid, indices[t, h], block_a, block_b) * sign
            # a circle shares a third of its length with a square: the deeper mean dip decides
            if best is None or depth > best[-1]:
                best = (score, kind, block_a, block_b, t, h, sign, depth)
    if best is None:
        return None
    score, kind, block_a, block_b, t, h, sign, _ = best
    indices, turns = _paths(kind, radii)
    if not _on_all_sides(unrolled, valid, indices[t, h], block_a, block_b, sign, kind, float(turns[t])):
        return None
    size = float(radii[h])
    shape: Circle | Rectangle = (
        Circle(x, y, size) if kind == "round_seam" else Rectangle(x, y, 2 * size, 2 * size, float(turns[t]))
    )
    return Found(kind, shape, starts[block_a], starts[block_b + 1] - 1, score, sign < 0)


def _unroll(
    squared: SquaredStack, solid: dict[int, Floats], x: float, y: float, radii: Floats
) -> tuple[Floats | None, Floats, list[int]]:
    """Return filtered grey (blocks, radii, angles), share of valid planes, and the first plane of every block."""
    angle = np.arange(_ANGLES) * 2 * np.pi / _ANGLES
    where = np.stack([y + radii[:, None] * np.sin(angle), x + radii[:, None] * np.cos(angle)])
    half = round(3.5 / _STEP_PX)
    offset = np.arange(-half, half + 1) * _STEP_PX
    kernel = np.exp(-0.5 * (offset / 0.95) ** 2)
    kernel -= kernel.mean()
    kernel /= -np.sqrt((kernel**2).sum())
    planes = [k for k in range(len(squared)) if (solid[k] > _CLEAR_PX).sum() > 100]
    if len(planes) < 4:
        return None, np.empty(0), []
    first, last = planes[0], planes[-1]
    size = max(3, int(np.ceil((last - first + 1) / _BLOCKS)))
    starts = list(range(first, last + 1, size))
    out = np.zeros((len(starts), len(radii), _ANGLES), dtype=np.float32)
    share = np.zeros_like(out)
    for b, start in enumerate(starts):
        stop = min(start + size, last + 1)
        for k in range(start, stop):
            # metal must go on for two planes above and below: faces are no seams
            clear = np.minimum.reduce([solid[min(max(j, 0), len(squared) - 1)] for j in (k - 2, k, k + 2)]).astype(
                np.float32
            )
            grey = ndimage.map_coordinates(np.nan_to_num(squared.plane(k)), where, order=1, mode="constant")
            good = ndimage.map_coordinates(clear, where, order=0, mode="constant") > _CLEAR_PX
            filtered = ndimage.correlate1d(grey, kernel, axis=0, mode="nearest")
            out[b] += np.where(good, filtered, 0.0)
            share[b] += good
        with np.errstate(invalid="ignore", divide="ignore"):
            out[b] = np.where(share[b] > 0, out[b] / share[b], 0.0)
        share[b] /= stop - start
    return out, share, [*starts, last + 1]


def _paths(kind: str, radii: Floats) -> tuple[np.ndarray, Floats]:
    """Radius index along each candidate outline (turns, sizes, angles); -1 outside the grid."""
    angle = np.arange(_ANGLES) * 2 * np.pi / _ANGLES
    if kind == "round_seam":
        index = np.repeat(np.arange(len(radii))[None, :, None], _ANGLES, axis=2)
        return index, np.zeros(1)
    turns = np.arange(_TURNS) * 90.0 / _TURNS
    folded = (angle[None, :] - np.radians(turns)[:, None] + np.pi / 4) % (np.pi / 2) - np.pi / 4
    reach = radii[None, :, None] / np.cos(folded)[:, None, :]
    index = np.round((reach - radii[0]) / _STEP_PX).astype(np.int64)
    return np.where(index < len(radii), index, -1), turns


def _scores(unrolled: Floats, valid: Floats, indices: np.ndarray) -> tuple[Floats, Floats]:
    """Robust z of every candidate in every block (blocks, turns, sizes), and its filled share."""
    blocks = len(unrolled)
    turns, sizes, angles = indices.shape
    z = np.zeros((blocks, turns, sizes), dtype=np.float32)
    fill = np.zeros_like(z)
    at = np.arange(angles)
    for t in range(turns):
        index = indices[t]
        inside = index >= 0
        path = np.where(inside, index, 0)
        long = (path + 6.0).astype(np.float32)
        # arc length grows with distance from the centre: weigh by it, so all of a flat counts alike
        weight = valid[:, path, at]
        weight *= inside * long
        full = long.sum(axis=1)
        norm = np.sqrt(np.einsum("bha,bha->bh", weight, weight))
        with np.errstate(invalid="ignore", divide="ignore"):
            z[:, t] = np.where(norm > 0, np.einsum("bha,bha->bh", unrolled[:, path, at], weight) / norm, 0.0)
        fill[:, t] = weight.sum(axis=2) / full
    for b in range(blocks):
        good = fill[b] > _FILLED
        if good.sum() < 20:
            fill[b] = 0
            continue
        calm = good.copy()
        if turns == 1:  # few sizes: a line's own response would widen the scatter it is judged by
            peak = int(np.argmax(np.where(good[0], np.abs(z[b][0] - np.median(z[b][good])), -1)))
            calm[0, max(0, peak - _FOOTPRINT) : peak + _FOOTPRINT + 1] = False
            if calm.sum() < 12:
                calm = good
        middle = np.median(z[b][calm])
        spread = 1.4826 * np.median(np.abs(z[b][calm] - middle))
        z[b] = np.where(good, (z[b] - middle) / max(float(spread), 1e-9), 0.0)
    return z, fill


def _best_run(z: Floats, fill: Floats) -> tuple[float, int, int, int, int] | None:
    """Best candidate over any run of blocks: (score, first block, last block, turn, size)."""
    blocks, turns, sizes = z.shape
    total = np.concatenate([np.zeros((1, turns, sizes)), np.cumsum(np.clip(z, -8, 300), axis=0)])
    usable = np.concatenate([np.zeros((1, turns, sizes)), np.cumsum(fill > _FILLED, axis=0)])
    best: tuple[float, int, int, int, int] | None = None
    for a in range(blocks):
        for b in range(a, blocks):
            whole = usable[b + 1] - usable[a] == b - a + 1
            if not whole.any():
                break
            score = np.where(whole, (total[b + 1] - total[a]) / np.sqrt(b - a + 1), -np.inf)
            at = int(np.argmax(score))
            if best is None or score.flat[at] > best[0]:
                best = (float(score.flat[at]), a, b, at // sizes, at % sizes)
    return best


def _mean_depth(unrolled: Floats, valid: Floats, index: np.ndarray, a: int, b: int) -> float:
    """Mean filtered grey along an outline over a run of blocks."""
    at = np.arange(len(index))
    path = np.where(index >= 0, index, 0)
    weight = valid[a : b + 1, path, at] * (index >= 0) * (path + 6.0)
    return float((unrolled[a : b + 1, path, at] * weight).sum() / max(float(weight.sum()), 1e-9))


def _on_all_sides(
    unrolled: Floats, valid: Floats, index: np.ndarray, a: int, b: int, sign: float, kind: str, turn: float
) -> bool:
    """Tell whether the dip shows on at least three of the four quarters of the outline, none against it."""
    at = np.arange(len(index))
    path = np.where(index >= 0, index, 0)
    line = sign * unrolled[a : b + 1, path, at]
    good = (valid[a : b + 1, path, at] > 0) & (index >= 0)
    offset = turn if kind == "square_seam" else 45.0
    quarter = (((at * 360 / len(index)) - offset + 45) % 360 // 90).astype(int)
    # the grey a few pixels further in and out gives the scatter of one sample
    away = np.concatenate([unrolled[a : b + 1, np.clip(path + k, 0, unrolled.shape[1] - 1), at][good] for k in (-8, 8)])
    scatter = 1.4826 * float(np.median(np.abs(away - np.median(away)))) + 1e-9 if away.size else 1e-9
    seen = []
    for q in range(4):
        pick = good & (quarter == q)
        # neighbouring samples share their noise: about one in four is independent
        independent = max(float(pick.sum()) / 4, 1.0)
        seen.append(float(line[pick].mean()) / scatter * np.sqrt(independent) if pick.sum() > 10 else 0.0)
    return sum(s > 3 for s in seen) >= 3 and min(seen) > -3
