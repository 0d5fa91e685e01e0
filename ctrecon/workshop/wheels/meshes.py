"""Meshes: which wheels of which arbors can mesh, by pitch, distance and faces."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import combinations, product
from math import hypot, log, sqrt
from typing import TypeVar

from ctrecon.core.measured import Measured, format_value
from ctrecon.workshop.errors import PlanError

__all__ = [
    "ADDENDUM", "DEPTHING", "MOST_SD", "Arbor", "MeshCheck", "TrainWheel", "arbor_distance", "arbor_of", "by_name",
    "check_mesh", "mesh_on_arbors", "meshing_pairs", "module_of", "shared_face",
]  # fmt: skip

ADDENDUM = Measured(1.2, 0.2)
"""How far teeth reach past the pitch circle, modules, where their form is unknown: ISO 54 spur teeth 1.0, BS 978-2
wheels 1.26 to 1.94 and pinions 0.53 to 1.05; low worn tips are common, so the middle of them (own choice)."""

DEPTHING = 0.1
"""By how many modules two arbors may be nearer or farther than their pitch circles ask, k = 1 (common practice, no
source)."""

MOST_SD = 3.0
"""Farther apart than this many joint standard uncertainties, two sizes don't agree (1 in 370 by chance)."""

_LEAST_ODDS = 0.01
"""Counts less likely than this are not tried in a mesh: they would make wheels mesh that hardly did (own choice)."""


@dataclass(frozen=True)
class Arbor:
    """Where an arbor is (mm), with the standard uncertainty of each coordinate, and in which record's frame."""

    name: str
    x: float
    y: float
    u: float = 0.0
    frame: str = ""


@dataclass(frozen=True)
class TrainWheel:
    """One wheel or pinion of a train.

    Attributes
    ----------
    name, arbor : str
        Its name, and that of the arbor it is fixed to.
    teeth : int
        Its count; the likeliest where `odds` are given.
    tip_diameter : Measured
        Over the tips, mm.
    addendum : Measured
        From the pitch circle to the tips, modules.
    low, high : Measured or None
        Its faces along the arbors, mm; None where unknown.
    odds : mapping of int to float, or None
        Probability of each count, where it is not settled.
    """

    name: str
    arbor: str
    teeth: int
    tip_diameter: Measured
    addendum: Measured = ADDENDUM
    low: Measured | None = None
    high: Measured | None = None
    odds: Mapping[int, float] | None = None

    def __post_init__(self) -> None:
        if self.teeth < 3 or self.tip_diameter.value <= 0 or self.addendum.value < 0:
            raise PlanError(f"wheel {self.name} needs 3 teeth or more and a tip diameter above 0; correct it")
        if self.low is not None and self.high is not None and self.high.value <= self.low.value:
            raise PlanError(f"the faces of wheel {self.name} are in the wrong order; give the low one first")


_Thing = TypeVar("_Thing", Arbor, TrainWheel)


@dataclass(frozen=True)
class MeshCheck:
    """Whether two wheels can mesh.

    Attributes
    ----------
    first, second : str
        Names of the wheels.
    ratio : Fraction
        Turns of the second per turn of the first, the other way round.
    verdict : str
        yes, no, or open where the distance or the faces are unknown.
    pitch_sd, distance_sd : float or None
        By how many joint standard uncertainties modules differ, and the distance from the sum of pitch radii.
    overlap : Measured or None
        Length of face they share, mm.
    chi2 : float
        Sum of the squares of both departures: the smaller, the better they agree.
    reason : str
        One sentence.
    """

    first: str
    second: str
    ratio: Fraction
    verdict: str
    pitch_sd: float
    distance_sd: float | None
    overlap: Measured | None
    chi2: float
    reason: str


def module_of(wheel: TrainWheel, teeth: int | None = None) -> Measured:
    """Return the module (mm) by the tip diameter: m = da / (z + 2 f).

    Parameters
    ----------
    wheel : TrainWheel
        The wheel.
    teeth : int or None
        Another count than its own.

    Examples
    --------
    >>> str(module_of(TrainWheel("centre", "A", 48, Measured(25.0, 0.02), Measured(1.0, 0.0))))
    '0.5000 ± 0.0008'
    """
    across = (wheel.teeth if teeth is None else teeth) + 2 * wheel.addendum.value
    module = wheel.tip_diameter.value / across
    u = hypot((wheel.tip_diameter.u or 0.0) / across, 2 * module * (wheel.addendum.u or 0.0) / across)
    return Measured(module, u)


def arbor_distance(first: Arbor, second: Arbor) -> Measured | None:
    """Return the distance of two arbors, mm; None where they are in the frames of two records."""
    if first.frame != second.frame:
        return None
    apart = hypot(second.x - first.x, second.y - first.y)
    if apart == 0:
        raise PlanError(f"arbors {first.name} and {second.name} stand in one place; give two places")
    return Measured(apart, hypot(first.u, second.u))


