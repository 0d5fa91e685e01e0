"""What the shop has and does, and what the person decided: [shop], [stock] and [overrides] of the file."""

import csv
from collections.abc import Collection, Mapping
from itertools import pairwise
from pathlib import Path
from typing import Any

from ctrecon.core.measured import format_short
from ctrecon.workshop.assembly.model import Overrides, Stock
from ctrecon.workshop.assembly.schema import Table
from ctrecon.workshop.assembly.shop import HABITS, ShopHabits
from ctrecon.workshop.tables import LISTS, SheetSize

__all__ = ["read_overrides", "read_shop", "read_stock"]

_DEFAULT_LISTS = ("metric_brass",)


def read_shop(table: Table) -> ShopHabits:
    """Read ``[shop]``: any habit by its key; the others keep their default."""
    given: dict[str, Any] = {}
    for key, habit in HABITS.items():
        if not table.has(key):
            continue
        if isinstance(habit.default, str):
            given[key] = table.text(key, choices=habit.choices)
        elif habit.choices:
            number = table.number(key, habit.default)
            if f"{number:g}" not in habit.choices:
                table.refuse(key, f"is {number:g}; choose {' or '.join(habit.choices)}")
            given[key] = int(number)
        else:
            given[key] = table.number(key, habit.default, least=habit.least, most=habit.most)
    table.close()
    shop = ShopHabits(given=frozenset(given), **given)
    if shop.end_shake_least_mm > shop.end_shake_most_mm:
        table.refuse("end_shake_least_mm", "is more than end_shake_most_mm; give the smaller first")
    return shop


def read_stock(table: Table) -> Stock:
    """Read ``[stock]``: published lists by key, own sheet as numbers or by a CSV beside the file, rods and drills."""
    lists = table.some_of("lists", LISTS, "list of sheet") or _DEFAULT_LISTS
    sheets = [SheetSize(f"{format_short(one.value, 4)} mm", one.value) for one in table.sizes("sheets_mm")]
    for name in table.texts("sheet_files"):
        sheets += _own_list(table, name)
    rods, drills = (tuple(sorted(one.value for one in table.sizes(key))) for key in ("rods_mm", "drills_mm"))
    table.close()
    sheets.sort(key=lambda one: one.thickness_mm)
    return Stock(lists=lists, sheets=tuple(sheets), rods_mm=rods, drills_mm=drills)


def _own_list(table: Table, name: str) -> list[SheetSize]:
    """Read a CSV with the columns label (may be left out) and thickness_mm; lines with # in front are left out."""
    path = Path(table.file).parent / name
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is no text"
        table.refuse("sheet_files", f"{path} cannot be read ({why}); give a CSV with a column thickness_mm")
    rows = csv.DictReader(line for line in text.splitlines() if line.strip() and not line.startswith("#"))
    if "thickness_mm" not in (rows.fieldnames or ()):
        table.refuse("sheet_files", f"{path} has no column thickness_mm; name it in the first line")
    out = []
    for number, row in enumerate(rows, 1):
        size = table.as_size("sheet_files", row["thickness_mm"] or "")
        out.append(SheetSize(row.get("label") or f"{name}, row {number}", size.value))
    return out


def read_overrides(
    table: Table, *, plates: tuple[str, ...], parts: Collection[str], holes: Mapping[str, str]
) -> Overrides:
    """Read ``[overrides]``: pins, fits, stock and set_ups, each for plates, parts and holes that are there.

    Parameters
    ----------
    table : Table
        The table.
    plates : tuple of str
        Ids of the plates, top first.
    parts : collection of str
        Ids of all parts.
    holes : mapping of str to str
        Words for every hole by its key.
    """
    pins: dict[tuple[str, str], tuple[tuple[float, float], ...]] = {}
    inside = table.table("pins")
    pairs = {f"{upper}/{lower}": (upper, lower) for upper, lower in pairwise(plates)}
    for name in pairs:
        places = inside.points(name) if inside.has(name) else ()
        if places:
            pins[pairs[name]] = places
    inside.close()
    chosen = table.table("fits")
    fits = {key: text for key in holes if (text := chosen.text(key))}
    chosen.close()
    cut = table.table("stock")
    stock = {part: size.value for part in parts if (size := cut.size(part)) is not None}
    cut.close()
    set_ups = _set_ups(table, plates)
    table.close()
    return Overrides(pins=pins, fits=fits, stock=stock, set_ups=set_ups)


def _set_ups(table: Table, plates: tuple[str, ...]) -> tuple[tuple[str, ...], ...]:
    if not table.has("set_ups"):
        return ()
    raw = table.data["set_ups"]
    if not isinstance(raw, list):
        table.refuse("set_ups", 'must be a list of lists of plates, such as [["top_plate", "middle_plate"]]')
    out = []
    for number, one in enumerate(raw, 1):
        single = Table({"set_ups": one}, table.key, table.file)
        some = single.some_of("set_ups", plates, "plate")
        if not some:
            table.refuse("set_ups", f"set-up {number} names no plate; leave it out")
        out.append(some)
    return tuple(out)
