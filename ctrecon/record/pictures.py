"""One slice as a picture with the measured curves on it: what the figures are drawn from."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["SlicePicture"]


@dataclass(frozen=True, eq=False)
class SlicePicture:
    """A window of one slice and the curves measured in it, in voxels of the full slice.

    Parameters
    ----------
    index : int
        Slice of the stack shown.
    grey : (rows, cols) float32 array
        Window of the slice; NaN where there are no data.
    origin_rc : (int, int)
        Row and column of the window's first voxel in the full slice.
    curves : tuple of (feature id, (N, 2) array)
        Closed or open curves as (column, row); whole numbers are voxel centres.
    """

    index: int
    grey: NDArray[np.floating[Any]]
    origin_rc: tuple[int, int]
    curves: tuple[tuple[str, NDArray[np.floating[Any]]], ...]
