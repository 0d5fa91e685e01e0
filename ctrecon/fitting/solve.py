"""The one engine: any shape with a signed distance, fitted to grey values through a blurred step."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.fit_result import FitFailed, ShapeFit
from ctrecon.core.frames import Floats
from ctrecon.fitting.descend import Ties, descend
from ctrecon.fitting.grey_step import LN_BLUR, REACH_PX, GreyModel, GreyStep, Samples
from ctrecon.fitting.uncertainty import WELSCH, sandwich
from ctrecon.grey.lasting import RingError, SharedError
from ctrecon.grey.noise import Correlation

__all__ = ["GreyModel", "Samples", "fit_grey", "fit_grey_by_ratio", "misfit_of_sharp"]

_SLOPE_SD = 0.5  # contrasts per reach; prior of the slopes of air and metal
_PINNED = 1e4  # weight that holds a slope at zero
_LEAST = 30  # voxels; fewer settle no shape
_LEAST_NOISE = 0.002  # share of the contrast: eight-bit grey has no less
_SHARP_PX = 0.45  # blur below which voxels are whole: the edge was drawn or thresholded
_WHOLE_VOXELS = 0.25  # contrasts; misfit of a smooth step to whole voxels
_WITHIN = 0.4  # voxel; sd of the start of an edge without blur
_ROUGH = 0.04  # contrasts; noise below which the first round is loosened to this
_FEW_VOXELS = 6_000  # a first answer from so many is within a tenth of u of the last, and costs a tenth of it


# many: the engine's switches, each set by some caller and documented below
def fit_grey(
    model: GreyModel, start: Floats, samples: Samples, *, noise: float, active: NDArray[np.bool_] | None = None,
    prior_sd: Floats | None = None, blur_start_px: float = 0.85, blur_ratio: Floats | float = 1.0,
    correlation: Correlation | None = None, slope_sd: float | None = None,
    cupping_px: float | None = None, lasting: SharedError | RingError | None = None, damaged: bool = False,
    through_depth: bool = False,
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
        are not square.
    correlation : Correlation, optional
        Correlation of the noise of neighbouring voxels; used where samples carry `voxel`.
    slope_sd : float, optional
        Standard deviation of the prior of the slopes of air and metal away from the edge,
        in contrasts per 4.5 px. Without it the slopes come in only where the grey asks
        for them by four sigma: samples close to an edge tell slope and place badly apart.
    cupping_px : float, optional
        Half width of a solid shape: its metal then shades with the square of the distance
        from the middle, as cupping does, and not straight.
    lasting : SharedError or RingError, optional
        Errors that are the same in all slices, or that run round the scanner's axis; used where samples carry
        `voxel`.
    damaged : bool
        A part of the edge is eaten or broken; what is left is then trusted by whole sectors.
    through_depth : bool
        Air and contrast may slope along depth too: what is left of a drift would else pass for a taper.

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
    return fit_grey_by_ratio(
        model, start, samples, (blur_ratio,), noise=noise, active=active, prior_sd=prior_sd,
        blur_start_px=blur_start_px, correlation=correlation, slope_sd=slope_sd, cupping_px=cupping_px,
        lasting=lasting, damaged=damaged, through_depth=through_depth,
    )[0]  # fmt: skip


# many: those of `fit_grey`
def fit_grey_by_ratio(
    model: GreyModel, start: Floats, samples: Samples, blur_ratios: Sequence[Floats | float], *, noise: float,
    active: NDArray[np.bool_] | None = None, prior_sd: Floats | None = None, blur_start_px: float = 0.85,
    correlation: Correlation | None = None, slope_sd: float | None = None,
    cupping_px: float | None = None, lasting: SharedError | RingError | None = None, damaged: bool = False,
    through_depth: bool = False,
) -> tuple[ShapeFit | FitFailed, int]:  # fmt: skip
    """Fit as `fit_grey` does with each of some blur ratios; return the fit that leaves least, and which ratio it has.

    How sure it is takes as long to work out as the fit itself: that is done for this one alone.
    """
    free = np.flatnonzero(np.ones(len(model.names), dtype=bool) if active is None else active)
    if len(samples) < max(_LEAST, 4 * len(free)):
        return FitFailed("too few voxels near the edge"), 0
    noise = max(noise, _LEAST_NOISE)
    known = free[np.isfinite(prior_sd[free])] if prior_sd is not None else free[:0]
    sd = prior_sd[known] if prior_sd is not None else np.zeros(0)

    def searched(blur_ratio: Floats | float) -> "_Search | FitFailed":
        ratio = np.broadcast_to(np.asarray(blur_ratio, dtype=float), samples.grey.shape)
        step = GreyStep(model, start, free, samples, ratio, cupping_px, through_depth=through_depth)
        levels = _levels(step, blur_start_px)
        if isinstance(levels, FitFailed):
            return levels
        q = np.concatenate([start[free], [np.log(blur_start_px)], levels, np.zeros(step.slopes)])
        search = _Search(step, q, noise, _ties(start, free, known, sd, slope_sd, step.slopes), slope_sd is None)
        search.run(start)
        if step.unknowns(search.q).contrast < 0.2 or not np.isfinite(search.q).all():
            return FitFailed("the grey values show no clear edge")
        return search

    def settled(search: "_Search | FitFailed") -> ShapeFit | FitFailed:
        if isinstance(search, FitFailed):
            return search
        jac, scale = search.jac, search.scale
        spread = sandwich(
            jac / scale, search.raw / scale, search.ties.rows(jac.shape[1]), shape=len(free), cluster=samples.cluster,
            voxel=samples.voxel, correlation=correlation, lasting=lasting, noise=scale, damaged=damaged,
        )  # fmt: skip
        return FitFailed("the voxels do not settle the shape") if spread is None else _result(search, *spread, noise)

    searches = [searched(ratio) for ratio in blur_ratios]
    left = [np.inf if isinstance(one, FitFailed) else one.left / noise for one in searches]
    for i in np.argsort(left, kind="stable").tolist():
        fit = settled(searches[i])
        if fit:
            return fit, i
    return settled(searches[0]), 0


def _result(search: "_Search", covariance: Floats, origins: dict[str, Floats], noise: float) -> ShapeFit:
    """Return the fit with room for the parameters that were held."""
    step, raw, scale = search.step, search.raw, search.scale
    model, free, found = step.model, step.free, step.unknowns(search.q)
    count = len(model.names)
    full = np.zeros((count + 3, count + 3))
    where = np.concatenate([free, count + np.arange(3)])
    full[np.ix_(where, where)] = covariance[: len(where), : len(where)]
    budget = {origin: np.zeros(count + 3) for origin in origins}
    for origin, variance in origins.items():
        budget[origin][where] = variance[: len(where)]
    total = float(np.exp(-((raw / scale / WELSCH) ** 2)).sum())
    return ShapeFit(
        (*model.names, "blur", "air", "contrast"),
        np.concatenate([found.p, [found.blur, found.air, found.contrast]]),
        full,
        search.left / noise,
        total / len(raw),
        len(raw),
        budget,
        float(np.abs(found.slopes[-2:]).max()) / (REACH_PX * found.contrast),
    )


def _levels(step: GreyStep, blur_px: float) -> tuple[float, float] | FitFailed:
    """Return air and contrast beyond the blur of the start, or why there is no edge."""
    d, _ = step.model.distance(step.start, step.samples, blur_px)
    deep, out = step.grey[d > 1.8], step.grey[d < -1.8]
    low = float(np.median(out)) if len(out) > 8 else 0.0
    high = float(np.median(deep)) if len(deep) > 8 else 1.0
    return FitFailed("no step in grey at the edge") if high - low < 0.2 else (low, high - low)


def _ties(
    start: Floats, free: NDArray[np.int64], known: NDArray[np.int64], sd: Floats, slope_sd: float | None, slopes: int
) -> Ties:
    """Priors of the shape's own parameters, then of the slopes; the last two are those away from the edge."""
    slope_at = np.arange(len(free) + 3, len(free) + 3 + slopes)
    weight = np.concatenate([1 / sd, np.full(slopes, 1 / _SLOPE_SD)])
    weight[-2:] = _PINNED if slope_sd is None else 1 / slope_sd
    which = np.concatenate([np.searchsorted(free, known), slope_at])
    return Ties(which, weight, np.concatenate([start[known], np.zeros(slopes)]))


