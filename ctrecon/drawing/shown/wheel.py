"""Wheels on a sheet (ISO 2203): the table of teeth, one tooth enlarged, teeth left uncut in a section."""

import math
from collections.abc import Sequence

from ctrecon.core.measured import Measured, decimals_for, expanded, format_value
from ctrecon.drawing.model.crossing import crossed_out
from ctrecon.drawing.model.dimension_text import figure, size_places, written
from ctrecon.drawing.model.rows import NONE
from ctrecon.drawing.model.teeth import tooth_contour, uneven_deg
from ctrecon.drawing.model.views import Drawn, Model, Zone, sheet_turn
from ctrecon.drawing.paper.items import FIGURE_GAP_MM, Block, Item, Label, Line, Linear, Shape
from ctrecon.drawing.paper.lettering import box_of, text_width
from ctrecon.drawing.paper.placing import union
from ctrecon.drawing.shown.blocks import scale_text, title_labels
from ctrecon.record.kinds import is_crown, kind_of
from ctrecon.record.part import Feature
from ctrecon.record.sensitivity import expanded_of

__all__ = ["uncut_teeth", "wheel_blocks", "wheel_rows"]

WIDE_MM, TALL_MM = 45.0, 30.0
"""One tooth with its gaps is drawn no wider and no taller than this on paper."""

TEXT = 2.5
HEADINGS = ("", "Value", "U")
MOST_COUNTS = 4
"""Numbers of teeth that are listed where none is sure, the likeliest first."""


def _wheels(model: Model) -> list[Drawn]:
    return [d for d in model.drawn if kind_of(d.feature).is_toothed]


def wheel_rows(model: Model, d: Drawn) -> list[tuple[str, str, str]]:
    """Return the table of teeth of one wheel: name, value, U (k = 2); lengths in the sheet's units."""
    f = d.feature
    rows = [("teeth of the whole wheel", _count(f), "")]
    if f.teeth_present is not None:
        rows.append(("whole teeth found", str(f.teeth_present), ""))
    across = [
        ("diameter over the teeth", "diameter_mm", f.diameter_mm),
        ("diameter within the teeth", "inner_diameter_mm", f.inner_diameter_mm),
        ("height of the teeth", "length_mm", f.length_mm),
    ] if is_crown(f) else [
        ("tip diameter", "tip_diameter_mm", f.tip_diameter_mm),
        ("root diameter", "root_diameter_mm", f.root_diameter_mm),
    ]  # fmt: skip
    for words, quantity, value in (*across, ("tooth width half-way up", "tooth_width_mm", f.tooth_width_mm)):
        if value is None:
            rows.append((words, "unknown", ""))
            continue
        u = expanded_of(model.part, f, quantity, value)
        places = decimals_for(u)
        rows.append(
            (words, figure(model.units, value.value, places), NONE if u is None else figure(model.units, u, places))
        )
    off = uneven_deg(f)
    for words, angle in (
        ("pitch angle °", f.pitch_deg),
        ("first tooth from X °", f.turn_deg and Measured(sheet_turn(f), f.turn_deg.u)),
        ("most off even division °", None if off is None else Measured(off, None)),
    ):
        if angle is not None:
            u = expanded(angle)
            places = 2 if u is None else decimals_for(u)
            rows.append((words, format_value(angle.value, places), NONE if u is None else format_value(u, places)))
    if f.flank is not None:
        rows.append(("flanks", f.flank.form, ""))
    crossing = crossed_out(model.part, f)
    if crossing is not None:
        rows.append(("arms", str(len(crossing.windows)), ""))
        rows += [
            (words, figure(model.units, value, 2), NONE)
            for words, value in (
                ("width of an arm", crossing.arm_width.value), ("boss, diameter", crossing.boss_diameter),
                ("inside of the rim, diameter", crossing.inner_diameter.value),
            )
        ]  # fmt: skip
    return rows


