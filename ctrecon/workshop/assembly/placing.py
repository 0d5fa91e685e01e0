"""All parts into their places: the part of the frame first, then each by the axes it shares with those before it."""

from collections.abc import Mapping
from dataclasses import replace

from ctrecon.core.measured import Measured, format_short
from ctrecon.workshop.assembly.entries import Entry
from ctrecon.workshop.assembly.model import Place
from ctrecon.workshop.assembly.own import REPEATS_DEG, OwnHole, OwnPart, OwnStep
from ctrecon.workshop.assembly.place import (
    EDGE,
    Motion,
    by_axis,
    by_two,
    edge_turn,
    farthest,
    match_near,
    misfits,
    on_axes,
)  # fmt: skip
from ctrecon.workshop.assembly.schema import Table

__all__ = ["Placed", "place_parts", "typed_axes"]

_ORIGIN = Place(x=Measured(0.0, 0.0), y=Measured(0.0, 0.0))


class Placed:
    """Parts by themselves with their holes on axes, the motion of each, places of the axes, and what was noted.

    Parameters
    ----------
    entries : mapping of str to Entry
        All parts.
    places : dict of str to Place
        Axes whose place was typed.
    within_mm : float
        How near an axis a hole must lie to be taken for it, and how far a shared hole may miss its axis.
    """

    def __init__(self, entries: Mapping[str, Entry], places: dict[str, Place], within_mm: float) -> None:
        self.entries, self.within = entries, within_mm
        self.own: dict[str, OwnPart] = {ident: one.own for ident, one in entries.items()}
        self.motion: dict[str, Motion] = {}
        self.places = dict(places)
        self.found_in: dict[str, str | None] = dict.fromkeys(places)
        self.notes: dict[str, tuple[str, ...]] = {}

    def settle(self, ident: str, motion: Motion) -> None:
        """Take a motion: match what is to be nearest, learn new axes, and refuse a part that misses its axes."""
        entry = self.entries[ident]
        table = entry.table.table("axes") if entry.record is not None else entry.table
        for axis in entry.placing.near:
            if axis not in self.places:
                table.refuse(axis, f'"near" needs to know where {axis} is; name the hole in the part of the frame')
            hole, why = match_near(self.own[ident], motion, axis, self.places[axis], self.within)
            if hole is None:
                table.refuse(axis, why)
            self.own[ident] = on_axes(self.own[ident], {hole.id: axis})
        self.own[ident] = _renamed(self.own[ident], entry.placing.near)
        off = misfits(self.own[ident], motion, self.places)
        worst = max(off, key=lambda one: off[one], default=None)
        if worst is not None and off[worst] > self.within:
            self._refuse_misfit(ident, worst, off[worst])
        self.motion[ident] = motion
        for one in self.own[ident].holes:
            if one.axis is not None and one.axis not in self.places:
                self.places[one.axis] = motion.place(one.x, one.y)
                self.found_in[one.axis] = ident
        named = [f"{axis} by {format_short(far, 2)} mm" for axis, far in sorted(off.items()) if far > 1e-6]
        self.notes[ident] = (f"its holes miss the shared axes: {', '.join(named)}",) if named else ()

    def _refuse_misfit(self, ident: str, axis: str, far: float) -> None:
        """Refuse a part whose hole misses its axis; where turning it over would mend that, say so."""
        entry = self.entries[ident]
        other = "end" if entry.face_up == "start" else "start"
        over = mirrored(self.own[ident])
        both = entry.placing.by or self._two(over)
        mend = "see whether the right holes are named"
        if len(both) == 2 and both[1] != EDGE:
            back = self._by_two(over, both)
            rest = max(misfits(over, back, self.places).values(), default=0.0)
            if rest <= self.within:
                mend = f'with face_up = "{other}" all lie within {format_short(max(rest, 0.001), 2)} mm, so try that'
        off = f"{format_short(far, 3)} mm off"
        entry.table.refuse("axes", f"its hole for {axis} lies {off} the axis as the other parts have it; {mend}")

    def _known(self, own: OwnPart) -> dict[str, Place]:
        on = {one.axis for one in own.holes if one.axis is not None}
        return {axis: self.places[axis] for axis in sorted(on) if axis in self.places}

    def _two(self, own: OwnPart) -> tuple[str, ...]:
        known = self._known(own)
        if len(known) < 2:
            return tuple(known)
        origin = next((axis for axis in known if self.places[axis].xy == (0.0, 0.0)), None)
        return farthest(known, origin)

    def _by_two(self, own: OwnPart, by: tuple[str, ...]) -> Motion:
        a, b = (_hole(own, axis) for axis in by)
        assert a is not None
        assert b is not None
        return by_two(a, self.places[by[0]], b, self.places[by[1]])

    def move(self, ident: str) -> Motion:
        """Return how a part comes to its place.

        Raises
        ------
        InputError
            If nothing places it.
        """
        entry, own = self.entries[ident], self.own[ident]
        how = entry.placing
        if how.axis or how.at is not None:
            return self._standing(entry, own)
        by = how.by or self._two(own)
        for axis in by:
            if axis != EDGE and (_hole(own, axis) is None or axis not in self.places):
                why = f"it has no hole on {axis}" if _hole(own, axis) is None else f"nobody knows where {axis} is"
                entry.table.refuse("place_by", f"{why}; name an axis that it shares with a part before it")
        if len(by) == 2 and by[1] != EDGE:
            return self._by_two(own, by)
        hole = _hole(own, by[0]) if by else None
        if hole is None:
            entry.table.refuse(
                "axes", "nothing places it: it shares no axis with a part before it; name its holes on shared axes, "
                "or give axis or at_mm",
            )  # fmt: skip
        turn = edge_turn(own.outline)
        if turn is None and len(by) == 2:
            entry.table.refuse("place_by", f'its outline has no longer side, so "{EDGE}" turns nothing; name an axis')
        return by_axis(hole.x, hole.y, self.places[by[0]], how.turn_deg - (turn or 0.0), own.outline.turn_u)

    def _standing(self, entry: Entry, own: OwnPart) -> Motion:
        how = entry.placing
        if how.axis and how.axis not in self.places:
            entry.table.refuse("axis", f"nobody knows where {how.axis} is; give it at_mm in [axes.{how.axis}]")
        to = self.places[how.axis] if how.at is None else Place(x=how.at[0], y=how.at[1])
        spots: dict[str, OwnHole | OwnStep] = {}
        spots.update({step.id: step for step in own.steps})
        spots.update({hole.id: hole for hole in own.holes})
        centre = spots[how.centre] if how.centre else own.outline
        flat = (one for one in spots.values() if REPEATS_DEG[one.kind] == 90.0)
        turned = spots.get(how.turn_by) or next(flat, None)
        own_turn, turn_u = (0.0, 0.0) if turned is None else (turned.turn_deg, turned.turn_u)
        period = 90.0 if turned is not None and REPEATS_DEG[turned.kind] == 90.0 else 360.0
        turn = (how.turn_deg - own_turn + period / 2) % period - period / 2
        return by_axis(centre.x, centre.y, to, turn, turn_u)


