"""Writes the wheels' plan as files that other programs read: wheels.json, teeth, dividing and trains as tables."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from ctrecon.core.files import write_whole
from ctrecon.core.measured import Measured, expanded, format_value
from ctrecon.core.tables import write_table
from ctrecon.workshop.wheels.making import ToMake
from ctrecon.workshop.wheels.plan import PlannedWheel, WheelsPlan
from ctrecon.workshop.written import json_text, plain

__all__ = [
    "SCHEMA_NAME", "file_name", "wheels_to_json", "write_dividing_csv", "write_teeth_csv", "write_trains_csv",
    "write_wheels_json",
]  # fmt: skip

SCHEMA_NAME = "ctrecon-wheels-1"

_AS_FOUND = (
    "teeth", "teeth_range", "teeth_present", "tip_diameter_mm", "root_diameter_mm", "tooth_width_mm", "pitch_deg",
    "turn_deg", "flags",
)  # fmt: skip
"""Fields of the record's wheel that are said again."""


def file_name(wheel: str) -> str:
    """Return what files of a wheel are called, whatever its part is called.

    Examples
    --------
    >>> file_name("ferry wheel/2.F1")
    'ferry_wheel_2.F1'
    """
    return re.sub(r"[^\w.-]", "_", wheel)


def wheels_to_json(plan: WheelsPlan) -> str:
    """Return the plan as JSON text: lengths in mm, angles in degrees, u as one standard uncertainty.

    Parameters
    ----------
    plan : WheelsPlan
        The plan.

    Returns
    -------
    str
        Ratios are exact fractions, such as "5/2"; outlines stand in the DXF files.
    """
    return json_text(
        {
            "schema": SCHEMA_NAME,
            "wheels": [_wheel(one) for one in plan.wheels],
            "pairs": plain(plan.pairs),
            "meshes": plain(plan.meshes),
            "train": plain(plan.train),
            "lost": plain(plan.lost),
        }
    )


def _wheel(one: PlannedWheel) -> dict[str, Any]:
    found, feature = one.found, one.found.feature
    return {
        "name": found.name,
        "part": found.part,
        "feature": feature.id,
        "arbor": plain(found.arbor),
        "faces_mm": plain((found.low, found.high)),
        "run_out_mm": plain(found.run_out),
        "as_found": {name: plain(getattr(feature, name)) for name in _AS_FOUND},
        "teeth": one.teeth,
        "settled": one.settled,
        "odds": plain(one.odds),
        "count_says": list(one.count_says),
        "division": plain(one.division),
        "to_make": None if one.make is None else _made(one.make),
        "unknown": dict(one.unknown),
    }


def _made(make: ToMake) -> dict[str, Any]:
    whole: dict[str, Any] = plain(make)
    del whole["outline"]
    return whole


def write_wheels_json(plan: WheelsPlan, path: str | Path) -> None:
    """Write the plan as JSON, `wheels.json` by custom, whole or not at all."""
    write_whole(path, wheels_to_json(plan).encode())


def _number(value: float | None, decimals: int = 4) -> str:
    return "" if value is None else format_value(value, decimals)


def write_teeth_csv(plan: WheelsPlan, path: str | Path) -> None:
    """Write one row per tooth that is left: its angle, where equal steps put it, its error with U (k = 2), its step.

    Parameters
    ----------
    plan : WheelsPlan
        The plan.
    path : path
        The file, `teeth.csv` by custom.
    """
    head = (
        "wheel", "teeth", "tooth", "whole", "bent", "stretch", "angle_deg", "equal_deg", "error_deg", "U_error_deg",
        "step_error_deg",
    )  # fmt: skip
    write_table(path, head, _teeth(plan))


def _teeth(plan: WheelsPlan) -> Iterator[tuple[str, ...]]:
    for one in plan.wheels:
        if one.division is None:
            continue
        for row, place in zip(one.division.table, one.found.feature.tooth_places, strict=True):
            yield (
                one.found.name, str(one.teeth), str(row.number + 1), "yes" if place.whole else "no",
                "yes" if place.bent or row.bent else "no", str(place.stretch + 1), _number(row.angle_deg),
                _number(row.equal_deg), _number(row.error_deg.value), _number(expanded(row.error_deg)),
                _number(row.step_error_deg),
            )  # fmt: skip


def write_dividing_csv(plan: WheelsPlan, path: str | Path) -> None:
    """Write one row per tooth to cut: its angle in degrees and minutes, and turns and holes of the head.

    Parameters
    ----------
    plan : WheelsPlan
        The plan.
    path : path
        The file, `dividing.csv` by custom.
    """
    rows = [
        (
            one.found.name, str(row.tooth), str(row.degrees), format_value(row.minutes, 1),
            *("" if value is None else str(value) for value in (row.turns, row.holes)),
            "" if one.make.dividing.step is None else str(one.make.dividing.step.circle),
        )
        for one in plan.wheels
        if one.make is not None
        for row in one.make.dividing.rows
    ]  # fmt: skip
    write_table(path, ("wheel", "tooth", "degrees", "minutes", "turns", "holes", "circle"), rows)


def write_trains_csv(plan: WheelsPlan, path: str | Path) -> None:
    """Write one row per pair that can or may mesh: counts as a ratio, how well they agree, and whether they are taken.

    Parameters
    ----------
    plan : WheelsPlan
        The plan.
    path : path
        The file, `trains.csv` by custom.
    """
    rows = [
        (
            one.first, one.second, str(one.ratio), one.verdict,
            "yes" if (one.first, one.second) in plan.meshes or (one.second, one.first) in plan.meshes else "no",
            _number(one.pitch_sd, 2), _number(one.distance_sd, 2), _face(one.overlap), one.reason,
        )
        for one in plan.pairs
    ]  # fmt: skip
    head = ("first", "second", "ratio", "can_mesh", "taken", "pitch_in_u", "distance_in_u", "shared_face_mm", "reason")
    write_table(path, head, rows)


def _face(overlap: Measured | None) -> str:
    return "" if overlap is None else _number(overlap.value, 3)
