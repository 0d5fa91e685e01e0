"""The words of a sheet: notes, warnings, title block, table and scale bar, as items."""

import math

from ctrecon.core.flags import explain
from ctrecon.core.measured import format_value
from ctrecon.drawing.figures import HEADINGS, Row, rows_of
from ctrecon.drawing.items import Hatch, Item, Label, Line
from ctrecon.drawing.lettering import text_width, wrap
from ctrecon.drawing.section import HATCH_ANGLES
from ctrecon.drawing.views import Model
from ctrecon.part import scale_u_along

__all__ = [
    "SAFETY", "U_NOTE", "Table", "note_lines", "notes_items", "scale_bar", "scale_text", "short_notes", "table_rows",
    "title_block",
]  # fmt: skip

U_NOTE = "U is measuring uncertainty (k = 2), not a tolerance to work to"
SAFETY = (
    "Measured from scans: fits, loads and machine work remain the user's judgement; "
    "local rules and licensed practice come first."
)
NUMBER_COLUMNS = range(3, 13)


def scale_text(scale: float) -> str:
    """Return the scale as written on a sheet (ISO 5455).

    Examples
    --------
    >>> scale_text(5.0), scale_text(0.2)
    ('5:1', '1:5')
    """
    return f"{scale:.0f}:1" if scale >= 1 else f"1:{1 / scale:.0f}"


def note_lines(model: Model, scale: float) -> list[str]:
    """Return the notes of the sheet, most important first."""
    part = model.part
    across, along = scale_u_along(part, "across"), scale_u_along(part, "along")
    heading = "U without scale" if across is None or along is None else "U with scale"
    lines = []
    if part.stack.handedness_basis == "assumed":
        lines.append(
            "WARNING, handedness assumed: slices are taken to run away from the viewer. "
            "If they run the other way, the part is the mirror image of this sheet."
        )
    lines.append(SAFETY)
    lines.append(f"{U_NOTE}. {heading}.")
    lines += part.calibration.says if part.calibration is not None else ()
    lines.append(f"Scale {scale_text(scale)}, lengths in mm, angles in degrees, anticlockwise as seen.")
    if model.datum is not None:
        d = model.datum
        place = (
            f" at x {format_value(d.x_mm.value, 3)}, y {format_value(d.y_mm.value, 3)} of the slices"
            if d.x_mm and d.y_mm
            else ""
        )
        lines.append(f"Datum: X, Y from the axis of {d.id}{place}, along the part axis; X right, Y up.")
    if model.start is not None and model.has_depth:
        depth = model.start.depth_from_mm
        where = "the first slice of the stack" if depth is None else f"the start face of {model.start.id}"
        at = "" if depth is None else f" (stack depth {format_value(depth.value, 3)})"
        lines.append(f"Z counts from {where}{at}, away from the start end.")
    if not model.has_depth:
        lines.append("No section and no depths: a single slice has no depth.")
    elif not model.zones:
        lines.append("No section: no feature has a place and a depth.")
    if any(d.open_start or d.open_end for d in model.drawn) and model.has_depth:
        lines.append("'runs out': the feature reaches the end of the stack; its own end is unknown.")
    others = sorted({f.basis for f in part.features} - {"measured"})
    means = {
        "stated": "typed in by a person",
        "inferred": "follows from other features",
        "assumed": "taken for granted, check it on the part",
    }
    if others:
        lines.append(
            "Basis: " + "; ".join(f"{name} = {means.get(name, name)}" for name in others) + "; all else measured."
        )
    else:
        lines.append("Basis: every feature is measured.")
    lines += _piece_lines(model)
    reasons: dict[str, list[str]] = {}
    for f in part.features:
        for flag in f.flags:
            reasons.setdefault(flag, []).append(f.id)
    lines += [f"{', '.join(ids)}: {explain(flag)}." for flag, ids in sorted(reasons.items())]
    gaps: dict[tuple[str, str], list[str]] = {}
    for f in part.features:
        for name, why in f.unknown.items():
            gaps.setdefault((name.removesuffix("_mm").replace("_", " "), why), []).append(f.id)
    lines += [f"{', '.join(ids)}: {name} unknown, {why}." for (name, why), ids in sorted(gaps.items())]
    lines += [f"Part {name.replace('_', ' ')} unknown: {why}." for name, why in sorted(part.unknown.items())]
    said = {"handedness_assumed"} if part.stack.handedness_basis == "assumed" else set()
    said_so = (w.says for w in part.warnings if w.flag not in said)
    lines += [f"Warning: {says}" if says.endswith("?") else f"Warning: {says.rstrip('.')}." for says in said_so]
    return lines


