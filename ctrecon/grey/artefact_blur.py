"""Blur of the scanner, read from edges of any shape, in the slice plane and along depth."""

import numpy as np
from scipy import ndimage
from scipy.optimize import least_squares
from scipy.special import ndtr

from ctrecon.core.frames import Floats
from ctrecon.grey.artefact_scan import Scan

__all__ = ["REACH_PX", "depth_profiles", "edge_profiles", "width_of"]

REACH_PX = 5.0  # px either side of an edge
_STEP_PX = 0.25  # px between places of a profile
_MOST_EDGES = 1500  # places in a slice; more cost time only
_DEPTH_REACH = 4
_FEWEST = 40  # places; fewer show no blur


def edge_profiles(grey: Floats, *, reach_px: float = REACH_PX) -> Floats:
    """Return (N, 2) offsets (px) and grey of profiles square to edges, each centred on its half height.

    Only edges that are straight over their neighbourhood, with even material on both sides, are kept.
    """
    edge = int(reach_px) + 1
    if min(grey.shape) <= 2 * edge:  # no profile fits into it
        return np.empty((0, 2))
    plane = np.where(np.isfinite(grey), grey, np.float32(0.5)).astype(float)
    smooth = ndimage.gaussian_filter(plane, 1.0)
    down, right = np.gradient(smooth)
    slope = np.hypot(down, right)
    unknown = ndimage.binary_dilation(~np.isfinite(grey), iterations=6)
    near = (np.abs(smooth - 0.5) < 0.3) & (slope > 0.6 / reach_px) & ~unknown
    near[:edge], near[-edge:], near[:, :edge], near[:, -edge:] = False, False, False, False
    rows, columns = np.nonzero(near)
    if len(rows) < _FEWEST:
        return np.empty((0, 2))
    some = slice(None, None, max(1, len(rows) // _MOST_EDGES))
    rows, columns = rows[some], columns[some]
    ny, nx = down[rows, columns] / slope[rows, columns], right[rows, columns] / slope[rows, columns]
    offset = np.arange(-reach_px, reach_px + _STEP_PX / 2, _STEP_PX)
    where = np.stack([rows[:, None] + ny[:, None] * offset, columns[:, None] + nx[:, None] * offset])
    # cubic splines pass through the voxels: they add hardly any blur of their own
    values = ndimage.map_coordinates(plane, where, order=3, mode="nearest")
    return _centred(offset, values, straight=_straight(down, right, rows, columns))


def _straight(down: Floats, right: Floats, rows: np.ndarray, columns: np.ndarray) -> np.ndarray:
    """Mark edges whose direction turns by less than a tenth within two voxels to either side."""
    angle = np.arctan2(down, right)
    here = angle[rows, columns]
    good = np.ones(len(rows), dtype=bool)
    for side in (-2, 2):
        r = np.clip(np.round(rows + side * np.cos(here)).astype(int), 0, down.shape[0] - 1)
        c = np.clip(np.round(columns - side * np.sin(here)).astype(int), 0, down.shape[1] - 1)
        turn = np.abs((angle[r, c] - here + np.pi) % (2 * np.pi) - np.pi)
        good &= turn < 0.25
    return good


def _centred(offset: Floats, values: Floats, *, straight: np.ndarray) -> Floats:
    """Scale each profile to its own two levels, centre it on its half height, and put all together."""
    side = max(2, round(1.25 / float(offset[1] - offset[0])) if len(offset) > 20 else 2)
    low, high = values[:, :side].mean(axis=1), values[:, -side:].mean(axis=1)
    good = straight & (high - low > 0.6) & (np.abs(low) < 0.35) & (np.abs(high - 1) < 0.35)
    values, low, high = values[good], low[good], high[good]
    if not len(values):
        return np.empty((0, 2))
    scaled = (values - low[:, None]) / (high - low)[:, None]
    return _aligned(offset, scaled)


def _aligned(offset: Floats, scaled: Floats) -> Floats:
    """Centre each profile on its own half height: an error function is laid through it by least squares.

    What the noise of the centre adds to the width is worked out and taken off the offsets' spread.
    """
    steep = np.abs(scaled - 0.5) < 0.35
    centre = np.where(steep, offset, 0.0).sum(axis=1) / np.maximum(steep.sum(axis=1), 1)
    good = steep.any(axis=1)
    sigma = 0.9
    for _ in range(8):
        z = (offset[None, :] - centre[:, None]) / sigma
        slope = np.exp(-0.5 * z * z) / (sigma * np.sqrt(2 * np.pi))
        move = ((scaled - ndtr(z)) * slope).sum(axis=1) / np.maximum((slope * slope).sum(axis=1), 1e-6)
        centre = centre - np.clip(move, -0.5, 0.5)
    good &= (np.abs(centre) < np.abs(offset).max() * 0.5) & (np.abs(move) < 0.05)
    away = offset[None, :] - centre[good][:, None]
    return np.column_stack([away.ravel(), scaled[good].ravel()])


def depth_profiles(scan: Scan) -> Floats:
    """Return (N, 2) offsets (slices) and grey of columns that pass through a face, centred on their half height.

    A face shows in neighbouring columns at nearly the same depth; a wall along the depth does not.
    """
    grey = scan.columns
    count = grey.shape[0]
    reach = _DEPTH_REACH
    if count < 2 * reach + 1:
        return np.empty((0, 2))
    out = []
    with np.errstate(invalid="ignore"):
        inside = grey > 0.5
    for k in range(reach, count - reach - 1):
        turn = inside[k] != inside[k + 1]
        if not turn.any():
            continue
        near = ndimage.uniform_filter(
            (inside[k - 1 : k + 2] != inside[k : k + 3]).any(axis=0).astype(np.float32), 3, mode="constant"
        )
        rows, columns = np.nonzero(turn & (near > 0.99))
        if not len(rows):
            continue
        values = grey[k - reach : k + reach + 2, rows, columns].T.astype(float)
        falling = values[:, 0] > 0.5
        values[falling] = values[falling][:, ::-1]
        out.append(values[np.isfinite(values).all(axis=1)])
    values = np.concatenate(out) if out else np.empty((0, 2 * reach + 2))
    if len(values) < 2:
        return np.empty((0, 2))
    values = values[:: max(1, len(values) // 4000)]
    offset = np.arange(2 * reach + 2) - reach - 0.5
    return _centred(offset, values, straight=np.ones(len(values), dtype=bool))


def width_of(profile: Floats, *, box: float = 1.0, reach: float = 4.0) -> float | None:
    """Return the blur (sigma, in steps of the profile) from centred profiles, or None with too few of them.

    Parameters
    ----------
    profile : (N, 2) array
        Offset and grey.
    box : float
        Width of the voxel itself, whose averaging is taken off.
    reach : float
        Offsets up to this are used.
    """
    if len(profile) < 20 * _FEWEST:
        return None
    edges = np.arange(-reach, reach + 0.01, 0.25)
    which = np.digitize(profile[:, 0], edges)
    at, value = [], []
    for b in range(1, len(edges)):
        mine = profile[which == b]
        if len(mine) >= 10:
            at.append(float(mine[:, 0].mean()))
            value.append(float(np.median(mine[:, 1])))
    if len(at) < 8:
        return None
    x, y = np.array(at), np.array(value)

    def miss(p: Floats) -> Floats:
        return np.asarray(p[2] + (p[3] - p[2]) * ndtr((x - p[0]) / p[1]) - y)

    fit = least_squares(miss, [0.0, 0.9, 0.0, 1.0], bounds=([-1, 0.1, -0.3, 0.7], [1, 5.0, 0.3, 1.3]))
    sigma2 = float(fit.x[1]) ** 2 - box**2 / 12
    return float(np.sqrt(max(sigma2, 0.01)))
