"""Bores so small that blur eats their contrast: found as round dark spots that stay through depth, and measured.

A pore is as long as it is wide and a crack is not round; neither is taken for a bore.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.interpolate import CubicHermiteSpline
from scipy.optimize import OptimizeResult, least_squares
from scipy.special import chndtr, i0e, i1e, ndtr

from ctrecon.core.ahead import ahead
from ctrecon.core.fit_result import ShapeFit
from ctrecon.core.frames import Floats
from ctrecon.features.candidates import SOUND, Candidate, Span, mean_window
from ctrecon.features.collect_voxels import Voxels
from ctrecon.features.size import FittedCandidate
from ctrecon.fitting.choose import Choice
from ctrecon.fitting.uncertainty import left_out
from ctrecon.grey.square_up import SquaredStack
from ctrecon.shapes import Circle

__all__ = ["blurred_disc", "find_small_bores", "fit_small", "is_small"]

_LEAST_DIP = 0.1  # contrasts; fainter spots are noise or shading
_LEAST_PLANES = 8  # shorter spots are pores
_LEAST_SLENDER = 3.0
"""Length over diameter below which a dark spot may be a pore."""
_FACE_PLANES = 4  # beyond a run, within which a face of the metal must show if the run ends there
_CLEAR_PX = 4.5  # px of metal round a spot, so that no other edge is taken for it
_BLOCK = 6  # planes averaged to search
_SMALL_AREA = 30.0  # px²; a larger dark area is not a small bore
_AIR_U = 0.03
"""Standard uncertainty of the grey of air inside a hole too narrow to show it (a judgement)."""
_TOO_WIDE, _FILLED = 1.35, 5.0
"""Times the scan's own blur beyond which a small bore is tried with other material in it (no edge is blurred so: edges
of one scan agree within a tenth), and what that reading must gain in ln odds: the margin of every choice of shape."""
_LEAST_RADIUS_PX = 0.05  # of a disc that is tried
_LOST_PX, _RUN_AWAY = 0.2, 2.0  # radius of a fit that found no bore, times the radius where it began
_NOT_AIR = 5 * _AIR_U  # grey of air below which a bore holds nothing else
_SLOPE_SD = 0.02  # contrasts per px that metal may shade beside a bore, as cupping of 26 % does near a rim
_RADIUS_FLOOR = 0.02  # px; u of the radius is never smaller
_MOST = 6_000  # voxels of a fit; more cost time only
_REACH_BLURS, _STEP_BLURS = 7.0, 0.05  # beyond the rim of a disc nothing of it is left
_LOSS = 3.0  # noises beyond which a residual pulls less
_SECTORS = 12  # of a rim, which may be eaten on one side
_UNLIKE = 2.0  # over the variance that noise explains; less than that, a dozen sectors differ by chance
_ODDS = 150.0
"""A bore is reported where noise would make such a spot, anywhere in this metal, once in 150 stacks or less."""
_SIZES = 3.0  # widths of spot that are looked for, more or less independent
_BRIGHTEST = 1.3  # the brightest place is one draw of the tail; a bore must clear it by more than the next draw would
_FEW_PLACES = 150  # pixels; the scatter of fewer is ill known
_ABOUT = 250  # px to either side of a spot; the tail of the metal about it is known from some 100,000 places


def is_small(sized: FittedCandidate, *, damaged: bool = False) -> bool:
    """Recognise a round hole or pin with a radius below four blurs; one with gaps only where `damaged` says so."""
    fit, candidate = sized.fit, sized.candidate
    if not isinstance(fit, ShapeFit) or not candidate.is_round or candidate.growth_px:
        return False
    if candidate.gaps_deg and not damaged:
        return False
    return fit.value("radius") < 4 * fit.value("blur") or "very_small" in candidate.flags


# long: one fit of grey values, its two readings of what the bore holds, and all that goes into its u
def fit_small(
    sized: FittedCandidate, data: Voxels, squared: SquaredStack, noise: float
) -> FittedCandidate:
    """Fit a small circle by the exact area of a blurred disc.

    The grey of air is not seen in it: it is taken from the stack (0) with a standard
    uncertainty of 0.03 of the contrast, which goes into u of the diameter. Where that is refuted, or its edge
    would have to be wider than the scan blurs, the grey in it is left free, and it is flagged `other_material` if that
    explains it. Metal may shade
    across the bore: as level metal it would draw the bore to its darker side.
    """
    fit, candidate = sized.fit, sized.candidate
    column, row, plane, grey = data
    shape = candidate.circle
    assert shape is not None
    ratio = squared.depth_step_mm / squared.pitch_mm
    if len(grey) > _MOST:
        pick = np.sort(np.random.default_rng(7).permutation(len(grey))[:_MOST])
        column, row, plane, grey = column[pick], row[pick], plane[pick], grey[pick]
    z = (plane - sized.middle) * ratio
    leans = 0.05 if sized.axis_free else 1e-6
    start = np.array([shape.x, shape.y, max(shape.radius, 0.6), 0.0, 0.0, np.log(0.9), 0.0, 1.0, 0.0, 0.0])
    if isinstance(fit, ShapeFit):
        start[:3] = fit.value("x"), fit.value("y"), max(fit.value("radius"), 0.6)
        if sized.axis_free:
            start[3:5] = fit.value("slope_x"), fit.value("slope_y")
    prior = np.array([0.0, 0.0, 0.0, 0.0, 0.0, np.log(0.9), 0.0, 0.0, 0.0, 0.0])
    tie = np.array([0.0, 0.0, 0.0, 1 / leans, 1 / leans, 1 / 0.35, 1 / _AIR_U, 0.0, 1 / _SLOPE_SD, 1 / _SLOPE_SD])

    through = -1.0 if candidate.metal_outside else 1.0

    def disc(q: Floats) -> tuple[Floats, Floats]:
        """Return the grey of the voxels (N,) and how it goes with each parameter (N, 10)."""
        blur, radius = float(np.exp(q[5])), max(q[2], _LEAST_RADIUS_PX)
        dx, dy = column - q[0] - q[3] * z, row - q[1] - q[4] * z
        far = np.hypot(dx, dy)
        inside, wider, further = blurred_disc(radius / blur, far / blur)
        share = inside if through > 0 else 1 - inside
        metal = q[7] + q[8] * dx + q[9] * dy
        step = through * (metal - q[6]) / blur
        way = step * further / np.maximum(far, 1e-9)
        to_x, to_y = -(way * dx + share * q[8]), -(way * dy + share * q[9])
        by_radius = step * wider * (q[2] > _LEAST_RADIUS_PX)
        by_blur = -step * (wider * radius + further * far)
        columns = (to_x, to_y, by_radius, z * to_x, z * to_y, by_blur, 1 - share, share, share * dx, share * dy)
        return np.asarray(q[6] + (metal - q[6]) * share), np.column_stack(columns)

    def fitted(q: Floats, aim: Floats, tie: Floats) -> tuple[OptimizeResult, float, float]:
        """Return the fit, the scale it was weighed with, and the scale its residuals leave."""

        def residuals(q: Floats, scale: float) -> Floats:
            return np.concatenate([(disc(q)[0] - grey) / scale, (q - aim) * tie])

        def slopes(q: Floats, scale: float) -> Floats:
            return np.concatenate([disc(q)[1] / scale, np.diag(tie)])

        scale = used = noise
        for _ in range(2):
            used = scale
            found = least_squares(
                residuals, q, slopes, args=(scale,), loss="soft_l1", f_scale=_LOSS, max_nfev=40,
                x_scale=[1, 1, 1, 0.01, 0.01, 0.3, 0.1, 0.1, 0.01, 0.01],
            )  # fmt: skip
            q = found.x
            scale = max(noise, 1.4826 * float(np.median(np.abs(disc(q)[0] - grey))))
        return found, used, scale

    def lost(q: Floats) -> bool:
        """Return whether nothing is left of the bore, or the rim of the part was taken for it."""
        return not (_LOST_PX < q[2] < _RUN_AWAY * start[2] and np.hypot(*(q[:2] - start[:2])) < start[2])

    found, used, scale = fitted(start, prior, tie)
    known, flags = _blur_of(squared), (*candidate.flags, "very_small")
    wide = known is not None and np.exp(found.x[5]) > _TOO_WIDE * known
    if candidate.metal_outside and (wide or found.x[6] > _NOT_AIR or lost(found.x)):  # it may not hold air
        aim, loose = prior.copy(), tie.copy()
        aim[5:7] = prior[5] if known is None else np.log(known), 0.5
        loose[5:7] = 1 / 0.35 if known is None else 1 / 0.1, 1 / 0.5
        filled = fitted(np.concatenate([start[:5], aim[5:7], start[7:]]), aim, loose)
        if lost(found.x) or filled[0].cost * (filled[1] / used) ** 2 < found.cost - _FILLED:
            (found, used, scale), flags = filled, (*flags, "other_material")
    q = found.x
    if lost(q):
        return sized
    left = disc(q)[0] - grey
    slopes = np.asarray(found.jac, dtype=float)
    normal = slopes.T @ slopes
    if not np.isfinite(normal).all() or np.linalg.cond(normal) > 1e18:
        return sized
    inverse = np.linalg.inv(normal)
    sector = ((np.arctan2(row - q[1], column - q[0]) / (2 * np.pi) + 0.5) * _SECTORS).astype(np.int64) % _SECTORS
    covariance = _spread(slopes, found.fun, inverse * _crowding(column, row, z, left), sector)
    order = [0, 1, 2, 3, 4, None, 5, 6, 7]
    full = np.zeros((9, 9))
    settled = [i for i, at in enumerate(order) if at is not None]
    full[np.ix_(settled, settled)] = covariance[np.ix_(range(8), range(8))]
    blur = float(np.exp(q[5]))
    full[6] *= blur
    full[:, 6] *= blur
    floor = np.zeros(9)
    floor[:3] = 0.005**2, 0.005**2, _RADIUS_FLOOR**2
    budget = {"noise": np.diag(full).copy(), "model": floor}
    full += np.diag(floor)
    if squared.survey.lasting is not None:
        lasts = np.zeros(9)
        influence = slopes[: len(grey)] @ inverse[:, :3] / used
        lasts[:3] = squared.survey.lasting.variance(squared.voxels_of(column, row, plane), influence)
        budget["artefacts"] = lasts
        full += np.diag(lasts)
    values = np.array([q[0], q[1], q[2], q[3], q[4], 0.0, blur, q[6], q[7] - q[6]])
    names = ("x", "y", "radius", "slope_x", "slope_y", "growth", "blur", "air", "contrast")
    rms = float(np.sqrt(np.mean(np.clip(left, -3 * scale, 3 * scale) ** 2))) / noise
    measured = ShapeFit(names, values, full, rms, 1.0, len(grey), budget)
    return replace(sized, fit=measured, candidate=replace(candidate, flags=tuple(dict.fromkeys(flags))))


def blurred_disc(radius: float, away: Floats) -> tuple[Floats, Floats, Floats]:
    """Return what a blurred disc is worth at some distances from its middle, and its slopes; all in blurs.

    It is the share of a normal cloud about a point that falls into a circle beside it: noncentral chi-squared with
    two degrees of freedom; its slopes are Bessel functions (S. O. Rice, Mathematical analysis of random noise, Bell
    System Technical Journal 24, 1945; from memory). The share is worked out at steps between which a cubic keeps it
    to 1e-7, for there are far more voxels.

    Parameters
    ----------
    radius : float
    away : (N,) array

    Returns
    -------
    share, wider, further : (N,) arrays
        The share, and how it grows with the radius and with the distance.
    """
    at = np.arange(0.0, radius + _REACH_BLURS, _STEP_BLURS)
    share = CubicHermiteSpline(at, chndtr(radius**2, 2.0, at**2), -radius * _rice(i1e, radius, at))
    here = share(np.minimum(away, at[-1]))
    return np.asarray(here), radius * _rice(i0e, radius, away), -radius * _rice(i1e, radius, away)


def _rice(bessel: Callable[[Floats], Floats], radius: float, away: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * (radius - away) ** 2) * bessel(radius * away))


def _blur_of(squared: SquaredStack) -> float | None:
    """Return the blur (px) of the scan's edges with that of the voxels, None where the scan does not show it."""
    artefacts = squared.survey.artefacts
    if artefacts is None or artefacts.psf_px is None:
        return None
    dx = (squared.survey.stack.voxel_mm or (1.0, 1.0, 1.0))[2]
    return float(np.hypot(artefacts.psf_px * dx / squared.pitch_mm, np.sqrt(1 / 12)))


