"""Running clearances of what turns, and the reliefs that give it room."""

from collections.abc import Iterator
from dataclasses import dataclass
from math import hypot

from shapely import Point, Polygon
from shapely.geometry.base import BaseGeometry

from ctrecon.core.measured import format_value
from ctrecon.workshop.assembly.model import Assembly, PlannedPart
from ctrecon.workshop.clearance import Body, Running, running_clearances, sweep_of
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.plan.joints import Joint
from ctrecon.workshop.plan.model import FAILS, GOOD, LOOK, Check
from ctrecon.workshop.plan.turning import centre_of, swept_radius
from ctrecon.workshop.relief import Relief, relief_of_outline

__all__ = ["PlannedRelief", "running_checks"]


_FAR = 6.0
"""Pairs farther apart than so many running clearances are told together."""


@dataclass(frozen=True)
class PlannedRelief:
    """A relief to cut in one part so that another turns."""

    part: str
    for_part: str
    relief: Relief


def running_checks(
    assembly: Assembly, joints: tuple[Joint, ...]
) -> tuple[tuple[Check, ...], tuple[PlannedRelief, ...]]:
    """Check every moving part against every other, step by step, and plan reliefs where one fouls another.

    Parameters
    ----------
    assembly : Assembly
        Parts in their places.
    joints : tuple of Joint
        Pairs that are meant to touch.
    """
    sections = {part.id: list(_sections(part, assembly)) for part in assembly.parts}
    touching = {frozenset((one.part.id, one.hole_part.id)) for one in joints}
    touching |= {frozenset((part.id, part.rests_on.split(".")[0])) for part in assembly.parts if part.rests_on}
    checks: list[Check] = []
    reliefs: list[PlannedRelief] = []
    far: list[float] = []
    for mover in (part for part in assembly.parts if part.moving):
        for other in assembly.parts:
            if other.id == mover.id or (other.moving and other.id < mover.id) or _on_one_axis(mover, other):
                continue
            if frozenset((mover.id, other.id)) in touching:
                continue
            tightest = _tightest(assembly, sections[mover.id], sections[other.id], mover, other)
            if tightest is None:
                continue
            found, relief = _judged(assembly, tightest, mover, other)
            if tightest[0].gap.value > _FAR * assembly.shop.running_clearance_mm:
                far.append(tightest[0].gap.value)
                continue
            checks.append(found)
            reliefs += [relief] if relief is not None else []
    if far:
        says = f"All other pairs clear each other by {format_value(min(far), 1)} mm or more ({len(far)} looked at)."
        checks.append(Check(topic="running clearance", about=assembly.stack[0], says=says))
    return tuple(checks), tuple(reliefs)


def _on_one_axis(a: PlannedPart, b: PlannedPart) -> bool:
    return a.axis is not None and a.axis == b.axis


def _sections(part: PlannedPart, assembly: Assembly) -> Iterator[tuple[Polygon, float, float, float]]:
    """Go through (section with its holes, lower end, upper end, u of a place on it)."""
    u_place = max((one.place.u or 0.0 for one in part.holes), default=0.0)
    centre = _centre(part, assembly)
    steps = [(one.shape, one.from_z, one.to_z, (one.size.u if one.size else 0.0) or 0.0) for one in part.steps]
    for shape, low, high, u in steps or [(part.outline, part.from_z, part.to_z, 0.0)]:
        middle = (low + high) / 2
        metal: BaseGeometry = shape
        if centre is not None and part.sweep_radius is not None:
            radius = swept_radius(part, shape, centre)
            metal, u = Point(centre).buffer(radius, 64), part.sweep_radius.u or u
        for hole in part.holes:
            if hole.from_z <= middle <= hole.to_z:
                metal = metal.difference(hole.shape)
        if isinstance(metal, Polygon) and not metal.is_empty and high > low:
            yield metal, low, high, hypot(u, u_place)


def _centre(part: PlannedPart, assembly: Assembly) -> tuple[float, float] | None:
    return centre_of(assembly, part) if part.moving else None


Section = tuple[Polygon, float, float, float]


def _tightest(
    assembly: Assembly, mine: list[Section], others: list[Section], mover: PlannedPart, other: PlannedPart
) -> tuple[Running, Section, Section] | None:
    best: tuple[Running, Section, Section] | None = None
    for a in mine:
        for b in others:
            bodies = [
                Body(mover.name, a[0], -a[2], -a[1], centre=_centre(mover, assembly), u_plan=a[3]),
                Body(other.name, b[0], -b[2], -b[1], centre=_centre(other, assembly), u_plan=b[3]),
            ]
            found = running_clearances(bodies, least=assembly.shop.running_clearance_mm)
            if found and (best is None or found[0].gap.value < best[0].gap.value):
                best = (found[0], a, b)
    return best


def _judged(
    assembly: Assembly, tightest: tuple[Running, Section, Section], mover: PlannedPart, other: PlannedPart
) -> tuple[Check, PlannedRelief | None]:
    running, mine, its = tightest
    state = GOOD if running.enough else FAILS if running.gap.value < 0 else LOOK
    relief = None
    why = "" if state == GOOD else "Wanted all round so that neither touches when it turns."
    centre = _centre(mover, assembly)
    if running.gap.value < 0 and centre is not None and not other.moving:
        try:
            reach = sweep_of(mine[0], centre).outer
            cut = relief_of_outline(
                its[0], centre, reach, assembly.shop.running_clearance_mm, least_wall=assembly.shop.least_wall_mm
            )
            relief = PlannedRelief(other.id, mover.id, cut)
            state, why = LOOK, f"Relieve {other.name}: {cut.reason}."
        except PlanError as error:
            why = f"No relief helps: {error}."
    return Check(topic="running clearance", about=other.id, says=f"{running.reason}.", why=why, state=state), relief
