"""Finds free paper for texts: boxes that may not meet, and wide lines they should not cross."""

import math
from collections.abc import Sequence

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.drawing.paper.items import Box, Label
from ctrecon.drawing.paper.lettering import box_of

__all__ = ["Space", "meets", "spread", "union"]

Point = tuple[float, float]

CROSSED = 400.0
"""What a line through a text costs, in mm of distance: it is drawn only where nothing else is left."""


def meets(a: Box, b: Box, gap: float = 0.0) -> bool:
    """Return whether two boxes overlap or come nearer than `gap`."""
    return a[0] < b[2] + gap and b[0] < a[2] + gap and a[1] < b[3] + gap and b[1] < a[3] + gap


def spread(values: list[float], gap: float) -> list[float]:
    """Move sorted values apart until neighbours are `gap` away, keeping groups centred."""
    groups = [[v] for v in values]
    merged = True
    while merged:
        merged = False
        for i in range(len(groups) - 1):
            a, b = groups[i], groups[i + 1]
            half_a, half_b = gap * (len(a) - 1) / 2, gap * (len(b) - 1) / 2
            if sum(b) / len(b) - half_b - (sum(a) / len(a) + half_a) < gap - 1e-9:
                groups[i : i + 2] = [a + b]
                merged = True
                break
    out: list[float] = []
    for group in groups:
        middle = sum(group) / len(group)
        out += [middle + gap * (k - (len(group) - 1) / 2) for k in range(len(group))]
    return out


def union(boxes: list[Box]) -> Box:
    """Return the box around boxes."""
    lefts, bottoms, rights, tops = zip(*boxes, strict=True)
    return min(lefts), min(bottoms), max(rights), max(tops)


def _through(box: Box, lines: Floats) -> int:
    """Return how many of the lines (N, 4: from x, y to x, y) enter the box."""
    if not len(lines):
        return 0
    low, high = np.zeros(len(lines)), np.ones(len(lines))
    for axis in (0, 1):
        start, step = lines[:, axis], lines[:, axis + 2] - lines[:, axis]
        still = np.abs(step) < 1e-12
        step = np.where(still, 1e-12, step)
        one, two = (box[axis] - start) / step, (box[axis + 2] - start) / step
        low, high = np.maximum(low, np.minimum(one, two)), np.minimum(high, np.maximum(one, two))
    return int(np.count_nonzero(low <= high))


def _entered(boxes: Floats, a: Point, b: Point) -> bool:
    """Return whether the line from a to b enters one of the boxes (N, 4)."""
    if not len(boxes):
        return False
    low, high = np.zeros(len(boxes)), np.ones(len(boxes))
    for axis in (0, 1):
        step = b[axis] - a[axis] or 1e-12
        one, two = (boxes[:, axis] - a[axis]) / step, (boxes[:, axis + 2] - a[axis]) / step
        low, high = np.maximum(low, np.minimum(one, two)), np.minimum(high, np.maximum(one, two))
    return bool(np.any(low <= high))


def _crossings(a: Point, b: Point, lines: Floats) -> int:
    """Return how many of the lines cross the line from a to b."""
    if not len(lines):
        return 0
    ax, ay, bx, by = lines.T
    dx, dy, ex, ey = b[0] - a[0], b[1] - a[1], bx - ax, by - ay
    one = (dx * (ay - a[1]) - dy * (ax - a[0])) * (dx * (by - a[1]) - dy * (bx - a[0])) < 0
    two = (ex * (a[1] - ay) - ey * (a[0] - ax)) * (ex * (b[1] - ay) - ey * (b[0] - ax)) < 0
    return int(np.count_nonzero(one & two))


def _any_meets(boxes: Floats, box: Box, gap: float) -> bool:
    """Return whether one of the boxes (N, 4) comes nearer to the box than `gap`."""
    apart = (boxes[:, 0] >= box[2] + gap) | (boxes[:, 2] <= box[0] - gap)
    apart |= (boxes[:, 1] >= box[3] + gap) | (boxes[:, 3] <= box[1] - gap)
    return not bool(np.all(apart))


def _array(rows: Sequence[object], wide: int = 4) -> Floats:
    return np.asarray(rows, dtype=float).reshape(-1, wide)


