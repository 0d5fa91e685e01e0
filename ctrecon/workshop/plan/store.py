"""Writes the plan as files that other programs read: plan.json, the shopping list, the coordinates of the set-ups."""

from collections.abc import Iterable
from math import isfinite
from pathlib import Path

from ctrecon.core.files import write_whole
from ctrecon.core.tables import write_table
from ctrecon.workshop.plan.model import Plan
from ctrecon.workshop.written import json_text, plain

__all__ = ["SCHEMA_NAME", "plan_to_json", "write_coordinates_csv", "write_plan_json", "write_shopping_csv"]

SCHEMA_NAME = "ctrecon-plan-1"
_INCH_MM = 25.4


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
    return json_text({"schema": SCHEMA_NAME, **plain(plan, plan.assembly.source.absolute().parent)})


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
    write_table(path, ("group", "what", "how_many", "for_parts", "for_steps", "from_list"), rows)


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
    write_table(path, head, rows)


def _named(plan: Plan, ids: Iterable[str]) -> list[str]:
    return [plan.names.get(one, one) for one in ids]
