"""Plates: rectangles with round and square holes, a slot, reliefs made by a tool, and a lost corner."""

from dataclasses import replace

import numpy as np
from worn import wear
from worn.common import Room, dress, insert
from worn.render import Layer
from worn.shapes import Distance, Floats, between, box, cut, disc, hole, plate, slot
from worn.truth import Made, True_, TruePiece

_WALL = 6.0  # px of metal between any two holes


class _Layout:
    """Places for holes that keep clear of each other and of the sides."""

    def __init__(self, rng: np.random.Generator, a: float, b: float, edge: float) -> None:
        self.rng, self.a, self.b, self.edge = rng, a, b, edge
        self.taken: list[tuple[float, float, float]] = []

    def place(self, reach: float) -> tuple[float, float] | None:
        """Find a place (along the longer side, along the shorter) for a hole that reaches so far."""
        for _ in range(60):
            u = self.rng.uniform(-1, 1) * (self.a / 2 - self.edge - reach)
            v = self.rng.uniform(-1, 1) * (self.b / 2 - self.edge - reach)
            inside = abs(u) <= self.a / 2 - self.edge - reach and abs(v) <= self.b / 2 - self.edge - reach
            if inside and all(np.hypot(u - p, v - q) >= reach + r + _WALL for p, q, r in self.taken):
                self.taken.append((float(u), float(v), reach))
                return float(u), float(v)
        return None


def _sizes(rng: np.random.Generator, room: Room, turn: float) -> tuple[float, float]:
    """Longer and shorter side of a plate that fits its window when it is turned."""
    c, s = abs(np.cos(np.radians(turn))), abs(np.sin(np.radians(turn)))
    share = float(rng.uniform(0.5, 0.85))
    half = min(room.radius / (c + share * s), room.radius / (s + share * c)) * float(rng.uniform(0.9, 0.99))
    return 2 * half, 2 * half * share


def _holes(
    rng: np.random.Generator, room: Room, layout: _Layout, turn: float, low: float, high: float
) -> tuple[list[Distance], list[True_], list[Layer]]:
    """Slot, square and round holes, the larger first; some hold a rod of another material."""
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    cuts: list[Distance] = []
    truths: list[True_] = []
    rods: list[Layer] = []

    def turned(at: tuple[float, float]) -> tuple[float, float]:
        return float(at[0] * c - at[1] * s), float(at[0] * s + at[1] * c)

    if rng.random() < 0.5:
        width = float(rng.uniform(7, 12)) * room.fine
        length = width * float(rng.uniform(2.0, 3.2))
        at = layout.place(length / 2)
        if at is not None:
            x, y = turned(at)
            own = turn + float(rng.choice([0, 90, rng.uniform(0, 180)]))
            cuts.append(slot(x, y, length, width, own))
            truths.append(
                True_(kind="slot", x=x, y=y, low=low, high=high, pair=(length, width), turn=own, period=180.0)
            )
    for _ in range(int(rng.integers(0, 4))):
        flats = float(rng.uniform(10, 24)) * room.fine
        at = layout.place(flats * 0.71)
        if at is not None:
            x, y = turned(at)
            own = turn if rng.random() < 0.6 else float(rng.uniform(0, 90))
            cuts.append(box(x, y, flats, flats, own, float(rng.uniform(0, 1.2))))
            truths.append(True_(kind="square_hole", x=x, y=y, low=low, high=high, pair=(flats, flats), turn=own))
    for _ in range(int(rng.integers(3, 9))):
        radius = float(rng.uniform(2.5, 9)) * room.fine
        at = layout.place(radius + 1)
        if at is None:
            continue
        x, y = turned(at)
        taper = float(rng.choice([-1, 1])) / 48 if rng.random() < 0.2 else 0.0
        loss = wear.eaten_rim(rng, low, high, 0.2 * room.worn, 3.0)
        end = low + float(rng.uniform(0.5, 0.75)) * (high - low) if rng.random() < 0.12 and high - low > 16 else high
        room_of = hole(x, y, radius, growth=taper / 2, mid=(low + end) / 2, loss=loss)
        cuts.append(room_of if end == high else between(room_of, low - 9, end))
        rod = insert(room, between(room_of, low, end), 0.1)
        rods += rod
        one = True_(kind="round_hole", x=x, y=y, low=low, high=end, diameter=2 * radius, taper=taper)
        truths.append(replace(one, worn=loss is not None, optional=bool(rod)))
    return cuts, truths, rods


