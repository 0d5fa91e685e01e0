"""Closed contours of lines and arcs: made from features, cut by relief circles, measured.

X right, Y up, anticlockwise; a vertex carries the bulge of the stretch that follows it
(bulge = tan(sweep / 4), positive anticlockwise), as DXF polylines do.
"""

import itertools
import math
from dataclasses import dataclass

from ctrecon.shapes import ArcShape, Vertex

__all__ = [
    "Contour",
    "circle",
    "contour_of",
    "cut_by_circle",
    "mirrored_x",
    "polyline",
    "ring_sector",
    "sector_with_chord",
]

TURN = 2 * math.pi


@dataclass(frozen=True)
class Contour:
    """Vertices (x, y, bulge); `round_of` is (x, y, radius) where it is one whole circle."""

    vertices: tuple[Vertex, ...]
    closed: bool = True
    round_of: tuple[float, float, float] | None = None

    def segments(self) -> list[tuple[Vertex, Vertex]]:
        """Return the stretches as (vertex, next vertex)."""
        pairs = list(zip(self.vertices, self.vertices[1:], strict=False))
        return [*pairs, (self.vertices[-1], self.vertices[0])] if self.closed else pairs

    def points(self, step_deg: float = 2.0) -> list[tuple[float, float]]:
        """Return points along it, arcs in steps of at most `step_deg`."""
        out: list[tuple[float, float]] = []
        for a, b in self.segments():
            out.append(a[:2])
            if a[2]:
                sweep = 4 * math.atan(a[2])
                n = max(1, math.ceil(math.degrees(abs(sweep)) / step_deg - 1e-9))
                (cx, cy), radius = _arc(a, b)
                start = math.atan2(a[1] - cy, a[0] - cx)
                turns = [start + sweep * i / n for i in range(1, n)]
                out += [(cx + radius * math.cos(t), cy + radius * math.sin(t)) for t in turns]
        if not self.closed:
            out.append(self.vertices[-1][:2])
        return out

    def bounds(self) -> tuple[float, float, float, float]:
        """Return left, bottom, right, top."""
        if self.round_of:
            x, y, r = self.round_of
            return x - r, y - r, x + r, y + r
        xs, ys = zip(*self.points(), strict=True)
        return min(xs), min(ys), max(xs), max(ys)

    def placed(self, scale: float, dx: float, dy: float) -> "Contour":
        """Return it scaled about the origin, then shifted."""
        whole = None
        if self.round_of:
            x, y, r = self.round_of
            whole = (x * scale + dx, y * scale + dy, r * scale)
        moved = tuple((x * scale + dx, y * scale + dy, b) for x, y, b in self.vertices)
        return Contour(moved, self.closed, whole)

    def turned(self, angle: float) -> "Contour":
        """Return it turned about the origin (radians, anticlockwise)."""
        c, s = math.cos(angle), math.sin(angle)
        whole = None
        if self.round_of:
            x, y, r = self.round_of
            whole = (x * c - y * s, x * s + y * c, r)
        return Contour(tuple((x * c - y * s, x * s + y * c, b) for x, y, b in self.vertices), self.closed, whole)

    def area(self) -> float:
        """Return the enclosed area, exact for lines and arcs."""
        total = 0.0
        for a, b in self.segments():
            total += (a[0] * b[1] - b[0] * a[1]) / 2
            if a[2]:
                sweep, radius = 4 * math.atan(a[2]), _arc(a, b)[1]
                total += radius**2 * (sweep - math.sin(sweep)) / 2
        return abs(total)

    def length(self) -> float:
        """Return the length along it."""
        total = 0.0
        for a, b in self.segments():
            total += abs(4 * math.atan(a[2])) * _arc(a, b)[1] if a[2] else math.dist(a[:2], b[:2])
        return total


def _arc(a: Vertex, b: Vertex) -> tuple[tuple[float, float], float]:
    """Return centre and radius of the arc from a to b."""
    bulge = a[2]
    chord = math.dist(a[:2], b[:2])
    radius = chord * (1 + bulge**2) / (4 * abs(bulge))
    reach = (1 - bulge**2) / (4 * bulge)  # centre from mid chord, in chords, to the left
    mx, my = (a[0] + b[0]) / 2, (a[1] + b[1]) / 2
    return (mx - (b[1] - a[1]) * reach, my + (b[0] - a[0]) * reach), radius


def _along(a: Vertex, b: Vertex, t: float) -> tuple[float, float]:
    if not a[2]:
        return a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t
    (cx, cy), radius = _arc(a, b)
    angle = math.atan2(a[1] - cy, a[0] - cx) + 4 * math.atan(a[2]) * t
    return cx + radius * math.cos(angle), cy + radius * math.sin(angle)


def mirrored_x(contour: Contour) -> Contour:
    """Return the contour as seen from behind: X changes sign, and arcs turn the other way."""
    whole = contour.round_of and (-contour.round_of[0], contour.round_of[1], contour.round_of[2])
    return Contour(tuple((-x, y, -bulge) for x, y, bulge in contour.vertices), contour.closed, whole)


