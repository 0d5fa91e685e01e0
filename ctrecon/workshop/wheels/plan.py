"""Wheels of part records read, put into mesh, and made: composes what the other modules say."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from ctrecon.core.errors import InputError
from ctrecon.core.measured import format_percent
from ctrecon.record.measurement import need_part
from ctrecon.record.part import Feature, Part
from ctrecon.record.tooth import MOST_COUNTED
from ctrecon.teeth.counts import CERTAIN
from ctrecon.teeth.division import Division, division_of
from ctrecon.teeth.rim import Centre
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.wheels.as_found import FoundWheel, arbors_of, found_wheels, why_no_wheels
from ctrecon.workshop.wheels.dividing import DividingHead
from ctrecon.workshop.wheels.lost import CountByMates, count_by_mates
from ctrecon.workshop.wheels.making import TOOTH_FORMS, ToMake, wheel_to_make
from ctrecon.workshop.wheels.meshes import Arbor, MeshCheck, TrainWheel, arbor_distance, meshing_pairs
from ctrecon.workshop.wheels.trains import TrainCheck, check_train

__all__ = ["PlannedWheel", "WheelsPlan", "plan_wheels"]


_ALL_BUT_SURE = 0.9995
"""From here on a probability is said as more than 99.9 %: it would be rounded to certainty."""


@dataclass(frozen=True)
class PlannedWheel:
    """One wheel: what was found, its count, how it was divided, and how it is made.

    Attributes
    ----------
    found : FoundWheel
        The wheel of the record, on its arbor.
    odds : mapping of int to float
        Probability of each count, likeliest first, by its rim and its mates.
    teeth, settled : int or None, bool
        The count all else is for, and whether it has more than 95 % or was stated; None where nothing was counted.
    count_says : tuple of str
        Where the count comes from, and what would settle it.
    division : Division or None
        Errors of each tooth for that count; None with the reason in `unknown`.
    make : ToMake or None
        How it is made; None with the reason in `unknown`.
    unknown : mapping of str to str
        Why a field is None.
    """

    found: FoundWheel
    odds: Mapping[int, float]
    teeth: int | None
    settled: bool
    count_says: tuple[str, ...]
    division: Division | None
    make: ToMake | None
    unknown: Mapping[str, str]


@dataclass(frozen=True)
class WheelsPlan:
    """All wheels of the records, which of them mesh, and what a lost one may have been.

    Attributes
    ----------
    wheels : tuple of PlannedWheel
        In the order of the records.
    pairs : tuple of MeshCheck
        Every pair that can or may mesh, those that agree best first.
    meshes : tuple of (str, str)
        Pairs taken as meshing: those stated, else those that can mesh by pitch, distance and faces.
    train : TrainCheck or None
        Ratios and consistency of these; None where nothing meshes.
    lost : mapping of str to CountByMates
        By the arbor of the lost wheel.
    places : mapping of str to Arbor
        Where the axes of all features are, by name.
    """

    wheels: tuple[PlannedWheel, ...]
    pairs: tuple[MeshCheck, ...]
    meshes: tuple[tuple[str, str], ...]
    train: TrainCheck | None
    lost: Mapping[str, CountByMates]
    places: Mapping[str, Arbor]

    def __getitem__(self, name: str) -> PlannedWheel:
        """Return a wheel by its name."""
        for one in self.wheels:
            if one.found.name == name:
                return one
        raise _unknown(name, (one.found.name for one in self.wheels), "wheel")


def _unknown(name: str, known: Iterable[str], what: str) -> PlanError:
    return PlanError(f"there is no {what} called {name}; there are {', '.join(known)}")


# many: each is one thing a maker may know of a train
def plan_wheels(
    parts: Part | Sequence[Part],
    *,
    teeth: Mapping[str, int] | None = None,
    on: Mapping[str, str] | None = None,
    meshes: Sequence[tuple[str, str]] | None = None,
    lost: Mapping[str, Sequence[str]] | None = None,
    mate_teeth: Mapping[str, int] | None = None,
    form: str | None = None,
    head: DividingHead | None = None,
) -> WheelsPlan:
    """Read the wheels of part records, judge which mesh, and say how each is made.

    Parameters
    ----------
    parts : Part or sequence of Part
        Records. Wheels and arbors are named F1, or part.F1 where several records are given.
    teeth : mapping of str to int, or None
        Counts that are known otherwise, by wheel.
    on : mapping of str to str, or None
        Arbors of wheels that were scanned on their own: wheel, then the feature (of a plate, say) it sat on.
    meshes : sequence of (str, str), or None
        Wheels known to mesh; None takes those that can by pitch, distance and faces.
    lost : mapping of str to sequence of str, or None
        Lost wheels: the feature they sat on, then the wheels they meshed with.
    mate_teeth : mapping of str to int, or None
        Counts of mates that were not scanned, for clock teeth, by wheel.
    form : {"found", "spur", "clock"} or None
        Form of tooth to make; None: as found where its flank is known.
    head : DividingHead or None
        The dividing head; None is one of 40:1 with the usual circles.

    Returns
    -------
    WheelsPlan
        Wheels, pairs, train and lost wheels. The count of a wheel that meshes is that of its rim and its mates
        together.

    Raises
    ------
    PlanError
        If there is no wheel, a name is unknown, or a form can't be cut.

    Examples
    --------
    >>> import ctrecon as ct
    >>> wheel = ct.plan_wheels(ct.read_part("wheel_out/part.json")).wheels[0]
    >>> wheel.teeth, wheel.make.dividing.step.reason
    (24, '24 teeth on a 40:1 head: 1 turn and 26 holes on the circle of 39 from tooth to tooth')
    """
    if form not in (None, *TOOTH_FORMS):
        raise PlanError(f"there is no form of tooth called {form}; choose {', '.join(TOOTH_FORMS)}")
    parts = _records(parts)
    arbors = arbors_of(parts)
    found = _placed(found_wheels(parts), arbors, on or {})
    stated = _checked(teeth, found)
    odds = {one.name: {stated[one.name]: 1.0} if one.name in stated else one.odds for one in found}
    train = [one.in_train(odds[one.name], between_records=len(parts) > 1) for one in found]
    known = {one.name: one for one in train if one is not None}
    pairs = meshing_pairs(list(known.values()), list(arbors.values()))
    taken = _taken(pairs, meshes, known)
    by_mates = _settled_by_mates(known, taken, arbors, stated)
    for name, count in by_mates.items():
        odds[name] = {one.teeth: one.probability for one in count.table}
        known[name] = replace(known[name], teeth=count.table[0].teeth, odds=odds[name])
    fixed = {name: replace(one, odds=None) for name, one in known.items()}
    checked = check_train(list(fixed.values()), list(arbors.values()), taken) if taken else None
    if checked is not None:  # counts that the train settled may make other pairs agree
        pairs = meshing_pairs(list(fixed.values()), list(arbors.values()))
    mates = _mates(fixed, taken) | _checked(mate_teeth, found)
    return WheelsPlan(
        tuple(
            _planned(one, odds[one.name], by_mates.get(one.name), one.name in stated, mates.get(one.name), form,
                     head or DividingHead())
            for one in found
        ),
        pairs, taken, checked,
        {name: _lost(name, wheels, known, arbors) for name, wheels in (lost or {}).items()},
        arbors,
    )  # fmt: skip


def _records(parts: Part | Sequence[Part]) -> tuple[Part, ...]:
    """Return the records, which hold a wheel."""
    parts = (parts,) if isinstance(parts, Part) else tuple(parts)
    for part in parts:
        need_part(part, "plan_wheels")
    if not found_wheels(parts):
        raise PlanError(why_no_wheels(parts))
    return parts


def _checked(counts: Mapping[str, int] | None, found: Sequence[FoundWheel]) -> dict[str, int]:
    """Return stated counts, of wheels that are there."""
    names = [one.name for one in found]
    for name, count in (counts or {}).items():
        if name not in names:
            raise _unknown(name, names, "wheel")
        if not 3 <= count <= MOST_COUNTED:
            raise PlanError(f"{name} can't have {count} teeth; give 3 to {MOST_COUNTED}")
    return dict(counts or {})


def _placed(
    found: Sequence[FoundWheel], arbors: Mapping[str, Arbor], on: Mapping[str, str]
) -> tuple[FoundWheel, ...]:
    """Return the wheels on the arbors they are said to have sat on; how high they sat there is unknown."""
    names = [one.name for one in found]
    for wheel, arbor in on.items():
        if wheel not in names:
            raise _unknown(wheel, names, "wheel")
        if arbor not in arbors:
            raise _unknown(arbor, arbors, "feature")
    return tuple(
        replace(one, arbor=arbors[on[one.name]], low=None, high=None) if one.name in on else one for one in found
    )


def _taken(
    pairs: Sequence[MeshCheck], meshes: Sequence[tuple[str, str]] | None, known: Mapping[str, TrainWheel]
) -> tuple[tuple[str, str], ...]:
    """Return the pairs taken as meshing."""
    if meshes is None:
        return tuple((one.first, one.second) for one in pairs if one.verdict == "yes")
    for name in (name for pair in meshes for name in pair):
        if name not in known:
            raise _unknown(name, known, "wheel with a count and a tip diameter")
    return tuple(meshes)


def _settled_by_mates(
    known: Mapping[str, TrainWheel], taken: Sequence[tuple[str, str]], arbors: Mapping[str, Arbor],
    stated: Mapping[str, int],
) -> dict[str, CountByMates]:  # fmt: skip
    """Return the counts of unsettled wheels, by rim and mates together.

    Each is weighed with the odds that the mates' own rims give, so that nothing counts twice.
    """
    found = {}
    for name, wheel in known.items():
        others = [known[a if b == name else b] for a, b in taken if name in (a, b)]
        if name in stated or not others or max((wheel.odds or {1: 1.0}).values()) > CERTAIN:
            continue
        mates = [(one, arbor_distance(arbors[wheel.arbor], arbors[one.arbor])) for one in others]
        try:
            found[name] = count_by_mates(
                mates, name=name, seen=wheel.odds, tip_diameter=wheel.tip_diameter, addendum=wheel.addendum
            )
        except PlanError:  # the mesh itself is then named as what disagrees
            continue
    return found


def _mates(fixed: Mapping[str, TrainWheel], taken: Sequence[tuple[str, str]]) -> dict[str, int]:
    """Return the count of one mate of each wheel that meshes: the one that differs most from its own."""
    found: dict[str, int] = {}
    for pair in taken:
        for name, other in (pair, pair[::-1]):
            away = abs(fixed[other].teeth - fixed[name].teeth)
            if name not in found or away > abs(found[name] - fixed[name].teeth):
                found[name] = fixed[other].teeth
    return found


def _lost(
    arbor: str, wheels: Sequence[str], known: Mapping[str, TrainWheel], arbors: Mapping[str, Arbor]
) -> CountByMates:
    """Return the counts of a lost wheel on this arbor."""
    if arbor not in arbors:
        raise _unknown(arbor, arbors, "feature")
    for name in wheels:
        if name not in known:
            raise _unknown(name, known, "wheel with a count and a tip diameter")
    mates = [(known[name], arbor_distance(arbors[arbor], arbors[known[name].arbor])) for name in wheels]
    return count_by_mates(mates, name=f"a lost wheel on {arbor}")


# many: what was decided before about one wheel
def _planned(
    found: FoundWheel, odds: Mapping[int, float], by_mates: CountByMates | None, stated: bool, mate: int | None,
    form: str | None, head: DividingHead,
) -> PlannedWheel:  # fmt: skip
    """Return one wheel with its division and how it is made."""
    feature, unknown = found.feature, {}
    teeth = max(odds, key=lambda one: (odds[one], -one), default=None)
    settled = teeth is not None and odds[teeth] > CERTAIN
    says = []
    if stated:
        says.append(f"{teeth} teeth as stated")
    elif teeth is None:
        unknown["teeth"] = feature.unknown.get("teeth", "nothing was counted")
    else:
        says += [by_mates.reason] if by_mates is not None else []
        says += [feature.unknown["teeth"]] if "teeth" in feature.unknown else []
        if settled and by_mates is None:
            says.append(_counted(feature, teeth, odds[teeth]))
        says += [] if settled else [f"made with {teeth} teeth, the likeliest ({format_percent(odds[teeth])})"]
    division = make = None
    if teeth is None:
        unknown["division"] = unknown["make"] = "its count is unknown"
        return PlannedWheel(found, odds, None, False, tuple(says), None, None, unknown)
    try:
        division = _division(found, teeth)
    except InputError as error:
        unknown["division"] = str(error)
    try:
        make = wheel_to_make(found, teeth, mate_teeth=mate, form=form, head=head)
    except PlanError as error:
        if form is not None:
            raise
        unknown["make"] = str(error)
    return PlannedWheel(found, odds, teeth, settled, tuple(says), division, make, unknown)


def _counted(feature: Feature, teeth: int, probability: float) -> str:
    """Return the sentence of a count that the rim alone settles."""
    left = len(feature.tooth_places)
    if left == teeth:
        return f"{teeth} teeth, counted on the whole rim"
    odds = "more than 99.9 %" if probability >= _ALL_BUT_SURE else format_percent(probability, 1)
    return f"{teeth} teeth have {odds}, by the {left} that are left"


def _division(found: FoundWheel, teeth: int) -> Division:
    """Return the errors of the teeth for this count."""
    feature = found.feature
    across = (feature.tip_diameter_mm, feature.root_diameter_mm)
    if found.is_crown:
        across = (feature.diameter_mm, feature.inner_diameter_mm)
    sizes = [one.value for one in across if one is not None]
    if not sizes or not feature.tooth_places:
        raise PlanError("no tooth has a measured place")
    u_x, u_y = ((one.u or 0.0) if one is not None else 0.0 for one in (feature.x_mm, feature.y_mm))
    radius = sum(sizes) / len(sizes) / 2
    return division_of(found.runs, teeth, radius=radius, centre=Centre(u_x, u_y))
