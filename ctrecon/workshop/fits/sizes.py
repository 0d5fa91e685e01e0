"""Which size of a measured feature governs a fit: what goes through a hole, and what a shaft goes through."""

from dataclasses import dataclass
from math import hypot, sqrt

from ctrecon.core.measured import Measured, format_value
from ctrecon.record.kinds import is_hole, is_outside
from ctrecon.record.part import Feature

__all__ = ["FitSize", "fit_size"]

_RESOLVED_SD = 2.33
"""Standard deviations above what noise alone gives from which form counts (99 % one-sided, as for roundness)."""


@dataclass(frozen=True)
class FitSize:
    """The size of a feature for a fit, beside its least-squares size (mm); u without scale, as in the record.

    Parameters
    ----------
    member : str
        hole or shaft.
    least_squares : Measured
        The mean size the record carries.
    governs : Measured
        The size that decides the fit: maximum inscribed of a hole, minimum circumscribed of a shaft, or the
        least-squares size where form does not stand out of the noise.
    which : str
        maximum inscribed, minimum circumscribed, least squares, narrower flats or wider flats.
    basis : str
        record (the record has it), bounded (only between the mean size and the mean size less the roundness),
        or mean (the mean size is all there is).
    reason : str
        One sentence.
    """

    member: str
    least_squares: Measured
    governs: Measured
    which: str
    basis: str
    reason: str


def fit_size(feature: Feature) -> FitSize | None:
    """Return the size of a hole or shaft that decides a fit; None where the record has no size of it, or it is neither.

    Parameters
    ----------
    feature : Feature
        A round or flat-sided hole or outside of the record.

    Notes
    -----
    Terms of ISO 14405-1 (GX, maximum inscribed; GN, minimum circumscribed). A record without those sizes bounds
    them: the circle inside the least-squares circle by the roundness goes through the hole, so the inscribed size
    lies between D - 2 RONt and D, taken as evenly likely in between (GUM 4.3.7).
    """
    if not (is_hole(feature) or is_outside(feature)):
        return None
    member = "hole" if is_hole(feature) else "shaft"
    if feature.diameter_mm is not None:
        return _round(feature, feature.diameter_mm, member)
    if feature.flats_pair_mm is not None and feature.flats_mm is not None:
        return _square(feature.flats_mm, feature.flats_pair_mm, member)
    if feature.flats_mm is not None:
        mean = feature.flats_mm
        return FitSize(member, mean, mean, "least squares", "mean", f"{member}: the mean across flats is all there is")
    return None


def _resolved(feature: Feature) -> bool:
    roundness, noise = feature.roundness_mm, feature.form.get("roundness_by_noise_mm")
    if roundness is None:
        return False
    return noise is None or roundness.value > noise.value + _RESOLVED_SD * (noise.u or 0.0)


def _round(feature: Feature, mean: Measured, member: str) -> FitSize:
    name, which = (
        ("inscribed_mm", "maximum inscribed") if member == "hole" else ("circumscribed_mm", "minimum circumscribed")
    )
    goes = "what goes through it" if member == "hole" else "what it goes through"
    roundness = feature.roundness_mm
    if roundness is None:
        says = f"{member}: its roundness was not measured, so the mean size must do for {goes}"
        return FitSize(member, mean, mean, "least squares", "mean", says)
    if not _resolved(feature):
        says = f"{member}: no out-of-round stands out of the noise, so the mean size decides {goes}"
        return FitSize(member, mean, mean, "least squares", "record", says)
    there = feature.form.get(name)
    if there is not None:
        off = abs(there.value - mean.value)
        says = (
            f"{member}: its {which} size decides {goes}, {format_value(off, 3)} mm "
            f"{'under' if member == 'hole' else 'over'} the mean size"
        )
        return FitSize(member, mean, there, which, "record", says)
    sign = -1.0 if member == "hole" else 1.0
    u = hypot(mean.u or 0.0, roundness.value / sqrt(3))
    governs = Measured(mean.value + sign * roundness.value, u, mean.scale_u)
    says = (
        f"{member}: its {which} size decides {goes}; the record gives only the roundness, so it lies between "
        f"{format_value(mean.value + 2 * sign * roundness.value, 3)} and {format_value(mean.value, 3)} mm"
    )
    return FitSize(member, mean, governs, which, "bounded", says)


def _square(mean: Measured, pair: tuple[Measured, Measured], member: str) -> FitSize:
    narrower, wider = sorted(pair, key=lambda one: one.value)
    governs, which = (narrower, "narrower flats") if member == "hole" else (wider, "wider flats")
    apart = wider.value - narrower.value
    if apart <= 2 * hypot(narrower.u or 0.0, wider.u or 0.0):
        says = f"{member}: its two widths across flats agree within U, so their mean decides the fit"
        return FitSize(member, mean, mean, "least squares", "record", says)
    says = f"{member}: its two widths across flats differ by {format_value(apart, 3)} mm; the {which} decide the fit"
    return FitSize(member, mean, governs, which, "record", says)
