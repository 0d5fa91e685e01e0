"""How a notebook begins and ends: a part measured once and opened again, and the truth of an invented part."""

import json
from pathlib import Path
from typing import Any

from ctrecon.core.errors import InputFileError, NoScaleError
from ctrecon.core.numbers import is_number
from ctrecon.decisions import FILE_NAME, read_decisions
from ctrecon.pipeline import measure_to_folder, name_of
from ctrecon.record.part import Part
from ctrecon.record.store import read_part
from ctrecon.settings import MEASURING, SCAN, Settings
from ctrecon.slices import SliceStack, open_stack
from ctrecon.widgets.state import Review, open_review
from ctrecon.widgets.waiting import notebook_bar

__all__ = ["known_truth", "open_part", "open_slices"]

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
    source = Path(source).absolute()  # a notebook's folder is not always the one a person thinks of
    stack = open_stack(source, voxel_mm=voxel_mm, towards_viewer=towards_viewer)
    if stack.voxel_mm is None:
        raise NoScaleError(
            f"{source}: the files do not state how large a voxel is; write its edge in mm into the cell at the top, "
            "such as voxel_mm = 0.05, or voxel_mm = (dz, dy, dx), and run again"
        )
    return stack


def open_part(source: str | Path, results: str | Path = "my_part", *, again: bool = False, **stated: Any) -> Review:
    """Open the record of a part for review; a part that has none yet is measured once, and its record saved.

    Parameters
    ----------
    source : path
        Folder of slices, or one file.
    results : path
        Folder in which each part has its own, by the name of its slices: record, decisions, sheet.
    again : bool
        Measure again where there is a record; decisions are kept and replayed.
    **stated : Any
        What a person says of the slices, by the names of `Settings`: voxel_mm, depth_towards_viewer, raw, slices,
        window, join, quick, boundary, prior_separate. None says nothing.

    Returns
    -------
    Review
        Its notice says whether it was measured now; its `folder` is where everything is.

    Raises
    ------
    InputError
        If a value cannot be used.
    InputFileError
        If slices, record or decisions cannot be read.

    Notes
    -----
    Without a notebook the same is `ctrecon measure SOURCE --out RESULTS/NAME`, then `open_review`.
    """
    source = Path(source).absolute()
    said = {name: value for name, value in stated.items() if value is not None}
    settings = Settings.stated(said, SCAN, MEASURING, by="open_part")
    folder = Path(results).absolute() / name_of(source)
    if (folder / FILE_NAME).is_file():
        read_decisions(folder / FILE_NAME)  # a fault in it is told before minutes of measuring
    there = (folder / "part.json").is_file()
    why = "" if there else "measured now"
    if there and (again or _scale_differs(read_part(folder / "part.json"), settings)):
        why = "measured again, as you asked" if again else "measured again, since another voxel size was stated"
    if why:
        open_slices(source, voxel_mm=settings.voxel_mm)  # no scale is said in the notebook's own words
        measure_to_folder(source, folder, settings=settings, force=there, progress=notebook_bar(upto="writing"))
    review = open_review(folder, source, settings=settings)
    many = len(review.decisions)
    kept = f"; {FILE_NAME} holds {many} of your decisions" if many else ""
    review.notice = f"{review.part.name}: {why or 'record opened, nothing measured'}{kept}."
    return review


def _scale_differs(part: Part, settings: Settings) -> bool:
    """Return whether another scale is stated than the record was measured with."""
    return part.stack.taken is None and settings.voxel_mm not in (None, part.stack.voxel_mm)


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

    Raises
    ------
    InputFileError
        If the file is there and does not hold such features.
    """
    path = Path(source) / _TRUTH
    if not path.is_file():
        return None
    try:
        features = json.loads(path.read_bytes())["features"]
        sizes = [one[size] for one in features if one["kind"] == kind and one.get(size) is not None]
        fault = "" if all(map(is_number, sizes)) else f"{size} of a {kind} is no number that can be used"
    except (OSError, ValueError, TypeError, LookupError, AttributeError, RecursionError):
        fault = "it holds no list 'features' with the kind of each"
    if fault:
        raise InputFileError(f"{path}: is not the truth of an invented part: {fault}; write it anew, or take it away")
    return min(map(float, sizes), key=lambda one: 0.0 if near is None else abs(one - near), default=None)