def contour_of(shape: ArcShape) -> Contour:
    """Return the exact outline of a shape."""
    return Contour(shape.vertices(), True, shape.round_of)


def circle(x: float, y: float, radius: float) -> Contour:
    """Return a whole circle as two half arcs."""
    return Contour(((x + radius, y, 1.0), (x - radius, y, 1.0)), True, (x, y, radius))


def sector_with_chord(x: float, y: float, radius: float, from_deg: float, sweep_deg: float) -> Contour:
    """Return an arc of a circle closed by its chord (a rim that lost a stretch)."""
    a, sweep = math.radians(from_deg), math.radians(sweep_deg)
    half = math.tan(sweep / 8)  # two arcs, so a bulge never exceeds 1
    spots = [(x + radius * math.cos(a + sweep * k / 2), y + radius * math.sin(a + sweep * k / 2)) for k in range(3)]
    return Contour(((*spots[0], half), (*spots[1], half), (*spots[2], 0.0)))


def ring_sector(x: float, y: float, outer: float, inner: float, from_deg: float, sweep_deg: float) -> Contour:
    """Return a stretch of a ring between two radii, closed by radial lines."""
    out = sector_with_chord(x, y, outer, from_deg, sweep_deg).vertices
    back = sector_with_chord(x, y, inner, from_deg, sweep_deg).vertices
    turned = ((*back[2][:2], -back[1][2]), (*back[1][:2], -back[0][2]), (*back[0][:2], 0.0))
    return Contour((*out[:2], (*out[2][:2], 0.0), *turned))


def polyline(points: list[tuple[float, float]]) -> Contour:
    """Return a closed contour through points; a repeated last point is dropped."""
    if len(points) > 1 and math.dist(points[0], points[-1]) < 1e-9:
        points = points[:-1]
    around = zip(points, points[1:] + points[:1], strict=True)
    if sum(a[0] * b[1] - b[0] * a[1] for a, b in around) < 0:
        points = points[::-1]
    return Contour(tuple((px, py, 0.0) for px, py in points))


def _crossings(a: Vertex, b: Vertex, x: float, y: float, r: float) -> list[float]:
    """Return where (0 < t < 1) the stretch from a to b crosses the circle."""
    found: list[float] = []
    if not a[2]:
        dx, dy, fx, fy = b[0] - a[0], b[1] - a[1], a[0] - x, a[1] - y
        aa, bb, cc = dx * dx + dy * dy, fx * dx + fy * dy, fx * fx + fy * fy - r * r
        root = bb * bb - aa * cc
        if aa > 0 and root > 0:
            found = [(-bb - math.sqrt(root)) / aa, (-bb + math.sqrt(root)) / aa]
    else:
        (cx, cy), radius = _arc(a, b)
        gap = math.hypot(x - cx, y - cy)
        if gap > 1e-9 * r and abs(radius - r) < gap < radius + r:  # arcs about one centre meet nowhere
            base = math.atan2(y - cy, x - cx)
            spread = math.acos((radius**2 + gap**2 - r**2) / (2 * radius * gap))
            start, sweep = math.atan2(a[1] - cy, a[0] - cx), 4 * math.atan(a[2])
            sign = math.copysign(1.0, sweep)
            found = [((sign * (base + d - start)) % TURN) / abs(sweep) for d in (-spread, spread)]
    return sorted(t for t in found if 1e-9 < t < 1 - 1e-9)


def cut_by_circle(outer: Contour, x: float, y: float, radius: float) -> Contour | None:
    """Return the contour with the circle taken away, or None where its rim does not cross it."""
    parts: list[tuple[Vertex, Vertex, bool]] = []
    for a, b in outer.segments():
        stops = [0.0, *_crossings(a, b, x, y, radius), 1.0]
        for t0, t1 in itertools.pairwise(stops):
            bulge = math.tan(math.atan(a[2]) * (t1 - t0))
            p, q = _along(a, b, t0), _along(a, b, t1)
            inside = math.dist(_along(a, b, (t0 + t1) / 2), (x, y)) < radius
            parts.append(((*p, bulge), (*q, 0.0), inside))
    inside_flags = [part[2] for part in parts]
    if all(inside_flags) or not any(inside_flags):
        return None
    first = next(i for i in range(len(parts)) if inside_flags[i - 1] and not inside_flags[i])
    parts = parts[first:] + parts[:first]
    out: list[Vertex] = []
    entry: tuple[float, float] | None = None
    for i, (a, b, inside) in enumerate(parts):
        if not inside:
            out.append(a)
            continue
        entry = entry or a[:2]
        if i + 1 == len(parts) or not parts[i + 1][2]:
            # the disk lies to the right of the new boundary: its arc runs clockwise
            sweep = (math.atan2(entry[1] - y, entry[0] - x) - math.atan2(b[1] - y, b[0] - x)) % TURN
            out.append((*entry, -math.tan(sweep / 4)))
            entry = None
    return Contour(tuple(out))