def _spread(slopes: Floats, residual: Floats, covariance: Floats, sector: NDArray[np.int64]) -> Floats:
    """Return the covariance, wider where the sectors of a rim disagree: a bore eaten on one side is not a circle.

    `slopes` and `residual` hold the voxels first, then the priors, as `least_squares` gives them under its loss.
    """
    count = len(sector)
    pull = residual[:count] * (1 + (residual[:count] / _LOSS) ** 2) ** 0.25  # over its own slope, which is scaled
    out = left_out(slopes[:count], np.ones(count), pull, slopes[count:].T @ slopes[count:], sector)
    if out is None:
        return covariance
    ratio = out / np.diag(covariance)
    grown = np.sqrt(np.where(ratio > _UNLIKE, ratio, 1.0))
    return np.asarray(covariance * np.outer(grown, grown))


def _crowding(column: Floats, row: Floats, z: Floats, left: Floats) -> float:
    """Factor by which correlated residuals widen variances: patch sums against single voxels, at least 1."""
    keys = np.column_stack([np.floor(column / 3), np.floor(row / 3), np.floor(z / 4)]).astype(np.int64)
    _, patch = np.unique(keys, axis=0, return_inverse=True)
    sums = np.bincount(patch.ravel(), weights=left)
    factor = float((sums**2).sum() / max(float((left**2).sum()), 1e-12))
    return max(1.0, factor if factor > 1 + 2 * np.sqrt(2 / len(sums)) else 1.0)