def _count(f: Feature) -> str:
    """Return the number of teeth with its doubt."""
    odds = dict(f.teeth_odds)
    if f.teeth is not None:
        sure = odds.get(f.teeth)
        return str(f.teeth) if sure is None else f"{f.teeth} ({_percent(sure)})"
    if f.teeth_odds:
        listed = f.teeth_odds[:MOST_COUNTS]
        return " or ".join(f"{count} ({_percent(chance)})" for count, chance in listed)
    return "unknown" if f.teeth_range is None else f"{f.teeth_range[0]} to {f.teeth_range[1]}"


def _percent(chance: float) -> str:
    return "> 99.9 %" if chance > 0.999 else f"{format_value(100 * chance, 1 if chance > 0.99 else 0)} %"


def wheel_blocks(model: Model, scale: float, scales: tuple[float, ...]) -> list[Block]:
    """Return for every wheel its table of teeth and one tooth enlarged, placed like views.

    Parameters
    ----------
    model : Model
        The part in sheet axes.
    scale : float
        The sheet's scale; the tooth's own is the largest of `scales` that fits.
    scales : tuple of float
        Scales to choose from, large to small.
    """
    units = "inches" if model.units == "in" else "mm"
    blocks = []
    for d in _wheels(model):
        rows = wheel_rows(model, d)
        widths = [
            max(text_width(text, TEXT) for text in column) + 1.2 * TEXT for column in zip(HEADINGS, *rows, strict=True)
        ]
        title = f"TEETH OF {d.feature.id} ({units}); U (k = 2)"
        blocks.append(_table_block(title, HEADINGS, rows, widths, TEXT, (1, 2)))
        tooth = _tooth_block(model, d, scale, scales)
        if tooth is not None:
            blocks.append(tooth)
    return blocks


def _tooth_block(model: Model, d: Drawn, sheet_scale: float, scales: tuple[float, ...]) -> Block | None:
    """Draw the mean tooth, its tip up, with its width half-way up and its height."""
    f = d.feature
    contour = tooth_contour(f)
    if contour is None or f.tip_diameter_mm is None or f.root_diameter_mm is None:
        return None
    root, tip = f.root_diameter_mm.value / 2, f.tip_diameter_mm.value / 2
    left, low, right, high = contour.bounds()  # the tooth points along +X
    scale = next((s for s in scales if (high - low) * s <= WIDE_MM and (right - left) * s <= TALL_MM), None)
    if scale is None or scale <= sheet_scale:
        return None
    middle = (root + tip) / 2
    up = contour.turned(math.pi / 2)
    placed = up.placed(scale, 0.0, -middle * scale)
    items: list[Item] = [Shape(placed, "WIDE")]
    box = placed.bounds()
    items.append(Line((0.0, box[1] - 3.0), (0.0, box[3] + 3.0), "CENTRE"))
    factor = scale / sheet_scale
    if f.tooth_width_mm is not None:
        half = f.tooth_width_mm.value / 2
        y = (math.sqrt(max(middle**2 - half**2, 0.0)) - middle) * scale
        places = size_places(model, f, "tooth_width_mm", f.tooth_width_mm)
        figures = written(model.units, "<>", f.tooth_width_mm.value, places)
        items += _sized((-half * scale, y), (half * scale, y), (0.0, box[3] + 9.0), 0.0, figures, places, factor)
    places = size_places(model, f, "tip_diameter_mm", f.tip_diameter_mm)
    figures = written(model.units, "(<>)", tip - root, places)
    foot = (0.0, (root - middle) * scale)
    taken = max(one.end[0] for one in items if isinstance(one, Line))  # by the figure of the width, where it is long
    beside = max(box[2] + 8.0, taken + 4.0)
    items += _sized(foot, (0.0, box[3]), (beside, 0.0), 90.0, figures, places, factor)
    reach = [one.end for one in items if isinstance(one, Line)]
    right, top = (max(one[axis] for one in reach) + 1.0 for axis in (0, 1))
    needed = (box[0] - 4.0, box[1] - 4.0, max(beside + 5.0, right), max(box[3] + 14.0, top))
    lines = [f"TOOTH OF {f.id} ({scale_text(scale)})", "mean of the sound teeth; width half-way up"]
    if f.flank is not None:
        lines.append(f.flank.says)
    labels = title_labels(lines, (needed[0] + needed[2]) / 2, needed[1] - 1.0, max(needed[2] - needed[0], 70.0))
    return Block((*items, *labels), union([needed, *(box_of(one) for one in labels if isinstance(one, Label))]))


