"""The one engine: any shape with a signed distance, fitted to grey values through a blurred step."""

from dataclasses import dataclass
from typing import Any, Protocol, cast

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import erf

from ctrecon.core.frames import Floats
from ctrecon.fitting.result import FitFailed, ShapeFit

__all__ = ["GreyModel", "Samples", "fit_grey"]

_WELSCH = 3.0
_REACH = 4.5
_SLOPE_SD = 0.5
_PINNED = 1e4
_LEAST = 30


@dataclass(frozen=True, eq=False)
class Samples:
    """Voxels near an edge: part-frame places (px of the square grid), grey (air 0, metal 1), cluster.

    Voxels of one cluster may share errors (a ring, a stain); their errors are not
    assumed independent when the covariance is worked out.
    """

    x: Floats
    y: Floats
    z: Floats
    grey: Floats
    cluster: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.grey)

    def thin(self, keep: NDArray[np.bool_]) -> "Samples":
        """Return the samples where `keep` is true."""
        return Samples(self.x[keep], self.y[keep], self.z[keep], self.grey[keep], self.cluster[keep])


def _spread(values: Floats) -> Floats:
    """Centre values and scale them to about -1 to 1."""
    middle, half = (values.max() + values.min()) / 2, (values.max() - values.min()) / 2
    return np.asarray((values - middle) / max(float(half), 1.0))


