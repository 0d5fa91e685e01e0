"""Finds free paper for texts: boxes that may not meet, and wide lines they should not cross."""

import math

from ctrecon.drawing.items import Box

__all__ = ["Space", "meets", "union"]

Point = tuple[float, float]


def meets(a: Box, b: Box, gap: float = 0.0) -> bool:
    """Tell whether two boxes overlap or come nearer than `gap`."""
    return a[0] < b[2] + gap and b[0] < a[2] + gap and a[1] < b[3] + gap and b[1] < a[3] + gap


def union(boxes: list[Box]) -> Box:
    """Return the box around boxes."""
    lefts, bottoms, rights, tops = zip(*boxes, strict=True)
    return min(lefts), min(bottoms), max(rights), max(tops)


def _hits(box: Box, a: Point, b: Point) -> bool:
    """Tell whether the straight line from a to b enters the box (clipping by its four sides)."""
    low, high = 0.0, 1.0
    for axis in (0, 1):
        d = b[axis] - a[axis]
        if abs(d) < 1e-12:
            if not box[axis] <= a[axis] <= box[axis + 2]:
                return False
            continue
        t = sorted(((box[axis] - a[axis]) / d, (box[axis + 2] - a[axis]) / d))
        low, high = max(low, t[0]), min(high, t[1])
        if low > high:
            return False
    return True


def _cross(a: Point, b: Point, c: Point, d: Point) -> bool:
    def side(p: Point, q: Point, r: Point) -> float:
        return (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])

    return side(a, b, c) * side(a, b, d) < 0 and side(c, d, a) * side(c, d, b) < 0


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
        """Tell whether no text stands in the box."""
        return not any(meets(box, other, gap) for other in self.boxes)

    def is_crossed(self, middle: Point, half_wide: float, half_tall: float, angle_deg: float) -> bool:
        """Tell whether a line runs through a text turned by any angle."""
        c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))

        def local(p: Point) -> Point:
            x, y = p[0] - middle[0], p[1] - middle[1]
            return x * c + y * s, y * c - x * s

        box = (-half_wide, -half_tall, half_wide, half_tall)
        return any(_hits(box, local(a), local(b)) for a, b in [*self.wide, *self.thin])

    def callout(self, anchor: Point, reach: float, width: float, height: float, outward: Point) -> Point:
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

        Returns
        -------
        (x, y)
            Middle of the text. The cheapest of some hundred places that meet no text:
            near, without a line through it, its leader crossing few lines.
        """
        best: tuple[float, Point, Box] | None = None
        prefer = math.atan2(outward[1], outward[0]) if outward != (0.0, 0.0) else math.radians(35)
        for ring in range(40):
            distance = reach + 2.5 * ring
            if best is not None and best[0] < distance:
                break
            for k in range(24):
                angle = math.radians(15 * k + 7)
                # beside its own landing point, so the leader never turns back under the text
                x = anchor[0] + math.cos(angle) * distance + math.copysign(width / 2 + 0.5, math.cos(angle))
                y = anchor[1] + math.sin(angle) * distance
                box = (x - width / 2 - 1, y - height / 2 - 1.1, x + width / 2 + 1, y + height / 2 + 0.5)
                if not self.is_free(box):
                    continue
                edge = (x - math.copysign(width / 2, math.cos(angle)), y - height / 2 - 0.7)
                if any(_hits((b[0] - 1, b[1] - 1, b[2] + 1, b[3] + 1), anchor, edge) for b in self.boxes):
                    continue
                cost = distance + 4.0 * (1 - math.cos(angle - prefer))
                cost += 40.0 * any(_hits(box, a, b) for a, b in self.wide)
                cost += 12.0 * sum(_hits(box, a, b) for a, b in self.thin)
                cost += 6.0 * sum(_cross(anchor, edge, a, b) for a, b in self.thin)
                cost += 1.5 * sum(_cross(anchor, edge, a, b) for a, b in self.wide)
                if best is None or cost < best[0]:
                    best = (cost, (x, y), box)
        if best is None:  # nothing free near: go straight out beyond everything placed
            top = max((b[3] for b in self.boxes), default=anchor[1]) + height
            best = (0.0, (anchor[0], top), (anchor[0] - width / 2, top - height, anchor[0] + width / 2, top + height))
        _, place, box = best
        self.boxes.append(box)
        self.thin.append((anchor, (place[0] - math.copysign(width / 2, place[0] - anchor[0]), place[1])))
        return place
