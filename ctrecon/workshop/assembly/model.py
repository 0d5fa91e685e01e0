"""The assembly as the workshop plans it: parts in their places, with every size, its u and where it comes from.

Frame of the assembly: mm, X right and Y up as seen from the top of the stack, Z up, Z = 0 at the underside of the
part that everything rests on. Angles are degrees from +X towards +Y (counterclockwise as drawn).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import hypot
from pathlib import Path

from shapely import Polygon

from ctrecon.core.measured import COVERAGE_FACTOR, Measured
from ctrecon.workshop.assembly.shop import ShopHabits
from ctrecon.workshop.own_stock import OwnStock

__all__ = [
    "BASES", "ROLES", "Assembly", "AxialGap", "ChainTerm", "KeepOut", "Overrides", "Place", "PlannedHole",
    "PlannedPart", "PlannedSize", "PlannedStep", "RivetSet", "SharedAxis", "Stock",
]  # fmt: skip

ROLES = ("plate", "hub", "spacer", "pillar", "wheel", "ring", "bearing", "arbor")
"""What a part is in the assembly."""

BASES = ("measured", "stated", "made", "inferred")
"""Where a size comes from: a record, the file, the piece on the bench, or the sum of several of these."""


@dataclass(frozen=True, kw_only=True)
class Place:
    """A place in the plane of the plates.

    Parameters
    ----------
    x, y : Measured
        Assembly frame (mm); u is that of the place against the origin axis, without the scale.
    """

    x: Measured
    y: Measured

    @property
    def xy(self) -> tuple[float, float]:
        """The place alone (mm)."""
        return self.x.value, self.y.value

    @property
    def u(self) -> float | None:
        """One standard uncertainty for both directions: the larger of the two; None where one is unknown."""
        return None if self.x.u is None or self.y.u is None else max(self.x.u, self.y.u)


@dataclass(frozen=True, kw_only=True)
class PlannedSize:
    """One size with its u, where it comes from, and the errors that it shares with other sizes of its scan.

    Parameters
    ----------
    key : str
        Such as ``spacer.thickness`` or ``top_plate.pillar_1``: what `made` calls it.
    words : str
        How a sentence calls it.
    size : Measured
        mm; u without scale and without the edge.
    basis : str
        One of `BASES`.
    scan : str or None
        Name of the scan it was measured in: sizes of one scan share the errors of scale and edge. None where it
        was not measured in a scan.
    scale_u : float or None
        What the scale adds (mm, one standard uncertainty), of one sign with the size: it adds up linearly, with
        the sign of the size in a chain, over sizes of one scan. 0 where no scale enters, None where it is unknown.
    edge_u : float
        What an unknown grey scale adds (mm): all edges of a scan err alike, so it adds up as `scale_u` does, with
        its own sign: + where metal grows the size (a thickness), - where it shrinks it (a bore).
    feature : str or None
        Id of the feature of the record.
    made_from : Measured or None
        Of a made size, what it was before: the measured or stated one, which is kept.
    """

    key: str
    words: str
    size: Measured
    basis: str
    scan: str | None = None
    scale_u: float | None = 0.0
    edge_u: float = 0.0
    feature: str | None = None
    made_from: Measured | None = None

    @property
    def value(self) -> float:
        """The size (mm)."""
        return self.size.value

    @property
    def U(self) -> float | None:
        """Expanded uncertainty (k = 2) with edge and, where it is known, scale; None where u is unknown."""
        if self.size.u is None:
            return None
        return COVERAGE_FACTOR * hypot(self.size.u, self.scale_u or 0.0, self.edge_u)


@dataclass(frozen=True, kw_only=True)
class PlannedHole:
    """A hole of a part.

    Parameters
    ----------
    id : str
        The axis it lies on, or the name or the feature it was given by.
    axis : str or None
        Id of the shared axis.
    kind : str
        round, square or slot.
    size : Measured
        Diameter, flats, or width of a slot (mm).
    place : Place
        Its centre at mid depth.
    turn_deg : float
        Of a square: direction of a flat's outward normal, in [0, 90); of a slot: of its length, in [0, 180);
        of a round hole 0.
    from_z, to_z : float
        Z of its lower and its upper end (mm).
    long : Measured or None
        Overall length of a slot (mm).
    size_key : str
        Key of `size` in the part's `sizes`.
    feature : str or None
        Id of the feature of the record.
    shape : Polygon
        Its section in the assembly frame (mm); circles are divided finely.
    """

    id: str
    axis: str | None
    kind: str
    size: Measured
    place: Place
    turn_deg: float
    from_z: float
    to_z: float
    shape: Polygon
    size_key: str
    long: Measured | None = None
    feature: str | None = None


@dataclass(frozen=True, kw_only=True)
class PlannedStep:
    """One step of a hub, pillar or arbor: a length of one section.

    Parameters
    ----------
    id : str
        The name or the feature it was given by.
    kind : str
        round, square, or outline for any other section.
    size : Measured or None
        Diameter or flats (mm); None of an outline.
    turn_deg : float
        Of a square, as of a hole.
    from_z, to_z : float
        Z of its lower and its upper end (mm).
    shape : Polygon
        Its section in the assembly frame (mm).
    size_key, length_key : str or None
        Keys of its size across and of its length in the part's `sizes`.
    feature : str or None
        Id of the feature of the record.
    """

    id: str
    kind: str
    size: Measured | None
    turn_deg: float
    from_z: float
    to_z: float
    shape: Polygon
    size_key: str | None = None
    length_key: str | None = None
    feature: str | None = None


@dataclass(frozen=True, kw_only=True)
class PlannedPart:
    """A part in its place.

    Parameters
    ----------
    id, name, role : str
        Its table in the file; how a sentence calls it; one of `ROLES`.
    thickness : Measured
        Along the axis, over all (mm).
    outline : Polygon
        Over all, in the assembly frame (mm), holes not taken out.
    from_z, to_z : float
        Z of its lower and its upper face (mm).
    holes : tuple of PlannedHole
        Its holes.
    steps : tuple of PlannedStep
        Its sections from the lowest up; of a plate the one outline.
    moving : bool
        Whether it turns in the finished work.
    sweep_radius : Measured or None
        Of a moving part: the circle about its axis that it sweeps (mm).
    axis : str or None
        The shared axis it turns on or stands on; None of a plate.
    sizes : mapping of str to PlannedSize
        All its sizes by their key; where a size was made, the made one.
    measured : mapping of str to PlannedSize
        The same, as measured or stated, whatever was made since.
    record : Path or None
        Its part record; None of a typed part.
    face_up : str
        Which face of the record lies on top: start (the first slice) or end.
    rests_on : str or None
        The part, or the step of a part as ``pillar.shank``, that its lower face lies on; None of the lowest.
    material : str or None
        Such as brass.
    seams : tuple of Polygon
        Where seams run, in the assembly frame (mm), as wide as they are.
    notes : tuple of str
        One sentence each: what was assumed in placing it, how well the shared axes agree.
    riveted : mapping of str to str
        Steps that are riveted over where they end, and the head that is formed.
    """

    id: str
    name: str
    role: str
    thickness: Measured
    outline: Polygon
    from_z: float
    to_z: float
    holes: tuple[PlannedHole, ...] = ()
    steps: tuple[PlannedStep, ...] = ()
    moving: bool = False
    sweep_radius: Measured | None = None
    axis: str | None = None
    sizes: Mapping[str, PlannedSize] = field(default_factory=dict)
    measured: Mapping[str, PlannedSize] = field(default_factory=dict)
    record: Path | None = None
    face_up: str = "start"
    rests_on: str | None = None
    material: str | None = None
    seams: tuple[Polygon, ...] = ()
    notes: tuple[str, ...] = ()
    riveted: Mapping[str, str] = field(default_factory=dict)

    def hole_on(self, axis: str) -> PlannedHole | None:
        """Return its hole on a shared axis, None where it has none."""
        return next((one for one in self.holes if one.axis == axis), None)


@dataclass(frozen=True, kw_only=True)
class SharedAxis:
    """An axis that several parts share.

    Parameters
    ----------
    id, name : str
        Its table in the file; how a sentence calls it.
    place : Place
        Where it is, by the part `found_in`.
    parts : tuple of str
        Ids of the parts with a hole on it, or standing or turning on it, top of the stack first.
    found_in : str or None
        Id of the part its place was read from; None where it was typed.
    """

    id: str
    name: str
    place: Place
    parts: tuple[str, ...]
    found_in: str | None = None


@dataclass(frozen=True, kw_only=True)
class KeepOut:
    """A region that pins must stay out of.

    Parameters
    ----------
    name : str
        What is there.
    plates : tuple of str
        Ids of the plates it holds for.
    shape : Polygon
        Assembly frame (mm), without any margin.
    margin_mm : float or None
        Distance to keep from it; None for the shop's habit.
    """

    name: str
    plates: tuple[str, ...]
    shape: Polygon
    margin_mm: float | None = None


@dataclass(frozen=True, kw_only=True)
class RivetSet:
    """Rivets of one kind through the same parts.

    Parameters
    ----------
    id, name : str
        Its place in the file; how a sentence calls them.
    parts : tuple of str
        Ids of the parts they join.
    diameter_mm : float
        Of the shank.
    head : str
        The head that is formed, one of `ctrecon.workshop.rivets.HEADS`.
    places : tuple of (x, y)
        Assembly frame (mm).
    """

    id: str
    name: str
    parts: tuple[str, ...]
    diameter_mm: float
    head: str
    places: tuple[tuple[float, float], ...]


@dataclass(frozen=True, kw_only=True)
class Stock:
    """What can be bought or is at hand.

    Parameters
    ----------
    lists : tuple of str
        Keys of the published lists of sheet (`ctrecon.workshop.tables.LISTS`).
    own : tuple of OwnStock
        Sheet and rod at hand, thinnest first.
    drills_mm : tuple of float
        Drills at hand, smallest first; empty where nothing was said.
    """

    lists: tuple[str, ...] = ()
    own: tuple[OwnStock, ...] = ()
    drills_mm: tuple[float, ...] = ()


@dataclass(frozen=True)
class ChainTerm:
    """One size in a chain along Z: key of the size, and +1 where the gap grows with it, -1 where it shrinks."""

    key: str
    sign: int


@dataclass(frozen=True, kw_only=True)
class AxialGap:
    """A clearance along Z between two faces, as a chain of sizes.

    Parameters
    ----------
    id, name : str
        Its table in the file; how a sentence calls it.
    upper, lower : str
        The faces: the lower end of a part (or step) above, the upper end of one below.
    terms : tuple of ChainTerm
        Sizes whose signed sum is the gap; each face that two of them share cancels.
    fixed_mm : float
        What is added to the sum: gaps typed in the file.
    least_mm, most_mm : float or None
        What it should lie between.
    """

    id: str
    name: str
    upper: str
    lower: str
    terms: tuple[ChainTerm, ...]
    fixed_mm: float = 0.0
    least_mm: float | None = None
    most_mm: float | None = None


@dataclass(frozen=True, kw_only=True)
class Overrides:
    """What the person decided against the plan; the plan checks each again.

    Parameters
    ----------
    pins : mapping of (str, str) to tuple of (x, y)
        Places of the register pins (mm) of two neighbouring plates, upper plate first.
    fits : mapping of str to str
        Fit by its code, such as H7/p6, by key of the hole.
    stock : mapping of str to float
        Thickness (mm) to cut a part from, by the part's id.
    set_ups : tuple of tuple of str
        Plates to clamp together, in order.
    """

    pins: Mapping[tuple[str, str], tuple[tuple[float, float], ...]] = field(default_factory=dict)
    fits: Mapping[str, str] = field(default_factory=dict)
    stock: Mapping[str, float] = field(default_factory=dict)
    set_ups: tuple[tuple[str, ...], ...] = ()


@dataclass(frozen=True, kw_only=True)
class Assembly:
    """The whole assembly, as read from its file.

    Parameters
    ----------
    name : str
        What is made.
    units : str
        mm or inch: what a plan prints sizes in; all numbers here are mm.
    source : Path
        The file it was read from.
    parts : tuple of PlannedPart
        Top of the stack first.
    stack : tuple of str
        Ids of the plates, top first.
    axes, keep_outs, gaps, rivets : tuple
        What the parts share, where nothing may be drilled, which clearances along Z are wanted, what is riveted.
    stock, shop : Stock, ShopHabits
        What is at hand, and what the shop does where the file does not say otherwise.
    made : mapping of str to PlannedSize
        Sizes taken from the real pieces, by key.
    done : tuple of str
        Ids of the steps that are done.
    overrides : Overrides
        What the person decided.
    notes : tuple of str
        One sentence each: what holds for the whole assembly.
    """

    name: str
    units: str
    source: Path
    parts: tuple[PlannedPart, ...]
    stack: tuple[str, ...]
    axes: tuple[SharedAxis, ...] = ()
    keep_outs: tuple[KeepOut, ...] = ()
    gaps: tuple[AxialGap, ...] = ()
    rivets: tuple[RivetSet, ...] = ()
    stock: Stock = field(default_factory=Stock)
    shop: ShopHabits = field(default_factory=ShopHabits)
    made: Mapping[str, PlannedSize] = field(default_factory=dict)
    done: tuple[str, ...] = ()
    overrides: Overrides = field(default_factory=Overrides)
    notes: tuple[str, ...] = ()

    def __getitem__(self, ident: str) -> PlannedPart:
        """Return the part with this id.

        Raises
        ------
        KeyError
            If there is none.
        """
        for one in self.parts:
            if one.id == ident:
                return one
        raise KeyError(ident)

    @property
    def plates(self) -> tuple[PlannedPart, ...]:
        """The plates, top first."""
        return tuple(self[ident] for ident in self.stack)

    @property
    def sizes(self) -> Mapping[str, PlannedSize]:
        """All sizes of all parts by key."""
        return {key: size for part in self.parts for key, size in part.sizes.items()}