@dataclass
class _Search:
    """One fit on its way: where it is, how much the grey scatters about it, which priors hold it."""

    step: GreyStep
    q: Floats
    noise: float
    ties: Ties
    slopes_pinned: bool
    held: bool = False
    scale: float = 0.0
    raw: Floats = field(default_factory=lambda: np.zeros(0))
    jac: Floats = field(default_factory=lambda: np.zeros((0, 0)))

    @property
    def left(self) -> float:
        """What is left of the grey, root mean square; the loss shrinks that of normal noise by a known factor."""
        weight = np.exp(-((self.raw / self.scale / WELSCH) ** 2))
        return float(np.sqrt((weight * self.raw**2).sum() / float(weight.sum()) * (1 + 2 / WELSCH**2)))

    def run(self, start: Floats) -> None:
        """Solve, look how much is left over, and solve again where that changes the weights or the priors."""
        # in grey very clean the least misfit of the start looks like damage, and a whole flank could lose its say
        rough = self.noise < _ROUGH
        self.scale = _ROUGH if rough else self.noise
        thin = len(self.step) // _FEW_VOXELS
        within = len(self.step.free), *LN_BLUR
        if rough or thin > 1:
            few = self.step.every(max(thin, 1))
            self.q, _ = descend(few.at, self.q, self.scale, self.ties, tolerance=1e-4, most=20, within=within)
            self.scale = self.noise
        for _ in range(3):
            self.q, (self.raw, self.jac) = descend(
                self.step.at, self.q, self.scale, self.ties, tolerance=1e-7, most=60, within=within
            )
            if not self._changed(start):
                break

    def _changed(self, start: Floats) -> bool:
        n_free = len(self.step.free)
        spread = 1.4826 * float(np.median(np.abs(self.raw)))
        sharp = misfit_of_sharp(float(np.exp(self.q[n_free])))
        spread = max(spread, sharp)
        changed = spread > 1.15 * self.scale
        if sharp and not self.held:
            # an edge between two rows of voxels may be anywhere between them: the start is known to half a voxel
            self.held = True
            self.ties = self.ties.before(np.arange(n_free), 1 / _WITHIN, start[self.step.free])
            changed = True
        self.scale = spread if changed else self.scale
        if self.slopes_pinned and _slopes_matter(self.jac / self.scale, self.raw / self.scale):
            self.ties.weight[-2:] = 1 / _SLOPE_SD
            self.slopes_pinned = False
            changed = True
        return changed


def misfit_of_sharp(blur_px: float) -> float:
    """Return the misfit of a smooth step to grey that is not blurred, as a share of the contrast.

    Whole voxels (a drawn or thresholded slice) fit no smooth step, and what they leave over is not damage.
    """
    return _WHOLE_VOXELS * float(np.clip((_SHARP_PX - blur_px) / 0.15, 0.0, 1.0))


def _slopes_matter(jac: Floats, raw: Floats) -> bool:
    """Decide by one linear step whether a slope away from the edge is significant (four sigma)."""
    weight = np.exp(-((raw / WELSCH) ** 2))
    normal = (jac * weight[:, None]).T @ jac
    normal += np.eye(len(normal)) * 1e-9 * np.trace(normal)
    inverse = np.linalg.pinv(normal)
    step = -inverse @ (jac.T @ (weight * raw))
    return bool((np.abs(step[-2:]) > 4 * np.sqrt(np.maximum(np.diag(inverse)[-2:], 1e-30))).any())
