"""The rows of the table of features: every size with its U, in one unit or in inches over mm."""

import math
from dataclasses import dataclass, replace

from ctrecon.core.measured import Measured, decimals_for, expanded, format_value
from ctrecon.drawing.model.dimension_text import (
    HALF_TURN,
    depth_text,
    depth_us,
    figure,
    places_of,
    taper_words,
    turned,
)
from ctrecon.drawing.model.views import Drawn, Model
from ctrecon.record.kinds import is_hole, kind_of
from ctrecon.record.part import Feature, taper_of
from ctrecon.record.sensitivity import expanded_of

__all__ = ["HEADINGS", "Row", "diameters_at_ends", "rows_of"]

HEADINGS = ("Id", "Feature", "Size", "Value", "U", "Z from", "Z to", "U", "Length", "U", "X", "Y", "U", "Basis")
NONE = "–"


@dataclass(frozen=True)
class Row:
    """One line of the table, one text a column."""

    cells: tuple[str, ...]
    first: bool


def _quantity(
    model: Model, f: Feature, name: str, quantity: str, measured: Measured | None, share: float = 1.0
) -> tuple[str, str, str] | None:
    if measured is None:
        return None
    u = expanded_of(model.part, f, quantity, measured)
    u = None if u is None else share * u
    places = decimals_for(u)
    units = "mm" if "°" in name or "²" in name else model.units
    return name, figure(units, share * measured.value, places), NONE if u is None else figure(units, u, places)


def diameters_at_ends(drawn: Drawn) -> list[tuple[str, Measured]]:
    """Return the diameters at both ends of a taper."""
    f = drawn.feature
    taper = taper_of(f)
    if taper is None or f.diameter_mm is None:
        return []
    half = (drawn.z1 - drawn.z0) / 2
    us = (f.diameter_mm.u, taper.u)
    u = None if us[0] is None or us[1] is None else math.hypot(us[0], half * us[1])
    low, high = (f.diameter_mm.value + side * half * taper.value for side in (-1, 1))
    return [("Ø at start", Measured(low, u)), ("Ø at end", Measured(high, u))]


def _quantities(model: Model, drawn: Drawn) -> list[tuple[str, str, str]]:
    """Return (name, value, U) of every size of the feature, the main one first."""
    f = drawn.feature
    taper = taper_of(f)
    kind = kind_of(f)
    middle = " at mid-depth" if taper else ""
    is_clock = model.x_reference is not None and f.id == model.x_reference.id
    found = [
        *(
            _quantity(model, f, size.sheet + (middle if f.diameter_mm is value else ""), size.quantity, value)
            for size, value in (() if kind.is_toothed else kind.main_sizes(f))  # the table of teeth has them
        ),
        _quantity(model, f, "area mm²", "area_mm2", f.area_mm2),
        ("turn °", "0", "datum") if is_clock else None if kind.is_toothed
        else _quantity(model, f, "turn °", "turn_deg", turned(model, f)),
        _quantity(model, f, "corner R", "corner_radius_mm", f.corner_radius_mm),
        *(_quantity(model, f, name, "diameter_mm", value) for name, value in diameters_at_ends(drawn)),
        _quantity(model, f, "seam", "seam_mm", f.seam_mm),
    ]
    plain: list[tuple[str, str, str]] = []
    if taper:
        u = expanded(taper)
        places = min(4, decimals_for(u))
        plain.append(
            (
                f"taper ({taper_words(taper)})",
                format_value(taper.value, places),
                NONE if u is None else format_value(u, places),
            )
        )
    if f.sides:
        plain.append(("sides", str(f.sides), NONE))
    if f.arc_deg is not None and f.arc_deg < 360:
        plain.append(("arc there °", format_value(f.arc_deg, 0), NONE))
        if f.diameter_mm is not None and f.arc_deg < HALF_TURN:
            found.insert(1, _quantity(model, f, "R", "diameter_mm", f.diameter_mm, 0.5))
    return [one for one in found if one] + plain


def _opens(f: Feature) -> str:
    """Return how far a hole goes, for who drills by the table."""
    if not is_hole(f) or not f.opens_at:
        return ""
    return ", through" if set(f.opens_at) >= {"start", "end"} else f", from {f.opens_at[0]}"


def _single_rows(model: Model, drawn: Drawn) -> list[Row]:
    """Return the rows in the model's units alone."""
    f, units = drawn.feature, model.units
    ux, uy = places_of(model, drawn)
    z_us = [u for u in depth_us(model, drawn) if u is not None]
    known = f.x_mm is not None and f.y_mm is not None
    u_place = max((u for u in (ux, uy) if u is not None), default=None)
    places = decimals_for(u_place)
    if model.datum is not None and f.id == model.datum.id:
        place = ("0", "0", "datum")
    elif known:
        u_text = NONE if u_place is None else figure(units, u_place, places)
        place = (figure(units, drawn.x, places), figure(units, drawn.y, places), u_text)
    else:
        place = (NONE, NONE, NONE)
    u_z = max(z_us, default=None)
    depth = (
        depth_text(model, drawn, end=False, full=True),
        depth_text(model, drawn, end=True, full=True),
        NONE if u_z is None else figure(units, u_z, decimals_for(u_z)),
    )
    sizes = _quantities(model, drawn) or [(NONE, NONE, NONE)]
    length = (_quantity(model, f, "length", "length_mm", f.length_mm) or (NONE, NONE, NONE))[1:]
    rows = [Row((f.id, kind_of(f).on_sheet + _opens(f), *sizes[0], *depth, *length, *place, f.basis), True)]
    return rows + [Row(("", "", *size, *[""] * 9), False) for size in sizes[1:]]


def rows_of(model: Model, drawn: Drawn) -> list[Row]:
    """Return the table rows of one feature; only the first names it and gives its place.

    In inches each row is followed by the same in mm, in brackets.
    """
    rows = _single_rows(model, drawn)
    if model.units == "mm":
        return rows
    both: list[Row] = []
    for row, mm in zip(rows, _single_rows(replace(model, units="mm"), drawn), strict=True):
        both.append(row)
        below = tuple(f"[{b}]" if a != b else "" for a, b in zip(row.cells, mm.cells, strict=True))
        if any(below):
            both.append(Row(below, False))
    return both
