"""The assembly file: TOML in, the assembly out, every refusal one sentence with file and key."""

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ctrecon.core.errors import InputError, InputFileError
from ctrecon.core.numbers import unusable_numbers
from ctrecon.workshop.assembly.build import all_sizes, planned_part
from ctrecon.workshop.assembly.entries import Entry, read_entry, read_scans
from ctrecon.workshop.assembly.heights import faces_of
from ctrecon.workshop.assembly.keep_outs import read_keep_outs
from ctrecon.workshop.assembly.made import read_made, with_made
from ctrecon.workshop.assembly.model import Assembly, PlannedPart, PlannedSize, SharedAxis
from ctrecon.workshop.assembly.placing import Placed, place_parts
from ctrecon.workshop.assembly.rivet_sets import read_rivets
from ctrecon.workshop.assembly.schema import Table, nearest
from ctrecon.workshop.assembly.shop_tables import read_overrides, read_shop, read_stock
from ctrecon.workshop.assembly.stacking import Seat, read_gap, stacked

__all__ = ["assembly_from", "read_assembly", "read_toml"]


def read_assembly(path: str | Path) -> Assembly:
    """Read an assembly file with the records it names, and put every part in its place.

    Parameters
    ----------
    path : str or Path
        The TOML file; records are looked for beside it.

    Returns
    -------
    Assembly
        Every part in the assembly frame, with all its sizes; made sizes stand in the place of measured ones.

    Raises
    ------
    InputFileError
        If the file cannot be read or is no TOML.
    InputError
        If a key is unknown or missing, a value or a record cannot be used, or parts do not go together: one sentence
        with the file, the key and what to do.

    Examples
    --------
    >>> from pathlib import Path
    >>> import ctrecon as ct
    >>> plate = 'role = "plate", outline = {size_mm = [40, 30]}, holes = [{axis = "main", diameter_mm = "3±0.01"}]'
    >>> text = f'''
    ... name = "two plates"
    ... stack = ["upper", "lower"]
    ... axes.main = {{}}
    ... parts.upper = {{thickness_mm = "1.5±0.02", {plate}}}
    ... parts.lower = {{thickness_mm = "2±0.02", {plate}}}
    ... '''
    >>> Path("two_plates.toml").write_text(text, encoding="utf-8") > 0
    True
    >>> assembly = ct.read_assembly("two_plates.toml")
    >>> [(part.name, part.from_z, part.to_z) for part in assembly.parts]
    [('upper', 2.0, 3.5), ('lower', 0, 2.0)]
    """
    path = Path(path)
    return assembly_from(read_toml(path)[1], path)


def assembly_from(data: Mapping[str, Any], path: Path) -> Assembly:
    """Return the assembly that the data of a file give: as `read_assembly`, of data that may have been changed.

    Parameters
    ----------
    data : mapping
        As tomllib gives it.
    path : Path
        The file: records are looked for beside it, and refusals name it.

    Raises
    ------
    InputError
        As `read_assembly`.
    """
    for fault in unusable_numbers(data):
        raise InputError(f"{path}: {fault}")
    top = Table(data, "", path)
    top.need("name", "what is made")
    shop, stock = read_shop(top.table("shop")), read_stock(top.table("stock"))
    axes = dict(top.table("axes").each())
    scans = read_scans(top)
    parts = top.table("parts")
    tables = dict(parts.each())
    if not tables:
        top.refuse("parts", "is missing; give one table a part, such as [parts.top_plate]")
    plates = top.some_of("stack", tables, "part")
    entries = {i: read_entry(i, t, axes=tuple(axes), parts=tuple(tables), scans=scans) for i, t in tables.items()}
    _check_stack(top, plates, entries)
    within = top.number("match_within_mm", 0.5, least=0.01, most=20.0)
    placed = place_parts(entries, axes, top.table("frame"), tuple(dict.fromkeys((*plates, *entries))), within)
    before = {i: faces_of(one, entries[i].foot or None) for i, one in placed.own.items()}
    measured = {i: all_sizes(placed.own[i], before[i]) for i in entries}
    every = {key: size for some in measured.values() for key, size in some.items()}
    made = read_made(top.table("made"), every, shop.caliper_u_mm)
    now = {ident: with_made(one, made) for ident, one in placed.own.items()}
    seats = _seats(entries, plates)
    stack = stacked({i: faces_of(now[i], entries[i].foot or None, made) for i in entries}, seats, parts)
    old = stacked(before, seats, parts)
    extra: dict[str, PlannedSize] = {}
    extra_before: dict[str, PlannedSize] = {}
    gap_tables = top.table("gaps").each()
    for ident, table in gap_tables:
        read_gap(table, ident, old, extra_before)
    gaps = tuple(read_gap(table, ident, stack, extra) for ident, table in gap_tables)
    built = [
        planned_part(
            entries[i], now[i], stack.faces[i], stack.z[i], placed.motion[i], rests_on=_under(seats.get(i)),
            measured={**measured[i], **_of(i, extra_before)}, extra=_of(i, extra), notes=placed.notes[i],
        )
        for i in entries
    ]  # fmt: skip
    order = tuple(sorted(built, key=lambda one: (-one.to_z, _rank(one.id, plates), one.id)))
    shared = _shared(axes, placed, order, top)
    overrides = read_overrides(
        top.table("overrides"), plates=plates, parts=tuple(entries),
        holes={hole.size_key: hole.id for part in order for hole in part.holes},
    )  # fmt: skip
    places = {one.id: one.place for one in shared}
    keep_outs = read_keep_outs(top, plates, places)
    out = Assembly(
        name=top.text("name"), units=top.text("units", "mm", choices=("mm", "inch")), source=path, parts=order,
        stack=plates, axes=shared, keep_outs=keep_outs, gaps=gaps,
        rivets=read_rivets(top, tuple(entries), places), stock=stock, shop=shop, made=made,
        done=top.texts("done"), overrides=overrides, notes=_notes(order),
    )  # fmt: skip
    top.close()
    return out


