"""Plans as text that other programs read: records as plain JSON."""

import json
import re
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import fields, is_dataclass
from fractions import Fraction
from os.path import relpath
from pathlib import Path
from typing import Any

from shapely import Polygon
from shapely.geometry.base import BaseGeometry

__all__ = ["json_text", "plain"]

_PAIR = re.compile(r"\[\s+(-?\d[\d.e+-]*),\s+(-?\d[\d.e+-]*)\s+\]")
"""Two numbers of a list: they are put on one line. No text of the plan looks so: its line ends are written as \\n."""


def json_text(thing: Mapping[str, Any]) -> str:
    """Return plain data as JSON text, two numbers of a list on one line.

    Raises
    ------
    ValueError
        If a number is not finite (a fault of the program).
    """
    text = json.dumps(thing, allow_nan=False, indent=1, ensure_ascii=False)
    return _PAIR.sub(r"[\1, \2]", text) + "\n"


def plain(thing: Any, folder: Path = Path()) -> Any:
    """Return records, mappings, geometries and paths as plain data: 9 significant digits, paths from the folder."""
    if isinstance(thing, float):
        return float(f"{thing:.9g}") + 0.0  # no minus zero
    if thing is None or isinstance(thing, (str, int)):
        return thing
    if isinstance(thing, Fraction):
        return str(thing)
    if isinstance(thing, BaseGeometry):
        return _area(thing)
    if isinstance(thing, Path):
        return Path(relpath(thing.absolute(), folder)).as_posix()
    if is_dataclass(thing) and not isinstance(thing, type):
        return {one.name: plain(getattr(thing, one.name), folder) for one in fields(thing)}
    if isinstance(thing, Mapping):
        return {"/".join(key) if isinstance(key, tuple) else key: plain(one, folder) for key, one in thing.items()}
    if isinstance(thing, Set):
        return sorted(thing)
    if isinstance(thing, Sequence):
        return [plain(one, folder) for one in thing]
    raise TypeError(f"a plan holds a {type(thing).__name__}, which has no place in a file")


def _area(shape: BaseGeometry) -> list[list[list[list[float]]]]:
    several: Sequence[BaseGeometry] = tuple(getattr(shape, "geoms", (shape,)))
    return [
        [[[plain(float(x), Path()), plain(float(y), Path())] for x, y in ring.coords] for ring in _rings(one)]
        for one in several
        if isinstance(one, Polygon) and not one.is_empty
    ]


def _rings(polygon: Polygon) -> Iterable[Any]:
    return (polygon.exterior, *polygon.interiors)
