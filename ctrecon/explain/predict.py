"""Predicts slices from a record alone: the solid it describes, blurred as the scanner blurs."""

from collections import OrderedDict

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
        self._blurred: OrderedDict[int, Floats] = OrderedDict()

    def slice(self, index: int) -> tuple[Floats, Floats]:
        """Return the predicted metal share (air 0, metal 1) of a slice, and its change from slice to slice."""
        reach = len(self._weights) // 2
        share = np.zeros_like(self._plane(index - reach))
        change = np.zeros_like(share)
        for step, weight in zip(range(-reach, reach + 1), self._weights, strict=True):
            plane = self._plane(index + step)
            share += np.float32(weight) * plane
            change += np.float32(weight * step / max(self._sigma_z, 0.3) ** 2) * plane
        return share, change

    def _plane(self, index: int) -> Floats:
        plane = self._blurred.get(index)
        if plane is None:
            plane = ndimage.gaussian_filter(self._solid.coverage(index)[self._window], self._sigma, truncate=_REACH)
            self._blurred[index] = plane
            while len(self._blurred) > len(self._weights) + 1:
                self._blurred.popitem(last=False)
        return plane


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
