"""Pages to work from: one wheel with its count, its tooth and its sizes; its dividing table; the train."""

import io
import textwrap
from collections.abc import Sequence
from math import cos, hypot, radians, sin
from typing import Any

import matplotlib
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.patches import Circle

from ctrecon.core.measured import Measured, format_percent, format_value
from ctrecon.plots.style import ACCENT, FONT, INK, PALE, SOFT, plain
from ctrecon.plots.wheels import draw_count, draw_division, draw_tooth, draw_wheel
from ctrecon.workshop.wheels.making import ToMake
from ctrecon.workshop.wheels.plan import PlannedWheel, WheelsPlan
from ctrecon.workshop.wheels.store import file_name
from ctrecon.workshop.wheels.tooth import ToothSizes

__all__ = ["pages_pdf", "wheel_pages"]

_PAPERS = {"A4": (8.27, 11.69), "A3": (11.69, 16.54), "Letter": (8.5, 11.0)}
"""Upright, inches."""

_FOOT = (
    "Planned from measured scans: fits, loads and machine work remain the user's judgement; local rules and licensed "
    "practice come first."
)
_ROWS = 48
"""Most teeth of a dividing table in one column."""

_COLUMNS = 3
_STEP = 0.0145
"""From line to line, in heights of the page."""

_WORDS = 106
"""Letters on a line across the page."""


def wheel_pages(plan: WheelsPlan, *, paper: str = "A4") -> list[tuple[str, Figure]]:
    """Return the pages of a plan, each with the name of its picture's file.

    Parameters
    ----------
    plan : WheelsPlan
        The plan.
    paper : {"A4", "A3", "Letter"}
        Paper they are laid out on.
    """
    pages = []
    for wheel in plan.wheels:
        name = file_name(wheel.found.name)
        page, left_over = _wheel_page(wheel, paper)
        pages.append((f"wheel_{name}", page))
        if wheel.make is not None:
            tables = _dividing_pages(wheel, wheel.make, left_over, paper)
            pages += [(f"dividing_{name}" + (f"_{k}" if k > 1 else ""), one) for k, one in enumerate(tables, 1)]
    if plan.pairs or plan.lost or len(plan.wheels) > 1:
        pages.append(("train", _train_page(plan, paper)))
    return pages


def pages_pdf(figures: Sequence[Figure], title: str) -> bytes:
    """Return figures as one PDF, a page each, without dates: the same bytes every time."""
    out = io.BytesIO()
    with matplotlib.rc_context({"pdf.fonttype": 3}):
        about = {"Title": title, "Creator": "ctrecon", "Producer": "ctrecon", "CreationDate": None}
        with PdfPages(out, metadata=about) as pdf:
            for one in figures:
                pdf.savefig(one)
    return out.getvalue()


def _page(title: str, paper: str) -> Figure:
    figure = Figure(figsize=_PAPERS[paper], facecolor="white")
    _write(figure, title, 0.962, size=14)
    _write(figure, _FOOT, 0.02, size=6.5, color=SOFT)
    return figure


def _write(figure: Figure, text: str, y: float, *, x: float = 0.07, size: float = 8.5, **look: Any) -> None:
    given = {"family": FONT, "color": INK, "va": "center", **look}
    figure.text(x, y, plain(text, most=400), fontsize=size, parse_math=False, **given)


def _paragraphs(figure: Figure, sentences: Sequence[str], top: float, low: float = 0.04) -> tuple[float, list[str]]:
    """Write sentences one below the other, wrapped; return where the next would begin, and those without room."""
    for number, sentence in enumerate(sentences):
        first = sentence[:1].upper() + sentence[1:]
        lines = textwrap.wrap(first.rstrip(".") + ".", _WORDS)
        if top - _STEP * (len(lines) - 1) < low:
            return top, list(sentences[number:])
        _write(figure, "•", top)
        for line in lines:
            _write(figure, line, top, x=0.085)
            top -= _STEP
    return top, []


def _pair(value: Measured | None, sign: str = "") -> str:
    return "" if value is None else sign + str(value)


