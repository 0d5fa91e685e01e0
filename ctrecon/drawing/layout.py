"""Chooses paper and scale, and puts views, table, notes and title block where nothing meets."""

import itertools
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import partial

from ctrecon.core.errors import InputError
from ctrecon.drawing.model.turned import tabled_holes, turned_ids, view_numbers
from ctrecon.drawing.model.views import Model
from ctrecon.drawing.page import (
    LEAST_COLUMN_MM,
    MOST_TITLE_MM,
    PAPERS,
    STRIP,
    Words,
    frame_lines,
    paper_size,
    title_width,
)
from ctrecon.drawing.paper.contours import Contour
from ctrecon.drawing.paper.items import Block, Item, Label, Page, Sheet
from ctrecon.drawing.paper.row_packing import GAP, FreeArea, Shelf, arrange, fill_shelves, joined
from ctrecon.drawing.shown.assembly import (
    Taken,
    assembly_lines,
    exploded_block,
    item_block,
    parts_list,
    pulled_apart,
    take_apart,
)
from ctrecon.drawing.shown.blocks import view_block
from ctrecon.drawing.shown.cut import Cut, cut_zones
from ctrecon.drawing.shown.detail import detail_block, plan_details
from ctrecon.drawing.shown.facing import end_block, shows_more, visible_edges
from ctrecon.drawing.shown.notes import notes_items, short_notes
from ctrecon.drawing.shown.plane import STRAIGHT
from ctrecon.drawing.shown.section import section_block
from ctrecon.drawing.shown.section_detail import plan_short, short_block
from ctrecon.drawing.shown.section_sizes import Turned, carries_datum, plan_turned
from ctrecon.drawing.shown.title import TITLE_HEIGHT, scale_bar, title_block
from ctrecon.drawing.shown.wheel import wheel_blocks

__all__ = ["SCALES", "lay_out"]

CHOSEN = ("A4", "A3")
"""Papers chosen from where none is asked for, the smaller first."""


SCALES: tuple[float, ...] = tuple(
    round(m * 10.0**e, 9) if e >= 0 else 1 / round(n * 10.0**-e, 9)
    for e in (2, 1, 0, -1, -2, -3)
    for m, n in ((5, 0.2), (2, 0.5), (1, 1))
)
"""ISO 5455, extended by tens, large to small: 500:1 ... 1:1000."""

Edges = list[tuple[int, Contour, str]]

LEAST_VIEW_MM = 35.0
"""A part's largest view is not drawn smaller than this where a larger paper can help."""

ITEM_WIDTHS = (1.0, 0.8, 0.6, 0.45, 0.33)
"""Widths tried for the details of items, in parts of the paper; the first that takes the fewest pages is drawn."""

SHEET = "Dimensioned sheet from slices"

@dataclass(frozen=True)
class _Planned:
    """What is the same at every scale: metal by zone, diameters of the section, edges behind the views."""

    cuts: tuple[Cut, ...]
    turned: tuple[Turned, ...]
    behind: dict[int, Edges]
    far_end: Edges
    """What is seen from the far end; empty where that tells nothing new."""


def _plan(model: Model, cuts: tuple[Cut, ...] | None = None) -> _Planned:
    if not model.has_depth:
        return _Planned((), (), {}, [])
    cuts = cut_zones(model) if cuts is None else cuts
    seen = {n: visible_edges(model, cuts, from_end=False, first=n) for n in view_numbers(model)}
    far_end = visible_edges(model, cuts, from_end=True)
    return _Planned(
        cuts, plan_turned(model, cuts), {n: [one for one in edges if one[0] != n] for n, edges in seen.items()},
        far_end if shows_more(far_end, seen.values(), model.voxel_mm) else [],
    )  # fmt: skip


def _blocks(model: Model, planned: _Planned, scale: float) -> list[Block]:
    """Return the section with the end views beside it, then cuts, details and wheels, at a scale.

    First angle: what is seen from the left stands on the right. Third angle: it stands on the left.
    """
    section = model.has_depth and bool(model.zones)
    tabled = tabled_holes(model)
    details = [] if model.elsewhere else plan_details(model, scale, tabled, SCALES)
    seen = set(turned_ids(model))
    views = [
        view_block(
            model, n, scale, seen, behind=planned.behind.get(n, ()), tabled=tabled,
            details=[one for one in details if one.zone == n],
            marks_datum=n == _datum_zone(model) and not carries_datum(model, planned.turned),
            plane=planned.cuts[0].plane if planned.cuts else STRAIGHT,
        )
        for n in view_numbers(model)
    ]  # fmt: skip
    tail = [detail_block(model, one, scale, tabled=tabled) for one in details]
    if not section:
        return [*views, *tail, *([] if model.elsewhere else wheel_blocks(model, scale, SCALES))]
    used = len(views) - 1 + len(details)
    short = () if model.elsewhere else plan_short(model, planned.cuts, scale, SCALES, used)
    tail += [short_block(model, planned.cuts, one, scale) for one in short]
    tail += [] if model.elsewhere else wheel_blocks(model, scale, SCALES)
    circled = [(one.letter, one.centre, one.radius) for one in short]
    trio = [section_block(model, planned.cuts, scale, planned.turned, circled), views.pop(0)]
    if planned.far_end:
        trio.insert(0, end_block(model, planned.far_end, scale))
    return [joined(trio if model.projection == "first" else trio[::-1]), *views, *tail]


