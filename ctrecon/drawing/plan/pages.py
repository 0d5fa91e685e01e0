"""The pages of the workshop plan: what to look at first, steps, pins, set-ups, working sheets, what to buy."""

from collections.abc import Sequence
from pathlib import Path

from ctrecon.core.files import write_whole
from ctrecon.core.measured import Measured, decimals_for, format_u, format_value
from ctrecon.drawing.page import paper_size
from ctrecon.drawing.paper.items import Sheet
from ctrecon.drawing.plan.flow import LEFT, RIGHT, Strip, gap, heading, paginate, paragraph, side_by_side, table
from ctrecon.drawing.plan.setup_picture import piece_picture, registration_picture, set_up_picture
from ctrecon.drawing.plan.stack_picture import stack_picture
from ctrecon.drawing.written.pdf import pdf_bytes
from ctrecon.drawing.written.strokes import drawn_pages
from ctrecon.workshop.assembly.model import PlannedSize
from ctrecon.workshop.plan.model import FAILS, GOOD, LOOK, Check, PieceSheet, Plan, PlanStep, Registration, SetUp

__all__ = ["FOOT", "plan_sheet", "write_plan"]

FOOT = (
    "Planned from measured scans: fits, loads and machine work remain the user's judgement; "
    "local rules and licensed practice come first."
)

_IN = 25.4
_FEW = 2
_STATE = {GOOD: "", LOOK: "look", FAILS: "fails"}
_BASIS = {"measured": "", "stated": "typed", "made": "made"}


def length(value: float | None, units: str, places: int) -> str:
    """Return a length as the plan prints it: with so many decimals of a mm, one more of an inch."""
    if value is None:
        return ""
    return format_value(value / _IN, places + 1) if units == "inch" else format_value(value, places)


def found_text(size: PlannedSize | None, units: str) -> str:
    """Return value ± U (k = 2) as found; without U where it is unknown."""
    if size is None:
        return ""
    return _pair(size.size.value, size.U, units)


def _pair(value: float, expanded: float | None, units: str) -> str:
    factor = _IN if units == "inch" else 1.0
    if expanded is None:
        return f"{length(value, units, 3)} (U unknown)"
    places = decimals_for(expanded / factor)
    return f"{format_value(value / factor, places)} ± {format_u(expanded / factor, places)}"


def _made(made: Measured | None, units: str) -> str:
    return "" if made is None else _pair(made.value, made.U, units)


def _front(plan: Plan, wide: float) -> list[Strip]:
    assembly = plan.assembly
    strips = [heading(f"Workshop plan: {assembly.name}", wide, size=7.0)]
    first = [one for one in plan.checks if one.state != GOOD]
    step = plan.next_step
    done = sum(one.done for one in plan.steps)
    says = f"{len(plan.steps)} steps, {done} done. "
    says += f"Next: {_title(step, plan)}." if step is not None else "All steps are done."
    strips += [paragraph(says, wide, size=3.5), gap(2.0), stack_picture(assembly, wide, 70.0), gap(3.0)]
    strips.append(heading("Look at these before cutting", wide, size=3.5))
    if not first:
        strips.append(paragraph("Nothing needs a decision.", wide))
    strips += [paragraph(text, wide, indent=14.0, mark=mark) for mark, text in _first_looks(first)]
    strips += [gap(3.0), heading("Safety", wide, size=3.5)]
    strips += [paragraph(one, wide, indent=4.0, mark="•") for one in plan.cautions]
    return strips


def _first_looks(checks: Sequence[Check]) -> list[tuple[str, str]]:
    """Return (mark, sentence): what fails with its reason, what only wants a look by topic, short."""
    out = [(_STATE[one.state], f"{one.says} {one.why}".strip()) for one in checks if one.state == FAILS]
    looks = [one for one in checks if one.state == LOOK]
    for topic in dict.fromkeys(one.topic for one in looks):
        some = [one for one in looks if one.topic == topic]
        if len(some) > _FEW:
            names = "; ".join(one.says.rstrip(".") for one in some)
            out.append(
                (
                    _STATE[LOOK],
                    f"{topic.capitalize()}, {len(some)} to look at (reasons under Choices and checks): {names}.",
                )
            )
        else:
            out += [(_STATE[LOOK], f"{one.says} {one.why}".strip()) for one in some]
    return out


def _choices(plan: Plan, wide: float) -> list[Strip]:
    strips = [heading("Choices and checks", wide)]
    for topic in dict.fromkeys(one.topic for one in plan.checks):
        strips.append(heading(topic.capitalize(), wide, size=3.5, rule=False))
        rows = [
            (
                plan.names.get(one.about, one.about),
                one.says + (" (your choice)" if one.overridden else ""),
                one.why,
                _STATE[one.state],
            )
            for one in plan.of(topic)
        ]
        strips += [*table(("What", "Result", "Why", ""), rows, wide), gap(3.0)]
    return strips


