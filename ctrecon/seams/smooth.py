"""Grey freed of everything broad and smoothed to the width of a thin dip, within sound metal only."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.frames import Floats

__all__ = ["PLAIN", "Smoother", "smooth_field", "smooth_fields"]

PLAIN = (3.0, 0.85)
"""Widths (sigma, px) of the trend that is taken off and of the smoothing, where pixels do not share their noise."""
_LOUDEST = 5.0
_REACH = 3.0


class Smoother:
    """Take off the local straight trend of the grey and smooth what is left to the width of a thin dip.

    Summed along a line, an isotropic kernel acts across it like its own projection: so one picture serves lines of
    every direction. The trend is a plane fitted under a Gaussian window to solid pixels only, so that neither
    cupping nor a wall beside leaves a mark. Single loud pixels (pores, cracks) speak with five deviations at most.
    What depends on the weights alone is worked out once.

    Parameters
    ----------
    weight : ndarray
        Share of the planes in which each pixel is sound metal.
    kernel : tuple of float
        Widths (sigma, px) of the trend and of the smoothing.
    """

    def __init__(self, weight: Floats, kernel: tuple[float, float] = PLAIN) -> None:
        self.weight = weight
        rows, columns = np.nonzero(weight > 0)
        self._empty = not len(rows)
        if self._empty:
            return
        wide, narrow = kernel
        self._plain, self._ramp, square = _kernels(wide)
        self._narrow = _kernels(narrow)[0]
        margin = len(self._plain) // 2
        self._box = (
            slice(max(rows.min() - margin, 0), rows.max() + margin + 1),
            slice(max(columns.min() - margin, 0), columns.max() + margin + 1),
        )
        w = self._w = np.ascontiguousarray(weight[self._box], dtype=np.float32)
        self._in = w > 0
        down, ramp_down = _pass(w, self._plain, 0), _pass(w, self._ramp, 0)
        m = _pass(down, self._plain, 1)
        self._share = 1 / np.maximum(m, 1e-9)
        self._x, self._y = _pass(down, self._ramp, 1) * self._share, _pass(ramp_down, self._plain, 1) * self._share
        # a narrow strip of metal has no slope across it to speak of: draw that slope towards nothing
        xx = _pass(down, square, 1) * self._share - self._x**2 + np.float32(0.3)
        yy = _pass(_pass(w, square, 0), self._plain, 1) * self._share - self._y**2 + np.float32(0.3)
        xy = _pass(ramp_down, self._ramp, 1) * self._share - self._x * self._y
        det = 1 / np.maximum(xx * yy - xy * xy, 1e-6)
        # the slopes' share in the trend at a pixel itself: -x0 slope_x - y0 slope_y
        self._by_x, self._by_y = (yy * self._x - xy * self._y) * det, (xx * self._y - xy * self._x) * det
        self._near = 1 / np.maximum(_pass(_pass(w, self._narrow, 0), self._narrow, 1), 1e-6)

    def __call__(self, mean: Floats) -> NDArray[np.float32]:
        """Return the fine grey of one plane; 0 where there is no sound metal."""
        out = np.zeros(self.weight.shape, dtype=np.float32)
        if self._empty:
            return out
        grey = mean[self._box].astype(np.float32)
        f = np.where(self._in, grey - np.float32(np.median(grey[self._in])), np.float32(0.0)) * self._w
        down = _pass(f, self._plain, 0)
        mf = _pass(down, self._plain, 1) * self._share
        xf = _pass(down, self._ramp, 1) * self._share - self._x * mf
        yf = _pass(_pass(f, self._ramp, 0), self._plain, 1) * self._share - self._y * mf
        trend = mf - self._by_x * xf - self._by_y * yf
        left = np.where(self._in, grey - np.float32(np.median(grey[self._in])) - trend, np.float32(0.0))
        spread = np.float32(1.4826 * float(np.median(np.abs(left[self._in]))))
        left = np.clip(left, -_LOUDEST * spread, _LOUDEST * spread) * self._w
        near = _pass(_pass(left, self._narrow, 0), self._narrow, 1) * self._near
        out[self._box] = np.where(self._in, near, 0.0)
        return out


def smooth_field(mean: Floats, weight: Floats, kernel: tuple[float, float] = PLAIN) -> NDArray[np.float32]:
    """Return the fine grey of one plane, see `Smoother`."""
    return Smoother(weight, kernel)(mean)


def smooth_fields(
    means: Sequence[Floats] | Floats, weights: Sequence[Floats] | Floats, kernel: tuple[float, float]
) -> NDArray[np.float32]:
    """Return the fine grey of many planes (planes, rows, columns); neighbours of the same weight share their work."""
    out, smoother = np.empty((len(means), *weights[0].shape), dtype=np.float32), None
    for k, (mean, weight) in enumerate(zip(means, weights, strict=True)):
        if smoother is None or not np.array_equal(smoother.weight, weight):
            smoother = Smoother(weight, kernel)
        out[k] = smoother(mean)
    return out


def _kernels(sigma: float) -> tuple[Floats, Floats, Floats]:
    """Return a Gaussian (sum 1), and it times the distance and its square."""
    reach = int(_REACH * sigma + 0.5)
    d = np.arange(-reach, reach + 1, dtype=float)
    g = np.exp(-0.5 * (d / sigma) ** 2) if sigma > 0 else np.ones(1)
    g /= g.sum()
    return g, g * d, g * d * d


def _pass(values: NDArray[np.float32], kernel: Floats, axis: int) -> NDArray[np.float32]:
    return np.asarray(ndimage.correlate1d(values, kernel, axis=axis, mode="constant"))
