"""Running clearances of neighbours in plan and along depth, and end shake."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import hypot
from typing import Literal

from shapely.geometry import Point, Polygon

from ctrecon.core.measured import COVERAGE_FACTOR, Measured, format_pair, format_short, format_value
from ctrecon.workshop.errors import PlanError

__all__ = [
    "END_SHAKE_MM", "LEAST_RUNNING_MM", "Body", "EndShake", "Running", "Sweep", "end_shake",
    "running_clearances", "sweep_of",
]  # fmt: skip

LEAST_RUNNING_MM = 0.1
"""Least clearance of a moving part from its neighbours (mm; common practice, no source)."""

END_SHAKE_MM = (0.1, 0.3)
"""End shake of an arbor in a small movement (mm; common practice, from memory; large ones about 0.5)."""


@dataclass(frozen=True)
class Sweep:
    """The ring a part sweeps as it turns: outer radius, and the inner one where it turns about something (mm)."""

    outer: float
    inner: float = 0.0


@dataclass(frozen=True)
class Body:
    """A part in the assembly: plan outline (mm), depths of its faces (mm, z down the stack), and their standard u.

    `centre` is where it turns, None for a part at rest. `u_plan` is the standard u of a place on its outline,
    centre included; `u_from`, `u_to` those of its faces. `scan` names the scan it was measured in.
    """

    id: str
    outline: Polygon
    z_from: float
    z_to: float
    centre: tuple[float, float] | None = None
    u_plan: float = 0.0
    u_from: float = 0.0
    u_to: float = 0.0
    scan: str | None = None


@dataclass(frozen=True)
class Running:
    """The clearance between a moving part `a` and `b`.

    `plan` and `depth` are the gaps seen from the top and along the arbor, below 0 where they overlap; a pair fouls
    where both are. `way` is the gap that keeps them apart and `gap` its size; `fouls` is surely touching, `enough`
    that the gap is `least` or more even when U is against it.
    """

    a: str
    b: str
    plan: Measured
    depth: Measured
    way: Literal["plan", "depth"]
    gap: Measured
    least: float
    fouls: bool
    enough: bool
    reason: str


@dataclass(frozen=True)
class EndShake:
    """End shake of an arbor (mm) and whether it is within the habit; `to_change` brings it to the middle."""

    shake: Measured
    low: float
    high: float
    verdict: Literal["too little", "good", "too much", "not sure"]
    to_change: float
    reason: str


def sweep_of(outline: Polygon, centre: tuple[float, float]) -> Sweep:
    """Return the ring that an outline (mm) sweeps about a centre.

    Parameters
    ----------
    outline : shapely Polygon
        The part, holes included.
    centre : (float, float)
        Where it turns.
    """
    if outline.is_empty or not outline.is_valid:
        raise PlanError("the outline of a moving part is empty or crosses itself; mend it")
    cx, cy = centre
    outer = max(hypot(x - cx, y - cy) for x, y, *_ in outline.exterior.coords)
    return Sweep(outer, float(outline.distance(Point(cx, cy))))


def running_clearances(
    bodies: Sequence[Body], *, least: float = LEAST_RUNNING_MM, may_touch: Collection[frozenset[str]] = (),
    scale_u: float | None = None,
) -> tuple[Running, ...]:  # fmt: skip
    """Return the clearance of each moving part from every other part, the tightest first.

    Parameters
    ----------
    bodies : sequence of Body
        All parts; those with a `centre` move.
    least : float
        Least clearance, mm.
    may_touch : collection of frozenset of two ids
        Pairs that are meant to touch: meshing wheels, a wheel on its own arbor, a bearing in its plate.
    scale_u : float, optional
        Relative standard uncertainty of the scale; it goes with the gap of two parts of one scan.

    Returns
    -------
    tuple of Running
        Pairs that overlap in plan and in depth have a gap below 0.

    Raises
    ------
    PlanError
        If a part's faces are in the wrong order or two parts have the same id.
    """
    names = [one.id for one in bodies]
    for one in bodies:
        if one.z_to <= one.z_from or names.count(one.id) > 1:
            raise PlanError(f"{one.id} has no thickness, or its id is used twice; correct its faces or its id")
    out = []
    for a, b in combinations(bodies, 2):
        if (a.centre is None and b.centre is None) or frozenset((a.id, b.id)) in may_touch:
            continue
        first, second = (a, b) if a.centre is not None else (b, a)
        out.append(_pair(first, second, least, scale_u))
    return tuple(sorted(out, key=lambda one: one.gap.value))


def _pair(a: Body, b: Body, least: float, scale_u: float | None) -> Running:
    above, below = (a, b) if a.z_from + a.z_to <= b.z_from + b.z_to else (b, a)
    along = below.z_from - above.z_to
    u_along = hypot(below.u_from, above.u_to)
    aside = _plan_gap(a, b)
    same = a.scan is not None and a.scan == b.scan and scale_u is not None
    plan = Measured(aside, hypot(a.u_plan, b.u_plan), abs(aside) * (scale_u or 0.0) if same else None)
    depth = Measured(along, u_along, abs(along) * (scale_u or 0.0) if same else None)
    way: Literal["plan", "depth"] = "plan" if aside >= along else "depth"
    gap = plan if way == "plan" else depth
    U = gap.U or 0.0
    fouls, enough = gap.value + U < 0, gap.value - U >= least
    where = "seen from the top" if way == "plan" else "along the arbor"
    shown = format_pair(gap, U if U > 0 else None, "" if U > 0 else ".2f")
    if gap.value < 0:
        says = f"{a.id} fouls {b.id}: they overlap in plan and in depth, by {format_value(-gap.value, 2)} mm {where}"
        if not fouls:
            says += f", though no more than U {format_value(U, 2)}: try it before cutting"
    else:
        says = f"{a.id} clears {b.id} by {shown} mm {where}"
        if not enough:
            says += f", less than the {format_short(least, 3)} mm wanted" + (
                "" if gap.value < least else " when U is against it"
            )
    return Running(a.id, b.id, plan, depth, way, gap, least, fouls, enough, says)


def _plan_gap(a: Body, b: Body) -> float:
    """Return the least distance of what `a` sweeps from `b` (from what it sweeps), below 0 where they overlap."""
    assert a.centre is not None
    sweep = sweep_of(a.outline, a.centre)
    if b.centre is not None:
        other = sweep_of(b.outline, b.centre)
        apart = hypot(a.centre[0] - b.centre[0], a.centre[1] - b.centre[1])
        # one inside the ring of the other, or side by side
        return max(
            apart - sweep.outer - other.outer,
            sweep.inner - apart - other.outer if sweep.inner > 0 else -float("inf"),
            other.inner - apart - sweep.outer if other.inner > 0 else -float("inf"),
        )
    middle = Point(a.centre)
    inside = b.outline.contains(middle)
    nearest = float(middle.distance(b.outline))
    deep = float(middle.distance(b.outline.boundary)) if inside else 0.0
    beside = nearest - deep - sweep.outer
    farthest = max(hypot(x - a.centre[0], y - a.centre[1]) for x, y, *_ in b.outline.exterior.coords)
    within = sweep.inner - farthest if sweep.inner > 0 else -float("inf")
    return max(beside, within)


def end_shake(
    between_plates: Measured,
    between_shoulders: Measured,
    *,
    low: float = END_SHAKE_MM[0],
    high: float = END_SHAKE_MM[1],
) -> EndShake:
    """Return the end shake: the distance of the plates less that of the arbor's shoulders.

    Parameters
    ----------
    between_plates, between_shoulders : Measured
        Inside distance of the plates and length between the shoulders, mm.
    low, high : float
        Habit of the shop, mm.
    """
    if not 0 <= low < high:
        raise PlanError(f"end shake from {low:g} to {high:g} mm is not a range; correct it")
    shake = between_plates.value - between_shoulders.value
    known = between_plates.u is not None and between_shoulders.u is not None
    u = hypot(between_plates.u or 0.0, between_shoulders.u or 0.0) if known else None
    value = Measured(shake, u)
    U = COVERAGE_FACTOR * (u or 0.0)
    verdict: Literal["too little", "good", "too much", "not sure"]
    if shake + U < low:
        verdict = "too little"
    elif shake - U > high:
        verdict = "too much"
    elif low <= shake - U and shake + U <= high:
        verdict = "good"
    else:
        verdict = "not sure"
    change = (low + high) / 2 - shake
    what = "take off the shoulders or shim the pillars" if change > 0 else "shorten the pillars or shim the shoulder"
    says = f"end shake {format_pair(value, U or None, '' if U else '.2f')} mm, wanted {low:g} to {high:g} mm: {verdict}"
    if verdict in ("too little", "too much"):
        says += f"; {what} by {format_value(abs(change), 2)} mm"
    elif verdict == "not sure":
        says += ", so try it with the pieces in hand"
    return EndShake(value, low, high, verdict, change, says)
