"""Where nothing may be drilled: [[keep_outs]] of the file."""

from collections.abc import Mapping

from shapely import affinity

from ctrecon.workshop.assembly.model import KeepOut, Place
from ctrecon.workshop.assembly.schema import Table
from ctrecon.workshop.assembly.typed import region

__all__ = ["read_keep_outs"]


def read_keep_outs(top: Table, plates: tuple[str, ...], axes: Mapping[str, Place]) -> tuple[KeepOut, ...]:
    """Read the list: each with a name, its plates (all where none are named), a place and a section.

    Parameters
    ----------
    top : Table
        The file.
    plates : tuple of str
        Ids of the plates.
    axes : mapping of str to Place
        Where each shared axis is.
    """
    out: list[KeepOut] = []
    for table in top.tables("keep_outs"):
        table.need("name", "what is there")
        name = table.text("name")
        if any(one.name == name for one in out):
            table.refuse("name", f"'{name}' stands there twice; give each its own name")
        on = table.some_of("plates", plates, "plate") or plates
        axis = table.one_of("axis", axes, "shared axis")
        at = table.points("at_mm", [table.data["at_mm"]]) if table.has("at_mm") else ()
        if axis and at:
            table.refuse("at_mm", "stands beside axis; give one of them")
        if not axis and not at and not table.has("points_mm"):
            table.refuse("", "has no place; give axis, or at_mm = [x, y]")
        _, _, shape, _ = region(table)
        margin = table.number("margin_mm", -1.0, least=0.0, most=50.0) if table.has("margin_mm") else None
        table.close()
        x, y = axes[axis].xy if axis else at[0] if at else (0.0, 0.0)
        out.append(KeepOut(name=name, plates=on, shape=affinity.translate(shape, x, y), margin_mm=margin))
    return tuple(out)
