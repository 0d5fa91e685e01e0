"""How a rim may have been divided by hand: the sizes of random, drifting, eccentric and closing errors."""

from dataclasses import dataclass
from itertools import product

from ctrecon.core.errors import InputError

__all__ = ["HAND_DIVISION", "DivisionHabits", "Hypothesis"]


@dataclass(frozen=True)
class Hypothesis:
    """Standard deviations of one way of dividing: random and drift per step (pitches), eccentric (of the radius)."""

    random: float
    drift: float
    eccentric: float


@dataclass(frozen=True)
class DivisionHabits:
    """Sizes of division errors that are weighed against the rim, each as likely as another before it is seen.

    Attributes
    ----------
    random : tuple of float
        Error of each tooth by itself, pitches.
    drift : tuple of float
        Error of each step, carried on to all later teeth, pitches.
    eccentric : tuple of float
        Distance of the centre of the division from that of the angles, per direction, as a part of the radius.
    closing : tuple of float
        What was left over when the divider came round to the first tooth, pitches: it went into one step.

    Notes
    -----
    The ranges are common practice, no source: from machine-like division to a tenth of a pitch by eye. The rim
    itself says which of them it shows.
    """

    random: tuple[float, ...] = (0.003, 0.008, 0.02, 0.045, 0.1)
    drift: tuple[float, ...] = (0.0, 0.004, 0.012, 0.035)
    eccentric: tuple[float, ...] = (0.0005, 0.003)
    closing: tuple[float, ...] = (0.0, 0.1, 0.3)

    def __post_init__(self) -> None:
        every = (*self.random, *self.drift, *self.eccentric, *self.closing)
        empty = not (self.random and self.drift and self.eccentric and self.closing)
        if empty or any(not 0 <= one < 1 for one in every) or min(self.random) <= 0:
            raise InputError(
                "errors of a division are parts of a pitch from 0 to 1, the random ones above 0; correct them"
            )

    def hypotheses(self) -> tuple[Hypothesis, ...]:
        """Return every combination but for what is left at the closing."""
        return tuple(Hypothesis(*one) for one in product(self.random, self.drift, self.eccentric))


HAND_DIVISION = DivisionHabits()
"""The errors weighed where none are stated."""
