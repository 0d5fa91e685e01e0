"""Predicts slices from a record alone: the solid it describes, blurred as the scanner blurs."""

import numpy as np
from scipy import ndimage

from ctrecon.core.errors import InputError
from ctrecon.core.frames import Floats
from ctrecon.record.explained import Psf
from ctrecon.record.part import Part
from ctrecon.record.solid import Box, Solid, solid_of

__all__ = ["Predictor", "depth_weights", "predict_slice"]

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
        self._window = window or (slice(None), slice(None))
        dz, dy, dx = solid.voxel_mm
        self._solid = solid
        self._sigma = (psf.across_mm / dy, psf.across_mm / dx)
        self._sigma_z = psf.along_mm / dz
        self._weights = depth_weights(self._sigma_z)
        count = len(self._weights)
        self._blurred: Floats = np.empty((count, 0, 0), dtype=np.float32)
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
        share, change = (factors @ self._blurred.reshape(count, -1)).reshape(2, *self._blurred.shape[1:])
        return share, change

    def _lay(self, index: int, place: int) -> None:
        """See to it that a slice, blurred in its plane, lies at its place among those at hand."""
        if self._holds[place] == index:
            return
        plane = ndimage.gaussian_filter(self._solid.coverage(index)[self._window], self._sigma, truncate=_REACH)
        if self._blurred.shape[1:] != plane.shape:
            self._blurred = np.empty((len(self._weights), *plane.shape), dtype=np.float32)
        self._blurred[place], self._holds[place] = plane, index


def predict_slice(part: Part, index: int, *, psf: Psf | None = None) -> Floats:
    """Predict one slice from the record alone.

    Parameters
    ----------
    part : Part
        The record.
    index : int
        Slice of the stack, from 0.
    psf : Psf or None
        Blur of the scanner; 0.8 voxels where none is given.

    Returns
    -------
    (rows, columns) float32 array
        Share of metal: 0 in air, 1 in metal, between them at blurred edges.

    Raises
    ------
    InputError
        If the stack has no such slice.
    """
    if not 0 <= index < part.stack.slices:
        last = part.stack.slices - 1
        raise InputError(f"{part.stack.source} has no slice {index}; its slices are numbered from 0 to {last}")
    dz, dy, dx = part.stack.voxel_mm
    return Predictor(solid_of(part), psf or Psf(0.8 * float(np.sqrt(dy * dx)), 0.8 * dz)).slice(index)[0]
