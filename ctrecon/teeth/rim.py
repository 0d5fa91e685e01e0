"""What is left of a rim: the angles of its teeth in stretches, and which teeth look bent."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ctrecon.core.errors import InputError
from ctrecon.core.frames import Floats
from ctrecon.core.measured import Measured, format_short, format_value

__all__ = ["BENT_SD", "SURE_CENTRE", "Centre", "Rim", "read_rim", "seen_words"]

BENT_SD = 5.0
"""A tooth this many robust standard deviations off the middle of its neighbours is called bent (own choice: chance
alone does this to one tooth in some two million)."""

_LEAST_FOR_BENT = 7
"""Fewer second differences than this hold no robust standard deviation."""

_MISSING_STEP = 1.5
"""Steps wider than this many median steps hold a missing tooth: half-way between one step and two."""


@dataclass(frozen=True)
class Centre:
    """Standard uncertainties (mm) of the centre the angles are taken about, and their correlation."""

    u_x: float = 0.0
    u_y: float = 0.0
    r: float = 0.0


SURE_CENTRE = Centre()
"""A centre without uncertainty."""


@dataclass(frozen=True, eq=False)
class Rim:
    """Teeth in order round the rim.

    Attributes
    ----------
    angles, u : (n,) arrays
        Angle and its standard uncertainty, radians, ascending from the first tooth; a bent tooth's u holds its bend.
    first_of : tuple of int
        Index of the first tooth of each stretch.
    bent : tuple of int
        Teeth that look bent, by their index.
    step : float
        Median step between neighbours, radians.
    """

    angles: Floats
    u: Floats
    first_of: tuple[int, ...]
    bent: tuple[int, ...]
    step: float

    @property
    def inside(self) -> tuple[int, ...]:
        """Indices of teeth whose step from the tooth before is within a stretch."""
        starts = set(self.first_of)
        return tuple(i for i in range(len(self.angles)) if i not in starts)


def read_rim(runs: Sequence[Sequence[Measured]]) -> Rim:
    """Return the rim from its stretches of neighbouring teeth.

    Parameters
    ----------
    runs : sequence of sequences of Measured
        Angles of the teeth (degrees, anticlockwise, with u), one sequence per stretch, in order round the rim. Within
        a stretch no tooth is missing; between stretches the rim is lost.

    Raises
    ------
    InputError
        If there are no two neighbours, an angle has no u, order is broken, or a step holds a missing tooth.

    Examples
    --------
    >>> rim = read_rim([[Measured(10.0 * k, 0.1) for k in range(4)], [Measured(350.0, 0.1)]])
    >>> len(rim.angles), rim.first_of
    (5, (0, 4))
    """
    if not any(len(run) > 1 for run in runs) or any(len(run) == 0 for run in runs):
        raise InputError(
            "a count needs at least two neighbouring teeth in one stretch of rim, and no empty stretch; "
            "give the angles of the teeth that are left"
        )
    teeth = [tooth for run in runs for tooth in run]
    u = np.array([np.nan if tooth.u is None else tooth.u for tooth in teeth], dtype=float)
    if not np.all(u > 0) or not all(np.isfinite(tooth.value) for tooth in teeth):
        raise InputError("the angle of a tooth has no standard uncertainty above 0; give one, in degrees")
    wrapped = np.unwrap(np.radians([tooth.value for tooth in teeth]))
    # unwrap takes the short way round; a lost part may be more than half the rim
    steps = np.diff(wrapped) % (2 * np.pi)
    if np.any(steps <= 0) or steps.sum() >= 2 * np.pi:
        raise InputError("the teeth are not in order round the rim; list them anticlockwise, once round at most")
    angles = np.concatenate([[0.0], np.cumsum(steps)])
    first_of = tuple(int(i) for i in np.cumsum([0, *(len(run) for run in runs[:-1])]))
    near = [i for i in range(1, len(teeth)) if i not in first_of]
    step = float(np.median(steps[np.array(near) - 1]))
    for i in near:
        # of a bent tooth, the steps on both its sides make two together
        pairs = [steps[i - 1] + steps[k - 1] for k in (i - 1, i + 1) if k in near]
        if steps[i - 1] > _MISSING_STEP * step and all(pair > (1 + _MISSING_STEP) * step for pair in pairs):
            raise InputError(
                f"the step before tooth {i + 1} is {format_short(float(steps[i - 1]) / step, 3)} times the others, so "
                "a tooth is missing there or far bent; end the stretch before it and begin another after it"
            )
    u = np.radians(u)
    bent, off = _bent(angles, u, first_of)
    u[list(bent)] = np.hypot(u[list(bent)], off[list(bent)])
    return Rim(angles + np.radians(teeth[0].value), u, first_of, bent, step)


def _bent(angles: Floats, u: Floats, first_of: tuple[int, ...]) -> tuple[tuple[int, ...], Floats]:
    """Return the teeth far from the middle of their two neighbours, and how far each is (radians).

    A divider's seam moves two neighbours by equal and opposite halves; a bent tooth moves both its neighbours by
    half of its own, the other way.
    """
    n = len(angles)
    off = np.zeros(n)
    ends = {*first_of, *(i - 1 for i in first_of), n - 1}
    inner = [i for i in range(1, n - 1) if i not in ends]
    if len(inner) < _LEAST_FOR_BENT:
        return (), off
    for i in inner:
        off[i] = angles[i] - (angles[i - 1] + angles[i + 1]) / 2
    sd = max(1.4826 * float(np.median(np.abs(off[inner]))), float(np.sqrt(1.5) * np.median(u)))
    found = []
    for i in inner:
        beside = max(abs(off[i - 1]), abs(off[i + 1]))
        if abs(off[i]) > BENT_SD * sd and beside < 0.75 * abs(off[i]):
            found.append(i)
    return tuple(found), off


def seen_words(rim: Rim, teeth: float) -> str:
    """Return how much of the rim is seen, in words."""
    share = len(rim.angles) / teeth
    stretches = len(rim.first_of)
    where = "" if stretches == 1 else f" in {stretches} stretches"
    return f"{len(rim.angles)} teeth{where}, {format_value(100 * min(share, 1.0), 0)} % of the rim"