def _datum_zone(model: Model) -> int:
    """Return the first view that shows the datum feature; -1 where none does."""
    ident = model.datum.id if model.datum else ""
    return next((n for n in view_numbers(model) if any(d.feature.id == ident for d in model.zones[n].drawn)), -1)


def _one_page(words: Words, draw: Callable[[], list[Block]], more: int) -> list[Page] | None:
    """Return one page with everything, or None where it does not fit; `more` pages follow it.

    The last notes move from the column at the right to above the table where the views need the room.
    """
    width = min(words.side, MOST_TITLE_MM)
    if width < LEAST_COLUMN_MM:
        return None
    found = _one_page_with(words, draw, more, width, 0)
    count = 0 if found else words.beside_table(width)
    return _one_page_with(words, draw, more, width, count) if count else found


def _one_page_with(
    words: Words, draw: Callable[[], list[Block]], more: int, width: float, count: int
) -> list[Page] | None:
    """Return the page with the last `count` notes above the table."""
    f = words.frame
    first = len(words.lines) - count
    column, tall = words.column(width, 1, 1 + more, words.lines[:first])
    rows = words.table.rows if words.table else []
    table_tall = words.table.tall(len(rows)) if words.table else 0.0
    if words.table and count:
        wide = words.table.width - 2.4
        _, needed = notes_items(words.lines[first:], 0.0, 0.0, wide, words.height)
        top = f.bottom + table_tall + 2.0 + needed
        column += notes_items(words.lines[first:], f.left + 1.2, top, wide, words.height)[0]
        table_tall += needed + 2.0
    band = max(tall, table_tall)
    if f.top - (f.bottom + band + 2) < LEAST_VIEW_MM:
        return None
    if tall >= table_tall:  # beside the notes, above the table, there is paper left
        side = (f.left + 2, f.right - width - 4, f.bottom + table_tall + 4)
    else:
        side = (f.left + (words.table.width if words.table else 0.0) + 4, f.right - 2, f.bottom + tall + 4)
    room = FreeArea(f.left + 2, f.right - 2, f.top - 2, f.bottom + band + 4, *side)
    drawn = draw()
    turned_about = [*drawn[:1], *reversed(drawn[1:])]
    fits = (fill_shelves(some, room, corner=at) for some, at in ((drawn, False), (drawn, True), (turned_about, True)))
    fit = next((one for one in fits if one is not None and not one[1]), None)
    if fit is None:
        return None
    items = [*frame_lines(words.paper), *arrange(fit[0], room), *column]
    if words.table:
        items += words.table.draw(f.left + 1, f.bottom + words.table.tall(len(rows)) + 0.5, 0, len(rows))
    return [Page(tuple(items))]


def _many_pages(words: Words, blocks: list[Block], details: list[list[Block]], more: int) -> list[Page] | None:
    """Return pages of views, notes, table and items, each as full as it gets; None where a view fits no page.

    Every page carries the title block and the notes nobody may miss; `more` pages follow. `details`: ways to draw the
    items.
    """
    free = _strip_area(words)
    room = free.right - free.left
    widths = sorted({max(words.side - GAP, LEAST_COLUMN_MM), room / 2 - GAP, room / 3 - GAP, room})
    tall = free.top - free.floor
    said = short_notes(words.model)
    lines = [line for line in words.lines if line not in said]  # those are on every page
    texts = [  # whole notes, else in stretches that fill gaps
        _word_blocks(words, lines, width, tall, share * tall)
        for share, width in itertools.product((1.0, 0.5, 0.3), widths)
    ]
    tries = ([*blocks, *rest] for text, items in itertools.product(texts, details) for rest in _orders(text, items))
    best = _fewest(tries, free)
    if best is None:
        return None
    bodies = [arrange(shelves, free) for shelves in best] or [[]]
    return [_strip_page(words, items, number, len(bodies) + more, SHEET) for number, items in enumerate(bodies, 1)]


def _orders(text: list[Block], items: list[Block]) -> list[list[Block]]:
    """Return in which turn words and details of items may follow the views."""
    return [[*text, *items], [*items, *text], [*text[:1], *items, *text[1:]]] if items else [text]