def _wheel_page(wheel: PlannedWheel, paper: str) -> tuple[Figure, list[str]]:
    """Return the page of one wheel, and the sentences it has no room for."""
    found, make = wheel.found, wheel.make
    count = "count unknown" if wheel.teeth is None else f"{wheel.teeth} teeth"
    if wheel.teeth is not None and not wheel.settled:
        count += f" ({format_percent(wheel.odds[wheel.teeth])} likely: not settled)"
    figure = _page(f"{found.part}, wheel {found.feature.id}: {count}", paper)
    draw_wheel(figure.add_axes((0.07, 0.585, 0.50, 0.345)), wheel)
    draw_tooth(figure.add_axes((0.58, 0.60, 0.38, 0.315)), wheel)
    top = _sizes(figure, wheel, make, 0.560) if make is not None else 0.560
    draw_count(figure.add_axes((0.09, top - 0.150, 0.24, 0.115)), wheel)
    draw_division(
        figure.add_axes((0.455, top - 0.112, 0.465, 0.082)), figure.add_axes((0.455, top - 0.180, 0.465, 0.050)), wheel
    )
    says = [*wheel.count_says, *([] if wheel.division is None else [wheel.division.reason])]
    if found.run_out is not None:
        says.append(
            f"{found.bore_says} (k = 2), {found.run_out} mm off the middle of the rim; to make: in the middle"
        )
    says += _crown_sizes(wheel) if found.is_crown else []
    says += [f"{name} is unknown: {why}" for name, why in wheel.unknown.items()]
    return figure, _paragraphs(figure, list(dict.fromkeys(says)), top - 0.235)[1]


def _crown_sizes(wheel: PlannedWheel) -> list[str]:
    """Return the sizes of a crown's teeth in one sentence, with the U that is printed."""
    words = (
        ("diameter_mm", "Ø{} over the teeth"), ("inner_diameter_mm", "Ø{} within them"), ("length_mm", "{} high"),
        ("tooth_width_mm", "{} wide half-way up"),
    )  # fmt: skip
    printed = wheel.found.printed
    said = [text.format(printed[name]) for name, text in words if name in printed]
    return [f"teeth of the crown, mm (k = 2): {', '.join(said)}; their flanks are not measured"] if said else []


def _sizes(figure: Figure, wheel: PlannedWheel, make: ToMake, top: float) -> float:
    """Write sizes to make beside those found and the forms of the standards; return where the table ends."""
    feature = wheel.found.feature
    depth = None
    if feature.tip_diameter_mm is not None and feature.root_diameter_mm is not None:
        tip, root = feature.tip_diameter_mm, feature.root_diameter_mm
        depth = Measured((tip.value - root.value) / 2, hypot(tip.u or 0.0, root.u or 0.0) / 2 or None)

    def made(sizes: ToothSizes) -> list[str]:
        return [
            f"⌀{format_value(sizes.blank_diameter.value, 2)}", f"⌀{format_value(sizes.root_diameter.value, 2)}",
            format_value(sizes.depth_of_cut.value, 2), format_value(sizes.tooth_width.value, 2),
            format_value(sizes.module.value, 3),
        ]  # fmt: skip

    printed = wheel.found.printed
    found = [
        _pair(printed.get("tip_diameter_mm"), "⌀"), _pair(printed.get("root_diameter_mm"), "⌀"), _pair(depth),
        _pair(printed.get("tooth_width_mm")), "",
    ]  # fmt: skip
    names = ["", "blank (tips)", "roots", "depth of cut", "tooth width", "module", "common module"]
    columns = [("mm", names), ("TO MAKE", ["", *made(make.sizes), ""]), ("AS FOUND", ["± U (k = 2)", *found, ""])]
    for form in make.forms:
        odds = form.modules[0] if form.modules and form.modules[0].label != "none" else None
        common = "none" if odds is None else f"{odds.label}: {format_percent(odds.probability)}"
        mark = "agrees" if form.beside.agrees else "does not agree"
        columns.append((form.sizes.form, [mark, *made(form.sizes), common]))
    for x, (head, cells) in zip((0.07, 0.24, 0.37, 0.57, 0.75), columns, strict=False):
        _write(figure, head, top, x=x, weight="bold")
        for k, cell in enumerate(cells):
            _write(figure, cell, top - 0.0165 * (k + 1), x=x, weight="bold" if head == "TO MAKE" else "normal")
    return top - 0.0165 * (len(names) + 1)


