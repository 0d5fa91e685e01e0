"""A part by itself, before it is placed: seen from its upper face, with its faces along its axis.

Own frame: mm, X right and Y up as seen from above its upper face, Z up; the origin anywhere.
"""

from dataclasses import dataclass, field

from shapely import Polygon, affinity

from ctrecon.core.measured import Measured
from ctrecon.workshop.assembly.model import PlannedSize

__all__ = ["REPEATS_DEG", "Level", "OwnHole", "OwnPart", "OwnStep", "Shared", "resized"]

REPEATS_DEG = {"round": 0.0, "square": 90.0, "slot": 180.0, "outline": 180.0}
"""Kinds of section of a plan, with the turn (degrees) after which each looks the same; 0 for any turn."""


@dataclass(frozen=True)
class Shared:
    """What all sizes of one scan share.

    Parameters
    ----------
    scan : str or None
        Its name; None where nothing was scanned.
    along, across : float or None
        Relative standard uncertainty of the scale along the part's axis and across it; None where unknown.
    """

    scan: str | None = None
    along: float | None = 0.0
    across: float | None = 0.0


@dataclass(frozen=True)
class Level:
    """A flat face along the axis: Z and u (mm), and how far up (mm) one standard uncertainty of the edge moves it."""

    z: float
    u: float | None
    edge: float = 0.0


@dataclass(frozen=True, kw_only=True)
class OwnHole:
    """A hole of a part by itself; `across` is its size, `long` the other of a slot, `turn_u` of its turn (degrees)."""

    id: str
    kind: str
    across: PlannedSize
    long: PlannedSize | None
    x: Measured
    y: Measured
    turn_deg: float
    low: Level
    high: Level
    shape: Polygon
    feature: str | None = None
    turn_u: float | None = None
    axis: str | None = None


@dataclass(frozen=True, kw_only=True)
class OwnStep:
    """A section of a part by itself.

    `across` holds its sizes across, `turn_deg` is as of a hole; `edge_deg` is the direction of its longer side or of a
    flat, where it has one; `length` stands where it was typed, else the faces say it.
    """

    id: str
    kind: str
    across: tuple[PlannedSize, ...]
    x: Measured
    y: Measured
    turn_deg: float
    low: Level
    high: Level
    shape: Polygon
    feature: str | None = None
    turn_u: float | None = None
    length: PlannedSize | None = None
    edge_deg: float | None = None


@dataclass(frozen=True, kw_only=True)
class OwnPart:
    """A part by itself: steps from the lowest up, holes by id, seams; `shared` as its sizes share it."""

    id: str
    steps: tuple[OwnStep, ...]
    holes: tuple[OwnHole, ...] = ()
    seams: tuple[Polygon, ...] = ()
    shared: Shared = field(default_factory=Shared)
    basis: str = "stated"
    notes: tuple[str, ...] = ()

    @property
    def outline(self) -> OwnStep:
        """The step that reaches farthest."""
        return max(self.steps, key=lambda one: one.shape.area)


def resized(shape: Polygon, kind: str, turn_deg: float, factor: tuple[float, float]) -> Polygon:
    """Return a section made larger about its middle: by the first factor along its turn, by the second across."""
    if REPEATS_DEG[kind] < 180.0:
        return affinity.scale(shape, factor[0], factor[0])
    middle = shape.envelope.centroid
    level = affinity.rotate(shape, -turn_deg, origin=middle)
    return affinity.rotate(affinity.scale(level, *factor, origin=middle), turn_deg, origin=middle)