def _sized(
    first: tuple[float, float], second: tuple[float, float], base: tuple[float, float], angle: float,
    figures: tuple[str, str], places: int, factor: float,
) -> list[Item]:  # fmt: skip
    """Dimension from one point to another; a figure too long for the line stands on the line drawn on beyond it."""
    text, shown = figures
    axis = int(angle == 90.0)
    wide, size, start = text_width(shown, TEXT), second[axis] - first[axis], first[axis]
    if wide + 2.0 <= size:
        return [Linear(first, second, base, angle, text, places, factor=factor)]
    at = start + size + 3.5 + wide / 2
    lift = TEXT / 2 + FIGURE_GAP_MM
    middle = (base[0] - lift, at) if axis else (at, base[1] + lift)
    ends = [(base[0], v) if axis else (v, base[1]) for v in (start + size, start + size + 4.0 + wide)]
    return [
        Linear(first, second, base, angle, text, places, middle, factor, leader=False, turn_deg=angle),
        Line(ends[0], ends[1]),
    ]


Corners = tuple[tuple[float, float], tuple[float, float], tuple[float, float], tuple[float, float]]


def uncut_teeth(
    zone: Zone, corners: Corners
) -> tuple[Corners | None, list[tuple[tuple[float, float], tuple[float, float]]]]:
    """Return what of a strip of cut metal (depth, Y) is hatched, and the lines of the roots that bound it.

    Teeth are shown uncut (ISO 2203): the hatch ends at the root circle, and of a crown nothing is hatched between the
    planes of roots and tips.
    """
    (z0, p0), (z1, p1), (_, q1), (_, q0) = corners
    if any(is_crown(d.feature) for d, _ in zone.rims):
        return None, [((z0, p0), (z0, q0)), ((z1, p1), (z1, q1))]
    lines = []
    for d, _ in zone.rims:
        root = d.feature.root_diameter_mm
        if not kind_of(d.feature).is_toothed or root is None or abs(d.x) >= root.value / 2:
            continue
        reach = math.sqrt((root.value / 2) ** 2 - d.x**2)
        low, high = d.y - reach, d.y + reach
        if p0 < high < q0:
            q0 = q1 = high
            lines.append(((z0, high), (z1, high)))
        if p0 < low < q0:
            p0 = p1 = low
            lines.append(((z0, low), (z1, low)))
    return ((z0, p0), (z1, p1), (z1, q1), (z0, q0)), lines


def _table_block(
    title: str, headings: tuple[str, ...], rows: Sequence[tuple[str, ...]], widths: list[float], height: float,
    numbers: tuple[int, ...],
) -> Block:  # fmt: skip
    """Draw a table as a block; a column of no width is left out, columns of `numbers` are set to the right."""
    pitch = 1.7 * height
    wide, tall = sum(widths), pitch * (len(rows) + 1)
    top = tall / 2
    items: list[Item] = [Label(title, (0.0, top + 1.5), height)]
    for k, cells in enumerate([headings, *rows]):
        y = top - pitch * k
        items.append(Line((0.0, y), (wide, y), "WIDE" if k < 2 else "NARROW"))
        x = 0.0
        for column, (text, width) in enumerate(zip(cells, widths, strict=True)):
            if not width:
                continue
            base = y - pitch + 0.45 * height  # letters reach below the line by a third
            if column in numbers:
                items.append(Label(text, (x + width - 0.6 * height, base), height, "right"))
            else:
                items.append(Label(text, (x + 0.6 * height, base), height))
            x += width
    items.append(Line((0.0, -tall / 2), (wide, -tall / 2), "WIDE"))
    x = 0.0
    for width in (0.0, *(w for w in widths if w)):
        x += width
        items.append(Line((x, top), (x, -tall / 2), "WIDE" if x in (0.0, wide) else "NARROW"))
    right = max(wide, text_width(title, height))
    return Block(tuple(one for one in items if not isinstance(one, Label) or one.text), (0.0, -top, right, top + 5.0))
