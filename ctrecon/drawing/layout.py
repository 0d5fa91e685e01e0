"""Chooses paper and scale, and puts views, table, notes and title block where nothing meets."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from ctrecon.core.errors import InputError
from ctrecon.drawing.blocks import view_block
from ctrecon.drawing.items import Block, Item, Label, Line, Page, Sheet
from ctrecon.drawing.notes import Table, note_lines, notes_items, scale_bar, short_notes, table_rows, title_block
from ctrecon.drawing.section import Cut, cut_zones, section_block
from ctrecon.drawing.views import Model
from ctrecon.part import scale_u_along

__all__ = ["PAPERS", "SCALES", "lay_out"]

PAPERS: dict[str, tuple[float, float]] = {"A4": (297.0, 210.0), "A3": (420.0, 297.0)}
"""Width and height lying down, mm (ISO 216)."""

SCALES: tuple[float, ...] = tuple(
    round(m * 10.0**e, 9) if e >= 0 else 1 / round(n * 10.0**-e, 9)
    for e in (2, 1, 0, -1, -2, -3)
    for m, n in ((5, 0.2), (2, 0.5), (1, 1))
)
"""ISO 5455, extended by tens, large to small: 500:1 ... 1:1000."""

LEAST_VIEW_MM = 35.0
"""A part's largest view is not drawn smaller than this where a larger paper can help."""

LEAST_COLUMN_MM = 75.0
"""A column of notes beside the table is not narrower than this."""

STRIP = 36.0
"""Height kept for the title block on pages without the column of notes, mm."""

GAP = 6.0


@dataclass(frozen=True)
class _Frame:
    left: float
    bottom: float
    right: float
    top: float


def _frame(paper: str) -> _Frame:
    """Return the drawing space: 20 mm to the left for filing, 10 mm elsewhere (ISO 5457)."""
    width, height = PAPERS[paper]
    return _Frame(20.0, 10.0, width - 10.0, height - 10.0)


def _notes_height(paper: str) -> float:
    return 1.8 if paper == "A4" else 2.5


def _blocks(model: Model, cuts: tuple[Cut, ...], scale: float) -> list[Block]:
    """Return every view and the section at a scale."""
    seen: set[str] = set()
    section = model.has_depth and bool(model.zones)
    blocks = [view_block(model, n, scale, seen, section=section and n == 0) for n in range(len(model.zones))]
    return [*blocks, section_block(model, cuts, scale)] if section else blocks


def _shelves(blocks: list[Block], width: float, height: float) -> tuple[list[list[Block]], list[Block]] | None:
    """Fill shelves from the left, downwards; return the shelves and what is left over.

    None where the next block fits no empty page.
    """
    shelves: list[list[Block]] = []
    used = 0.0
    rest = list(blocks)
    while rest:
        shelf: list[Block] = []
        wide = 0.0
        while rest and wide + rest[0].width <= width:
            wide += rest[0].width + GAP
            shelf.append(rest.pop(0))
        tall = max((b.height for b in shelf), default=0.0)
        if not shelf or used + tall > height:
            rest = shelf + rest
            return (shelves, rest) if shelves else None
        used += tall + GAP
        shelves.append(shelf)
    return shelves, []


def _arrange(shelves: list[list[Block]], frame: _Frame, floor: float) -> list[Item]:
    """Spread shelves evenly over the paper between `floor` and the frame's top."""
    items: list[Item] = []
    free = frame.top - floor - sum(max(b.height for b in shelf) for shelf in shelves)
    pad = free / (len(shelves) + 1)
    y = frame.top
    for shelf in shelves:
        tall = max(b.height for b in shelf)
        y -= pad + tall
        loose = frame.right - frame.left - sum(b.width for b in shelf)
        x = frame.left
        for block in shelf:
            x += loose / (len(shelf) + 1)
            items += block.at(x, y + (tall - block.height) / 2).items
            x += block.width
    return items


def _frame_lines(frame: _Frame) -> list[Item]:
    corners = [
        (frame.left, frame.bottom),
        (frame.right, frame.bottom),
        (frame.right, frame.top),
        (frame.left, frame.top),
    ]
    return [Line(a, b, "FRAME") for a, b in zip(corners, corners[1:] + corners[:1], strict=True)]


