"""Modules: which common one a measured module may be, and how likely it is none of them."""

from dataclasses import dataclass
from functools import cache
from math import exp, log, pi, sqrt

from ctrecon.core.measured import Measured, format_percent, format_short
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.tables import read_table

__all__ = ["NO_STANDARD", "ModuleOdds", "common_modules", "module_hypotheses"]

NO_STANDARD = 0.5
"""Probability, before it is measured, that a wheel was made to no common module (own choice: old wheels often were)."""

_SERIES = {"I": "ISO 54 series I", "II": "ISO 54 series II", "fine": "DIN 780, below 1 mm"}


@dataclass(frozen=True)
class ModuleOdds:
    """One hypothesis: its name, the module (mm; as measured where none is common), its probability, a sentence."""

    label: str
    module: Measured
    probability: float
    reason: str


@cache
def common_modules() -> tuple[tuple[float, str], ...]:
    """Return the common modules (mm), smallest first, each with its series.

    Examples
    --------
    >>> common_modules()[0], len(common_modules())
    ((0.05, 'fine'), 51)
    """
    _, rows = read_table("iso54_modules")
    return tuple(sorted((float(row["module_mm"]), row["series"]) for row in rows))


def module_hypotheses(module: Measured, *, no_standard: float = NO_STANDARD) -> tuple[ModuleOdds, ...]:
    """Return the common modules that a measured one may be, and that it is none, likeliest first.

    Parameters
    ----------
    module : Measured
        mm, with u.
    no_standard : float
        Probability before measuring that it is no common module.

    Notes
    -----
    Bayes: each common module equally likely before; one of no standard anywhere on a logarithmic scale over the
    length of the list. A coarse measurement so leaves the odds as they were.

    Examples
    --------
    >>> best = module_hypotheses(Measured(0.5003, 0.0008))[0]
    >>> best.label, round(best.probability, 2)
    ('0.5', 0.97)
    """
    if module.value <= 0 or not module.u or not 0 <= no_standard <= 1:
        raise PlanError("a module needs a size and a standard uncertainty above 0, and odds from 0 to 1; correct them")
    listed = common_modules()
    least, most = listed[0][0], listed[-1][0]
    if not least / 1.2 <= module.value <= most * 1.2:
        raise PlanError(
            f"a module of {format_short(module.value, 4)} mm is outside the common ones, {least:g} to {most:g} mm; "
            "check the size and the count"
        )
    share = (1 - no_standard) / len(listed)
    norm = module.u * sqrt(2 * pi)
    weights = [share * exp(-0.5 * ((module.value - one) / module.u) ** 2) / norm for one, _ in listed]
    free = no_standard / (module.value * log(most / least))
    total = free + sum(weights)
    if total == 0:
        raise PlanError(
            f"{format_short(module.value, 4)} mm is none of the common modules; allow that it is of no standard"
        )
    found = [
        ModuleOdds(
            f"{one:g}",
            Measured(one, 0.0),
            weight / total,
            f"module {one:g} ({_SERIES[series]}): {format_percent(weight / total)}, "
            f"{format_short(module.value - one, 2)} mm from the measured {format_short(module.value, 4)} "
            f"± {format_short(2 * module.u, 2)} (k = 2)",
        )
        for (one, series), weight in zip(listed, weights, strict=True)
        if weight / total >= 1e-4
    ]
    says = f"no common module: {format_percent(free / total)}, the measured {format_short(module.value, 4)} mm as it is"
    found.append(ModuleOdds("none", module, free / total, says))
    return tuple(sorted(found, key=lambda one: (-one.probability, one.label)))
