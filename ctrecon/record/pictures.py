"""What the figures of a report are drawn from: slices with the measured curves on them, and seams unrolled."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.frames import Floats

__all__ = ["FaceSeamPicture", "SeamPicture", "SlicePicture"]


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


@dataclass(frozen=True, eq=False)
class SeamPicture:
    """A side seam unrolled along its outline, and the mean of the planes it runs through; lengths in voxels.

    Parameters
    ----------
    feature : str
        Id of the seam.
    along_px : (N,) array
        Length along the outline from its first point, px of the part grid (the smaller of dx and dy).
    angle_deg : (N,) array
        Direction of each of these places from the seam's middle, from +x towards +y of the slices.
    corners_px : tuple of float
        Where along the outline its corners lie; empty for a round seam.
    depth_slices : (M,) array
        Depth of each row on the seam's own axis, in slices of the stack.
    contrast : (M, N) float32 array
        Grey on the line less that beside it on both sides, as a share of the contrast between metal and air;
        NaN where there is no solid metal on both sides.
    section : (rows, columns) float32 array
        Mean of the planes within the seam, its local mean removed, as a share of the contrast; NaN outside the metal.
    outline_px : (K, 2) array
        The seam's outline on that window, closed (column, row).
    planes : int
        How many planes were averaged in the section.
    """

    feature: str
    along_px: Floats
    angle_deg: Floats
    corners_px: tuple[float, ...]
    depth_slices: Floats
    contrast: NDArray[np.float32]
    section: NDArray[np.float32]
    outline_px: Floats
    planes: int


@dataclass(frozen=True, eq=False)
class FaceSeamPicture:
    """A flat seam seen along the axis, and the mean grey over its area through depth.

    `contrast` (rows, columns) is the grey in the seam less that of the planes above and below, NaN outside
    the metal; `profile` the mean over the seam's area at each of `depth_slices`. Both as shares of the contrast
    between metal and air.
    """

    feature: str
    contrast: NDArray[np.float32]
    outline_px: Floats
    depth_slices: Floats
    profile: Floats
