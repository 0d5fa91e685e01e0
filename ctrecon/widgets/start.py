"""How a notebook begins and ends: slices opened with their scale, and the truth of an invented part."""

import json
from pathlib import Path

from ctrecon.core.errors import NoScaleError
from ctrecon.slices import SliceStack, open_stack

__all__ = ["known_truth", "open_slices"]

_TRUTH = "truth.json"


def open_slices(
    source: str | Path,
    *,
    voxel_mm: tuple[float, float, float] | float | None = None,
    towards_viewer: bool | None = None,
) -> SliceStack:
    """Open a stack that has a scale.

    Parameters
    ----------
    source : path
        Folder of slices, or one file.
    voxel_mm : (dz, dy, dx), float or None
        Voxel edges in mm where the files don't state them.
    towards_viewer : bool or None
        See `ctrecon.open_stack`.

    Raises
    ------
    InputFileError
        If there are no slices.
    NoScaleError
        If nobody says how large a voxel is.
    """
    stack = open_stack(source, voxel_mm=voxel_mm, towards_viewer=towards_viewer)
    if stack.voxel_mm is None:
        raise NoScaleError(
            f"{source}: the files do not state how large a voxel is; write its edge in mm into the cell at the top, "
            "such as voxel_mm = 0.05, or voxel_mm = (dz, dy, dx), and run again"
        )
    return stack


def known_truth(source: str | Path, kind: str, size: str, *, near: float | None = None) -> float | None:
    """Return the true size of a feature of a kind (the first), or None: only invented parts come with their truth.

    Parameters
    ----------
    source : path
        Folder of slices.
    kind : str
        Kind of feature.
    size : str
        Name of its size, such as ``diameter_mm``.
    near : float or None
        Take the one nearest to this size, where a part has several of the kind.
    """
    path = Path(source) / _TRUTH
    if not path.is_file():
        return None
    features = json.loads(path.read_text(encoding="utf-8"))["features"]
    sizes = [float(one[size]) for one in features if one["kind"] == kind and one.get(size) is not None]
    return min(sizes, key=lambda one: 0.0 if near is None else abs(one - near), default=None)
