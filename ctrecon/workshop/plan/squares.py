"""Square holes: pilot, what the pilot leaves, the turn to an edge, and the metal that stays round the corners."""

from collections.abc import Iterator, Mapping

from shapely import Point

from ctrecon.core.measured import Measured, format_value
from ctrecon.workshop.assembly.model import Assembly, PlannedHole, PlannedPart
from ctrecon.workshop.corners import boss_wall, square_turn
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.plan.drilling import DrillingPlan
from ctrecon.workshop.plan.model import FAILS, GOOD, LOOK, Check

__all__ = ["square_checks"]


def square_checks(assembly: Assembly, drilling: DrillingPlan, to_make: Mapping[str, float]) -> tuple[Check, ...]:
    """Check every square hole of every part.

    Parameters
    ----------
    assembly : Assembly
        Parts with their holes.
    drilling : DrillingPlan
        Pilots of the squares in plates.
    to_make : mapping of str to float
        Sizes to make (mm) by key.
    """
    return tuple(_checks(assembly, drilling, to_make))


def _checks(assembly: Assembly, drilling: DrillingPlan, to_make: Mapping[str, float]) -> Iterator[Check]:
    for part in assembly.parts:
        for hole in part.holes:
            if not hole.form.square:
                continue
            flats = to_make.get(hole.size_key, hole.size.value)
            name = next((one.name for one in assembly.axes if one.id == hole.axis), hole.id)
            plan = drilling.squares.get((part.id, hole.id))
            turn = square_turn(flats, (hole.turn_deg + 45) % 90 - 45)
            why = [] if plan is None else [f"{plan.reason}. {plan.source}."]
            why.append(f"{turn.reason}.")
            wall, state = _wall(part, hole, flats, assembly.shop.least_wall_mm)
            why.append(wall)
            says = (
                f"{part.name}, {name}: {format_value(flats, 2)} mm across flats, "
                f"{format_value(flats * 2**0.5, 2)} mm across corners."
            )
            yield Check(
                topic="square hole",
                about=part.id,
                says=says,
                why=" ".join(why),
                state=state,
            )


def _wall(part: PlannedPart, hole: PlannedHole, flats: float, least: float) -> tuple[str, str]:
    """Return the metal left at the corners of the square, against the narrowest section round it."""
    x, y = hole.place.xy
    sections = [one for one in part.steps if one.to_z > hole.from_z + 1e-6 and one.from_z < hole.to_z - 1e-6]
    round_it = [one for one in sections if one.shape.contains(Point(x, y))]
    if not round_it:
        return "", GOOD
    narrow = min(round_it, key=lambda one: one.shape.exterior.distance(Point(x, y)))
    if narrow.form.round and narrow.size is not None:
        try:
            return f"{boss_wall(narrow.size, Measured(flats, hole.size.u), least=least).reason}.", GOOD
        except PlanError as error:
            return f"{error}.", FAILS
    left = min(narrow.shape.exterior.distance(Point(px, py)) for px, py in hole.shape.exterior.coords)
    words = f"{format_value(left, 2)} mm of metal stay between its nearest corner and the edge."
    return words, GOOD if left >= least else LOOK
