"""Sheet and rod to choose from: the published lists, and the shop's own in a CSV file."""

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from ctrecon.core.errors import InputFileError
from ctrecon.core.measured import format_short
from ctrecon.core.numbers import is_number
from ctrecon.workshop.fits.iso286 import limits_of
from ctrecon.workshop.tables import read_table, sheet_list, sheet_tolerance_mm

__all__ = ["SECTIONS", "SHEET_LISTS", "OwnStock", "StockSize", "own_stock", "rod_sizes", "sheet_sizes"]

SHEET_LISTS = ("metric_brass", "awg", "swg")
"""Lists by which brass sheet is sold (common practice, no source)."""

SECTIONS = ("sheet", "round", "square")
"""What stock may be: sheet by thickness, round rod by diameter, square rod across flats."""

_COLUMNS = ("label", "section", "thickness_mm", "size_mm", "tolerance_mm", "material")
_SIZES = ("thickness_mm", "size_mm")
_SAME_MM = 5e-4


_INCH_MM = 25.4


@dataclass(frozen=True)
class OwnStock:
    """One row of the shop's own list; `tolerance_mm` None where the file does not say how true it is."""

    section: str
    size_mm: float
    tolerance_mm: float | None = None
    label: str = ""
    material: str = ""

    @property
    def entry(self) -> str:
        """Its label, or words for it."""
        return self.label or f"own {self.section}"


@dataclass(frozen=True)
class StockSize:
    """A size that can be had: its least and most (mm), the lists or own pieces it stands in.

    `from_memory` where no list that was seen on paper has it; `at_hand` where it is the shop's own.
    """

    size_mm: float
    least_mm: float
    most_mm: float
    entries: tuple[str, ...]
    from_memory: bool
    at_hand: bool

    @property
    def named(self) -> str:
        """Its size with where it stands."""
        return f"{format_short(self.size_mm, 4)} mm ({', '.join(self.entries)})"


def own_stock(path: str | Path) -> tuple[OwnStock, ...]:
    """Return the shop's own stock from a CSV file.

    Parameters
    ----------
    path : str or Path
        With a header: thickness_mm (of sheet) or size_mm; and, where wished, section (sheet, round or square; sheet
        where it is not said), tolerance_mm (plus or minus), label and material. Lines that start with # are left out.

    Raises
    ------
    InputFileError
        If the file can't be read, or a line of it makes no sense; the sentence names file and line.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as wrong:
        raise InputFileError(f"{path}: is no text in UTF-8; save the list as CSV in UTF-8") from wrong
    except OSError as wrong:
        raise InputFileError(f"{path}: cannot be read ({wrong.strerror}); give the CSV list of your stock") from wrong
    lines = [(n, line) for n, line in enumerate(text.splitlines(), 1) if line.strip() and not line.startswith("#")]
    if not lines:
        raise InputFileError(f"{path}: is empty; its first line must be {','.join(_COLUMNS)}")
    header = [one.strip() for one in next(csv.reader([lines[0][1]]))]
    strange = [one for one in header if one not in _COLUMNS]
    sizes = sum(header.count(one) for one in _SIZES)
    if strange or sizes != 1 or len(set(header)) < len(header):
        count = "no column thickness_mm or size_mm" if sizes < 1 else "a column twice"
        fault = f"unknown column {strange[0]!r}" if strange else count
        raise InputFileError(f"{path}, line {lines[0][0]}: {fault}; the columns are {', '.join(_COLUMNS)}")
    return tuple(_own(path, n, header, line) for n, line in lines[1:])


def _own(path: Path, number: int, header: list[str], line: str) -> OwnStock:
    at = f"{path}, line {number}"
    cells = [one.strip() for one in next(csv.reader([line]))]
    if len(cells) != len(header):
        raise InputFileError(f"{at}: has {len(cells)} values for {len(header)} columns ({', '.join(header)})")
    row = dict(zip(header, cells, strict=True))
    section = row.get("section") or SECTIONS[0]
    if section not in SECTIONS:
        raise InputFileError(f"{at}: section {section!r} is not known; write {', '.join(SECTIONS)}")
    column = next(one for one in _SIZES if one in row)
    size = _number(at, column, row[column])
    if size <= 0:
        raise InputFileError(f"{at}: {column} is {row[column]}; it must be above 0")
    tolerance = _number(at, "tolerance_mm", row["tolerance_mm"]) if row.get("tolerance_mm") else None
    if tolerance is not None and not 0 <= tolerance < size:
        raise InputFileError(f"{at}: tolerance_mm is {row['tolerance_mm']}; it must be 0 or more and under the size")
    return OwnStock(section, size, tolerance, row.get("label", ""), row.get("material", ""))


def _number(at: str, name: str, text: str) -> float:
    bare = text.removesuffix("mm").removesuffix("in").strip()
    try:
        value = float(bare) * (_INCH_MM if text.endswith("in") else 1.0)
    except ValueError:
        value = float("nan")
    if not is_number(value):
        raise InputFileError(f"{at}: {name} is {text!r}; write mm with a decimal point, or inches as 0.072 in")
    return value


def _merged(found: list[StockSize]) -> tuple[StockSize, ...]:
    """Join equal sizes of several lists; the shop's own stay apart, for they are there and others are to be bought."""
    out: list[StockSize] = []
    for one in sorted(found, key=lambda s: (s.at_hand, s.size_mm, s.from_memory)):
        last = out[-1] if out else None
        if last is not None and not one.at_hand and not last.at_hand and abs(last.size_mm - one.size_mm) < _SAME_MM:
            both = last.from_memory and one.from_memory
            out[-1] = StockSize(last.size_mm, last.least_mm, last.most_mm, (*last.entries, *one.entries), both, False)
        else:
            out.append(one)
    return tuple(sorted(out, key=lambda s: (s.size_mm, not s.at_hand)))


