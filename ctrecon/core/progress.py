"""How far a measurement is: its stages in their order, each with its share of the time, and the time left."""

import math
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TypeVar

__all__ = ["BEGUN", "STAGES", "Progress", "Standing", "Whole", "shares", "spell_time", "told"]

Progress = Callable[[str, int, int], None]
"""Told what is being done, how much of it is done and how much there is."""

_T = TypeVar("_T")

# percent of the processor time: the mean of two stacks each of these sizes; tests/bench/stages.py prints them
_MEASURED: tuple[tuple[float, dict[str, float]], ...] = (
    (2.8e6, {
        "artefacts": 10, "survey": 2, "outlines": 6, "sizes": 14, "ends": 8, "seams": 24, "pieces": 1, "form": 11,
        "explain": 15, "writing": 9,
    }),
    (22e6, {
        "artefacts": 8, "survey": 2, "outlines": 4, "sizes": 6, "ends": 3, "seams": 54, "pieces": 1, "form": 4,
        "explain": 16, "writing": 2,
    }),
)  # fmt: skip
STAGES = tuple(_MEASURED[0][1])
"""The stages of a measurement in their order."""
BEGUN = "reading"
"""Told once, before all stages, with how many voxels there are: the larger the stack, the larger the share of some."""

_SURE_SHARE, _SURE_S = 0.04, 1.0  # before so much is done nobody can say how long the rest takes


def told(stage: str, items: Sequence[_T], progress: Progress | None) -> Iterator[_T]:
    """Yield the items one by one and tell how many of them are done.

    Examples
    --------
    >>> list(told("sizes", "ab", lambda *said: print(*said)))
    sizes 0 2
    sizes 1 2
    sizes 2 2
    ['a', 'b']
    """
    for k, one in enumerate(items):
        if progress is not None:
            progress(stage, k, len(items))
        yield one
    if progress is not None and items:
        progress(stage, len(items), len(items))


def spell_time(seconds: float) -> str:
    """Say a time as a person would.

    Examples
    --------
    >>> spell_time(42.0), spell_time(500.0), spell_time(9000.0)
    ('42 s', '8 min', '2.5 h')
    """
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


@dataclass(frozen=True)
class Standing:
    """How far the whole is.

    Attributes
    ----------
    stage : str
        What is being done.
    share : float
        How much of the whole is done, 0 to 1; it never goes back.
    left_s : float or None
        Seconds the rest takes if it goes on so; None while too little is done to say.
    """

    stage: str
    share: float
    left_s: float | None

    @property
    def says(self) -> str:
        """The stage, and the time left."""
        return self.stage if self.left_s is None else f"{self.stage}, about {spell_time(self.left_s)} left"


def shares(voxels: float) -> dict[str, float]:
    """Return the share of each stage in the time a stack takes, percent; between the sizes measured by its logarithm.

    Examples
    --------
    >>> round(shares(2.8e6)["seams"]), round(shares(8e6)["seams"]), round(shares(1e9)["seams"])
    (24, 39, 54)
    """
    (low, few), (high, many) = _MEASURED
    t = min(max(math.log(max(voxels, 1.0) / low) / math.log(high / low), 0.0), 1.0)
    return {one: few[one] + t * (many[one] - few[one]) for one in STAGES}


class Whole:
    """Makes one progress from 0 to 1 out of what the stages tell; it is called as they call `progress`.

    Parameters
    ----------
    show : callable
        Told how far the whole is.
    upto : str
        The last stage that will come: "form" where a stack is only measured, "writing" where its outputs are made.
    clock : callable
        Seconds from any start.

    Notes
    -----
    A stage that comes a second time (a part that leans is traced again once it is squared up) leaves the share where
    it was until it has caught up, so that the time left grows by what is done twice. What no stage is called adds
    nothing.

    Examples
    --------
    >>> clock = iter([0.0, 30.0, 60.0])
    >>> whole = Whole(lambda one: print(f"{one.share:.2f} {one.says}"), clock=lambda: next(clock))
    >>> whole("artefacts", 5, 5)
    0.10 artefacts, about 4 min left
    >>> whole("seams", 1, 2)
    0.52 seams, about 55 s left
    """

    def __init__(
        self, show: Callable[[Standing], None], *, upto: str = "writing", clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._wanted = STAGES[: STAGES.index(upto) + 1]
        self._shares = shares(0)
        self._show, self._clock, self._begun = show, clock, clock()
        self._share = 0.0

    def __call__(self, stage: str, done: int, total: int) -> None:
        """Take what a stage tells."""
        if stage == BEGUN:
            self._shares = shares(total)
        if stage not in self._wanted:
            return
        before = sum(self._shares[one] for one in self._wanted[: self._wanted.index(stage)])
        part = self._shares[stage] * min(max(done / total if total else 1.0, 0.0), 1.0)
        self._share = max(self._share, (before + part) / sum(self._shares[one] for one in self._wanted))
        gone = self._clock() - self._begun
        sure = self._share >= _SURE_SHARE and gone >= _SURE_S
        self._show(Standing(stage, self._share, gone * (1 - self._share) / self._share if sure else None))
