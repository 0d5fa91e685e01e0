"""Changes to an assembly, made in the data of its file and read again: what follows from them follows by one road.

A made thickness moves every part above it, closes chains anew and shifts keep-outs that hang on axes. All that is the
reading's work; so a change is made where a person would make it, in the file's data, and the file's own checks refuse
what can't be.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from ctrecon.core.errors import InputError
from ctrecon.workshop.assembly.made import flat_sizes
from ctrecon.workshop.assembly.model import Assembly
from ctrecon.workshop.assembly.read import assembly_from, read_toml
from ctrecon.workshop.assembly.schema import nearest

__all__ = [
    "AssemblyFile", "open_assembly", "with_done", "with_habit", "with_keep_out", "with_keep_out_at", "with_made",
    "with_override", "without_keep_out",
]  # fmt: skip

_PLACE_DIGITS = 4  # of a mm: a tenth of a micrometre, finer than anything that is marked out
OVERRIDES = ("pins", "fits", "stock")
"""Kinds of override that `with_override` puts in."""


@dataclass(frozen=True)
class AssemblyFile:
    """An assembly file with its changes, which are not written yet.

    Parameters
    ----------
    path : Path
        The file.
    text : str
        What stands in it.
    data : mapping
        What it says, changes included.
    """

    path: Path
    text: str
    data: Mapping[str, Any]

    def assembly(self) -> Assembly:
        """Return the assembly as it stands.

        Raises
        ------
        InputError
            As `read_assembly`: a change that can't be is refused with file and key.
        """
        return assembly_from(self.data, self.path)

    def _with(self, name: str, value: object) -> "AssemblyFile":
        """Return the file with one key at its top changed; an empty value takes it out."""
        left = {key: one for key, one in self.data.items() if key != name}
        return replace(self, data={**left, name: value} if value else left)


def open_assembly(path: str | Path) -> AssemblyFile:
    """Open an assembly file to change it.

    Raises
    ------
    InputFileError
        If it cannot be read or is no TOML.
    """
    path = Path(path)
    return AssemblyFile(path, *read_toml(path))


def with_made(file: AssemblyFile, key: str, size: str | float | None) -> AssemblyFile:
    """Put in a size taken from the finished piece; it takes the place of the planned one.

    Parameters
    ----------
    file : AssemblyFile
        The file.
    key : str
        Such as ``spacer.thickness``.
    size : str, float or None
        Such as ``"1.49±0.01"`` (mm; U, k = 2), or a number; None takes it out again.
    """
    made = {one: value for one, value in flat_sizes(file.data.get("made", {})).items() if one != key}
    if size is not None:
        made[key] = size
    return file._with("made", made)


def with_done(file: AssemblyFile, step: str, done: bool = True) -> AssemblyFile:
    """Tick a step of the plan as done, by its id; False takes the tick away."""
    left = [one for one in file.data.get("done", []) if one != step]
    return file._with("done", [*left, step] if done else left)


def with_habit(file: AssemblyFile, key: str, value: str | float) -> AssemblyFile:
    """Set a habit of the shop, such as ``edge_margin_mm``: the metal left between a pin hole and any edge."""
    return file._with("shop", {**file.data.get("shop", {}), key: value})


def with_keep_out_at(file: AssemblyFile, name: str, x: float, y: float) -> AssemblyFile:
    """Move a keep-out so that its middle comes to (x, y) in the assembly frame (mm).

    Raises
    ------
    InputError
        If there is no keep-out of that name.
    """
    there = file.assembly()
    shape = _named(there.keep_outs, name).shape
    table = next(one for one in file.data["keep_outs"] if one["name"] == name)
    axis = next((one.place.xy for one in there.axes if one.id == table.get("axis")), None)
    at = axis or tuple(float(one) for one in table.get("at_mm", (0.0, 0.0)))
    moved = [
        round(old + new - middle, _PLACE_DIGITS)
        for old, new, middle in zip(at, (x, y), (shape.centroid.x, shape.centroid.y), strict=True)
    ]
    kept = {key: value for key, value in table.items() if key not in ("axis", "at_mm")}
    return _with_keep_outs(file, name, {**kept, "at_mm": moved})


def with_keep_out(
    file: AssemblyFile,
    name: str,
    *,
    at: tuple[float, float],
    size: tuple[float, float] | None = None,
    diameter: float | None = None,
    plates: Sequence[str] = (),
    margin: float | None = None,
) -> AssemblyFile:
    """Put in a keep-out, or another in the place of the one of that name.

    Parameters
    ----------
    file : AssemblyFile
        The file.
    name : str
        What is there.
    at : (x, y)
        Its middle (mm), assembly frame.
    size : (wide, tall) or None
        Of a rectangle (mm).
    diameter : float or None
        Of a disc (mm); one of the two must be given.
    plates : sequence of str
        Plates it holds for; all where none are named.
    margin : float or None
        Distance to keep from it (mm); None for the shop's habit.

    Raises
    ------
    InputError
        If neither or both of size and diameter are given.
    """
    if (size is None) == (diameter is None):
        raise InputError(f"keep-out {name} needs either size or diameter; give one of them")
    table: dict[str, Any] = {"name": name}
    if plates:
        table["plates"] = list(plates)
    table["at_mm"] = [float(one) for one in at]
    table |= {"diameter_mm": diameter} if size is None else {"size_mm": [float(one) for one in size]}
    if margin is not None:
        table["margin_mm"] = margin
    return _with_keep_outs(file, name, table)


def without_keep_out(file: AssemblyFile, name: str) -> AssemblyFile:
    """Take a keep-out away.

    Raises
    ------
    InputError
        If there is none of that name.
    """
    _named(file.assembly().keep_outs, name)
    return _with_keep_outs(file, name, None)


def with_override(file: AssemblyFile, what: str, key: str, value: object) -> AssemblyFile:
    """Decide against the plan, which checks it again.

    Parameters
    ----------
    file : AssemblyFile
        The file.
    what : {"pins", "fits", "stock"}
        What is decided.
    key : str
        Of pins the two plates as ``upper/lower``, of a fit the hole, of stock the part.
    value : object
        Places ``[[x, y], ...]`` (mm), a fit such as ``"H7/k6"``, a thickness (mm); None takes the decision back.

    Raises
    ------
    InputError
        If nothing of that kind can be decided.
    """
    if what not in OVERRIDES:
        raise InputError(f"'{what}' is nothing to decide; {nearest(what, OVERRIDES)}")
    every = dict(file.data.get("overrides", {}))
    inside = {one: kept for one, kept in every.pop(what, {}).items() if one != key}
    if value is not None:
        inside[key] = value
    return file._with("overrides", {**every, what: inside} if inside else every)


def _named(keep_outs: Sequence[Any], name: str) -> Any:
    for one in keep_outs:
        if one.name == name:
            return one
    raise InputError(f"there is no keep-out '{name}'; {nearest(name, [one.name for one in keep_outs])}")


def _with_keep_outs(file: AssemblyFile, name: str, table: Mapping[str, Any] | None) -> AssemblyFile:
    """Return the file with one keep-out replaced in its place, put in as the last one, or taken out."""
    old = list(file.data.get("keep_outs", []))
    at = next((k for k, one in enumerate(old) if one.get("name") == name), len(old))
    return file._with("keep_outs", [*old[:at], *([] if table is None else [table]), *old[at + 1 :]])