def sheet_sizes(
    *, lists: Sequence[str] = SHEET_LISTS, own: Sequence[OwnStock] = (), width_mm: float = 350.0
) -> tuple[StockSize, ...]:
    """Return sheet that can be had, thinnest first: published lists and the shop's own.

    Parameters
    ----------
    lists : sequence of str
        Keys of `tables.LISTS`; empty to cut from one's own only.
    own : sequence of OwnStock
        Rows of the shop's list; those that are no sheet are left out.
    width_mm : float
        Width the sheet is rolled in, for its tolerance (EN 1652).
    """
    found = []
    for key in lists:
        one = sheet_list(key)
        for size in one.sizes:
            label = one.title if size.label.endswith(" mm") else f"{one.title} {size.label}"
            tolerance = sheet_tolerance_mm(size.thickness_mm, width_mm=width_mm)
            mm = size.thickness_mm
            found.append(StockSize(mm, mm - tolerance, mm + tolerance, (label,), one.from_memory, False))
    for own_one in own:
        if own_one.section == "sheet":
            mm, tolerance_given = own_one.size_mm, own_one.tolerance_mm
            tolerance = sheet_tolerance_mm(mm, width_mm=width_mm) if tolerance_given is None else tolerance_given
            found.append(StockSize(mm, mm - tolerance, mm + tolerance, (own_one.entry,), False, True))
    return _merged(found)


@cache
def _rods(section: str) -> tuple[float, ...]:
    return tuple(float(row["size_mm"]) for row in read_table(f"rod_{section}")[1])


def rod_sizes(
    section: str, *, own: Sequence[OwnStock] = (), listed: bool = True, grade: str = "h11"
) -> tuple[StockSize, ...]:
    """Return round or square rod that can be had, thinnest first.

    Parameters
    ----------
    section : str
        round or square.
    own : sequence of OwnStock
        Rows of the shop's list; other sections are left out.
    listed : bool
        Whether to add the trade sizes.
    grade : str
        ISO 286 limits of drawn rod (h11: common practice, no source); own rows go by their own tolerance.
    """
    found = []
    for mm in _rods(section) if listed else ():
        limits = limits_of(mm, grade)
        found.append(StockSize(mm, limits.min_mm, limits.max_mm, (f"metric {section} rod",), True, False))
    for one in own:
        if one.section == section:
            given = limits_of(one.size_mm, grade) if one.tolerance_mm is None else None
            least = given.min_mm if given else one.size_mm - (one.tolerance_mm or 0.0)
            most = given.max_mm if given else one.size_mm + (one.tolerance_mm or 0.0)
            found.append(StockSize(one.size_mm, least, most, (one.entry,), False, True))
    return _merged(found)
