"""What every decision has: a word for it, its faults, what it does to a record, and how it reads in a sentence."""

from abc import ABC, abstractmethod
from dataclasses import asdict, dataclass, replace
from typing import Any, ClassVar

from ctrecon.core.errors import InputError
from ctrecon.core.numbers import unusable_numbers
from ctrecon.decisions.match import FeatureName, match
from ctrecon.record.part import Feature, Part

__all__ = ["STRICT", "Decision", "OfFeature", "meant", "with_feature"]

STRICT: dict[str, Any] = {"allow_inf_nan": False, "extra": "forbid"}
"""How decisions are read: people write these files, so a typo is an error."""


class Decision(ABC):
    """One thing a person decided about a record; each kind of decision is a class of its own.

    A kind is a frozen dataclass whose fields stand in the file under their names.

    Examples
    --------
    >>> from ctrecon import apply_decisions, read_part
    >>> from ctrecon.decisions import Reject, named
    >>> part = read_part("drum_hub_out/part.json")
    >>> reject = Reject(feature=named(part, part["F7"]))
    >>> print(reject.says())
    reject free hole of 0.72 mm at x 4.40, y 2.20
    >>> done, left_out = apply_decisions(part, [reject])
    >>> "F7" in done, left_out
    (False, ())
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = STRICT
    do: ClassVar[str]
    """Its word in the file."""
    is_told: ClassVar[bool] = False
    """Whether a warning of the record says that it was applied."""

    def __post_init__(self) -> None:
        fault = next(unusable_numbers(asdict(self)), "") or self.fault()  # type: ignore[call-overload]
        if fault:
            raise InputError(f"decision '{self.do}': {fault}")

    def fault(self) -> str:
        """Return why it can't be, and what to do; empty where nothing is wrong."""
        return ""

    @abstractmethod
    def apply(self, part: Part) -> Part:
        """Return the record with the decision in it.

        Raises
        ------
        InputError
            If it fits nothing in the record; the message says why.
        """

    @abstractmethod
    def says(self) -> str:
        """Return the decision in words."""


@dataclass(frozen=True, kw_only=True)
class OfFeature(Decision):
    """A decision about one feature, which it names by what it is, where it is and how large it is."""

    feature: FeatureName


def meant(part: Part, name: FeatureName) -> Feature:
    """Return the feature of a record that a decision means.

    Raises
    ------
    InputError
        If there is none, or more than one.
    """
    found = match(part, name)
    if isinstance(found, str):
        raise InputError(found)
    return found


def with_feature(part: Part, new: Feature) -> Part:
    """Return the record with a feature in place of the one of its id."""
    return replace(part, features=tuple(new if one.id == new.id else one for one in part.features))
