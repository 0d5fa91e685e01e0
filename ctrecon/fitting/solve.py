"""The one engine: any shape with a signed distance, fitted to grey values through a blurred step."""

from dataclasses import dataclass
from typing import Any, Protocol, cast

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import erf

from ctrecon.core.frames import Floats
from ctrecon.fitting.result import FitFailed, ShapeFit
from ctrecon.fitting.uncertainty import WELSCH, sandwich
from ctrecon.slices.lasting import Around, Lasting
from ctrecon.slices.noise import Correlation

__all__ = ["GreyModel", "Samples", "fit_grey", "misfit_of_sharp"]

_REACH = 4.5
_SLOPE_SD = 0.5
_PINNED = 1e4
_LEAST = 30
_LEAST_NOISE = 0.002  # share of the contrast: eight-bit grey has no less
_SHARP_PX = 0.45
_WHOLE_VOXELS = 0.25
_WITHIN = 0.4
_ROUGH = 0.04


@dataclass(frozen=True, eq=False)
class Samples:
    """Voxels near an edge: part-frame places (px of the square grid), grey (air 0, metal 1), cluster.

    Voxels of one cluster may share errors (a ring, a stain); their errors are not
    assumed independent when the covariance is worked out. `voxel` (N, 3) holds slice,
    row and column numbers, needed where the noise of neighbours is correlated.
    """

    x: Floats
    y: Floats
    z: Floats
    grey: Floats
    cluster: NDArray[np.int64]
    voxel: NDArray[np.int64] | None = None

    def __len__(self) -> int:
        return len(self.grey)

    def thin(self, keep: NDArray[np.bool_]) -> "Samples":
        """Return the samples where `keep` is true."""
        voxel = None if self.voxel is None else self.voxel[keep]
        return Samples(self.x[keep], self.y[keep], self.z[keep], self.grey[keep], self.cluster[keep], voxel)


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
    correlation: Correlation | None = None, slope_sd: float | None = None,
    cupping_px: float | None = None, lasting: Lasting | Around | None = None, damaged: bool = False,
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
    correlation : Correlation, optional
        Correlation of the noise of neighbouring voxels; used where samples carry `voxel`.
    slope_sd : float, optional
        Standard deviation of the prior of the slopes of air and metal away from the edge,
        in contrasts per 4.5 px. Without it the slopes come in only where the grey asks
        for them by four sigma: samples close to an edge tell slope and place badly apart.
    cupping_px : float, optional
        Half width of a solid shape: its metal then shades with the square of the distance
        from the middle, as cupping does, and not straight.
    lasting : Lasting or Around, optional
        Errors that are the same in all slices, or that run round the scanner's axis; used where samples carry
        `voxel`.
    damaged : bool
        A part of the edge is eaten or broken; what is left is then trusted by whole sectors.

    Returns
    -------
    ShapeFit or FitFailed
        The model's parameters (then blur, air, contrast); covariance and its budget from
        `sandwich`; `rms` in units of `noise`.

    Notes
    -----
    Maximum likelihood for a step blurred by a Gaussian, with Welsch's loss so that eaten
    rims and dirt lose their weight. The model moves curved edges inwards by σ²/2R as
    blur does (Mendonça et al., ECCV 2004), so diameters come out unbiased. Air and
    metal each carry slopes across the shape and away from the edge, so that cupping and
    shading do not pull it.
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
    noise = max(noise, _LEAST_NOISE)
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
        if cupping_px is not None:
            inner = inner * (1 - np.minimum(d, cupping_px) / (2 * cupping_px))
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

    kept: dict[bytes, tuple[Floats, Floats, Floats]] = {}

    def at(q: Floats) -> tuple[Floats, Floats, Floats]:
        # the solver asks for residuals and derivatives of the same place one after the other
        key = q.tobytes()
        if key not in kept:
            kept.clear()
            kept[key] = pieces(q)
        return kept[key]

    slope_at = np.arange(n_free + 3, n_free + 3 + n_slopes)
    tied = np.concatenate([np.searchsorted(index, prior), slope_at])
    tie = np.concatenate([1 / sd, np.full(n_slopes, 1 / _SLOPE_SD)])
    centre = np.concatenate([start[prior], np.zeros(n_slopes)])
    away = len(tie) - 1  # the last two are the slopes away from the edge
    tie[-2:] = _PINNED if slope_sd is None else 1 / slope_sd

    def residuals(q: Floats) -> Floats:
        r, _, _ = at(q)
        return np.concatenate([r / scale, (q[tied] - centre) * tie])

    def jacobian(q: Floats) -> Floats:
        _, jac, _ = at(q)
        return np.concatenate([jac / scale, _ties(tied, tie, jac.shape[1])])

    def welsch(z: Floats) -> Floats:
        e = np.exp(-z / WELSCH**2)
        return np.stack([WELSCH**2 * (1 - e), e, -e / WELSCH**2])

    q = np.concatenate([start[index], [np.log(blur_start_px), low, high - low], np.zeros(n_slopes)])

    def solved(q: Floats, tolerance: float, most: int) -> Floats:
        found = least_squares(
            residuals, q, jac=jacobian, loss=cast(Any, welsch), method="trf", x_scale="jac", xtol=tolerance,
            ftol=1e-9, max_nfev=most,
        )  # fmt: skip
        return np.asarray(found.x)

    if noise < _ROUGH:
        # in grey this clean the least misfit of the start looks like damage, and a whole flank could lose its say
        scale = _ROUGH
        q, scale = solved(q, 1e-4, 20), noise
    for _ in range(3):
        q = solved(q, 1e-7, 60)
        raw, jac, _ = at(q)
        spread = 1.4826 * float(np.median(np.abs(raw)))
        sharp = misfit_of_sharp(float(np.exp(q[n_free])))
        spread = max(spread, sharp)
        changed = spread > 1.15 * scale
        if sharp and len(tied) == len(prior) + n_slopes:
            # an edge between two rows of voxels may lie anywhere between them: the start is known to about half a voxel
            tied = np.concatenate([tied, np.arange(n_free)])
            tie, centre = np.concatenate([tie, np.full(n_free, 1 / _WITHIN)]), np.concatenate([centre, start[index]])
            changed = True
        scale = spread if changed else scale
        if tie[away] == _PINNED and _slopes_matter(jac / scale, raw / scale):
            tie[away - 1 : away + 1] = 1 / _SLOPE_SD
            changed = True
        if not changed:
            break
    raw, jac, p = at(q)
    weight = np.exp(-((raw / scale / WELSCH) ** 2))
    _, blur, air, contrast, slopes = unpack(q)
    if contrast < 0.2 or not np.isfinite(q).all():
        return FitFailed("the grey values show no clear edge")
    found = sandwich(
        jac / scale, raw / scale, _ties(tied, tie, jac.shape[1]), shape=n_free, cluster=samples.cluster,
        voxel=samples.voxel, correlation=correlation, lasting=lasting, noise=scale,
        damaged=damaged,
    )  # fmt: skip
    if found is None:
        return FitFailed("the voxels do not settle the shape")
    covariance, origins = found
    full = np.zeros((count + 3, count + 3))
    where = np.concatenate([index, count + np.arange(3)])
    full[np.ix_(where, where)] = covariance[: n_free + 3, : n_free + 3]
    budget = {origin: np.zeros(count + 3) for origin in origins}
    for origin, variance in origins.items():
        budget[origin][where] = variance[: n_free + 3]
    values = np.concatenate([p, [blur, air, contrast]])
    total = float(weight.sum())
    # the loss shrinks what is left of normal noise by a known factor
    rms = float(np.sqrt((weight * raw**2).sum() / total * (1 + 2 / WELSCH**2))) / noise
    return ShapeFit(
        (*model.names, "blur", "air", "contrast"),
        values,
        full,
        rms,
        total / len(grey),
        len(grey),
        budget,
        float(np.abs(slopes[4:]).max()) / (_REACH * contrast),
    )


def misfit_of_sharp(blur_px: float) -> float:
    """Return the misfit of a smooth step to grey that is not blurred, as a share of the contrast.

    Whole voxels (a drawn or thresholded slice) fit no smooth step, and what they leave over is no damage.
    """
    return _WHOLE_VOXELS * float(np.clip((_SHARP_PX - blur_px) / 0.15, 0.0, 1.0))


def _ties(tied: NDArray[np.int64], tie: Floats, count: int) -> Floats:
    """Rows of the Jacobian that belong to the priors."""
    rows = np.zeros((len(tied), count))
    rows[np.arange(len(tied)), tied] = tie
    return rows


def _slopes_matter(jac: Floats, raw: Floats) -> bool:
    """Tell by one linear step whether a slope away from the edge is significant (four sigma)."""
    weight = np.exp(-((raw / WELSCH) ** 2))
    normal = (jac * weight[:, None]).T @ jac
    normal += np.eye(len(normal)) * 1e-9 * np.trace(normal)
    inverse = np.linalg.pinv(normal)
    step = -inverse @ (jac.T @ (weight * raw))
    return bool((np.abs(step[-2:]) > 4 * np.sqrt(np.maximum(np.diag(inverse)[-2:], 1e-30))).any())
