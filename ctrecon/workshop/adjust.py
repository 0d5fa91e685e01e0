"""How a chain is brought in: tolerances shared out beforehand, or one piece adjusted last."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from math import isfinite
from typing import Literal

from ctrecon.core.measured import Measured, format_value
from ctrecon.workshop.chains import Chain, Link, checked_links, close_chain, span_words
from ctrecon.workshop.errors import PlanError

__all__ = ["Adjustment", "Allocation", "Way", "adjust_last", "allocate"]

MOST_OFF_SHARE = 0.25
"""Share of a length that may be rubbed off where nothing else is said (common practice, no source)."""

LEAST_SHIM_MM = 0.02
"""Thinnest shim that can be handled (common practice, no source)."""

FITTED_TO_MM = 0.01
"""Plus or minus how closely a gap is brought in by rubbing down and trying (common practice, no source)."""


@dataclass(frozen=True)
class Way:
    """One way to bring the gap in: rub_down, shim or remake this link; `by_mm` is the change of its length."""

    link: str
    kind: str
    by_mm: float


@dataclass(frozen=True)
class Adjustment:
    """What to do last.

    Parameters
    ----------
    kind : str
        none (it holds), try (assemble first; `link` is the piece to take down if it is tight), rub_down, shim, remake.
    link : str or None
        The piece.
    by_mm : float
        Change of its length to the middle of the required gap; negative is metal off.
    least_mm, most_mm : float
        Smallest and largest change (as amounts) that bring the gap just in.
    after : Chain
        The chain then, with the piece fitted to the gap by trying.
    others : tuple of Way
        The next best ways.
    reason : str
        One sentence.
    """

    kind: str
    link: str | None
    by_mm: float
    least_mm: float
    most_mm: float
    after: Chain
    others: tuple[Way, ...]
    reason: str


@dataclass(frozen=True)
class Allocation:
    """Shop tolerances (mm) by link, those free scaled by `factor` so that the chain holds; `method` worst or rss."""

    tolerances_mm: Mapping[str, float]
    factor: float
    method: str
    reason: str


def allocate(links: Iterable[Link], within_mm: float, *, method: Literal["worst", "rss"] = "worst") -> Allocation:
    """Return shop tolerances that keep the gap within plus or minus `within_mm`: those free are scaled alike.

    Parameters
    ----------
    links : iterable of Link
        With their present tolerances; those `fixed` or made (0) stay.
    within_mm : float
        Plus or minus allowed of the gap.
    method : str
        worst (every length at its limit) or rss.

    Raises
    ------
    PlanError
        If the fixed lengths alone use it up, or no length is free.

    References
    ----------
    K. W. Chase, "Tolerance allocation methods for designers" (1999): allocation by proportional scaling.
    """
    chain = checked_links(links)
    if method not in ("worst", "rss"):
        raise PlanError(f"tolerances can be shared out by worst or rss, not by {method!r}")
    power = 1 if method == "worst" else 2
    free = sum(one.tolerance_mm**power for one in chain if not one.fixed)
    taken = sum(one.tolerance_mm**power for one in chain if one.fixed)
    left = within_mm**power - taken
    if not within_mm > 0 or left <= 0:
        used = taken ** (1 / power)
        raise PlanError(
            f"\N{PLUS-MINUS SIGN}{format_value(within_mm, 3)} mm can't be kept: the fixed lengths alone take "
            f"\N{PLUS-MINUS SIGN}{format_value(used, 3)} mm"
        )
    if free == 0:
        raise PlanError("no length of the chain is free to be made closer or wider; unfix one or give it a tolerance")
    factor = (left / free) ** (1 / power)
    shared = {one.name: one.tolerance_mm * (1.0 if one.fixed else factor) for one in chain}
    free_names = ", ".join(one.name for one in chain if not one.fixed and one.tolerance_mm)
    how = "at worst" if method == "worst" else "root-sum-square"
    says = (
        f"{free_names} made to {format_value(factor, 3)} times their tolerance keep the gap within \N{PLUS-MINUS SIGN}"
        f"{format_value(within_mm, 3)} mm {how}"
    )
    return Allocation(shared, factor, method, says)


def adjust_last(chain: Chain) -> Adjustment:
    """Return which piece to adjust last and by how much: the one most easily rubbed down that brings the gap in.

    Parameters
    ----------
    chain : Chain
        Closed with a required gap.

    Raises
    ------
    PlanError
        If no gap is required, or no length of the chain may be changed.

    Notes
    -----
    Rubbing down what takes the gap up widens it, and what makes the gap narrows it. Where no piece can be rubbed, a
    shim lengthens one, or the piece is made anew from other stock.
    """
    if chain.required_mm is None:
        raise PlanError("no gap is required of this chain; say the least and the most it may be")
    low, high = chain.required_mm
    gap = chain.gap.value
    if chain.verdict == "holds":
        return Adjustment("none", None, 0.0, 0.0, 0.0, chain, (), f"nothing to adjust: {chain.reason}")
    middle = (low + high) / 2 if isfinite(high) else low + chain.shop_worst_mm + (chain.gap.U or 0.0) + FITTED_TO_MM
    if chain.verdict == "uncertain":
        return _try_first(chain, low)
    wider = gap < low
    need = middle - gap
    least, most = (low - gap, high - gap) if wider else (gap - high, gap - low)
    ways = _ways(chain.links, need, least)
    if not ways:
        lengths = ", ".join(one.name for one in chain.links)
        raise PlanError(f"the gap is {chain.verdict} and every length is fixed ({lengths}): free one to adjust")
    best = ways[0]
    after = _after(chain, best)
    digits = 2 if most - least >= 0.02 else 3
    amount = f"{format_value(abs(best.by_mm), digits)} mm"
    between = f"at least {format_value(least, digits)}"
    between += f", no more than {format_value(most, digits)}" if isfinite(most) else ""
    does = {
        "rub_down": f"{best.link}: {amount} off ({between}), then try",
        "shim": f"no piece can be rubbed down for it: put a shim of {amount} ({between}) on {best.link}",
        "remake": f"no piece can be rubbed down or shimmed for it: make {best.link} anew, {amount} "
        f"{'thinner' if best.by_mm < 0 else 'thicker'} ({between})",
    }[best.kind]
    reason = f"{does}; the gap of {format_value(gap, 3)} mm is {chain.verdict}, wanted {span_words(low, high)} mm"
    return Adjustment(best.kind, best.link, best.by_mm, least, most, after, tuple(ways[1:]), reason)


def _try_first(chain: Chain, low: float) -> Adjustment:
    """Return the advice where the middle is in but the gap may come out outside: which piece, should it be tight."""
    ways = _ways(chain.links, FITTED_TO_MM, FITTED_TO_MM)
    first = next((one for one in ways if one.kind == "rub_down"), None)
    then = "" if first is None else f"; if it is tight, take {first.link} down a little at a time"
    half = chain.shop_worst_mm + (chain.gap.U or 0.0)
    span = f"{format_value(chain.gap.value - half, 2)} to {format_value(chain.gap.value + half, 2)} mm"
    most = max(0.0, low - (chain.gap.value - half))
    reason = f"the gap may come out anywhere from {span}: assemble and try first{then}"
    return Adjustment("try", first.link if first else None, 0.0, 0.0, most, chain, tuple(ways), reason)


def _ways(links: tuple[Link, ...], need: float, least: float) -> list[Way]:
    """Return the ways to change the gap by `need` (at least `least`, as an amount), the cheapest first."""
    rank = {"rub_down": 0, "shim": 1, "remake": 2}
    found = []
    for at, link in enumerate(links):
        if link.fixed:
            continue
        by = link.sign * need
        room = link.most_off_mm if link.most_off_mm is not None else MOST_OFF_SHARE * link.size.value
        if by < 0 and link.rub_down and least <= room:
            kind, by = "rub_down", max(by, -room)
        elif by > 0 and by >= LEAST_SHIM_MM:
            kind = "shim"
        else:
            kind = "remake"
        found.append((rank[kind], link.ease, at, Way(link.name, kind, by)))
    return [way for *_, way in sorted(found, key=lambda one: one[:3])]


def _after(chain: Chain, way: Way) -> Chain:
    """Return the chain after the change; fitted by trying, the gap itself is what is known, not the lengths."""
    if way.kind != "rub_down":
        moved = tuple(
            replace(one, size=replace(one.size, value=one.size.value + way.by_mm)) if one.name == way.link else one
            for one in chain.links
        )
        return close_chain(moved, required_mm=chain.required_mm, spread=chain.spread)
    sign = next(one.sign for one in chain.links if one.name == way.link)
    gap = chain.gap.value + sign * way.by_mm
    fitted = Link(name=f"gap fitted by {way.link}", size=Measured(gap, 0.0), tolerance_mm=FITTED_TO_MM, fixed=True)
    return close_chain([fitted], required_mm=chain.required_mm, spread=chain.spread)
