"""What a file says about lengths: resolution with a unit, slice spacing in a description.

A resolution that every picture program writes by default says nothing about the part, and
a number without a unit says nothing at all; both are left out rather than believed.
"""

import json
import math
import re
from dataclasses import dataclass
from typing import Any

from ctrecon.core.voxel import LARGEST_MM, SMALLEST_MM

__all__ = ["UNIT_MM", "FileScale", "description_fields", "merge_scales", "per_inch_mm", "read_scale"]

_INCH_MM = 25.4
_PRINT_PER_INCH = (72.0, 96.0, 150.0, 300.0, 600.0)
UNIT_MM = {
    "m": 1000.0, "meter": 1000.0, "metre": 1000.0,
    "cm": 10.0, "centimeter": 10.0, "centimetre": 10.0,
    "mm": 1.0, "millimeter": 1.0, "millimetre": 1.0,
    "um": 1e-3, "\u00b5m": 1e-3, "\u03bcm": 1e-3, "micron": 1e-3, "microns": 1e-3,
    "micrometer": 1e-3, "micrometre": 1e-3,
    "nm": 1e-6, "nanometer": 1e-6, "nanometre": 1e-6,
    "inch": _INCH_MM, "in": _INCH_MM,
}  # fmt: skip
_ESCAPE = re.compile(r"\\u([0-9a-fA-F]{4})")
# two statements of one length may differ by rounding only
_SAME_REL = 1e-4


@dataclass(frozen=True)
class FileScale:
    """Voxel edges a file states, in mm; None where it states none.

    Attributes
    ----------
    dz_mm, dy_mm, dx_mm : float or None
        Slice spacing, row spacing, column spacing.
    trouble : str
        Why a stated number could not be used, or an empty string.
    """

    dz_mm: float | None = None
    dy_mm: float | None = None
    dx_mm: float | None = None
    trouble: str = ""

    @property
    def voxel_mm(self) -> tuple[float, float, float] | None:
        """(dz, dy, dx), or None unless all three are stated."""
        if self.dz_mm is None or self.dy_mm is None or self.dx_mm is None:
            return None
        return (self.dz_mm, self.dy_mm, self.dx_mm)

    @property
    def in_plane_mm(self) -> tuple[float, float] | None:
        """(dy, dx), or None unless both are stated."""
        return None if self.dy_mm is None or self.dx_mm is None else (self.dy_mm, self.dx_mm)


def description_fields(text: str) -> dict[str, Any]:
    """Read a description that is a JSON object or lines of ``key=value``; else nothing."""
    text = text.strip().strip("\x00")
    if text.startswith("{"):
        try:
            found = json.loads(text)
        except (ValueError, RecursionError):
            return {}
        return {str(key).lower(): value for key, value in found.items()} if isinstance(found, dict) else {}
    fields: dict[str, Any] = {}
    for line in re.split(r"[\n;]", text):
        key, equals, value = line.partition("=")
        if equals:
            fields.setdefault(key.strip().lower(), value.strip())
    return fields


def per_inch_mm(across: object, down: object, *, unit_mm: float = _INCH_MM) -> tuple[float, float] | None:
    """Turn pixels per unit into (dy, dx) in mm; None for print defaults and nonsense."""
    x, y = _positive(across), _positive(down)
    if x is None or y is None or (_is_default(x, unit_mm) and _is_default(y, unit_mm)):
        return None
    return (unit_mm / y, unit_mm / x)


