"""Limits of holes and shafts, and fits, by the tables of ISO 286-1 (never by its formulas).

The formulas behind the standard miss its table below 3 mm (IT7: 8.7 for 10 micrometres) and are not used. Deviations
of holes follow from those of shafts by the standard's own rule (ISO 286-1:2010, 4.2 and its table of deltas).
"""

import re
from dataclasses import dataclass
from functools import cache

from ctrecon.core.errors import InputError
from ctrecon.core.measured import format_short, format_value
from ctrecon.workshop.tables import read_table

__all__ = ["CommonFit", "Fit", "Limits", "common_fits", "fit_of", "limits_of", "standard_tolerance_um"]

_CODE = re.compile(r"([A-Za-z]{1,2})(\d{1,2})")
_JS = "js"
_CLEARANCE = ("c", "d", "e", "f", "g", "h")
_DELTA_TO_IT8 = ("k", "m", "n")
_NO_DELTA_TO_MM = 3.0  # up to here the standard's deltas are all 0
_LEAST_GRADE = 5
_ONE_MM = 1.0  # up to here the standard gives no IT14 and no N hole coarser than IT8


@dataclass(frozen=True)
class Limits:
    """Limits of a hole or shaft (its `member`): its deviations (micrometres) from the size (mm)."""

    code: str
    size_mm: float
    member: str
    upper_um: float
    lower_um: float
    reason: str

    @property
    def min_mm(self) -> float:
        """Smallest size allowed (mm)."""
        return self.size_mm + self.lower_um / 1000

    @property
    def max_mm(self) -> float:
        """Largest size allowed (mm)."""
        return self.size_mm + self.upper_um / 1000

    @property
    def middle_mm(self) -> float:
        """Middle of the limits (mm): what to aim at."""
        return self.size_mm + (self.upper_um + self.lower_um) / 2000

    @property
    def tolerance_um(self) -> float:
        """Width between the limits (micrometres)."""
        return self.upper_um - self.lower_um


@dataclass(frozen=True)
class Fit:
    """A hole and a shaft of one size; clearances in mm, negative where there is interference.

    `kind` is clearance, transition or interference by the limits as they are at this size, not by the letters: a
    clearance of just 0 at one end belongs to the side the other end lies on.
    """

    code: str
    size_mm: float
    hole: Limits
    shaft: Limits
    clearance_min_mm: float
    clearance_max_mm: float
    kind: str
    reason: str


@dataclass(frozen=True)
class CommonFit:
    """A fit in common use, by its code, and what it is used for."""

    code: str
    used_for: str


@cache
def _rows(name: str) -> tuple[dict[str, str], ...]:
    return tuple(read_table(name)[1])


def _row(name: str, size_mm: float) -> dict[str, str]:
    rows = _rows(name)
    for row in rows:
        if float(row["over_mm"]) < size_mm <= float(row["to_mm"]):
            return row
    raise InputError(
        f"a size of {format_short(size_mm)} mm lies outside the ISO 286 table here, which has sizes over 0 up to and "
        f"including {rows[-1]['to_mm']} mm"
    )


def _grades() -> list[int]:
    return [int(name[2:]) for name in _rows("iso286_it")[0] if name.startswith("IT")]


def standard_tolerance_um(size_mm: float, grade: int) -> float:
    """Return the standard tolerance (micrometres) of a size for an IT grade (ISO 286-1:2010, Table 1).

    Parameters
    ----------
    size_mm : float
        Size; each range of the table is over its lower up to and including its upper end.
    grade : int
        5 for IT5 and so on.

    Raises
    ------
    InputError
        If the size or grade is not in the table.

    Examples
    --------
    >>> standard_tolerance_um(6, 7), standard_tolerance_um(6.01, 7)
    (12.0, 15.0)
    """
    grades = _grades()
    if grade not in grades:
        raise InputError(f"grade IT{grade} is not in the ISO 286 table here, which has IT{grades[0]} to IT{grades[-1]}")
    if grade >= 14 and size_mm <= _ONE_MM:
        raise InputError(f"ISO 286 has no IT{grade} up to 1 mm; take a finer grade, up to IT13")
    return float(_row("iso286_it", size_mm)[f"IT{grade}"])


def _letters() -> list[str]:
    plain = [name for name in _rows("iso286_shafts")[0] if not name.endswith("_mm")]
    at = plain.index("k")
    return [*plain[:at], _JS, *plain[at:]]


def _deviation(size_mm: float, letter: str) -> float:
    return float(_row("iso286_shafts", size_mm)[letter])


def _shaft(size_mm: float, letter: str, grade: int) -> tuple[float, float]:
    """Return (upper, lower) deviations of a shaft, micrometres."""
    it = standard_tolerance_um(size_mm, grade)
    if letter == _JS:
        return it / 2, -it / 2
    deviation = _deviation(size_mm, letter)
    if letter in _CLEARANCE:
        return deviation, deviation - it
    if letter == "k" and grade > 7:
        deviation = 0.0
    return deviation + it, deviation