def find_small_bores(squared: SquaredStack, known: tuple[Candidate, ...]) -> tuple[Candidate, ...]:
    """Find round dark spots inside solid metal that stay through depth and are not a known hole."""
    count = len(squared)
    if count < _LEAST_PLANES:
        return ()
    blocks = [(first, min(first + _BLOCK, count) - 1) for first in range(0, count, _BLOCK)]
    means = ahead(lambda block: _block(squared, *block), blocks, squared.shape[1] * squared.shape[2])
    spots = [(x, y, *block) for block, mean in zip(blocks, means, strict=True) for x, y in _spots(mean)]
    found: list[Candidate] = []
    for x, y, low, high in _chains(spots):
        one = _bore(squared, x, y, low, high)
        if one is not None and not _taken(one, known) and not _taken(one, tuple(found)):
            found.append(one)
    return tuple(found)


def _block(squared: SquaredStack, first: int, last: int) -> Floats:
    _, rows, columns = squared.shape
    return mean_window(squared, first, last, (0, 0, columns, rows), most=_BLOCK)


def _spots(mean: Floats) -> list[tuple[float, float]]:
    """Return local minima well inside metal that are dark against the ring round them."""
    filled = np.where(np.isfinite(mean), mean, 0.0)
    smooth = ndimage.gaussian_filter(filled, 0.8)
    solid = _solid(smooth)
    low = solid & (smooth <= ndimage.minimum_filter(smooth, 5)) & (smooth < 1 - _LEAST_DIP)
    places = _deep(solid, np.argwhere(low))
    dip, scatter, darkest = _against_rings(smooth, places)
    dark = (dip > np.maximum(_LEAST_DIP, 5 * scatter)) & (darkest < 0.45 * dip + 3 * scatter)
    return [(float(j), float(i)) for i, j in places[dark]]


