"""What a person decided about a record: kept in a small readable file and replayed on any later measurement."""

from ctrecon.decisions.apply import Unmatched, apply_decisions
from ctrecon.decisions.match import match, named
from ctrecon.decisions.record import (
    FILE_NAME,
    Decision,
    FeatureName,
    LengthBetween,
    decisions_from_json,
    decisions_to_json,
    fingerprint,
    read_decisions,
    write_decisions,
)

__all__ = [
    "FILE_NAME", "Decision", "FeatureName", "LengthBetween", "Unmatched", "apply_decisions", "decisions_from_json",
    "decisions_to_json", "fingerprint", "match", "named", "read_decisions", "write_decisions",
]  # fmt: skip