def _hole(size_mm: float, letter: str, grade: int) -> tuple[float, float]:
    """Return (upper, lower) deviations of a hole, micrometres: the shaft's mirrored, with the delta of fine grades."""
    it = standard_tolerance_um(size_mm, grade)
    if letter == _JS:
        return it / 2, -it / 2
    deviation = _deviation(size_mm, letter)
    if letter in _CLEARANCE:
        return it - deviation, -deviation
    fine = grade <= (8 if letter in _DELTA_TO_IT8 else 7)
    small = size_mm <= _NO_DELTA_TO_MM
    if fine and not small and grade == _LEAST_GRADE:
        raise InputError(f"hole {letter.upper()}{grade} over 3 mm needs IT4, which the table here lacks; take grade 6")
    if letter == "k" and not fine and not small:
        raise InputError(f"ISO 286 has no hole K{grade} over 3 mm; take K8 or finer, or JS{grade}")
    if letter == "n" and not fine:
        if size_mm <= _ONE_MM:
            raise InputError(f"ISO 286 has no hole N{grade} up to 1 mm; take N8 or finer")
        deviation = deviation if small else 0.0
    delta = it - standard_tolerance_um(size_mm, grade - 1) if fine and not small else 0.0
    upper = delta - deviation
    return upper, upper - it


def limits_of(size_mm: float, code: str) -> Limits:
    """Return the limits of a hole (capital letter) or shaft (small letter), by table.

    Parameters
    ----------
    size_mm : float
        Size to make (mm), the same for hole and shaft of a fit.
    code : str
        Such as H7 or g6.

    Returns
    -------
    Limits

    Raises
    ------
    InputError
        If the code can't be read, or its letter, its grade or the size is not in the table.

    Examples
    --------
    >>> hole = limits_of(6, "H7")
    >>> hole.lower_um, hole.upper_um, hole.max_mm
    (0.0, 12.0, 6.012)
    """
    found = _CODE.fullmatch(code.strip())
    if found is None:
        raise InputError(f"{code!r} is no tolerance code; write a letter and a grade, such as H7 for a hole or g6")
    letters, grade = found[1], int(found[2])
    letter, is_hole = letters.lower(), letters.isupper()
    if letter not in _letters() or letters not in (letter, letter.upper()):
        raise InputError(
            f"{code!r}: the letter {letters!r} is not in the ISO 286 table here, which has {', '.join(_letters())} "
            "for shafts and the same in capitals for holes"
        )
    upper, lower = (_hole if is_hole else _shaft)(size_mm, letter, grade)
    upper, lower = upper + 0.0, lower + 0.0
    member = "hole" if is_hole else "shaft"
    size = format_short(size_mm)
    says = (
        f"{member} {size} {letters}{grade}: {_signed(upper)} / {_signed(lower)} \N{MICRO SIGN}m, so "
        f"{format_value(size_mm + lower / 1000, 3)} to {format_value(size_mm + upper / 1000, 3)} mm (ISO 286-1 table)"
    )
    return Limits(f"{letters}{grade}", size_mm, member, upper, lower, says)


def _signed(um: float) -> str:
    return format_value(um, 0 if um == round(um) else 1, sign=True)


def fit_of(size_mm: float, code: str) -> Fit:
    """Return a fit by its code, with the clearances its limits give.

    Parameters
    ----------
    size_mm : float
        Size to make (mm).
    code : str
        Hole and shaft, such as H7/g6.

    Raises
    ------
    InputError
        If the code is not a hole and a shaft, or is outside the table.

    Examples
    --------
    >>> fit = fit_of(6, "H7/g6")
    >>> fit.kind, round(fit.clearance_min_mm, 3), round(fit.clearance_max_mm, 3)
    ('clearance', 0.004, 0.024)
    """
    parts = code.split("/")
    if len(parts) != 2:
        raise InputError(f"{code!r} is no fit; write the hole and the shaft, such as H7/g6")
    hole, shaft = limits_of(size_mm, parts[0]), limits_of(size_mm, parts[1])
    if (hole.member, shaft.member) != ("hole", "shaft"):
        raise InputError(f"{code!r} is no fit; write the hole in capitals first, then the shaft, such as H7/g6")
    least, most = hole.lower_um - shaft.upper_um, hole.upper_um - shaft.lower_um
    kind = "clearance" if least >= 0 else "interference" if most <= 0 else "transition"
    name = f"{hole.code}/{shaft.code}"
    a = "an" if kind == "interference" else "a"
    says = f"{format_short(size_mm)} {name} is {a} {kind} fit at this size: {_told(least, most, kind)}"
    if name == "H7/p6" and kind == "transition":
        says += "; up to 3 mm this code is no press fit, take H7/r6 or H7/s6 for one"
    return Fit(name, size_mm, hole, shaft, least / 1000, most / 1000, kind, says)


def _told(least: float, most: float, kind: str) -> str:
    if kind == "clearance":
        return f"clearance {least:g} to {most:g} \N{MICRO SIGN}m"
    if kind == "interference":
        return f"interference {abs(most):g} to {abs(least):g} \N{MICRO SIGN}m"
    return f"from {abs(least):g} \N{MICRO SIGN}m interference to {most:g} \N{MICRO SIGN}m clearance"


@cache
def common_fits() -> tuple[CommonFit, ...]:
    """Return the fits in common use, loosest first, and what each is used for."""
    return tuple(CommonFit(row["code"], row["used_for"]) for row in _rows("common_fits"))
