"""Sheet stock a piece may have been cut from: its thickness against published lists.

Each entry is judged by the density of the measured thickness if the piece was cut from it: as
rolled (spread by the measuring u, the scale and the rolling tolerance), or rubbed down (an
unknown amount taken off on top of that). Against it stands a thickness of no list. A list's
entries share its weight by the gap round each, so a dense list gains nothing by being dense.
The measured thickness is never replaced.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from math import erfc, exp, hypot, log, pi, sqrt

from ctrecon.core.errors import InputError
from ctrecon.core.measured import (
    COVERAGE_FACTOR,
    Measured,
    decimals_for,
    format_percent,
    format_short,
    format_u,
    format_value,
)
from ctrecon.record.part import Part, Piece, scale_u_along
from ctrecon.workshop.tables import LISTS, sheet_list, sheet_tolerance_mm

__all__ = ["PieceStock", "StockMatch", "match_stock", "stock_of_pieces", "stock_verdict", "thickness_of"]

NO_LIST = 0.5
"""Share of pieces taken beforehand to be of no listed thickness (common practice, no source)."""

RUBBED = 0.25
"""Share of pieces taken beforehand to be rubbed down (common practice, no source)."""

RUBBED_OFF = 0.03
"""Mean of what rubbing down takes off, as a share of the thickness (common practice, no source)."""

ROLLED = (0.125, 0.25, 0.5)
"""A mill's own scatter as shares of the tolerance, equally likely beforehand (common practice, no source)."""

LIKELY = 0.8
"""Probability from which one stock size is called likely."""

_SHOWN = 0.03
_MOST = 6


@dataclass(frozen=True)
class StockMatch:
    """A stock thickness (mm) the piece may have been cut from.

    `entries` names it in each list, `from_memory` those of them whose list was not seen on paper; `off_mm` is
    measured less stock, `within_u` whether it is within its uncertainty U (k = 2); `probability` is that of this size
    among all sizes and none.
    """

    thickness_mm: float
    entries: tuple[str, ...]
    from_memory: tuple[str, ...]
    off_mm: float
    within_u: bool
    probability: float
    says: str


@dataclass(frozen=True)
class PieceStock:
    """A piece's thickness and what it may have been cut from; without a thickness `why` says why."""

    piece: str
    name: str
    thickness: Measured | None
    matches: tuple[StockMatch, ...]
    says: str


def match_stock(
    thickness: Measured, scale_u_rel: float | None, *, lists: Sequence[str] | None = None, no_list: float = NO_LIST,
    rubbed: float = RUBBED,
) -> tuple[StockMatch, ...]:  # fmt: skip
    """Return the stock sizes that may explain a thickness, the most likely first.

    Parameters
    ----------
    thickness : Measured
        Measured thickness (mm) with its u.
    scale_u_rel : float or None
        Relative standard uncertainty of the scale along the thickness; None where it is not known, then
        U leaves it out.
    lists : sequence of str, optional
        Keys of `tables.LISTS`; all lists when not given.
    no_list, rubbed : float
        Shares of pieces that are taken beforehand to be of no listed thickness, and to be rubbed down.

    Returns
    -------
    tuple of StockMatch
        All sizes within U, all of some probability, and always the next size above and below, as far as
        the lists reach.
    """
    t = thickness.value
    if t <= 0:
        raise InputError(f"a thickness of {t:g} mm can't be matched with stock; give one above 0")
    for name, share in (("no_list", no_list), ("rubbed", rubbed)):
        if not 0 <= share <= 1:
            raise InputError(f"{name} = {share:g} is not a share; give one between 0 and 1")
    keys = tuple(lists) if lists is not None else tuple(LISTS)
    scale_u = 0.0 if scale_u_rel is None else t * scale_u_rel
    u = hypot(thickness.u or 0.0, thickness.scale_u if thickness.scale_u is not None else scale_u)
    prior = _prior(keys, 1 - no_list)
    weight = {mm: share * t * _density(t, mm, u, rubbed) for mm, (share, _, _) in prior.items()}
    total = no_list + sum(weight.values())
    U = COVERAGE_FACTOR * u
    below = max((mm for mm in prior if mm <= t), default=None)
    above = min((mm for mm in prior if mm > t), default=None)
    found = []
    for mm, (_, seen, memory) in prior.items():
        off = t - mm
        within = abs(off) <= U
        chance = weight[mm] / total if total > 0 else 0.0
        if within or chance >= _SHOWN or mm in (below, above):
            names = "; ".join(x for x in (", ".join(seen), "from memory: " + ", ".join(memory) if memory else "") if x)
            says = _told(off, U, within, mm, names)
            found.append(StockMatch(mm, (*seen, *memory), memory, off, within, chance, says))
    found.sort(key=lambda one: (-round(one.probability, 9), abs(one.off_mm), one.thickness_mm))
    must = [one for one in found if one.within_u or one.thickness_mm in (below, above)]
    rest = [one for one in found if one not in must][: max(0, _MOST - len(must))]
    return tuple(one for one in found if one in must or one in rest)