def _deep(solid: NDArray[np.bool_], places: NDArray[np.int64]) -> NDArray[np.int64]:
    """Keep the places (row, column) that have nothing but metal about them; a picture's border is not an edge."""
    reach = int(_CLEAR_PX)
    steps = np.argwhere(np.hypot(*np.mgrid[-reach : reach + 1, -reach : reach + 1]) <= _CLEAR_PX)
    about = places[:, None, :] + steps
    clear = np.pad(solid, reach, constant_values=True)[about[..., 0], about[..., 1]].all(axis=1)
    return np.asarray(places[clear])


def _solid(smooth: Floats) -> NDArray[np.bool_]:
    """Return the metal, with holes so small that they may be what is sought counted as metal."""
    labels, number = ndimage.label(smooth < 0.5)
    area = np.bincount(labels.ravel(), minlength=number + 1)
    area[0] = 0
    return np.asarray(~(area > _SMALL_AREA)[labels])


def _against_rings(smooth: Floats, places: NDArray[np.int64]) -> tuple[Floats, Floats, Floats]:
    """Dip of places (row, column) against rings of 4 to 6 px, the rings' scatter, the dip of their darkest pixels."""
    r = 6
    off = np.hypot(*np.mgrid[-r : r + 1, -r : r + 1])
    about = places[:, None, :] + np.argwhere((off > 4) & (off < r))
    rings = np.pad(smooth, r, mode="edge")[about[..., 0], about[..., 1]]
    if not len(rings):
        return np.empty(0), np.empty(0), np.empty(0)
    level = np.median(rings, axis=1)
    scatter = 1.4826 * np.median(np.abs(rings - level[:, None]), axis=1)
    return level - smooth[places[:, 0], places[:, 1]], scatter, level - np.percentile(rings, 3, axis=1)