def short_notes(model: Model) -> list[str]:
    """Return the notes that stand on every page."""
    lines = note_lines(model, 1.0)
    return [line for line in lines if line.startswith(("WARNING", U_NOTE)) or line == SAFETY]


def _piece_lines(model: Model) -> list[str]:
    words = {
        "separate": "a separate piece",
        "one_piece": "one piece with the rest",
        "undecided": "perhaps a separate piece, undecided",
    }
    lines = []
    for number, piece in enumerate(model.part.pieces):
        angle = HATCH_ANGLES[number % len(HATCH_ANGLES)]
        ids = ", ".join(piece.features)
        verdict = words.get(piece.verdict, piece.verdict)
        lines.append(f"Piece {piece.id} {piece.name} ({ids}): {verdict}; hatched {angle:.0f}° in the section.")
    return lines


def table_rows(model: Model) -> list[Row]:
    """Return every row of the feature table."""
    return [row for d in model.drawn for row in rows_of(model, d)]


class Table:
    """The feature table: column widths from its texts, drawn in stretches that fit the paper."""

    def __init__(self, rows: list[Row], height: float, heading: str) -> None:
        self.rows, self.height, self.heading = rows, height, heading
        self.pitch = round(height * 1.6, 3)
        columns = zip(HEADINGS, *(row.cells for row in rows), strict=True)
        self.widths = [max(text_width(text, height) for text in column) + 2.4 for column in columns]

    @property
    def width(self) -> float:
        """Width of the table in mm."""
        return sum(self.widths)

    def tall(self, count: int) -> float:
        """Return the height (mm) of a stretch of `count` rows with its headings."""
        return (count + 2) * self.pitch

    def fits(self, height: float) -> int:
        """Return how many rows fit into a height."""
        return max(0, math.floor(height / self.pitch + 1e-9) - 2)

    def draw(self, left: float, top: float, first: int, count: int) -> list[Item]:
        """Draw rows `first` to `first + count` with their headings below (left, top)."""
        items: list[Item] = []
        p, h = self.pitch, self.height
        lift = (p - h) / 2
        more = "" if first == 0 else ", continued"
        items.append(Label(f"Features{more} (mm). {self.heading}", (left, top - p + lift), h))
        y = top - p
        bottom = top - self.tall(count)
        right = left + self.width
        for line_y in (y, y - p, bottom):
            items.append(Line((left, line_y), (right, line_y), "WIDE" if line_y != y - p else "NARROW"))
        x = left
        for column, wide in enumerate(self.widths):
            if column:
                items.append(Line((x, y), (x, bottom), "NARROW"))
            rows = [HEADINGS, *(row.cells for row in self.rows[first : first + count])]
            for k, cells in enumerate(rows):
                if not cells[column]:
                    continue
                base = y - p * (k + 1) + lift
                if column in NUMBER_COLUMNS:
                    items.append(Label(cells[column], (x + wide - 1.2, base), h, "right"))
                else:
                    items.append(Label(cells[column], (x + 1.2, base), h))
            x += wide
        for k, row in enumerate(self.rows[first : first + count]):
            if row.first and k:
                items.append(Line((left, y - p * (k + 1)), (right, y - p * (k + 1)), "NARROW"))
        items += [Line((left, y), (left, bottom), "WIDE"), Line((right, y), (right, bottom), "WIDE")]
        return items


