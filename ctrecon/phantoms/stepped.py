"""A turned or filed part of round and square steps, with a round or square bore: hubs, pillars, rings of a counter."""

from dataclasses import dataclass
from typing import Any

from ctrecon.phantoms.render import Body
from ctrecon.phantoms.solids import Balls, Cylinder, Difference, Solid, Union, square
from ctrecon.phantoms.truth import Design, Feature, Piece

__all__ = ["Step", "Stepped", "stepped_design"]

_ROUND = {"arc_deg": 360.0, "taper_mm_per_mm": 0.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One length of a section: round by its diameter, or square by its flats and turn (mm, degrees)."""

    length: float
    diameter: float = 0.0
    flats: float = 0.0
    turn_deg: float = 0.0

    @property
    def reach(self) -> float:
        """Radius that holds it, mm."""
        return self.diameter / 2 if self.diameter else self.flats / 2**0.5

    def solid(self, z_from: float, z_to: float) -> Solid:
        """Return it between two heights."""
        if self.diameter:
            return Cylinder(diameter=self.diameter, z_from=z_from, z_to=z_to)
        return square(flats=self.flats, z_from=z_from, z_to=z_to, turn_deg=self.turn_deg)

    def sizes(self) -> dict[str, Any]:
        """Return its sizes in the words of the record."""
        if self.diameter:
            return {"diameter_mm": self.diameter, **_ROUND}
        return {"flats_mm": self.flats, "flats_pair_mm": (self.flats, self.flats), "corner_radius_mm": 0.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class Stepped:
    """A part of steps about one axis.

    Parameters
    ----------
    name : str
        What its one piece is called.
    steps : tuple of Step
        From z = 0 upwards.
    bore : Step or None
        Through the whole length; its own length is left aside.
    pits : Balls or None
        Bites out of its rims.
    """

    name: str
    steps: tuple[Step, ...]
    bore: Step | None = None
    pits: Balls | None = None


def _joined(steps: tuple[Step, ...], ends: list[float]) -> list[Solid]:
    """Return the steps as bodies that reach into their neighbour where that is as wide: no skin is left between."""
    out: list[Solid] = []
    for number, step in enumerate(steps):
        low, high = ends[number], ends[number + 1]
        deep = 0.2
        if number and _holds(steps[number - 1], step):
            low -= min(deep, steps[number - 1].length / 2)
        if number + 1 < len(steps) and _holds(steps[number + 1], step):
            high += min(deep, steps[number + 1].length / 2)
        out.append(step.solid(low, high))
    return out


def _holds(wide: Step, narrow: Step) -> bool:
    """Return whether one section lies within another; squares of another turn by their corners."""
    if wide.flats and narrow.flats and wide.turn_deg == narrow.turn_deg:
        return narrow.flats <= wide.flats
    return narrow.reach <= (wide.diameter or wide.flats) / 2


def stepped_design(part: Stepped) -> Design:
    """Return bodies and truth of a stepped part."""
    ends = [0.0]
    for step in part.steps:
        ends.append(ends[-1] + step.length)
    features = [
        Feature(
            kind="round_outside" if step.diameter else "square_outside",
            piece=part.name,
            z_from=low,
            z_to=high,
            sizes=step.sizes(),
            turn_deg=None if step.diameter else step.turn_deg,
        )
        for step, low, high in zip(part.steps, ends, ends[1:], strict=False)
    ]
    taken: list[Solid] = []
    if part.bore is not None:
        taken.append(part.bore.solid(-1.0, ends[-1] + 1.0))
        features.append(
            Feature(
                kind="round_hole" if part.bore.diameter else "square_hole",
                piece=part.name,
                z_from=0.0,
                z_to=ends[-1],
                sizes=part.bore.sizes(),
                turn_deg=None if part.bore.diameter else part.bore.turn_deg,
                opens_at=("start", "end"),
            )
        )
    if part.pits is not None:
        taken.append(part.pits)
    body: Solid = Union(tuple(_joined(part.steps, ends)))
    return Design(
        bodies=(Body(name=part.name, solid=Difference(body, tuple(taken)) if taken else body),),
        features=tuple(features),
        pieces=(Piece(name=part.name, z_from=0.0, z_to=ends[-1]),),
        radius=max(step.reach for step in part.steps),
        z_from=0.0,
        z_to=ends[-1],
    )
