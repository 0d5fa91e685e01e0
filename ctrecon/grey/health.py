"""The health sheet of a stack: what its slices are like, and what they can settle."""

from dataclasses import dataclass

import numpy as np

from ctrecon.core.errors import InputError
from ctrecon.core.threads import in_one_thread
from ctrecon.grey.artefacts import Artefacts, find_artefacts
from ctrecon.grey.levels import find_levels
from ctrecon.grey.square_up import axis_from_normals
from ctrecon.grey.survey import sampled_normals
from ctrecon.slices.stack import SliceStack

__all__ = ["Finding", "Health", "check_health", "least_diameter_px", "thinnest_seam_px"]

# Thickness (px) of a seam found in 95 of 100 rendered parts at 1 % false alarms, SNR 20, blur 0.8 px:
# own measurements, 0.048 with one slice, 0.015 with ten, 0.007 with fifty.
_SEAM_ONE_SLICE = 0.048
_SEAM_SNR, _SEAM_BLUR_PX = 20.0, 0.8
# rings of 0.5 % and 2 % of the contrast raise it to 0.072 and 0.29, whatever the number of slices
_SEAM_PER_RING = 14.4
_LEAST_RADIUS_BLURS = 4.0  # radius, in blurs, of the smallest bore that is measured without bias


@dataclass(frozen=True)
class Finding:
    """One line of the sheet: what it is about, one word of judgement, and what was found."""

    label: str
    word: str
    says: str


@dataclass(frozen=True, eq=False)
class Health:
    """The health of a stack.

    Attributes
    ----------
    artefacts : Artefacts
        Everything measured.
    tilt_deg : float or None
        Likely lean of the part against the slices' normal.
    least_diameter_px, thinnest_seam_px : float or None
        Smallest diameter and thinnest seam that can be settled, in voxel edges of the slice plane.
    findings : tuple of Finding
        The sheet, in reading order.
    """

    artefacts: Artefacts
    tilt_deg: float | None
    least_diameter_px: float | None
    thinnest_seam_px: float | None
    findings: tuple[Finding, ...]


def least_diameter_px(psf_px: float) -> float:
    """Return the smallest diameter whose size is not biased by blur: a radius of four blurs."""
    return 2 * _LEAST_RADIUS_BLURS * psf_px


def thinnest_seam_px(*, snr: float, psf_px: float, slices: int, correlation: float = 0.0, rings: float = 0.0) -> float:
    """Return the thickness (px) of the thinnest seam that is found in 95 of 100 cases.

    Parameters
    ----------
    snr : float
        Contrast over the noise of one voxel.
    psf_px : float
        Blur in the plane, sigma.
    slices : int
        Slices the seam runs through.
    correlation : float
        Of the noise of neighbouring voxels.
    rings : float
        Standard deviation of the rings that are left, share of the contrast.

    Notes
    -----
    Scaled from own measurements at SNR 20 and blur 0.8 px: with the noise, with the root of
    the seam's width in the picture, with one over the root of the slices, and with the
    correlation; rings come on top, for they are the same in every slice.
    """
    wide = np.sqrt(np.hypot(psf_px, np.sqrt(1 / 12)) / np.hypot(_SEAM_BLUR_PX, np.sqrt(1 / 12)))
    white = _SEAM_ONE_SLICE * (_SEAM_SNR / snr) * float(wide) / np.sqrt(max(slices, 1))
    return float(np.hypot(white * (1 + max(correlation, 0.0)), _SEAM_PER_RING * rings))


@in_one_thread
def check_health(stack: SliceStack) -> Health:
    """Look a stack over; works without a scale and for a single slice.

    Parameters
    ----------
    stack : SliceStack
        Slices.

    Returns
    -------
    Health

    Raises
    ------
    InputError
        If the stack holds no data, one grey only, or no two levels of grey.
    """
    levels = find_levels(stack)
    if levels is None:
        raise InputError(f"{stack.source}: no metal stands out from its surroundings, so there is nothing to judge")
    found = find_artefacts(stack, levels)
    tilt = None
    if len(stack) >= 4:
        guess = axis_from_normals(sampled_normals(stack, levels, found))
        if guess is not None:
            tilt = float(np.degrees(np.arctan(np.hypot(guess.slope_x, guess.slope_y))))
    least = None if found.psf_px is None else least_diameter_px(found.psf_px)
    seam = None
    if found.psf_px is not None and np.isfinite(found.snr):
        seam = thinnest_seam_px(
            snr=found.snr,
            psf_px=found.psf_px,
            slices=found.metal_slices,
            correlation=found.noise_correlation or 0.0,
            rings=found.ring_left_rel,
        )
    findings = (*_picture(found), *_order(stack, found, tilt), *_limits(stack, found, least, seam))
    return Health(found, tilt, least, seam, findings)


def _grade(value: float, good: float, fair: float, poor: float) -> str:
    """Return good, fair, poor or bad: the smaller the value the better."""
    for limit, word in ((good, "good"), (fair, "fair"), (poor, "poor")):
        if value <= limit:
            return word
    return "bad"


