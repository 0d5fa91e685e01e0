"""How numbers and kinds read on a sheet: words, signs, values with U, and the table's rows."""

import math

from ctrecon.core.measured import Measured, decimals_for, expanded, format_value
from ctrecon.drawing.model.edges import is_unsettled
from ctrecon.drawing.model.views import SAME_FACE_SLICES, Drawn, Model, sheet_turn
from ctrecon.record.kinds import is_hole, is_outside, kind_of
from ctrecon.record.part import Feature, Part, scale_u_along
from ctrecon.record.sensitivity import expanded_of, signed_edge_u_of

__all__ = [
    "DEPTH_SIGN",
    "HALF_TURN",
    "MM_PER_INCH",
    "STEEPEST_RATIO",
    "TAPER_SIGN",
    "depth_stops",
    "depth_text",
    "depth_us",
    "figure",
    "digits",
    "length_text",
    "mark",
    "pair_difference",
    "places_of",
    "size_places",
    "taper_ratio",
    "taper_words",
    "turned",
    "view_places",
    "written",
]

MM_PER_INCH = 25.4
"""Exact (the international inch of 1959)."""

TAPER_SIGN = "▷"
"""Stands before a taper's rate (a narrow isosceles triangle, after ISO 3040)."""

STEEPEST_RATIO = 1 / 3
"""What opens faster is told by its included angle, as countersinks are (common practice, no source)."""

DEPTH_SIGN = "↧"
"""Stands before the depth of a blind hole (ISO 129-1)."""

MOST_DECIMALS = 2
"""Figures in views stop at 0.01 mm (0.001 in), which is what shops work to (common practice, no source)."""

HALF_TURN = 180.0
"""Arcs shorter than this are dimensioned by their radius (ISO 129-1)."""


def mark(feature: Feature) -> str:
    """Return what follows a size: how it is known if it was not measured, and a query where its shape is undecided."""
    open_question = "undecided" in feature.flags and not feature.accepted
    return _basis(feature) + (" ?" if open_question or is_unsettled(feature) else "")


def _basis(feature: Feature) -> str:
    return "" if feature.basis == "measured" else f" ({feature.basis})"


def view_places(model: Model, u_expanded: float | None) -> int:
    """Return the decimals that a length or an angle with this U gets in a view: what U supports, within reason."""
    most = MOST_DECIMALS if model.digits is None else model.digits
    return decimals_for(u_expanded, most=most)


def size_places(model: Model, feature: Feature, quantity: str, measured: Measured) -> int:
    """Return the decimals that a quantity of a feature gets in a view."""
    return view_places(model, expanded_of(model.part, feature, quantity, measured))


def digits(units: str, decimals: int) -> int:
    """Return the decimals a length in mm keeps when it is written in other units."""
    return decimals + 1 if units == "in" else decimals


def figure(units: str, value_mm: float, decimals: int) -> str:
    """Return a length in these units alone, without their name.

    Examples
    --------
    >>> figure("mm", 12.7, 2), figure("in", 12.7, 2)
    ('12.70', '0.500')
    """
    if units == "mm" or (value_mm == 0 and decimals == 0):
        return format_value(value_mm, decimals)
    return format_value(value_mm / MM_PER_INCH, decimals + 1)


def length_text(units: str, value_mm: float, decimals: int) -> str:
    """Return a length as printed: mm, or inches with mm beside in brackets.

    Examples
    --------
    >>> length_text("mm", 12.7, 2), length_text("in", 12.7, 2)
    ('12.70', '0.500 [12.70]')
    """
    mm = figure("mm", value_mm, decimals)
    other = figure(units, value_mm, decimals)
    return mm if other == mm else f"{other} [{mm}]"


def written(units: str, text: str, value_mm: float, decimals: int) -> tuple[str, str]:
    """Return a dimension's text ('<>' stands for the figure) and how it reads once the figure is in.

    Examples
    --------
    >>> written("in", "F1 Ø<>", 25.4, 1)
    ('F1 Ø<> [25.4]', 'F1 Ø1.00 [25.4]')
    """
    shown = text.replace("<>", length_text(units, value_mm, decimals))
    if value_mm == 0 and decimals == 0:
        return shown, shown
    if units == "mm":
        return text, shown
    mm = format_value(value_mm, decimals)
    if text.startswith("-<>"):  # the sign of a coordinate stands before the figure
        mm = f"-{mm}"
        shown = shown.replace("[", "[-")
    return text.replace("<>", f"<> [{mm}]"), shown


def taper_ratio(taper: Measured) -> str:
    """Return a rate of taper as 1:x, with the figures its uncertainty leaves (two or three).

    Examples
    --------
    >>> taper_ratio(Measured(0.0209, 0.001)), taper_ratio(Measured(-0.02, 0.00001))
    ('1:48', '1:50.0')
    """
    ratio = 1 / abs(taper.value)
    share = 1.0 if taper.u is None else 2 * taper.u / abs(taper.value)
    figures = 3 if share < 0.01 else 2
    places = max(0, figures - 1 - math.floor(math.log10(ratio)))
    return f"1:{ratio:.{places}f}"


