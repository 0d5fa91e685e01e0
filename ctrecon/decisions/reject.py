"""A feature that is not there: it leaves the record and everything that rests on it."""

from dataclasses import dataclass, replace
from typing import ClassVar

from ctrecon.decisions.base import OfFeature, meant
from ctrecon.record.part import Part, Piece

__all__ = ["Reject"]


@dataclass(frozen=True, kw_only=True)
class Reject(OfFeature):
    """Reject a feature."""

    do: ClassVar[str] = "reject"
    is_told: ClassVar[bool] = True

    def apply(self, part: Part) -> Part:
        """Take the feature out; a piece whose evidence rested on it becomes undecided."""
        return _without(part, meant(part, self.feature).id)

    def says(self) -> str:
        """Return the decision in words."""
        return f"reject {self.feature.says()}"


def _without(part: Part, ident: str) -> Part:
    features = tuple(one for one in part.features if one.id != ident)
    pieces = tuple(p for p in (_less(piece, ident) for piece in part.pieces) if p is not None)
    hypotheses = part.hypotheses
    if any(ident in one.features for piece in part.pieces for one in piece.evidence):
        # the ways of building were weighed with it: what stands on it alone is open again
        hypotheses = ()
        pieces = tuple(_open(one) if one.verdict == "separate" and not one.evidence else one for one in pieces)
    left = {piece.id for piece in pieces}
    joints = tuple(
        joint for joint in part.joints if joint.piece in left and joint.on in left and ident not in joint.features
    )
    relations = tuple(one for one in part.relations if ident not in one.features)
    return replace(part, features=features, pieces=pieces, hypotheses=hypotheses, joints=joints, relations=relations)


def _less(piece: Piece, ident: str) -> Piece | None:
    """Return the piece without a feature; None where nothing is left of it."""
    features = tuple(one for one in piece.features if one != ident)
    if not features:
        return None
    rested = any(ident in one.features for one in piece.evidence)
    piece = replace(
        piece, features=features, evidence=tuple(one for one in piece.evidence if ident not in one.features)
    )
    return _open(piece) if rested else piece


def _open(piece: Piece) -> Piece:
    why = "a person rejected a feature that the evidence rests on"
    unknown = {**piece.unknown, "probability_separate": why}
    return replace(piece, verdict="undecided", probability_separate=None, unknown=unknown)
