"""Measures a found seam: its outline, its air-equivalent thickness and its depth range."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast

import numpy as np
from scipy.optimize import least_squares
from scipy.special import ndtr

from ctrecon.core.frames import Floats
from ctrecon.pieces.seam_search import Found
from ctrecon.shapes import Circle, Rectangle
from ctrecon.slices.square_up import SquaredStack

__all__ = ["SeamFit", "fit_seam"]

_SNAP_PLANES = 2.5
_SIGNIFICANT = 6.0
_MOST_PIXELS = 6000


@dataclass(frozen=True, eq=False)
class SeamFit:
    """A measured seam; px of the square grid, planes; thickness negative where it is bright."""

    kind: str
    shape: Circle | Rectangle
    size_px: float
    u_size_px: float
    turn_deg: float
    u_turn_deg: float
    u_place_px: float
    thickness_px: float
    u_thickness_px: float
    first: float
    last: float
    u_first: float
    u_last: float
    strength: float
    rms: float


def fit_seam(
    squared: SquaredStack, solid: dict[int, Floats], found: Found, ends: Sequence[tuple[float, float]]
) -> SeamFit | None:
    """Fit the dip on the mean plane, then follow its depth plane by plane.

    The dip of a thin seam of thickness t is a Gaussian of area t (contrast 1), whatever
    the blur; the area is the air-equivalent thickness. Two pieces of
    unlike metal add a step of grey across the seam, which is fitted with it. Where the seam ends in a face of
    the part the face's own fitted depth is taken, else an error function fitted to the
    dip through depth.
    """
    trim = 1 if found.last - found.first >= 8 else 0
    window = range(found.first + trim, found.last + 1 - trim)
    mean, clear = _mean(squared, solid, window)
    yy, xx = np.mgrid[: mean.shape[0], : mean.shape[1]]
    grid = np.column_stack([xx.ravel(), yy.ravel()]).astype(float)
    distance = found.shape.signed_distance(grid).reshape(mean.shape)
    near = (np.abs(distance) < 6.0) & (clear > 2.0) & np.isfinite(mean)
    if near.sum() < 60:
        return None
    index = np.flatnonzero(near.ravel())
    index = index[:: max(1, len(index) // _MOST_PIXELS)]
    points, grey, offset = grid[index], mean.ravel()[index], distance.ravel()[index]
    start_size = found.shape.radius if isinstance(found.shape, Circle) else found.shape.a / 2
    turn0 = 0.0 if isinstance(found.shape, Circle) else found.shape.turn_deg
    depth0 = float(np.median(grey) - np.mean(grey[np.abs(offset) < 0.7]))

    def shape_of(p: Floats) -> Circle | Rectangle:
        if isinstance(found.shape, Circle):
            return Circle(float(p[0]), float(p[1]), float(p[2]))
        return Rectangle(float(p[0]), float(p[1]), 2 * float(p[2]), 2 * float(p[2]), float(p[3]))

    def residuals(p: Floats) -> Floats:
        d = shape_of(p).signed_distance(points)
        blur = np.exp(p[4])
        return np.asarray(
            p[6]
            + p[7] * d
            + p[8] * ndtr(d / blur)
            - p[5] / (blur * np.sqrt(2 * np.pi)) * np.exp(-0.5 * (d / blur) ** 2)
            - grey
        )

    start = np.array(
        [*found.shape.centre, start_size, turn0, np.log(0.95), depth0 * 2.4, float(np.median(grey)), 0.0, 0.0]
    )
    scale = max(1.4826 * float(np.median(np.abs(grey - np.median(grey)))), 1e-4)
    low = start - [2.5, 2.5, 2.5, 6.0, 0.5, np.inf, np.inf, np.inf, np.inf]
    high = start + [2.5, 2.5, 2.5, 6.0, 0.5, np.inf, np.inf, np.inf, np.inf]
    fit = least_squares(
        residuals,
        start,
        bounds=(low, high),
        loss="soft_l1",
        f_scale=2 * scale,
        x_scale=[1, 1, 1, 2, 0.3, 0.05, 0.05, 0.01, 0.02],
        max_nfev=60,
    )
    jac = cast(Floats, fit.jac)
    normal = jac.T @ jac
    if isinstance(found.shape, Circle):
        normal[3, 3] += 1.0
    raw = residuals(fit.x)
    s2 = float(np.mean(raw**2)) * 3.0  # resampled pixels share their noise with their neighbours
    covariance = np.linalg.pinv(normal) * s2
    thickness, u_thickness = float(fit.x[5]), float(np.sqrt(max(covariance[5, 5], 1e-12)))
    if abs(thickness) < _SIGNIFICANT * u_thickness or (thickness < 0) != found.bright:
        return None
    shape = shape_of(fit.x)
    ends_found = _depth_range(squared, solid, shape, float(np.exp(fit.x[4])), thickness, found, ends)
    if ends_found is None:
        return None
    first, u_first, last, u_last = ends_found
    return SeamFit(
        kind=found.kind,
        shape=shape,
        size_px=2 * float(fit.x[2]),
        u_size_px=2 * max(float(np.sqrt(covariance[2, 2])), 1e-3),
        turn_deg=float(fit.x[3]),
        u_turn_deg=max(float(np.sqrt(covariance[3, 3])), 1e-3),
        u_place_px=max(float(np.sqrt(max(covariance[0, 0], covariance[1, 1]))), 1e-3),
        thickness_px=thickness,
        u_thickness_px=u_thickness,
        first=first,
        last=last,
        u_first=u_first,
        u_last=u_last,
        strength=found.strength,
        rms=float(np.sqrt(np.mean(raw**2))) / max(squared.survey.noise_rel / np.sqrt(len(window)), 1e-6),
    )


def _mean(squared: SquaredStack, solid: dict[int, Floats], window: range) -> tuple[Floats, Floats]:
    total: Floats | None = None
    clear: Floats | None = None
    for k in window:
        plane = squared.plane(k).astype(float)
        total = plane if total is None else total + plane
        clear = solid[k].astype(float) if clear is None else np.minimum(clear, solid[k])
    assert total is not None
    assert clear is not None
    return total / len(window), clear


def _depth_range(
    squared: SquaredStack,
    solid: dict[int, Floats],
    shape: Circle | Rectangle,
    blur: float,
    thickness: float,
    found: Found,
    ends: Sequence[tuple[float, float]],
) -> tuple[float, float, float, float] | None:
    """First and last plane of the seam with their u."""
    yy, xx = np.mgrid[: squared.shape[1], : squared.shape[2]]
    distance = shape.signed_distance(np.column_stack([xx.ravel(), yy.ravel()]).astype(float)).reshape(xx.shape)
    band = np.abs(distance) < 5.0
    d = distance[band]
    dip = np.exp(-0.5 * (d / blur) ** 2)
    reach = 16
    first, last = max(0, found.first - reach), min(len(squared) - 1, found.last + reach)
    planes = np.arange(first, last + 1, dtype=float)
    amount = np.full(len(planes), np.nan)
    for i, k in enumerate(planes):
        grey, good = squared.plane(int(k))[band], (solid[int(k)][band] > 2.0)
        good &= np.isfinite(grey)
        if good.mean() < 0.4:
            continue
        design = np.column_stack([-dip[good], np.ones(good.sum()), d[good]])
        amount[i] = float(np.linalg.lstsq(design, grey[good], rcond=None)[0][0])
    scale = thickness / (blur * np.sqrt(2 * np.pi))
    share = amount / scale
    inside = np.isfinite(share) & (share > 0.5)
    middle = int(np.clip((found.first + found.last) // 2 - first, 0, len(planes) - 1))
    if not inside[middle]:
        near = np.flatnonzero(inside)
        if not len(near):
            return None
        middle = int(near[np.argmin(np.abs(near - middle))])
    a = b = middle
    # one plane in three may fall under half by noise without ending the seam
    while a > 0 and (inside[a - 1] or inside[max(a - 3, 0) : a].sum() >= 2):
        a -= 1
    while b < len(planes) - 1 and (inside[b + 1] or inside[b + 1 : b + 4].sum() >= 2):
        b += 1
    low, u_low = _edge(planes, share, a, -1)
    high, u_high = _edge(planes, share, b, 1)
    low, u_low = _snap(low, u_low, ends)
    high, u_high = _snap(high, u_high, ends)
    return (low, u_low, high, u_high) if high - low >= 3 else None


def _edge(planes: Floats, share: Floats, at: int, direction: int) -> tuple[float, float]:
    """Place of one end: an error function fitted to the dip's share round it."""
    rough = float(planes[at]) + 0.5 * direction
    pick = slice(max(0, at - 6), at + 7)
    k, s = np.asarray(planes[pick], dtype=float), share[pick]
    good = np.isfinite(s)
    beyond = good & (direction * (k - rough) > 0.5)
    if good.sum() < 6 or beyond.sum() < 2:
        return rough, 0.5

    def residuals(p: Floats) -> Floats:
        return np.asarray(p[1] * ndtr(direction * (p[0] - k[good]) / 0.9) - s[good])

    fit = least_squares(residuals, [rough, 1.0], loss="soft_l1", f_scale=0.3)
    jac = cast(Floats, fit.jac)
    u = float(np.sqrt(np.linalg.pinv(jac.T @ jac)[0, 0] * max(np.mean(residuals(fit.x) ** 2), 1e-6)))
    return (float(fit.x[0]), max(u, 0.02)) if abs(fit.x[0] - rough) < 2.5 else (rough, 0.5)


def _snap(place: float, u: float, ends: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Take the depth of a fitted face that lies where the seam ends."""
    faces = [e for pair in ends for e in pair]
    if not faces:
        return place, u
    nearest = min(faces, key=lambda e: abs(e - place))
    return (nearest, min(u, 0.1)) if abs(nearest - place) <= _SNAP_PLANES else (place, u)