class Space:
    """The paper of one view: texts placed so far and the lines drawn so far."""

    def __init__(self) -> None:
        self.boxes: list[Box] = []
        self.wide: list[tuple[Point, Point]] = []
        self.thin: list[tuple[Point, Point]] = []

    def add_path(self, points: list[Point], *, closed: bool = True) -> None:
        """Remember a wide contour."""
        ends = points[1:] + points[:1] if closed else points[1:]
        self.wide += zip(points, ends, strict=False)

    def is_free(self, box: Box, gap: float = 0.8) -> bool:
        """Return whether no text stands in the box."""
        return not any(meets(box, other, gap) for other in self.boxes)

    def is_clear(self, box: Box, gap: float = 0.5) -> bool:
        """Return whether neither a text nor a line is in the box."""
        return self.is_free(box, gap) and not _through(box, _array([(*a, *b) for a, b in [*self.wide, *self.thin]]))

    def is_barred(self, a: Point, b: Point) -> bool:
        """Return whether a line from a to b would run through a text."""
        return _entered(_array(self.boxes), a, b)

    def crossings(self, a: Point, b: Point) -> int:
        """Return how many lines drawn so far a line from a to b crosses."""
        return _crossings(a, b, _array([(*p, *q) for p, q in [*self.wide, *self.thin]]))

    def within(self, ring: Sequence[Point], wide: float, tall: float) -> Point | None:
        """Return the middle of a text in the widest part of a ring and claim it, None where it meets something."""
        from shapely import maximum_inscribed_circle
        from shapely.geometry import Polygon

        radius = maximum_inscribed_circle(Polygon(ring).buffer(0))
        if radius.is_empty or radius.length < math.hypot(wide, tall) / 2 + 1.0:
            return None
        x, y = radius.coords[0]
        box = (x - wide / 2, y - tall / 2, x + wide / 2, y + tall / 2)
        if not self.is_clear(box):
            return None
        self.boxes.append(box)
        return x, y

    def label(self, text: str, height: float, spots: Sequence[Point]) -> Label:
        """Return a text at the first of these middles of its base line where it meets nothing; the last if it must."""
        label = Label(text, spots[-1], height, "centre")
        for spot in spots:
            label = Label(text, spot, height, "centre")
            if self.is_clear(box_of(label)):
                break
        self.boxes.append(box_of(label))
        return label

    def is_crossed(self, middle: Point, half_wide: float, half_tall: float, angle_deg: float) -> bool:
        """Return whether a line runs through a text turned by any angle."""
        c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))

        def local(p: Point) -> Point:
            x, y = p[0] - middle[0], p[1] - middle[1]
            return x * c + y * s, y * c - x * s

        box = (-half_wide, -half_tall, half_wide, half_tall)
        return _through(box, _array([(*local(a), *local(b)) for a, b in [*self.wide, *self.thin]])) > 0

    def callout(
        self, anchor: Point, reach: float, width: float, height: float, outward: Point, *, pull: float = 1.0
    ) -> Point:
        """Choose the middle of a text box near an anchor, whatever it costs, and claim it: see `nearby`."""
        place = self.nearby(anchor, reach, width, height, outward, pull=pull, rings=40)
        if place is None:  # nothing free near: go straight up beyond everything placed
            x, y = anchor[0], max(b[3] for b in self.boxes) + height
            self._claim(anchor, (x, y), (x - width / 2, y - height, x + width / 2, y + height), width)
            return x, y
        return place

    # many: how far, how wide and which way to search, each asked for by some caller
    def nearby(
        self,
        anchor: Point,
        reach: float,
        width: float,
        height: float,
        outward: Point,
        *,
        pull: float,
        rings: int,
        leader: bool = True,
        clear: bool = False,
    ) -> Point | None:
        """Choose the middle of a text box near an anchor and claim it.

        Parameters
        ----------
        anchor : (x, y)
            Where the leader starts.
        reach : float
            Nearest distance from the anchor, mm.
        width, height : float
            Size of the text, mm.
        outward : (x, y)
            Direction that is preferred.
        pull : float
            How much distance counts against crossing lines.
        rings : int
            How far to look, in steps of 2.5 mm.
        leader : bool
            Whether a line is drawn from the anchor; a text without one must not meet a wide line.
        clear : bool
            Whether a text must be clear of all lines, whatever the distance.

        Returns
        -------
        (x, y) or None
            Middle of the text, None where all is taken. The cheapest of some hundred places that meet no text:
            near, without a line through it, its leader crossing few lines.
        """
        best: tuple[float, Point, Box] | None = None
        prefer = math.atan2(outward[1], outward[0]) if outward != (0.0, 0.0) else math.radians(35)
        wide, thin, boxes = _array(self.wide), _array(self.thin), _array(self.boxes)
        grown = boxes + np.array([-1.0, -1.0, 1.0, 1.0])
        for ring in range(rings):
            distance = reach + 2.5 * ring
            if best is not None and best[0] < pull * distance:
                break
            for k in range(24):
                angle = math.radians(15 * k + 7)
                # beside its own landing point, so the leader never turns back under the text
                x = anchor[0] + math.cos(angle) * distance + math.copysign(width / 2 + 0.5, math.cos(angle))
                y = anchor[1] + math.sin(angle) * distance
                box = (x - width / 2 - 1, y - height / 2 - 1.1, x + width / 2 + 1, y + height / 2 + 0.5)
                cost = pull * distance + 4.0 * (1 - math.cos(angle - prefer))
                if (best is not None and cost >= best[0]) or _any_meets(boxes, box, 0.8):
                    continue
                edge = (x - math.copysign(width / 2, math.cos(angle)), y - height / 2 - 0.7)
                crossed = _through(box, wide)
                if (leader and _entered(grown, anchor, edge)) or (crossed and (clear or not leader)):
                    continue
                crossed += _through(box, thin)
                if crossed and clear:
                    continue
                cost += CROSSED * crossed
                cost += 6.0 * _crossings(anchor, edge, thin) + 1.5 * _crossings(anchor, edge, wide)
                if best is None or cost < best[0]:
                    best = (cost, (x, y), box)
        if best is None:
            return None
        self._claim(anchor, best[1], best[2], width, leader=leader)
        return best[1]

    def _claim(self, anchor: Point, place: Point, box: Box, width: float, *, leader: bool = True) -> None:
        self.boxes.append(box)
        if leader:
            self.thin.append((anchor, (place[0] - math.copysign(width / 2, place[0] - anchor[0]), place[1])))
