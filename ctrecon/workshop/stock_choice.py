"""Which sheet or rod to make a piece from: one that works as it is, or the thinnest to take down and by how much."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, sqrt

from ctrecon.core.measured import Measured, expanded, format_short, format_value
from ctrecon.workshop.abrasives import FINISH, AbrasiveStep, abrasive_steps, papers
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.own_stock import StockSize, rod_sizes, sheet_sizes

__all__ = ["StockChoice", "StockPlan", "choose_rod", "choose_sheet", "choose_square_rod"]

MOST_BY_HAND_MM = 0.25
"""More than that is milled off rather than rubbed (common practice, no source)."""

TURN_OFF_MM = 0.3
"""Least to turn off the diameter of a rod so that its skin is gone (common practice, no source)."""


@dataclass(frozen=True)
class StockChoice:
    """One stock for a piece.

    Parameters
    ----------
    kind : str
        as it is; measure first (right only where it happens to be true: put the caliper to it); rub down, turn down,
        file square.
    section : str
        sheet, round or square.
    stock : StockSize
    off_least_mm, off_most_mm : float
        Metal to take off the size, by the stock's own tolerance; 0 where none.
    steps : tuple of AbrasiveStep
        Papers in order, for rubbing down.
    reason : str
        One sentence.
    """

    kind: str
    section: str
    stock: StockSize
    off_least_mm: float
    off_most_mm: float
    steps: tuple[AbrasiveStep, ...]
    reason: str


@dataclass(frozen=True)
class StockPlan:
    """The stock chosen for a size wanted (mm), the other choices, what to beware of, and why in one sentence."""

    wanted: Measured
    tolerance_mm: float
    chosen: StockChoice
    others: tuple[StockChoice, ...]
    warnings: tuple[str, ...]
    reason: str


def _checked(wanted: Measured, tolerance_mm: float) -> None:
    if not (isfinite(wanted.value) and wanted.value > 0):
        raise PlanError(f"a size of {wanted.value:g} mm can't be cut from stock; give one above 0")
    if not (isfinite(tolerance_mm) and tolerance_mm >= 0):
        raise PlanError(f"a tolerance of {tolerance_mm:g} mm makes no sense; give plus or minus 0 or more")


def _as_it_is(section: str, wanted: float, tolerance: float, sizes: Sequence[StockSize]) -> list[StockChoice]:
    """Return the stock whose size is right as it stands, first what is right wherever in its tolerance it lies."""
    out = []
    for one in sizes:
        off = one.size_mm - wanted
        if abs(off) > tolerance + 1e-9:
            continue
        sure = one.least_mm >= wanted - tolerance - 1e-9 and one.most_mm <= wanted + tolerance + 1e-9
        apart = "exactly" if abs(off) < 5e-4 else f"{format_value(abs(off), 3)} mm {'over' if off > 0 else 'under'}"
        may = f"it may be {format_value(one.least_mm, 2)} to {format_value(one.most_mm, 2)} mm"
        says = (
            f"{section} {one.named} works as it is: {apart}, and {may}"
            if sure
            else f"{section} {one.named} works as it is if it is true: {may}, so put the caliper to it first"
        )
        out.append(StockChoice("as it is" if sure else "measure first", section, one, 0.0, 0.0, (), says))
    out.sort(key=lambda c: (c.kind != "as it is", round(abs(c.stock.size_mm - wanted), 3), not c.stock.at_hand))
    return out


def choose_sheet(
    wanted: Measured, tolerance_mm: float, *, sizes: Sequence[StockSize] | None = None,
    scale_u_rel: float | None = None, finish: str = FINISH, rub_most_mm: float = MOST_BY_HAND_MM,
) -> StockPlan:  # fmt: skip
    """Return the sheet for a thickness: the nearest that works as it is, else the thinnest to rub down.

    Parameters
    ----------
    wanted : Measured
        Thickness to make (mm), with the u of what was found.
    tolerance_mm : float
        Plus or minus allowed of the piece.
    sizes : sequence of StockSize, optional
        Of `sheet_sizes`; the trade lists when not given.
    scale_u_rel : float, optional
        Relative standard uncertainty of the scale along the thickness, for the warning only.
    finish : str
        Last grade of paper.
    rub_most_mm : float
        From where on a warning says to mill.

    Raises
    ------
    PlanError
        If no sheet is thick enough.

    Examples
    --------
    >>> plan = choose_sheet(Measured(1.83, 0.006), 0.02, sizes=sheet_sizes(lists=["metric_brass"]))
    >>> plan.chosen.kind, plan.chosen.stock.size_mm
    ('rub down', 2.0)
    >>> round(plan.chosen.off_least_mm, 2), round(plan.chosen.off_most_mm, 2)
    (0.1, 0.24)
    """
    _checked(wanted, tolerance_mm)
    some = tuple(sizes) if sizes is not None else sheet_sizes()
    as_is = _as_it_is("sheet", wanted.value, tolerance_mm, some)
    thick = [one for one in some if one.least_mm >= wanted.value - 1e-9 and one.size_mm > wanted.value]
    down = [_rub_down(one, wanted.value, finish) for one in sorted(thick, key=lambda s: (s.size_mm, not s.at_hand))[:2]]
    choices = [*as_is, *down]
    if not choices:
        most = f"the thickest is {format_short(max(one.size_mm for one in some), 4)} mm" if some else "there is none"
        raise PlanError(f"no sheet gives {format_short(wanted.value, 4)} mm: {most}; add a list or build it up in two")
    warnings = _doubts(wanted, tolerance_mm, scale_u_rel)
    first = choices[0]
    if first.kind == "rub down" and first.off_most_mm > rub_most_mm:
        warnings += (
            f"{format_value(first.off_most_mm, 2)} mm is much to rub off by hand: mill it, or look for nearer sheet",
        )
    return StockPlan(wanted, tolerance_mm, first, tuple(choices[1:]), warnings, first.reason)


def _rub_down(one: StockSize, wanted: float, finish: str) -> StockChoice:
    least, most = max(0.0, one.least_mm - wanted), one.most_mm - wanted
    steps = abrasive_steps(most, finish=finish)
    says = (
        f"sheet {one.named} rubbed down by {format_value(least, 2)} to {format_value(most, 2)} mm, as thick as "
        f"the sheet turns out: {papers(steps)}"
    )
    return StockChoice("rub down", "sheet", one, least, most, steps, says)


def _doubts(wanted: Measured, tolerance: float, scale_u_rel: float | None) -> tuple[str, ...]:
    spread = expanded(wanted, 0.0 if scale_u_rel is None and wanted.scale_u is not None else scale_u_rel)
    if spread is None or spread <= tolerance:
        return ()
    return (
        f"the scan gives this size to \N{PLUS-MINUS SIGN}{format_short(spread, 2)} mm, the piece is made to "
        f"\N{PLUS-MINUS SIGN}{format_short(tolerance, 2)}: try it in its place, do not trust the number",
    )


def _down_to(
    kind: str, section: str, needed: float, wanted: float, sizes: Sequence[StockSize], words: str
) -> list[StockChoice]:
    """Return the thinnest rod whose least size still reaches what is needed, and what goes to the size wanted."""
    thick = [one for one in sizes if one.least_mm >= needed - 1e-9]
    if not thick:
        return []
    one = min(thick, key=lambda s: (s.size_mm, not s.at_hand))
    says = f"{section} rod {one.named} {words}"
    return [StockChoice(kind, section, one, one.least_mm - wanted, one.most_mm - wanted, (), says)]


def choose_rod(
    wanted: Measured, tolerance_mm: float, *, sizes: Sequence[StockSize] | None = None,
    scale_u_rel: float | None = None, turn_off_mm: float = TURN_OFF_MM,
) -> StockPlan:  # fmt: skip
    """Return the round rod for a diameter: one that works as it is, else the thinnest to turn down.

    Parameters
    ----------
    wanted : Measured
        Diameter to make (mm).
    tolerance_mm : float
        Plus or minus allowed.
    sizes : sequence of StockSize, optional
        Of `rod_sizes("round")`.
    scale_u_rel : float, optional
        For the warning only.
    turn_off_mm : float
        Least to come off the diameter.

    Raises
    ------
    PlanError
        If no rod is thick enough.
    """
    _checked(wanted, tolerance_mm)
    some = tuple(sizes) if sizes is not None else rod_sizes("round")
    d = wanted.value
    skin = f"at least {format_value(turn_off_mm, 2)} mm off so that its skin goes"
    words = f"turned down to {format_value(d, 2)} mm, {skin}"
    down = _down_to("turn down", "round", d + turn_off_mm, d, some, words)
    choices = [*_as_it_is("round", d, tolerance_mm, some), *down]
    return _plan(choices, wanted, tolerance_mm, scale_u_rel, f"a diameter of {format_short(d, 4)} mm", some)


def choose_square_rod(
    wanted: Measured, tolerance_mm: float, *, square: Sequence[StockSize] | None = None,
    round_rod: Sequence[StockSize] | None = None, scale_u_rel: float | None = None,
) -> StockPlan:  # fmt: skip
    """Return the rod for a square peg: square rod as it is or filed down, or round rod of at least s √2 filed square.

    Parameters
    ----------
    wanted : Measured
        Across flats (mm).
    tolerance_mm : float
        Plus or minus allowed.
    square, round_rod : sequence of StockSize, optional
        Of `rod_sizes`.
    scale_u_rel : float, optional
        For the warning only.

    Raises
    ------
    PlanError
        If no rod is thick enough.

    Examples
    --------
    >>> plan = choose_square_rod(Measured(5.0, 0.01), 0.02, square=())
    >>> plan.chosen.kind, plan.chosen.stock.size_mm
    ('file square', 8.0)
    """
    _checked(wanted, tolerance_mm)
    bars = tuple(square) if square is not None else rod_sizes("square")
    rounds = tuple(round_rod) if round_rod is not None else rod_sizes("round")
    s = wanted.value
    corners = s * sqrt(2)
    choices = [
        *_as_it_is("square", s, tolerance_mm, bars),
        *_down_to("rub down", "square", s, s, bars, f"filed and rubbed down to {format_value(s, 2)} mm across flats"),
        *_down_to(
            "file square", "round", corners, s, rounds,
            f"filed square: it must reach the corners, {format_value(corners, 3)} mm",
        ),
    ]  # fmt: skip
    words = f"a square of {format_short(s, 4)} mm ({format_value(corners, 3)} over its corners)"
    return _plan(choices, wanted, tolerance_mm, scale_u_rel, words, (*bars, *rounds))


def _plan(
    choices: Sequence[StockChoice], wanted: Measured, tolerance: float, scale_u_rel: float | None, what: str,
    sizes: Sequence[StockSize],
) -> StockPlan:  # fmt: skip
    if not choices:
        most = f"the thickest is {format_short(max(one.size_mm for one in sizes), 4)} mm" if sizes else "there is none"
        raise PlanError(f"no rod gives {what}: {most}")
    first = choices[0]
    return StockPlan(
        wanted, tolerance, first, tuple(choices[1:]), _doubts(wanted, tolerance, scale_u_rel), first.reason
    )
