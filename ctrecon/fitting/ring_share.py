"""What rings under an edge do to a fit: taken out where the edge itself shows them, uncertainty where not.

Even metal shows the rings everywhere but under the edges. There, a ring and a displaced
edge look alike, unless edge and ring run apart: an edge that is not centred on the
scanner's axis crosses many rings, and all slices cross the same ones.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from ctrecon.core.fit_result import ShapeFit
from ctrecon.core.frames import Floats
from ctrecon.fitting.solve import GreyModel, Samples
from ctrecon.fitting.uncertainty import WELSCH
from ctrecon.grey.noise import Correlation
from ctrecon.grey.rings import Rings

__all__ = ["with_rings"]

_REACH = 4.5  # px over which slopes of the grey are counted
_SLOPE_SD = 0.5  # contrasts; prior of those slopes
_FURTHEST_PX = 0.5  # px; rings that move an edge farther are not rings, and the fit stays


# many: what the fit was made with, since the linear step about it is made with the same
def with_rings(
    fit: ShapeFit,
    model: GreyModel,
    samples: Samples,
    rings: Rings,
    *,
    noise: float,
    active: NDArray[np.bool_],
    blur_ratio: Floats | float = 1.0,
    slope_sd: float | None = None,
    cupping_px: float | None = None,
    correlation: Correlation | None = None,
    through_depth: bool = False,
) -> ShapeFit:
    """Return the fit with the rings left under the edge fitted along.

    Parameters
    ----------
    fit : ShapeFit
        A fit to grey from which the rings seen in even metal were taken out.
    model, samples, noise, active, blur_ratio, slope_sd, cupping_px, correlation, through_depth
        What it was made with; the samples must carry `voxel`. Voxels that share their noise have the less to
        say about the rings.
    rings : Rings
        How well each ring is known.

    Returns
    -------
    ShapeFit
        Moved by the difference between a linear step with and without rings; the
        covariance grows by what the rings leave open.

    Notes
    -----
    Rings enter as random effects: unknown grey at each radius with the covariance that
    their estimate left. Where the edge runs along a ring the data can't tell the two
    apart, the ring keeps its prior, and the size its uncertainty.
    """
    if samples.voxel is None or not active.any():
        return fit
    count = len(model.names)
    p, blur, contrast = fit.values[:count], float(fit.values[count]), float(fit.values[count + 2])
    table = _derivatives(model, samples, p, blur, contrast, active, blur_ratio, slope_sd, cupping_px, through_depth)
    d, _ = model.distance(p, samples, blur)
    raw = samples.grey - fit.values[count + 1] - contrast * ndtr(d / (blur * np.asarray(blur_ratio)))
    ties = np.zeros(table.shape[1])
    ties[-8 if through_depth else -6 : -2] = 1 / _SLOPE_SD**2
    ties[-2:] = 1 / (_SLOPE_SD if slope_sd is None else slope_sd) ** 2
    ties[: int(active.sum())] = 1e-6
    scale = max(noise, 1e-4)
    alone, weight = _step(table, raw, ties, scale)
    w = weight / scale**2 / (1.0 if correlation is None else max(correlation.sum, 1.0))
    radius = rings.radius(samples.voxel[:, 2].astype(float), samples.voxel[:, 1].astype(float))
    whole, right = _normal_equations(table, raw, w, ties, rings, radius)
    columns = table.shape[1]
    if not np.isfinite(whole).all() or np.linalg.cond(whole) > 1e15:
        return fit
    free = int(active.sum())
    inverse = np.linalg.inv(whole)
    plain = np.linalg.inv(whole[:columns, :columns])
    move = (inverse @ right)[:free] - alone[:free]
    extra = inverse[:free, :free] - plain[:free, :free]
    # each parameter's move as the edge feels it, px
    felt = np.abs(move) * np.sqrt(np.mean(_by_shape(model, samples, p, blur)[:, active] ** 2, axis=0))
    if felt.max() > _FURTHEST_PX:
        return fit
    values, covariance = fit.values.copy(), fit.covariance.copy()
    index = np.flatnonzero(active)
    values[index] += move
    covariance[np.ix_(index, index)] += extra
    grown = np.zeros(len(fit.values))
    grown[index] = np.diag(extra)
    budget = dict(fit.budget)
    if budget:
        budget["artefacts"] = budget.get("artefacts", np.zeros(len(grown))) + grown
    return replace(fit, values=values, covariance=covariance, budget=budget)


def _normal_equations(
    table: Floats, raw: Floats, w: Floats, ties: Floats, rings: Rings, radius: Floats
) -> tuple[Floats, Floats]:
    """Return matrix and right side of a least-squares step for the table's unknowns, then for each ring's grey.

    A voxel shares in the two rings it is between, linearly.
    """
    first = max(int(radius.min() / rings.step_px) - 3, 0)
    last = min(int(radius.max() / rings.step_px) + 4, len(rings.radii_px))
    place = np.clip(radius / rings.step_px - 0.5 - first, 0, last - first - 1.001)
    low = place.astype(np.int64)
    high_share = place - low
    size = last - first
    columns = table.shape[1]
    whole = np.zeros((columns + size, columns + size))
    right = np.zeros(columns + size)
    whole[:columns, :columns] = (table * w[:, None]).T @ table + np.diag(ties)
    right[:columns] = table.T @ (w * raw)
    for side, share in ((0, 1 - high_share), (1, high_share)):
        at = low + side
        right[columns:] += np.bincount(at, w * share * raw, size)
        for i in range(columns):
            cross = np.bincount(at, w * share * table[:, i], size)
            whole[i, columns:] += cross
            whole[columns:, i] += cross
        whole[columns + np.arange(size), columns + np.arange(size)] += np.bincount(at, w * share**2, size)
    off = np.bincount(low, w * high_share * (1 - high_share), size)[:-1]
    beside = columns + np.arange(size - 1)
    whole[beside, beside + 1] += off
    whole[beside + 1, beside] += off
    whole[columns:, columns:] += rings.precision(first, last)
    return whole, right


def _by_shape(model: GreyModel, samples: Samples, p: Floats, blur: float) -> Floats:
    return model.distance(p, samples, blur)[1]


# many: as many as `with_rings`, whose arguments it takes over
def _derivatives(
    model: GreyModel, samples: Samples, p: Floats, blur: float, contrast: float, active: NDArray[np.bool_],
    blur_ratio: Floats | float, slope_sd: float | None, cupping_px: float | None, through_depth: bool,
) -> Floats:  # fmt: skip
    """Return the derivatives of the grey: shape, blur, levels, and slopes across the shape and away from the edge."""
    d, by_shape = model.distance(p, samples, blur)
    wide = blur * np.broadcast_to(np.asarray(blur_ratio, dtype=float), d.shape)
    t = d / wide
    step = ndtr(t)
    bell = np.exp(-0.5 * t * t) / np.sqrt(2 * np.pi)
    along = (samples.x, samples.y, samples.z) if through_depth else (samples.x, samples.y)
    across = [(v - (v.max() + v.min()) / 2) / max(float(v.max() - v.min()) / 2, 1.0) for v in along]
    inner = np.maximum(d, 0) / _REACH
    if cupping_px is not None:
        inner = inner * (1 - np.minimum(d, cupping_px) / (2 * cupping_px))
    away = [np.minimum(d, 0) / _REACH, inner * step]
    if slope_sd is None:
        away = [np.zeros_like(d), np.zeros_like(d)]
    return np.column_stack(
        [
            contrast * (bell / wide)[:, None] * by_shape[:, active],
            -contrast * bell * t,
            np.ones_like(d),
            step,
            *across,
            *(v * step for v in across),
            *away,
        ]
    )


def _step(table: Floats, raw: Floats, ties: Floats, scale: float) -> tuple[Floats, Floats]:
    """Return the linear step without rings, and the weights the redescending loss gives the voxels there."""
    weight = np.exp(-((raw / scale / WELSCH) ** 2))
    answer = np.zeros(table.shape[1])
    for _ in range(3):
        w = weight / scale**2
        normal = (table * w[:, None]).T @ table + np.diag(ties)
        answer = np.linalg.solve(normal, table.T @ (w * raw))
        weight = np.exp(-(((raw - table @ answer) / scale / WELSCH) ** 2))
    w = weight / scale**2
    answer = np.linalg.solve((table * w[:, None]).T @ table + np.diag(ties), table.T @ (w * raw))
    return np.asarray(answer), np.asarray(weight)
