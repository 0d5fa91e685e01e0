"""The model of grey beside an edge: air + contrast · Φ(distance / blur), with slopes, and its derivatives."""

from copy import copy
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from ctrecon.core.frames import Floats

__all__ = ["LN_BLUR", "REACH_PX", "GreyModel", "GreyStep", "Samples", "Unknowns"]

REACH_PX = 4.5
"""Slopes away from the edge are grey per so many px: the half width of the band that sizes come from."""


LN_BLUR = (-2.5, 2.0)
"""Least and most ln blur (px) that a scan can have."""


@dataclass(frozen=True, eq=False)
class Samples:
    """Voxels near an edge: part-frame places (px of the part grid), grey (air 0, metal 1), cluster.

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

    def thin(self, keep: NDArray[np.bool_] | slice) -> "Samples":
        """Return the samples where `keep` is true, or those of a slice."""
        voxel = None if self.voxel is None else self.voxel[keep]
        return Samples(self.x[keep], self.y[keep], self.z[keep], self.grey[keep], self.cluster[keep], voxel)


class GreyModel(Protocol):
    """A shape whose parameters can be fitted: signed distance (inside metal positive) with derivatives."""

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters, in order."""

    def distance(self, p: Floats, s: Samples, blur_px: float) -> tuple[Floats, Floats]:
        """Return distance (N,) to the half-height edge, px, and its derivatives (N, parameters)."""


@dataclass(frozen=True, eq=False)
class Unknowns:
    """What a vector of unknowns means: the shape's parameters, blur, air, contrast, slopes.

    `slopes` are those of air and of contrast by place (as many each), then of air and of metal away from the edge.
    """

    p: Floats
    blur: float
    air: float
    contrast: float
    slopes: Floats


class GreyStep:
    """Residuals of the grey model and their derivatives, for one shape and its voxels.

    Unknowns are the free parameters of the shape, ln blur, air, contrast and the slopes. `through_depth` lets air and
    contrast slope along depth too, as they do where a drift was taken out badly.
    """

    def __init__(
        self, model: GreyModel, start: Floats, free: NDArray[np.int64], samples: Samples, ratio: Floats,
        cupping_px: float | None, *, through_depth: bool = False,
    ) -> None:  # fmt: skip
        self.model, self.start, self.free, self.samples = model, start.astype(float), free, samples
        self.ratio, self.cupping_px = ratio, cupping_px
        self.grey = samples.grey.astype(float)
        along = [samples.x, samples.y, samples.z] if through_depth else [samples.x, samples.y]
        self.places = np.column_stack([_spread(v) for v in along])

    @property
    def slopes(self) -> int:
        """Number of slopes."""
        return int(2 * self.places.shape[1] + 2)

    def __len__(self) -> int:
        return len(self.grey)

    def every(self, step: int) -> "GreyStep":
        """Return the same model on one of so many voxels; places are spread as for all of them."""
        thin = copy(self)
        some = slice(None, None, step)
        thin.samples, thin.grey = self.samples.thin(some), self.grey[some]
        thin.ratio, thin.places = self.ratio[some], self.places[some]
        return thin

    def unknowns(self, q: Floats) -> Unknowns:
        """Return what the vector means; ln blur is held within what a scan can have."""
        n = len(self.free)
        p = self.start.copy()
        p[self.free] = q[:n]
        blur = float(np.exp(np.clip(q[n], *LN_BLUR)))
        return Unknowns(p, blur, float(q[n + 1]), float(q[n + 2]), q[n + 3 :])

    def at(self, q: Floats) -> tuple[Floats, Floats]:
        """Return residuals (N,) and derivatives (N, unknowns)."""
        n, places = len(self.free), self.places
        many = places.shape[1]
        u = self.unknowns(q)
        of_air, of_contrast, (to_air, to_metal) = u.slopes[:many], u.slopes[many:-2], u.slopes[-2:]
        d, dp = self.model.distance(u.p, self.samples, u.blur)
        wide = u.blur * self.ratio
        t = d / wide
        step = ndtr(t)
        bell = np.exp(-0.5 * t * t) / np.sqrt(2 * np.pi)
        inner, outer = np.maximum(d, 0) / REACH_PX, np.minimum(d, 0) / REACH_PX
        if self.cupping_px is not None:
            inner = inner * (1 - np.minimum(d, self.cupping_px) / (2 * self.cupping_px))
        local = u.contrast + places @ of_contrast + to_metal * inner
        steep = local * bell
        jac = np.empty((n + 3 + self.slopes, len(d)))  # filled by rows, which are together in memory
        jac[n] = -steep * t
        steep = steep / wide + (to_air * (d < 0) + to_metal * (d > 0) * step) / REACH_PX
        np.multiply(dp.T[self.free], steep, out=jac[:n])
        jac[n + 1] = 1.0
        jac[n + 2] = step
        jac[n + 3 : n + 3 + many] = places.T
        np.multiply(places.T, step, out=jac[n + 3 + many : -2])
        jac[-2] = outer
        np.multiply(inner, step, out=jac[-1])
        return u.air + places @ of_air + to_air * outer + local * step - self.grey, jac.T


def _spread(values: Floats) -> Floats:
    """Centre values and scale them to about -1 to 1."""
    middle, half = (values.max() + values.min()) / 2, (values.max() - values.min()) / 2
    return np.asarray((values - middle) / max(float(half), 1.0))
