"""Clearances along the axis: each gap of the assembly as a tolerance chain, and which piece brings it in."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import inf

from ctrecon.core.measured import Measured
from ctrecon.workshop.adjust import Adjustment, adjust_last
from ctrecon.workshop.assembly.model import Assembly, AxialGap, PlannedSize
from ctrecon.workshop.chains import Chain, Link, close_chain
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.plan.model import FAILS, GOOD, LOOK, Check

__all__ = ["EASE", "GapResult", "close_gaps"]

EASE: Mapping[str, int] = {
    "spacer": 1,
    "ring": 1,
    "plate": 2,
    "wheel": 2,
    "pillar": 3,
    "hub": 3,
    "arbor": 3,
    "bearing": 3,
}
"""How easily a part is rubbed down: loose flat pieces first (common practice, no source)."""

_STATE = {"holds": GOOD, "uncertain": LOOK, "too small": FAILS, "too large": FAILS}


@dataclass(frozen=True)
class GapResult:
    """A gap, its chain closed, what to adjust last, and the checks that say so."""

    gap: AxialGap
    chain: Chain
    adjustment: Adjustment | None
    checks: tuple[Check, ...]


def close_gaps(assembly: Assembly, planned: Mapping[str, float]) -> tuple[GapResult, ...]:
    """Close every chain of the assembly with the sizes as they will be made.

    Parameters
    ----------
    assembly : Assembly
        Gaps with their terms.
    planned : mapping of str to float
        Sizes to make (mm) by key, where the plan departs from what was found: a thickness taken as the stock has it.
    """
    return tuple(_close(assembly, gap, planned) for gap in assembly.gaps)


def _close(assembly: Assembly, gap: AxialGap, planned: Mapping[str, float]) -> GapResult:
    sizes = assembly.sizes
    links = [_link(assembly, sizes[term.key], term.sign, planned) for term in gap.terms]
    if gap.fixed_mm:
        links.append(
            Link(
                name="typed gaps", size=Measured(abs(gap.fixed_mm), 0.0), sign=1 if gap.fixed_mm > 0 else -1, fixed=True
            )
        )
    required = _required(gap)
    chain = close_chain(links, required_mm=required)
    adjustment = None
    if required is not None:
        try:
            adjustment = adjust_last(chain)
        except PlanError as error:
            check = Check(
                topic="clearance", about=gap.id, says=f"{gap.name}: {chain.reason}.", why=f"{error}.", state=FAILS
            )
            return GapResult(gap, chain, None, (check,))
    state = _STATE[chain.verdict]
    advice = "" if adjustment is None or adjustment.kind == "none" else f"{adjustment.reason}."
    if adjustment is not None and state == FAILS and adjustment.kind in ("rub_down", "shim"):
        state = LOOK  # a step of the plan brings it in
    check = Check(topic="clearance", about=gap.id, says=f"{gap.name}: {chain.reason}.", why=advice, state=state)
    return GapResult(gap, chain, adjustment, (check,))


def _required(gap: AxialGap) -> tuple[float, float] | None:
    if gap.least_mm is None and gap.most_mm is None:
        return None
    least = 0.0 if gap.least_mm is None else gap.least_mm
    return least, (inf if gap.most_mm is None else gap.most_mm)


def _link(assembly: Assembly, size: PlannedSize, sign: int, planned: Mapping[str, float]) -> Link:
    part = assembly[size.key.split(".")[0]]
    made = size.basis == "made"
    value = size.value if made else planned.get(size.key, size.value)
    to_stock = not made and size.key in planned
    link = Link(
        name=size.words,
        size=Measured(value, size.size.u, size.scale_u),
        sign=sign,
        tolerance_mm=0.0 if made else assembly.shop.length_tolerance_mm,
        scale_group=size.scan,
        shared={f"edges of {size.scan}": size.edge_u} if size.edge_u else {},
        fixed=part.role == "bearing",
        ease=EASE.get(part.role, 3),
        rub_down=part.role != "bearing",
    )
    # what is cut from stock as it comes is known by the stock, not by the scan
    return replace(link, size=Measured(value, 0.0), scale_group=None, shared={}) if to_stock else link
