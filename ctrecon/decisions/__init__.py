"""What a person decided about a record: kept in a small readable file and replayed on any later measurement."""

from ctrecon.decisions.accept import Accept
from ctrecon.decisions.actions import ACTIONS
from ctrecon.decisions.add import ADDED_KINDS, Add
from ctrecon.decisions.apply import Unmatched, apply_decisions
from ctrecon.decisions.base import Decision, OfFeature
from ctrecon.decisions.change_kind import ChangeKind
from ctrecon.decisions.judge_piece import VERDICTS, JudgePiece, feature_of_piece
from ctrecon.decisions.known_length import KnownLength, LengthBetween
from ctrecon.decisions.match import FeatureName, match, named
from ctrecon.decisions.record import (
    FILE_NAME,
    decisions_from_json,
    decisions_to_json,
    fingerprint,
    read_decisions,
    write_decisions,
)
from ctrecon.decisions.reject import Reject
from ctrecon.decisions.rename import Rename

__all__ = [
    "ACTIONS", "ADDED_KINDS", "FILE_NAME", "VERDICTS", "Accept", "Add", "ChangeKind", "Decision", "FeatureName",
    "JudgePiece", "KnownLength", "LengthBetween", "OfFeature", "Reject", "Rename", "Unmatched", "apply_decisions",
    "decisions_from_json", "decisions_to_json", "feature_of_piece", "fingerprint", "match", "named", "read_decisions",
    "write_decisions",
]  # fmt: skip