def _hole(own: OwnPart, axis: str) -> OwnHole | None:
    return next((one for one in own.holes if one.axis == axis), None)


def _renamed(own: OwnPart, near: tuple[str, ...]) -> OwnPart:
    """Call holes that were matched by place after their axis, where the file gave them no name."""

    def called(one: OwnHole) -> OwnHole:
        if one.axis not in near or one.id != one.feature:
            return one
        before, key = f"{own.id}.{one.id}", f"{own.id}.{one.axis}"
        words = [
            None if size is None
            else replace(size, key=size.key.replace(before, key, 1), words=size.words.replace(one.id, one.axis, 1))
            for size in (one.across, one.long)
        ]  # fmt: skip
        assert words[0] is not None
        return replace(one, id=one.axis, across=words[0], long=words[1])

    return replace(own, holes=tuple(called(one) for one in own.holes))


def mirrored(own: OwnPart) -> OwnPart:
    """Return the places of the holes of a part that is turned over, for asking whether it fits that way."""
    return replace(own, holes=tuple(replace(one, y=Measured(-one.y.value, one.y.u)) for one in own.holes))


def typed_axes(axes: Mapping[str, Table]) -> dict[str, Place]:
    """Return the axes whose place is typed: at_mm = [x, y]."""
    out = {}
    for ident, table in axes.items():
        pair = table.sizes("at_mm", 2, above_zero=False)
        if pair:
            out[ident] = Place(x=pair[0], y=pair[1])
    return out


def place_parts(
    entries: Mapping[str, Entry], axes: Mapping[str, Table], frame: Table, order: tuple[str, ...], within_mm: float
) -> Placed:
    """Return every part with its motion and every axis with its place.

    Parameters
    ----------
    entries : mapping of str to Entry
        All parts.
    axes : mapping of str to Table
        ``[axes.ID]``.
    frame : Table
        ``[frame]``: part, origin, x_along, turn_deg.
    order : tuple of str
        Ids of all parts in the order in which they are placed.
    within_mm : float
        How near is near.
    """
    placed = Placed(entries, typed_axes(axes), within_mm)
    first = frame.one_of("part", entries, "part") or order[0]
    origin = frame.one_of("origin", axes, "shared axis")
    said = frame.one_of("x_along", (*axes, EDGE), "shared axis")
    along = said or EDGE
    turn_deg = frame.number("turn_deg", 0.0, least=-360.0, most=360.0)
    frame.close()
    own = placed.own[first]
    hole = _hole(own, origin) if origin else None
    if origin and hole is None:
        frame.refuse("origin", f"{first} has no hole on {origin}; name one of its axes, or another part")
    spot: OwnHole | OwnStep = own.outline if hole is None else hole
    if along == EDGE:
        turn = edge_turn(own.outline)
        if turn is None and said:
            frame.refuse("x_along", f"{first} has no longer side; name an axis that it has a hole on")
        motion = by_axis(spot.x, spot.y, _ORIGIN, turn_deg - (turn or 0.0), 0.0 if turn is None else own.outline.turn_u)
    else:
        other = _hole(own, along)
        if other is None or other is spot:
            frame.refuse("x_along", f'must be another axis that {first} has a hole on, or "{EDGE}"')
        assert isinstance(spot, OwnHole) or hole is None
        toward = replace(other, x=spot.x, y=spot.y)
        plain = by_two(toward, _ORIGIN, other, Place(x=Measured(1.0, 0.0), y=Measured(0.0, 0.0)))
        motion = replace(plain, turn_deg=plain.turn_deg + turn_deg)
    if hole is not None:
        placed.places[origin] = _ORIGIN
        placed.found_in[origin] = first
    placed.settle(first, motion)
    for ident in order:
        if ident != first:
            placed.settle(ident, placed.move(ident))
    return placed
