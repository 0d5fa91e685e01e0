"""A feature that a person looked at and found right."""

from dataclasses import dataclass, replace
from typing import ClassVar

from ctrecon.decisions.base import OfFeature, meant, with_feature
from ctrecon.record.part import Part

__all__ = ["Accept"]


@dataclass(frozen=True, kw_only=True)
class Accept(OfFeature):
    """Accept a feature as right."""

    do: ClassVar[str] = "accept"

    def apply(self, part: Part) -> Part:
        """Mark the feature as accepted."""
        return with_feature(part, replace(meant(part, self.feature), accepted=True))

    def says(self) -> str:
        """Return the decision in words."""
        return f"accept {self.feature.says()}"
