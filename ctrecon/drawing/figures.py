"""How numbers and kinds read on a sheet: words, signs, values with U, and the table's rows."""

import math
from dataclasses import dataclass

from ctrecon.core.measured import Measured, decimals_for, expanded, format_value
from ctrecon.drawing.views import Drawn, Model, sheet_turn
from ctrecon.part import Feature, Part, scale_u_along, taper_of

__all__ = [
    "HEADINGS",
    "Row",
    "depth_text",
    "kind_words",
    "mark",
    "pair_difference",
    "places_of",
    "rows_of",
    "size_places",
]

KIND_WORDS: dict[str, str] = {
    "arc_outside": "relief arc in rim", "free_hole": "free hole", "free_outside": "free outside",
    "free_seam": "free seam", "face_seam": "face seam", "rectangular_hole": "rectangular hole",
    "rectangular_outside": "rectangle outside", "polygon_hole": "polygon hole", "polygon_outside": "polygon outside",
}  # fmt: skip
NONE = "–"
HEADINGS = ("Id", "Feature", "Size", "Value", "U", "Z from", "Z to", "U", "Length", "U", "X", "Y", "U", "Basis")


@dataclass(frozen=True)
class Row:
    """One line of the table, one text a column."""

    cells: tuple[str, ...]
    first: bool


def kind_words(kind: str) -> str:
    """Return the kind in words."""
    return KIND_WORDS.get(kind, kind.replace("_", " "))


def mark(feature: Feature) -> str:
    """Return what follows a value that was not measured."""
    return "" if feature.basis == "measured" else f" ({feature.basis})"


def size_places(part: Part, measured: Measured | None, direction: str = "across") -> int:
    """Return the decimals this size deserves on the sheet."""
    return 3 if measured is None else decimals_for(expanded(measured, scale_u_along(part, direction)))


def pair_difference(
    part: Part, a: Measured | None, b: Measured | None, difference: float, direction: str
) -> float | None:
    """Return U of the difference of two places, or None where one has no u."""
    if a is None or b is None or a.u is None or b.u is None:
        return None
    u = 0.0 if a is b else math.hypot(a.u, b.u)
    return expanded(Measured(difference, u), scale_u_along(part, direction))


def places_of(model: Model, drawn: Drawn) -> tuple[float | None, float | None]:
    """Return U of the feature's X and Y from the datum."""
    f, d = drawn.feature, model.datum
    if d is None:
        return None, None
    return (
        pair_difference(model.part, f.x_mm, d.x_mm, drawn.x, "across"),
        pair_difference(model.part, f.y_mm, d.y_mm, drawn.y, "across"),
    )


def depth_us(model: Model, drawn: Drawn) -> tuple[float | None, float | None]:
    """Return U of the feature's two depths from the start face."""
    f = drawn.feature
    zero = model.start.depth_from_mm if model.start else None
    if zero is None:
        zero = Measured(0.0, 0.0)  # depths count from the first slice itself
    return (
        pair_difference(model.part, f.depth_from_mm, zero, drawn.z0, "along"),
        pair_difference(model.part, f.depth_to_mm, zero, drawn.z1, "along"),
    )


def depth_text(model: Model, drawn: Drawn, *, end: bool) -> str:
    """Return a depth as printed, or why there is none."""
    f = drawn.feature
    if (f.depth_to_mm if end else f.depth_from_mm) is None:
        return "runs out" if model.has_depth else "unknown"
    us = depth_us(model, drawn)
    return format_value(drawn.z1 if end else drawn.z0, decimals_for(us[1] if end else us[0]))


def _quantity(
    part: Part, name: str, measured: Measured | None, direction: str = "across"
) -> tuple[str, str, str] | None:
    if measured is None:
        return None
    scale = None if "°" in name else scale_u_along(part, direction)
    if scale is not None and "²" in name:
        scale *= 2  # an area feels the scale twice
    u = expanded(measured, scale)
    places = decimals_for(u)
    return name, format_value(measured.value, places), NONE if u is None else format_value(u, places)


def _turned(feature: Feature) -> Measured | None:
    return None if feature.turn_deg is None else Measured(sheet_turn(feature), feature.turn_deg.u)


def _ends(drawn: Drawn) -> list[tuple[str, Measured]]:
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
    f, part = drawn.feature, model.part
    taper = taper_of(f)
    pair = f.flats_pair_mm if f.flats_pair_mm and not f.kind.startswith("square") else (None, None)
    found = [
        _quantity(part, "Ø at mid-depth" if taper else "Ø", f.diameter_mm),
        _quantity(part, "tip Ø", f.tip_diameter_mm),
        _quantity(part, "root Ø", f.root_diameter_mm),
        _quantity(part, "□ flats" if f.kind.startswith("square") else "flats", f.flats_mm),
        _quantity(part, "long side", pair[0]),
        _quantity(part, "short side", pair[1]),
        _quantity(part, "area mm²", f.area_mm2),
        _quantity(part, "turn °", _turned(f)),
        _quantity(part, "corner R", f.corner_radius_mm),
        *(_quantity(part, name, value) for name, value in _ends(drawn)),
        _quantity(part, "seam", f.seam_mm, "along" if f.kind == "face_seam" else "across"),
    ]
    plain: list[tuple[str, str, str]] = []
    if taper:
        u = expanded(taper)
        digits = min(4, decimals_for(u))
        plain.append(
            (
                "taper mm/mm",
                format_value(taper.value, digits),
                NONE if u is None else format_value(u, digits),
            )
        )
    if f.sides:
        plain.append(("sides", str(f.sides), NONE))
    if f.teeth:
        plain.append(("teeth", str(f.teeth), NONE))
    if f.arc_deg is not None and f.arc_deg < 360:
        plain.append(("arc there °", format_value(f.arc_deg, 0), NONE))
    return [one for one in found if one] + plain


def rows_of(model: Model, drawn: Drawn) -> list[Row]:
    """Return the table rows of one feature; only the first names it and gives its place."""
    f, part = drawn.feature, model.part
    ux, uy = places_of(model, drawn)
    z_us = [u for u in depth_us(model, drawn) if u is not None]
    known = f.x_mm is not None and f.y_mm is not None
    u_place = max((u for u in (ux, uy) if u is not None), default=None)
    digits = decimals_for(u_place)
    if model.datum is not None and f.id == model.datum.id:
        place = ("0", "0", "datum")
    elif known:
        u_text = NONE if u_place is None else format_value(u_place, digits)
        place = (format_value(drawn.x, digits), format_value(drawn.y, digits), u_text)
    else:
        place = (NONE, NONE, NONE)
    u_z = max(z_us, default=None)
    depth = (
        depth_text(model, drawn, end=False),
        depth_text(model, drawn, end=True),
        NONE if u_z is None else format_value(u_z, decimals_for(u_z)),
    )
    sizes = _quantities(model, drawn) or [(NONE, NONE, NONE)]
    length = (_quantity(part, "length", f.length_mm, "along") or (NONE, NONE, NONE))[1:]
    rows = [Row((f.id, kind_words(f.kind), *sizes[0], *depth, *length, *place, f.basis), True)]
    rows += [Row(("", "", *size, *[""] * 9), False) for size in sizes[1:]]
    return rows
