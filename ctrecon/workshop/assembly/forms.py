"""Forms of the sections that holes and steps have, and what follows from each: asked for here, not by their names."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import sqrt

__all__ = ["FORMS", "Form"]


@dataclass(frozen=True, kw_only=True)
class Form:
    """What a form of section is to the shop.

    Parameters
    ----------
    sign : str
        Before its size: Ø, a square, or nothing.
    widest : float
        Its widest place over its size: 1, or √2 for a square over its corners.
    round, square : bool
        Whether it comes from drill and lathe, or from a pilot and corners.
    fits : bool
        Whether one size says all of it, so that limits and fits hold for it.
    """

    sign: str = ""
    widest: float = 1.0
    round: bool = False
    square: bool = False
    fits: bool = True


FORMS: Mapping[str, Form] = {
    "round": Form(sign="Ø", round=True),
    "square": Form(sign="□", widest=sqrt(2), square=True),
    "slot": Form(fits=False),
    "outline": Form(),
}
"""By the word that `PlannedHole.kind` and `PlannedStep.kind` have for it."""
