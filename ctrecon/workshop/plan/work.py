"""What steps are made from, and a step before its cautions are known."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ctrecon.workshop.assembly.model import Assembly
from ctrecon.workshop.fits.choose import FitChoice
from ctrecon.workshop.plan.drilling import DrillingPlan
from ctrecon.workshop.plan.gaps import GapResult
from ctrecon.workshop.plan.joints import Joint
from ctrecon.workshop.plan.model import PlanStep, Registration
from ctrecon.workshop.plan.riveting import Riveting
from ctrecon.workshop.plan.running import PlannedRelief
from ctrecon.workshop.plan.stock import PartStock

__all__ = ["Draft", "WorkPlan"]


@dataclass(frozen=True)
class WorkPlan:
    """All that the steps are made from."""

    assembly: Assembly
    to_make: Mapping[str, float]
    stocks: Sequence[PartStock]
    registrations: Sequence[Registration]
    drilling: DrillingPlan
    fits: Sequence[tuple[Joint, FitChoice | None, object]]
    reliefs: Sequence[PlannedRelief]
    gaps: Sequence[GapResult]
    rivets: Sequence[Riveting] = ()


@dataclass(frozen=True)
class Draft:
    """A step and the operations that its cautions follow from."""

    step: PlanStep
    operations: tuple[str, ...]
