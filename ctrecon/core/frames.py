"""The only place where slice, row, column become z, y, x in mm, and stack becomes part.

x = column times dx to the right, y = row times dy down, z = slice times dz away from the
viewer, from the centre of the first voxel: right-handed. The part frame is reached by the
smallest rotation that takes the part axis to +z; it leaves the origin where it is.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Floats", "Voxel", "axis_slopes", "direction_from_slopes", "rotation_to_part", "to_mm", "to_voxels"]

Floats = NDArray[np.floating[Any]]
Voxel = tuple[float, float, float]
"""Voxel edges (dz, dy, dx) in mm, the order of the array axes."""


def to_mm(indices: Floats, voxel_mm: Voxel) -> Floats:
    """Turn (slice, row, column) into (x, y, z) mm.

    Parameters
    ----------
    indices : (..., 3) array
        Slice, row, column; whole numbers are voxel centres.
    voxel_mm : (dz, dy, dx)
        Voxel edges in mm.

    Returns
    -------
    (..., 3) array
        x, y, z in mm.

    Examples
    --------
    >>> to_mm(np.array([2.0, 3.0, 4.0]), (0.5, 0.2, 0.1)).round(3).tolist()
    [0.4, 0.6, 1.0]
    """
    return np.asarray((np.asarray(indices, dtype=float) * np.asarray(voxel_mm))[..., ::-1])


def to_voxels(points_mm: Floats, voxel_mm: Voxel) -> Floats:
    """Turn (x, y, z) mm into (slice, row, column): the inverse of `to_mm`."""
    return np.asarray(np.asarray(points_mm, dtype=float)[..., ::-1] / np.asarray(voxel_mm))


def rotation_to_part(direction_xyz: Floats | tuple[float, float, float]) -> Floats:
    """Return the smallest rotation that takes a direction to +z (Rodrigues' formula).

    Parameters
    ----------
    direction_xyz : (3,) array
        Part axis in the stack frame; any length, z > 0.

    Returns
    -------
    (3, 3) array
        R, with part coordinates = R @ stack coordinates.

    Examples
    --------
    >>> r = rotation_to_part((0.0, 0.6, 0.8))
    >>> (abs(r @ np.array([0.0, 0.6, 0.8]))).round(12).tolist()
    [0.0, 0.0, 1.0]
    """
    a = np.asarray(direction_xyz, dtype=float)
    a = a / np.linalg.norm(a)
    x, y, z = a
    cross = np.array([[0.0, 0.0, -x], [0.0, 0.0, -y], [x, y, 0.0]])
    return np.asarray(np.eye(3) + cross + cross @ cross / (1.0 + z))


def direction_from_slopes(slope_x: float, slope_y: float) -> Floats:
    """Return the unit vector along (slope_x, slope_y, 1)."""
    a = np.array([slope_x, slope_y, 1.0])
    return np.asarray(a / np.linalg.norm(a))


def axis_slopes(direction_xyz: Floats) -> tuple[float, float]:
    """Return dx/dz and dy/dz of a direction with z > 0."""
    a = np.asarray(direction_xyz, dtype=float)
    return float(a[0] / a[2]), float(a[1] / a[2])
