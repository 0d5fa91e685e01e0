"""What may be given as the size of a voxel; only the standard library, since the command line reads it too."""

import math
from collections.abc import Iterable
from typing import Any

from ctrecon.core.errors import InputError

__all__ = ["LARGEST_MM", "SMALLEST_MM", "voxel_edges"]

SMALLEST_MM, LARGEST_MM = 1e-6, 1e3
"""Edges between these (mm) are believed: from a nanometre, beyond any X-ray, to a metre."""


def voxel_edges(given: Any) -> tuple[float, float, float]:
    """Return the edges (dz, dy, dx) of a voxel in mm from one number (all alike) or three.

    Parameters
    ----------
    given : float or sequence of float
        Edge in mm, or three: between slices, down, across.

    Raises
    ------
    InputError
        If there are neither one nor three numbers, or one is not above 0 and finite.

    Examples
    --------
    >>> voxel_edges("0,05")
    (0.05, 0.05, 0.05)
    >>> voxel_edges(0.05), voxel_edges([0.1, 0.05, 0.05])
    ((0.05, 0.05, 0.05), (0.1, 0.05, 0.05))
    """
    try:
        if isinstance(given, bytes):
            raise TypeError
        several = list(given) if isinstance(given, Iterable) and not isinstance(given, str) else [given]
        edges = [float(one.replace(",", ".") if isinstance(one, str) else one) for one in several]
    except (TypeError, ValueError, OverflowError):
        raise InputError(
            f"a voxel size is one number or three (dz, dy, dx) in mm, not {given!r}; give its edge, such as 0.05"
        ) from None
    if len(edges) == 2 and edges[0] == 0:  # Python reads 0,05 as two numbers
        raise InputError(f"a voxel size is written with a point, not a comma; give 0.05, not {given!r}")
    if len(edges) not in (1, 3):
        raise InputError(
            f"a voxel size is one number or three (dz, dy, dx) in mm, not {len(edges)}; "
            "give one where the three are alike"
        )
    for edge in edges:
        if not math.isfinite(edge) or edge <= 0:
            raise InputError(f"a voxel size must be above 0 mm, not {edge:g}; give its edge in mm, such as 0.05")
        if not SMALLEST_MM <= edge <= LARGEST_MM:
            raise InputError(
                f"no voxel of a scan has an edge of {edge:g} mm (between {SMALLEST_MM:g} and {LARGEST_MM:g}); give it "
                "in mm, such as 0.05"
            )
    return (edges[0],) * 3 if len(edges) == 1 else (edges[0], edges[1], edges[2])
