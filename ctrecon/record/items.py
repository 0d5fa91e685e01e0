"""A part of several pieces taken apart: the record of each piece alone, its seams turned into holes and bosses.

A seam is measured at the middle of its gap. The boss is smaller all round by half the gap, the hole larger by as
much. Metal outside a seam belongs to the piece that sits on it, metal inside to what carries that piece; round a pin
it is the other way. Layers between flat seams take every outside at their depth that nothing else claims.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ctrecon.core.measured import COVERAGE_FACTOR, Measured
from ctrecon.record.kinds import KINDS, Kind, is_outside, is_seam, kind_of
from ctrecon.record.part import Feature, Part, Piece, depths_in_part_frame, taper_of
from ctrecon.record.sections import Section, section_of

__all__ = ["PartItem", "Seat", "items_of", "pieces_of"]

_FACE_SLICES = 1.5
"""Ends nearer than this many slices are one face: ends found by slice are good to about one."""

_SAME_VOXELS = 0.1
"""A boss and its free end that differ by less than this across are turned in one cut: neither edge is known better."""

Span = tuple[float, float]
Metal = tuple[Feature, Section, Span]
"""A solid stretch of a piece: an outside, its section and its depths in the part frame."""


@dataclass(frozen=True)
class Seat:
    """A side seam as its two sides.

    Where the boss goes on beyond the seat (`is_measured`), its free end was measured and is the boss; the hole follows
    by the gap on either side. Else both follow from the middle of the gap.
    """

    seam: Feature
    boss: Feature
    hole: Feature
    is_measured: bool


@dataclass(frozen=True)
class PartItem:
    """One line of the list of parts: pieces that are alike, and the record of one of them alone.

    Parameters
    ----------
    number : int
        From 1, in the order of the record.
    pieces : tuple of Piece
        One, or several pins that are alike; `part` is that of the first.
    part : Part
        Its features and no pieces; in the stack's frame, as the whole part.
    seats : tuple of Seat
        Where it touches its neighbours across a side seam.
    is_pin : bool
        Whether it is what lies inside its seam: a pin, a rivet, an insert.
    is_doubtful : bool
        Whether nobody has settled that it is a piece of its own.
    """

    number: int
    pieces: tuple[Piece, ...]
    part: Part
    seats: tuple[Seat, ...]
    is_pin: bool
    is_doubtful: bool = False

    @property
    def name(self) -> str:
        """What the piece is called."""
        return self.pieces[0].name

    @property
    def label(self) -> str:
        """Its number, with a question mark while it is undecided."""
        return f"{self.number}?" if self.is_doubtful else str(self.number)

    @property
    def title(self) -> str:
        """What stands above its detail and on its template."""
        return f"ITEM {self.label}: {self.name.upper()}"


def items_of(part: Part) -> tuple[PartItem, ...]:
    """Return the pieces of a part, each with the record from which it alone can be drawn and cut.

    Parameters
    ----------
    part : Part
        The record of the whole part, with depth.

    Returns
    -------
    tuple of Item
        Empty where the part is one piece. A piece found to be one with the rest is left in the rest; one that is
        undecided is listed, and what it may sit on is drawn without a seat for it.

    Examples
    --------
    >>> from ctrecon import read_part
    >>> for item in items_of(read_part("drum_hub_out/part.json")):
    ...     print(item.number, item.name, [f.kind for f in item.part.features])
    1 hub ['round_outside', 'round_hole', 'round_hole', 'square_outside', 'free_hole']
    2 spacer ['round_hole', 'round_outside', 'square_hole', 'arc_outside']
    """
    taken = _taken_apart(part)
    found: list[PartItem] = []
    for one in taken[1] if taken else ():
        like = next((k for k, other in enumerate(found) if taken and taken[0].alike(other, one)), None)
        if like is None:
            found.append(replace(one, number=len(found) + 1))
        else:
            found[like] = replace(found[like], pieces=(*found[like].pieces, *one.pieces))
    return tuple(found)


def pieces_of(part: Part) -> tuple[PartItem, ...]:
    """Return the pieces of a part one by one, those that are alike too; as `items_of` otherwise."""
    taken = _taken_apart(part)
    return tuple(replace(one, number=n) for n, one in enumerate(taken[1], 1)) if taken else ()


def _taken_apart(part: Part) -> "tuple[_Taking, list[PartItem]] | None":
    """Return every piece alone, not yet numbered; None where the part is one piece."""
    if part.stack.slices < 2:
        return None
    pieces = [p for n, p in enumerate(part.pieces) if n == 0 or p.verdict != "one_piece"]
    if len(pieces) < 2:
        return None
    others = [p for p in pieces[1:] if p.verdict != "undecided"]
    sure = [pieces[0], *others] if others else []  # where another piece is one, what is left is one too
    # what is undecided cuts no hole in what is certain; where nothing is, all of it stands under the same doubt
    every = _Taking(part, pieces)
    certain = _Taking(part, sure) if 1 < len(sure) < len(pieces) else every
    return every, [
        replace((certain if p in certain.pieces else every).item(p), is_doubtful=p not in sure) for p in pieces
    ]


class _Taking:
    """The record in the part frame while it is taken apart."""

    def __init__(self, part: Part, pieces: list[Piece]) -> None:
        self.part = part
        dz, dy, dx = part.stack.voxel_mm
        self.pixel = math.sqrt(dy * dx)
        self.slack = _FACE_SLICES * dz
        self.lean = float(part.rotation[2, 2])
        self.pieces = pieces
        self.features = {f.id: f for f in part.features}
        self.spans = {f.id: depths_in_part_frame(part, f) for f in part.features}
        self.sections = {f.id: s for f in part.features if (s := section_of(part, f, min(dy, dx))) is not None}
        self.outer = [f for f in part.features if is_outside(f)]
        self.sides = {
            p.id: [f for i in p.features if (f := self.features.get(i)) and is_seam(f) and not kind_of(f).is_face]
            for p in self.pieces
        }
        self.around = {p.id for p in self.pieces[1:] if self.sides[p.id] and self._rims(p)}
        self.inside = {p.id for p in self.pieces[1:] if self.sides[p.id] and p.id not in self.around}
        self.ranges = {p.id: self._range(p) for p in self.pieces}
        live = {f.id: f for p in self.pieces[1:] for f in self.sides[p.id]}
        self.seats = {ident: self._seat(f) for ident, f in live.items()}

    def _rims(self, piece: Piece) -> list[Feature]:
        return [f for i in piece.features if (f := self.features.get(i)) and is_outside(f)]

    def _range(self, piece: Piece) -> Span:
        """Return the depths of a piece in the part frame, read on the axis of what bounds it."""
        members = [f for i in piece.features if (f := self.features.get(i)) and f.x_mm and f.y_mm]
        on = next((f for f in members if is_seam(f)), members[0] if members else None)
        low, high = (
            math.copysign(math.inf, way) if z is None else self._depth_on(on, z.value) if on is not None else z.value
            for way, z in ((-1.0, piece.depth_from_mm), (1.0, piece.depth_to_mm))
        )
        return low, high

    def _anchor(self, f: Feature) -> tuple[float, float]:
        """Return a depth in the part frame and its stack z, both on the feature's own axis."""
        for at, z in zip(self.spans[f.id], (f.depth_from_mm, f.depth_to_mm), strict=True):
            if z is not None:
                return at, z.value
        return self.spans[f.id][0], 0.0

    def _depth_on(self, f: Feature, z: float) -> float:
        """Return the depth in the part frame of a stack z on a feature's own axis."""
        depth, own = self._anchor(f)
        return depth + (z - own) / self.lean

    def _claimed(self, rim: Feature, span: Span) -> list[tuple[Piece, float, float]]:
        """Return which other pieces than the body take an outside, and between which depths."""
        owners = [p for p in self.pieces[1:] if p.id in self.around and rim.id in p.features]
        if len(owners) > 1:  # a ring in a ring: the outside is that of the outer one, if they share a depth
            owners = [p for p in owners if not any(self._nested(p, q) for q in owners)]
        takers = owners or [p for p in self.pieces[1:] if p.id not in self.around | self.inside]
        found: list[tuple[Piece, float, float]] = []
        for piece in sorted(takers, key=lambda p: self.ranges[p.id][1] - self.ranges[p.id][0]):  # the thinnest first
            left = [(max(span[0], self.ranges[piece.id][0]), min(span[1], self.ranges[piece.id][1]))]
            for _, a, b in found:  # metal has one owner
                left = [one for low, high in left for one in ((low, min(high, a)), (max(low, b), high))]
            found += [(piece, low, high) for low, high in left if high - low > self.slack]
        return found

    def _nested(self, inner: Piece, outer: Piece) -> bool:
        """Return whether one ring sits inside another at a depth they share."""
        a, b = self.sides[inner.id][0], self.sides[outer.id][0]
        return a.id != b.id and self._shared(self.spans[a.id], self.spans[b.id]) and self._within(a.id, b.id)

    def _shared(self, a: Span, b: Span) -> bool:
        return min(a[1], b[1]) - max(a[0], b[0]) > min(self.slack, 0.3 * min(a[1] - a[0], b[1] - b[0]))

    def _within(self, inner: str, outer: str) -> bool:
        """Return whether most of an outline lies inside another."""
        if inner not in self.sections or outer not in self.sections:
            return False
        ring = self.sections[inner].outline
        return bool(np.median(self.sections[outer].distance(ring[:, 0], ring[:, 1])) > 0)

    def _cut_from(self, f: Feature, low: float, high: float) -> Feature:
        """Return what is left of a feature between two depths: its axis, size and length follow; ends near stay."""
        a, b = self.spans[f.id]
        new_low, new_high = low > a + self.slack, high < b - self.slack
        if not new_low and not new_high:
            return f
        depth, z = self._anchor(f)
        u = next((q.u for q in (f.depth_from_mm, f.depth_to_mm) if q is not None), None)
        first = Measured(z + (low - depth) * self.lean, u) if new_low else f.depth_from_mm
        last = Measured(z + (high - depth) * self.lean, u) if new_high else f.depth_to_mm
        return self._between(f, first, last, low if new_low else a, high if new_high else b)

    def _between(self, f: Feature, first: Measured | None, last: Measured | None, low: float, high: float) -> Feature:
        """Return a feature with other ends: the middle of its axis, its size there and its length follow."""
        a, b = self.spans[f.id]
        by = (low + high - a - b) / 2
        x, y = (
            None if q is None else Measured(q.value + by * float(self.part.rotation[2, k]), q.u)
            for k, q in enumerate((f.x_mm, f.y_mm))
        )
        taper, size = taper_of(f), f.diameter_mm
        if taper is not None and size is not None:
            size = Measured(size.value + taper.value * by, size.u)
        long = None
        if first is not None and last is not None:
            long = Measured(high - low, None if first.u is None or last.u is None else math.hypot(first.u, last.u))
        return replace(f, depth_from_mm=first, depth_to_mm=last, length_mm=long, diameter_mm=size, x_mm=x, y_mm=y)

    def _seat(self, seam: Feature) -> Seat:
        gap = seam.seam_mm if seam.seam_mm is not None and seam.seam_mm.value > 0 else Measured(0.0, 0.0)
        is_pin = any(seam in self.sides[i] for i in self.inside)
        rim = None if is_pin else next((o for o in self.outer if self._continues(seam, o, gap.value)), None)
        if rim is None:
            return Seat(seam, _side(seam, seam, gap, -1), _side(seam, seam, gap, 1), is_measured=False)
        a, b = self.spans[seam.id], self.spans[rim.id]
        low, high = min(a[0], b[0]), max(a[1], b[1])
        first = seam.depth_from_mm if a[0] < b[0] else rim.depth_from_mm
        last = seam.depth_to_mm if a[1] > b[1] else rim.depth_to_mm
        boss = self._between(rim, first, last, low, high)
        return Seat(seam, boss, _side(seam, rim, Measured(2 * gap.value, gap.u and 2 * gap.u), 1), is_measured=True)

    def _continues(self, seam: Feature, rim: Feature, gap: float) -> bool:
        """Return whether an outside beyond an end of a seat is the same boss: of one shape, size and middle."""
        a, b = self.spans[seam.id], self.spans[rim.id]
        apart = max(b[0] - a[1], a[0] - b[1])
        one, other = kind_of(seam).known(seam), kind_of(rim).known(rim)
        if kind_of(rim) is not _side_kind(seam, "outside") or apart > 2 * self.slack or not one or not other:
            return False
        if rim.id not in self._carrier(seam).features or not self._near(seam, rim):
            return False
        edge = (self.part.image.edge_u_px or 0.0) if self.part.image is not None else 0.0
        u = math.hypot(one[0][1].u or 0.0, other[0][1].u or 0.0, 2 * edge * self.pixel)
        off = abs(one[0][1].value - other[0][1].value)  # the middle of the gap is larger than the boss by the gap
        return off <= gap + max(COVERAGE_FACTOR * u, _SAME_VOXELS * self.pixel)

    def _near(self, a: Feature, b: Feature) -> bool:
        """Return whether two sections have one middle."""
        one, other = self.sections.get(a.id), self.sections.get(b.id)
        return one is not None and other is not None and math.dist(one.centre, other.centre) < 0.1 * one.reach

    def _carrier(self, seam: Feature) -> Piece:
        """Return the piece whose metal is inside a seam that another piece sits on."""
        nested = [
            p for p in self.pieces if p.id in self.around
            and any(s.id != seam.id and self._within(s.id, seam.id)
                    and self._shared(self.spans[s.id], self.spans[seam.id]) for s in self.sides[p.id])
        ]  # fmt: skip
        return nested[0] if nested else self.pieces[0]

    def item(self, piece: Piece) -> PartItem:
        """Return one piece alone, not yet numbered."""
        metal: list[Metal] = []
        bosses: list[Seat] = []
        for seat in self.seats.values():
            owners = [p for p in self.pieces if seat.seam in self.sides[p.id]]
            is_pin = any(p.id in self.inside for p in owners)
            if (piece in owners) if is_pin else (piece is self._carrier(seat.seam)):
                bosses.append(seat)
                if seat.seam.id in self.sections:
                    metal.append((seat.boss, self.sections[seat.boss.id], depths_in_part_frame(self.part, seat.boss)))
        joined = {s.boss.id for s in bosses if s.is_measured}
        solid = list(metal)
        for rim in self.outer:
            if rim.id in self.sections and rim.id not in joined:
                for low, high in self._own(rim, piece):
                    metal.append((self._cut_from(rim, low, high), self.sections[rim.id], (low, high)))
        cut, holes = self._cutters(piece, metal, solid, {s.seam.id for s in bosses})
        order = {f.id: n for n, f in enumerate(self.part.features)}
        own = sorted((*(f for f, _, _ in metal), *cut), key=lambda f: (order[f.id], is_outside(f)))
        alone = replace(
            self.part, name=f"{self.part.name}, {piece.id} {piece.name}", features=tuple(own), pieces=(), joints=(),
            hypotheses=(), relations=(), warnings=(),
        )  # fmt: skip
        return PartItem(0, (piece,), alone, (*bosses, *holes), piece.id in self.inside)

    def _own(self, rim: Feature, piece: Piece) -> list[Span]:
        """Return the stretches of an outside that are this piece's: of the body, what nobody else takes."""
        span = self.spans[rim.id]
        taken = self._claimed(rim, span)
        if piece.id != self.pieces[0].id:
            return [(low, high) for p, low, high in taken if p.id == piece.id]
        stops = [span[0], *(z for _, low, high in sorted(taken, key=lambda t: t[1]) for z in (low, high)), span[1]]
        return [(a, b) for a, b in zip(stops[::2], stops[1::2], strict=True) if b - a > self.slack or (a, b) == span]

    def _cutters(
        self, piece: Piece, metal: Sequence[Metal], solid: Sequence[Metal], bosses: set[str]
    ) -> tuple[list[Feature], list[Seat]]:
        """Return the holes and reliefs in the metal of a piece, seats of others among them; `solid` are its bosses."""
        found: list[Feature] = []
        seats = [
            s for s in self.seats.values()
            if s.seam.id not in bosses and s.seam.id in self.sections and self._reached(s.seam.id, metal) is not None
            and (piece.id not in self.around or s.seam in self.sides[piece.id]
                 or not any(self._within(s.seam.id, own.id) for own in self.sides[piece.id]))
        ]  # fmt: skip
        for seat in seats:
            span = self._reached(seat.seam.id, metal)
            if span is not None:
                found.append(self._opened(self._cut_from(seat.hole, *span), metal))
        for f in self.part.features:
            if not kind_of(f).is_cutter or f.id not in self.sections:
                continue
            span = self._reached(f.id, metal)
            gone = any(self._within(f.id, s.seam.id) and self._shared(self.spans[f.id], self.spans[s.seam.id])
                       for s in seats)  # fmt: skip
            if span is not None and not (gone and not any(self._covers(m, f.id) for m in solid)):
                found.append(self._opened(self._cut_from(f, *span), metal))
        return found, seats

    def _covers(self, metal: Metal, ident: str) -> bool:
        """Return whether a cutter meets a stretch of metal: in depth, and across."""
        _, section, span = metal
        if not self._shared(self.spans[ident], span):
            return False
        ring = self.sections[ident].outline
        return bool((section.distance(ring[:, 0], ring[:, 1]) > 0).any())

    def _reached(self, ident: str, metal: Sequence[Metal]) -> Span | None:
        """Return between which depths a cutter meets the metal of a piece, None where it does not."""
        spans = [m[2] for m in metal if self._covers(m, ident)]
        if not spans:
            return None
        own = self.spans[ident]
        return max(own[0], min(a for a, _ in spans)), min(own[1], max(b for _, b in spans))

    def _opened(self, hole: Feature, metal: Sequence[Metal]) -> Feature:
        """Return a hole that says at which ends it leaves the metal: of this piece alone, or into a wider hole."""
        if not kind_of(hole).is_hole:
            return hole
        x, y = self.sections[hole.id].centre
        over = [span for _, s, span in metal if float(s.distance(np.array([x]), np.array([y]))[0]) > 0]
        spans = depths_in_part_frame(self.part, hole)
        beyond = (spans[0] - 2 * self.slack, spans[1] + 2 * self.slack)
        free = {
            end for end, z in zip(("start", "end"), beyond, strict=True) if not any(a < z < b for a, b in over)
        } | set(hole.opens_at or ())
        ends = tuple(end for end in ("start", "end") if end in free)
        return replace(hole, opens_at=ends, unknown={k: v for k, v in hole.unknown.items() if k != "opens_at"})

    def alike(self, item: PartItem, other: PartItem) -> bool:
        """Return whether two pins are one item: one shape each, sizes and lengths the same within what is known."""
        pieces = (item.pieces[0], other.pieces[0])
        told = {(p.name, p.verdict) for p in pieces}
        if any(p.id not in self.inside for p in pieces) or len(told) > 1:
            return False
        one, two = item.part.features, other.part.features
        if len(one) != 1 or len(two) != 1 or kind_of(one[0]) is not kind_of(two[0]):
            return False
        pairs: list[tuple[Measured | None, Measured | None]] = [(one[0].length_mm, two[0].length_mm)]
        pairs += zip(*([q for _, q in kind_of(f).known(f)] for f in (one[0], two[0])), strict=False)
        least = (2 * self.slack, *[_SAME_VOXELS * self.pixel] * len(pairs))
        return all(
            a is not None and b is not None
            and abs(a.value - b.value) <= max(COVERAGE_FACTOR * math.hypot(a.u or 0.0, b.u or 0.0), floor)
            for (a, b), floor in zip(pairs, least, strict=False)
        )  # fmt: skip


