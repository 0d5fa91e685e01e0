"""The words of a sheet: notes, warnings, legend and the table of features, as items."""

import math

from ctrecon.core.flags import explain
from ctrecon.core.measured import format_value
from ctrecon.drawing.model.dimension_text import DEPTH_SIGN, STEEPEST_RATIO, TAPER_SIGN, places_of
from ctrecon.drawing.model.edges import is_sharp
from ctrecon.drawing.model.rows import HEADINGS, Row, rows_of
from ctrecon.drawing.model.views import Model
from ctrecon.drawing.paper.items import Item, Label, Line
from ctrecon.drawing.paper.lettering import text_width, wrap
from ctrecon.drawing.paper.symbols import AXIS_DATUM, FACE_DATUM
from ctrecon.drawing.shown.blocks import scale_text
from ctrecon.drawing.shown.cut import HATCH_ANGLES
from ctrecon.drawing.shown.edges import edge_notes
from ctrecon.record.kinds import is_crown, is_hole, kind_of
from ctrecon.record.part import Part, scale_u_along, taper_of

__all__ = ["SAFETY", "U_NOTE", "Table", "axes_says", "note_lines", "notes_items", "short_notes", "table_rows"]

U_NOTE = "U is measuring uncertainty (k = 2), not a tolerance to work to"
SAFETY = (
    "Measured from scans: fits, loads and machine work remain the user's judgement; "
    "local rules and licensed practice come first."
)
NUMBER_COLUMNS = range(3, 13)


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
    lines += [_unexplained(w.says) for w in part.warnings if w.flag == "unexplained"]
    lines.append(SAFETY)
    lines.append(f"{U_NOTE}. {heading}.")
    lines += part.calibration.says if part.calibration is not None else ()
    unit = "lengths in inches with mm in brackets" if model.units == "in" else "lengths in mm"
    lines.append(f"Scale {scale_text(scale)}, {unit}, angles in degrees, anticlockwise as seen.")
    lines.append(
        f"Projection: {model.projection} angle. Views and cuts are seen from the start end unless one says otherwise."
    )
    lines.append(f"{TOLERANCES} {_as_found_line(part)}")
    if model.datum is not None:
        d = model.datum
        place = (
            f" at x {format_value(d.x_mm.value, 3)} mm, y {format_value(d.y_mm.value, 3)} mm of the slices"
            if d.x_mm and d.y_mm
            else ""
        )
        lines.append(f"Datum {AXIS_DATUM}: X, Y from the axis of {d.id}{place}, along the part axis; X right, Y up.")
        lines += _direction_lines(model)
    if model.start is not None and model.has_depth:
        depth = model.start.depth_from_mm
        where = "the first slice of the stack" if depth is None else f"the start face of {model.start.id}"
        at = "" if depth is None else f" (stack depth {format_value(depth.value, 3)} mm)"
        datum = f"Datum {FACE_DATUM}: " if depth is not None else ""
        lines.append(f"{datum}Z counts from {where}{at}, away from the start end.")
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
            "Legend, basis of a figure: "
            + "; ".join(f"({name}) = {means.get(name, name)}" for name in others)
            + "; without a mark = measured."
        )
    else:
        lines.append("Basis: every feature is measured.")
    lines += edge_notes(model)
    lines += _sign_lines(model)
    lines += _piece_lines(model)
    reasons: dict[str, list[str]] = {}
    for f in (d.feature for d in model.drawn):
        for flag in set(f.flags) - {"undecided"}:  # said with its odds
            reasons.setdefault(flag, []).append(f.id)
    lines += [f"{', '.join(ids)}: {_SAID.get(flag) or explain(flag)}." for flag, ids in sorted(reasons.items())]
    gaps: dict[tuple[str, str], list[str]] = {}
    for f in part.features:
        flagged = {explain(flag) for flag in f.flags}
        for name, why in f.unknown.items():
            no_circle = is_crown(f) and name in ("tip_diameter_mm", "root_diameter_mm")
            if no_circle or why in flagged or (name in _ENDS and "runs_out_of_stack" in f.flags):
                continue  # the flag says so
            gaps.setdefault((name.removesuffix("_mm").replace("_", " "), why), []).append(f.id)
    lines += [f"{', '.join(ids)}: {name} unknown, {why}." for (name, why), ids in sorted(gaps.items())]
    lines += [f"Part {name.replace('_', ' ')} unknown: {why}." for name, why in sorted(part.unknown.items())]
    said = _FOR_THE_REPORT | ({"handedness_assumed"} if part.stack.handedness_basis == "assumed" else set())
    told = " ".join(lines).lower()
    said_so = (w.says for w in part.warnings if w.flag not in said and w.says.rstrip(".").lower() not in told)
    lines += [f"Warning: {says}" if says.endswith("?") else f"Warning: {says.rstrip('.')}." for says in said_so]
    return lines


TOLERANCES = (
    "Tolerances, material, edges and surface finish are not in the scan: agree on them before cutting and fill them in."
)
"""Answers what the shop asks first: tolerances, material, edges, finish."""


_SAID = {"edge_broken": "an edge is not sharp (its size was not measured); the depth is that of the flat face"}
"""What a sheet says in place of a flag's own words: a chamfer or a round is named only with its size."""


