"""Rivets: the length of shank that makes a head, and where a countersink may go.

The length of shank that makes a head is the head's volume over the shank's area. Trade rules say more or the same;
where they disagree the range is shown and the rule used is named.
"""

import csv
from dataclasses import dataclass
from functools import cache
from importlib import resources
from math import pi
from typing import Literal

from ctrecon.core.measured import format_short, format_value
from ctrecon.workshop.errors import PlanError

__all__ = ["HEADS", "Countersink", "Head", "RivetLength", "countersink", "head_volume_d", "rivet_length"]

Head = Literal["snap", "flat", "countersunk_90", "countersunk_60", "raised_45"]

HEADS: tuple[Head, ...] = ("snap", "flat", "countersunk_90", "countersunk_60", "raised_45")
"""The heads that can be formed; those that are sunk need a sheet thicker than the head."""


@dataclass(frozen=True)
class RivetLength:
    """Shank under the head (mm): `length` by the rule used, `low` and `high` by all rules and the head's volume.

    `rules` are (source, length of shank for the head, length in all) in mm.
    """

    length: float
    low: float
    high: float
    allowance: float
    rules: tuple[tuple[str, float, float], ...]
    source: str
    reason: str


@dataclass(frozen=True)
class Countersink:
    """A countersink for a sunk head: its diameter and depth, and what is left of the sheet under it (mm)."""

    diameter: float
    depth: float
    left: float
    reason: str


@dataclass(frozen=True)
class _HeadRule:
    words: str
    diameter_d: float
    height_d: float
    sunk: bool
    shape: str
    rules: tuple[tuple[str, float], ...]


@cache
def _heads() -> dict[str, _HeadRule]:
    text = resources.files("ctrecon.workshop").joinpath("tables", "rivet_heads.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()[1:]))
    out: dict[str, _HeadRule] = {}
    for head in HEADS:
        mine = [row for row in rows if row["head"] == head]
        rules = tuple((row["source"], float(row["rule_d"])) for row in mine if row["rule_d"])
        one = mine[0]
        size = float(one["diameter_d"]), float(one["height_d"])
        out[head] = _HeadRule(one["words"], *size, one["sunk"] == "1", one["shape"], rules)
    return out


def _head(head: str) -> _HeadRule:
    if head not in HEADS:
        raise PlanError(f"a rivet head called {head!r} is not known; choose from {', '.join(HEADS)}")
    return _heads()[head]


def head_volume_d(head: Head) -> float:
    """Return the length of shank, in diameters, whose volume makes the head; grip counted to the outer faces.

    Parameters
    ----------
    head : str
        One of `HEADS`.

    Examples
    --------
    >>> round(head_volume_d("snap"), 4), round(head_volume_d("countersunk_90"), 4)
    (1.1247, 0.6667)
    """
    one = _head(head)
    a, h = one.diameter_d / 2, one.height_d
    if one.shape == "cap":
        volume = pi * h / 6 * (3 * a**2 + h**2)
    elif one.shape == "cylinder":
        volume = pi * a**2 * h
    else:
        # the cone, less the shank that would fill the hole there anyway
        volume = pi * h / 3 * (a**2 + a / 2 + 0.25) - pi / 4 * h
        if one.shape == "cone_and_cap":
            volume += pi * _RAISED_D / 6 * (3 * a**2 + _RAISED_D**2)
    return volume / (pi / 4)


_RAISED_D = 0.201
"""Height of the round on a raised countersunk head, in diameters (BS 275)."""


def rivet_length(
    grip: float, diameter: float, head: Head, *, hole: float | None = None, rule: str | None = None
) -> RivetLength:
    """Return how long a rivet or pin must be for a head of this form.

    Parameters
    ----------
    grip : float
        Sheets together, to their outer faces, mm.
    diameter : float
        Of the shank, mm.
    head : str
        One of `HEADS`.
    hole : float, optional
        Diameter of the hole, mm; the shank must fill it. As large as the shank when not given.
    rule : str, optional
        Beginning of the source of the rule to use; the first published one of this head, or its volume, when not
        given.

    Raises
    ------
    PlanError
        If the hole is smaller than the shank, or no rule of the head has that source.

    Notes
    -----
    L = grip + S + grip ((D_h / D)² - 1).

    Examples
    --------
    >>> one = rivet_length(4, 2, "snap")
    >>> one.length, one.high
    (6.25, 7.0)
    """
    form = _head(head)
    hole = diameter if hole is None else hole
    if grip <= 0 or diameter <= 0 or hole < diameter:
        raise PlanError("a rivet needs a grip and a shank above 0, and a hole no smaller than the shank; correct them")
    filling = grip * ((hole / diameter) ** 2 - 1)
    by_volume = ("volume of the head", head_volume_d(head))
    each = (*form.rules, by_volume)
    lengths = tuple((source, d * diameter, grip + filling + d * diameter) for source, d in each)
    chosen = next((one for one in lengths if rule is None or one[0].startswith(rule)), None)
    if chosen is None:
        raise PlanError(f"no rule for a {form.words} is from {rule!r}; choose from {'; '.join(s for s, _ in each)}")
    low, high = min(one[2] for one in lengths), max(one[2] for one in lengths)
    says = f"{form.words}: {format_value(chosen[2], 2)} mm under the head by {chosen[0]}"
    if high - low > 0.02 * diameter:
        says += (
            f"; rules disagree, {format_value(low, 2)} to {format_value(high, 2)} mm: the head's volume asks "
            f"for {format_value(lengths[-1][2], 2)}, a longer shank fills the hole better; try on scrap"
        )
    if filling > 0:
        says += f"; {format_value(filling, 2)} mm of it fill the ⌀{format_short(hole, 4)} hole"
    return RivetLength(chosen[2], low, high, chosen[1], lengths, chosen[0], says)


def countersink(sheet: float, diameter: float, head: Head) -> Countersink:
    """Return the countersink for a sunk head.

    Parameters
    ----------
    sheet : float
        Thickness of the sheet it goes in, mm.
    diameter : float
        Of the shank, mm.
    head : str
        A sunk head of `HEADS`.

    Raises
    ------
    PlanError
        If the head is not a sunk one, or the sheet is not thicker than the head: the sheet would have a knife edge.
    """
    form = _head(head)
    if not form.sunk:
        raise PlanError(f"a {form.words} needs no countersink; choose a countersunk head")
    deep = form.height_d * diameter
    if sheet <= deep:
        raise PlanError(
            f"a {form.words} of ⌀{format_short(diameter, 4)} is {format_value(deep, 2)} mm deep and the sheet only "
            f"{format_short(sheet, 4)} mm: countersink only in thicker sheet; use a snap head or a smaller rivet"
        )
    says = f"countersink to ⌀{format_value(form.diameter_d * diameter, 2)}, {format_value(deep, 2)} mm deep; "
    says += f"{format_value(sheet - deep, 2)} mm of the sheet stay under it"
    return Countersink(form.diameter_d * diameter, deep, sheet - deep, says)
