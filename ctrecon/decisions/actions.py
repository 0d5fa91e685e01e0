"""Everything that can be decided, by its word in the file: a new one is its module and its name here."""

from ctrecon.decisions.accept import Accept
from ctrecon.decisions.add import Add
from ctrecon.decisions.base import Decision
from ctrecon.decisions.change_kind import ChangeKind
from ctrecon.decisions.judge_piece import JudgePiece
from ctrecon.decisions.known_length import KnownLength
from ctrecon.decisions.reject import Reject
from ctrecon.decisions.rename import Rename

__all__ = ["ACTIONS"]

ACTIONS: dict[str, type[Decision]] = {
    one.do: one for one in (Accept, Reject, Rename, ChangeKind, Add, JudgePiece, KnownLength)
}  # fmt: skip