@cache
def _prior(keys: tuple[str, ...], listed: float) -> dict[float, tuple[float, tuple[str, ...], tuple[str, ...]]]:
    """Return for each thickness its weight (per natural log of thickness), its names, and those from memory.

    Each list has the same weight; each of its entries stands for the gap round it.
    """
    out: dict[float, tuple[float, tuple[str, ...], tuple[str, ...]]] = {}
    for key in keys:
        one = sheet_list(key)
        logs = [log(size.thickness_mm) for size in one.sizes]
        for i, size in enumerate(one.sizes):
            low = logs[i] - logs[i - 1] if i else logs[1] - logs[0]
            high = logs[i + 1] - logs[i] if i + 1 < len(logs) else low
            mm = round(size.thickness_mm, 6)
            share, seen, memory = out.get(mm, (0.0, (), ()))
            label = one.title if size.label.endswith(" mm") else f"{one.title} {size.label}"
            share += listed / len(keys) * (low + high) / 2
            out[mm] = (share, seen, (*memory, label)) if one.from_memory else (share, (*seen, label), memory)
    return out


def _density(t: float, stock: float, u: float, rubbed: float) -> float:
    """Return the density (1/mm) of a thickness cut from this stock, as rolled or with an exponential amount off."""
    each = [_density_at(t, stock, hypot(u, share * sheet_tolerance_mm(stock)), rubbed) for share in ROLLED]
    return sum(each) / len(each)


def _density_at(t: float, stock: float, sigma: float, rubbed: float) -> float:
    below = stock - t
    rolled = exp(-0.5 * (below / sigma) ** 2) / (sigma * sqrt(2 * pi))
    rate = 1 / (RUBBED_OFF * stock)
    tail = 0.5 * erfc(-(below - rate * sigma**2) / (sigma * sqrt(2)))
    power = rate * (rate * sigma**2 / 2 - below)
    off = 0.0 if tail <= 0 else rate * exp(min(power + log(tail), 700.0))
    return (1 - rubbed) * rolled + rubbed * off


def _told(off: float, U: float, within: bool, mm: float, names: str) -> str:
    digits = decimals_for(U if U > 0 else None)
    shown = f"{format_value(abs(off), digits)} mm"
    spread = format_u(U, digits) if U > 0 else ""
    known = f" (U {spread})" if spread else ""
    tolerance = sheet_tolerance_mm(mm)
    held = f"sheet of this size is rolled to about \N{PLUS-MINUS SIGN}{format_short(tolerance, 2)} mm"
    size = f"{format_short(mm, 4)} mm ({names})"
    found = f"found {shown}{known} {'thinner' if off < 0 else 'thicker'}"
    if within:
        return f"{size}: agrees within U, {found}"
    if off < 0 and -off <= tolerance:
        return f"{size}: {found}, rolled thin or rubbed down by that much; {held}"
    if off < 0:
        return f"{size}: {found}: had it been this stock, that much was rubbed or worn off; {held}"
    if off <= tolerance:
        return f"{size}: {found}, as sheet rolled thick would be; {held}"
    return f"{size}: {found}, too thick for this stock; {held}"


def stock_verdict(matches: Sequence[StockMatch]) -> str:
    """Return in one sentence whether the lists settle the stock."""
    if not matches:
        return "no list reaches this thickness"
    inside = [one for one in matches if one.within_u]
    best = matches[0]
    if len(inside) > 1:
        return (
            f"undecided: {len(inside)} sizes lie within U "
            f"({', '.join(f'{format_short(m.thickness_mm, 4)}' for m in inside)} mm)"
        )
    rivals = [one for one in matches[1:] if one.probability >= best.probability / 10]
    size, share = f"{format_short(best.thickness_mm, 4)} mm", format_percent(best.probability)
    if best.probability >= LIKELY:
        return f"likely {size} ({share})"
    if inside and not rivals and best.probability >= NO_LIST:
        return f"{size} fits best ({share}); a size of no list stays possible"
    if best.probability < _SHOWN:
        return "no listed size explains it"
    where = "one size lies within U" if inside else "no size lies within U"
    if rivals:
        listed = ", ".join(format_short(one.thickness_mm, 4) for one in (best, *rivals))
        return f"undecided: {where}, but more than one could have been rolled or rubbed to it ({listed} mm)"
    return f"undecided: {where}; {size} could explain it ({share}), so could a size of no list"


def thickness_of(part: Part, piece: Piece) -> Measured | None:
    """Return the piece's extent along the part axis (mm), None where an end is not known."""
    if piece.depth_from_mm is None or piece.depth_to_mm is None:
        return None
    # depths are where its axis crosses its ends: along a tilted axis it is a little longer
    slope = 1.0 if part.axis is None else part.axis.direction_xyz[2]
    low, high = piece.depth_from_mm, piece.depth_to_mm
    u = None if low.u is None or high.u is None else hypot(low.u, high.u) / slope
    return Measured((high.value - low.value) / slope, u)


def stock_of_pieces(part: Part, *, lists: Sequence[str] | None = None) -> tuple[PieceStock, ...]:
    """Return what each piece of the record may have been cut from.

    Parameters
    ----------
    part : Part
        The record.
    lists : sequence of str, optional
        Keys of `tables.LISTS`; all lists when not given.
    """
    out = []
    scale = scale_u_along(part, "along")
    for piece in part.pieces:
        thickness = thickness_of(part, piece)
        if thickness is None or thickness.value <= 0:
            why = piece.unknown.get("depth_from_mm") or piece.unknown.get("depth_to_mm") or "its ends are not known"
            out.append(PieceStock(piece.id, piece.name, None, (), f"thickness not known: {why}"))
            continue
        matches = match_stock(thickness, scale, lists=lists)
        verdict = stock_verdict(matches)
        if scale is None:
            verdict += "; the scale is not known, so this holds only as far as the voxel size is true"
        out.append(PieceStock(piece.id, piece.name, thickness, matches, verdict))
    return tuple(out)