def _picture(found: Artefacts) -> list[Finding]:
    """Noise, blur and whatever spoils the grey."""
    out = []
    if np.isfinite(found.snr):
        word = _grade(1 / found.snr, 1 / 18, 1 / 10, 1 / 5)
        out.append(Finding("snr", word, f"contrast of metal and air is {found.snr:.1f} times the noise"))
    else:
        out.append(Finding("snr", "good", "no noise to be seen"))
    if found.psf_px is None:
        out.append(Finding("blur", "unknown", "too few straight edges to tell"))
    else:
        along = "" if found.psf_slices is None else f", {found.psf_slices:.2f} slices along depth"
        word = "fair" if found.psf_px < 0.45 else _grade(found.psf_px, 1.2, 2.0, 3.0)
        out.append(Finding("blur", word, f"{found.psf_px:.2f} px (sigma) in the slice{along}"))
    if found.noise_correlation is None:
        out.append(Finding("noise", "unknown", "too little even metal and air to tell"))
    else:
        depth = found.noise_correlation_depth
        along = "" if depth is None else f", of neighbouring slices {_share(depth)}"
        word = _grade(max(found.noise_correlation, depth or 0.0), 0.15, 0.5, 0.75)
        out.append(Finding("noise", word, f"neighbouring voxels share {_share(found.noise_correlation)} of it{along}"))
    if found.rings is None:
        out.append(Finding("rings", "good", "none to be seen"))
    else:
        word = _grade(found.ring_left_rel, 0.001, 0.004, 0.01)
        centre = f"column {found.rings.x_px:.1f}, row {found.rings.y_px:.1f}"
        says = f"{_percent(found.rings.amplitude)} of the contrast about {centre}"
        out.append(Finding("rings", word, f"{says}; {_percent(found.rings.left)} left once taken out"))
    if found.cupping_rel is None:
        out.append(Finding("cupping", "unknown", "too little even metal to tell"))
    else:
        word = _grade(abs(found.cupping_rel), 0.03, 0.1, 0.25)
        way = "brighter" if found.cupping_rel >= 0 else "darker"
        says = f"the metal's rim is {_percent(abs(found.cupping_rel))} of the contrast {way} than its middle"
        out.append(Finding("cupping", word, says))
    if found.streaks_rel is not None:
        word = _grade(found.streaks_rel, 0.01, 0.03, 0.08)
        says = f"the air differs by {_percent(found.streaks_rel)} of the contrast from direction to direction"
        out.append(Finding("streaks", word, says))
    word = _grade(found.clipped_share, 0.0, 0.01, 0.1)
    says = "none" if not found.clipped_share else (
        f"{_percent(found.clipped_metal)} of the metal and {_percent(found.clipped_air)} of the air are cut off"
    )
    out.append(Finding("clipping", word, says))
    return out


def _order(stack: SliceStack, found: Artefacts, tilt: float | None) -> list[Finding]:
    """Whatever concerns slices among themselves."""
    if len(stack) == 1:
        return [Finding("depth", "unknown", "a single slice has none: no drift, no tilt")]
    if found.drift is None:
        out = [Finding("drift", "good", "no drift through depth")]
    else:
        word = _grade(found.drift.size, 0.01, 0.05, 0.15)
        left = "; the metal steps where the air does not: another metal, perhaps" if found.drift.stepped else ""
        says = f"the grey changes by {_percent(found.drift.size)} of the contrast through depth{left}"
        out = [Finding("drift", word, says)]
    share = len(stack.missing) / len(stack)
    beside = len(found.shifts) / len(stack)
    names = ", ".join(f"{s.slice} ({np.hypot(s.rows, s.columns):.2f} px)" for s in found.shifts[:5])
    more = f" and {len(found.shifts) - 5} more" if len(found.shifts) > 5 else ""
    says = f"{len(stack.missing) or 'none'} missing, {len(found.shifts) or 'none'} shifted" + (
        f": slice {names}{more} (counted from 0)" if found.shifts else ""
    )
    out.append(Finding("series", _grade(share + beside, 0.0, 0.05, 0.2), says))
    if tilt is None:
        out.append(Finding("tilt", "unknown", "too few slices or surfaces to tell"))
    else:
        cubes = "" if stack.voxel_mm is not None else ", if voxels are cubes"
        out.append(Finding("tilt", _grade(tilt, 2.0, 6.0, 12.0), f"about {tilt:.1f} degrees{cubes}"))
    return out


def _limits(stack: SliceStack, found: Artefacts, least: float | None, seam: float | None) -> list[Finding]:
    """Return what this stack can settle at best."""
    in_plane = stack.in_plane_mm if stack.voxel_mm is None else stack.voxel_mm[1:]
    pitch = None if in_plane is None else min(in_plane)

    def sized(px: float) -> str:
        return f"{px:.2g} px" if pitch is None else f"{px * pitch:.2g} mm ({px:.2g} px)"

    out = []
    if least is None:
        out.append(Finding("bore", "unknown", "the blur is unknown, so is the smallest diameter to be settled"))
    else:
        word = _grade(least, 8.0, 12.0, 20.0)
        out.append(Finding("bore", word, f"diameters from {sized(least)} up can be measured without blur bias"))
    if seam is None:
        out.append(Finding("seam", "unknown", "noise or blur is unknown, so is the thinnest seam to be seen"))
    else:
        over = "one slice" if found.metal_slices == 1 else f"all {found.metal_slices} slices with metal"
        word = _grade(seam, 0.02, 0.1, 0.3)
        out.append(Finding("seam", word, f"seams from {sized(seam)} of air up should show if they run through {over}"))
    return out


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %"


def _share(correlation: float) -> str:
    return f"{max(round(100 * correlation), 0)} %"