class _Words:
    """Table, notes and title block of one paper and scale, measured."""

    def __init__(self, model: Model, paper: str, scale: float) -> None:
        self.model, self.paper, self.scale = model, paper, scale
        self.frame = _frame(paper)
        self.height = _notes_height(paper)
        part = model.part
        unscaled = scale_u_along(part, "across") is None or scale_u_along(part, "along") is None
        heading = "U without scale (k = 2)" if unscaled else "U with k = 2"
        self.table = Table(table_rows(model), self.height, heading + "; not a tolerance") if model.drawn else None
        room = self.frame.right - self.frame.left
        table_wide = self.table.width if self.table else 0.0
        self.side = room - table_wide - 4.0
        self.title_wide = min(130.0 if paper == "A4" else 160.0, max(self.side, 75.0))
        self.lines = note_lines(model, scale)

    def column(self, width: float, page: int, pages: int) -> tuple[list[Item], float]:
        """Return title block, scale bar and notes, in a column at the lower right, and its height."""
        f = self.frame
        items, tall = title_block(self.model, self.scale, self.paper, page, pages, f.right, f.bottom, width)
        left = f.right - width
        base = f.bottom + tall
        items += scale_bar(self.scale, left + 4, base + 3)
        notes, needed = notes_items(self.lines, left + 1.2, 0.0, width - 2.4, self.height)
        top = base + 10 + needed
        notes, _ = notes_items(self.lines, left + 1.2, top, width - 2.4, self.height)
        return [*items, *notes], top + 1 - f.bottom


def _one_page(words: _Words, draw: Callable[[], list[Block]]) -> list[Page] | None:
    """Return one page with everything, or None where it does not fit."""
    f = words.frame
    width = words.side
    if width < LEAST_COLUMN_MM:
        return None
    column, tall = words.column(width, 1, 1)
    rows = words.table.rows if words.table else []
    table_tall = words.table.tall(len(rows)) if words.table else 0.0
    band = max(tall, table_tall)
    floor = f.bottom + band + 2
    if f.top - floor < LEAST_VIEW_MM:
        return None
    fit = _shelves(draw(), f.right - f.left - 4, f.top - floor - 4)
    if fit is None or fit[1]:
        return None
    items = [*_frame_lines(f), *_arrange(fit[0], f, floor), *column]
    if words.table:
        items += words.table.draw(f.left + 1, f.bottom + table_tall + 0.5, 0, len(rows))
    return [Page(tuple(items))]


def _many_pages(words: _Words, blocks: list[Block]) -> list[Page] | None:
    """Return pages of views, then of notes and table; None where a view fits no page.

    Every page carries the title block and the notes nobody may miss.
    """
    f = words.frame
    room = f.right - f.left - 4
    tall = f.top - f.bottom - STRIP - 6
    bodies: list[list[Item]] = []
    rest = list(blocks)
    while rest:
        fit = _shelves(rest, room, tall)
        if fit is None:
            return None
        bodies.append(_arrange(fit[0], f, f.bottom + STRIP + 2))
        rest = fit[1]
    bodies += _word_pages(words, tall)
    pages = []
    for number, items in enumerate(bodies, 1):
        wide = min(130.0 if words.paper == "A4" else 160.0, room)
        place = (words.paper, number, len(bodies), f.right, f.bottom, wide)
        title, _ = title_block(words.model, words.scale, *place)
        left = f.right - f.left - wide - 4
        bar = scale_bar(words.scale, f.left + 6, f.bottom + 2)
        notes, _ = notes_items(short_notes(words.model), f.left + 2, f.bottom + STRIP - 2, left, words.height)
        pages.append(Page((*_frame_lines(f), *items, *title, *bar, *notes)))
    return pages


def _word_pages(words: _Words, tall: float) -> list[list[Item]]:
    """Return pages with the table and all notes, side by side where the paper is wide enough."""
    f = words.frame
    tables = _table_pages(words, tall)
    beside = words.side >= LEAST_COLUMN_MM or not tables
    width = (words.side if tables and beside else f.right - f.left) - 6
    notes: list[list[Item]] = []
    rest = list(words.lines)
    while rest:
        count = len(rest)
        while count > 1 and notes_items(rest[:count], 0.0, 0.0, width, words.height)[1] > tall:
            count -= 1
        notes.append(notes_items(rest[:count], f.right - width - 3, f.top - 3, width, words.height)[0])
        rest = rest[count:]
    if not beside:
        return notes + tables
    longest = max(len(notes), len(tables))
    padded = [pages + [[] for _ in range(longest - len(pages))] for pages in (tables, notes)]
    return [[*left, *right] for left, right in zip(*padded, strict=True)]


