"""Replays decisions on a record: a pure function, which says of each that fits nothing why."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from ctrecon.calibration import Known, calibrate
from ctrecon.core.arguments import need
from ctrecon.core.errors import InputError
from ctrecon.core.flags import explain
from ctrecon.core.threads import in_one_thread
from ctrecon.decisions.base import Decision
from ctrecon.decisions.known_length import KnownLength, known_size, with_true_scale
from ctrecon.decisions.record import fingerprint
from ctrecon.record.measurement import need_part
from ctrecon.record.part import Feature, Part, Warn
from ctrecon.record.store import need_sound

__all__ = ["Unmatched", "apply_decisions"]

_Length = tuple[int, KnownLength, Known, tuple[Feature, ...]]
"""A known length with its number in the file, the size it means, and the stand-ins it lies between."""


@dataclass(frozen=True, kw_only=True)
class Unmatched:
    """A decision that could not be replayed, its number in the file (from 1), and why."""

    number: int
    decision: Decision
    why: str

    @property
    def says(self) -> str:
        """One sentence for record and console."""
        return f"decision {self.number} ({self.decision.says()}) was left out: {self.why}."


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
        Further known sizes, by id, as `ctrecon.calibration.parse_known` reads them.

    Returns
    -------
    (Part, tuple of Unmatched)
        The record with what was decided, with a warning for each decision left out.

    Raises
    ------
    InputError
        If `knowns` cannot be used.

    Examples
    --------
    >>> from ctrecon import apply_decisions, read_decisions, read_part, write_decisions
    >>> from ctrecon.decisions import Rename, named
    >>> part = read_part("drum_hub_out/part.json")
    >>> write_decisions([Rename(feature=named(part, part["F1"]), name="seat")], "decisions.json")
    >>> done, left_out = apply_decisions(part, read_decisions("decisions.json"))
    >>> done["F1"].name, left_out
    ('seat', ())

    Notes
    -----
    What a person rejected is gone from features, relations and joints; a piece whose evidence rested on it
    becomes undecided, for its probability is no longer known.
    """
    need_part(part, "apply_decisions")
    for decision in decisions:
        need(decision, Decision, "apply_decisions", cure="read them with read_decisions")
    before = set(part.decided)
    unmatched: list[Unmatched] = []
    lengths: list[_Length] = []
    said: list[str] = []
    for number, decision in enumerate(decisions, start=1):
        if fingerprint(decision) in before:
            continue
        try:
            if isinstance(decision, KnownLength):  # they settle the scale together, at the end
                lengths.append((number, decision, *known_size(part, decision, number)))
                continue
            done = decision.apply(part)
            need_sound(done)
            part = done
            if decision.is_told:
                said.append(decision.says())
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


def _true_scale(part: Part, lengths: "list[_Length]", knowns: Sequence[Known | str]) -> tuple[Part, list[Unmatched]]:
    """Calibrate by all known lengths at once; where they can't be used together, by those given by id alone."""
    latest = {known.name: number for number, _, known, _ in lengths}
    marks = tuple(fingerprint(one) for _, one, _, _ in lengths)
    lengths = [one for one in lengths if latest[one[2].name] == one[0]]  # typed again, the later one holds
    if not lengths:
        return (calibrate(part, *knowns) if knowns else part), []
    helpers = tuple(one for _, _, _, pair in lengths for one in pair)
    try:
        done = with_true_scale(part, [*knowns, *(known for _, _, known, _ in lengths)], helpers)
    except InputError as error:
        left = calibrate(part, *knowns) if knowns else part
        why = str(error).rstrip(".")
        return left, [Unmatched(number=number, decision=one, why=why) for number, one, _, _ in lengths]
    return replace(done, decided=(*done.decided, *marks)), []
