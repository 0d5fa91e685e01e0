"""Writes the plan as files that other programs read: plan.json, the shopping list, the coordinates of the set-ups."""

import csv
import io
import json
import re
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import fields, is_dataclass
from math import isfinite
from os.path import relpath
from pathlib import Path
from typing import Any

from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from ctrecon.core.files import write_whole
from ctrecon.workshop.plan.model import Plan

__all__ = ["SCHEMA_NAME", "plan_to_json", "write_coordinates_csv", "write_plan_json", "write_shopping_csv"]

SCHEMA_NAME = "ctrecon-plan-1"
_INCH_MM = 25.4
_PAIR = re.compile(r"\[\s+(-?\d[\d.e+-]*),\s+(-?\d[\d.e+-]*)\s+\]")
"""Two numbers of a list: they are put on one line. No text of the plan looks so: its line ends are written as \\n."""
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""What a spreadsheet takes for a formula at the start of a cell of text (OWASP, CSV injection)."""


def plan_to_json(plan: Plan) -> str:
    """Return the whole plan as JSON text: the same plan gives the same text, wherever its files lie.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    str
        Lengths in mm, numbers to 9 significant digits, u as one standard uncertainty. An area is a list of polygons,
        each a list of closed rings of [x, y], the outer one first. Keys of two names are joined by "/". Paths are
        those from the folder of the assembly file.

    Raises
    ------
    ValueError
        If a number of the plan is not finite (a fault of the program).
    """
    plain = _plain(plan, plan.assembly.source.absolute().parent)
    text = json.dumps({"schema": SCHEMA_NAME, **plain}, allow_nan=False, indent=1, ensure_ascii=False)
    return _PAIR.sub(r"[\1, \2]", text) + "\n"


def _plain(thing: Any, folder: Path) -> Any:
    """Return records, mappings, geometries and paths as plain data."""
    if isinstance(thing, float):
        return float(f"{thing:.9g}") + 0.0  # no minus zero
    if thing is None or isinstance(thing, (str, int)):
        return thing
    if isinstance(thing, BaseGeometry):
        return _area(thing)
    if isinstance(thing, Path):
        return Path(relpath(thing.absolute(), folder)).as_posix()
    if is_dataclass(thing) and not isinstance(thing, type):
        return {one.name: _plain(getattr(thing, one.name), folder) for one in fields(thing)}
    if isinstance(thing, Mapping):
        return {"/".join(key) if isinstance(key, tuple) else key: _plain(one, folder) for key, one in thing.items()}
    if isinstance(thing, Set):
        return sorted(thing)
    if isinstance(thing, Sequence):
        return [_plain(one, folder) for one in thing]
    raise TypeError(f"the plan holds a {type(thing).__name__}, which has no place in plan.json")


def _area(shape: BaseGeometry) -> list[list[list[list[float]]]]:
    several: Sequence[BaseGeometry] = tuple(getattr(shape, "geoms", (shape,)))
    return [
        [[[_plain(float(x), Path()), _plain(float(y), Path())] for x, y in ring.coords] for ring in _rings(one)]
        for one in several
        if isinstance(one, Polygon) and not one.is_empty
    ]


def _rings(polygon: Polygon) -> Iterable[Any]:
    return (polygon.exterior, *polygon.interiors)


def write_plan_json(plan: Plan, path: str | Path) -> None:
    """Write the whole plan as JSON, whole or not at all.

    Parameters
    ----------
    plan : Plan
        The plan.
    path : path
        The file, `plan.json` by custom.

    Raises
    ------
    InputFileError
        If the file cannot be written.
    """
    write_whole(path, plan_to_json(plan).encode())


def write_shopping_csv(plan: Plan, path: str | Path) -> None:
    """Write one row a thing to have at hand: group, what, how many, for which parts and steps, from which list.

    Parameters
    ----------
    plan : Plan
        The plan.
    path : path
        The file, `shopping.csv` by custom.

    Raises
    ------
    InputFileError
        If the file cannot be written.
    """
    rows = [
        (one.group, one.what, one.count, "; ".join(_named(plan, one.parts)), "; ".join(one.steps), one.source)
        for one in plan.buy
    ]
    _write_table(path, ("group", "what", "how_many", "for_parts", "for_steps", "from_list"), rows)


def write_coordinates_csv(plan: Plan, path: str | Path) -> None:
    """Write one row a hole of a set-up: its place from the set-up's datum with U (k = 2), and its drill.

    Parameters
    ----------
    plan : Plan
        The plan; in its units, as the headings say.
    path : path
        The file, `coordinates.csv` by custom.

    Raises
    ------
    InputFileError
        If the file cannot be written.
    """
    inch = plan.assembly.units == "inch"
    unit, places, factor = ("in", 5, _INCH_MM) if inch else ("mm", 4, 1.0)

    def cell(value: float | None) -> str:
        return "" if value is None or not isfinite(value) else f"{value / factor + 0.0:.{places}f}"

    rows = [
        (
            one.id, " on ".join(_named(plan, one.plates)), one.face_up, *_named(plan, [hole.id]),
            cell(hole.x.value), cell(hole.y.value), cell(hole.x.U), cell(hole.y.U),
            hole.drill, cell(hole.drill_mm), f"{hole.rpm:.0f}",
        )
        for one in plan.set_ups
        for hole in one.holes
    ]  # fmt: skip
    head = ("set_up", "plates", "face_up", "hole", f"x_{unit}", f"y_{unit}", f"U_x_{unit}", f"U_y_{unit}", "drill",
            f"drill_{unit}", "rev_per_min")  # fmt: skip
    _write_table(path, head, rows)


def _named(plan: Plan, ids: Iterable[str]) -> list[str]:
    return [plan.names.get(one, one) for one in ids]


def _write_table(path: str | Path, head: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(head)
    table.writerows([_guarded(cell) for cell in row] for row in rows)
    write_whole(path, out.getvalue().encode())


def _guarded(cell: str) -> str:
    """Return a cell that no spreadsheet takes for a formula: names come from the file, and numbers stay numbers."""
    if not cell.startswith(_FORMULA):
        return cell
    try:
        float(cell)
    except ValueError:
        return f"'{cell}"
    return cell