def _steps(plan: Plan, wide: float) -> list[Strip]:
    strips = [heading("Steps", wide)]
    for number, step in enumerate(plan.steps, 1):
        strips += [*_step(number, step, plan, wide), gap(2.0)]
    return strips


def _title(step: PlanStep, plan: Plan) -> str:
    names = ", ".join(plan.names.get(one, one) for one in step.parts)
    whole = len(step.parts) == len(plan.assembly.parts)
    return step.title + (f" ({names})" if names and not whole else "")


def _step(number: int, step: PlanStep, plan: Plan, wide: float) -> list[Strip]:
    strips = [
        paragraph(
            f"{number}. {_title(step, plan)}",
            wide,
            size=3.5,
            indent=6.0,
            mark="ticked" if step.done else "box",
            with_next=True,
        )
    ]
    inner = wide - 6.0
    lines = [(text, "•") for text in step.does]
    if step.tools:
        lines.append((f"Tools: {'; '.join(step.tools)}.", ""))
    if step.set_up:
        lines.append((f"Set-up {step.set_up}: picture and coordinates in the chapter Set-ups.", ""))
    lines += [(f"Caution: {text}", "!") for text in step.cautions]
    for k, (text, mark) in enumerate(lines):
        strip = paragraph(text, inner, indent=4.0, mark=mark, with_next=k < len(lines) - 1)
        strips.append(side_by_side([], [strip], 6.0) if not strip.with_next else _shift(strip, 6.0))
    strips.append(paragraph(f"id for done: {step.id}", wide, size=1.8, indent=10.0))
    return strips


def _shift(strip: Strip, x: float) -> Strip:
    inner = side_by_side([], [strip], x)
    return Strip(inner.items, strip.height, strip.with_next)


def _registrations(plan: Plan, wide: float) -> list[Strip]:
    strips = [heading("Register pins", wide)]
    for one in plan.registrations:
        strips += [*_registration(one, plan, wide), gap(5.0)]
    return strips


def _registration(one: Registration, plan: Plan, wide: float) -> list[Strip]:
    units = plan.assembly.units
    upper, lower = plan.assembly[one.upper], plan.assembly[one.lower]
    strips = [heading(f"{upper.name} to {lower.name}", wide, size=3.5, rule=False)]
    strips.append(registration_picture(one, [upper.outline, lower.outline], wide, 85.0))
    rows = [
        (
            pin.id,
            length(pin.x, units, 2),
            length(pin.y, units, 2),
            pin.pin,
            pin.pilot,
            length(pin.entry_mm, units, 3),
            length(pin.exit_mm, units, 3),
            length(pin.length_mm, units, 2),
            length(pin.below_mm, units, 2),
            length(pin.above_mm, units, 2),
        )
        for pin in one.pins
    ]
    heads = ("Pin", "X", "Y", "Pin to buy", "Pilot", "Ø entry", "Ø exit", "Length", "Below top", "Above far face")
    strips += table(heads, rows, wide, right=(1, 2, 5, 6, 7, 8, 9))
    strips += [paragraph(text, wide, indent=4.0, mark="•") for text in one.says]
    for text in dict.fromkeys(text for pin in one.pins for text in pin.says):
        which = ", ".join(pin.id for pin in one.pins if text in pin.says)
        strips.append(paragraph(f"{which}: {text}", wide, indent=4.0, mark="•"))
    return strips


def _set_ups(plan: Plan, wide: float) -> list[Strip]:
    strips = [heading("Set-ups", wide)]
    for one in plan.set_ups:
        strips += [*_set_up(one, plan, wide), gap(5.0)]
    return strips


def _set_up(one: SetUp, plan: Plan, wide: float) -> list[Strip]:
    units = plan.assembly.units
    names = " on ".join(plan.assembly[ident].name for ident in one.plates)
    strips = [heading(f"{one.id}: {names}", wide, size=3.5, rule=False)]
    strips += [paragraph(text, wide, with_next=True) for text in (one.reason, one.pick_up) if text]
    strips.append(set_up_picture(one, plan.names, wide, 85.0))
    strips[-1] = Strip(strips[-1].items, strips[-1].height, with_next=True)
    rows = [
        (
            plan.names.get(hole.id, hole.id),
            _coordinate(hole.x, units),
            _coordinate(hole.y, units),
            hole.drill,
            f"{hole.rpm:.0f}",
            hole.then,
        )
        for hole in one.holes
    ]
    strips += table(("Hole", "X ± U", "Y ± U", "Drill", "rev/min", "Then"), rows, wide, right=(1, 2, 4))
    return strips


def _coordinate(place: Measured, units: str) -> str:
    return _pair(place.value, place.U, units) if place.u is not None else length(place.value, units, 2)


