"""Choosing a drill from the list at hand."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from ctrecon.core.measured import format_short
from ctrecon.workshop.errors import PlanError

__all__ = ["DrillList", "ListedDrill", "NamedDrill", "as_drills", "largest_up_to", "nearest_between"]


class NamedDrill(Protocol):
    """A drill with a name and a diameter (mm), such as those of the tables of drills."""

    @property
    def name(self) -> str:
        """Name as marked on the drill."""

    @property
    def diameter_mm(self) -> float:
        """Diameter, mm."""


DrillList = Mapping[str, float] | Sequence[float] | Sequence[NamedDrill]
"""A list of drills: diameters (mm) by name, diameters alone, or drills of a table."""


@dataclass(frozen=True)
class ListedDrill:
    """A drill of the list: its name there and its diameter (mm)."""

    name: str
    diameter_mm: float


def as_drills(drills: DrillList) -> tuple[ListedDrill, ...]:
    """Return a list of drills, smallest first.

    Parameters
    ----------
    drills : mapping of str to float, sequence of float, or sequence of drills
        Diameters, mm.

    Raises
    ------
    PlanError
        If the list is empty or a diameter is not above 0.
    """
    if isinstance(drills, Mapping):
        listed = [ListedDrill(name, float(mm)) for name, mm in drills.items()]
    else:
        listed = [
            ListedDrill(f"{format_short(one)} mm", float(one))
            if isinstance(one, int | float)
            else ListedDrill(one.name, float(one.diameter_mm))
            for one in drills
        ]
    out = tuple(sorted(listed, key=lambda one: (one.diameter_mm, one.name)))
    if not out or not out[0].diameter_mm > 0:
        raise PlanError("the list of drills is empty or has a diameter of 0; give diameters in mm")
    return out


def largest_up_to(drills: DrillList, limit: float, what: str) -> ListedDrill:
    """Return the largest drill that is no larger than `limit` (mm); `what` names the hole in the refusal."""
    listed = as_drills(drills)
    able = [one for one in listed if one.diameter_mm <= limit + 1e-9]
    if not able:
        most = format_short(limit, 4)
        raise PlanError(f"no drill of the list is {most} mm or less for {what}; the smallest is {listed[0].name}")
    return able[-1]


def nearest_between(drills: DrillList, low: float, high: float, aim: float, what: str) -> ListedDrill:
    """Return the drill nearest `aim` among those from `low` to `high` (mm), the smaller of two as near."""
    listed = as_drills(drills)
    able = [one for one in listed if low - 1e-9 <= one.diameter_mm <= high + 1e-9]
    if not able:
        below = [one.name for one in listed if one.diameter_mm < low][-1:]
        above = [one.name for one in listed if one.diameter_mm > high][:1]
        raise PlanError(
            f"no drill of the list is between {format_short(low, 4)} and {format_short(high, 4)} mm for {what}; "
            f"the nearest is {' or '.join(below + above)}"
        )
    return min(able, key=lambda one: (round(abs(one.diameter_mm - aim), 9), one.diameter_mm))
