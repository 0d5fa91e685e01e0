"""A close look at some slices: even metal and air, fine grey, noise, cupping and streaks."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.frames import Floats
from ctrecon.grey.artefact_blur import REACH_PX, edge_profiles, width_of
from ctrecon.grey.artefact_scan import Scan
from ctrecon.grey.levels import Levels
from ctrecon.grey.ring_centre import EvenGrey
from ctrecon.slices.stack import SliceStack

__all__ = ["Look", "even_masks", "look_closely"]

_MOST_VOXELS = 5_000_000  # looked at; more cost time only
_FEWEST, _MOST = 6, 16
_BLOCKS = 4
_TREND_PX = 15  # px over which even metal is levelled
_FAINT = 0.06
_MARGIN_PX = 2.0  # px that even metal keeps from its edges
_EDGE_SLICES = 6
_MOST_A_SLICE = 3_000_000  # voxels; of larger slices bands of rows are looked at: more cost time and memory only
_BAND, _HALO = 128, 24  # rows of a band, and how far masks and trends reach beyond it
_ROW_OF_METAL = 0.1  # of the metal in the row that holds most


@dataclass(frozen=True, eq=False)
class Look:
    """What a close look at some slices gave; `None` where it is unknown.

    Attributes
    ----------
    even : EvenGrey
        Fine grey of even material, for the search of rings.
    psf_px : float or None
        Blur in the slice plane (sigma of a Gaussian, without the voxel's own width).
    noise : float or None
        Standard deviation of one voxel in even material, share of the contrast.
    along_rows, along_depth : float or None
        Correlation of the noise between neighbouring voxels of a slice, and between neighbouring slices.
    cupping : float or None
        Rise of the metal's grey from its middle to its rim, share of the contrast.
    streaks : float or None
        Unevenness of the air from direction to direction, share of the contrast.
    """

    even: EvenGrey
    psf_px: float | None
    noise: float | None
    along_rows: float | None
    along_depth: float | None
    cupping: float | None
    streaks: float | None


def even_masks(grey: Floats, margin_px: float = _MARGIN_PX) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return where a normalised plane is even air and even metal, clear of every edge by about 1.75 margins."""
    known = np.isfinite(grey)
    flat = ndimage.uniform_filter(np.where(known, grey, np.float32(0.5)), 3)
    metal = (flat > 0.5) & known
    near_metal = ndimage.gaussian_filter(metal.astype(np.float32), margin_px, truncate=3.0, mode="nearest")
    # a holder or foam is fainter than metal: it shows in means over more voxels, metal left out
    apart = np.where((near_metal < 0.08) & known, grey, np.float32(0))
    other = (flat > 0.2) | (ndimage.uniform_filter(apart, 7) > _FAINT) | ~known
    near_other = ndimage.gaussian_filter(other.astype(np.float32), margin_px, truncate=3.0, mode="nearest")
    return (near_other < 0.08) & known, (near_metal > 0.96) & known


def _fine(grey: Floats, air: NDArray[np.bool_], metal: NDArray[np.bool_]) -> Floats:
    """Return the grey less its own slow trend, worked out in each material by itself.

    A surface of fourth order goes first: cupping must not leak in where the even material
    ends and a local mean would lean to one side.
    """
    out = np.zeros(grey.shape, dtype=np.float32)
    for mask in (air, metal):
        if np.count_nonzero(mask) < 200:
            continue
        slow = _surface(grey, mask)
        rows, columns = ndimage.find_objects(mask.view(np.uint8))[0]  # nothing of it is outside its box
        own = mask[rows, columns]
        flat = np.where(own, grey[rows, columns] - slow[rows, columns], np.float32(0))
        weight, value = own.astype(np.float32), flat
        for _ in range(2):
            weight = ndimage.uniform_filter(weight, _TREND_PX, mode="constant")
            value = ndimage.uniform_filter(value, _TREND_PX, mode="constant")
        out[rows, columns][own] = flat[own] - value[own] / np.maximum(weight[own], 1e-6)
    return out


def _surface(grey: Floats, mask: NDArray[np.bool_]) -> Floats:
    """Return a surface of fourth order through the grey of one material."""
    rows, columns = np.nonzero(mask)
    some = slice(None, None, max(1, len(rows) // 6000))
    v = np.linspace(-1, 1, grey.shape[0])
    u = np.linspace(-1, 1, grey.shape[1])
    down, right = np.polynomial.chebyshev.chebvander(v, 4), np.polynomial.chebyshev.chebvander(u, 4)
    terms = [(i, j) for i in range(5) for j in range(5 - i)]
    table = np.column_stack([down[rows[some], i] * right[columns[some], j] for i, j in terms])
    value = grey[rows[some], columns[some]].astype(float)
    middle = float(np.median(value))
    good = np.abs(value - middle) < 5 * max(1.4826 * float(np.median(np.abs(value - middle))), 1e-6)
    answer, *_ = np.linalg.lstsq(table[good], value[good], rcond=1e-6)
    factors = np.zeros((5, 5))
    for (i, j), a in zip(terms, answer, strict=True):
        factors[i, j] = a
    return np.asarray(down @ factors @ right.T, dtype=np.float32)


def _bands(scan: Scan, columns: int) -> list[slice]:
    """Return the rows that are looked at: all; of a large slice bands spread evenly over those that hold metal."""
    rows = scan.down.shape[1]
    if rows * columns <= _MOST_A_SLICE:
        return [slice(0, rows)]
    metal = np.nanmax(scan.down, axis=0)
    there = np.flatnonzero(metal > _ROW_OF_METAL * metal.max())
    first, last = max(int(there[0]) - _BAND, 0), min(int(there[-1]) + _BAND, rows)
    many = max(_MOST_A_SLICE // (_BAND * columns), 1)
    if (last - first) <= many * _BAND:
        return [slice(first, last)]
    tops = first + np.round((np.arange(many) + 0.5) * (last - first) / many).astype(int) - _BAND // 2
    return [slice(int(top), int(top) + _BAND) for top in tops]


def _looked(
    grey: Floats, bands: list[slice], margin_px: float
) -> tuple[Floats, Floats, NDArray[np.bool_], NDArray[np.bool_]]:
    """Return grey, fine grey, even air and even metal of the bands, one band under the other."""
    parts = []
    for band in bands:
        top = max(band.start - _HALO, 0)
        cut = grey[top : band.stop + _HALO]
        air, metal = even_masks(cut, margin_px)
        own = slice(band.start - top, band.stop - top)
        parts.append((cut[own], _fine(cut, air, metal)[own], air[own], metal[own]))
    if len(parts) == 1:
        return parts[0]
    grey, fine, air, metal = (np.concatenate(some) for some in zip(*parts, strict=True))
    return grey, fine, air, metal


def look_closely(stack: SliceStack, levels: Levels, scan: Scan) -> Look:
    """Look at up to 16 slices spread over the stack, fewer where slices are large."""
    count, rows, columns = stack.shape
    seen = [i for i in range(count) if i not in stack.missing]
    want = int(np.clip(_MOST_VOXELS // (rows * columns), _FEWEST, _MOST))
    picks = sorted({seen[round(i)] for i in np.linspace(0, len(seen) - 1, min(want, len(seen)))})
    blocks = min(_BLOCKS, len(picks))
    bands = _bands(scan, columns)
    at = np.concatenate([np.arange(band.start, band.stop) for band in bands])
    beside = (np.diff(at) == 1)[:, None]
    even = EvenGrey.empty(blocks, at, (rows, columns))
    rows_lag: list[tuple[float, float]] = []
    depth_lag: list[tuple[float, float]] = []
    cups: list[tuple[float, float]] = []
    streaks: list[float] = []
    noises: list[float] = []
    for_edges = picks[:: max(1, len(picks) // _EDGE_SLICES)]
    psf = _blur(stack, levels, for_edges, bands)
    # the wider the blur, the further an edge is felt
    margin = max(_MARGIN_PX, 1.1 * ((psf or 0.0) + 1.0))
    pairs = set(picks[:: max(1, len(picks) // 4)])
    for number, k in enumerate(picks):
        grey, fine, air, metal = _looked(levels.normal(stack.plane(k)), bands, margin)
        even.add(number * blocks // len(picks), fine, air, metal)
        mask = air | metal
        if np.count_nonzero(mask) >= 200:
            noises.append(1.4826 * float(np.median(np.abs(fine[mask][:: max(1, fine.size // 50_000)]))))
        rows_lag.append(_lag(fine[:, :-1], fine[:, 1:], mask[:, :-1] & mask[:, 1:]))
        rows_lag.append(_lag(fine[:-1], fine[1:], mask[:-1] & mask[1:] & beside))
        if k in pairs and k + 1 < count and k + 1 not in stack.missing:
            _, fine2, air2, metal2 = _looked(levels.normal(stack.plane(k + 1)), bands, margin)
            depth_lag.append(_lag(fine, fine2, (air & air2) | (metal & metal2)))
        if metal.any():
            cups.append(_cup(grey, metal, at))
            streaks.append(_streak(grey, air, metal, at))
    return Look(
        even=even,
        psf_px=psf,
        noise=float(np.median(noises)) if noises else None,
        along_rows=_joined(rows_lag),
        along_depth=_joined(depth_lag),
        cupping=_weighted(cups),
        streaks=float(np.nanmedian(streaks)) if np.isfinite(streaks).any() else None,
    )


def _blur(stack: SliceStack, levels: Levels, picks: list[int], bands: list[slice]) -> float | None:
    """Return the blur in the plane; profiles reach further where it is wide, or their ends would not be level."""

    def profiles(reach_px: float) -> Floats:
        planes = (levels.normal(stack.plane(k)) for k in picks)
        return np.concatenate([edge_profiles(grey[band], reach_px=reach_px) for grey in planes for band in bands])

    psf = width_of(profiles(REACH_PX))
    if psf is None or psf < 1.3:
        return psf
    reach = min(4.0 * psf, 14.0)
    return width_of(profiles(reach), reach=reach - 1.0) or psf


def _lag(a: Floats, b: Floats, both: NDArray[np.bool_]) -> tuple[float, float]:
    """Return sums of products and of squares over places where both belong to even material."""
    p, q = a[both].astype(float), b[both].astype(float)
    return float((p * q).sum()), float((p * p + q * q).sum() / 2)


def _joined(sums: list[tuple[float, float]]) -> float | None:
    over = sum(square for _, square in sums)
    return float(np.clip(sum(product for product, _ in sums) / over, -1.0, 1.0)) if over > 0 else None


def _cup(grey: Floats, metal: NDArray[np.bool_], at: NDArray[np.int64]) -> tuple[float, float]:
    """Return (rise of grey from the middle of the metal to its rim, weight) of one slice: a paraboloid fit.

    `at` says which rows of the slice are given.
    """
    rows, columns = np.nonzero(metal)
    some = slice(None, None, max(1, len(rows) // 5000))
    y, x, g = at[rows[some]].astype(float), columns[some].astype(float), grey[rows[some], columns[some]].astype(float)
    if len(g) < 200:
        return float("nan"), 0.0
    y, x = y - y.mean(), x - x.mean()
    square = x * x + y * y
    span = float(np.percentile(square, 98) - np.percentile(square, 2))
    table = np.column_stack([np.ones_like(x), x, y, square / max(span, 1.0)])
    good = np.abs(g - np.median(g)) < 4 * max(1.4826 * float(np.median(np.abs(g - np.median(g)))), 1e-6)
    answer, *_ = np.linalg.lstsq(table[good], g[good], rcond=None)
    return float(answer[3]), float(len(rows))


def _streak(grey: Floats, air: NDArray[np.bool_], metal: NDArray[np.bool_], at: NDArray[np.int64]) -> float:
    """Return how much the air differs from direction to direction as seen from the metal, noise taken off."""
    rows, columns = np.nonzero(air)
    if len(rows) < 1000:
        return float("nan")
    inside = np.nonzero(metal)
    y, x = float(at[inside[0]].mean()), float(inside[1].mean())
    value = grey[rows, columns].astype(float)
    rows = at[rows]
    sector = ((np.arctan2(rows - y, columns - x) / (2 * np.pi) + 0.5) * 48).astype(int) % 48
    value -= np.median(value)
    scatter = 1.4826 * float(np.median(np.abs(value)))
    value = np.clip(value, -4 * scatter, 4 * scatter)
    # half of each direction against the other half: noise and grain do not agree between them
    means = []
    for half in (0, 1):
        # cells of 6 px: the halves keep clear of one another's correlated noise
        mine = (rows // 6 + columns // 6) % 2 == half
        n = np.bincount(sector[mine], minlength=48)
        total = np.bincount(sector[mine], value[mine], minlength=48)
        means.append(np.where(n >= 30, total / np.maximum(n, 1), np.nan))
    good = np.isfinite(means[0]) & np.isfinite(means[1])
    if good.sum() < 24:
        return float("nan")
    a, b = means[0][good] - means[0][good].mean(), means[1][good] - means[1][good].mean()
    return float(np.sqrt(max(float((a * b).mean()), 0.0)))


def _weighted(pairs: list[tuple[float, float]]) -> float | None:
    """Return the median of the values whose weight is at least six tenths of the largest."""
    most = max((w for _, w in pairs), default=0.0)
    values = [v for v, w in pairs if w > 0 and w >= 0.6 * most]
    return float(np.median(values)) if values else None
