"""The options of one measuring run, gathered in one frozen record."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ctrecon.calibrate import parse_known
from ctrecon.core.errors import InputError

__all__ = ["BOUNDARIES", "PAPERS", "PROJECTIONS", "UNITS", "Settings", "voxel_from_numbers"]

PAPERS = ("A4", "A3", "Letter")
"""Sheet sizes; None lets the sheet choose between the first two."""

BOUNDARIES = ("metal", "outer")
PROJECTIONS = ("first", "third")
"""How views are placed on the sheet: first or third angle."""

UNITS = ("mm", "in")
"""Units of length on the sheet."""


def voxel_from_numbers(numbers: Sequence[float]) -> tuple[float, float, float]:
    """Return (dz, dy, dx) mm from one number (all alike) or three.

    Raises
    ------
    InputError
        If there are neither one nor three numbers, or one is not above 0 and finite.

    Examples
    --------
    >>> voxel_from_numbers([0.05])
    (0.05, 0.05, 0.05)
    """
    if len(numbers) not in (1, 3):
        raise InputError(
            f"a voxel size is one number or three (DZ DY DX) in mm, not {len(numbers)}; "
            "give one where the three are alike"
        )
    for number in numbers:
        if not math.isfinite(number) or number <= 0:
            raise InputError(f"a voxel size must be above 0 mm, not {number:g}; give its edge in mm, such as 0.05")
    values = tuple(float(number) for number in numbers)
    return (values[0],) * 3 if len(values) == 1 else (values[0], values[1], values[2])


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What a person may say about a stack before it is measured.

    Parameters
    ----------
    voxel_mm : (dz, dy, dx) or None
        Stated voxel edges in mm; None takes what the files state.
    depth_towards_viewer : bool or None
        The slices run towards the viewer (True) or away (False); None: nobody knows, away is assumed and noted.
    name : str or None
        Name of the part in the record; None takes the name of the stack.
    paper : {"A4", "A3", "Letter"} or None
        Sheet size; None takes the smaller of A4 and A3 that holds the views.
    projection : {"first", "third"}
        How views are placed on the sheet.
    units : {"mm", "in"}
        Units of length on the sheet; inches have mm beside them. The record stays in mm.
    boundary : {"metal", "outer"}
        What to measure where corrosion product clings to the metal: the sound metal, or the outer skin.
    prior_separate : float or None
        How likely it is, before the slices are looked at, that the part is of more than one piece (above 0, below
        1); None takes the usual.
    known : tuple of str
        Sizes known from the part itself, such as ``F1=12.00±0.02``; true scale is found from them.
    decisions : path or None
        File of decisions that a person made on an earlier record of the part; they are replayed.

    Raises
    ------
    InputError
        If a value cannot be used.

    Examples
    --------
    >>> from ctrecon import Settings
    >>> Settings(voxel_mm=(0.05, 0.05, 0.05), paper="A3").units
    'mm'
    >>> Settings(paper="A7")
    Traceback (most recent call last):
    ...
    ctrecon.core.errors.InputError: paper 'A7' is not known; choose one of A4, A3, Letter
    """

    voxel_mm: tuple[float, float, float] | None = None
    depth_towards_viewer: bool | None = None
    name: str | None = None
    paper: str | None = None
    projection: str = "first"
    units: str = "mm"
    boundary: str = "metal"
    prior_separate: float | None = None
    known: tuple[str, ...] = ()
    decisions: Path | None = None

    def __post_init__(self) -> None:
        if self.voxel_mm is not None:
            object.__setattr__(self, "voxel_mm", voxel_from_numbers(self.voxel_mm))
        if self.name is not None and not self.name.strip():
            raise InputError("the name of the part is empty; leave it out to use the name of the stack")
        if self.paper is not None and self.paper not in PAPERS:
            raise InputError(f"paper '{self.paper}' is not known; choose one of {', '.join(PAPERS)}")
        if self.projection not in PROJECTIONS:
            raise InputError(f"projection '{self.projection}' is not known; choose one of {', '.join(PROJECTIONS)}")
        if self.units not in UNITS:
            raise InputError(f"units '{self.units}' are not known; choose one of {', '.join(UNITS)}")
        if self.boundary not in BOUNDARIES:
            raise InputError(f"boundary '{self.boundary}' is not known; choose one of {', '.join(BOUNDARIES)}")
        if self.prior_separate is not None and not 0 < self.prior_separate < 1:
            raise InputError(
                f"the prior that the part is of more than one piece must be above 0 and below 1, not "
                f"{self.prior_separate:g}: at 0 or 1 no scan could change it; give it as 0.5 where nothing is known"
            )
        object.__setattr__(self, "known", tuple(self.known))
        for text in self.known:
            parse_known(text)  # a slip of the pen is told before the measuring, not after
