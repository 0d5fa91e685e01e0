"""What a sheet is made of, in paper mm: lines, hatches, texts and dimensions, all plain data."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from ctrecon.drawing.paper.contours import Contour

__all__ = [
    "FIGURE_GAP_MM", "Angular", "Block", "Box", "Diameter", "Hatch", "Item", "Label", "Line", "Linear", "Ordinate",
    "Page", "Radius", "Shape", "Sheet", "moved",
]  # fmt: skip

Point = tuple[float, float]
Box = tuple[float, float, float, float]
"""Left, bottom, right, top in paper mm."""

FIGURE_GAP_MM = 1.2
"""A figure's base line stands this far above its line: letters such as g and □ reach down by 0.9 mm."""


@dataclass(frozen=True)
class Line:
    """A straight line; style is the layer it goes on: WIDE, NARROW, CENTRE, HIDDEN, FRAME."""

    start: Point
    end: Point
    style: str = "NARROW"


@dataclass(frozen=True)
class Shape:
    """A closed or open contour."""

    contour: Contour
    style: str = "WIDE"


@dataclass(frozen=True)
class Hatch:
    """A hatched polygon with holes; the angle of the hatch lines tells the pieces apart."""

    outer: tuple[Point, ...]
    holes: tuple[tuple[Point, ...], ...] = ()
    angle_deg: float = 45.0
    solid: bool = False


@dataclass(frozen=True)
class Label:
    """One line of text; `at` is its left, centre or right end on the base line."""

    text: str
    at: Point
    height: float = 2.5
    align: str = "left"
    rotation_deg: float = 0.0


@dataclass(frozen=True)
class Linear:
    """A dimension between two points along a direction; the text moves to `place`, turned, with or without a leader."""

    first: Point
    second: Point
    base: Point
    angle_deg: float
    text: str
    decimals: int
    place: Point | None = None
    factor: float = 1.0
    leader: bool = True
    turn_deg: float = 0.0


@dataclass(frozen=True)
class Diameter:
    """A diameter with its text outside, at the end of a leader."""

    centre: Point
    radius: float
    place: Point
    text: str
    decimals: int
    factor: float = 1.0


@dataclass(frozen=True)
class Radius:
    """A radius with its text at the end of a leader, which meets it at `landing` where that is chosen."""

    centre: Point
    radius: float
    place: Point
    text: str
    decimals: int
    factor: float = 1.0
    landing: Point | None = None


@dataclass(frozen=True)
class Angular:
    """An angle from one direction to another, anticlockwise."""

    centre: Point
    radius: float
    from_deg: float
    to_deg: float
    text: str
    decimals: int


@dataclass(frozen=True)
class Ordinate:
    """A coordinate from the origin; the leader ends at `end`, where the text begins."""

    point: Point
    end: Point
    origin: Point
    axis: str
    text: str
    decimals: int


Item = Line | Shape | Hatch | Label | Linear | Diameter | Radius | Angular | Ordinate


def moved(item: Item, dx: float, dy: float) -> Item:
    """Return the item shifted by (dx, dy) paper mm."""

    def go(point: Point) -> Point:
        return point[0] + dx, point[1] + dy

    match item:
        case Line():
            return replace(item, start=go(item.start), end=go(item.end))
        case Shape():
            return replace(item, contour=item.contour.placed(1.0, dx, dy))
        case Hatch():
            holes = tuple(tuple(go(p) for p in ring) for ring in item.holes)
            return replace(item, outer=tuple(go(p) for p in item.outer), holes=holes)
        case Label():
            return replace(item, at=go(item.at))
        case Linear():
            place = None if item.place is None else go(item.place)
            return replace(item, first=go(item.first), second=go(item.second), base=go(item.base), place=place)
        case Radius():
            landing = None if item.landing is None else go(item.landing)
            return replace(item, centre=go(item.centre), place=go(item.place), landing=landing)
        case Diameter():
            return replace(item, centre=go(item.centre), place=go(item.place))
        case Angular():
            return replace(item, centre=go(item.centre))
    return replace(item, point=go(item.point), end=go(item.end), origin=go(item.origin))


@dataclass(frozen=True)
class Block:
    """Items that belong together (one view) and the paper they need."""

    items: tuple[Item, ...]
    box: Box

    @property
    def width(self) -> float:
        """Width in paper mm."""
        return self.box[2] - self.box[0]

    @property
    def height(self) -> float:
        """Height in paper mm."""
        return self.box[3] - self.box[1]

    def at(self, left: float, bottom: float) -> "Block":
        """Return the block with its lower left corner at (left, bottom)."""
        dx, dy = left - self.box[0], bottom - self.box[1]
        box = (left, bottom, self.box[2] + dx, self.box[3] + dy)
        return Block(tuple(moved(item, dx, dy) for item in self.items), box)


@dataclass(frozen=True)
class Page:
    """One sheet of paper; (0, 0) is its lower left corner."""

    items: tuple[Item, ...]


@dataclass(frozen=True)
class Sheet:
    """All pages of a drawing, of one size and one scale.

    A dimension's own `factor` tells how much larger than the sheet's scale it is drawn (in a detail).
    """

    title: str
    paper: str
    width_mm: float
    height_mm: float
    scale: float
    pages: Sequence[Page]
    units: str = "mm"
