"""A dividing table: the angle of every tooth, and the turns and holes of a dividing head."""

from dataclasses import dataclass
from fractions import Fraction

from ctrecon.core.measured import format_value
from ctrecon.workshop.errors import PlanError

__all__ = ["DividingHead", "DividingRow", "DividingTable", "IndexStep", "dividing_table", "index_step"]


@dataclass(frozen=True)
class DividingHead:
    """A worm head: turns of the crank per turn of the work, and the hole circles of its plates.

    40:1 and these circles are common practice, no source; state your own.
    """

    worm: int = 40
    circles: tuple[int, ...] = (15, 16, 17, 18, 19, 20, 21, 23, 27, 29, 31, 33, 37, 39, 41, 43, 47, 49)

    def __post_init__(self) -> None:
        if self.worm < 1 or not self.circles or min(self.circles) < 1:
            raise PlanError("a dividing head needs a worm ratio and hole circles of 1 or more; correct them")


@dataclass(frozen=True)
class IndexStep:
    """From tooth to tooth: whole turns of the crank, then holes on a circle; every circle that serves; a sentence."""

    turns: int
    holes: int
    circle: int
    choices: tuple[int, ...]
    reason: str


@dataclass(frozen=True)
class DividingRow:
    """One tooth: its number from 1, its angle from the first (degrees whole, then minutes), and the crank's place."""

    tooth: int
    degrees: int
    minutes: float
    turns: int | None
    holes: int | None


@dataclass(frozen=True)
class DividingTable:
    """Every tooth, the step of the head (None where none was stated), and a sentence."""

    teeth: int
    rows: tuple[DividingRow, ...]
    step: IndexStep | None
    reason: str


def index_step(teeth: int, head: DividingHead = DividingHead()) -> IndexStep:
    """Return turns and holes from tooth to tooth.

    Parameters
    ----------
    teeth : int
        How many.
    head : DividingHead
        Worm ratio and hole circles; the largest circle that serves is taken.

    Raises
    ------
    PlanError
        If no circle serves, with the one that is missing.

    Examples
    --------
    >>> step = index_step(60)
    >>> step.turns, step.holes, step.circle
    (0, 26, 39)
    """
    if teeth < 2:
        raise PlanError(f"{teeth} teeth need no dividing; give 2 or more")
    each = Fraction(head.worm, teeth)
    turns, rest = divmod(each, 1)
    choices = tuple(sorted(one for one in head.circles if one % rest.denominator == 0))
    if not choices:
        missing = rest.denominator
        raise PlanError(
            f"{teeth} teeth on a {head.worm}:1 head ask for {each} of a turn, but no plate has a circle of {missing} "
            f"holes or a multiple of it ({2 * missing}, {3 * missing} ...); drill such a plate, or divide by angles"
        )
    circle = choices[-1]
    holes = int(rest * circle)
    parts = [f"{turns} turn{'' if turns == 1 else 's'}"] if turns else []
    parts += [f"{holes} holes on the circle of {circle}"] if holes else []
    says = f"{teeth} teeth on a {head.worm}:1 head: {' and '.join(parts)} from tooth to tooth"
    return IndexStep(int(turns), holes, circle, choices, says)


def dividing_table(teeth: int, *, head: DividingHead | None = None, minute_decimals: int = 1) -> DividingTable:
    """Return the angle of every tooth from the first, and the crank's turns and holes from its start.

    Parameters
    ----------
    teeth : int
        How many.
    head : DividingHead or None
        A dividing head; None lists angles only.
    minute_decimals : int
        Decimals of the minutes. Each angle is rounded by itself, so that no error adds up.

    Examples
    --------
    >>> row = dividing_table(127).rows[1]
    >>> row.degrees, row.minutes
    (2, 50.1)
    """
    if teeth < 2 or not 0 <= minute_decimals <= 4:
        raise PlanError("a dividing table needs 2 teeth or more, and 0 to 4 decimals; correct them")
    step = None if head is None else index_step(teeth, head)
    unit = 10**minute_decimals
    rows = []
    for k in range(teeth):
        minutes = _nearest(Fraction(360 * 60 * unit * k, teeth))
        degrees, rest = divmod(minutes, 60 * unit)
        turns = holes = None
        if step is not None and head is not None:
            turns, holes = divmod(k * (step.turns * step.circle + step.holes), step.circle)
        rows.append(DividingRow(k + 1, degrees, rest / unit, turns, holes))
    each = Fraction(360, teeth)
    says = f"{teeth} teeth, {format_value(float(each), 4)}° each, angles rounded to {1 / unit:g}′"
    says = says if step is None else f"{says}; {step.reason}"
    return DividingTable(teeth, tuple(rows), step, says)


def _nearest(number: Fraction) -> int:
    """Return the nearest whole number, halves up."""
    return int((2 * number + 1) // 2)
