"""Runs text, tables and pictures down upright pages: what belongs together stays together."""

from collections.abc import Sequence
from dataclasses import dataclass

from ctrecon.drawing.paper.items import Item, Label, Line, Page, moved
from ctrecon.drawing.paper.lettering import text_width, wrap

__all__ = [
    "BOTTOM",
    "LEFT",
    "RIGHT",
    "TEXT",
    "TOP",
    "Strip",
    "gap",
    "heading",
    "paginate",
    "paragraph",
    "picture",
    "side_by_side",
    "table",
]

LEFT, RIGHT, BOTTOM = 20.0, 10.0, 14.0
"""Margins, mm: the left one for filing (ISO 5457)."""

TOP = 20.0
TEXT = 2.5
"""Height of letters (ISO 3098), mm."""

LEAD = 1.65
"""Distance of lines in heights of letters."""

_CELL = 1.2


@dataclass(frozen=True)
class Strip:
    """A piece of a page that is not divided: its items lie below y = 0, from x = 0 on.

    Parameters
    ----------
    items : tuple of Item
        What it shows.
    height : float
        mm.
    with_next : bool
        Whether it must not be the last on its page.
    again : tuple of Strip
        What is printed above it where it comes to stand at the top of a new page (the heading of a table).
    """

    items: tuple[Item, ...]
    height: float
    with_next: bool = False
    again: tuple["Strip", ...] = ()


def gap(height: float) -> Strip:
    """Return blank paper."""
    return Strip((), height)


def heading(text: str, width: float, *, size: float = 5.0, rule: bool = True) -> Strip:
    """Return a heading with a line under it; it stays with what follows."""
    items: list[Item] = [
        Label(line, (0.0, -(k + 1) * size * 1.5 + 0.3 * size), size) for k, line in enumerate(wrap(text, size, width))
    ]
    deep = len(items) * size * 1.5
    if rule:
        items.append(Line((0.0, -deep), (width, -deep), "NARROW"))
    return Strip(tuple(items), deep + 1.5, with_next=True)


def paragraph(
    text: str, width: float, *, size: float = TEXT, indent: float = 0.0, mark: str = "", with_next: bool = False
) -> Strip:
    """Return wrapped text; `mark` stands before it: a word, or "box" or "ticked" for a box to tick."""
    lead = size * LEAD
    lines = wrap(text, size, width - indent)
    items: list[Item] = [Label(line, (indent, -(k + 1) * lead + 0.3 * size), size) for k, line in enumerate(lines)]
    if mark in ("box", "ticked"):
        items += _tick_box(indent - 5.0, -lead + 0.15 * size, 3.0, ticked=mark == "ticked")
    elif mark:
        items.append(Label(mark, (indent - 1.5, -lead + 0.3 * size), size, "right"))
    return Strip(tuple(items), len(lines) * lead + 0.6, with_next=with_next)


def _tick_box(x: float, y: float, side: float, *, ticked: bool) -> list[Item]:
    ring = [(x, y), (x + side, y), (x + side, y + side), (x, y + side)]
    items: list[Item] = [Line(a, b, "WIDE") for a, b in zip(ring, ring[1:] + ring[:1], strict=True)]
    if ticked:
        low = (x + 0.4 * side, y + 0.15 * side)
        items += [
            Line((x + 0.1 * side, y + 0.5 * side), low, "WIDE"),
            Line(low, (x + side * 1.1, y + side * 1.1), "WIDE"),
        ]
    return items


def table(
    headings: Sequence[str],
    rows: Sequence[Sequence[str]],
    width: float,
    *,
    size: float = 2.2,
    right: Sequence[int] = (),
) -> list[Strip]:
    """Return a table, one strip a row: the columns with most text give way least, and text is wrapped.

    Parameters
    ----------
    headings : sequence of str
        Of the columns; printed anew at the top of each page.
    rows : sequence of sequence of str
        Texts; those of a column in `right` are set to its right edge.
    width : float
        At most so wide (mm).
    """
    widths = _widths(headings, rows, width, size)
    head = _row(headings, widths, size, right)
    edge = Line((0.0, -head.height), (sum(widths), -head.height), "WIDE")
    first = Strip((*head.items, edge), head.height, with_next=True)
    out = [first]
    for row in rows:
        strip = _row(row, widths, size, right)
        rule = Line((0.0, -strip.height), (sum(widths), -strip.height), "NARROW")
        out.append(Strip((*strip.items, rule), strip.height, again=(first,)))
    return out