def check_mesh(
    first: TrainWheel, second: TrainWheel, distance: Measured | None = None, *, depthing: float = DEPTHING
) -> MeshCheck:
    """Return whether two wheels can mesh: equal pitch, distance of their arbors, faces side by side.

    Parameters
    ----------
    first, second : TrainWheel
        The wheels.
    distance : Measured or None
        Of their arbors, mm; None where unknown.
    depthing : float
        How far the distance may be off the pitch radii, modules (k = 1).

    Examples
    --------
    >>> sure = Measured(1.0, 0.0)
    >>> a = TrainWheel("A", "1", 20, Measured(22.0, 0.02), sure)
    >>> b = TrainWheel("B", "2", 40, Measured(42.0, 0.02), sure)
    >>> mesh = check_mesh(a, b, Measured(30.0, 0.02))
    >>> mesh.verdict, mesh.ratio
    ('open', Fraction(1, 2))
    """
    one, two = module_of(first), module_of(second)
    joint = hypot(one.u or 0.0, two.u or 0.0)
    pitch_sd = _apart(one.value - two.value, joint)
    says = [
        f"modules {format_value(one.value, 3)} and {format_value(two.value, 3)} mm differ by "
        f"{format_value(abs(pitch_sd), 1)} joint u"
    ]
    distance_sd = None
    if distance is not None:
        radii = (one.value * first.teeth + two.value * second.teeth) / 2
        off = depthing * (one.value + two.value) / 2
        u = sqrt(
            (distance.u or 0.0) ** 2 + off**2 + ((one.u or 0.0) * first.teeth / 2) ** 2
            + ((two.u or 0.0) * second.teeth / 2) ** 2
        )  # fmt: skip
        distance_sd = _apart(distance.value - radii, u)
        says.append(
            f"arbors {format_value(distance.value, 2)} mm apart ask for pitch radii of {format_value(radii, 2)} in all "
            f"({format_value(abs(distance_sd), 1)} u)"
        )
    overlap = shared_face(first, second)
    apart = overlap is not None and overlap.value + 2 * (overlap.u or 0.0) <= 0
    if overlap is not None:
        share = "share no face" if apart else f"share {format_value(max(overlap.value, 0.0), 2)} mm of face"
        says.append(f"they {share}")
    off = abs(pitch_sd) > MOST_SD or (distance_sd is not None and abs(distance_sd) > MOST_SD)
    known = distance is not None and overlap is not None
    verdict = "no" if apart or off else "yes" if known else "open"
    words = {"yes": "can mesh", "no": "can't mesh", "open": "may mesh"}[verdict]
    chi2 = pitch_sd**2 + (distance_sd or 0.0) ** 2
    ratio = Fraction(first.teeth, second.teeth)
    reason = f"{first.name} ({first.teeth}) and {second.name} ({second.teeth}) {words}: {', '.join(says)}"
    return MeshCheck(first.name, second.name, ratio, verdict, pitch_sd, distance_sd, overlap, chi2, reason)


def _apart(difference: float, u: float) -> float:
    """Return a difference in standard uncertainties; a difference between exact sizes is infinite unless it is none."""
    if u > 0:
        return difference / u
    return 0.0 if abs(difference) < 1e-9 else float("inf")


def shared_face(first: TrainWheel, second: TrainWheel) -> Measured | None:
    """Return the length of face that two wheels share (mm; negative: the gap between them)."""
    if first.low is None or first.high is None or second.low is None or second.high is None:
        return None
    top = min(first.high, second.high, key=lambda one: one.value)
    bottom = max(first.low, second.low, key=lambda one: one.value)
    return Measured(top.value - bottom.value, hypot(top.u or 0.0, bottom.u or 0.0))


def mesh_on_arbors(
    first: TrainWheel, second: TrainWheel, places: Mapping[str, Arbor], *, depthing: float = DEPTHING
) -> MeshCheck:
    """Return whether two wheels can mesh where their arbors are; of counts with odds, the pair that agrees best.

    Parameters
    ----------
    first, second : TrainWheel
        The wheels, on different arbors.
    places : mapping of str to Arbor
        Arbors by name.
    depthing : float
        As for `check_mesh`.
    """
    distance = arbor_distance(arbor_of(first, places), arbor_of(second, places))
    if distance is None:  # depths of two records are not depths of one
        first, second = (replace(one, low=None, high=None) for one in (first, second))
    best: tuple[float, MeshCheck] | None = None
    for (one, p_one), (two, p_two) in product(_likely(first), _likely(second)):
        found = check_mesh(replace(first, teeth=one), replace(second, teeth=two), distance, depthing=depthing)
        worth = found.chi2 - 2 * log(p_one * p_two)
        if best is None or worth < best[0]:
            best = worth, found
    assert best is not None  # a wheel has its own count at least
    return best[1]


def _likely(wheel: TrainWheel) -> list[tuple[int, float]]:
    """Return the counts worth trying in a mesh, with their odds."""
    odds = wheel.odds or {wheel.teeth: 1.0}
    return [(teeth, p) for teeth, p in odds.items() if p >= _LEAST_ODDS] or [(wheel.teeth, 1.0)]


def meshing_pairs(
    wheels: Sequence[TrainWheel], arbors: Sequence[Arbor], *, depthing: float = DEPTHING
) -> tuple[MeshCheck, ...]:
    """Return every pair of wheels on different arbors that can or may mesh, those that agree best first.

    Raises
    ------
    PlanError
        If a wheel's arbor is not among the arbors, or two things share a name.
    """
    places = by_name(arbors, "arbors")
    by_name(wheels, "wheels")
    found = [
        mesh_on_arbors(first, second, places, depthing=depthing)
        for first, second in combinations(wheels, 2)
        if first.arbor != second.arbor
    ]
    return tuple(
        sorted((one for one in found if one.verdict != "no"), key=lambda one: (one.chi2, one.first, one.second))
    )


def by_name(things: Sequence[_Thing], what: str) -> dict[str, _Thing]:
    """Return things by their names, which must differ."""
    named = {one.name: one for one in things}
    if len(named) != len(things):
        raise PlanError(f"two {what} of the train have the same name; name each differently")
    return named


def arbor_of(wheel: TrainWheel, places: Mapping[str, Arbor]) -> Arbor:
    """Return the arbor of a wheel."""
    if wheel.arbor not in places:
        raise PlanError(f"wheel {wheel.name} is on arbor {wheel.arbor}, which has no place; give its place")
    return places[wheel.arbor]