def _chains(spots: list[tuple[float, float, int, int]]) -> list[tuple[float, float, int, int]]:
    """Join spots of neighbouring blocks that are within 1.5 px of each other: mean place and planes."""
    open_runs: list[list[tuple[float, float, int, int]]] = []
    for spot in spots:
        near = [
            run for run in open_runs
            if run[-1][3] < spot[2] <= run[-1][3] + _BLOCK + 1
            and np.hypot(run[-1][0] - spot[0], run[-1][1] - spot[1]) < 1.5
        ]  # fmt: skip
        if near:
            min(near, key=lambda run: (run[-1][0] - spot[0]) ** 2 + (run[-1][1] - spot[1]) ** 2).append(spot)
        else:
            open_runs.append([spot])
    return [
        (float(np.mean([s[0] for s in run])), float(np.mean([s[1] for s in run])), run[0][2], run[-1][3])
        for run in open_runs
    ]


def _bore(squared: SquaredStack, x: float, y: float, low: int, high: int) -> Candidate | None:
    """Follow a spot plane by plane; a bore stays as dark, keeps its place, is round and longer than three diameters."""
    _, rows, columns = squared.shape
    reach = 12
    i, j = round(y), round(x)
    box = (max(0, j - reach), max(0, i - reach), min(columns, j + reach + 1), min(rows, i + reach + 1))
    yy, xx = np.mgrid[box[1] : box[3], box[0] : box[2]]
    off = np.hypot(yy - y, xx - x)
    core, ring = off < 1.6, (off > 4.5) & (off < 7)
    first, last = max(0, low - _BLOCK), min(len(squared) - 1, high + _BLOCK)
    dips = []
    for k in range(first, last + 1):
        window = squared.window(k, np.s_[box[1] : box[3], box[0] : box[2]])
        around = float(np.nanmedian(window[ring])) if np.isfinite(window[ring]).any() else 0.0
        inside = float(np.nanmean(window[core])) if np.isfinite(window[core]).any() else np.nan
        dips.append(around - inside if around > 0.7 else np.nan)
    dip = np.array(dips)
    run = _dark_run(dip)
    if run is None:
        return None
    first, last = first + run[0], first + run[1]
    planes = last - first + 1
    if planes < _LEAST_PLANES:
        return None
    trim = 2 if planes >= 9 else 1
    mean = mean_window(squared, first + trim, last - trim, box, most=400)
    level = float(np.nanmedian(mean[ring]))
    dark = np.where((off < 4.5) & np.isfinite(mean), level - mean, 0.0) / max(level, 1e-6)
    area = float(dark.sum())
    if area <= 0.4:
        return None
    cx, cy = float((dark * xx).sum() / area), float((dark * yy).sum() / area)
    radius = float(np.sqrt(area / np.pi))
    inner = dip[run[0] + trim : run[1] + 1 - trim]
    if np.hypot(cx - x, cy - y) > 1.2 or (planes < _LEAST_SLENDER * 2 * radius and not _goes_through(dip, run)):
        return None
    if not _steady(inner) or not _round(dark, xx - cx, yy - cy):
        return None
    if not _beats_chance(squared, first + trim, last - trim, (cx, cy)):
        return None
    circle = Circle(cx, cy, radius)
    points = circle.outline(64)
    choice = Choice("round", circle, np.zeros(len(points), dtype=bool), 1.0)
    labels = np.full(mean.shape, SOUND, dtype=np.int8)
    span = Span(first, last, (box[0], box[1]), labels, mean, points, choice)
    return Candidate("round", True, circle, 0.0, (span,), True, ("very_small",), (), 1.0, area)


def _goes_through(dip: Floats, run: tuple[int, int]) -> bool:
    """Return whether the metal round a dark run ends where the run does, on both sides: a pore has metal beyond it."""
    before, after = dip[max(run[0] - _FACE_PLANES, 0) : run[0]], dip[run[1] + 1 : run[1] + 1 + _FACE_PLANES]
    return all(len(beyond) > 0 and bool(np.isnan(beyond).any()) for beyond in (before, after))