def _rank(ident: str, plates: tuple[str, ...]) -> int:
    """Return where a plate stands in the stack; what is none comes after them."""
    return plates.index(ident) if ident in plates else len(plates)


def read_toml(path: Path) -> tuple[str, dict[str, Any]]:
    """Return the text of a TOML file and its data.

    Raises
    ------
    InputFileError
        If the file cannot be read or is no TOML.
    """
    try:
        text = path.read_bytes().decode("utf-8")
    except OSError as error:
        raise InputFileError(f"{path}: cannot be read ({error.strerror}); give the assembly file") from None
    except UnicodeDecodeError:
        raise InputFileError(f"{path}: is no text in UTF-8; save it as such") from None
    try:
        return text, tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # also a number of thousands of digits, brackets a thousand deep
        raise InputFileError(f"{path}: is no TOML ({error}); mend that line") from None


def _check_stack(top: Table, plates: tuple[str, ...], entries: Mapping[str, Entry]) -> None:
    """Refuse a stack without plates, with something else in it, or without one of the plates."""
    top.need("stack", 'the plates from the top down, such as ["top_plate", "middle_plate", "bottom_plate"]')
    if not plates:
        top.refuse("stack", "is empty; give the plates from the top down")
    for ident in plates:
        if entries[ident].role != "plate":
            top.refuse("stack", f"{ident} is a {entries[ident].role}, and only plates stack; give it rests_on instead")
    left = [ident for ident, one in entries.items() if one.role == "plate" and ident not in plates]
    if left:
        top.refuse("stack", f"leaves out {', '.join(left)}; put every plate in its place")


def _seats(entries: Mapping[str, Entry], plates: tuple[str, ...]) -> dict[str, Seat]:
    """Return what each part rests on: as its table says; a plate without it, on the next plate."""
    out = {}
    for ident, one in entries.items():
        part, _, step = one.rests_on.partition(".")
        if part == ident:
            one.table.refuse("rests_on", "names the part itself; name what is under it")
        if part:
            steps = [step.id for step in entries[part].own.steps]
            if step and step not in steps:
                one.table.refuse("rests_on", f"{part} has no step '{step}'; {nearest(step, steps)}")
            out[ident] = Seat(part, step or None, one.gap_mm)
        elif ident in plates[:-1]:
            out[ident] = Seat(plates[plates.index(ident) + 1], None, one.gap_mm)
    return out


def _under(seat: Seat | None) -> str | None:
    return None if seat is None else seat.part if seat.step is None else f"{seat.part}.{seat.step}"


def _of(ident: str, sizes: Mapping[str, PlannedSize]) -> dict[str, PlannedSize]:
    return {key: one for key, one in sizes.items() if key.partition(".")[0] == ident}


def _shared(
    axes: Mapping[str, Table], placed: Placed, order: tuple[PlannedPart, ...], top: Table
) -> tuple[SharedAxis, ...]:
    out = []
    for ident, table in axes.items():
        if ident not in placed.places:
            top.refuse(f"axes.{ident}", "no part has a hole on it and it has no place; name a hole, or at_mm = [x, y]")
        on = tuple(one.id for one in order if one.axis == ident or one.hole_on(ident) is not None)
        name = table.text("name", ident.replace("_", " "))
        table.close()
        place, found_in = placed.places[ident], placed.found_in[ident]
        out.append(SharedAxis(id=ident, name=name, place=place, parts=on, found_in=found_in))
    return tuple(out)


def _notes(parts: tuple[PlannedPart, ...]) -> tuple[str, ...]:
    """Return what holds for the whole: sizes of which the scale is not known."""
    unknown = [one.id for one in parts if any(size.scale_u is None for size in one.sizes.values())]
    if not unknown:
        return ()
    return (
        f"how true the scale of {', '.join(unknown)} is, nobody said: their U is without scale (calibrate the records, "
        "or give scale_u_percent in [scans])",
    )