def _piece(piece: PieceSheet, plan: Plan, wide: float) -> list[Strip]:
    units = plan.assembly.units
    strips = [heading(f"Working sheet: {piece.name}", wide)]
    strips += [paragraph(f"Material: {piece.material}. {piece.stock}", wide), gap(1.0)]
    rows = [
        (
            row.what,
            (row.sign + length(row.to_make, units, 2)) if row.to_make is not None else "see note",
            row.tolerance,
            found_text(row.as_found, units),
            _BASIS.get(row.as_found.basis, row.as_found.basis),
            _made(row.made, units),
            row.note,
        )
        for row in piece.rows
    ]
    heads = ("Size", "TO MAKE", "Limits or fit", "AS FOUND ± U", "", "Made", "Note")
    strips += table(heads, rows, wide, right=(1,))
    strips += [gap(1.5), *(paragraph(text, wide, indent=4.0, mark="•") for text in piece.notes)]
    part = plan.assembly[piece.part]
    if part.holes or piece.reliefs:
        strips.append(piece_picture(part, piece.reliefs, plan.names, wide, 70.0))
    return strips


def _pieces(plan: Plan, wide: float) -> list[Strip]:
    note = (
        "TO MAKE is what to cut to; AS FOUND is the measured size with U (k = 2), which is measuring "
        "uncertainty and not a "
        "tolerance to work to. Write what the caliper says under Made and into the file, and plan anew."
    )
    strips = [paragraph(note, wide), gap(2.0)]
    for one in plan.pieces:
        strips += [*_piece(one, plan, wide), gap(6.0)]
    return strips


def _buy(plan: Plan, wide: float) -> list[Strip]:
    strips = [heading("What to buy and have at hand", wide)]
    number = {step.id: str(k) for k, step in enumerate(plan.steps, 1)}
    rows = [
        (
            one.group,
            one.what,
            one.count,
            ", ".join(plan.names.get(ident, ident) for ident in one.parts),
            ", ".join(number.get(ident, ident) for ident in one.steps),
            one.source,
        )
        for one in plan.buy
    ]
    return strips + table(("Group", "What", "How many", "For", "For steps", "From"), rows, wide)


def plan_sheet(plan: Plan, *, paper: str = "A4") -> Sheet:
    """Return the pages of a plan, standing upright.

    Parameters
    ----------
    plan : Plan
        The plan.
    paper : {"A4", "A3", "Letter"}
        Paper to print on.

    Raises
    ------
    InputError
        If the paper is not known.
    """
    tall, across = paper_size(paper)
    wide = across - LEFT - RIGHT
    chapters: list[Sequence[Strip]] = [_front(plan, wide), _steps(plan, wide)]
    if plan.registrations:
        chapters.append(_registrations(plan, wide))
    if plan.set_ups:
        chapters.append(_set_ups(plan, wide))
    chapters += [_pieces(plan, wide), _buy(plan, wide), _choices(plan, wide)]
    unit = "inches" if plan.assembly.units == "inch" else "mm"
    title = f"{plan.assembly.name}: workshop plan, lengths in {unit}"
    pages = paginate(chapters, wide=across, tall=tall, title=title, foot=FOOT)
    return Sheet(f"{plan.assembly.name}: workshop plan", paper, across, tall, 1.0, pages, "mm")


def write_plan(plan: Plan, path: str | Path, *, paper: str = "A4") -> None:
    """Write the printable plan as a PDF file.

    Parameters
    ----------
    plan : Plan
        The plan.
    path : path
        The file, `plan.pdf` by custom.
    paper : {"A4", "A3", "Letter"}
        Paper to print on.

    Raises
    ------
    InputError
        If the paper is not known.
    InputFileError
        If the file cannot be written.

    Examples
    --------
    >>> from pathlib import Path
    >>> import ctrecon as ct
    >>> plate = 'role = "plate", outline = {size_mm = [40, 30]}, holes = [{axis = "main", diameter_mm = "3±0.01"}]'
    >>> text = f'''
    ... name = "two plates"
    ... stack = ["upper", "lower"]
    ... axes.main = {{}}
    ... parts.upper = {{thickness_mm = "1.5±0.02", {plate}}}
    ... parts.lower = {{thickness_mm = "2±0.02", {plate}}}
    ... '''
    >>> Path("two_plates.toml").write_text(text, encoding="utf-8") > 0
    True
    >>> ct.write_plan(ct.make_plan(ct.read_assembly("two_plates.toml")), "plan.pdf", paper="Letter")
    >>> Path("plan.pdf").read_bytes()[:4]
    b'%PDF'
    """
    sheet = plan_sheet(plan, paper=paper)
    write_whole(path, pdf_bytes(sheet, drawn_pages(sheet)[1]))
