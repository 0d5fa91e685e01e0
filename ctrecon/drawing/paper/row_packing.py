"""Puts blocks side by side on shelves: over the whole width above the words, beside them below."""

from dataclasses import dataclass

from ctrecon.drawing.paper.items import Block, Item
from ctrecon.drawing.paper.placing import union

__all__ = ["GAP", "FreeArea", "Shelf", "arrange", "fill_shelves", "joined"]

GAP = 6.0
"""Space between blocks, mm."""


@dataclass(frozen=True)
class FreeArea:
    """Free paper: the whole width from `top` down to `floor`, then a narrower stretch down to `side_floor`."""

    left: float
    right: float
    top: float
    floor: float
    side_left: float
    side_right: float
    side_floor: float

    def span(self, bottom: float) -> tuple[float, float]:
        """Return left and right of what is free down to a height on paper; nothing where that is too low."""
        if bottom >= self.floor - 1e-9:
            return self.left, self.right
        if bottom >= self.side_floor - 1e-9:
            return self.side_left, self.side_right
        return 0.0, 0.0

    def corner(self) -> "FreeArea":
        """Return what is left above the words where the first shelf stands beside them down from the top."""
        left, right = self.left, self.side_left - GAP
        if self.right - self.side_right > right - left:
            left, right = self.side_right + GAP, self.right
        return FreeArea(left, right, self.top, self.floor, left, right, self.floor)


@dataclass(frozen=True)
class Shelf:
    """Blocks side by side whose datum axes lie at one height."""

    blocks: tuple[Block, ...]
    corner: "tuple[Shelf, ...]" = ()
    """Shelves on the paper that is free above the words, where this one stands beside them."""

    @property
    def up(self) -> float:
        """Height above the datum axis, mm."""
        return max(b.box[3] for b in self.blocks)

    @property
    def tall(self) -> float:
        """Whole height, mm."""
        return self.up - min(b.box[1] for b in self.blocks)

    @property
    def wide(self) -> float:
        """Width with gaps, mm."""
        return sum(b.width for b in self.blocks) + GAP * (len(self.blocks) - 1)


def joined(blocks: list[Block]) -> Block:
    """Set blocks side by side as one, their datum axes at one height."""
    items: list[Item] = []
    boxes = []
    x = 0.0
    for block in blocks:
        placed = block.at(x, block.box[1])
        items += placed.items
        boxes.append(placed.box)
        x += block.width + GAP
    return Block(tuple(items), union(boxes))


def fill_shelves(
    blocks: list[Block], room: FreeArea, *, corner: bool = False
) -> tuple[list[Shelf], list[Block]] | None:
    """Fill shelves from the left, downwards; return the shelves and what is left over.

    `corner`: where the first shelf stands beside the words, the paper above these is filled too. None where the next
    block fits no empty page.
    """
    shelves: list[Shelf] = []
    rest = list(blocks)
    y = room.top
    while rest:
        shelf = _next_shelf(rest, room, y, room.left, room.right) or _next_shelf(
            rest, room, y, room.side_left, room.side_right
        )
        if shelf is None:
            return (shelves, rest) if shelves else None
        rest = rest[len(shelf.blocks) :]
        if corner and not shelves and rest and room.top - shelf.tall < room.floor:
            more, rest = fill_shelves(rest, room.corner()) or ([], rest)
            shelf = Shelf(shelf.blocks, tuple(more))
        shelves.append(shelf)
        y -= shelf.tall + GAP
    return shelves, []


def _next_shelf(rest: list[Block], room: FreeArea, y: float, left: float, right: float) -> Shelf | None:
    """Return the longest shelf of the next blocks that fits between left and right below y."""
    best: Shelf | None = None
    for count in range(1, len(rest) + 1):
        shelf = Shelf(tuple(rest[:count]))
        if shelf.wide > right - left:
            break
        free = room.span(y - shelf.tall)
        if free[0] > left + 1e-9 or free[1] < right - 1e-9:
            continue
        best = shelf
    return best


def arrange(shelves: list[Shelf], room: FreeArea) -> list[Item]:
    """Spread shelves evenly over the free paper."""
    pad = _pad(shelves, room)
    items: list[Item] = []
    y = room.top
    for shelf in shelves:
        items += arrange(list(shelf.corner), room.corner()) if shelf.corner else []
        y -= pad
        left, right = room.span(y - shelf.tall)
        loose = right - left - sum(b.width for b in shelf.blocks)
        x = left
        for block in shelf.blocks:
            x += loose / (len(shelf.blocks) + 1)
            items += block.at(x, y - shelf.up + block.box[1]).items
            x += block.width
        y -= shelf.tall
    return items


def _pad(shelves: list[Shelf], room: FreeArea) -> float:
    """Return the space above each shelf: as much as there is, but no shelf may sink into the words."""
    y = room.top
    full = 0
    low = y
    for shelf in shelves:
        low -= shelf.tall
        y -= shelf.tall
        if room.span(y) == (room.left, room.right):
            full += 1
            above = low
        y -= GAP
    if full == len(shelves):
        return max((low - room.floor) / (full + 1), GAP * (full - 1) / max(full, 1) if full > 1 else 0.0)
    pads = [(low - room.side_floor) / (len(shelves) + 1)]
    if full:
        pads.append((above - room.floor) / (full + 1))
    return max(0.0, min(pads))
