"""A name of its own for a feature."""

from dataclasses import dataclass, replace
from typing import ClassVar

from ctrecon.decisions.base import OfFeature, meant, with_feature
from ctrecon.record.part import Part

__all__ = ["Rename"]


@dataclass(frozen=True, kw_only=True)
class Rename(OfFeature):
    """Give a feature a name."""

    do: ClassVar[str] = "rename"
    name: str

    def fault(self) -> str:
        """Return why it can't be: an empty name."""
        return "" if self.name.strip() else "the name is empty; type one"

    def apply(self, part: Part) -> Part:
        """Put the name into the feature, with single blanks."""
        return with_feature(part, replace(meant(part, self.feature), name=" ".join(self.name.split())))

    def says(self) -> str:
        """Return the decision in words."""
        return f"rename {self.feature.says()} as '{self.name}'"