def _side_kind(seam: Feature, side: str) -> Kind:
    """Return the kind of a seam's hole or outside; its own where there is none of that shape."""
    return KINDS.get(seam.kind.removesuffix("seam") + side, kind_of(seam))


def _side(seam: Feature, base: Feature, more: Measured, way: int) -> Feature:
    """Return the hole (way 1) or the boss (-1) of a seam: the sizes of `base`, larger or smaller across by `more`."""

    def sized(q: Measured | None) -> Measured | None:
        if q is None:
            return None
        return Measured(q.value + way * more.value, None if q.u is None or more.u is None else math.hypot(q.u, more.u))

    pair = base.flats_pair_mm
    return replace(
        seam, kind=_side_kind(seam, "hole" if way > 0 else "outside").name, basis="inferred", seam_mm=None,
        diameter_mm=sized(base.diameter_mm), flats_mm=sized(base.flats_mm),
        flats_pair_mm=None if pair is None else (sized(pair[0]) or pair[0], sized(pair[1]) or pair[1]),
        outline_mm=_grown(base.outline_mm, way * more.value / 2), sensitivity=base.sensitivity,
    )  # fmt: skip


def _grown(outline: tuple[tuple[float, float], ...] | None, by_mm: float) -> tuple[tuple[float, float], ...] | None:
    """Return a closed outline moved outwards all round."""
    if outline is None:
        return None
    from shapely.geometry import Polygon

    grown: Any = Polygon(outline).buffer(by_mm)
    largest = max(getattr(grown, "geoms", [grown]), key=lambda p: p.area)
    return outline if largest.is_empty else tuple((float(x), float(y)) for x, y in largest.exterior.coords[:-1])