def _fewest(tries: Iterable[list[Block]], free: FreeArea) -> list[list[Shelf]] | None:
    """Return the shelves of each page for the first of some lists of blocks that takes the fewest pages."""
    best: list[list[Shelf]] | None = None
    for blocks in tries:
        pages: list[list[Shelf]] = []
        rest = list(blocks)
        while rest and (best is None or len(pages) + 1 < len(best)):
            fit = fill_shelves(rest, free)
            if fit is None:
                break
            pages.append(fit[0])
            rest = fit[1]
        if not rest:
            best = pages
    return best


def _word_blocks(words: Words, lines: list[str], width: float, tall: float, most: float) -> list[Block]:
    """Return the table, then the notes, as blocks in stretches that fit a page; of notes none taller than `most`."""
    table = words.table
    blocks: list[Block] = []
    done = 0
    while table and done < len(table.rows):
        count = min(table.fits(tall), len(table.rows) - done)
        high = table.tall(count)
        blocks.append(Block(tuple(table.draw(0.0, high / 2, done, count)), (0.0, -high / 2, table.width, high / 2)))
        done += count
    rest = list(lines)
    while rest:
        count = len(rest)
        while count > 1 and notes_items(rest[:count], 0.0, 0.0, width, words.height)[1] > most:
            count -= 1
        high = notes_items(rest[:count], 0.0, 0.0, width, words.height)[1]
        items, _ = notes_items(rest[:count], 1.0, high / 2, width - 1.0, words.height)
        blocks.append(Block(tuple(items), (0.0, -high / 2, width, high / 2)))
        rest = rest[count:]
    return blocks


def _strip_area(words: Words) -> FreeArea:
    """Return the free paper of a page whose title block stands in a strip along its foot."""
    f = words.frame
    floor = f.bottom + STRIP + 2
    return FreeArea(f.left + 2, f.right - 2, f.top - 2, floor, f.left + 2, f.right - 2, floor)


def _item_blocks(words: Words, taken: tuple[Taken, ...], plans: list[_Planned]) -> list[list[Block]]:
    """Return the dimensioned details of the items, framed in several widths; one empty list where there are none."""
    free = _strip_area(words)
    drawn = [(t, _blocks(t.model, plan, words.scale)) for t, plan in zip(taken, plans, strict=True) if t.model.zones]
    found: list[list[Block]] = []
    for share in ITEM_WIDTHS if drawn else ():
        rest: list[Block] = []
        for one, views in drawn:
            for wider in (share, *(w for w in reversed(ITEM_WIDTHS) if w > share)):
                framed = item_block(one, taken, views, wider * (free.right - free.left))
                fits = framed.width <= free.right - free.left and framed.height <= free.top - free.floor
                if fits:
                    break
            rest += [framed] if fits else [item_block(one, taken, (), 0.0), *views]
        found.append(rest)
    return found or [[]]


def _strip_page(words: Words, items: list[Item], page: int, pages: int, kind: str) -> Page:
    """Return a page with the title block and the notes nobody may miss below its items."""
    f = words.frame
    wide = min(title_width(words.paper), f.right - f.left - 4)
    title, _ = title_block(words.model, words.scale, words.paper, page, pages, f.right, f.bottom, wide, kind)
    bar = scale_bar(words.scale, f.left + 6, f.bottom + 2, words.model.units)
    left = f.right - f.left - wide - 4
    notes, _ = notes_items(short_notes(words.model), f.left + 2, f.bottom + STRIP - 2, left, words.height)
    return Page((*frame_lines(words.paper), *items, *title, *bar, *notes))


