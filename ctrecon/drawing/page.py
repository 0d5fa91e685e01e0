"""A page without its views: paper, frame, title block, and the table and notes as they are measured for it."""

from dataclasses import dataclass

from ctrecon.core.errors import InputError
from ctrecon.drawing.model.views import Model
from ctrecon.drawing.paper.items import Item, Line
from ctrecon.drawing.shown.notes import Table, note_lines, notes_items, table_rows
from ctrecon.drawing.shown.title import TITLE_HEIGHT, scale_bar, title_block
from ctrecon.record.part import scale_u_along

__all__ = [
    "LEAST_COLUMN_MM", "MOST_TITLE_MM", "PAPERS", "STRIP", "Frame", "Words", "frame_lines", "paper_size", "title_width",
]  # fmt: skip

PAPERS: dict[str, tuple[float, float]] = {"A4": (297.0, 210.0), "A3": (420.0, 297.0), "Letter": (279.4, 215.9)}
"""Width and height lying down, mm: ISO 216; Letter is 11 by 8.5 inches (ANSI/ASME Y14.1)."""

def paper_size(paper: str) -> tuple[float, float]:
    """Return width and height of a paper lying down (mm).

    Raises
    ------
    InputError
        If the paper is not known.
    """
    if paper not in PAPERS:
        raise InputError(f"paper {paper!r} is not known: choose one of {', '.join(PAPERS)}")
    return PAPERS[paper]


LEAST_COLUMN_MM = 75.0
"""A column of notes beside the table is not narrower than this."""

MARGIN_MM = 4.0
"""So near to the edge of the paper most printers print (common practice, no source)."""

MOST_TITLE_MM = 180.0
"""A title block is no wider than this (ISO 7200)."""

STRIP = TITLE_HEIGHT + 1.0
"""Height kept for the title block on pages without the column of notes, mm."""


@dataclass(frozen=True)
class Frame:
    """The drawing space of a paper: its sides, mm from the paper's lower left corner."""

    left: float
    bottom: float
    right: float
    top: float


def frame_of(paper: str) -> Frame:
    """Return the drawing space: 20 mm to the left for filing, 10 mm elsewhere (ISO 5457)."""
    width, height = PAPERS[paper]
    return Frame(20.0, 10.0, width - 10.0, height - 10.0)


def notes_height(paper: str) -> float:
    return 2.5 if paper == "A3" else 1.8


def title_width(paper: str) -> float:
    """Return the width of the title block in a strip along the foot, mm."""
    return MOST_TITLE_MM if paper == "A3" else 130.0


def frame_lines(paper: str) -> list[Item]:
    """Draw the frame, and in the middle of each side the mark that centres a copy (ISO 5457), outside the frame."""
    frame, (wide, tall) = frame_of(paper), PAPERS[paper]
    corners = [
        (frame.left, frame.bottom),
        (frame.right, frame.bottom),
        (frame.right, frame.top),
        (frame.left, frame.top),
    ]
    marks = [
        ((MARGIN_MM, tall / 2), (frame.left, tall / 2)), ((wide - MARGIN_MM, tall / 2), (frame.right, tall / 2)),
        ((wide / 2, MARGIN_MM), (wide / 2, frame.bottom)), ((wide / 2, tall - MARGIN_MM), (wide / 2, frame.top)),
    ]  # fmt: skip
    return [Line(a, b, "FRAME") for a, b in [*zip(corners, corners[1:] + corners[:1], strict=True), *marks]]


class Words:
    """Table, notes and title block of one paper and scale, measured."""

    def __init__(self, model: Model, paper: str, scale: float) -> None:
        self.model, self.paper, self.scale = model, paper, scale
        self.frame = frame_of(paper)
        self.height = notes_height(paper)
        part = model.part
        unit = "inches, mm in brackets" if model.units == "in" else "mm"
        unscaled = scale_u_along(part, "across") is None or scale_u_along(part, "along") is None
        heading = "U (k = 2) without scale" if unscaled else "U with k = 2"
        self.table = Table(table_rows(model), self.height, heading + "; not a tolerance", unit) if model.drawn else None
        room = self.frame.right - self.frame.left
        table_wide = self.table.width if self.table else 0.0
        self.side = room - table_wide - 4.0
        self.lines = note_lines(model, scale)

    def beside_table(self, width: float) -> int:
        """Return how many of the last notes stand above the table, so that both columns are as low as can be."""
        if self.table is None or self.table.width < LEAST_COLUMN_MM:
            return 0
        tall = [
            [notes_items([line], 0.0, 0.0, wide - 2.4, self.height)[1] for line in self.lines]
            for wide in (width, self.table.width)
        ]
        table, title = self.table.tall(len(self.table.rows)), TITLE_HEIGHT + 10.0
        count = len(self.lines)
        return min(
            range(count + 1), key=lambda k: max(title + sum(tall[0][: count - k]), table + sum(tall[1][count - k :]))
        )

    def column(self, width: float, page: int, pages: int, lines: list[str]) -> tuple[list[Item], float]:
        """Return title block, scale bar and notes, in a column at the lower right, and its height."""
        f = self.frame
        items, tall = title_block(self.model, self.scale, self.paper, page, pages, f.right, f.bottom, width)
        left = f.right - width
        base = f.bottom + tall
        items += scale_bar(self.scale, left + 4, base + 3, self.model.units)
        notes, needed = notes_items(lines, left + 1.2, 0.0, width - 2.4, self.height)
        top = base + 10 + needed
        notes, _ = notes_items(lines, left + 1.2, top, width - 2.4, self.height)
        return [*items, *notes], top + 1 - f.bottom
