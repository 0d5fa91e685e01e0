"""Another kind for a feature."""

from dataclasses import dataclass
from typing import ClassVar

from ctrecon.decisions.base import OfFeature, meant, with_feature
from ctrecon.decisions.kinds import with_kind
from ctrecon.record.kinds import KINDS
from ctrecon.record.part import Part
from ctrecon.record.sensitivity import with_sensitivity

__all__ = ["ChangeKind"]


@dataclass(frozen=True, kw_only=True)
class ChangeKind(OfFeature):
    """Call a feature another kind, with the sizes it has or those of an alternative the scan allowed."""

    do: ClassVar[str] = "change_kind"
    is_told: ClassVar[bool] = True
    kind: str

    def fault(self) -> str:
        """Return why it can't be: no such kind."""
        if self.kind in KINDS:
            return ""
        return f"'{self.kind}' is not a kind of feature; choose one of {', '.join(KINDS)}"

    def apply(self, part: Part) -> Part:
        """Put the feature under the kind."""
        return with_sensitivity(with_feature(part, with_kind(meant(part, self.feature), self.kind)))

    def says(self) -> str:
        """Return the decision in words."""
        return f"change kind {self.feature.says()} to {self.kind.replace('_', ' ')}"
