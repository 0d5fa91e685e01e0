"""What each part is cut from: sheet, rod or square rod, as it comes or taken down, and what that makes of its size."""

from dataclasses import dataclass
from math import ceil, hypot

from ctrecon.core.measured import Measured, format_value
from ctrecon.workshop.assembly.model import Assembly, PlannedPart
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.own_stock import OwnStock, StockSize, rod_sizes, sheet_sizes
from ctrecon.workshop.plan.model import FAILS, GOOD, LOOK, Check, ToBuy
from ctrecon.workshop.stock_choice import StockChoice, StockPlan, choose_rod, choose_sheet, choose_square_rod

__all__ = ["SHEET_ROLES", "PartStock", "choose_stock"]

SHEET_ROLES = ("plate", "wheel", "spacer", "ring")
"""Parts that are cut from sheet where they are wider than thick; all others are turned from rod."""

FLAT = 2.0
"""A spacer or ring is cut from sheet where it is so many times wider than thick (common practice, no source)."""


@dataclass(frozen=True)
class PartStock:
    """What one part is cut from.

    Parameters
    ----------
    part : str
        Its id.
    plan : StockPlan or None
        The choice with its rivals; None where nothing on the lists serves.
    chosen : StockChoice or None
        What is taken: the plan's choice, or the file's.
    says : str
        One sentence for the working sheet.
    thickness_mm : float or None
        What the thickness comes to (mm) where the stock is left as it comes; None where it is made to size.
    check : Check
        The choice with its reason.
    buy : ToBuy or None
        What to buy.
    """

    part: str
    plan: StockPlan | None
    chosen: StockChoice | None
    says: str
    thickness_mm: float | None
    check: Check
    buy: ToBuy | None


def choose_stock(assembly: Assembly) -> tuple[PartStock, ...]:
    """Choose the stock of every part that is not bought or finished."""
    own = assembly.stock.own
    sheets = sheet_sizes(lists=assembly.stock.lists, own=own) if assembly.stock.lists else sheet_sizes(own=own)
    round_rod = rod_sizes("round", own=own)
    return tuple(_of_part(assembly, part, sheets, round_rod) for part in assembly.parts if part.role != "bearing")


def _of_part(
    assembly: Assembly, part: PlannedPart, sheets: tuple[StockSize, ...], rods: tuple[StockSize, ...]
) -> PartStock:
    try:
        if is_flat(part):
            return _sheet(assembly, part, sheets)
        return _rod(assembly, part, rods)
    except PlanError as error:
        check = Check(
            topic="stock",
            about=part.id,
            says=f"{part.name}: nothing on the lists serves.",
            why=f"{error}.",
            state=FAILS,
            overridden=part.id in assembly.overrides.stock,
        )
        return PartStock(part.id, None, None, "No stock found.", None, check, None)


def is_flat(part: PlannedPart) -> bool:
    """Return whether a part is cut from sheet."""
    left, low, right, high = part.outline.bounds
    wide = min(right - left, high - low)
    return part.role == "plate" or (part.role in SHEET_ROLES and wide >= FLAT * part.thickness.value)


def _sheet(assembly: Assembly, part: PlannedPart, sheets: tuple[StockSize, ...]) -> PartStock:
    size = part.sizes[f"{part.id}.thickness"]
    wanted = Measured(size.value, size.size.u, hypot(size.scale_u or 0.0, size.edge_u))
    forced = assembly.overrides.stock.get(part.id)
    plan = choose_sheet(
        wanted, assembly.shop.length_tolerance_mm, sizes=sheets, rub_most_mm=assembly.shop.rub_down_most_mm
    )
    chosen = plan.chosen
    state = LOOK if plan.warnings else GOOD
    why = " ".join(f"{text}." for text in (chosen.reason, *plan.warnings))
    if forced is not None:
        plan_forced = _forced(wanted, forced, assembly.shop.length_tolerance_mm)
        chosen, state, why = plan_forced
    as_it_is = chosen.kind in ("as it is", "measure first")
    left, low, right, high = part.outline.bounds
    more = 2 * assembly.shop.saw_allowance_mm
    blank = f"{ceil(right - left + more)} x {ceil(high - low + more)} mm"
    says = f"{part.name}: {_named(chosen)}"
    if not as_it_is:
        says += f", {format_value(chosen.off_least_mm, 2)} to {format_value(chosen.off_most_mm, 2)} mm to rub off"
    buy = ToBuy(
        group="sheet",
        what=f"{_named(chosen)}, {part.material or 'material not said'}",
        count=f"1 blank {blank}",
        parts=(part.id,),
        source=", ".join(chosen.stock.entries),
    )
    check = Check(topic="stock", about=part.id, says=f"{says}.", why=why, state=state, overridden=forced is not None)
    return PartStock(
        part.id,
        plan,
        chosen,
        f"{says[len(part.name) + 2 :].capitalize()}.",
        chosen.stock.size_mm if as_it_is else None,
        check,
        buy,
    )


