"""What a person saw on the slices: a piece of its own, one with the body, or not to be told."""

from dataclasses import dataclass, replace
from typing import ClassVar

from ctrecon.core.errors import InputError
from ctrecon.core.measured import Measured, format_percent
from ctrecon.decisions.base import OfFeature, meant
from ctrecon.record.kinds import is_seam
from ctrecon.record.part import Evidence, Feature, Part, Piece

__all__ = ["VERDICTS", "JudgePiece", "feature_of_piece"]

VERDICTS = {"separate": "a piece of its own", "one_piece": "one piece with the body", "undecided": "can't say"}
"""What can be judged, and the words for it."""


@dataclass(frozen=True, kw_only=True)
class JudgePiece(OfFeature):
    """Judge a piece, named by a feature that belongs to it: its seam where it has one.

    Parameters
    ----------
    verdict : {"separate", "one_piece", "undecided"}
        What was seen.
    """

    do: ClassVar[str] = "judge_piece"
    is_told: ClassVar[bool] = True
    verdict: str

    def fault(self) -> str:
        """Return why it can't be: no such verdict."""
        if self.verdict in VERDICTS:
            return ""
        return f"'{self.verdict}' is not a verdict on a piece; choose one of {', '.join(VERDICTS)}"

    def apply(self, part: Part) -> Part:
        """Put the verdict into the piece; one that is no piece goes back into the body, and its seam out."""
        return _judged(part, meant(part, self.feature), self.verdict)

    def says(self) -> str:
        """Return the decision in words."""
        return f"the piece with the {self.feature.says()} was looked at: {VERDICTS[self.verdict]}"


def feature_of_piece(part: Part, piece: Piece) -> Feature:
    """Return the feature a verdict on a piece is kept under: its seam, else its first."""
    own = [part.feature(one) for one in piece.features]
    if not own:
        raise InputError(f"{piece.id} holds no feature that a verdict could be kept under")
    return next((one for one in own if is_seam(one)), own[0])


def _judged(part: Part, feature: Feature, verdict: str) -> Part:
    at = next((k for k, one in enumerate(part.pieces) if feature.id in one.features), None)
    if at is None:
        raise InputError(f"{feature.id} belongs to no piece of this record")
    if at == 0 and len(part.pieces) > 1:
        raise InputError(f"{part.pieces[0].id} is what the other pieces leave; judge those instead")
    if at == 0 and verdict == "separate":
        raise InputError("the record suggests only one piece; what would be separate is not in it")
    judged = _looked_at(part.pieces[at], verdict)
    if at == 0:
        return replace(part, pieces=(judged,), hypotheses=())
    if verdict == "one_piece":
        return _joined(part, at)
    pieces = (*part.pieces[:at], judged, *part.pieces[at + 1 :])
    sure = any(one.verdict == "separate" for one in pieces[1:])
    why = {"probability_separate": f"it follows from the verdict on {judged.id}"}
    body = replace(
        pieces[0], verdict="separate" if sure else "undecided", probability_separate=None,
        unknown={**pieces[0].unknown, **why},
    )  # fmt: skip
    # the ways of building were weighed without what a person saw
    return replace(part, pieces=(body, *pieces[1:]), hypotheses=())


def _looked_at(piece: Piece, verdict: str) -> Piece:
    """Return the piece with the verdict; what the scan alone said stays with the reasons."""
    chance = piece.probability_separate
    alone = "" if chance is None else f" The scan alone gave {format_percent(chance)} for more than one piece."
    seen = Evidence(
        kind="looked", features=(), weight=0.0, says=f"A person looked at the slices: {VERDICTS[verdict]}.{alone}"
    )
    unknown = {**piece.unknown, "probability_separate": "a person judged it from the slices"}
    kept = tuple(one for one in piece.evidence if one.kind != "looked")
    return replace(piece, verdict=verdict, probability_separate=None, evidence=(seen, *kept), unknown=unknown)


def _value(depth: Measured | None) -> float:
    return 0.0 if depth is None else depth.value


def _joined(part: Part, at: int) -> Part:
    """Return the record with a piece given back to the body; the line that was taken for its seam is dropped."""
    body, gone = part.pieces[0], part.pieces[at]
    seams = {one for one in gone.features if is_seam(part.feature(one))}
    kept = {one.id for one in part.features} - seams
    order = [one.id for one in part.features]
    start, end = (body.depth_from_mm, gone.depth_from_mm), (body.depth_to_mm, gone.depth_to_mm)
    both = replace(
        body, features=tuple(sorted({*body.features, *gone.features} & kept, key=order.index)),
        depth_from_mm=None if None in start else min(start, key=_value),
        depth_to_mm=None if None in end else max(end, key=_value), unknown={**gone.unknown, **body.unknown},
    )  # fmt: skip
    pieces = [
        replace(one, evidence=tuple(why for why in one.evidence if not seams & set(why.features)))
        for one in (both, *part.pieces[1:at], *part.pieces[at + 1 :])
    ]
    if len(pieces) == 1:  # nothing is left that it would be the remainder of
        alone = replace(pieces[0], evidence=tuple(one for one in pieces[0].evidence if one.kind != "rest"))
        pieces[0] = _looked_at(alone, "one_piece")
    return replace(
        part,
        features=tuple(one for one in part.features if one.id in kept),
        pieces=tuple(pieces),
        hypotheses=(),
        joints=tuple(
            one for one in part.joints if gone.id not in (one.piece, one.on) and not seams & set(one.features)
        ),
        relations=tuple(one for one in part.relations if not seams & set(one.features)),
    )
