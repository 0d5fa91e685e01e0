"""Published lists of sheet stock: read from CSV files that name their source, AWG from its formula."""

import csv
from dataclasses import dataclass
from functools import cache
from importlib import resources

from ctrecon.core.errors import InputError

__all__ = ["LISTS", "SheetList", "SheetSize", "awg_mm", "read_table", "sheet_list", "sheet_tolerance_mm"]

LISTS: dict[str, str] = {
    "iso3_r10": "ISO 3 R10",
    "iso3_r20": "ISO 3 R20",
    "metric_first": "metric first choice",
    "metric_second": "metric second choice",
    "metric_brass": "metric brass sheet",
    "awg": "AWG / B&S",
    "swg": "SWG",
}
"""The lists of sheet stock by their key, with the words for them."""

_INCH_MM = 25.4
_DECADES = (0.01, 0.1, 1.0, 10.0)
_ISO_LEAST_MM = 0.05


@dataclass(frozen=True)
class SheetSize:
    """One entry of a list: its name there and its thickness (mm)."""

    label: str
    thickness_mm: float


@dataclass(frozen=True)
class SheetList:
    """A list of sheet stock, thinnest first; `from_memory` where its figures were not seen on paper."""

    key: str
    title: str
    source: str
    from_memory: bool
    sizes: tuple[SheetSize, ...]


def awg_mm(gauge: int) -> float:
    """Return the thickness (mm) of an AWG (Brown & Sharpe) gauge: 0.127 mm x 92^((36 - n) / 39), ASTM B258.

    Parameters
    ----------
    gauge : int
        Gauge number; 0 is 1/0, -1 is 2/0, -3 is 4/0.

    Examples
    --------
    >>> awg_mm(36), round(awg_mm(-3), 3)
    (0.127, 11.684)
    """
    return 0.127 * float(92.0 ** ((36 - gauge) / 39))


def read_table(name: str) -> tuple[str, list[dict[str, str]]]:
    """Return the source named in the first line of a table, and its rows."""
    text = resources.files("ctrecon.workshop").joinpath("tables", f"{name}.csv").read_text(encoding="utf-8")
    first, *rest = text.splitlines()
    return first.removeprefix("#").removeprefix(" source:").strip(), list(csv.DictReader(rest))


@cache
def sheet_list(key: str) -> SheetList:
    """Return a list of sheet stock by its key.

    Raises
    ------
    InputError
        If there is no such list.
    """
    if key not in LISTS:
        raise InputError(f"there is no list of sheet stock called {key!r}; choose from {', '.join(LISTS)}")
    if key == "awg":
        source = "AWG / Brown & Sharpe, ASTM B258: 0.127 mm x 92^((36 - n) / 39)"
        sizes = [SheetSize(f"{1 - n}/0" if n < 1 else str(n), awg_mm(n)) for n in range(-3, 41)]
    else:
        source, rows = read_table(key)
        if key == "swg":
            sizes = [SheetSize(row["label"], float(row["inch"]) * _INCH_MM) for row in rows]
        elif key.startswith("iso3"):
            all_mm = {round(float(row["number"]) * ten, 6) for row in rows for ten in _DECADES}
            sizes = [SheetSize(f"{mm:g} mm", mm) for mm in all_mm if mm >= _ISO_LEAST_MM]
        else:
            values = [float(row["thickness_mm"]) for row in rows]
            sizes = [SheetSize(f"{mm:g} mm", mm) for mm in values]
    ordered = tuple(sorted(sizes, key=lambda one: one.thickness_mm))
    seen_only_in_memory = "from memory, not seen" in source
    return SheetList(key, LISTS[key], source, seen_only_in_memory, ordered)


_WIDTHS = {350.0: "tolerance_mm", 700.0: "to_700_mm", 1000.0: "to_1000_mm", 1250.0: "to_1250_mm"}


@cache
def _tolerances(column: str) -> tuple[tuple[float, float], ...]:
    _, rows = read_table("sheet_tolerance")
    return tuple((float(row["to_mm"]), float(row[column])) for row in rows if row[column])


def sheet_tolerance_mm(thickness_mm: float, *, width_mm: float = 350.0) -> float:
    """Return plus or minus how much (mm) cold rolled sheet of this width may depart from its size (EN 1652).

    Outside 0.1 to 10 mm (0.2 or 0.3 to 6 mm for sheet wider than 350 mm), where the table ends, its relative
    tolerance at the near end is carried on.

    Raises
    ------
    InputError
        If the sheet is wider than the 1250 mm of the table.

    Examples
    --------
    >>> sheet_tolerance_mm(1.0), sheet_tolerance_mm(6.0), sheet_tolerance_mm(1.5, width_mm=600)
    (0.05, 0.14, 0.08)
    """
    column = next((name for most, name in _WIDTHS.items() if width_mm <= most), None)
    if column is None:
        raise InputError(f"a sheet {width_mm:g} mm wide is wider than the table of EN 1652, which ends at 1250 mm")
    table = _tolerances(column)
    first = 0.1 if column == "tolerance_mm" else 0.2 if column != "to_1250_mm" else 0.3
    for to, tolerance in table:
        if thickness_mm <= to:
            return tolerance if thickness_mm > first else tolerance * thickness_mm / first
    to, tolerance = table[-1]
    return tolerance * thickness_mm / to
