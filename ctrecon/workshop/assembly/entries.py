"""One part's table of the file: its record or typed sizes, what it is called, and how it stands."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from ctrecon.core.errors import CtreconError, InputError
from ctrecon.core.measured import Measured
from ctrecon.record.kinds import is_hole, is_outside, kind_words
from ctrecon.record.part import Feature, Part, scale_u_along
from ctrecon.record.store import read_part
from ctrecon.workshop.assembly.from_record import own_from_record
from ctrecon.workshop.assembly.model import ROLES
from ctrecon.workshop.assembly.one_piece import one_piece
from ctrecon.workshop.assembly.own import OwnPart, Shared
from ctrecon.workshop.assembly.place import EDGE, on_axes
from ctrecon.workshop.assembly.schema import Table, nearest
from ctrecon.workshop.assembly.typed import own_from_typed
from ctrecon.workshop.rivets import HEADS

__all__ = ["Entry", "Placing", "read_entry", "read_scans"]

NEAR = "near"
"""Stands for a hole where the one that lies nearest to the axis is meant."""

_MOVES = ("hub", "wheel", "arbor")
_MOST_LISTED = 12


@dataclass(frozen=True, kw_only=True)
class Placing:
    """How a part comes to its place in the plane.

    Parameters
    ----------
    near : tuple of str
        Axes whose hole is the nearest one.
    axis : str
        The axis it stands or turns on; empty where two of its holes place it.
    centre, turn_by : str
        Step or hole whose middle lies on the axis, and whose turn is set; empty for the widest step, and for none.
    turn_deg : float
        The turn that `turn_by` gets, or by how much the part is turned where there is none.
    by : tuple of str
        The axis matched exactly, and the axis or `EDGE` that turns it; empty for the two farthest apart.
    at : (Measured, Measured) or None
        Where its middle lies, where no axis is named.
    """

    near: tuple[str, ...] = ()
    axis: str = ""
    centre: str = ""
    turn_by: str = ""
    turn_deg: float = 0.0
    by: tuple[str, ...] = ()
    at: tuple[Measured, Measured] | None = None


@dataclass(frozen=True, kw_only=True)
class Entry:
    """A part as its table gives it; `rests_on` and `foot` are still to be looked up."""

    table: Table
    own: OwnPart
    role: str
    name: str
    placing: Placing
    record: Path | None
    face_up: str
    rests_on: str
    foot: str
    gap_mm: float
    moving: bool
    sweep: Measured | None
    material: str | None
    riveted: Mapping[str, str]


def _riveted(table: Table, sections: list[str]) -> dict[str, str]:
    """Read ``riveted = { foot = "snap" }``: steps that are riveted over, and the head that is formed."""
    inner = table.table("riveted")
    out = {}
    for step in inner.data:
        if step not in sections:
            inner.refuse(step, f"there is no step '{step}'; {nearest(step, sections)}")
        out[step] = inner.text(step, choices=HEADS)
    return out


def read_scans(top: Table) -> dict[str, float | None]:
    """Read ``[scans]``: sessions whose sizes share one scale, with its relative u, None where it is not known."""
    out: dict[str, float | None] = {}
    for ident, table in top.table("scans").each():
        percent = table.number("scale_u_percent", -1.0, least=1e-6, most=20.0) if table.has("scale_u_percent") else None
        table.close()
        out[ident] = None if percent is None else percent / 100.0
    return out


def read_entry(
    ident: str, table: Table, *, axes: tuple[str, ...], parts: tuple[str, ...], scans: Mapping[str, float | None]
) -> Entry:
    """Read ``[parts.ID]``.

    Parameters
    ----------
    ident : str
        Its id.
    table : Table
        The table.
    axes, parts : tuple of str
        Ids of the shared axes and of all parts.
    scans : mapping of str to float or None
        Sessions with the relative u of their scale.
    """
    table.need("role", f"one of {', '.join(ROLES)}")
    role = table.text("role", choices=ROLES)
    name = table.text("name", ident.replace("_", " "))
    ways = [one for one in ("record", "outline", "steps") if table.has(one)]
    if len(ways) != 1:
        why = f"has {' and '.join(ways)}" if ways else "has no sizes"
        table.refuse("", f"{why}; give one of record, outline (with thickness_mm), steps")
    face_up = table.text("face_up", "start", choices=("start", "end"))
    record: Path | None = None
    near: tuple[str, ...] = ()
    scan = table.one_of("scan", scans, "scan")
    if ways[0] == "record":
        record = Path(table.file).parent / table.text("record")
        own, near = _recorded(ident, table, record, face_up, axes, Shared(scan, scans[scan]) if scan else None)
    else:
        own = own_from_typed(table, ident, axes)
    _no_key_twice(table, own)
    moving = table.flag("moving", role in _MOVES)
    sweep = table.size("sweep_radius_mm")
    rests_on = table.text("rests_on")
    _known_rest(table, rests_on, parts)
    gap = table.size("gap_mm", above_zero=False)
    sections = [one.id for one in own.steps]
    spots = [*sections, *(one.id for one in own.holes)]
    placing = Placing(
        near=near, axis=table.one_of("axis", axes, "shared axis"), centre=table.one_of("centre", spots, "step or hole"),
        turn_by=table.one_of("turn_by", spots, "step or hole"),
        turn_deg=table.number("turn_deg", 0.0, least=-360.0, most=360.0), by=_place_by(table, axes), at=_at(table),
    )  # fmt: skip
    if placing.axis and placing.at is not None:
        table.refuse("at_mm", "stands beside axis; give one of them")
    if placing.by and (placing.axis or placing.at is not None):
        table.refuse("place_by", "stands beside axis or at_mm; give one of them")
    entry = Entry(
        table=table, own=own, role=role, name=name, placing=placing, record=record, face_up=face_up, rests_on=rests_on,
        foot=table.one_of("foot", sections, "step"), gap_mm=0.0 if gap is None else gap.value, moving=moving,
        sweep=sweep, material=table.text("material") or None, riveted=_riveted(table, sections),
    )  # fmt: skip
    table.close()
    return entry


def _at(table: Table) -> tuple[Measured, Measured] | None:
    pair = table.sizes("at_mm", 2, above_zero=False)
    return (pair[0], pair[1]) if pair else None


def _place_by(table: Table, axes: tuple[str, ...]) -> tuple[str, ...]:
    by = table.some_of("place_by", (*axes, EDGE), "shared axis")
    if by and (len(by) != 2 or by[0] == EDGE):
        table.refuse("place_by", f'must name an axis, then another axis or "{EDGE}", such as ["main", "pillar_2"]')
    return by


def _known_rest(table: Table, rests_on: str, parts: tuple[str, ...]) -> None:
    part = rests_on.partition(".")[0]
    if rests_on and part not in parts:
        table.refuse("rests_on", f"there is no part '{part}'; {nearest(part, parts)}")


def _no_key_twice(table: Table, own: OwnPart) -> None:
    """Refuse names that would make two sizes of one key."""
    names = [one.id for one in own.holes] + ([one.id for one in own.steps] if len(own.steps) > 1 else [])
    twice = next((one for one in names if names.count(one) > 1), None)
    if twice is not None:
        table.refuse("", f"calls two of its features '{twice}'; give one of them another name in features")
    taken = next((one for one in names if one in ("thickness", "diameter", "flats", "long", "short", "outline")), None)
    if taken is not None:
        table.refuse("", f"calls a feature '{taken}', which is the word for a size; give it another name")


def _recorded(
    ident: str, table: Table, path: Path, face_up: str, axes: tuple[str, ...], session: Shared | None
) -> tuple[OwnPart, tuple[str, ...]]:
    """Return a recorded part with its holes on the axes that name them, and the axes whose nearest hole is meant."""
    try:
        part = read_part(path)
    except CtreconError as error:
        table.refuse("record", str(error))
    which = table.text("piece")
    if which:
        try:
            part = one_piece(part, which)
        except InputError as error:
            table.refuse("piece", str(error))
    names: dict[str, str] = {}
    near = []
    chosen = table.table("axes")
    for axis in axes:
        found = chosen.text(axis)
        if found == NEAR:
            near.append(axis)
        elif found:
            _name(chosen, axis, found, part, names, holes_only=True)
    on_axis = dict(names)
    chosen.close()
    called = table.table("features")
    for word in list(called.data):
        _name(called, word, called.text(word), part, names, holes_only=False)
    called.close()
    shared = None
    if session is not None:
        along, across = scale_u_along(part, "along"), scale_u_along(part, "across")
        said = session.along
        shared = Shared(session.scan, said if along is None else along, said if across is None else across)
    try:
        own = own_from_record(part, ident, names=names, face_up=face_up, shared=shared)
    except InputError as error:
        table.refuse("record", str(error))
    return on_axes(own, {axis: axis for axis in on_axis.values()}), tuple(near)


def _name(table: Table, word: str, ident: str, part: Part, names: dict[str, str], *, holes_only: bool) -> None:
    """Take a name for a feature, or refuse it with those that can be meant."""
    likely = [one for one in part.features if is_hole(one) or (not holes_only and is_outside(one))]
    listed = _listed(likely)
    if ident not in part:
        table.refuse(word, f"its record has no feature '{ident}'; it has {listed}")
    if part[ident] not in likely:
        what = "hole" if holes_only else "hole or outside"
        table.refuse(word, f"{ident} is a {kind_words(part[ident])}, no {what}; it has {listed}")
    if ident in names:
        table.refuse(word, f"{ident} is called '{names[ident]}' already; name another feature, of {listed}")
    names[ident] = word


def _listed(features: list[Feature]) -> str:
    shown = ", ".join(f"{one.id} ({kind_words(one)} {one.size:.2f})" for one in features[:_MOST_LISTED])
    return shown + (f" and {len(features) - _MOST_LISTED} more" if len(features) > _MOST_LISTED else "")