def _widths(headings: Sequence[str], rows: Sequence[Sequence[str]], width: float, size: float) -> list[float]:
    def need(texts: Sequence[str]) -> float:
        return max((text_width(text, size) for text in texts), default=0.0) * 1.015 + 2 * _CELL

    columns = [need([head, *(row[k] for row in rows)]) for k, head in enumerate(headings)]
    words = [
        need([word for text in (head, *(row[k] for row in rows)) for word in text.split()])
        for k, head in enumerate(headings)
    ]
    if sum(columns) <= width:
        return columns
    if sum(words) >= width:
        return [one * width / sum(words) for one in words]
    # a column of n times the text is wrapped in as many lines where it is about root n times as wide
    share = [sum(text_width(row[k], size) for row in rows) ** 0.5 for k in range(len(headings))]

    def filled(times: float) -> list[float]:
        return [min(full, max(least, times * one)) for full, least, one in zip(columns, words, share, strict=True)]

    low, high = 0.0, width
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if sum(filled(middle)) <= width else (low, middle)
    return filled(low)


def _row(texts: Sequence[str], widths: Sequence[float], size: float, right: Sequence[int]) -> Strip:
    items: list[Item] = []
    x, deepest = 0.0, 1
    for k, (text, wide) in enumerate(zip(texts, widths, strict=True)):
        lines = wrap(text, size, wide - 2 * _CELL + 0.05) if text else []
        deepest = max(deepest, len(lines))
        for n, line in enumerate(lines):
            y = -(n + 1) * size * LEAD + 0.15 * size
            items.append(
                Label(line, (x + wide - _CELL, y), size, "right") if k in right else Label(line, (x + _CELL, y), size)
            )
        x += wide
    return Strip(tuple(items), deepest * size * LEAD + 0.5 * size)


def picture(items: Sequence[Item], height: float, *, with_next: bool = False) -> Strip:
    """Return a picture whose items lie below y = 0 already."""
    return Strip(tuple(items), height, with_next)


def side_by_side(left: Sequence[Strip], right: Sequence[Strip], at: float) -> Strip:
    """Return two columns as one strip; the right one begins at x = `at`."""
    items: list[Item] = []
    heights = []
    for strips, x in ((left, 0.0), (right, at)):
        y = 0.0
        for strip in strips:
            items += [moved(item, x, y) for item in strip.items]
            y -= strip.height
        heights.append(-y)
    return Strip(tuple(items), max(heights))


def _groups(strips: Sequence[Strip]) -> list[list[Strip]]:
    groups: list[list[Strip]] = []
    joined = False
    for strip in strips:
        if joined:
            groups[-1].append(strip)
        else:
            groups.append([strip])
        joined = strip.with_next
    return groups


def paginate(chapters: Sequence[Sequence[Strip]], *, wide: float, tall: float, title: str, foot: str) -> list[Page]:
    """Lay chapters on pages, each chapter from a new page on.

    Parameters
    ----------
    chapters : sequence of sequence of Strip
        What is printed.
    wide, tall : float
        Paper (mm).
    title, foot : str
        Printed above and below on every page.
    """
    room = tall - TOP - BOTTOM
    filled: list[list[Item]] = []
    for chapter in chapters:
        y: float | None = None
        for group in _groups(chapter):
            need = sum(one.height for one in group)
            if y is None or (y + need > room and y > 0):
                filled.append([])
                y = 0.0
                for strip in group[0].again:
                    filled[-1] += [moved(item, LEFT, tall - TOP - y) for item in strip.items]
                    y += strip.height
            for strip in group:
                if y + strip.height > room and y > 0:
                    filled.append([])
                    y = 0.0
                filled[-1] += [moved(item, LEFT, tall - TOP - y) for item in strip.items]
                y += strip.height
    pages = []
    for k, items in enumerate(filled):
        top, low, right = tall - TOP + 6.0, BOTTOM - 3.0, wide - RIGHT
        around: list[Item] = [
            Label(title, (LEFT, top + 1.5), TEXT),
            Label(f"{k + 1} of {len(filled)}", (right, top + 1.5), TEXT, "right"),
            Line((LEFT, top), (right, top), "NARROW"),
            Line((LEFT, low), (right, low), "NARROW"),
            Label(foot, (LEFT, low - 4.0), 1.8),
        ]
        pages.append(Page((*around, *items)))
    return pages
