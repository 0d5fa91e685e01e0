"""One shape followed from slice to slice: the blurred step fitted to the voxels round its edge, quickly.

The model is that of `fit_grey`. What makes it quick is that little changes from one slice to the next: the model
and its derivatives, worked out once, serve until the edge has moved by an eighth of a pixel.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from ctrecon.core.fit_result import FitFailed
from ctrecon.core.frames import Floats
from ctrecon.fitting.track_band import Band, Grid, TrackModel, edge_distance, lay_band, lever
from ctrecon.fitting.uncertainty import WELSCH

__all__ = ["EdgeFit", "EdgeTracker"]

_BAND = 4.5  # px either side of the edge
_WIDE = 12.0  # px, to find the edge from a rough start
_OFF_EDGE = 1.8  # px from the edge beyond which grey is that of air or metal
_ROUGH_BLUR, _START_BLUR = 3.0, 0.85
_STALE = 0.12  # px that an edge may be from where its model was worked out
_STALE_SHARE = 0.05  # the same for blur and contrast
_REACH, _SLOPE_SD, _SLOPES = 4.5, 0.5, 6
_OVER = 1 + 2 / WELSCH**2  # by this a reweighted step falls short where noise is normal
# variance of the fit over the inverse of its weighted normal matrix, for normal noise
_LOSS = (1 + 4 / WELSCH**2) ** -1.5 * (1 + 2 / WELSCH**2) ** 2.5
_LEAST = 60  # voxels
_LEAST_SEEN = 0.25  # of the edge
_SETTLED = 0.05  # of u
_ROUGHLY = 0.1  # px
_SAME_NOISE = 0.15  # change of the scatter below which a fit is settled
_ROUNDS = 16  # of a fit at most
_EVEN = 0.003  # contrasts per 4.5 px: steeper slopes are worth finding out
_LOOK_EVERY = 4  # slices; how patches of the edge share errors changes slowly
_SECTORS_TELL = 12


@dataclass(frozen=True, eq=False)
class EdgeFit:
    """Where the edge is in one slice.

    `p` and `covariance` are the parameters of the shape, px of the grid and radians; `extra` the natural log of the
    blur, then air, contrast and their slopes, in contrasts of the first slice. `share` is the weight that voxels
    kept, `seen` the part of the edge that is in the slice, `noise` that of one voxel in contrasts.
    """

    p: Floats
    covariance: Floats
    extra: Floats
    noise: float
    share: float = 1.0
    seen: float = 1.0

    @property
    def contrast(self) -> float:
        """Contrast over that of the first slice."""
        return float(self.extra[2])

    @property
    def blur_px(self) -> float:
        """Blur (sigma), px."""
        return float(np.exp(self.extra[0]))


@dataclass(eq=False)
class _Line:
    """Model and derivatives (Q, N) at `q` for the voxels of a band that are in the slice."""

    anchor: tuple[int, int]
    q: Floats
    model: Floats
    jac: Floats
    gram: Floats
    index: NDArray[np.int64]
    starts: NDArray[np.int64]
    seen: float


class EdgeTracker:
    """Fits one shape to slice after slice.

    Parameters
    ----------
    model : RoundModel, RectangleModel, SlotModel or PolygonModel
        The shape; lean and taper are not fitted within a slice.
    grid : Grid
        Where the voxels are.
    slope_sd : float
        Prior of the slopes of air and metal away from the edge, contrasts per 4.5 px.
    corner_px : float
        Corner radius: voxels within it and 3 px of where flats meet are left out.
    """

    def __init__(self, model: TrackModel, grid: Grid, *, slope_sd: float = 0.02, corner_px: float = 0.0) -> None:
        self.model, self.grid, self.slope_sd, self.corner_px = model, grid, slope_sd, corner_px
        self.levels = (0.0, 1.0)
        self.neighbours: Floats | float = 1.0
        self._patches: Floats | None = None
        self._fitted = 0
        self._band: Band | None = None
        self._line: _Line | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters fitted in a slice."""
        return tuple(n for n in self.model.names if not n.startswith("slope") and n != "growth")

    def start(self, plane: NDArray[Any], p: Floats) -> EdgeFit | FitFailed:
        """Fit the first slice from a start that may be off by some pixels."""
        anchor = self.grid.voxel_near(p)
        band = lay_band(self.model, self.grid, self._local(p, anchor), _WIDE, self.corner_px)
        index, inside = band.voxels(anchor, plane.shape)
        grey = plane.ravel().take(index).astype(float)
        d = edge_distance(self.model, self._local(p, anchor), band.u, band.v, 0.0)[0][inside]
        low, high = (grey[side & np.isfinite(grey)] for side in (d < -_OFF_EDGE, d > _OFF_EDGE))
        if min(len(low), len(high)) < _LEAST // 4:
            return FitFailed("too few voxels near the edge")
        air, metal = float(np.median(low)), float(np.median(high))
        spread = 1.4826 * min(float(np.median(np.abs(low - air))), float(np.median(np.abs(high - metal))))
        if abs(metal - air) <= 2 * spread or metal == air:
            return FitFailed("no step in grey at the edge")
        self.levels = air, metal - air
        noise = max(spread / abs(metal - air), 1e-3)
        extra = np.concatenate([[np.log(_ROUGH_BLUR), 0.0, 1.0], np.zeros(_SLOPES)])
        self._band, self._line = band, None
        first = EdgeFit(p, np.eye(len(p)), extra, max(noise, 0.3))
        rough = self._fit(plane, first, rounds=40, rough=True)
        self._band = self._line = None
        if not rough:
            return rough
        extra = np.concatenate([[np.log(_START_BLUR)], rough.extra[1:3], np.zeros(_SLOPES)])
        return self._fit(plane, EdgeFit(rough.p, rough.covariance, extra, 2 * noise), rounds=60)

    def follow(self, plane: NDArray[Any], expected: EdgeFit) -> EdgeFit | FitFailed:
        """Fit the next slice, where the edge is expected within about a pixel."""
        return self._fit(plane, expected, rounds=_ROUNDS)

    def residuals(self, plane: NDArray[Any], fit: EdgeFit) -> tuple[Floats, Floats, Floats, NDArray[np.int64]]:
        """Return derivatives (N, Q), residuals, priors (Q, Q) and voxels (row, column) of the slice just fitted."""
        line = self._line
        assert line is not None
        q = np.concatenate([self._local(fit.p, line.anchor), fit.extra])
        jac = line.jac.astype(float)
        left = self._left(plane, line) - (q - line.q) @ jac
        ties = np.diag(self._ties(len(fit.p), rough=False))
        return jac.T, left, ties, np.column_stack(np.divmod(line.index, plane.shape[1]))

    def _fit(
        self, plane: NDArray[Any], at: EdgeFit, *, rounds: int, rough: bool = False
    ) -> EdgeFit | FitFailed:
        """Iterate about the model at hand, and work it out anew where the edge has left it."""
        count = len(at.p)
        tie = self._ties(count, rough=rough)
        aim = np.zeros(len(tie))
        aim[count:] = at.extra if rough else 0.0
        p, extra, noise = at.p, at.extra, at.noise
        levers = lever(self.model, p)
        # a model blurred far more than the grey overshoots by the root of two
        relax = 0.6 if rough else _OVER
        done = 0
        while done < rounds:
            line = self._line
            if line is None or _is_stale(line, self._local(p, line.anchor), extra, levers):
                made = self._linearised(plane, p, extra, noise)
                if isinstance(made, FitFailed):
                    return made
                self._line = line = made
            r0 = self._left(plane, line)
            step = np.concatenate([self._local(p, line.anchor), extra]) - line.q
            try:
                inverse = np.linalg.inv(line.gram / noise**2 + np.diag(tie**2))
            except np.linalg.LinAlgError:
                return FitFailed("the voxels do not settle the shape")
            u = np.sqrt(np.maximum(np.diag(inverse)[:count], 0.0))
            settled = False
            while done < rounds and not settled:
                done += 1
                r = r0 - step.astype(np.float32) @ line.jac
                weight = np.exp(r * r * np.float32(-1 / (WELSCH * noise) ** 2))
                score = weight * r
                move = relax * (inverse @ ((line.jac @ score) / noise**2 - tie**2 * (line.q + step - aim)))
                far = float(np.abs(move[:count] * levers).max())
                if not np.isfinite(far):
                    return FitFailed("no edge of this shape is there")
                step = step + move * min(1.0, 1.0 / max(far, 1e-12))
                settled = far < _ROUGHLY if rough else bool((np.abs(move[:count]) < _SETTLED * u).all())
                if rough or np.abs(step[:count] * levers).max() > 2 * _STALE:
                    self._line = None if rough else line
                    break
            q = line.q + step
            p = q[:count].copy()
            p[:2] += self.grid.place(line.anchor)
            extra = q[count:].copy()
            extra[0] = np.clip(extra[0], -2.5, 2.0)
            total = max(float(weight.sum()), 1e-9)
            if settled and not rough:
                scatter = float(np.sqrt(max(float(score @ r), 0.0) / total * _OVER))
                scatter = max(float(np.clip(scatter, 0.3 * noise, 2 * noise)), 1e-4)
                settled = abs(scatter / noise - 1) < _SAME_NOISE
                noise = scatter
            if settled and not _is_stale(line, q[:count], extra, levers):
                covariance = self._covariance(line, inverse[:count], score, rough=rough)
                return EdgeFit(p, covariance, extra, noise, min(total / len(r0) * np.sqrt(_OVER), 1.0), line.seen)
        return FitFailed("no edge of this shape settles there")

    def _linearised(self, plane: NDArray[Any], p: Floats, extra: Floats, noise: float) -> _Line | FitFailed:
        """Work out model and derivatives at these parameters."""
        anchor = self.grid.voxel_near(p)
        local = self._local(p, anchor)
        if self._band is None or self._band.left_by(local, lever(self.model, p)):
            # farther voxels tell how the grey shades away from the edge, where it may
            far = _WIDE if self.slope_sd > _EVEN else 0.0
            self._band = lay_band(self.model, self.grid, local, _BAND, self.corner_px, far_px=far)
        band = self._band
        index, inside = band.voxels(anchor, plane.shape)
        if len(index) < _LEAST:
            return FitFailed("too few voxels near the edge")
        seen = len(index) / len(band.u)
        if seen < _LEAST_SEEN:
            return FitFailed("the edge has left the stack")
        blur = float(np.exp(extra[0]))
        d, by_shape = edge_distance(self.model, local, band.u[inside], band.v[inside], blur)
        count = len(p)
        wide: Floats | float = blur
        if self.grid.voxel_px[0] != self.grid.voxel_px[1]:
            dx, dy = self.grid.voxel_px
            wide = blur * np.hypot(by_shape[0] * dx, by_shape[1] * dy)
        t = d / wide
        full = ndtr(t)
        bell = np.exp(-0.5 * t * t) * (1 / np.sqrt(2 * np.pi))
        inner, outer = np.maximum(d, 0) / _REACH, np.minimum(d, 0) / _REACH
        places = band.places[:, inside]
        slopes = extra[3:]
        local_contrast = extra[2] + slopes[2:4] @ places + slopes[5] * inner
        jac = np.empty((count + 3 + _SLOPES, len(d)))
        steep = local_contrast * bell / wide + (slopes[4] * (d < 0) + slopes[5] * (d > 0) * full) / _REACH
        np.multiply(by_shape, steep, out=jac[:count])
        jac[count] = -local_contrast * bell * t
        jac[count + 1] = 1.0
        jac[count + 2] = full
        jac[count + 3 : count + 5] = places
        np.multiply(places, full, out=jac[count + 5 : count + 7])
        jac[count + 7] = outer
        np.multiply(inner, full, out=jac[count + 8])
        model = extra[1] + slopes[:2] @ places + slopes[4] * outer + local_contrast * full
        q = np.concatenate([local, extra])
        line = _Line(anchor, q, model.astype(np.float32), jac, jac, index, band.starts(inside), seen)
        root = np.exp(self._left(plane, line) ** 2 * (-0.5 / (WELSCH * noise) ** 2))
        weighted = jac * root
        line.gram = weighted @ weighted.T
        line.jac = jac.astype(np.float32)  # half the memory to go through in every step, and exact enough for one
        if np.linalg.cond(line.gram[:count, :count]) > 1e12:
            return FitFailed("the voxels do not settle the shape")
        return line

    def _left(self, plane: NDArray[Any], line: _Line) -> Floats:
        """Return grey less model; voxels without data are so far off that they weigh nothing."""
        left = plane.ravel().take(line.index).astype(np.float32)
        left -= np.float32(self.levels[0])
        left *= np.float32(1 / self.levels[1])
        left -= line.model
        if plane.dtype.kind == "f":
            left[~np.isfinite(left)] = 1e3
        return left

    def _local(self, p: Floats, anchor: tuple[int, int]) -> Floats:
        out = p.copy()
        out[:2] -= self.grid.place(anchor)
        return out

    def _ties(self, count: int, *, rough: bool) -> Floats:
        """Return 1 over the standard deviations of the priors; a rough fit has levels and blur as given."""
        if rough:
            return np.concatenate([np.zeros(count), np.full(3 + _SLOPES, 1e4)])
        away = 1 / max(self.slope_sd, 1e-4)
        return np.concatenate([np.zeros(count + 3), np.full(4, 1 / _SLOPE_SD), [away, away]])

    def _covariance(self, line: _Line, inverse: Floats, score: Floats, *, rough: bool) -> Floats:
        """Return the covariance of the shape, stretched where neighbours or whole patches of the edge share errors."""
        count = len(inverse)
        covariance = _LOSS * inverse[:, :count]
        if rough:
            return np.asarray(covariance)
        if self._fitted % _LOOK_EVERY == 0 and len(line.starts) >= _SECTORS_TELL:
            each = (inverse.astype(np.float32) @ line.jac) * score
            sums = np.add.reduceat(each, line.starts, axis=1)
            ratio = (sums**2).sum(axis=1) / np.maximum((each**2).sum(axis=1), 1e-300)
            old = self._patches
            # single slices tell it badly: about the last dozen of looks count
            weight = max(1 / 12, 1 / (1 + self._fitted // _LOOK_EVERY))
            self._patches = ratio if old is None else old + (ratio - old) * weight
        self._fitted += 1
        far: Floats | float = 1.0 if self._patches is None else np.sqrt(np.maximum(self._patches, 1.0))
        stretch = np.maximum(self.neighbours, far) * np.ones(count)
        return np.asarray(covariance * np.outer(stretch, stretch))


def _is_stale(line: _Line, local: Floats, extra: Floats, levers: Floats) -> bool:
    """Return whether the parameters have left the place where the model was worked out."""
    count = len(local)
    moved = np.abs((local - line.q[:count]) * levers).max()
    return bool(
        moved > _STALE
        or abs(extra[0] - line.q[count]) > _STALE_SHARE
        or abs(extra[2] - line.q[count + 2]) > _STALE_SHARE * abs(line.q[count + 2])
    )
