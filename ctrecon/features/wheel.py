"""Toothed rims: gathers the grey beside them, fits them, and says what of them belongs into the record."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.errors import InputError
from ctrecon.core.fit_result import FitFailed
from ctrecon.core.frames import Floats
from ctrecon.core.measured import Measured, format_percent, format_value
from ctrecon.features.candidates import Candidate, trimmed
from ctrecon.features.collect_voxels import VoxelRequest, Voxels, collect_voxels
from ctrecon.features.size import FittedCandidate
from ctrecon.fitting.flank_form import flank_form
from ctrecon.fitting.wheel_fit import RimPoints, WheelFit, fit_wheel
from ctrecon.fitting.wheel_image import MeanTooth
from ctrecon.fitting.wheel_start import RimWave, find_teeth, gap_floor, rim_wave, tip_circle
from ctrecon.grey.square_up import SquaredStack
from ctrecon.record.part import Flank, ToothPlace, Worn
from ctrecon.teeth.counts import CountOfTeeth, count_teeth
from ctrecon.teeth.rim import Centre

__all__ = ["rim_fields", "with_rims"]

_CELLS_PER_PX = 2.0  # the grey of all slices is gathered in cells of half a px
_KNOT_PX, _FEWEST_KNOTS, _MOST_KNOTS = 1.5, 4, 8
_BESIDE_PX = 6.0  # below the roots and beyond the tips that voxels are gathered
_USUAL_BLUR = 0.9
_THERE = 0.5  # of the mean tooth; less is no tooth
_WHOLE = 0.15  # of its height that a whole tooth may lack
_WHOLE_PX = 0.3
_LOST_STEP = 1.5  # steps wider than this many median steps hold a lost tooth: half-way between one and two
_FLOOR_PX = 0.005  # what the image model itself leaves open of an angle, at the tips
_TRUST_PX = 0.002  # the same of centre and radii
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
    for (i, start), voxels in zip(starts.items(), data, strict=True):
        blur = start.tooth.blur
        fit = fit_wheel(
            _cells(voxels), start.tooth, start.centre, start.angles, noise=noise, blur=blur,
            grain=squared.survey.correlation.sum,
        )  # fmt: skip
        if fit and (why := _no_rim(fit)):
            fit = FitFailed(why)
        out[i] = replace(sized[i], rim=fit)
    return [
        replace(one, rim=FitFailed("too little of the rim is left to find its teeth one by one"))
        if one.rim is None and "toothed_rim" in one.candidate.flags else one
        for one in out
    ]  # fmt: skip


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


@dataclass(frozen=True, eq=False)
class _Teeth:
    """Teeth that are there, in order round the rim from the widest gap: numbers in the fit, and stretches."""

    order: NDArray[np.int64]
    stretch: NDArray[np.int64]
    whole_rim: bool


def _teeth(fit: WheelFit) -> _Teeth:
    """Return the teeth in their stretches; a bent tooth, whose two steps make two together, ends none."""
    there = np.flatnonzero(fit.left > _THERE)
    order = there[np.argsort(fit.angles[there] % (2 * np.pi))]
    angle = fit.angles[order] % (2 * np.pi)
    step = np.diff(np.r_[angle, angle[0] + 2 * np.pi])
    usual = float(np.median(step))
    wide = step > _LOST_STEP * usual
    pairs = np.minimum(step + np.roll(step, 1), step + np.roll(step, -1))
    wide &= pairs > (1 + _LOST_STEP) * usual
    if not wide.any():
        return _Teeth(order, np.zeros(len(order), dtype=np.int64), True)
    first = (int(np.argmax(np.where(wide, step, 0.0))) + 1) % len(order)
    order, wide = np.roll(order, -first), np.roll(wide, -first)
    return _Teeth(order, np.r_[0, np.cumsum(wide[:-1])].astype(np.int64), False)


def _counted(fit: WheelFit, teeth: _Teeth, u_deg: Floats, pitch_mm: float) -> CountOfTeeth | str:
    """Return the count, or why there is none."""
    runs = [
        [
            Measured(float(np.degrees(fit.angles[k])) % 360, float(u_deg[k]))
            for k in teeth.order[teeth.stretch == s]
        ]
        for s in range(int(teeth.stretch.max()) + 1)
    ]
    places = [fit.names.index(n) for n in "xy"]
    cov = fit.covariance[np.ix_(places, places)]
    u_x, u_y = (float(np.hypot(np.sqrt(cov[k, k]), _TRUST_PX)) for k in (0, 1))
    centre = Centre(u_x * pitch_mm, u_y * pitch_mm, float(np.clip(cov[0, 1] / (u_x * u_y), -0.99, 0.99)))
    radius = (fit.tooth.root + fit.tooth.tip) / 2 * pitch_mm
    try:
        return count_teeth(runs, radius=radius, centre=centre, whole=teeth.whole_rim)
    except InputError as refused:
        return str(refused)


def rim_fields(fit: WheelFit, pitch_mm: float) -> tuple[dict[str, Any], dict[str, str]]:
    """Return the fields of the record that a fitted rim fills, and why some are unknown.

    Parameters
    ----------
    fit : WheelFit
        The rim, px of the part grid.
    pitch_mm : float
        Size of one px.
    """
    teeth, tooth = _teeth(fit), fit.tooth
    height, middle = tooth.tip - tooth.root, (tooth.tip + tooth.root) / 2
    u_deg = np.degrees(np.hypot(fit.u_angles, _FLOOR_PX / tooth.tip))
    lacks = np.maximum(_WHOLE * height, np.maximum(_WHOLE_PX, 3 * fit.u_lost))
    whole = (fit.lost < lacks) & (fit.left > 1 - 2 * _WHOLE)
    found = _counted(fit, teeth, u_deg, pitch_mm)
    bent: tuple[int, ...] = () if isinstance(found, str) else found.bent
    unknown: dict[str, str] = {}
    fields: dict[str, Any] = {
        name: Measured(2 * value * pitch_mm, 2 * float(np.hypot(fit.u(key), _TRUST_PX)) * pitch_mm)
        for name, key, value in (
            ("tip_diameter_mm", "tip", tooth.tip), ("root_diameter_mm", "root", tooth.root),
        )
    }  # fmt: skip
    fields["budget"] = {
        f"{key}_diameter_mm": _budget(fit, key, pitch_mm) for key in ("tip", "root")
    }  # fmt: skip
    if not whole[teeth.order].any():
        fields["tip_diameter_mm"] = None
        unknown["tip_diameter_mm"] = "no tooth has its whole tip"
    fields["teeth_present"] = int(whole[teeth.order].sum())
    fields["tooth_places"] = tuple(
        ToothPlace(
            angle_deg=Measured(float(np.degrees(fit.angles[k])) % 360, float(u_deg[k])), whole=bool(whole[k]),
            bent=i in bent, stretch=int(teeth.stretch[i]),
        )
        for i, k in enumerate(teeth.order)
    )  # fmt: skip
    if isinstance(found, str):
        fields["teeth"] = None
        unknown["teeth"] = found
    else:
        fields |= _count_fields(found, fields["tooth_places"], fit, u_deg[teeth.order])
        if found.teeth is None:
            unknown["teeth"] = "; ".join((found.reason, *found.settle))
    halves = [k for k, name in enumerate(fit.names) if name.startswith("half")]
    at = np.linspace(0, 1, len(halves))
    row = np.interp(0.5, at, np.arange(len(halves)))
    low = min(int(row), len(halves) - 2)
    weights = np.zeros(len(fit.names))
    weights[halves[low]], weights[halves[low + 1]] = 2 * (low + 1 - row), 2 * (row - low)
    u_wide = float(np.sqrt(max(float(weights @ fit.covariance @ weights), 0.0)))
    wide = 2 * float(np.interp(middle, tooth.radii, tooth.half))
    fields["tooth_width_mm"] = Measured(wide * pitch_mm, float(np.hypot(u_wide, 2 * _TRUST_PX)) * pitch_mm)
    form, says = flank_form(tooth, fit.covariance[np.ix_(halves, halves)], fit.pitch * tooth.tip)
    profile = tuple(
        (round(float(r) * pitch_mm, 6), round(float(w) * pitch_mm, 6))
        for r, w in zip(tooth.radii, tooth.half, strict=True)
    )
    fields["flank"] = Flank(form=form, says=says, profile_mm=profile)
    fields |= _arc(teeth, fit)
    fields["fit_rms_noise"] = round(fit.rms, 3)
    worn = ~whole[teeth.order]
    if worn.any():
        deepest = int(np.argmax(np.where(worn, fit.lost[teeth.order], -np.inf)))
        k = teeth.order[deepest]
        fields["worn"] = Worn(
            share=round(float(worn.mean()), 3),
            deepest_mm=Measured(
                max(float(fit.lost[k]), 0.0) * pitch_mm, float(np.hypot(fit.u_lost[k], _TRUST_PX)) * pitch_mm
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
    parts = {"noise": noise, "artefacts": rest, "model": _TRUST_PX**2}
    return {name: 2 * pitch_mm * float(np.sqrt(variance)) for name, variance in parts.items() if variance > 0}


def _count_fields(
    found: CountOfTeeth, places: tuple[ToothPlace, ...], fit: WheelFit, u_deg: Floats
) -> dict[str, Any]:
    """Return count, range, odds, pitch and turn."""
    numbers = np.array(found.numbers, dtype=float)
    angle = np.degrees(np.unwrap(np.radians([one.angle_deg.value for one in places])))
    step = np.diff(angle) % 360
    angle = angle[0] + np.r_[0.0, np.cumsum(step)]
    pitch = found.pitch_deg
    period = pitch.value if found.teeth is None else 360 / found.teeth
    centre, mean = float(numbers.mean()), float(angle.mean())
    steps = int((mean - period * (centre - round(centre))) // period)
    turn = mean - period * (centre - round(centre)) - period * steps
    spread = float(np.sqrt((np.mean(u_deg**2) + found.random_deg**2 + found.drift_deg**2) / len(numbers)))
    # an error of the centre turns what is left of the rim; all round it leaves the mean where it is
    radians, radius = np.radians(angle), (fit.tooth.root + fit.tooth.tip) / 2
    by = np.array([np.sin(radians).mean(), -np.cos(radians).mean()]) / radius
    at = [fit.names.index(n) for n in "xy"]
    shifted = float(np.degrees(np.sqrt(max(float(by @ fit.covariance[np.ix_(at, at)] @ by), 0.0))))
    if found.teeth is None:
        shifted = float(np.hypot(shifted, steps * (pitch.u or 0.0)))
    return {
        "teeth": found.teeth,
        "teeth_range": found.teeth_range,
        "teeth_odds": tuple((one.teeth, round(one.probability, 6)) for one in found.table[:12]),
        "pitch_deg": pitch,
        "turn_deg": Measured(turn, float(np.hypot(spread, shifted))),
    }


def _arc(teeth: _Teeth, fit: WheelFit) -> dict[str, Any]:
    """Return how much of the rim is left and from where."""
    if teeth.whole_rim:
        return {"arc_deg": 360.0}
    angle = np.degrees(fit.angles[teeth.order]) % 360
    step = np.diff(angle) % 360
    pitch = float(np.median(step))
    lost = np.diff(teeth.stretch) > 0
    left = len(angle) * pitch + float(np.sum(step[~lost] - pitch))
    return {"arc_deg": round(min(left, 359.9), 1), "arc_from_deg": round(float(angle[0] - pitch / 2) % 360, 1) % 360}
