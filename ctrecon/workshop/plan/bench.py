"""The bench answers: what a size taken from a finished piece changes for the pieces still to make."""

from collections.abc import Iterator, Sequence

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
    for joint, _, _ in fits:
        mate = joint.mate
        if mate is None or key not in (joint.size.key, mate.key) or joint.hole.kind != joint.step.kind:
            continue
        play = joint.size.value - mate.value
        both_made = joint.size.basis == "made" and mate.basis == "made"
        if both_made:
            goes = (
                "it goes in"
                if play >= 0
                else "it does not go in: ease the one that is quicker to ease, or make one anew"
            )
            words = f"{joint.part.name} in {joint.hole_part.name}: {format_value(play, 3)} mm of play, {goes}."
            yield words, GOOD if play >= 0 else LOOK
        else:
            other = mate if key == joint.size.key else joint.size
            yield (
                f"Make {other.words} to suit: {format_value(joint.size.value if other is mate else mate.value, 3)} mm.",
                GOOD,
            )
