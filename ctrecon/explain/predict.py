"""Predicts slices from a record alone: the solid it describes, blurred as the scanner blurs."""

import numpy as np
from scipy import ndimage

from ctrecon.core.frames import Floats
from ctrecon.record.explained import Psf
from ctrecon.record.solid import Box, Solid

__all__ = ["Predictor", "depth_weights"]

_REACH = 3.5  # standard deviations of the blur that are taken along


def depth_weights(sigma: float) -> Floats:
    """Return the weights of the neighbouring slices for a blur of `sigma` slices; they sum to one."""
    reach = max(int(np.ceil(_REACH * sigma)), 1)
    steps = np.arange(-reach, reach + 1)
    weights = np.exp(-0.5 * (steps / max(sigma, 0.05)) ** 2)
    return np.asarray(weights / weights.sum())


class Predictor:
    """Gives the predicted slices one after the other, or a window of them; each is cut from the solid only once."""

    def __init__(self, solid: Solid, psf: Psf, window: Box | None = None) -> None:
        dz, dy, dx = solid.voxel_mm
        self._solid = solid
        self._sigma = (psf.across_mm / dy, psf.across_mm / dx)
        self._sigma_z = psf.along_mm / dz
        self._weights = depth_weights(self._sigma_z)
        count = len(self._weights)
        # only what the blurred solid reaches is worked out: all round it there is nothing
        room = int(np.ceil(_REACH * max(self._sigma))) + 1
        self._box = solid.window(-count, solid.shape[0] - 1 + count, room)
        if window is not None:
            self._box = _common(self._box[0], window[0]), _common(self._box[1], window[1])
        rows, columns = window or (slice(0, solid.shape[1]), slice(0, solid.shape[2]))
        self._shape = rows.stop - rows.start, columns.stop - columns.start
        self._inside = _moved(self._box[0], -rows.start), _moved(self._box[1], -columns.start)
        self._blurred: Floats = np.empty((count, *(b.stop - b.start for b in self._box)), dtype=np.float32)
        self._holds: list[int | None] = [None] * count

    def slice(self, index: int) -> tuple[Floats, Floats]:
        """Return the predicted metal share (air 0, metal 1) of a slice, and its change from slice to slice."""
        count = len(self._weights)
        factors = np.empty((2, count), dtype=np.float32)
        for i, weight in enumerate(self._weights):
            step = i - count // 2
            place = (index + step) % count
            self._lay(index + step, place)
            factors[:, place] = weight, weight * step / max(self._sigma_z, 0.3) ** 2
        both = (factors @ self._blurred.reshape(count, -1)).reshape(2, *self._blurred.shape[1:])
        # two arrays: what keeps the one should not keep the other
        share, change = (np.zeros(self._shape, dtype=np.float32) for _ in range(2))
        share[self._inside], change[self._inside] = both
        return share, change

    def _lay(self, index: int, place: int) -> None:
        """See to it that a slice, blurred in its plane, lies at its place among those at hand."""
        if self._holds[place] != index:
            plane = self._solid.coverage(index)[self._box]
            ndimage.gaussian_filter(plane, self._sigma, truncate=_REACH, output=self._blurred[place])
            self._holds[place] = index


def _common(one: slice, other: slice) -> slice:
    start = max(one.start, other.start)
    return slice(start, max(min(one.stop, other.stop), start))


def _moved(one: slice, by: int) -> slice:
    return slice(one.start + by, one.stop + by)
