"""Papers to rub a face down with: P grades by their grain, coarse to fine, and how far each goes."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

from ctrecon.core.errors import InputError
from ctrecon.core.measured import format_value
from ctrecon.workshop.tables import read_table

__all__ = ["FINISH", "AbrasiveStep", "abrasive_steps", "grain_um", "papers"]

FINISH = "P600"
"""Grade the faces are left at (common practice, no source)."""

COARSEST_UM = 125.0
"""Coarsest grain for rubbing down small brass (P120; common practice, no source)."""

STEP_DOWN = 1.6
"""How much finer each next grade is, at least (common practice, no source)."""


@dataclass(frozen=True)
class AbrasiveStep:
    """One grade of paper: its average grain (micrometres), and how much over size to leave when it is done (mm)."""

    grade: str
    grain_um: float
    leave_mm: float


@cache
def _grades() -> tuple[tuple[str, float], ...]:
    return tuple((row["grade"], float(row["grain_um"])) for row in read_table("abrasive_grades")[1])


def grain_um(grade: str) -> float:
    """Return the average grain (micrometres) of a P grade of paper (FEPA).

    Raises
    ------
    InputError
        If it is not in the table; a number without P is another series (400 is 23 micrometres, P400 is 35).

    Examples
    --------
    >>> grain_um("P400")
    35.0
    """
    found = dict(_grades()).get(grade)
    if found is None:
        raise InputError(
            f"paper {grade!r} is not in the table of P grades ({_grades()[0][0]} to {_grades()[-1][0]}); a number "
            "without P is another series and finer than it looks"
        )
    return found


def abrasive_steps(off_mm: float, *, finish: str = FINISH) -> tuple[AbrasiveStep, ...]:
    """Return the papers to take this much off, coarsest first; no times, for none can be promised.

    Parameters
    ----------
    off_mm : float
        To take off (mm).
    finish : str
        Last grade.

    Notes
    -----
    The first grain is no coarser than half of what is to go; each paper stops its own grain above the size, which
    the finer ones take with its scratches (common practice, no source).
    """
    last = grain_um(finish)
    steps: list[AbrasiveStep] = []
    most = max(last, min(COARSEST_UM, off_mm * 1000 / 2))
    for grade, grain in _grades():
        if grain > most or grain < last * STEP_DOWN:
            continue
        steps.append(AbrasiveStep(grade, grain, grain / 1000))
        most = grain / STEP_DOWN
    return (*steps, AbrasiveStep(finish, last, 0.0))


def papers(steps: Sequence[AbrasiveStep]) -> str:
    """Return the papers in words: P220 until 0.07 over, P600 to size."""
    *first, last = steps
    told = [f"{one.grade} until {format_value(one.leave_mm, 2)} over" for one in first]
    return ", ".join([*told, f"{last.grade} to size"])
