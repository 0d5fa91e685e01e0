"""Sentences of the plan in the names people use: ids of the file give way to the names of parts, axes and holes."""

import re
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass, replace
from typing import Any, TypeVar

from ctrecon.workshop.assembly.model import Assembly

__all__ = ["names_of", "worded"]

_KEPT = (
    "id",
    "about",
    "part",
    "parts",
    "steps",
    "after",
    "set_up",
    "upper",
    "lower",
    "plates",
    "outlines",
    "there",
    "key",
    "topic",
    "state",
)
"""Fields that hold ids for programs, not words for people."""

T = TypeVar("T")


def names_of(assembly: Assembly) -> dict[str, str]:
    """Return the name of every part, axis, gap, hole and step by its id."""
    names = {one.id: one.name for one in assembly.gaps}
    for part in assembly.parts:
        names |= {one.id: one.id.replace("_", " ") for one in part.holes}
        names |= {one.id: one.id.replace("_", " ") for one in part.steps}
    names |= {one.id: one.name for one in assembly.axes}
    return names | {one.id: one.name for one in assembly.parts}


def worded(thing: T, names: Mapping[str, str]) -> T:
    """Return a record of the plan with every id inside its sentences replaced by its name.

    Parameters
    ----------
    thing : dataclass
        Such as `Check` or `PlanStep`; fields that hold ids stay as they are.
    names : mapping of str to str
        Of `names_of`.
    """
    ids = sorted((one for one in names if "_" in one or "-" in one), key=len, reverse=True) or ["_"]
    # not within the id of a step, nor in a key in quotes that is to be written into the file
    pattern = re.compile(rf"(?<![\w+/\"-])({'|'.join(re.escape(one) for one in ids)})(?![\w+/\"-])")
    changed: T = _replaced(thing, lambda text: _capital(pattern.sub(lambda found: names.get(found[0], found[0]), text)))
    return changed


def _capital(text: str) -> str:
    """Begin every sentence with a capital; a text without a full stop at its end is no sentence."""
    if not text.endswith("."):
        return text
    return re.sub(r"(^|[.!?] )([a-zäöü])", lambda found: found[1] + found[2].upper(), text)


def _replaced(thing: Any, change: Callable[[str], str]) -> Any:
    if isinstance(thing, str):
        return change(thing)
    if isinstance(thing, tuple):
        return tuple(_replaced(one, change) for one in thing)
    if is_dataclass(thing) and not isinstance(thing, type) and type(thing).__module__.endswith("plan.model"):
        some = {one.name: _replaced(getattr(thing, one.name), change) for one in fields(thing) if one.name not in _KEPT}
        return replace(thing, **some)
    return thing
