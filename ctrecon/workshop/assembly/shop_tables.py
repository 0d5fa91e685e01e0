"""What the shop has and does, and what the person decided: [shop], [stock] and [overrides] of the file."""

from collections.abc import Collection, Mapping
from itertools import pairwise
from pathlib import Path
from typing import Any

from ctrecon.core.errors import InputFileError
from ctrecon.workshop.assembly.model import Overrides, Stock
from ctrecon.workshop.assembly.schema import Table
from ctrecon.workshop.assembly.shop import HABITS, ShopHabits
from ctrecon.workshop.own_stock import OwnStock, own_stock
from ctrecon.workshop.tables import LISTS

__all__ = ["read_overrides", "read_shop", "read_stock"]

_AT_HAND = "at hand"
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
    own = [OwnStock("sheet", one.value, None, _AT_HAND) for one in table.sizes("sheets_mm")]
    own += [OwnStock("round", one.value, None, _AT_HAND) for one in table.sizes("rods_mm")]
    for name in table.texts("stock_files"):
        try:
            own += own_stock(Path(table.file).parent / name)
        except InputFileError as error:
            table.refuse("stock_files", str(error))
    drills = tuple(sorted(one.value for one in table.sizes("drills_mm")))
    table.close()
    return Stock(lists=lists, own=tuple(sorted(own, key=lambda one: one.size_mm)), drills_mm=drills)


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