def read_scale(
    fields: dict[str, Any],
    *,
    per_unit: tuple[float, float] | None = None,
    unit_mm: float | None = None,
) -> FileScale:
    """Combine a resolution and a description.

    Parameters
    ----------
    fields : dict
        From `description_fields`.
    per_unit : (float, float) or None
        Pixels per unit across and down.
    unit_mm : float or None
        Length of the unit of `per_unit` in mm; None when the header gives no unit, in
        which case a unit in the description counts.

    Returns
    -------
    FileScale
    """
    if "voxel_mm" in fields:
        triple = _triple(fields["voxel_mm"])
        if triple is None:
            return FileScale(trouble="the description gives a voxel_mm that is not three positive numbers")
        return FileScale(*triple)
    described = _unit_of(fields)
    plane = None
    unit = unit_mm if unit_mm is not None else described
    if per_unit is not None and unit is not None:
        plane = per_inch_mm(*per_unit, unit_mm=unit)
    dy, dx = plane if plane is not None else (None, None)
    stated, factor = ("spacing_mm", 1.0) if "spacing_mm" in fields else ("spacing", described)
    if stated not in fields:
        return FileScale(None, dy, dx)
    triple = _triple(fields[stated]) if isinstance(fields[stated], list) else None
    spacing = _positive(fields[stated])
    if spacing is None and triple is None:
        return FileScale(None, dy, dx, "the slice spacing in the description is not a positive number")
    if factor is None:
        return FileScale(None, dy, dx, "the slice spacing in the description has no unit")
    if triple is not None:
        return FileScale(triple[0] * factor, triple[1] * factor, triple[2] * factor)
    assert spacing is not None
    return FileScale(spacing * factor, dy, dx)


def merge_scales(scales: list[FileScale]) -> FileScale:
    """One scale for many files: what they state alike; a contradiction states nothing."""
    edges: list[float | None] = []
    for edge in ("dz_mm", "dy_mm", "dx_mm"):
        values = [value for value in (getattr(scale, edge) for scale in scales) if value is not None]
        if values and max(values) - min(values) > _SAME_REL * min(values):
            return FileScale(trouble="the files state different voxel sizes")
        edges.append(values[0] if values else None)
    trouble = next((scale.trouble for scale in scales if scale.trouble), "")
    return _believed(FileScale(edges[0], edges[1], edges[2], trouble))


def _is_default(per_unit: float, unit_mm: float) -> bool:
    """Whether a resolution is a habit of picture programs: 1 per unit or a print default."""
    if per_unit == 1.0:
        return True
    per_inch = per_unit * _INCH_MM / unit_mm
    if any(abs(per_inch - known) <= 1e-3 * known for known in _PRINT_PER_INCH):
        return True
    # in centimetres the same defaults are also written as whole numbers (28, 38, 59, 118, 236)
    return unit_mm == 10.0 and per_unit in {float(round(known / 2.54)) for known in _PRINT_PER_INCH}


def _positive(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, (int, float, str)):
        return None
    try:
        number = float(value)
    except (ValueError, OverflowError):
        return None
    return number if math.isfinite(number) and number > 0.0 else None


def _believed(edges: FileScale) -> FileScale:
    """Return a scale without edges that no voxel has."""
    if all(one is None or SMALLEST_MM <= one <= LARGEST_MM for one in (edges.dz_mm, edges.dy_mm, edges.dx_mm)):
        return edges
    return FileScale(trouble="the files state a voxel edge that no scan has")


def _triple(value: object) -> tuple[float, float, float] | None:
    items = list(value) if isinstance(value, (list, tuple)) else [value] * 3
    if isinstance(value, str):
        parts = re.split(r"[\s,]+", value.strip("[]() \t"))
        items = list(parts) if len(parts) == 3 else [value] * 3
    numbers = [_positive(item) for item in items]
    if len(numbers) != 3 or any(number is None for number in numbers):
        return None
    return (float(numbers[0] or 0), float(numbers[1] or 0), float(numbers[2] or 0))


def _unit_of(fields: dict[str, Any]) -> float | None:
    unit = fields.get("unit", fields.get("spacing_unit"))
    if not isinstance(unit, str):
        return None
    plain = _ESCAPE.sub(lambda found: chr(int(found.group(1), 16)), unit).strip()
    return UNIT_MM.get(plain.lower())