def _table_pages(words: _Words, tall: float) -> list[list[Item]]:
    """Set the table on as many pages as it needs."""
    f, table = words.frame, words.table
    pages: list[list[Item]] = []
    done = 0
    while table and done < len(table.rows):
        count = min(table.fits(tall), len(table.rows) - done)
        pages.append(table.draw(f.left + 2, f.top - 3, done, count))
        done += count
    return pages


def _size(model: Model) -> float:
    """Return the largest extent of the part's contours, mm."""
    spans = [0.0]
    for zone in model.zones:
        for d in zone.drawn:
            if d.contour:
                left, bottom, right, top = d.contour.bounds()
                spans.append(max(right - left, top - bottom))
    return max(spans)


def _worth(model: Model, size: float) -> float:
    """Return the size that has to be large enough on paper: a long shaft may be thin there."""
    depth = model.zones[-1].z1 - model.zones[0].z0 if model.zones else 0.0
    return math.sqrt(size * depth) if depth > size else size


def lay_out(model: Model, paper: str | None = None) -> Sheet:
    """Put the drawing on the smaller of A4 and A3 that holds it, at the largest scale that fits.

    Parameters
    ----------
    model : Model
        The part in sheet axes.
    paper : {"A4", "A3"}, optional
        The paper asked for.

    Returns
    -------
    Sheet
        One page where everything fits on one; else views first, then the table.

    Raises
    ------
    InputError
        If the paper is not known, or no scale of the series fits.
    """
    if paper is not None and paper not in PAPERS:
        raise InputError(f"paper {paper!r} is not known: choose one of {', '.join(PAPERS)}")
    papers = [paper] if paper else list(PAPERS)
    title = f"{model.part.name}: dimensioned sheet"
    size = _size(model)
    worth = _worth(model, size)
    if not model.zones:
        return _wordy(model, papers[0], title)
    cuts = cut_zones(model) if model.has_depth else ()
    cache: dict[float, list[Block]] = {}

    def blocks(scale: float) -> list[Block]:
        if scale not in cache:
            cache[scale] = _blocks(model, cuts, scale)
        return cache[scale]

    fitting = {name: [s for s in SCALES if size * s <= PAPERS[name][1] - 40] for name in papers}
    for name in papers:
        for scale in (s for s in fitting[name] if worth * s >= LEAST_VIEW_MM):
            pages = _one_page(_Words(model, name, scale), partial(blocks, scale))
            if pages:
                return Sheet(title, name, *PAPERS[name], scale, pages)
    best: Sheet | None = None
    for scale in fitting[papers[-1]]:
        if best is not None and worth * scale < LEAST_VIEW_MM:
            break
        pages = _many_pages(_Words(model, papers[-1], scale), blocks(scale))
        if pages is None:
            continue
        sheet = Sheet(title, papers[-1], *PAPERS[papers[-1]], scale, pages)
        if best is None or len(pages) < len(best.pages):
            best = sheet
    if best is None:
        raise InputError(f"part {model.part.name!r} does not fit on {papers[-1]} at any scale of ISO 5455")
    return best


def _wordy(model: Model, paper: str, title: str) -> Sheet:
    """Return a sheet without views: it says that nothing could be drawn."""
    words = _Words(model, paper, 1.0)
    f = words.frame
    says = (
        "Nothing to draw: the record holds no features."
        if not model.drawn
        else "Nothing to draw: no feature has a contour."
    )
    message = Label(says, ((f.left + f.right) / 2, f.top - 30), 5.0, "centre")
    pages = _many_pages(words, [])
    if pages is None:
        raise InputError(f"the notes of part {model.part.name!r} do not fit on {paper}: choose A3")
    first = pages[0]
    if words.table:
        return Sheet(title, paper, *PAPERS[paper], 1.0, [*pages])
    return Sheet(title, paper, *PAPERS[paper], 1.0, [Page((*first.items, message)), *pages[1:]])