def _assembly_page(words: Words, taken: tuple[Taken, ...], page: int) -> Page:
    """Return the last page: the pieces pulled apart, the list of parts, how they go together."""
    f, model = words.frame, words.model
    pulled = pulled_apart(model, taken)
    wide = min(title_width(words.paper), f.right - f.left - 4)
    listed, tall = parts_list(taken, f.right, f.bottom + TITLE_HEIGHT, wide)
    left_wide = f.right - f.left - wide - 6
    lines = [*short_notes(model), *assembly_lines(model, pulled)]
    _, needed = notes_items(lines, 0.0, 0.0, left_wide, words.height)
    floor = f.bottom + max(TITLE_HEIGHT + tall, needed + 14) + 4
    items = list(frame_lines(words.paper))
    scale: float | None = None
    for scale in SCALES if pulled else ():
        block = exploded_block(pulled, scale)
        if block.width <= f.right - f.left - 8 and block.height <= f.top - floor - 14:
            x = (f.left + f.right - block.width) / 2
            items += block.at(x, floor + (f.top - 12 - floor - block.height) / 2).items
            break
    items.append(Label("ASSEMBLY, EXPLODED", ((f.left + f.right) / 2, f.top - 8), 3.5, "centre"))
    title, _ = title_block(
        model, scale, words.paper, page, page, f.right, f.bottom, wide, "Assembly from slices, with list of parts"
    )
    notes, _ = notes_items(lines, f.left + 3, f.bottom + 10 + needed, left_wide, words.height)
    bar = scale_bar(scale, f.left + 6, f.bottom + 2, model.units) if scale else []
    return Page((*items, *title, *listed, *notes, *bar))


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
    paper : {"A4", "A3", "Letter"}, optional
        The paper asked for; else A4 or A3.

    Returns
    -------
    Sheet
        One page where everything fits on one; else views first, then the table.

    Raises
    ------
    InputError
        If the paper is not known, or no scale of the series fits.
    """
    if paper is not None:
        paper_size(paper)
    papers = [paper] if paper else list(CHOSEN)
    title = f"{model.part.name}: dimensioned sheet"
    size = _size(model)
    worth = _worth(model, size)
    if not model.zones:
        return _wordy(model, papers[0], title)
    taken = take_apart(model)
    model = replace(model, elsewhere=_on_details(taken))
    planned = _plan(model)
    cache: dict[float, list[Block]] = {}
    plans = [_plan(one.model, one.cuts) for one in taken]
    after = 1 if taken else 0  # the assembly

    def one_page(words: Words) -> list[Page] | None:
        """Return a page with everything, then those of the items, drawn once the first is known to fit."""
        draw = partial(blocks, words.scale)
        pages = _one_page(words, draw, 0)
        if pages is None or not taken:
            return pages
        free = _strip_area(words)
        bodies = [arrange(one, free) for one in _fewest(_item_blocks(words, taken, plans), free) or []]
        last = len(bodies) + 1 + after
        details = [_strip_page(words, b, 2 + k, last, "Details of the items") for k, b in enumerate(bodies)]
        return [*(_one_page(words, draw, last - 1) or []), *details]

    def many_pages(words: Words) -> list[Page] | None:
        """Return views, words and items; items are drawn once the views are known to fit."""
        if _fewest([blocks(words.scale)], _strip_area(words)) is None:
            return None
        return _many_pages(words, blocks(words.scale), _item_blocks(words, taken, plans), after)

    def blocks(scale: float) -> list[Block]:
        if scale not in cache:
            cache[scale] = _blocks(model, planned, scale)
        return cache[scale]

    fitting = {name: [s for s in SCALES if size * s <= PAPERS[name][1] - 40] for name in papers}
    tries = [(one_page, name, s) for name in papers for s in fitting[name] if worth * s >= LEAST_VIEW_MM]
    tries += [(many_pages, papers[-1], s) for s in fitting[papers[-1]]]
    best: tuple[Words, list[Page]] | None = None
    for draw, name, scale in tries:
        if best is not None and (len(best[1]) <= 1 + after or worth * scale < LEAST_VIEW_MM):
            break
        words = Words(model, name, scale)
        pages = draw(words)
        if pages and (best is None or len(pages) < len(best[1])):
            best = words, pages
    if best is None:
        raise InputError(f"part {model.part.name!r} does not fit on {papers[-1]} at any scale of ISO 5455")
    words, pages = best
    pages = [*pages, *([_assembly_page(words, taken, len(pages) + 1)] if taken else [])]
    return Sheet(title, words.paper, *PAPERS[words.paper], words.scale, pages, model.units)


def _on_details(taken: tuple[Taken, ...]) -> frozenset[str]:
    """Return whose sizes stand on the details of the items; a seam is shown by the whole part alone.

    None while it is undecided what is a piece of its own: the whole part shows how it is made in one.
    """
    if any(one.item.is_doubtful for one in taken):
        return frozenset()
    return frozenset(d.feature.id for one in taken for d in one.model.drawn) - frozenset(
        seat.seam.id for one in taken for seat in one.item.seats
    )


def _wordy(model: Model, paper: str, title: str) -> Sheet:
    """Return a sheet without views: it says that nothing could be drawn."""
    words = Words(model, paper, 1.0)
    f = words.frame
    says = (
        "Nothing to draw: the record holds no features."
        if not model.drawn
        else "Nothing to draw: no feature has a contour."
    )
    message = Label(says, ((f.left + f.right) / 2, f.bottom + STRIP + 12), 5.0, "centre")
    pages = _many_pages(words, [], [[]], 0)
    if pages is None:
        raise InputError(f"the notes of part {model.part.name!r} do not fit on {paper}: choose A3")
    first = pages[0]
    if words.table:
        return Sheet(title, paper, *PAPERS[paper], 1.0, [*pages], model.units)
    return Sheet(title, paper, *PAPERS[paper], 1.0, [Page((*first.items, message)), *pages[1:]], model.units)