def _forced(wanted: Measured, thickness: float, tolerance: float) -> tuple[StockChoice, str, str]:
    """Judge a thickness that the file decided."""
    own = sheet_sizes(own=[OwnStock("sheet", thickness, None, "your choice", "")])
    mine = tuple(one for one in own if abs(one.size_mm - thickness) < 1e-6)
    off = thickness - wanted.value
    if off < -tolerance:
        choice = StockChoice("measure first", "sheet", mine[0], 0.0, 0.0, (), "")
        why = (
            f"It is {format_value(-off, 3)} mm thinner than the {format_value(wanted.value, 3)} mm found, "
            f"more than the tolerance of {tolerance:g} mm: remake the choice or shim."
        )
        return choice, FAILS, why
    plan = choose_sheet(wanted, tolerance, sizes=mine)
    return plan.chosen, GOOD, f"{plan.chosen.reason}."


def _named(choice: StockChoice) -> str:
    section = {"round": "round rod", "square": "square rod"}.get(choice.section, choice.section)
    return f"{section} {choice.stock.named}"


def _rod(assembly: Assembly, part: PlannedPart, rods: tuple[StockSize, ...]) -> PartStock:
    tolerance = assembly.shop.length_tolerance_mm
    square = all(step.form.square for step in part.steps) and bool(part.steps)
    wanted = _flats(part) if square else Measured(_widest(part), _u_of_widest(part))
    forced = assembly.overrides.stock.get(part.id)
    bars: tuple[StockSize, ...] | None = None
    if forced is not None:
        kind = "square" if square else "round"
        asked = rod_sizes(kind, own=[OwnStock(kind, forced, None, "your choice", "")])
        mine = tuple(one for one in asked if abs(one.size_mm - forced) < 1e-6)
        bars, rods = (mine, ()) if square else (None, mine)
    plan = (
        choose_square_rod(wanted, tolerance, square=bars, round_rod=rods)
        if square
        else choose_rod(wanted, tolerance, sizes=rods)
    )
    length = part.thickness.value + 2 * assembly.shop.saw_allowance_mm
    says = f"{part.name}: {_named(plan.chosen)}"
    count = f"{ceil(length)} mm and what the chuck holds"
    buy = ToBuy(
        group="rod",
        what=f"{_named(plan.chosen)}, {part.material or 'material not said'}",
        count=count,
        parts=(part.id,),
        source=", ".join(plan.chosen.stock.entries),
    )
    why = " ".join(f"{text}." for text in (plan.chosen.reason, *plan.warnings))
    state = LOOK if plan.warnings else GOOD
    check = Check(topic="stock", about=part.id, says=f"{says}.", why=why, state=state, overridden=forced is not None)
    return PartStock(part.id, plan, plan.chosen, f"{says[len(part.name) + 2 :].capitalize()}.", None, check, buy)


def _flats(part: PlannedPart) -> Measured:
    """Return the largest size across flats of a part whose steps are all square."""
    sizes = [step.size for step in part.steps if step.size is not None]
    widest = max(sizes, key=lambda one: one.value)
    return Measured(widest.value, widest.u)


def _widest(part: PlannedPart) -> float:
    """Return the diameter that holds every step (mm): squares by their corners."""
    across = [step.size.value * step.form.widest for step in part.steps if step.size is not None]
    if across:
        return max(across)
    left, low, right, high = part.outline.bounds
    return max(right - left, high - low)


def _u_of_widest(part: PlannedPart) -> float | None:
    widest = _widest(part)
    for step in part.steps:
        if step.size is not None and abs(step.size.value * step.form.widest - widest) < 1e-9:
            return step.size.u
    return None
