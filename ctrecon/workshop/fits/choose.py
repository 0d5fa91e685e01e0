"""Which fit suits a purpose, and whether the scan knows the sizes well enough to trust its numbers."""

from dataclasses import dataclass
from math import hypot

from ctrecon.core.measured import COVERAGE_FACTOR, Measured, expanded, format_short, format_value
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.fits.iso286 import Fit, Limits, fit_of

__all__ = ["PURPOSES", "FitChoice", "Purpose", "choose_fit"]


@dataclass(frozen=True)
class Purpose:
    """What a joint is for: the fits for it in order of preference, and what their limits must give.

    `needs` is gap (always some clearance), no_interference (never tight), tight_on_average, interference (never loose)
    or held (always some interference).
    """

    words: str
    codes: tuple[str, ...]
    needs: str


PURPOSES: dict[str, Purpose] = {
    "runs freely": Purpose("runs freely with oil", ("H8/f7", "H9/d9"), "gap"),
    "slides": Purpose("slides and turns with no shake to be felt", ("H7/g6", "H8/f7"), "gap"),
    "located by hand": Purpose("goes on by hand and is located", ("H7/h6",), "no_interference"),
    "light press": Purpose("is pressed on lightly and comes off with a puller", ("H7/n6", "H7/p6"), "tight_on_average"),
    "press": Purpose("is pressed on and stays, pinned to carry a load", ("H7/p6", "H7/r6", "H7/s6"), "interference"),
    "full press": Purpose("is pressed on and carries a load with no pin", ("H7/s6", "H7/u6"), "held"),
}  # fmt: skip
"""Purposes by name. The codes are the preferred fits of ISO 286-1; which serves which is common practice, no source."""


@dataclass(frozen=True)
class FitChoice:
    """A fit for a purpose at one size.

    Parameters
    ----------
    purpose : str
        Name in `PURPOSES`.
    fit : Fit
        Its code, limits and clearances.
    found_clearance : Measured or None
        Hole less shaft as found (mm), where both are known; `agrees` says whether it lies in the fit within U.
    trusted : bool
        Whether the scan knows every size given better than the fit allows.
    warnings : tuple of str
        One sentence each.
    reason : str
        One sentence.
    """

    purpose: str
    fit: Fit
    found_clearance: Measured | None
    agrees: bool | None
    trusted: bool
    warnings: tuple[str, ...]
    reason: str


def choose_fit(
    purpose: str, size_mm: float, *, hole: Measured | None = None, shaft: Measured | None = None,
    scale_u_rel: float | None = None, edge_u_mm: float = 0.0, code: str | None = None,
) -> FitChoice:  # fmt: skip
    """Return the first fit for a purpose whose limits at this size really do what the purpose needs.

    Parameters
    ----------
    purpose : str
        A name in `PURPOSES`.
    size_mm : float
        The size to make (mm), common to hole and shaft.
    hole, shaft : Measured, optional
        Sizes as found (mm), best those of `fit_size`; only warnings and the clearance found come from them.
    scale_u_rel : float, optional
        Relative standard uncertainty of the scale, common to both sizes; their own `scale_u` goes before it.
    edge_u_mm : float
        Standard uncertainty of where the edges of the scan truly lie, one and the same for both: metal that reaches
        further makes the hole smaller and the shaft larger.
    code : str, optional
        A fit wished instead; it is kept, and a warning says where it does not serve the purpose.

    Raises
    ------
    PlanError
        If the purpose is unknown, or none of its fits serves it at this size.

    Examples
    --------
    >>> choose_fit("press", 2.0).fit.code, choose_fit("press", 5.0).fit.code
    ('H7/r6', 'H7/p6')
    """
    wanted = PURPOSES.get(purpose)
    if wanted is None:
        raise PlanError(f"there is no purpose {purpose!r} for a fit; choose from {', '.join(PURPOSES)}")
    tried = [fit_of(size_mm, one) for one in ((code,) if code else wanted.codes)]
    serving = [fit for fit in tried if _serves(fit, wanted.needs)]
    warnings: list[str] = []
    if code and not serving:
        warnings.append(f"{tried[0].reason}; for a joint that {wanted.words} take {', '.join(wanted.codes)}")
    elif not serving:
        raise PlanError(f"none of {', '.join(wanted.codes)} {wanted.words} at {format_short(size_mm)} mm")
    fit = serving[0] if serving else tried[0]
    doubts = [
        says
        for limits, size in ((fit.hole, hole), (fit.shaft, shaft))
        if size is not None and (says := _doubt(limits, size, scale_u_rel, edge_u_mm)) is not None
    ]
    found, agrees, told = _found(fit, hole, shaft, scale_u_rel, edge_u_mm)
    skipped = [one.code for one in tried if one is not fit and not _serves(one, wanted.needs)]
    instead = f" ({' and '.join(skipped)} would not at this size)" if skipped else ""
    does = f"{wanted.words}{instead}" if serving else "as asked"
    reason = f"{fit.code} {does}: {fit.reason}{told}"
    return FitChoice(purpose, fit, found, agrees, not doubts, (*warnings, *doubts), reason)


def _serves(fit: Fit, needs: str) -> bool:
    least, most = fit.clearance_min_mm, fit.clearance_max_mm
    if needs == "gap":
        return least > 0
    if needs == "no_interference":
        return fit.kind == "clearance"
    if needs == "interference":
        return fit.kind == "interference"
    return most < 0 if needs == "held" else least + most < 0


def _U(size: Measured, scale_u_rel: float | None) -> float | None:
    return expanded(size, 0.0 if scale_u_rel is None and size.scale_u is not None else scale_u_rel)


def _doubt(limits: Limits, size: Measured, scale_u_rel: float | None, edge_u: float) -> str | None:
    """Return the warning where the scan's plus or minus U is more than the plus or minus of the tolerance."""
    spread = _U(size, scale_u_rel)
    allowed = limits.tolerance_um / 2000
    if spread is None:
        known = "without saying how well"
    elif (spread := hypot(spread, COVERAGE_FACTOR * 2 * edge_u)) > allowed:
        known = f"to \N{PLUS-MINUS SIGN}{format_short(spread, 2)} mm only"
    else:
        return None
    return (
        f"{limits.member} {limits.code}: the scan gives its size {known}, the fit allows \N{PLUS-MINUS SIGN}"
        f"{format_short(allowed, 2)} mm: fit the two to each other, do not trust the number"
    )


def _found(
    fit: Fit, hole: Measured | None, shaft: Measured | None, scale_u_rel: float | None, edge_u: float
) -> tuple[Measured | None, bool | None, str]:
    """Return the clearance found, whether it lies in the fit within U, and the words; the scale nearly cancels."""
    if hole is None or shaft is None:
        return None, None, ""
    gap = hole.value - shaft.value
    u = None if hole.u is None or shaft.u is None else hypot(hole.u, shaft.u, 4 * edge_u)
    scales = [one.scale_u if one.scale_u is not None else one.value * (scale_u_rel or 0.0) for one in (hole, shaft)]
    found = Measured(gap, u, abs(scales[0] - scales[1]))
    spread = found.U or 0.0
    agrees = fit.clearance_min_mm - spread <= gap <= fit.clearance_max_mm + spread
    what = "clearance" if gap >= 0 else "interference"
    known = f" (U {format_value(spread, 3)})" if u is not None else ""
    verdict = "as this fit gives" if agrees else "which this fit does not give"
    return found, agrees, f"; found {format_value(abs(gap), 3)} mm {what}{known}, {verdict}"
