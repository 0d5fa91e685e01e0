"""The plan of a piece of work, as plain data: every printed page and file is made from it.

Frames as in `ctrecon.workshop.assembly.model`. Each sentence stands alone: it says what was decided and why.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field

from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from ctrecon.core.measured import Measured
from ctrecon.workshop.assembly.model import Assembly, PlannedSize

__all__ = [
    "FAILS",
    "GOOD",
    "LOOK",
    "Check",
    "DrilledHole",
    "PieceSheet",
    "Plan",
    "PlacedPin",
    "PlanStep",
    "Registration",
    "ReliefArc",
    "SetUp",
    "SizeRow",
    "ToBuy",
]

GOOD, LOOK, FAILS = "good", "look", "fails"
"""State of a check: nothing to do; look before cutting; the work can't go on as planned."""


@dataclass(frozen=True, kw_only=True)
class Check:
    """One choice or check with its reason.

    Parameters
    ----------
    topic : str
        Stock, fit, clearance, register pins, drilling, square hole, relief, rivet, bench, steps or placing.
    about : str
        What it is of: a part, a gap, a hole, by its id.
    says : str
        The result in one sentence.
    why : str
        The reason in one sentence.
    state : str
        `GOOD`, `LOOK` or `FAILS`.
    overridden : bool
        Whether the assembly file decided it.
    """

    topic: str
    about: str
    says: str
    why: str = ""
    state: str = GOOD
    overridden: bool = False


@dataclass(frozen=True, kw_only=True)
class SizeRow:
    """One size of a piece: what to make, to which tolerance, and what was found, side by side.

    Parameters
    ----------
    key : str
        As in `PlannedPart.sizes`.
    what : str
        The size in words.
    sign : str
        Sign before the value: Ø, a square, or nothing.
    to_make : float or None
        mm; None where nothing can be said yet.
    tolerance : str
        Limits or fit, such as H7 (+0.012 / 0); empty where it is fitted to its mate.
    as_found : PlannedSize
        The measured or stated size with U.
    made : Measured or None
        What the caliper said of the finished piece.
    note : str
        How to come to it, in one sentence.
    """

    key: str
    what: str
    to_make: float | None
    as_found: PlannedSize
    sign: str = ""
    tolerance: str = ""
    made: Measured | None = None
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class ReliefArc:
    """An arc to cut in a piece: for which part, its centre and radius (the dividers' setting), how deep (mm)."""

    for_part: str
    x: float
    y: float
    radius_mm: float
    depth_mm: float


@dataclass(frozen=True, kw_only=True)
class PieceSheet:
    """The working sheet of one piece.

    Parameters
    ----------
    part, name, role : str
        Id, words, role.
    material : str
        What it is made of; "not said" where the file is silent.
    stock : str
        What it is cut from, in one sentence.
    rows : tuple of SizeRow
        Its sizes.
    notes : tuple of str
        What else to know.
    reliefs : tuple of ReliefArc
        Arcs to cut so that a neighbour turns.
    """

    part: str
    name: str
    role: str
    material: str
    stock: str
    rows: tuple[SizeRow, ...]
    notes: tuple[str, ...] = ()
    reliefs: tuple[ReliefArc, ...] = ()


@dataclass(frozen=True, kw_only=True)
class PlacedPin:
    """One register pin of a pair of plates.

    Parameters
    ----------
    id : str
        Such as P1.
    x, y : float
        Its place (mm), assembly frame.
    pin : str
        The pin as it is bought, such as taper pin 2 x 10 ISO 2339.
    entry_mm, exit_mm : float
        Diameter of its hole at the upper face of the upper plate and at the lower face of the lower one.
    pilot_mm : float
        The drill, all the way through.
    pilot : str
        The drill by its name.
    length_mm : float
        Length of the pin.
    below_mm : float
        How far it ends below the face it was driven from.
    above_mm : float
        How far it ends above the lower face of the lower plate.
    says : tuple of str
        How to make its hole: gauge, stop, countersink.
    """

    id: str
    x: float
    y: float
    pin: str
    entry_mm: float
    exit_mm: float
    pilot_mm: float
    pilot: str
    length_mm: float
    below_mm: float
    above_mm: float
    says: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Registration:
    """How two neighbouring plates are held to each other.

    Parameters
    ----------
    upper, lower : str
        Ids of the plates.
    pins : tuple of PlacedPin
        Its pins.
    region : geometry
        Where centres of pins may lie (mm).
    obstacles : tuple of (str, geometry)
        What takes room away, with its margin, by name.
    distance_mm : float
        Between the two pins farthest apart.
    miss_mm : float
        By how much the best wrong way round misses.
    says : tuple of str
        Why here, why so many, what limits it, how it fits one way only.
    """

    upper: str
    lower: str
    pins: tuple[PlacedPin, ...]
    region: BaseGeometry
    obstacles: tuple[tuple[str, BaseGeometry], ...]
    distance_mm: float
    miss_mm: float
    says: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class DrilledHole:
    """A hole made in one set-up.

    Parameters
    ----------
    id : str
        Axis, pin or hole.
    x, y : Measured
        From the set-up's datum, X right and Y up as it lies on the table (mm), with u.
    drill_mm : float
        Diameter drilled in this set-up.
    drill : str
        The drill by its name.
    rpm : float
        Speed.
    then : str
        What follows in the same clamping; empty where nothing does.
    kind : str
        pin, shared or own.
    """

    id: str
    x: Measured
    y: Measured
    drill_mm: float
    drill: str
    rpm: float
    then: str = ""
    kind: str = "shared"


