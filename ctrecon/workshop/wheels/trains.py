"""Trains: exact ratios from arbor to arbor, and whether a whole train agrees with itself."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations
from math import hypot

from ctrecon.core.measured import format_short
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.wheels.meshes import (
    DEPTHING,
    Arbor,
    MeshCheck,
    TrainWheel,
    arbor_distance,
    arbor_of,
    by_name,
    mesh_on_arbors,
    shared_face,
)  # fmt: skip

__all__ = ["TrainCheck", "check_train"]


@dataclass(frozen=True)
class TrainCheck:
    """A train: turns of each arbor per turn of the first (negative: the other way), its meshes, what disagrees."""

    speeds: Mapping[str, Fraction]
    meshes: tuple[MeshCheck, ...]
    faults: tuple[str, ...]
    reason: str

    @property
    def agrees(self) -> bool:
        """Return whether nothing disagrees."""
        return not self.faults


def check_train(
    wheels: Sequence[TrainWheel],
    arbors: Sequence[Arbor],
    meshes: Sequence[tuple[str, str]],
    *,
    depthing: float = DEPTHING,
) -> TrainCheck:
    """Return whether a whole train agrees: each mesh, closed loops of ratios, and wheels that would foul.

    Parameters
    ----------
    wheels, arbors : sequences
        The train.
    meshes : sequence of pairs of str
        Names of the wheels that mesh.
    depthing : float
        As for `check_mesh`.

    Notes
    -----
    Ratios are exact fractions, negative where the arbor turns the other way; going round a loop must give 1.
    """
    named, places = by_name(wheels, "wheels"), by_name(arbors, "arbors")
    missing = sorted({name for pair in meshes for name in pair if name not in named})
    if missing or not meshes:
        raise PlanError(
            f"the train has no wheel called {missing[0]}" if missing else "a train needs a mesh; name two wheels"
        )
    checks, faults = [], []
    speeds: dict[str, Fraction] = {named[meshes[0][0]].arbor: Fraction(1)}
    left = list(meshes)
    while left:
        pair = next((one for one in left if any(named[name].arbor in speeds for name in one)), None)
        if pair is None:
            faults.append(f"{' and '.join(left[0])} are joined to nothing before them: the train is in two parts")
            speeds[named[left[0][0]].arbor] = Fraction(1)
            continue
        left.remove(pair)
        first, second = sorted((named[name] for name in pair), key=lambda one: one.arbor not in speeds)
        if first.arbor == second.arbor:
            raise PlanError(
                f"{first.name} and {second.name} are on one arbor and can't mesh; name wheels of two arbors"
            )
        check = mesh_on_arbors(first, second, places, depthing=depthing)
        checks.append(check)
        if check.verdict == "no":
            faults.append(check.reason)
        speed = -speeds[first.arbor] * check.ratio
        if speeds.setdefault(second.arbor, speed) != speed:
            faults.append(
                f"arbor {second.arbor} would turn {speed} by {first.name} and {second.name}, but "
                f"{speeds[second.arbor]} by the other way round: the loop is locked"
            )
    faults += _fouling(wheels, places, {frozenset(pair) for pair in meshes})
    last = next(reversed(speeds))
    many = f"{len(checks)} mesh{'' if len(checks) == 1 else 'es'}"
    says = f"{many}; arbor {last} turns {speeds[last]} times per turn of {next(iter(speeds))}"
    reason = f"{says}; " + (f"what disagrees: {'; '.join(faults)}" if faults else "all agree")
    return TrainCheck(speeds, tuple(checks), tuple(faults), reason)


def _fouling(wheels: Sequence[TrainWheel], places: Mapping[str, Arbor], meshed: set[frozenset[str]]) -> list[str]:
    """Return the pairs of wheels that don't mesh and would touch, or would be in one place."""
    says = []
    for first, second in combinations(wheels, 2):
        overlap = shared_face(first, second)
        if frozenset((first.name, second.name)) in meshed or overlap is None:
            continue
        if overlap.value <= 2 * (overlap.u or 0.0):
            continue
        apart = None
        if first.arbor != second.arbor:
            apart = arbor_distance(arbor_of(first, places), arbor_of(second, places))
            if apart is None:
                continue
        reach = (first.tip_diameter.value + second.tip_diameter.value) / 2
        u = hypot(first.tip_diameter.u or 0.0, second.tip_diameter.u or 0.0) / 2
        if apart is None:
            says.append(f"{first.name} and {second.name} are on one arbor at one height")
        elif reach - apart.value > 2 * hypot(u, apart.u or 0.0):
            says.append(
                f"{first.name} and {second.name} don't mesh but would foul by {format_short(reach - apart.value, 2)} mm"
            )
    return says
