"""Sizes taken from the real pieces: they take the place of planned ones, with their own u, and nothing is mixed."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from ctrecon.core.measured import Measured
from ctrecon.workshop.assembly.model import PlannedSize
from ctrecon.workshop.assembly.own import OwnHole, OwnPart, OwnStep, resized
from ctrecon.workshop.assembly.schema import Table, nearest

__all__ = ["flat_sizes", "read_made", "with_made"]


def flat_sizes(data: Mapping[str, Any], before: str = "") -> dict[str, Any]:
    """Return ``spacer.thickness`` whether it was written in quotes or as a table in a table."""
    out: dict[str, Any] = {}
    for name, value in data.items():
        key = f"{before}.{name}" if before else name
        if isinstance(value, dict):
            out |= flat_sizes(value, key)
        else:
            out[key] = value
    return out


def read_made(table: Table, known: Mapping[str, PlannedSize], caliper_u_mm: float) -> dict[str, PlannedSize]:
    """Return the made sizes by key.

    Parameters
    ----------
    table : Table
        ``[made]``.
    known : mapping of str to PlannedSize
        All sizes that can be made.
    caliper_u_mm : float
        Standard uncertainty (mm) of a size typed without ±.

    Raises
    ------
    InputError
        If a key is no size of the assembly, or a value no size.
    """
    out = {}
    for key, value in flat_sizes(table.data).items():
        if key not in known:
            table.refuse(key, f"there is no such size; {nearest(key, _likely(key, known))}")
        size = table.as_size(key, value)
        before = known[key]
        u = caliper_u_mm if size.u is None else size.u
        out[key] = PlannedSize(
            key=key, words=before.words, size=Measured(size.value, u), basis="made", feature=before.feature,
            made_from=before.size,
        )  # fmt: skip
    return out


def _likely(key: str, known: Mapping[str, PlannedSize]) -> list[str]:
    """Return the sizes of the part that is meant, or all."""
    part = key.partition(".")[0]
    own = [one for one in known if one.partition(".")[0] == part]
    return own or list(known)


def with_made(part: OwnPart, made: Mapping[str, PlannedSize]) -> OwnPart:
    """Return the part with made sizes across in the place of its own; lengths along the axis follow from its faces."""
    return replace(
        part, holes=tuple(_hole(one, made) for one in part.holes), steps=tuple(_step(one, made) for one in part.steps)
    )


def _hole(hole: OwnHole, made: Mapping[str, PlannedSize]) -> OwnHole:
    across = made.get(hole.across.key, hole.across)
    wider = across.value / hole.across.value
    if hole.long is None:
        shape = resized(hole.shape, hole.kind, hole.turn_deg, (wider, wider))
        return replace(hole, across=across, shape=shape)
    long = made.get(hole.long.key, hole.long)
    shape = resized(hole.shape, hole.kind, hole.turn_deg, (long.value / hole.long.value, wider))
    return replace(hole, across=across, long=long, shape=shape)


def _step(step: OwnStep, made: Mapping[str, PlannedSize]) -> OwnStep:
    across = tuple(made.get(one.key, one) for one in step.across)
    factors = [new.value / old.value for new, old in zip(across, step.across, strict=True)]
    if not factors:
        return step
    if all(one == 1.0 for one in factors):
        return replace(step, across=across)  # made to the very size: the section stays, what is known of it does not
    first, last = factors[0], factors[-1]
    return replace(step, across=across, shape=resized(step.shape, step.kind, step.turn_deg, (first, last)))
