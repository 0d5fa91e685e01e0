"""What to buy and have at hand, each with the piece and the step that needs it."""

from collections.abc import Iterable

from ctrecon.workshop.plan.model import PlanStep, ToBuy
from ctrecon.workshop.plan.work import WorkPlan

__all__ = ["to_buy"]

_GROUPS = (
    ("taper pin", "pin"),
    ("drill ", "drill"),
    ("centre drill", "drill"),
    ("taper broach", "taper broach"),
    ("reamer", "reamer"),
    ("square drift", "square tool"),
    ("square file", "square tool"),
    ("abrasive", "abrasive"),
    ("rivets", "rivet"),
)


def to_buy(work: WorkPlan, steps: Iterable[PlanStep]) -> tuple[ToBuy, ...]:
    """Return the list: stock first, then pins, drills, broaches, reamers, square tools, abrasives and the rest.

    Parameters
    ----------
    work : WorkPlan
        Stock and register pins.
    steps : iterable of PlanStep
        Steps with the tools they need; those done need nothing more.
    """
    out: list[ToBuy] = []
    pending = [one for one in steps if not one.done]
    for stock in work.stocks:
        blank = f"blank-{stock.part}"
        making = blank if any(one.id == blank for one in pending) else f"make-{stock.part}"
        if stock.buy is not None and any(one.id == making for one in pending):
            bought = stock.buy
            out.append(
                ToBuy(
                    group=bought.group,
                    what=bought.what,
                    count=bought.count,
                    parts=bought.parts,
                    steps=(making,),
                    source=bought.source,
                )
            )
    pins: dict[str, int] = {}
    for one in work.registrations:
        for pin in one.pins:
            pins[pin.pin] = pins.get(pin.pin, 0) + 1
    needed: dict[str, list[PlanStep]] = {}
    for step in pending:
        for tool in step.tools:
            needed.setdefault(tool, []).append(step)
    for tool, at in needed.items():
        parts = tuple(dict.fromkeys(part for one in at for part in one.parts))
        count = str(pins[tool]) if tool in pins else "1"
        many = parts if len(parts) < len(work.assembly.parts) else ()
        out.append(ToBuy(group=_group(tool), what=tool, count=count, parts=many, steps=tuple(one.id for one in at)))
    order = ["sheet", "rod", "pin", "drill", "taper broach", "reamer", "square tool", "rivet", "abrasive", "tool"]
    return tuple(sorted(out, key=lambda one: order.index(one.group)))


def _group(tool: str) -> str:
    return next((group for start, group in _GROUPS if tool.startswith(start)), "tool")
