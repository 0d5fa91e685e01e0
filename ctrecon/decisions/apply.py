"""Replays decisions on a record: a pure function, which says of each that fits nothing why."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ctrecon.calibrate import Known, calibrate
from ctrecon.calibrate.known import UNSAID_U_MM
from ctrecon.core.errors import InputError
from ctrecon.core.flags import explain
from ctrecon.core.frames import axis_slopes
from ctrecon.core.measured import Measured
from ctrecon.core.threads import in_one_thread
from ctrecon.decisions.kinds import with_kind
from ctrecon.decisions.match import match
from ctrecon.decisions.points import HAND_U_VOXELS, circle_by_points, square_by_points
from ctrecon.decisions.record import Decision, FeatureName, LengthBetween, fingerprint
from ctrecon.record.kinds import KINDS
from ctrecon.record.part import Feature, Part, Piece, Warn
from ctrecon.record.sensitivity import with_sensitivity

__all__ = ["Unmatched", "apply_decisions", "describe"]



@dataclass(frozen=True, kw_only=True)
class Unmatched:
    """A decision that could not be replayed, its number in the file (from 1), and why."""

    number: int
    decision: Decision
    why: str

    @property
    def says(self) -> str:
        """One sentence for record and console."""
        return f"decision {self.number} ({describe(self.decision)}) was left out: {self.why}."


def describe(decision: Decision) -> str:
    """Return a decision in words.

    Examples
    --------
    >>> describe(Decision(do="add", kind="round_hole", points_px=((0, 0), (2, 0), (1, 1)), slices=(0, 9), on_slice=4))
    'add round hole by 3 points'
    """
    if decision.do == "add":
        named = f" '{decision.name}'" if decision.name else ""
        return f"add {(decision.kind or '').replace('_', ' ')}{named} by {len(decision.points_px or ())} points"
    if decision.do == "known_length":
        what = "length between two points" if decision.between else f"{decision.size or 'size'} of {_words(decision)}"
        what = f"distance of {_words(decision)} and its fellow" if decision.other else what
        return f"{what} is {decision.value_mm:g} mm"
    to = {
        "rename": f" as '{decision.name}'",
        "change_kind": f" to {(decision.kind or '').replace('_', ' ')}",
    }.get(decision.do, "")
    return f"{decision.do.replace('_', ' ')} {_words(decision)}{to}"


def _words(decision: Decision) -> str:
    name = decision.feature
    if name is None:
        return "a feature"
    size = "" if name.size_mm is None else f" of {name.size_mm:.2f} mm"
    place = "" if name.x_mm is None or name.y_mm is None else f" at x {name.x_mm:.2f}, y {name.y_mm:.2f}"
    return f"{name.kind.replace('_', ' ')}{size}{place}"


@in_one_thread
def apply_decisions(
    part: Part, decisions: Sequence[Decision], *, knowns: Sequence[Known | str] = ()
) -> tuple[Part, tuple[Unmatched, ...]]:
    """Replay decisions on a record, in their order; true scale comes last.

    Parameters
    ----------
    part : Part
        A record as it was measured; decisions that it holds already are passed over.
    decisions : sequence of Decision
        As read from their file.
    knowns : sequence of Known or str
        Further known sizes, by id, as `ctrecon.calibrate.parse_known` reads them.

    Returns
    -------
    (Part, tuple of Unmatched)
        The record with what was decided, with a warning for each decision left out.

    Raises
    ------
    InputError
        If `knowns` cannot be used.

    Notes
    -----
    What a person rejected is gone from features, relations and joints; a piece whose evidence rested on it
    becomes undecided, for its probability is no longer known.
    """
    before = set(part.decided)
    unmatched: list[Unmatched] = []
    lengths: list[tuple[int, Decision, Known, tuple[Feature, ...]]] = []
    said: list[str] = []
    for number, decision in enumerate(decisions, start=1):
        if fingerprint(decision) in before:
            continue
        try:
            if decision.do == "known_length":
                known, helpers = _known(part, decision, number)
                lengths.append((number, decision, known, helpers))
            else:
                part = _one(part, decision)
                if decision.do in ("reject", "change_kind", "add"):
                    said.append(describe(decision))
                part = replace(part, decided=(*part.decided, fingerprint(decision)))
        except InputError as error:
            unmatched.append(Unmatched(number=number, decision=decision, why=str(error).rstrip(".")))
    if said:
        part = replace(part, warnings=(*part.warnings, _note("decided", f"{explain('decided')}: {'; '.join(said)}")))
    part, left_out = _true_scale(part, lengths, knowns)
    unmatched = sorted([*unmatched, *left_out], key=lambda one: one.number)
    notes = tuple(_note("decision_unmatched", one.says) for one in unmatched)
    return replace(part, warnings=(*part.warnings, *notes)), tuple(unmatched)


def _note(flag: str, says: str) -> Warn:
    return Warn(flag=flag, says=f"{says[:1].upper()}{says[1:]}".rstrip(".") + ".")


def _meant(part: Part, name: FeatureName | None) -> Feature:
    assert name is not None
    found = match(part, name)
    if isinstance(found, str):
        raise InputError(found)
    return found


def _one(part: Part, decision: Decision) -> Part:
    if decision.do == "add":
        return with_sensitivity(replace(part, features=(*part.features, _added(part, decision))))
    old = _meant(part, decision.feature)
    if decision.do == "reject":
        return _without(part, old.id)
    if decision.do == "change_kind":
        assert decision.kind is not None
        new = with_kind(old, decision.kind)
    elif decision.do == "rename":
        new = replace(old, name=" ".join((decision.name or "").split()))
    else:
        new = replace(old, accepted=True)
    part = replace(part, features=tuple(new if one.id == old.id else one for one in part.features))
    return with_sensitivity(part) if decision.do == "change_kind" else part


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
        joint
        for joint in part.joints
        if joint.piece in left and joint.on in left and ident not in joint.features
    )
    relations = tuple(one for one in part.relations if ident not in one.features)
    return replace(
        part, features=features, pieces=pieces, hypotheses=hypotheses, joints=joints, relations=relations
    )


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


def _free_id(part: Part, taken: Sequence[str] = ()) -> str:
    numbers = [int(one[1:]) for one in (*(f.id for f in part.features), *taken) if one[1:].isdigit()]
    return f"F{max(numbers, default=0) + 1}"


def _added(part: Part, decision: Decision) -> Feature:
    """Return the feature that points make: basis stated, u from their scatter."""
    points_px, slices, on_slice = decision.points_px, decision.slices, decision.on_slice
    assert points_px is not None
    assert slices is not None
    assert on_slice is not None
    dz, dy, dx = part.stack.voxel_mm
    points = np.asarray(points_px, dtype=float).reshape(-1, 2) * (dx, dy)
    hand = HAND_U_VOXELS * float(np.sqrt(dx * dy))
    kind = decision.kind or ""
    square = KINDS[kind].is_four_sided
    found = (square_by_points if square else circle_by_points)(points, point_u_mm=hand)
    last = part.stack.slices - 1
    low, high = (float(np.clip(one, 0, last)) for one in slices)
    slopes = (0.0, 0.0) if part.axis is None else axis_slopes(np.array(part.axis.direction_xyz))
    deeper = ((low + high) / 2 - on_slice) * dz
    size = Measured(*found.size_mm)
    common = {
        "id": _free_id(part), "kind": kind, "basis": "stated", "flags": ("by_points",), "name": decision.name,
        "accepted": True, "x_mm": Measured(found.x_mm[0] + slopes[0] * deeper, found.x_mm[1]),
        "y_mm": Measured(found.y_mm[0] + slopes[1] * deeper, found.y_mm[1]),
    }  # fmt: skip
    unknown = {}
    ends: dict[str, Measured | None] = {}
    for name, slice_number, border in (("depth_from_mm", low, 0.0), ("depth_to_mm", high, float(last))):
        out = slice_number == border
        ends[name] = None if out else Measured(slice_number * dz, dz / 2)
        if out:
            unknown[name] = "a person let it run to the end of the stack"
    turn = None if found.turn_deg is None else Measured(*found.turn_deg)
    sizes = {"flats_mm": size, "turn_deg": turn} if square else {"diameter_mm": size}
    return Feature(**common, **ends, **sizes, unknown=unknown)  # type: ignore[arg-type]


def _known(part: Part, decision: Decision, number: int) -> tuple[Known, tuple[Feature, ...]]:
    """Return a known size with the ids of this record, and two stand-ins where it lies between points."""
    assert decision.value_mm is not None
    u = decision.u_mm
    more = {"value_mm": decision.value_mm, "u_mm": u or UNSAID_U_MM, "u_stated": u is not None}
    if decision.between is not None:
        one, other = _at_points(part, decision.between, number)
        return Known(feature=one.id, other=other.id, **more), (one, other)  # type: ignore[arg-type]
    feature = _meant(part, decision.feature)
    other_id = None if decision.other is None else _meant(part, decision.other).id
    known = Known(feature=feature.id, other=other_id, size=decision.size, **more)  # type: ignore[arg-type]
    return known, ()


def _at_points(part: Part, between: LengthBetween, number: int) -> tuple[Feature, Feature]:
    """Make two bores of no size at the points: between axes the calibration asks for nothing else."""
    dz, dy, dx = part.stack.voxel_mm
    z = Measured(between.slice * dz, dz / 2)

    def at(point: tuple[float, float], ident: str) -> Feature:
        return Feature(
            id=ident, kind="round_hole", x_mm=Measured(point[0] * dx, HAND_U_VOXELS * dx),
            y_mm=Measured(point[1] * dy, HAND_U_VOXELS * dy), depth_from_mm=z, depth_to_mm=z,
            unknown={"diameter_mm": "a point has none"},
        )  # fmt: skip

    return at(between.one_px, f"POINT{2 * number - 1}"), at(between.other_px, f"POINT{2 * number}")


def _true_scale(
    part: Part, lengths: list[tuple[int, Decision, Known, tuple[Feature, ...]]], knowns: Sequence[Known | str]
) -> tuple[Part, list[Unmatched]]:
    """Calibrate by all known lengths at once; where they can't be used together, by those given by id alone."""
    if not lengths:
        return (calibrate(part, knowns).part if knowns else part), []
    helpers = tuple(one for _, _, _, pair in lengths for one in pair)
    names = {one.id for one in helpers}
    try:
        whole = replace(part, features=(*part.features, *helpers))
        done = calibrate(whole, [*knowns, *(known for _, _, known, _ in lengths)]).part
    except InputError as error:
        left = calibrate(part, knowns).part if knowns else part
        why = str(error).rstrip(".")
        return left, [Unmatched(number=number, decision=one, why=why) for number, one, _, _ in lengths]
    marks = tuple(fingerprint(one) for _, one, _, _ in lengths)
    features = tuple(one for one in done.features if one.id not in names)
    return replace(done, features=features, decided=(*done.decided, *marks)), []
