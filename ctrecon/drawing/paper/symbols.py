"""Drawn signs: projection symbol, datum marks, axis letters, the circle about a detail."""

import math

from ctrecon.drawing.paper.contours import Contour, circle, polyline
from ctrecon.drawing.paper.items import Box, Hatch, Item, Label, Line, Point, Shape
from ctrecon.drawing.paper.lettering import text_width
from ctrecon.drawing.paper.placing import Space

__all__ = [
    "AXIS_DATUM", "FACE_DATUM", "axis_letters", "balloon", "datum_box", "datum_triangle", "detail_circle",
    "projection_symbol",
]  # fmt: skip

AXIS_DATUM, FACE_DATUM = "D", "E"
"""Letters of the datum axis and of the start face; A is the section's, B and C those of details and end views."""

LETTER = 3.5


def projection_symbol(projection: str, left: float, bottom: float, height: float) -> tuple[list[Item], float]:
    """Draw a truncated cone in two views (ISO 5456-2); also return the width it took.

    The small end looks left. Seen from there both circles show: first angle puts that view on
    the far side, beside the large end; third angle on the near side, beside the small end.
    """
    large, small, long = height / 2, height / 4, height
    gap = height * 0.35
    middle = bottom + height / 2
    cone_left = left if projection == "first" else left + height + gap
    round_x = left + long + gap + large if projection == "first" else left + large
    cone = Contour(
        (
            (cone_left, middle - small, 0.0), (cone_left + long, middle - large, 0.0),
            (cone_left + long, middle + large, 0.0), (cone_left, middle + small, 0.0),
        )
    )  # fmt: skip
    items: list[Item] = [Shape(cone, "WIDE")]
    items += [Shape(circle(round_x, middle, radius), "WIDE") for radius in (large, small)]
    over = height * 0.12
    items.append(Line((cone_left - over, middle), (cone_left + long + over, middle), "CENTRE"))
    items.append(Line((round_x - large - over, middle), (round_x + large + over, middle), "CENTRE"))
    items.append(Line((round_x, middle - large - over), (round_x, middle + large + over), "CENTRE"))
    return items, 2 * height + gap


def datum_triangle(tip: Point, towards_deg: float, size: float = 2.4) -> list[Item]:
    """Draw a filled triangle whose base lies on the datum at `tip`, pointing away from it."""
    a = math.radians(towards_deg)
    c, s = math.cos(a), math.sin(a)
    half = size / 2
    corners = ((tip[0] - s * half, tip[1] + c * half), (tip[0] + s * half, tip[1] - c * half))
    return [Hatch((*corners, (tip[0] + c * size, tip[1] + s * size)), solid=True)]


def datum_box(letter: str, middle: Point) -> tuple[list[Item], Box]:
    """Draw a datum letter in its frame (ISO 5459); also return the paper it takes."""
    half = max(3.0, text_width(letter, LETTER) / 2 + 1.2)
    x, y = middle
    box = (x - half, y - 3.0, x + half, y + 3.0)
    corners = [(box[0], box[1]), (box[2], box[1]), (box[2], box[3]), (box[0], box[3])]
    items: list[Item] = [Line(a, b, "NARROW") for a, b in zip(corners, corners[1:] + corners[:1], strict=True)]
    items.append(Label(letter, (x, y - LETTER / 2), LETTER, "centre"))
    return items, box


def axis_letters(box: Box, space: Space, *, mirrored: bool = False) -> list[Item]:
    """Draw which way X and Y run, at the ends of the datum's cross, each letter where paper is free."""
    step = -1.0 if mirrored else 1.0
    x = box[0] - 6.0 if mirrored else box[2] + 6.0
    y = box[3] + 8.5
    items: list[Item] = [
        Hatch(((x, 0.0), (x - step * 2.2, 0.5), (x - step * 2.2, -0.5)), solid=True),
        Hatch(((0.0, y + 1.5), (0.5, y - 0.7), (-0.5, y - 0.7)), solid=True),
    ]
    space.thin += [((x - step * 6.0, 0.0), (x, 0.0)), ((0.0, box[3]), (0.0, y + 1.5))]
    aside = x + step * 1.8
    spots = [(x, 1.2), (x, -3.8), (aside, -1.25), (aside + step * 2.5, -1.25)]
    items.append(space.label("X", 2.5, spots))
    items.append(space.label("Y", 2.5, [(2.2, y - 1.0), (-2.2, y - 1.0), (0.0, y + 2.2), (2.2, y + 2.0)]))
    return items


def detail_circle(middle: Point, radius: float) -> Item:
    """Draw the narrow circle about what a detail shows."""
    return Shape(circle(*middle, radius), "NARROW")


def balloon(number: str, at: Point, tip: Point) -> tuple[list[Item], Box]:
    """Draw an item number in a circle with a leader that ends in a dot on the piece (ISO 6433)."""
    radius = 3.5
    length = math.dist(at, tip)
    items: list[Item] = [Shape(circle(*at, radius), "NARROW"), Label(number, (at[0], at[1] - 1.75), 3.5, "centre")]
    if length > radius:
        share = radius / length
        start = (at[0] + (tip[0] - at[0]) * share, at[1] + (tip[1] - at[1]) * share)
        ring = [(tip[0] + 0.5 * math.cos(k * math.pi / 4), tip[1] + 0.5 * math.sin(k * math.pi / 4)) for k in range(8)]
        items += [Line(start, tip, "NARROW"), Hatch(tuple((x, y) for x, y, _ in polyline(ring).vertices), solid=True)]
    return items, (at[0] - radius, at[1] - radius, at[0] + radius, at[1] + radius)