def taper_words(taper: Measured) -> str:
    """Return a taper as a shop says it: a slow one by its ratio, a countersink by its included angle.

    Examples
    --------
    >>> taper_words(Measured(0.0209, 0.001)), taper_words(Measured(-2.0, 0.004))
    ('▷1:48', 'cone 90.0°')
    """
    rate = abs(taper.value)
    if rate < STEEPEST_RATIO:
        return f"{TAPER_SIGN}{taper_ratio(taper)}"
    u = None if taper.u is None else math.degrees(2 * taper.u / (1 + rate**2 / 4))
    return f"cone {format_value(math.degrees(2 * math.atan(rate / 2)), decimals_for(u, most=1))}°"


def pair_difference(
    part: Part, a: Measured | None, b: Measured | None, difference: float, direction: str, edge_u: float = 0.0
) -> float | None:
    """Return U of the difference of two places (`edge_u`: what one edge error does to it), None where one has no u."""
    if a is None or b is None or a.u is None or b.u is None:
        return None
    u = 0.0 if a is b else math.hypot(a.u, b.u, edge_u)
    return expanded(Measured(difference, u), scale_u_along(part, direction))


def places_of(model: Model, drawn: Drawn) -> tuple[float | None, float | None]:
    """Return U of the feature's X and Y from the datum, along the sheet's X and Y."""
    f, d = drawn.feature, model.datum
    if d is None:
        return None, None
    across = pair_difference(model.part, f.x_mm, d.x_mm, drawn.x, "across")
    down = pair_difference(model.part, f.y_mm, d.y_mm, drawn.y, "across")
    if model.x_reference is None or across is None or down is None or f.id == d.id:
        return across, down
    # the sheet's X stands off that of the slices, and is itself known only so well
    c, s = abs(math.cos(math.radians(model.slices_x_deg))), abs(math.sin(math.radians(model.slices_x_deg)))
    turn = 2 * math.radians((model.x_reference.turn_deg.u if model.x_reference.turn_deg else None) or 0.0)
    ux = math.hypot(c * across, s * down, drawn.y * turn)
    uy = math.hypot(s * across, c * down, drawn.x * turn)
    return ux, uy


def depth_us(model: Model, drawn: Drawn) -> tuple[float | None, float | None]:
    """Return U of the feature's two depths from the start face."""
    f, part = drawn.feature, model.part
    zero = model.start.depth_from_mm if model.start else None
    moves = signed_edge_u_of(part, model.start, "depth_from_mm") if model.start and zero else 0.0
    if zero is None:
        zero = Measured(0.0, 0.0)  # depths count from the first slice itself
    first, last = (signed_edge_u_of(part, f, name) - moves for name in ("depth_from_mm", "depth_to_mm"))
    return (
        pair_difference(part, f.depth_from_mm, zero, drawn.z0, "along", first),
        pair_difference(part, f.depth_to_mm, zero, drawn.z1, "along", last),
    )


def depth_stops(model: Model) -> list[tuple[float, int, str]]:
    """Return the depths to be dimensioned with their decimals and what is said of their basis; outsides first."""
    zero = 0.0
    found: list[tuple[float, int, str]] = [(zero, 0, "")]
    order = sorted(model.drawn, key=lambda d: (not is_outside(d.feature), d.z0, d.feature.id))
    near = SAME_FACE_SLICES * model.part.stack.voxel_mm[0]
    for d in order:
        if is_hole(d.feature) and d.feature.opens_at and not _is_cut(d):
            continue  # a hole beside the section: its callout, or the table, has its depth
        for z, u, known in zip((d.z0, d.z1), depth_us(model, d), (not d.open_start, not d.open_end), strict=True):
            if known and all(abs(z - other) > near for other, _, _ in found):
                said = "" if d.feature.basis == "inferred" else _basis(d.feature)  # the ends themselves were measured
                found.append((z, view_places(model, u), said))
    return sorted(found)


def _is_cut(drawn: Drawn) -> bool:
    """Return whether the section along the datum axis cuts a feature."""
    if drawn.contour is None:
        return False
    left, _, right, _ = drawn.contour.bounds()
    return left < 0.0 < right


def depth_text(model: Model, drawn: Drawn, *, end: bool, full: bool = False) -> str:
    """Return a depth as printed in views, or in full, or why there is none."""
    f = drawn.feature
    if (f.depth_to_mm if end else f.depth_from_mm) is None:
        return "runs out" if model.has_depth else "unknown"
    us = depth_us(model, drawn)
    u = us[1] if end else us[0]
    return figure(model.units, drawn.z1 if end else drawn.z0, decimals_for(u) if full else view_places(model, u))


def turned(model: Model, feature: Feature) -> Measured | None:
    """Return the turn on the sheet, from its X: nearest zero, u of the X direction included."""
    if feature.turn_deg is None:
        return None
    turn, u = sheet_turn(feature), feature.turn_deg.u
    if model.x_reference is None or model.x_reference.turn_deg is None:
        return Measured(turn, u)
    period = kind_of(feature).period_deg(feature)
    turn = turn - period if turn > period / 2 else turn
    zero = model.x_reference.turn_deg.u
    return Measured(turn, None if u is None or zero is None else math.hypot(u, zero))
