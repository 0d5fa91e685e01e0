"""Choices between a shape and its own special case: square or rectangle, parallel or tapered, small or very small."""

from dataclasses import replace

import numpy as np
from scipy.special import log_ndtr, ndtr

from ctrecon.core.fit_result import FitFailed, ShapeFit
from ctrecon.features.candidates import Candidate, RivalShape
from ctrecon.features.collect_voxels import Voxels
from ctrecon.features.shape_candidates import contestants
from ctrecon.features.size import FittedCandidate
from ctrecon.features.small_bores import fit_small, is_small
from ctrecon.features.two_arcs import one_arc_or_two
from ctrecon.grey.square_up import SquaredStack

__all__ = ["MARGIN", "round_again", "special_case", "undecided"]

MARGIN = 5.0
"""Ln odds below which a choice of shape is called undecided."""
_EVEN = 0.005
"""Share of its flats by which a square may be out and still be called a square."""
_MARGIN_EVEN = 3.0
"""Ln odds (20 to 1) wanted for square against rectangle: both widths and their u are in the record anyway."""
_SQUARE_MEANT = 4.0
"""Ln odds for a square before looking: 2.9 because a rectangle's widths may differ by anything up to the tenth below
and a square's by half a percent, 1 because squares are commoner than rectangles so near to one (common practice, no
source). So flats that agree within 2 u make a square, its margin stated."""
_TAPER_LEAST = 0.002
"""Change of diameter by depth below which nobody would call it a taper (a judgement)."""


def undecided(candidate: Candidate, others: tuple[RivalShape, ...]) -> Candidate:
    """Return the candidate flagged as undecided, with the other shapes it may be."""
    flags = tuple(dict.fromkeys((*candidate.flags, "undecided")))
    return replace(candidate, flags=flags, others=(*candidate.others, *others))


def special_case(
    sized: FittedCandidate, data: Voxels, squared: SquaredStack, noise: float
) -> FittedCandidate:
    """Distinguish square from rectangle by their two widths, and measure small bores by their exact blurred area."""
    if isinstance(sized.fit, FitFailed):
        return sized
    if sized.candidate.has_flats:
        told = _square_or_not(sized, sized.fit)
        if "undecided" in told.candidate.flags and "undecided" not in sized.candidate.flags:
            # a fit that leaves the corners out knows short flats less well than one that models them
            alone = replace(sized.candidate, rivals=())
            for entry in contestants(alone, sized, data, squared, noise):
                stretch = _shared(sized.fit)  # the contest takes its voxels as independent
                if entry.fit.u("a") * stretch < sized.fit.u("a"):
                    told = _square_or_not(sized, entry.fit, stretch)
        return told
    if is_small(sized):
        return fit_small(sized, data, squared, noise)
    return _tapered_or_not(_one_arc_or_two(sized, data, squared, noise))


def round_again(
    sized: FittedCandidate, data: Voxels, squared: SquaredStack, noise: float
) -> FittedCandidate:
    """Judge anew, on the sound part of a worn rim, what was read from all of it: two arcs, or a taper.

    `data` are the voxels beside sound cells only. What no such reading was named for stays as it is.
    """
    candidate = sized.candidate
    kept = tuple(one for one in candidate.others if not one.words)
    if len(kept) == len(candidate.others):
        return sized
    close = any(one.ln_odds < MARGIN for one in kept)
    flags = tuple(f for f in candidate.flags if f != "bent_outline" and (f != "undecided" or close))
    plain = replace(sized, candidate=replace(candidate, others=kept, flags=flags))
    return _tapered_or_not(_one_arc_or_two(plain, data, squared, noise))


def _one_arc_or_two(
    sized: FittedCandidate, data: Voxels, squared: SquaredStack, noise: float
) -> FittedCandidate:
    """Name two arcs where one circle through a broken rim is not a clear choice; flag it bent where it is wrong."""
    found = one_arc_or_two(sized, data, squared, noise) if sized.candidate.is_round else None
    if found is None or found[0] >= MARGIN:
        return sized
    if found[0] > -MARGIN:
        return replace(sized, candidate=undecided(sized.candidate, (found[1],)))
    flags = tuple(dict.fromkeys((*sized.candidate.flags, "bent_outline")))
    others = (*sized.candidate.others, found[1])
    return replace(sized, candidate=replace(sized.candidate, flags=flags, others=others))


def _tapered_or_not(sized: FittedCandidate) -> FittedCandidate:
    """Name the other reading of a round feature whose taper is over three u but does not carry the odds.

    A bore is meant to be parallel; the record calls it tapered from four u on, so there
    the odds are even. One parallel bore in 370 is called undecided by chance.
    """
    fit = sized.fit
    assert isinstance(fit, ShapeFit)
    if not sized.candidate.is_round or "growth" not in fit.names or fit.u("growth") <= 0:
        return sized
    growth, u = abs(fit.value("growth")), fit.u("growth")
    odds = ((growth / u) ** 2 - 4.0**2) / 2
    if growth < 3 * u or 2 * growth < _TAPER_LEAST or abs(odds) > MARGIN:
        return sized
    tapered = odds > 0
    other = RivalShape(
        "round", abs(odds), {"diameter_mm": 2 * fit.value("radius")},
        words="parallel" if tapered else "tapered",
    )  # fmt: skip
    return replace(sized, candidate=undecided(sized.candidate, (other,)))


def _shared(fit: ShapeFit) -> float:
    """Return by how much errors that neighbouring voxels share raise the u of a width."""
    at = fit.names.index("a")
    alone = sum(float(fit.budget[origin][at]) for origin in ("noise", "edge_level", "blur") if origin in fit.budget)
    shared = sum(float(fit.budget[origin][at]) for origin in ("correlation", "artefacts") if origin in fit.budget)
    return float(np.sqrt(1 + shared / alone)) if alone > 0 else 1.0


def _square_or_not(sized: FittedCandidate, fit: ShapeFit, stretch: float = 1.0) -> FittedCandidate:
    """Call a square what is out by less than 0.5 % of its flats, a rectangle what is out by more, if u allows."""
    a, b = fit.value("a"), fit.value("b")
    if abs(a - b) > 0.1 * max(a, b):
        return sized
    u = float(np.hypot(stretch * np.hypot(fit.u("a"), fit.u("b")), 0.004))
    limit = _EVEN * max(a, b)
    out = abs(a - b)
    # ln of P(difference beyond the limit) over P(within it), the difference known to u
    beyond = np.logaddexp(log_ndtr((out - limit) / u), log_ndtr((-out - limit) / u))
    within = np.log(max(float(ndtr((limit - out) / u) - ndtr((-limit - out) / u)), 1e-300))
    odds = float(np.clip(beyond - within, -200.0, 200.0)) - _SQUARE_MEANT
    kind = "rectangular" if odds > 0 else "square"
    candidate = replace(sized.candidate, kind=kind)
    if abs(odds) < _MARGIN_EVEN:
        other = (
            RivalShape("square", abs(odds), {"flats_mm": (a + b) / 2}) if odds > 0
            else RivalShape("rectangular", abs(odds), {"longer_mm": max(a, b), "shorter_mm": min(a, b)})
        )  # fmt: skip
        candidate = undecided(candidate, (other,))
    return replace(sized, candidate=candidate)
