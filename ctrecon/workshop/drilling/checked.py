"""Set-ups checked again after an override: every axis through its own plates and no other."""

from collections.abc import Sequence

from ctrecon.workshop.drilling.setups import DrillAxis, SetUp
from ctrecon.workshop.errors import PlanError

__all__ = ["check_setups"]


def check_setups(setups: Sequence[SetUp], axes: Sequence[DrillAxis]) -> str:
    """Return one sentence that all is well, or refuse: each axis must be drilled once in each of its plates only.

    Use it after an override: a set-up drills through every plate clamped in it, whether the axis belongs there or not.

    Parameters
    ----------
    setups : sequence of SetUp
        Set-ups with the axes drilled in each.
    axes : sequence of DrillAxis
        What is wanted.

    Raises
    ------
    PlanError
        If a hole would go through a plate it must not enter, is missing, is drilled twice, or is not in one pass.
    """
    known = {one.id: one for one in axes}
    for setup in setups:
        for name in setup.axes:
            if name not in known:
                raise PlanError(f"set-up {setup.id} drills {name}, which is not among the axes; correct its id")
            beyond = sorted(set(setup.plates) - known[name].plates)
            if beyond:
                raise PlanError(
                    f"set-up {setup.id} would drill {name} through {beyond[0]}, which it must not enter: "
                    f"take {beyond[0]} out of the stack"
                )
    for axis in axes:
        passes = [set(one.plates) for one in setups if axis.id in one.axes]
        count = [plate for one in passes for plate in one]
        missing = sorted(axis.plates - set(count))
        if missing:
            raise PlanError(f"no set-up drills {axis.id} in {missing[0]}; add one")
        if len(count) > len(set(count)):
            raise PlanError(f"{axis.id} is drilled twice in the same plate; keep one pass")
        if axis.matched and len(passes) > 1:
            raise PlanError(f"{axis.id} must be drilled in one pass but has {len(passes)}; drill its plates together")
    return f"each of the {len(axes)} axes goes through its own plates and no other"
