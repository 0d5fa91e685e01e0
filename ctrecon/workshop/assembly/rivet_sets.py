"""What is riveted: [[rivets]] of the file."""

from collections.abc import Mapping

from ctrecon.workshop.assembly.model import Place, RivetSet
from ctrecon.workshop.assembly.schema import Table
from ctrecon.workshop.rivets import HEADS

__all__ = ["read_rivets"]


def read_rivets(top: Table, parts: tuple[str, ...], axes: Mapping[str, Place]) -> tuple[RivetSet, ...]:
    """Read the list: each with a name, the parts it joins, a diameter, a head and its places.

    Parameters
    ----------
    top : Table
        The file.
    parts : tuple of str
        Ids of all parts.
    axes : mapping of str to Place
        Where each shared axis is: one of them may stand for a place.
    """
    out: list[RivetSet] = []
    for number, table in enumerate(top.tables("rivets"), 1):
        table.need("parts", "the parts that are joined")
        table.need("diameter_mm", "the diameter of the shank")
        table.need("head", f"the head that is formed, one of {', '.join(HEADS)}")
        joined = table.some_of("parts", parts, "part")
        size = table.size("diameter_mm")
        axis = table.one_of("axis", axes, "shared axis")
        at = table.points("at_mm")
        if bool(axis) == bool(at):
            table.refuse("", "needs one of axis and at_mm = [[x, y], ...]")
        head = table.text("head", choices=HEADS)
        name = table.text("name", f"rivets {number}")
        table.close()
        places = (axes[axis].xy,) if axis else at
        diameter = 0.0 if size is None else size.value
        out.append(
            RivetSet(id=f"rivets_{number}", name=name, parts=joined, diameter_mm=diameter, head=head, places=places)
        )
    return tuple(out)