def _reliefs(
    rng: np.random.Generator, layout: _Layout, turn: float, low: float, high: float
) -> tuple[list[Distance], list[True_], list[list[tuple[float, float]]]]:
    """Up to two arcs cut by a tool into different sides; also which stretch of each side they take."""
    cuts: list[Distance] = []
    truths: list[True_] = []
    keep: list[list[tuple[float, float]]] = [[], [], [], []]
    count = int(rng.integers(1, 3)) if rng.random() < 0.45 else 0
    for side in rng.permutation(4)[:count]:
        along, across = (layout.b, layout.a) if side % 2 == 0 else (layout.a, layout.b)
        radius = float(rng.uniform(9, min(24, 0.2 * across + 9)))
        off = float(rng.uniform(-0.2, 0.45)) * radius
        half = float(np.sqrt(radius**2 - off**2))
        spare = along / 2 - radius - 14
        if spare < 0:
            continue
        at = float(rng.uniform(-1, 1)) * spare
        angle = np.radians(turn + 90 * side)
        out = across / 2 + off
        x, y = out * np.cos(angle) - at * np.sin(angle), out * np.sin(angle) + at * np.cos(angle)
        keep[side].append((at - half, at + half))
        own = [(out, at), (-at, out), (-out, -at), (at, -out)][side]
        layout.taken.append((own[0], own[1], radius + 2))
        cuts.append(disc(float(x), float(y), radius))
        arc = 2 * float(np.degrees(np.arccos(off / radius)))
        truths.append(
            True_(
                kind="arc_outside", x=float(x), y=float(y), low=low, high=high, diameter=2 * radius, arc=arc, taper=0.0
            )
        )
    return cuts, truths, keep


def _edge_places(
    rng: np.random.Generator, a: float, b: float, turn: float, low: float, high: float, count: int
) -> Floats:
    """Random places on the four sides."""
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    out = []
    for _ in range(count):
        side, t, z = int(rng.integers(4)), rng.uniform(-0.5, 0.5), rng.uniform(low, high)
        u, v = [(a / 2, t * b), (t * a, b / 2), (-a / 2, t * b), (t * a, -b / 2)][side]
        out.append((u * c - v * s, u * s + v * c, z))
    return np.array(out)


def plate_part(rng: np.random.Generator, room: Room) -> Made:
    """A plate as it came out of the mud."""
    thick = float(rng.uniform(12, min(34 * room.fine, 0.9 * room.height)))
    low, high = -thick / 2, thick / 2
    turn = float(rng.uniform(0, 180))
    a, b = _sizes(rng, room, turn)
    layout = _Layout(rng, a, b, 10.0)
    arcs, arc_truths, keep = _reliefs(rng, layout, turn, low, high)
    lost: list[Distance] = []
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    if rng.random() < 0.6 * room.worn:
        p, q = float(rng.choice([-1, 1])), float(rng.choice([-1, 1]))
        u, v = p * a / 2, q * b / 2
        lost.append(wear.lost_corner(rng, u * c - v * s, u * s + v * c, turn, low, high))
        layout.taken.append((u, v, 24.0))
    cuts, truths, rods = _holes(rng, room, layout, turn, low, high)
    losses = [
        wear.eaten_side(rng, b if side % 2 == 0 else a, low, high, 0.6 * room.worn, keep[side]) for side in range(4)
    ]
    metal = cut(between(plate(a, b, turn, losses), low, high), *arcs, *cuts, *lost)
    layers = dress(rng, room, [metal], metal, _edge_places(rng, a, b, turn, low, high, 16)) + rods
    worn = bool(lost) or any(one is not None for one in losses)
    outside = True_(kind="rectangular_outside", low=low, high=high, pair=(a, b), turn=turn, period=180.0, worn=worn)
    return Made(
        layers=tuple(layers), truths=(outside, *truths, *arc_truths), pieces=(TruePiece(name="body", low=low, high=high),),
        reach=float(np.hypot(a, b)) / 2, low=low, high=high,
    )  # fmt: skip
