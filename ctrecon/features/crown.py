"""Crown wheels: outlines that stand in a ring on one end face are the teeth of one wheel, not parts of their own."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.fit_result import FitFailed
from ctrecon.core.frames import Floats
from ctrecon.core.measured import Measured
from ctrecon.features.candidates import Candidate, trimmed
from ctrecon.features.ends import End, EndPlan
from ctrecon.features.rim_teeth import RimTeeth, division_fields
from ctrecon.features.size import FittedCandidate
from ctrecon.fitting.crown_fit import CrownFit, CrownStart, fit_crown
from ctrecon.grey.square_up import SquaredStack

__all__ = ["CrownFit", "crown_ends", "crown_fields", "join_crowns"]

_LEAST_TEETH = 6
_ALIKE = 2.0  # times the area; teeth of one wheel are more alike
_OFF_CIRCLE = 0.06  # of its radius, that the middle of a tooth may lie off the circle
_STEP_OFF = 0.25  # of a pitch, that teeth may be off whole steps: a quarter is what chance gives
_LEAST_WIDTH = 0.3  # of the pitch; pillars and rivets stand farther apart (common practice, no source)
_SAME_RING = 0.1  # of its radius, that places and sizes may differ by together
_INSIDE = 0.6  # of an outline's depth that lies between roots and tips
_ON_WALL_PX = 1.5  # of centre and radius; from teeth to wall a lean part moves aside by less
_AT_ROOTS = 1.5  # planes from the roots at which an outline ends that teeth break up
_LOOK = 8  # planes beyond roots and tips that are looked at
_THERE, _WHOLE = 0.5, 0.85  # of the middle tooth's grey


def join_crowns(
    squared: SquaredStack, candidates: Sequence[Candidate]
) -> tuple[tuple[Candidate, ...], dict[int, CrownFit]]:
    """Return the candidates, the teeth of each crown as one; and the fits of crowns by the place of these.

    Teeth that do not stand in a ring on one side of metal, or can't be fitted, stay what they were.
    """
    left, crowns = list(candidates), []
    starts = [one for one in (_start(group) for group in _groups(left)) if one is not None]
    for start in _stacked(starts):
        fit = _fitted(squared, start)
        if fit:
            group = [c for c in left if _belongs(c, fit)]
            left = [c for c in left if not any(c is tooth for tooth in group)]
            crowns.append((_joined(group, fit), fit))
    return (*left, *(c for c, _ in crowns)), {len(left) + i: fit for i, (_, fit) in enumerate(crowns)}


def _middle(c: Candidate) -> Floats:
    """Return the middle of an outline, (column, row)."""
    return np.asarray(c.spans[0].points.mean(axis=0))


def _groups(candidates: Sequence[Candidate]) -> list[list[Candidate]]:
    """Return sets of outsides that are alike in area and each beside one of them; an outline may be cut in depth."""
    rest = [c for c in candidates if not c.hole and not c.is_relief and "toothed_rim" not in c.flags]
    out = []
    while len(rest) >= _LEAST_TEETH:
        groups = [[c for c in rest if _alike(c, seed)] for seed in rest]
        best = max(groups, key=len)
        if len(best) < _LEAST_TEETH:
            break
        out.append(best)
        rest = [c for c in rest if not any(c is one for one in best)]
    return out


def _alike(a: Candidate, b: Candidate) -> bool:
    both = min(a.last, b.last) - max(a.first, b.first) + 1
    shorter = min(a.last - a.first, b.last - b.first) + 1
    return both >= _INSIDE * shorter and 1 / _ALIKE <= a.area_px2 / max(b.area_px2, 1e-9) <= _ALIKE


def _start(group: list[Candidate]) -> CrownStart | None:
    """Return the ring on which the middles of teeth lie, in whole steps; None where they do not."""
    at = np.array([_middle(c) for c in group])
    keep: NDArray[np.bool_] = np.ones(len(at), dtype=bool)
    x = y = radius = 0.0
    for _ in range(3):
        design = np.column_stack([2 * at[keep], np.ones(keep.sum())])
        (x, y, c), *_ = np.linalg.lstsq(design, (at[keep] ** 2).sum(axis=1), rcond=None)
        radius = float(np.sqrt(max(c + x * x + y * y, 0.0)))
        keep = np.abs(np.hypot(*(at - [x, y]).T) - radius) < _OFF_CIRCLE * radius + 0.5
        if keep.sum() < _LEAST_TEETH:
            return None
    group = [c for c, ok in zip(group, keep, strict=True) if ok]
    far = [np.hypot(*(c.spans[0].points - [x, y]).T) for c in group]
    inner, outer = (float(np.median([f(r) for r in far])) for f in (np.min, np.max))
    wide = float(np.median([c.area_px2 for c in group])) / max(outer - inner, 1.0)
    angle = np.sort(np.arctan2(at[keep, 1] - y, at[keep, 0] - x))
    step = np.diff(np.r_[angle, angle[0] + 2 * np.pi])
    step = step[step > 0.5 * wide / radius]  # less is another stretch of the same tooth
    if len(step) < _LEAST_TEETH - 1:
        return None
    pitch = float(np.median(step))
    pitch = float(np.mean(step[np.abs(step / pitch - 1) < 0.5]))
    number = step / pitch
    near = np.abs(number - np.round(number)) < _STEP_OFF
    # corners of teeth lie off the arcs of the ring by less than a px or so; the fit finds its way
    if near.mean() < 0.8 or wide < _LEAST_WIDTH * pitch * radius or inner < 1.0 or outer - inner < 2.0:
        return None
    first, last = (
        round(float(np.quantile([getattr(c, n) for c in group], q))) for n, q in (("first", 0.25), ("last", 0.75))
    )  # fmt: skip
    return CrownStart(float(x), float(y), inner, outer, 2 * np.pi / pitch, first, last)


def _stacked(starts: list[CrownStart]) -> list[CrownStart]:
    """Join rings that lie on each other: teeth whose outline changes along their height."""
    out: list[CrownStart] = []
    for one in sorted(starts, key=lambda s: s.first):
        for i, other in enumerate(out):
            apart = np.hypot(one.x - other.x, one.y - other.y) + abs(one.outer - other.outer)
            if apart < _SAME_RING * one.outer and one.first - other.last <= _LOOK:
                out[i] = replace(other, last=max(one.last, other.last))
                break
        else:
            out.append(one)
    return out


def _belongs(c: Candidate, fit: CrownFit) -> bool:
    """Return whether an outside stands on the ring, between roots and tips."""
    low, high = sorted((fit.root[0], fit.tip[0]))
    far = np.hypot(*(_middle(c) - [fit.value("x"), fit.value("y")]))
    on = fit.value("inner") < far < fit.value("outer") and not c.hole and not c.is_relief
    return bool(on and min(c.last, high) - max(c.first, low) > _INSIDE * (c.last - c.first))


def _fitted(squared: SquaredStack, start: CrownStart) -> CrownFit | FitFailed:
    """Fit the teeth on the squared planes."""
    reach = start.outer + 8
    _, rows, columns = squared.shape
    top, left = max(int(start.y - reach), 0), max(int(start.x - reach), 0)
    window = np.s_[top : min(int(start.y + reach) + 1, rows), left : min(int(start.x + reach) + 1, columns)]
    kept: dict[int, Floats] = {}

    def plane(k: int) -> Floats:
        if k not in kept:
            grey = squared.window(k, window)
            kept[k] = np.where(np.isfinite(grey), grey, 0.0).astype(float)
        return kept[k]

    own = replace(start, x=start.x - left, y=start.y - top)
    artefacts = squared.survey.artefacts
    blur = 0.9 if artefacts is None or artefacts.psf_px is None else artefacts.psf_px
    fit = fit_crown(
        plane, (max(start.first - _LOOK, 0), min(start.last + _LOOK, len(squared) - 1)), own,
        within=trimmed(start.first, start.last),
        noise=squared.survey.noise_rel, grain=squared.survey.correlation.sum, blur=blur,
    )  # fmt: skip
    return replace(fit, values=fit.values + [left, top, 0, 0, 0]) if isinstance(fit, CrownFit) else fit


def _joined(group: list[Candidate], fit: CrownFit) -> Candidate:
    """Return all teeth as one candidate, within the circle they reach."""
    longest = max(group, key=lambda c: c.last - c.first)
    angle = np.linspace(0, 2 * np.pi, 181)[:-1]
    circle = np.column_stack([np.cos(angle), np.sin(angle)]) * fit.value("outer") + [fit.value("x"), fit.value("y")]
    first, last = min(c.first for c in group), max(c.last for c in group)
    span = replace(longest.spans[0], first=first, last=last, points=circle)
    return replace(
        longest, kind="free", shape=None, growth_px=0.0, spans=(span,), whole=all(c.whole for c in group),
        flags=("crown_teeth",), gaps_deg=(), share=1.0, area_px2=sum(c.area_px2 for c in group), rivals=(), others=(),
    )  # fmt: skip


def crown_ends(
    sized: Sequence[FittedCandidate], plans: Sequence[tuple[EndPlan | End, EndPlan | End]]
) -> list[tuple[EndPlan | End, EndPlan | End]]:
    """Return the plans with the planes of roots and tips for crowns, and of roots for what ends where teeth begin.

    Between teeth the face that ends the wall below them is too small, and too near their flanks, to be found alone.
    """
    crowns = [one.crown for one in sized if one.crown is not None]
    out = []
    for one, pair in zip(sized, plans, strict=True):
        if one.crown is not None:
            low, high = sorted((one.crown.root, one.crown.tip))
            pair = End(*low), End(*high)
        for fit in crowns:
            if one.crown is None and _on_wall(one.candidate, fit):
                start, end = (End(*fit.root) if abs(e - fit.root[0]) < _AT_ROOTS else None
                              for e in (one.candidate.first - 0.5, one.candidate.last + 0.5))  # fmt: skip
                pair = start or pair[0], end or pair[1]
        out.append(pair)
    return out


def _on_wall(c: Candidate, fit: CrownFit) -> bool:
    """Return whether a round outline is a face of the wall on which the teeth of a crown stand."""
    circle, wall = c.circle, "inner" if c.hole else "outer"
    if circle is None or c.is_relief:
        return False
    off = np.hypot(circle.x - fit.value("x"), circle.y - fit.value("y"))
    return bool(max(off, abs(circle.radius - fit.value(wall))) < _ON_WALL_PX)


def crown_fields(fit: CrownFit, pitch_mm: float) -> tuple[dict[str, Any], dict[str, str]]:
    """Return the fields of the record that a crown fills, and why others are unknown.

    Parameters
    ----------
    fit : CrownFit
        The teeth, px of the part grid.
    pitch_mm : float
        Size of one px.
    """
    radius = (fit.value("outer") + fit.value("inner")) / 2
    u_deg = np.degrees(np.hypot(fit.u_angles, 0.01 / radius))
    rim = RimTeeth(
        fit.angles, u_deg, fit.left > _THERE, fit.left > _WHOLE, radius,
        fit.covariance[:2, :2],
    )  # fmt: skip
    _, fields, unknown = division_fields(rim, pitch_mm)
    for name, key in (("diameter_mm", "outer"), ("inner_diameter_mm", "inner")):
        fields[name] = Measured(2 * fit.value(key) * pitch_mm, 2 * fit.u(key) * pitch_mm)
    fields["tooth_width_mm"] = Measured(fit.width[0] * pitch_mm, fit.width[1] * pitch_mm)
    along = "its teeth run along the axis: roots and tips are planes, its two ends"
    unknown |= {"tip_diameter_mm": along, "root_diameter_mm": along}
    unknown["flank"] = "the form of teeth that run along the axis is not measured"
    return fields, unknown
