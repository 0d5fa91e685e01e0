"""What parts of a batch share: bores of one drill, one thickness of sheet, one pattern of holes, fragments of one ring.

All are candidates: sizes that agree within their uncertainty, told with how many would agree by chance.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path

import numpy as np

from ctrecon.batch.entry import Entry
from ctrecon.core.frames import Floats
from ctrecon.core.measured import Measured, decimals_for, expanded, format_u, format_value
from ctrecon.core.tables import write_table
from ctrecon.record.kinds import is_hole, is_outside, kind_of
from ctrecon.record.part import Feature, Part, place_in_part_frame
from ctrecon.record.sensitivity import expanded_of

__all__ = ["ALIKE", "Alike", "find_alike", "write_alike"]

ALIKE = "alike.csv"
_HEAD = ("what", "value_mm", "U_k2_mm", "members", "stacks", "by_chance", "says")
_AGREES = 2.0  # standard uncertainties of a difference: about 95 %
_NEAR = 0.15  # of a size, to each side: how densely sizes lie is counted within
_LEAST_HOLES = 3  # two holes agree with some two others of many; three fix a pattern
_FULL_TURN = 360.0


@dataclass(frozen=True, kw_only=True)
class Alike:
    """One thing that several stacks share.

    Parameters
    ----------
    what : {"bore", "square", "thickness", "hole pattern", "ring"}
    size : Measured or None
        The weighted mean, mm; None where it is no one size.
    members : tuple of (str, str)
        Stack and feature.
    by_chance : float or None
        How many sizes of other stacks would lie as near if sizes were spread as they are about here; None: not told.
    says : str
        One sentence.
    """

    what: str
    size: Measured | None
    members: tuple[tuple[str, str], ...]
    by_chance: float | None
    says: str


@dataclass(frozen=True)
class _Size:
    stack: str
    feature: str
    value: float
    u: float


def find_alike(entries: Iterable[Entry]) -> list[Alike]:
    """Find what the measured stacks share.

    Notes
    -----
    Sizes are grouped in their order as long as each agrees with the mean of the group before it within two standard
    uncertainties of the difference. A pattern is one motion (turned over or not) that lays three or more holes of one
    stack on holes of the same kind and size of another. Copies of a stack agree in everything and are left out.
    """
    parts = [
        (entry.stack, entry.part) for entry in entries
        if entry.part is not None and entry.part.features and not entry.same_as
    ]  # fmt: skip
    found: list[Alike] = []
    for what, kind, quantity in (("bore", "round_hole", "diameter_mm"), ("square", "square_hole", "flats_mm")):
        sizes = [
            size for stack, part in parts for one in part.of_kind(kind)
            if (size := _size(stack, part, one, quantity)) is not None
        ]  # fmt: skip
        found.extend(_shared(what, sizes))
    found.extend(_shared("thickness", [size for stack, part in parts for size in _thicknesses(stack, part)]))
    found.extend(_patterns(parts))
    for one, other in combinations(parts, 2):
        found.extend(_rings(*one, *other))
    return found


def write_alike(found: Iterable[Alike], out: Path) -> None:
    """Write ``alike.csv``."""
    rows = []
    for one in found:
        decimals = 0 if one.size is None else decimals_for(expanded(one.size))
        value = "" if one.size is None else format_value(one.size.value, decimals)
        spread = "" if one.size is None else format_u(expanded(one.size), decimals)
        members = "; ".join(f"{stack} {feature}".strip() for stack, feature in one.members)
        count = len({stack for stack, _ in one.members})
        chance = "" if one.by_chance is None else f"{one.by_chance:.2g}"
        rows.append((one.what, value, spread, members, count, chance, one.says))
    write_table(out / ALIKE, _HEAD, rows)


def _size(stack: str, part: Part, feature: Feature, quantity: str) -> _Size | None:
    """Return a size with the whole of its uncertainty; none of what is undecided."""
    value = getattr(feature, quantity)
    if value is None or "undecided" in feature.flags or value.value <= 0:
        return None
    whole = expanded_of(part, feature, quantity, value)
    return None if whole is None else _Size(stack, feature.id, value.value, whole / 2)


def _thicknesses(stack: str, part: Part) -> Iterator[_Size]:
    """Yield the thickness of a part where it is a plate: thinner than half of what it is across."""
    for one in part.features:
        if not is_outside(one):
            continue
        across = kind_of(one).main_size(one)
        size = _size(stack, part, one, "length_mm")
        if size is not None and across is not None and size.value < across / 2:
            yield size


def _shared(what: str, sizes: list[_Size]) -> Iterator[Alike]:
    sizes = sorted(sizes, key=lambda one: (one.value, one.stack, one.feature))
    group: list[_Size] = []
    for one in [*sizes, None]:
        if one is not None and (not group or _agree(one, _mean(group))):
            group.append(one)
            continue
        if len({member.stack for member in group}) > 1:
            yield _alike(what, group, sizes)
        group = [] if one is None else [one]


def _agree(one: _Size, mean: Measured) -> bool:
    return abs(one.value - mean.value) <= _AGREES * float(np.hypot(one.u, mean.u or 0.0))


def _mean(group: list[_Size]) -> Measured:
    weight = np.array([one.u for one in group]) ** -2.0
    return Measured(float(weight @ [one.value for one in group] / weight.sum()), float(weight.sum() ** -0.5))


def _alike(what: str, group: list[_Size], sizes: list[_Size]) -> Alike:
    mean = _mean(group)
    width = 2 * _AGREES * float(np.hypot(np.median([one.u for one in group]), mean.u or 0.0))
    others = [one for one in sizes if one not in group and abs(one.value - mean.value) <= _NEAR * mean.value]
    chance = len(others) * min(width / (2 * _NEAR * mean.value), 1.0)
    spread = max(one.value for one in group) - min(one.value for one in group)
    members = tuple(sorted((one.stack, one.feature) for one in group))
    says = {
        "bore": "may be of one drill or reamer", "square": "may be of one broach or file",
        "thickness": "may be of one sheet",
    }[what]  # fmt: skip
    decimals = decimals_for(expanded(mean))
    spread = max(spread, 10.0**-decimals)
    return Alike(
        what=what, size=mean, members=members, by_chance=chance,
        says=f"{len(group)} agree within {format_value(spread, decimals)} mm, as near as they are known: {says}",
    )  # fmt: skip


def _holes(part: Part) -> tuple[list[Feature], Floats, Floats]:
    """Return the holes that have a size of their own, their places and their uncertainties (mm)."""
    holes = [
        one for one in part.features
        if is_hole(one) and "undecided" not in one.flags and one.x_mm is not None and one.y_mm is not None
        and one.x_mm.u and one.y_mm.u
    ]  # fmt: skip
    places = np.array([place_in_part_frame(part, one) for one in holes]).reshape(-1, 2)
    u = np.array([float(np.hypot(one.x_mm.u or 0.0, one.y_mm.u or 0.0)) for one in holes if one.x_mm and one.y_mm])
    return holes, places, u


def _patterns(parts: list[tuple[str, Part]]) -> list[Alike]:
    """Return each pattern once, with all stacks that show it on the same holes of the first."""
    groups: dict[tuple[str, tuple[str, ...]], list[_Laid]] = {}
    seen: list[set[tuple[str, str]]] = []
    for (name, part), (other_name, other) in combinations(parts, 2):
        laid = _pattern(part, other)
        if laid is None:
            continue
        members = {(name, i) for i in laid.ours} | {(other_name, j) for j in laid.theirs}
        if any(members <= one for one in seen):
            continue
        key = name, laid.ours
        groups.setdefault(key, []).append(replace(laid, stack=other_name))
        whole = next((one for one in seen if {(name, i) for i in laid.ours} <= one), None)
        if whole is None:
            seen.append(members)
        else:
            whole |= members
    return [_told(name, ours, group) for (name, ours), group in groups.items()]


def _told(name: str, ours: tuple[str, ...], group: list["_Laid"]) -> Alike:
    others = ", ".join(one.stack + (" (turned over)" if one.over else "") for one in group)
    off = max(one.off for one in group)
    members = [(name, i) for i in ours] + [(one.stack, j) for one in group for j in one.theirs]
    return Alike(
        what="hole pattern", size=None, members=tuple(members), by_chance=None,
        says=f"{len(ours)} holes of {name} lie on holes of {others}, the farthest {off:.3f} mm off: "
        "they may have been drilled together",
    )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class _Laid:
    """Holes of one stack laid on those of another: which on which, how far off (mm), and whether turned over."""

    ours: tuple[str, ...]
    theirs: tuple[str, ...]
    off: float
    over: bool
    stack: str = ""


def _pattern(part: Part, other: Part) -> _Laid | None:
    """Lay as many holes of one part as can be on holes of another by one motion."""
    ours, at, u = _holes(part)
    theirs, there, other_u = _holes(other)
    if min(len(ours), len(theirs)) < _LEAST_HOLES:
        return None
    fit = np.array([[_same_hole(part, a, other, b) for b in theirs] for a in ours])
    best: _Laid | None = None
    for over in (False, True):
        for pairs, off in _laid_on(at, u, there * (1, -1) if over else there, other_u, fit):
            if best is None or (len(pairs), -off) > (len(best.ours), -best.off):
                named = [(ours[i].id, theirs[j].id) for i, j in pairs]
                best = _Laid(ours=tuple(i for i, _ in named), theirs=tuple(j for _, j in named), off=off, over=over)
    return best


def _same_hole(part: Part, one: Feature, other: Part, two: Feature) -> bool:
    if kind_of(one) is not kind_of(two):
        return False
    sizes = kind_of(one).sizes
    if not sizes:
        return True
    a = _size("", part, one, sizes[0].field) if sizes[0].field == sizes[0].quantity else None
    b = _size("", other, two, sizes[0].field) if sizes[0].field == sizes[0].quantity else None
    return a is None or b is None or abs(a.value - b.value) <= _AGREES * float(np.hypot(a.u, b.u))


def _laid_on(
    at: Floats, u: Floats, there: Floats, other_u: Floats, fit: np.ndarray[tuple[int, int], np.dtype[np.bool_]]
) -> Iterator[tuple[list[tuple[int, int]], float]]:
    """Yield the pairs that each motion by two holes lays on each other, and how far apart the worst of them are."""
    u_pair = np.hypot(u[:, None], other_u[None, :])
    for i, j in combinations(range(len(at)), 2):
        ours = complex(*(at[j] - at[i]))
        if abs(ours) == 0:
            continue
        for k, m in np.argwhere(fit[i][:, None] & fit[j][None, :]):
            if k == m:
                continue
            theirs = complex(*(there[m] - there[k]))
            if abs(abs(theirs) - abs(ours)) > _AGREES * float(np.hypot(u_pair[i, k], u_pair[j, m])):
                continue
            turn = ours / theirs * (abs(theirs) / abs(ours))
            moved = (there - there[k]) @ np.array([[turn.real, turn.imag], [-turn.imag, turn.real]]) + at[i]
            away = np.hypot(*(at[:, None] - moved[None, :]).transpose(2, 0, 1))
            good = fit & (away <= 2 * _AGREES * u_pair)  # the motion has the uncertainty of two holes itself
            nearest = np.argmin(np.where(good, away, np.inf), axis=1)
            pairs = [(int(a), int(nearest[a])) for a in np.flatnonzero(good.any(axis=1))]
            if len({b for _, b in pairs}) == len(pairs) >= _LEAST_HOLES:
                yield pairs, max(float(away[a, b]) for a, b in pairs)


def _rings(name: str, part: Part, other_name: str, other: Part) -> Iterator[Alike]:
    """Yield broken rims of one diameter that together are no more than a whole turn."""
    for one in _broken(part):
        for two in _broken(other):
            a, b = _size(name, part, one, "diameter_mm"), _size(other_name, other, two, "diameter_mm")
            if a is None or b is None or not _agree(a, Measured(b.value, b.u)):
                continue
            arcs = (one.arc_deg or 0.0) + (two.arc_deg or 0.0)
            if arcs <= _FULL_TURN:
                yield Alike(
                    what="ring", size=_mean([a, b]), members=((name, one.id), (other_name, two.id)), by_chance=None,
                    says=f"rims of {one.arc_deg:.0f} and {two.arc_deg:.0f} degrees of one diameter: "
                    "they may be fragments of one ring; compare the breaks",
                )  # fmt: skip


def _broken(part: Part) -> list[Feature]:
    return [one for one in part.of_kind("round_outside") if one.arc_deg is not None and one.arc_deg < _FULL_TURN]
