"""The bench answers: what a size taken from a finished piece changes for the pieces still to make."""

from collections.abc import Iterator, Sequence
from math import hypot

from ctrecon.core.measured import format_pair, format_value
from ctrecon.workshop.assembly.model import Assembly, PlannedSize
from ctrecon.workshop.fits.choose import FitChoice
from ctrecon.workshop.plan.gaps import GapResult
from ctrecon.workshop.plan.joints import Joint
from ctrecon.workshop.plan.model import GOOD, LOOK, Check

__all__ = ["bench_checks"]


def bench_checks(
    assembly: Assembly, gaps: Sequence[GapResult], fits: Sequence[tuple[Joint, FitChoice | None, Check]]
) -> tuple[Check, ...]:
    """Say of every made size what it was before and what follows: clearances, fits, what to do next.

    Parameters
    ----------
    assembly : Assembly
        Its made sizes.
    gaps : sequence of GapResult
        Chains closed with them.
    fits : sequence
        Joints with their fits.
    """
    return tuple(_checks(assembly, gaps, fits))


def _checks(
    assembly: Assembly, gaps: Sequence[GapResult], fits: Sequence[tuple[Joint, FitChoice | None, Check]]
) -> Iterator[Check]:
    for key, size in assembly.made.items():
        part = assembly[key.split(".")[0]]
        before = part.measured.get(key)
        follows = [*_gap_words(key, gaps), *_fit_words(key, fits)]
        was = f", {_off(size, before)}" if before is not None else ""
        worse = any(state != GOOD for _, state in follows)
        yield Check(
            topic="bench",
            about=part.id,
            says=f"{size.words} came out at {format_pair(size.size, size.size.U, '')} mm{was}.",
            why=" ".join(text for text, _ in follows) or "Nothing else hangs on it.",
            state=LOOK if worse else GOOD,
        )


def _off(size: PlannedSize, before: PlannedSize) -> str:
    off = size.value - before.value
    words = f"{format_value(abs(off), 3)} mm {'over' if off > 0 else 'under'} what was found"
    both = 2 * ((size.size.u or 0.0) ** 2 + (before.size.u or 0.0) ** 2 + (before.scale_u or 0.0) ** 2) ** 0.5
    return words if abs(off) > both else "as found, within U"


def _gap_words(key: str, gaps: Sequence[GapResult]) -> Iterator[tuple[str, str]]:
    for one in gaps:
        if any(term.key == key for term in one.gap.terms):
            reason = (
                one.chain.reason if one.adjustment is None or one.adjustment.kind == "none" else one.adjustment.reason
            )
            yield f"{one.gap.name} is now {format_value(one.chain.gap.value, 3)} mm: {reason}.", one.checks[0].state


def _fit_words(key: str, fits: Sequence[tuple[Joint, FitChoice | None, Check]]) -> Iterator[tuple[str, str]]:
    for joint, choice, _ in fits:
        mate = joint.mate
        if mate is None or key not in (joint.size.key, mate.key) or not joint.alike:
            continue
        if joint.size.basis == "made" and mate.basis == "made":
            yield _both_made(joint, mate, choice)
        else:
            other, size = (mate, joint.size.value) if key == joint.size.key else (joint.size, mate.value)
            yield f"Make {other.words} to suit: {format_value(size, 3)} mm.", GOOD


def _both_made(joint: Joint, mate: PlannedSize, choice: FitChoice | None) -> tuple[str, str]:
    """Say whether what was made goes into what was made, and whether it is looser than its fit."""
    play = joint.size.value - mate.value
    words = f"{joint.part.name} in {joint.hole_part.name}: {format_value(play, 3)} mm of play"
    spread = 2 * hypot(joint.size.size.u or 0.0, mate.size.u or 0.0)
    least = 0.0 if choice is None else choice.fit.clearance_min_mm
    if play < min(least, 0.0) - spread:
        return f"{words}, it does not go in: ease the one that is quicker to ease, or make one anew.", LOOK
    if choice is not None and play > choice.fit.clearance_max_mm + spread:
        more = format_value(play - choice.fit.clearance_max_mm, 3)
        return f"{words}, {more} mm more than {choice.fit.code} allows: bush the hole, or make one of them anew.", LOOK
    return f"{words}, it goes in.", GOOD