def scale_bar(scale: float, left: float, bottom: float) -> list[Item]:
    """Draw a bar of a round length, 20 to 50 mm on paper, for copies whose scale got lost."""
    lengths = [m * 10.0**e for e in range(-4, 5) for m in (1, 2, 5)]
    real = max(v for v in lengths if v * scale <= 50.0 + 1e-9)
    wide = real * scale
    items: list[Item] = [Line((left, bottom), (left + wide, bottom), "WIDE")]
    for k in range(3):
        x = left + wide * k / 2
        items.append(Line((x, bottom), (x, bottom + 2.0), "NARROW"))
    half = ((left, bottom), (left + wide / 2, bottom), (left + wide / 2, bottom + 1.0), (left, bottom + 1.0))
    items.append(Label("0", (left, bottom + 2.6), 1.8, "centre"))
    items.append(Label(f"{real:g} mm", (left + wide, bottom + 2.6), 1.8, "centre"))
    items.append(Hatch(half, solid=True))
    return items


def title_block(
    model: Model, scale: float, paper: str, page: int, pages: int, right: float, bottom: float, width: float
) -> tuple[list[Item], float]:
    """Draw the title block with its lower right corner at (right, bottom); also return its height."""
    part = model.part
    left = right - width
    dz, dy, dx = part.stack.voxel_mm
    voxel = f"{dx:g} × {dy:g} × {dz:g} mm ({part.stack.scale_basis})"
    row, items = 8.0, list[Item]()
    cells: list[list[tuple[str, str]]] = [
        [("Drawn, date", ""), ("Checked, date", ""), ("Material", "")],
        [("Scale", scale_text(scale)), ("Units", "mm"), ("Paper", paper), ("Sheet", f"{page} of {pages}")],
        [("Voxel x × y × z", voxel), ("Made with", part.made_with)],
    ]
    y = bottom
    for line in cells:
        share = width / len(line)
        for k, (name, value) in enumerate(line):
            x = left + share * k
            items.append(Label(name, (x + 1.2, y + row - 2.6), 1.8))
            items += _fitted(value, (x + 1.2, y + 1.3), 2.5, share - 2.4)
            if k:
                items.append(Line((x, y), (x, y + row), "NARROW"))
        y += row
        items.append(Line((left, y), (right, y), "NARROW"))
    tall = 11.0
    items.append(Label("Part", (left + 1.2, y + tall - 2.8), 1.8))
    items += _fitted(part.name, (left + 1.2, y + 2.2), 5.0, width * 0.62 - 2.4)
    items.append(Label("Dimensioned sheet from slices", (right - 1.2, y + tall - 2.8), 1.8, "right"))
    items += _fitted(f"stack: {part.stack.source}", (left + width * 0.62, y + 2.2), 1.8, width * 0.38 - 1.2)
    y += tall
    corners = [(left, bottom), (right, bottom), (right, y), (left, y)]
    items += [Line(a, b, "WIDE") for a, b in zip(corners, corners[1:] + corners[:1], strict=True)]
    return items, y - bottom


def _fitted(text: str, at: tuple[float, float], height: float, width: float) -> list[Item]:
    """Return the text, in smaller letters or shortened where it would not fit its box."""
    if not text:
        return []
    for h in (height, 3.5, 2.5, 1.8):
        if h <= height and text_width(text, h) <= width:
            return [Label(text, at, h)]
    while len(text) > 1 and text_width(text + "…", 1.8) > width:
        text = text[:-1]
    return [Label(text + "…", at, 1.8)]


def notes_items(lines: list[str], left: float, top: float, width: float, height: float) -> tuple[list[Item], float]:
    """Set the notes in a column; also return the height they took."""
    items: list[Item] = []
    y = top
    pitch = height * 1.65
    for line in lines:
        above = y - height * 0.25
        for text in wrap(line, height, width):
            y -= pitch
            items.append(Label(text, (left, y), height))
        if line.startswith("WARNING"):
            below, right = y - height * 0.6, left + width
            corners = [(left - 1, below), (right, below), (right, above), (left - 1, above)]
            items += [Line(a, b, "WIDE") for a, b in zip(corners, corners[1:] + corners[:1], strict=True)]
            y = below
        y -= height * 0.35
    return items, top - y