class GreyModel(Protocol):
    """A shape whose parameters can be fitted: signed distance (inside metal positive) with derivatives."""

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters, in order."""

    def distance(self, p: Floats, s: Samples, blur_px: float) -> tuple[Floats, Floats]:
        """Return distance (N,) to the half-height edge, px, and its derivatives (N, parameters)."""


def fit_grey(
    model: GreyModel, start: Floats, samples: Samples, *, noise: float, active: NDArray[np.bool_] | None = None,
    prior_sd: Floats | None = None, blur_start_px: float = 0.85, blur_ratio: Floats | float = 1.0,
) -> ShapeFit | FitFailed:  # fmt: skip
    """Fit air + contrast · Φ(distance / blur) to grey values with a redescending loss.

    Parameters
    ----------
    model : GreyModel
        Shape with signed distance.
    start : (P,) array
        Starting parameters, within about a pixel of the answer.
    samples : Samples
        Voxels within a few blurs of the edge.
    noise : float
        Standard deviation of one voxel in units of the contrast.
    active : (P,) bool array, optional
        Parameters that are fitted; the rest stay at their start.
    prior_sd : (P,) array, optional
        Standard deviation of a prior about the start; inf for none.
    blur_ratio : float or (N,) array
        Extent of a voxel along the edge's normal over the grid's pitch, for voxels that
        are no squares.

    Returns
    -------
    ShapeFit or FitFailed
        The model's parameters (then blur, air, contrast); covariance from the scores
        summed by cluster (sandwich), never below that of independent noise; `rms` in
        units of `noise`.

    Notes
    -----
    Maximum likelihood for a step blurred by a Gaussian, with Welsch's loss so that eaten
    rims and dirt lose their weight. The model moves curved edges inwards by σ²/2R as
    blur does (Mendonça et al., ECCV 2004), so diameters come out unbiased. Air and
    metal each carry slopes across the shape and, where the grey asks for them, away from
    the edge, so that cupping and shading do not pull it.
    """
    count = len(model.names)
    free = np.ones(count, dtype=bool) if active is None else active
    if len(samples) < max(_LEAST, 4 * int(free.sum())):
        return FitFailed("too few voxels near the edge")
    grey = samples.grey.astype(float)
    ratio = np.broadcast_to(np.asarray(blur_ratio, dtype=float), grey.shape)
    d0, _ = model.distance(start, samples, blur_start_px)
    deep, out = grey[d0 > 1.8], grey[d0 < -1.8]
    low = float(np.median(out)) if len(out) > 8 else 0.0
    high = float(np.median(deep)) if len(deep) > 8 else 1.0
    if high - low < 0.2:
        return FitFailed("no step in grey at the edge")
    index = np.flatnonzero(free)
    n_free = len(index)
    prior = np.flatnonzero(free & np.isfinite(prior_sd)) if prior_sd is not None else np.array([], dtype=int)
    sd = prior_sd[prior] if prior_sd is not None else np.array([])
    scale = noise
    places = np.column_stack([_spread(samples.x), _spread(samples.y)])
    n_slopes = 6

    def unpack(q: Floats) -> tuple[Floats, float, float, float, Floats]:
        p = start.astype(float).copy()
        p[index] = q[:n_free]
        blur = float(np.exp(np.clip(q[n_free], -2.5, 2.0)))
        return p, blur, float(q[n_free + 1]), float(q[n_free + 2]), q[n_free + 3 :]

    def pieces(q: Floats) -> tuple[Floats, Floats, Floats]:
        p, blur, air, contrast, slopes = unpack(q)
        d, dp = model.distance(p, samples, blur)
        t = d / (blur * ratio)
        step = 0.5 * (1 + erf(t / np.sqrt(2)))
        bell = np.exp(-0.5 * t * t) / np.sqrt(2 * np.pi)
        inner, outer = np.maximum(d, 0) / _REACH, np.minimum(d, 0) / _REACH
        local = contrast + places @ slopes[2:4] + slopes[5] * inner
        steep = local * bell / (blur * ratio) + (slopes[4] * (d < 0) + slopes[5] * (d > 0) * step) / _REACH
        jac = np.empty((len(grey), n_free + 3 + n_slopes))
        jac[:, :n_free] = steep[:, None] * dp[:, index]
        jac[:, n_free] = -local * bell * t
        jac[:, n_free + 1] = 1.0
        jac[:, n_free + 2] = step
        jac[:, n_free + 3 : n_free + 5] = places
        jac[:, n_free + 5 : n_free + 7] = places * step[:, None]
        jac[:, n_free + 7] = outer
        jac[:, n_free + 8] = inner * step
        return air + places @ slopes[:2] + slopes[4] * outer + local * step - grey, jac, p

    slope_at = np.arange(n_free + 3, n_free + 3 + n_slopes)
    tied = np.concatenate([np.searchsorted(index, prior), slope_at])
    tie = np.concatenate([1 / sd, np.full(n_slopes, 1 / _SLOPE_SD)])
    centre = np.concatenate([start[prior], np.zeros(n_slopes)])
    tie[-2:] = _PINNED  # slopes away from the edge come in only where the grey asks for them

    def residuals(q: Floats) -> Floats:
        r, _, _ = pieces(q)
        return np.concatenate([r / scale, (q[tied] - centre) * tie])

    def jacobian(q: Floats) -> Floats:
        _, jac, _ = pieces(q)
        return np.concatenate([jac / scale, _ties(tied, tie, jac.shape[1])])

    def welsch(z: Floats) -> Floats:
        e = np.exp(-z / _WELSCH**2)
        return np.stack([_WELSCH**2 * (1 - e), e, -e / _WELSCH**2])

    q = np.concatenate([start[index], [np.log(blur_start_px), low, high - low], np.zeros(n_slopes)])
    for _ in range(3):
        fit = least_squares(
            residuals,
            q,
            jac=jacobian,
            loss=cast(Any, welsch),
            method="trf",
            x_scale="jac",
            xtol=1e-7,
            ftol=1e-9,
            max_nfev=60,
        )
        q = fit.x
        raw, jac, _ = pieces(q)
        spread = 1.4826 * float(np.median(np.abs(raw)))
        changed = spread > 1.15 * scale
        scale = spread if changed else scale
        if tie[-1] == _PINNED and _slopes_matter(jac / scale, raw / scale):
            tie[-2:] = 1 / _SLOPE_SD
            changed = True
        if not changed:
            break
    raw, jac, p = pieces(q)
    weight = np.exp(-((raw / scale / _WELSCH) ** 2))
    _, blur, air, contrast, _ = unpack(q)
    if contrast < 0.2 or not np.isfinite(q).all():
        return FitFailed("the grey values show no clear edge")
    covariance = _covariance(jac / scale, raw / scale, samples.cluster, _ties(tied, tie, jac.shape[1]))
    if covariance is None:
        return FitFailed("the voxels do not settle the shape")
    full = np.zeros((count + 3, count + 3))
    where = np.concatenate([index, count + np.arange(3)])
    full[np.ix_(where, where)] = covariance[: n_free + 3, : n_free + 3]
    values = np.concatenate([p, [blur, air, contrast]])
    total = float(weight.sum())
    # the loss shrinks what is left of normal noise by a known factor
    rms = float(np.sqrt((weight * raw**2).sum() / total * (1 + 2 / _WELSCH**2))) / noise
    return ShapeFit((*model.names, "blur", "air", "contrast"), values, full, rms, total / len(grey), len(grey))


def _ties(tied: NDArray[np.int64], tie: Floats, count: int) -> Floats:
    """Rows of the Jacobian that belong to the priors."""
    rows = np.zeros((len(tied), count))
    rows[np.arange(len(tied)), tied] = tie
    return rows


def _slopes_matter(jac: Floats, raw: Floats) -> bool:
    """Tell by one linear step whether a slope away from the edge is significant (four sigma)."""
    weight = np.exp(-((raw / _WELSCH) ** 2))
    normal = (jac * weight[:, None]).T @ jac
    normal += np.eye(len(normal)) * 1e-9 * np.trace(normal)
    inverse = np.linalg.pinv(normal)
    step = -inverse @ (jac.T @ (weight * raw))
    return bool((np.abs(step[-2:]) > 4 * np.sqrt(np.maximum(np.diag(inverse)[-2:], 1e-30))).any())


def _covariance(jac: Floats, raw: Floats, cluster: NDArray[np.int64], ties: Floats) -> Floats | None:
    """Sandwich covariance of the redescending fit, no variance below that of independent residuals.

    Bread from the derivative of the score, meat from its square, once voxel by voxel and
    once summed over clusters (P. J. Huber, Robust Statistics, section 7.6).
    """
    weight = np.exp(-((raw / _WELSCH) ** 2))
    score = weight * raw
    slope = weight * (1 - 2 * (raw / _WELSCH) ** 2)
    penalty = ties.T @ ties
    bread = (jac * slope[:, None]).T @ jac + penalty
    if not np.isfinite(bread).all():
        return None
    if np.linalg.eigvalsh(bread)[0] <= 0:  # too many stragglers for the second derivative: take the weights
        bread = (jac * weight[:, None]).T @ jac + penalty
    if np.linalg.cond(bread) > 1e16:
        return None
    inverse = np.linalg.inv(bread)
    count = jac.shape[1]
    meat = (jac * (score**2)[:, None]).T @ jac * (len(raw) / max(len(raw) - count, 1)) + penalty
    plain = inverse @ meat @ inverse
    _, group = np.unique(cluster, return_inverse=True)
    groups = int(group.max()) + 1
    if groups < 4 * count:  # too few to tell their scatter from chance
        return np.asarray(plain)
    each = jac * score[:, None]
    sums = np.column_stack([np.bincount(group, weights=each[:, i], minlength=groups) for i in range(count)])
    clustered = inverse @ (sums.T @ sums * (groups / (groups - count)) + penalty) @ inverse
    stretch = np.sqrt(np.maximum(np.diag(clustered) / np.maximum(np.diag(plain), 1e-300), 1.0))
    return np.asarray(plain * np.outer(stretch, stretch))
