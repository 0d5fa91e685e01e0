"""Toothed rims: gathers the grey beside them, fits them, and says what of them belongs into the record."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.fit_result import FitFailed
from ctrecon.core.frames import Floats
from ctrecon.core.measured import Measured, format_percent, format_value
from ctrecon.features.candidates import Candidate, trimmed
from ctrecon.features.collect_voxels import VoxelRequest, Voxels, collect_voxels
from ctrecon.features.rim_teeth import TRUST_PX, RimTeeth, division_fields
from ctrecon.features.size import FittedCandidate
from ctrecon.fitting.flank_form import flank_form
from ctrecon.fitting.wheel_fit import RimPoints, WheelFit, fit_wheel
from ctrecon.fitting.wheel_image import MeanTooth
from ctrecon.fitting.wheel_start import RimWave, find_teeth, gap_floor, rim_wave, tip_circle
from ctrecon.grey.square_up import SquaredStack
from ctrecon.record.part import Flank, Worn

__all__ = ["is_bit_of_tooth", "rim_fields", "with_rims"]

_CELLS_PER_PX = 2.0  # the grey of all slices is gathered in cells of half a px
_KNOT_PX, _FEWEST_KNOTS, _MOST_KNOTS = 1.5, 4, 8
_BESIDE_PX = 6.0  # below the roots and beyond the tips that voxels are gathered
_AMONG_PX = 2.0  # below the roots and beyond the tips: a fracture may go so far, and crust
_USUAL_BLUR = 0.9
_THERE = 0.5  # of the mean tooth; less is no tooth
_WHOLE = 0.15  # of its height that a whole tooth may lack
_WHOLE_PX = 0.3
_FLOOR_PX = 0.005  # what the image model itself leaves open of an angle, at the tips
_LEAST_HEIGHT_PX = 0.8
_FEW, _CORNER = 9.5, 0.88  # teeth, and share of the pitch at the root, from which they are corners


@dataclass(frozen=True, eq=False)
class _Start:
    """Where a rim is looked for: its wave, the angles of its teeth and the form of the tooth to begin with."""

    wave: RimWave
    angles: Floats
    tooth: MeanTooth
    centre: tuple[float, float]


def with_rims(squared: SquaredStack, sized: list[FittedCandidate], noise: float) -> list[FittedCandidate]:
    """Return the candidates, with the fit of its rim (or the reason why there is none) where one is toothed."""
    starts = {i: start for i, one in enumerate(sized) if (start := _start(squared, one.candidate)) is not None}
    data = collect_voxels(squared, [_request(sized[i].candidate, start) for i, start in starts.items()])
    out = list(sized)
    _, dy, dx = squared.survey.stack.voxel_mm or (1.0, 1.0, 1.0)
    voxel_px = dy / squared.pitch_mm, dx / squared.pitch_mm
    for (i, start), voxels in zip(starts.items(), data, strict=True):
        blur = start.tooth.blur
        fit = fit_wheel(
            _cells(voxels), start.tooth, start.centre, start.angles, noise=noise, blur=blur,
            correlation=squared.survey.correlation, voxel_px=voxel_px,
        )  # fmt: skip
        if fit and (why := _no_rim(fit)):
            fit = FitFailed(why)
        out[i] = replace(sized[i], rim=fit)
    return [
        replace(one, rim=FitFailed("too little of the rim is left to find its teeth one by one"))
        if one.rim is None and "toothed_rim" in one.candidate.flags else one
        for one in out
    ]  # fmt: skip


def is_bit_of_tooth(one: FittedCandidate, others: list[FittedCandidate]) -> bool:
    """Recognise what is left of a broken tooth: an outside all of which lies among the teeth of a wheel."""
    candidate = one.candidate
    if candidate.hole or one.rim is not None:
        return False
    points = np.concatenate([span.points for span in candidate.spans])
    for other in others:
        rim, wheel = other.rim, other.candidate
        if not isinstance(rim, WheelFit) or candidate.first < wheel.first - 1 or candidate.last > wheel.last + 1:
            continue
        far = np.hypot(points[:, 0] - rim.x, points[:, 1] - rim.y)
        if far.min() > rim.tooth.root - _AMONG_PX and far.max() < rim.tooth.tip + _AMONG_PX:
            return True
    return False


def _start(squared: SquaredStack, candidate: Candidate) -> _Start | None:
    """Return where the teeth of a toothed outside begin to be fitted."""
    if candidate.hole or "toothed_rim" not in candidate.flags:
        return None
    span = max(candidate.spans, key=lambda s: s.last - s.first)
    plane = np.where(np.isfinite(span.mean), span.mean, 0.0)
    circle = tip_circle(span.points - np.array(span.corner))
    wave = None if circle is None else rim_wave(plane, *circle)
    if circle is None or wave is None:
        return None
    angles = find_teeth(wave)
    if len(angles) < 3:
        return None
    outer, pitch = circle[2], 2 * np.pi * circle[2] / wave.number
    floor = gap_floor(plane, wave, angles)
    deep = 0.45 * pitch if floor is None else float(np.clip(outer - floor, 0.3 * pitch, 0.7 * pitch))
    deep = min(deep, 0.4 * outer)
    knots = int(np.clip(round(deep / _KNOT_PX) + 1, _FEWEST_KNOTS, _MOST_KNOTS))
    artefacts = squared.survey.artefacts
    psf = _USUAL_BLUR if artefacts is None or artefacts.psf_px is None else artefacts.psf_px
    tooth = MeanTooth(
        outer - deep, outer + 0.3, np.linspace(0.3, 0.15, knots) * pitch, float(np.sqrt(psf**2 + 1 / 12))
    )
    return _Start(wave, angles, tooth, (circle[0] + span.corner[0], circle[1] + span.corner[1]))


def _request(candidate: Candidate, start: _Start) -> VoxelRequest:
    """Return which voxels the fit of a rim needs: a ring, over the planes clear of its end faces."""
    (x, y), tooth = start.centre, start.tooth
    low, high = tooth.root - 0.4 * (tooth.tip - tooth.root) - _BESIDE_PX, tooth.tip + _BESIDE_PX
    first, last = trimmed(candidate.first, candidate.last)

    def select(column: Floats, row: Floats, _: Floats) -> NDArray[np.bool_]:
        far = np.hypot(column - x, row - y)
        return np.asarray((far > low) & (far < high))

    return VoxelRequest((x - high, y - high, x + high, y + high), (first - 0.5, last + 0.5), select)


def _cells(voxels: Voxels) -> RimPoints:
    """Gather voxels of all slices in small cells, each at the mean place of what is in it."""
    column, row, _, grey = voxels
    at = np.floor(column * _CELLS_PER_PX).astype(np.int64), np.floor(row * _CELLS_PER_PX).astype(np.int64)
    _, cell, count = np.unique(at[0] * (1 << 24) + at[1], return_inverse=True, return_counts=True)
    column, row, grey = (np.bincount(cell, one, len(count)) / count for one in (column, row, grey))
    return RimPoints(column, row, grey, count.astype(float))


def _no_rim(fit: WheelFit) -> str:
    """Return why a fit is none of a toothed rim; empty where it is one."""
    tooth = fit.tooth
    if (fit.left > _THERE).sum() < 3:
        return "fewer than three teeth are left"
    if 2 * np.pi / fit.pitch < _FEW and tooth.half[0] > _CORNER * fit.pitch / 2 * tooth.root:
        return "its few teeth have no gaps between them: they may be the corners of a plate"
    if tooth.tip - tooth.root < _LEAST_HEIGHT_PX or not np.isfinite(fit.covariance).all():
        return "its teeth are too low to be measured one by one"
    return ""


def rim_fields(fit: WheelFit, pitch_mm: float) -> tuple[dict[str, Any], dict[str, str]]:
    """Return the fields of the record that a fitted rim fills, and why some are unknown.

    Parameters
    ----------
    fit : WheelFit
        The rim, px of the part grid.
    pitch_mm : float
        Size of one px.
    """
    tooth = fit.tooth
    height, middle = tooth.tip - tooth.root, (tooth.tip + tooth.root) / 2
    u_deg = np.degrees(np.hypot(fit.u_angles, _FLOOR_PX / tooth.tip))
    lacks = np.maximum(_WHOLE * height, np.maximum(_WHOLE_PX, 3 * fit.u_lost))
    whole = (fit.lost < lacks) & (fit.left > 1 - 2 * _WHOLE)
    xy = [fit.names.index(n) for n in "xy"]
    rim = RimTeeth(fit.angles, u_deg, fit.left > _THERE, whole, middle, fit.covariance[np.ix_(xy, xy)])
    teeth, fields, unknown = division_fields(rim, pitch_mm)
    fields |= {
        name: Measured(2 * value * pitch_mm, 2 * float(np.hypot(fit.u(key), TRUST_PX)) * pitch_mm)
        for name, key, value in (
            ("tip_diameter_mm", "tip", tooth.tip), ("root_diameter_mm", "root", tooth.root),
        )
    }  # fmt: skip
    fields["budget"] = {
        f"{key}_diameter_mm": _budget(fit, key, pitch_mm) for key in ("tip", "root")
    }  # fmt: skip
    if not whole[teeth].any():
        fields["tip_diameter_mm"] = None
        unknown["tip_diameter_mm"] = "no tooth has its whole tip"
    halves = [k for k, name in enumerate(fit.names) if name.startswith("half")]
    at = np.linspace(0, 1, len(halves))
    row = np.interp(0.5, at, np.arange(len(halves)))
    low = min(int(row), len(halves) - 2)
    weights = np.zeros(len(fit.names))
    weights[halves[low]], weights[halves[low + 1]] = 2 * (low + 1 - row), 2 * (row - low)
    u_wide = float(np.sqrt(max(float(weights @ fit.covariance @ weights), 0.0)))
    wide = 2 * float(np.interp(middle, tooth.radii, tooth.half))
    fields["tooth_width_mm"] = Measured(wide * pitch_mm, float(np.hypot(u_wide, 2 * TRUST_PX)) * pitch_mm)
    form, says = flank_form(tooth, fit.covariance[np.ix_(halves, halves)], fit.pitch * tooth.tip)
    profile = tuple(
        (round(float(r) * pitch_mm, 6), round(float(w) * pitch_mm, 6))
        for r, w in zip(tooth.radii, tooth.half, strict=True)
    )
    fields["flank"] = Flank(form=form, says=says, profile_mm=profile)
    fields["fit_rms_noise"] = round(fit.rms, 3)
    worn = ~whole[teeth]
    if worn.any():
        deepest = int(np.argmax(np.where(worn, fit.lost[teeth], -np.inf)))
        k = teeth[deepest]
        fields["worn"] = Worn(
            share=round(float(worn.mean()), 3),
            deepest_mm=Measured(
                max(float(fit.lost[k]), 0.0) * pitch_mm, float(np.hypot(fit.u_lost[k], TRUST_PX)) * pitch_mm
            ),
            says=f"{int(worn.sum())} of {len(worn)} teeth ({format_percent(float(worn.mean()))}) lack their tip, most "
            f"at {format_value(float(np.degrees(fit.angles[k])) % 360, 0)}°",
        )  # fmt: skip
    return fields, unknown


def _budget(fit: WheelFit, key: str, pitch_mm: float) -> dict[str, float]:
    """Return what u of a diameter is made of (mm, k = 1)."""
    k = fit.names.index(key)
    noise = float(fit.limit[k, k])
    rest = max(float(fit.covariance[k, k]) - noise, 0.0)
    parts = {"noise": noise, "artefacts": rest, "model": TRUST_PX**2}
    return {name: 2 * pitch_mm * float(np.sqrt(variance)) for name, variance in parts.items() if variance > 0}