def _beats_chance(squared: SquaredStack, first: int, last: int, place: tuple[float, float]) -> bool:
    """Return whether a spot is darker than noise and rings make some place of this metal, by 150 to 1.

    The same figure - a core against the ring round it, mean of the same planes - is worked out for every place of
    the metal, of a large plane for those about the spot. Its own scatter is the noise, however neighbours share it;
    every place, and every stretch of planes, has had its chance. What dips by chance or by rings also rises: the
    brightest place is a second yardstick.
    """
    _, rows, columns = squared.shape
    i, j = round(place[1]), round(place[0])
    top, left = max(i - _ABOUT, 0), max(j - _ABOUT, 0)
    mean = mean_window(
        squared, first, last, (left, top, min(j + _ABOUT + 1, columns), min(i + _ABOUT + 1, rows)), most=24
    )
    i, j = i - top, j - left
    grey = np.where(np.isfinite(mean), mean, 0.0)
    solid = _solid(ndimage.gaussian_filter(grey, 0.8))
    yy, xx = np.mgrid[-7:8, -7:8]
    off = np.hypot(yy, xx)
    core, ring = (off < 1.6).astype(float), ((off > 4.5) & (off < 7)).astype(float)
    share = ndimage.convolve(solid.astype(float), ring, mode="constant")
    level = ndimage.convolve(grey * solid, ring, mode="constant") / np.maximum(share, 1.0)
    dip = level - ndimage.convolve(grey, core, mode="nearest") / core.sum()
    deep = ndimage.distance_transform_edt(solid) > _CLEAR_PX
    row, column = np.nonzero(deep)
    others = dip[deep][np.hypot(row - i, column - j) > 9]
    if len(others) < _FEW_PLACES:
        return True  # too little other metal to judge by
    middle = float(np.median(others))
    scatter = 1.4826 * float(np.median(np.abs(others - middle)))
    own = float(dip[max(i - 1, 0) : i + 2, max(j - 1, 0) : j + 2].max()) - middle
    looks = len(row) * (rows * columns / deep.size) / core.sum() * max(len(squared) / (last - first + 1), 1.0) * _SIZES
    chance = looks * float(ndtr(-own / max(scatter, 1e-9)))
    return chance < 1 / _ODDS and own > _BRIGHTEST * float(np.percentile(middle - others, 99.9))


def _dark_run(dip: Floats) -> tuple[int, int] | None:
    """Longest run of planes darker than half the usual dip; single breaks are forgiven."""
    good = dip[np.isfinite(dip)]
    if len(good) < _LEAST_PLANES:
        return None
    usual = float(np.percentile(good, 75))
    if usual < 0.7 * _LEAST_DIP:
        return None
    even = ndimage.uniform_filter1d(np.where(np.isfinite(dip), dip, 0.0), 3)
    dark = ndimage.binary_closing(np.pad(even > usual / 2, 2), iterations=1)[2:-2]
    labels, number = ndimage.label(dark)
    if not number:
        return None
    sizes = np.bincount(labels)[1:]
    at = np.flatnonzero(labels == int(np.argmax(sizes)) + 1)
    return int(at[0]), int(at[-1])


def _steady(dip: Floats) -> bool:
    """Recognise a dip that stays even through depth, once its noise from plane to plane is allowed for."""
    values = dip[np.isfinite(dip)]
    if len(values) < 4:
        return False
    noise = float(np.std(np.diff(values))) / np.sqrt(2)
    parts = np.array([part.mean() for part in np.array_split(values, 4)])
    spread = float(np.ptp(parts))
    return bool(spread < 0.25 * float(values.mean()) + 3 * noise / np.sqrt(len(values) / 4))


def _round(dark: Floats, dx: Floats, dy: Floats) -> bool:
    """Recognise a round spot by the two main second moments of its darkness."""
    weight = np.maximum(dark, 0.0)
    weight = np.where(weight > 0.15 * weight.max(), weight, 0.0)
    total = float(weight.sum())
    xx, yy, xy = (float((weight * v).sum()) / total for v in (dx * dx, dy * dy, dx * dy))
    root = np.hypot((xx - yy) / 2, xy)
    return bool((xx + yy) / 2 + root < 1.7 * ((xx + yy) / 2 - root))


def _taken(one: Candidate, known: tuple[Candidate, ...]) -> bool:
    """Return whether a known hole is at the same place and depth."""
    circle = one.circle
    assert circle is not None
    for other in known:
        if not other.hole or other.last < one.first + 2 or other.first > one.last - 2:
            continue
        for span in other.spans:
            low, high = span.points.min(axis=0) - 2, span.points.max(axis=0) + 2
            if low[0] < circle.x < high[0] and low[1] < circle.y < high[1]:
                size = float(np.ptp(span.points, axis=0).max())
                gap = float(np.hypot(*(span.points - [circle.x, circle.y]).T).min())
                if size < 12 or gap < circle.radius + 3:
                    return True
    return False