def _dividing_pages(wheel: PlannedWheel, make: ToMake, first: Sequence[str], paper: str) -> list[Figure]:
    """Return how the wheel is cut, and its dividing table in columns of teeth from left to right."""
    table, pages = make.dividing, []
    says = [*first, make.sizes.reason, f"cutter: {make.sizes.cutter}", *make.says]
    says += [] if make.crossing is None else [make.crossing.reason]
    heads = [("tooth", 0.04), ("deg", 0.08), ("min", 0.115)]
    heads += [] if table.step is None else [("turns", 0.17), (f"of {table.step.circle}", 0.215)]
    each = min(_ROWS, -(-table.teeth // _COLUMNS))
    for start in range(0, table.teeth, each * _COLUMNS):
        name = f"{wheel.found.part}, wheel {wheel.found.feature.id}"
        figure = _page(f"{name}: to cut {table.teeth} teeth", paper)
        top = _paragraphs(figure, [*says, table.reason] if start == 0 else [], 0.935)[0] - 0.01
        for k, row in enumerate(table.rows[start : start + each * _COLUMNS]):
            left, y = 0.06 + 0.30 * (k // each), top - _STEP * (k % each + 1.4)
            cells = (row.tooth, row.degrees, format_value(row.minutes, 1), row.turns, row.holes)
            for (head, x), cell in zip(heads, cells, strict=False):
                if k % each == 0:
                    _write(figure, head, top, x=left + x, size=7.5, ha="right", color=SOFT)
                _write(figure, str(cell), y, x=left + x, size=8, ha="right")
        pages.append(figure)
    return pages


def _train_page(plan: WheelsPlan, paper: str) -> Figure:
    """Return the train: arbors where they are, pairs, ratios, and what a lost wheel may have been."""
    figure = _page("The train", paper)
    frames = list(dict.fromkeys(one.found.arbor.frame for one in plan.wheels))
    for k, frame in enumerate(frames[:2]):
        wide = 0.88 / min(len(frames), 2)
        _arbors(figure.add_axes((0.06 + k * wide, 0.60, wide - 0.02, 0.32)), plan, frame)
    says = [] if plan.train is None else [plan.train.reason]
    if plan.train is not None and len(plan.train.speeds) > 2:
        says += [f"arbor {name} turns {speed}" for name, speed in plan.train.speeds.items()]
    taken = {frozenset(pair) for pair in plan.meshes}
    says += [f"{'taken: ' if {one.first, one.second} in taken else ''}{one.reason}" for one in plan.pairs]
    says += [one.reason for one in plan.lost.values()]
    if not plan.pairs:
        says.append("no two of these wheels can mesh")
    says.append("circles: tips; dashed: no mate of this wheel was found")
    _paragraphs(figure, says, 0.56)
    return figure


def _arbors(axes: Axes, plan: WheelsPlan, frame: str) -> None:
    """Draw the wheels of one record on their arbors, by their tip circles, as the slices are seen."""
    axes.set_aspect("equal")
    axes.set_axis_off()
    axes.invert_yaxis()
    for number, one in enumerate(plan.wheels):
        tip, arbor = one.found.feature.tip_diameter_mm, one.found.arbor
        if tip is None or arbor.frame != frame:
            continue
        meshes = any(one.found.name in pair for pair in plan.meshes)
        look: Any = "-" if meshes else (0, (4, 2))
        place = (arbor.x, arbor.y)
        axes.add_patch(Circle(place, tip.value / 2, facecolor=(*to_rgb(PALE), 0.6), edgecolor=INK, lw=1.2, ls=look))
        axes.plot([arbor.x], [arbor.y], "+", color=INK, ms=8)
        text = plain(f"{one.found.name}: {one.teeth or '?'}")
        # on its own circle, those of one arbor one after the other round it: circles may lie close
        turn = radians(-90.0 + 35.0 * sum(other.found.arbor == arbor for other in plan.wheels[:number]))
        x, y = arbor.x + tip.value / 2 * cos(turn), arbor.y + tip.value / 2 * sin(turn)
        axes.text(
            x, y, text, ha="center", va="center", fontsize=8, family=FONT, color=INK, parse_math=False,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
        )  # fmt: skip
    for name, lost in plan.lost.items():
        spot = plan.places[name]
        if spot.frame == frame:
            axes.plot([spot.x], [spot.y], "x", color=ACCENT, ms=8, mew=1.8)
            teeth = str(lost.teeth) if lost.teeth else f"{lost.teeth_range[0]} to {lost.teeth_range[1]}"
            axes.annotate(
                plain(f"lost, on {name}: {teeth}"), (spot.x, spot.y), xytext=(6, 6), textcoords="offset points",
                fontsize=8, family=FONT, color=ACCENT, parse_math=False,
            )  # fmt: skip
    axes.autoscale_view()
    axes.set_title(plain(frame), fontsize=9, family=FONT, color=INK, loc="left", parse_math=False)