@dataclass(frozen=True, kw_only=True)
class SetUp:
    """Plates clamped together once, and what is made through all of them.

    Parameters
    ----------
    id : str
        Such as U1.
    plates : tuple of str
        Ids, uppermost on the table first.
    face_up : str
        top or underside: which faces of the plates look up; underside mirrors X.
    pick_up : str
        What the spindle is set by, in one sentence.
    holes : tuple of DrilledHole
        What is drilled.
    outlines : tuple of (str, Polygon)
        Outlines as they lie, about the datum (mm).
    there : tuple of (str, Polygon)
        Holes that are there already, about the datum (mm).
    pins : tuple of (str, float, float)
        Register pins that hold the plates: id, X, Y about the datum.
    reason : str
        Why these plates together, and why now.
    """

    id: str
    plates: tuple[str, ...]
    face_up: str
    pick_up: str
    holes: tuple[DrilledHole, ...]
    outlines: tuple[tuple[str, Polygon], ...]
    there: tuple[tuple[str, Polygon], ...] = ()
    pins: tuple[tuple[str, float, float], ...] = ()
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class PlanStep:
    """One step of the work.

    Parameters
    ----------
    id : str
        What `done` in the assembly file calls it.
    title : str
        What is done, in a few words.
    parts : tuple of str
        Ids of the parts in hand.
    does : tuple of str
        The step, sentence by sentence.
    tools : tuple of str
        What it needs.
    set_up : str or None
        Id of its set-up.
    cautions : tuple of str
        What can hurt, in sentences.
    after : tuple of str
        Ids of steps that must be done before.
    done : bool
        Whether the file says so.
    """

    id: str
    title: str
    parts: tuple[str, ...]
    does: tuple[str, ...]
    tools: tuple[str, ...] = ()
    set_up: str | None = None
    cautions: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    done: bool = False


@dataclass(frozen=True, kw_only=True)
class ToBuy:
    """One line of the list of what to have at hand.

    Parameters
    ----------
    group : str
        Sheet, rod, drill, reamer, taper broach, square tool, pin, rivet or abrasive.
    what : str
        The thing with its size.
    count : str
        How many or how much.
    parts, steps : tuple of str
        Who needs it.
    source : str
        From which list it was chosen; empty where from none.
    """

    group: str
    what: str
    count: str = "1"
    parts: tuple[str, ...] = ()
    steps: tuple[str, ...] = ()
    source: str = ""


@dataclass(frozen=True, kw_only=True)
class Plan:
    """The whole plan.

    Parameters
    ----------
    assembly : Assembly
        What it was made from.
    checks : tuple of Check
        Choices and checks.
    registrations : tuple of Registration
        Register pins by pair of plates, top first.
    set_ups : tuple of SetUp
        In the order of work.
    steps : tuple of PlanStep
        In the order of work; steps already done come first.
    pieces : tuple of PieceSheet
        A working sheet for each part, top of the stack first.
    buy : tuple of ToBuy
        What to have at hand.
    cautions : tuple of str
        What holds for all of the work.
    """

    assembly: Assembly
    checks: tuple[Check, ...] = ()
    registrations: tuple[Registration, ...] = ()
    set_ups: tuple[SetUp, ...] = ()
    steps: tuple[PlanStep, ...] = ()
    pieces: tuple[PieceSheet, ...] = ()
    buy: tuple[ToBuy, ...] = ()
    cautions: tuple[str, ...] = ()
    names: dict[str, str] = field(default_factory=dict)

    def of(self, topic: str) -> Iterator[Check]:
        """Go through the checks of one topic."""
        return (one for one in self.checks if one.topic == topic)

    @property
    def next_step(self) -> PlanStep | None:
        """The first step that is not done."""
        return next((one for one in self.steps if not one.done), None)