_ENDS = ("depth_from_mm", "depth_to_mm", "length_mm", "opens_at")
_FOR_THE_REPORT = {"unexplained", "foreign_files", "rings", "grey_drifts", "cupping", "streaks", "colour_as_grey"}
"""Warnings about the scan that no cut depends on (their effect is in U), and the one that stands on top."""


def _unexplained(says: str) -> str:
    """Return in short what the scan shows and the sheet does not, with its places in the slices."""
    places = says.removeprefix(f"{explain('unexplained')}: ").replace(" that is not in the record?", "?")
    return f"WARNING, not on this sheet (places in the slices): {places}"


def _as_found_line(part: Part) -> str:
    """Say which sizes are of the metal that is left, and which of the edge where nothing is eaten."""
    worn = [f.id for f in part.features if f.worn is not None]
    if not worn:
        return "Sizes are as found; wear and corrosion are not added back."
    sizes = "The size" if len(worn) == 1 else "Sizes"
    which = "is that" if len(worn) == 1 else "are those"
    return (
        f"{sizes} of {', '.join(worn)} {which} of the sound edge: what is eaten away there is not copied. All other "
        "sizes are as found; corrosion of a whole surface is not added back."
    )


def axes_says(model: Model) -> str:
    """Say how X is found on the part."""
    if model.x_reference is None:
        return "X runs as in the slices; the part has no flat side to find it by."
    along = "along the long side" if kind_of(model.x_reference).side_pair(model.x_reference) else "square to a flat"
    return f"X runs {along} of {model.x_reference.id}; {_slices_x(model)}."


def _direction_lines(model: Model) -> list[str]:
    """Say how X is found on the part, and what lies on the datum axis."""
    lines = [axes_says(model)]
    central = []
    for d in model.drawn:
        is_datum = model.datum is not None and d.feature.id == model.datum.id
        if is_datum or d.contour is None or kind_of(d.feature).is_outlined:
            continue
        us = places_of(model, d)
        if all(u is not None and abs(v) <= u for v, u in zip((d.x, d.y), us, strict=True)):
            central.append(d.feature.id)
    if central:
        lines.append(f"On datum {AXIS_DATUM} within U: {', '.join(central)}.")
    return lines


def _slices_x(model: Model) -> str:
    turn = model.slices_x_deg % 360
    return f"the X of the slices points at {format_value(turn, 2)}° here"


def _sign_lines(model: Model) -> list[str]:
    """Explain the signs this sheet uses, and what has no size to sign."""
    kinds = [kind_of(d.feature) for d in model.drawn]
    signs = []
    if any(d.feature.diameter_mm for d in model.drawn):
        signs.append("Ø diameter")
    if any(kind.sign == "□" for kind in kinds):
        signs.append("□ across the flats of a square")
    if any(d.feature.arc_deg is not None and d.feature.arc_deg < 180 for d in model.drawn):
        signs.append("R radius")
    rates = [abs(taper.value) for d in model.drawn if (taper := taper_of(d.feature)) is not None]
    if any(rate >= STEEPEST_RATIO for rate in rates):
        signs.append("cone: its included angle")
    if any(rate < STEEPEST_RATIO for rate in rates):
        signs.append(f"{TAPER_SIGN} 1:x taper, 1 on the diameter in x of depth ('mid': the size at half depth)")
    if any(is_hole(d.feature) and d.feature.opens_at and len(d.feature.opens_at) == 1 for d in model.drawn):
        signs.append(f"{DEPTH_SIGN} depth of a blind hole from the end it opens at")
    if len(model.zones) > 1 or any(kind.is_outlined for kind in kinds):
        signs.append("( ) round a figure: auxiliary, for checking only")
    lines = [f"Signs: {'; '.join(signs)}."] if signs else []
    free = [d.feature.id for d in model.drawn if kind_of(d.feature).is_outlined and not kind_of(d.feature).is_toothed]
    if free:
        lines.append(f"{', '.join(free)}: no named shape; cut by outlines.dxf, or scribe by template.pdf.")
    sharp = [d.feature.id for d in model.drawn if is_sharp(d.feature)]
    if sharp:
        lines.append(f"{', '.join(sharp)}: corners drawn sharp, as far as the scan can tell (corner R within its U).")
    return lines


def short_notes(model: Model) -> list[str]:
    """Return the notes that stand on every page."""
    lines = note_lines(model, 1.0)
    return [line for line in lines if line.startswith(("WARNING, handedness", U_NOTE)) or line == SAFETY]


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
        hatched = f"hatched {format_value(angle, 0)}° in the section"
        lines.append(f"Piece {piece.id} {piece.name} ({ids}): {verdict}; {hatched}.")
    return lines


def table_rows(model: Model) -> list[Row]:
    """Return every row of the feature table."""
    return [row for d in model.drawn for row in rows_of(model, d)]


class Table:
    """The feature table: column widths from its texts, drawn in stretches that fit the paper."""

    def __init__(self, rows: list[Row], height: float, heading: str, unit: str = "mm") -> None:
        self.rows, self.height, self.heading, self.unit = rows, height, heading, unit
        self.pitch = round(height * 1.7, 3)
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
        lift = 0.48 * h  # letters reach below the line by a third
        more = "" if first == 0 else ", continued"
        items.append(Label(f"Features{more} ({self.unit}). {self.heading}", (left, top - p + lift), h))
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
