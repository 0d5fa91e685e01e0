"""Cautions for the steps of a plan: what to look out for, by operation, each with its source.

Local rules and licensed practice come first and are named first. Limits set by law differ by country and change:
several are shown beside each other, none as the one that holds.
"""

import csv
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from importlib import resources

from ctrecon.core.measured import format_short, format_value
from ctrecon.workshop.errors import PlanError

__all__ = ["LEADED_PERCENT", "OPERATIONS", "Caution", "DustLevel", "cautions_for", "dust_levels"]

OPERATIONS = (
    "cut", "saw", "drill", "drill_thin", "turn", "file", "rub", "grind", "broach", "ream", "press", "hammer", "rivet",
    "drive", "compressed_air", "lathe_emery", "solder", "anneal",
)  # fmt: skip
"""What steps do; "drill_thin" is drilling sheet that the point leaves before the lips cut full size."""

LEADED_PERCENT = 0.1
"""Lead content (%) from which brass is treated as leaded (common practice, no source)."""

_CUTS_METAL = {"rub", "grind", "file", "lathe_emery", "cut", "saw", "drill", "turn", "broach", "ream"}
_ALSO = {"drill_thin": "drill", "lathe_emery": "turn"}


@dataclass(frozen=True)
class Caution:
    """A caution: its key, the operations it is for, the text, where it is from, and why it is shown."""

    key: str
    operations: tuple[str, ...]
    text: str
    source: str
    reason: str


@dataclass(frozen=True)
class DustLevel:
    """How much brass dust (mg/m³) brings a published level of lead in air (µg/m³)."""

    where: str
    lead_ug_m3: float
    dust_mg_m3: float
    source: str
    reason: str


@cache
def _rows(name: str) -> tuple[dict[str, str], ...]:
    text = resources.files("ctrecon.workshop").joinpath("tables", f"{name}.csv").read_text(encoding="utf-8")
    return tuple(csv.DictReader(text.splitlines()[1:]))


def cautions_for(operations: Iterable[str], *, lead_percent: float | None = 0.0) -> tuple[Caution, ...]:
    """Return the cautions for steps, that of local rules first, each once.

    Parameters
    ----------
    operations : iterable of str
        What the steps do, from `OPERATIONS`.
    lead_percent : float or None
        Highest lead content of the metals worked, %; None where it is not known, then lead is taken to be there.

    Raises
    ------
    PlanError
        If an operation is not known.

    Examples
    --------
    >>> [one.key for one in cautions_for(["rub"])]
    ['local_rules', 'eyes', 'edges', 'dust']
    """
    asked = list(dict.fromkeys(operations))
    for one in asked:
        if one not in OPERATIONS:
            raise PlanError(f"there are no cautions for {one!r}; choose from {', '.join(OPERATIONS)}")
    if lead_percent is not None and not 0 <= lead_percent <= 100:
        raise PlanError(
            f"a lead content of {lead_percent:g} % does not exist; give 0 to 100, or none where it is unknown"
        )
    doing = {*asked, *(_ALSO[one] for one in asked if one in _ALSO)}
    leaded = lead_percent is None or lead_percent >= LEADED_PERCENT
    if leaded and doing & _CUTS_METAL:
        doing.add("lead_dust")
    out = []
    for row in _rows("cautions"):
        mine = tuple(row["operations"].split())
        hit = [one for one in mine if one in doing]
        if mine != ("any",) and not hit:
            continue
        why = "for every step" if mine == ("any",) else f"for {', '.join(_word(one) for one in hit)}"
        text = row["text"]
        if row["key"] == "lead":
            why = "the lead content is not known" if lead_percent is None else f"{format_short(lead_percent, 2)} % lead"
            if lead_percent is None:
                text = text.replace("This brass has lead in it:", "This brass may have lead in it:")
            text += f" {_levels(lead_percent)}"
        out.append(Caution(row["key"], mine, text, row["source"], why))
    return tuple(out)


def _word(operation: str) -> str:
    return {"drill_thin": "drilling thin sheet", "lathe_emery": "emery on the lathe"}.get(operation, operation).replace(
        "_", " "
    )


def _levels(lead_percent: float | None) -> str:
    each = ", ".join(f"{row['where']} {row['ug_per_m3']}" for row in _rows("lead_in_air"))
    says = f"Levels of lead in air set by law differ and change ({each} µg/m³): ask for yours."
    if lead_percent:
        dust = [one.dust_mg_m3 for one in dust_levels(lead_percent)]
        low, high = format_value(min(dust), 1), format_value(max(dust), 1)
        says += f" At {format_short(lead_percent, 2)} % lead, {low} to {high} mg/m³ of brass dust reach them."
    return says


def dust_levels(lead_percent: float) -> tuple[DustLevel, ...]:
    """Return for each published level of lead in air how much brass dust brings it, the lowest first.

    Parameters
    ----------
    lead_percent : float
        Lead content of the brass, % by mass.

    Examples
    --------
    >>> [(one.lead_ug_m3, round(one.dust_mg_m3, 2)) for one in dust_levels(3.0)]
    [(30.0, 1.0), (50.0, 1.67), (150.0, 5.0)]
    """
    if not 0 < lead_percent <= 100:
        raise PlanError(f"a lead content of {lead_percent:g} % brings no level of lead; give one above 0")
    out = []
    for row in sorted(_rows("lead_in_air"), key=lambda one: float(one["ug_per_m3"])):
        level = float(row["ug_per_m3"])
        dust = level / (10 * lead_percent)
        says = (
            f"{row['where']}: {format_short(level, 3)} µg/m³ of lead is {format_value(dust, 2)} mg/m³ of dust with "
            f"{format_short(lead_percent, 2)} % lead; one country's figure, which may have changed"
        )
        out.append(DustLevel(row["where"], level, dust, row["source"], says))
    return tuple(out)
