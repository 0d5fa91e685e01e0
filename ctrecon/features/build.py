"""Turns fitted candidates into feature records in the stack frame."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely

from ctrecon.core.fit_result import FitFailed, ShapeFit
from ctrecon.core.listed import listed
from ctrecon.core.measured import Measured
from ctrecon.features.budget import budget_of, sizes_of_fit
from ctrecon.features.candidates import Candidate, RivalShape
from ctrecon.features.corner import corner_radius
from ctrecon.features.crown import crown_fields
from ctrecon.features.ends import End
from ctrecon.features.free_area import GreyArea, free_area
from ctrecon.features.roundness import roundness
from ctrecon.features.size import FittedCandidate, Wear
from ctrecon.features.wheel import rim_fields
from ctrecon.fitting.wheel_fit import WheelFit
from ctrecon.grey.square_up import SquaredStack
from ctrecon.record.kinds import KINDS, is_hole, is_outside
from ctrecon.record.part import Alternative, Feature, Worn, WornStretch

__all__ = ["MeasuredFeature", "SeamStrength", "build_features", "order_features"]

_LEAVES_WITHIN = 8.0  # planes; an end unknown for another reason lies farther from the border
_TRUST_PX = 0.002  # of a place: below this the image model itself is not trusted
_THROUGH, _OFF_AXIS, _WIDE, _FEWEST_WINDOWS = 0.6, 0.2, 0.2, 2  # of depth and root radius: a window of a wheel
_DEEP_GAP = 0.08  # of the radius: shallower bites are damage, deeper ones a missing sector
_NAMES = {"square": "square", "rectangular": "rectangular", "round": "round", "polygon": "polygon", "free": "free"}


@dataclass(frozen=True)
class SeamStrength:
    """How surely a seam was seen.

    `z` is its strength in robust standard deviations of all other outlines of the same planes; `p_false` the
    chance that solid metal scanned like this shows anything as strong. `filled_share` is the share of the
    perimeter where the gap shows, `sides` the strength on each quarter of it, the first flat first.
    """

    z: float
    p_false: float
    filled_share: float
    sides: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class MeasuredFeature:
    """A feature with the candidate it came from, before ids are given.

    `depths` are its ends in planes of the part grid (where it runs out: the last plane seen); `seam` is
    there for seams only.
    """

    feature: Feature
    sized: FittedCandidate
    depths: tuple[float, float]
    seam: SeamStrength | None = None


def build_features(
    squared: SquaredStack, sized: list[FittedCandidate], ends: list[tuple[End, End]], noise: float
) -> list[MeasuredFeature]:
    """Build a record for every candidate that could be measured."""
    drafts = []
    for one, pair in zip(sized, ends, strict=True):
        draft = _build(squared, one, pair, noise)
        if draft is not None:
            drafts.append(draft)
    return _with_spokes(_with_openings(drafts))


def order_features(drafts: list[MeasuredFeature]) -> list[MeasuredFeature]:
    """Give ids F1, F2, ... by depth_from, y, x, kind."""

    def key(draft: MeasuredFeature) -> tuple[Any, ...]:
        f = draft.feature

        def number(m: Measured | None) -> float:
            return -1e9 if m is None else round(m.value, 4)

        return number(f.depth_from_mm), number(f.y_mm), number(f.x_mm), f.kind

    ranked = sorted(drafts, key=key)
    return [replace(d, feature=replace(d.feature, id=f"F{i + 1}")) for i, d in enumerate(ranked)]


def _build(squared: SquaredStack, one: FittedCandidate, pair: tuple[End, End], noise: float) -> MeasuredFeature | None:
    candidate = one.candidate
    if candidate.shape is not None and not isinstance(one.fit, ShapeFit):
        return None
    rim = one.rim if isinstance(one.rim, WheelFit) else None
    kind = _kind(candidate) if rim is None and one.crown is None else "wheel"
    flags: list[str] = list(candidate.flags)
    if not candidate.whole:
        flags.append("touches_border")
    low, high = pair
    depths = (
        candidate.first - 0.5 if low.plane is None else low.plane,
        candidate.last + 0.5 if high.plane is None else high.plane,
    )
    if len(squared.survey.stack) == 1:
        depths = (0.0, 0.0)
    if one.crown is not None:
        middle, inside = (depths[0] + depths[1]) / 2, None
        budget: dict[str, dict[str, float]] = {}
        place = (*(one.crown.value(n) for n in "xy"), *(one.crown.u(n) for n in "xy"))
    elif isinstance(one.fit, ShapeFit):
        middle, inside = _midway(squared, one, pair, depths), None
        place, budget = _place(squared, one, one.fit, pair, middle)
    else:
        middle, inside, budget = (depths[0] + depths[1]) / 2, free_area(squared, candidate), {}
        place = (inside.x, inside.y, inside.u_x, inside.u_y)
    if rim is not None:
        place = (rim.x, rim.y, float(np.hypot(rim.u("x"), _TRUST_PX)), float(np.hypot(rim.u("y"), _TRUST_PX)))
    x, y = place[:2]
    stack_point = squared.to_stack_mm(x, y, middle)
    fields: dict[str, Any] = {
        f"{n}_mm": Measured(float(stack_point[i]), place[2 + i] * squared.pitch_mm) for i, n in enumerate("xy")
    }
    unknown: dict[str, str] = {}
    fields.update(_depth_fields(squared, one, pair, depths, (x, y), flags, unknown))
    length = fields.get("length_mm")
    if length is not None and length.value <= 0:
        return None
    if isinstance(one.fit, ShapeFit):
        fields.update(_sizes(squared, one, middle, flags, noise, budget))
        fields["budget"] = {name: rows for name, rows in budget.items() if rows}
        fields["fit_rms_noise"] = round(one.fit.rms, 3)
        flags += _fit_flags(squared, one, one.fit)
    if rim is not None:
        flags.remove("toothed_rim")
        of_rim, why = rim_fields(rim, squared.pitch_mm)
        fields.update(of_rim)
        unknown.update(why)
    elif one.crown is not None:
        of_crown, why = crown_fields(one.crown, squared.pitch_mm)
        fields.update(of_crown)
        unknown.update(why)
    elif isinstance(one.rim, FitFailed):
        unknown["teeth"] = one.rim.reason
    if KINDS[kind].is_outlined or rim is not None:  # also an outside with round ends, which has no kind of its own
        fields.update(_free(squared, candidate, inside or free_area(squared, candidate), middle))
    if candidate.last - candidate.first + 1 < 4 and len(squared.survey.stack) > 1:
        flags.append("short")
    if candidate.shape is not None and candidate.spoilt:
        flags.append("spoilt_stretch")
        fields["form_says"] = (_spoilt_words(squared, candidate, x, y),)
    if candidate.others:
        fields["alternatives"] = tuple(_alternative(one, candidate.hole, squared.pitch_mm) for one in candidate.others)
    if one.wear is not None:
        fields["worn"] = _worn(squared, one.wear, (x, y), middle)
    fields["slices_used"] = _slices_used(squared, candidate, x, y)
    feature = Feature(
        id="", kind=kind, flags=tuple(dict.fromkeys(flags)), unknown=dict(sorted(unknown.items())), **fields
    )
    return MeasuredFeature(feature, one, depths)


def _place(
    squared: SquaredStack, one: FittedCandidate, fit: ShapeFit, pair: tuple[End, End], middle: float
) -> tuple[tuple[float, float, float, float], dict[str, dict[str, float]]]:
    """Return x, y and their u (px) where the axis crosses the plane midway, with the budget of both."""
    low, high = pair
    pitch, ratio = squared.pitch_mm, squared.depth_step_mm / squared.pitch_mm
    x, y = one.centre_at(middle, ratio)
    off = abs(middle - one.middle) * ratio
    # the middle is as sure as the ends it is between, and a lean axis passes it at another place
    lean = np.diff([squared.to_stack_mm(*one.centre_at(p, ratio), p)[:2] for p in (middle, middle + 1)], axis=0)[0]
    unsure = np.abs(lean) / pitch * float(np.hypot(low.u or 0, high.u or 0)) / 2
    carried = [float(np.hypot(off * fit.u(f"slope_{n}"), v)) for n, v in zip("xy", unsure, strict=True)]
    ux, uy = (float(np.hypot(fit.u(n), v)) for n, v in zip("xy", carried, strict=True))
    budget = {f"{n}_mm": budget_of(fit, {n: 1.0}, unit=pitch, carried=v) for n, v in zip("xy", carried, strict=True)}
    return (x, y, ux, uy), budget


def _depth_fields(
    squared: SquaredStack, one: FittedCandidate, pair: tuple[End, End], depths: tuple[float, float],
    centre: tuple[float, float], flags: list[str], unknown: dict[str, str],
) -> dict[str, Measured | None]:  # fmt: skip
    """Return both ends and the length, as far as they are known; say in `unknown` why not."""
    step, ratio = squared.depth_step_mm, squared.depth_step_mm / squared.pitch_mm
    out: dict[str, Measured | None] = {}
    for name, end, plane in zip(("depth_from_mm", "depth_to_mm"), pair, depths, strict=True):
        if end.plane is None or end.u is None:
            out[name] = None
            unknown[name] = end.reason
            if "single" not in end.reason:
                flags.append("runs_out_of_stack")
            continue
        x, y = one.centre_at(plane, ratio) if isinstance(one.fit, ShapeFit) else centre
        out[name] = Measured(float(squared.to_stack_mm(x, y, plane)[2]), end.u * step)
        if end.by_slice:
            flags.append("end_by_slice")
    if None not in out.values():
        u = float(np.hypot(pair[0].u or 0, pair[1].u or 0)) * step
        out["length_mm"] = Measured((depths[1] - depths[0]) * step, u)
    elif len(squared.survey.stack) > 1:
        out["length_mm"] = None
        unknown["length_mm"] = "one of its ends is unknown"
    return out


def _fit_flags(squared: SquaredStack, one: FittedCandidate, fit: ShapeFit) -> list[str]:
    """Return what the fit itself gives cause to doubt."""
    flags = []
    if not one.axis_free:
        flags.append("axis_assumed" if len(squared.survey.stack) > 1 else "single_slice")
    if one.crowded:
        flags.append("crowded")
    if fit.rms > 2.0:
        flags.append("bent_outline")
    return flags


def _slices_used(squared: SquaredStack, candidate: Candidate, x: float, y: float) -> tuple[int, int]:
    """Return the first and last slice that its axis crosses where it was measured."""
    step, last = squared.depth_step_mm, len(squared.survey.stack) - 1
    a, b = sorted(round(squared.to_stack_mm(x, y, p)[2] / step) for p in (candidate.first, candidate.last))
    return min(max(a, 0), last), min(max(b, 0), last)


def _spoilt_words(squared: SquaredStack, candidate: Candidate, x: float, y: float) -> str:
    """Say in which slices noise or damage spoils a feature, where its axis crosses them."""
    step, count = squared.depth_step_mm, len(squared.survey.stack)
    slices = [
        sorted(min(max(round(float(squared.to_stack_mm(x, y, p)[2]) / step), 0), count - 1) for p in run)
        for run in candidate.spoilt
    ]
    named = [f"{a}" if a == b else f"{a} to {b}" for a, b in sorted(slices)]
    return f"Noise or damage spoils it in slices {listed(named)}; it was measured on the rest of its depth."


def _midway(squared: SquaredStack, one: FittedCandidate, pair: tuple[End, End], depths: tuple[float, float]) -> float:
    """Return the plane midway between both ends; where a feature runs out, the axis' way through the border counts.

    A lean feature leaves the stack plane by plane, so the last plane that shows it whole lies short of the border.
    """
    shown = list(depths)
    step, count = squared.depth_step_mm, len(squared.survey.stack)
    ratio = step / squared.pitch_mm
    for i, (end, border) in enumerate(zip(pair, (0.0, (count - 1) * step), strict=True)):
        if end.plane is not None or count == 1:
            continue
        depth = [float(squared.to_stack_mm(*one.centre_at(p, ratio), p)[2]) for p in (shown[i], shown[i] + 1)]
        out = shown[i] + (border - depth[0]) / (depth[1] - depth[0])
        if abs(out - shown[i]) < _LEAVES_WITHIN:
            shown[i] = out
    return (shown[0] + shown[1]) / 2


def _alternative(other: RivalShape, hole: bool, pitch: float) -> Alternative:
    """Put another possible shape in mm and in words."""
    if other.kind == "worn":
        says = f"It could also be {other.words}; ln odds of a relief over it: {other.ln_odds:.1f}"
        return Alternative(kind="worn", ln_odds=round(other.ln_odds, 2), says=says)
    side = "hole" if hole else "outside"
    kind = "slot" if other.kind == "slot" and hole else f"{_NAMES.get(other.kind, 'free')}_{side}"
    sizes = {name: round(value * pitch, 5) for name, value in sorted(other.sizes_px.items())}
    words = other.words or (f"of {other.sides} sides" if other.sides else other.kind)
    shown = ", ".join(f"{name.removesuffix('_mm').replace('_', ' ')} {value:.3f} mm" for name, value in sizes.items())
    if other.sides:
        sizes["sides"] = float(other.sides)
    says = f"It could also be {words} ({shown}); ln odds of the shape named here over it: {other.ln_odds:.1f}"
    return Alternative(kind=kind, ln_odds=round(other.ln_odds, 2), sizes=sizes, says=says)


def _kind(candidate: Candidate) -> str:
    if candidate.is_relief:
        return "arc_outside"
    if candidate.is_slot:
        return "slot" if candidate.hole else "free_outside"
    return f"{_NAMES.get(candidate.kind, candidate.kind)}_{'hole' if candidate.hole else 'outside'}"


def _sizes(
    squared: SquaredStack,
    one: FittedCandidate,
    middle: float,
    flags: list[str],
    noise: float,
    budget: dict[str, dict[str, float]],
) -> dict[str, Any]:
    fit, candidate = one.fit, one.candidate
    assert isinstance(fit, ShapeFit)
    pitch, ratio = squared.pitch_mm, squared.depth_step_mm / squared.pitch_mm
    dz = (middle - one.middle) * ratio
    out: dict[str, Any] = {"rim_share": round(min(candidate.share, 1.0), 3)}
    blur = fit.value("blur")
    grown = fit.value("growth") * dz if "growth" in fit.names else 0.0
    u_grown = fit.u("growth") * abs(dz) if "growth" in fit.names else 0.0
    taper = _taper(one)
    if candidate.circle is not None:
        radius = fit.value("radius") + grown
        out["diameter_mm"] = Measured(2 * radius * pitch, 2 * float(np.hypot(fit.u("radius"), u_grown)) * pitch)
        budget["diameter_mm"] = budget_of(fit, {"radius": 2.0}, unit=pitch, carried=2 * u_grown)
        arc, start = _arc(candidate)
        out["arc_deg"], out["arc_from_deg"] = arc, start
        if radius < 4 * blur:
            flags.append("very_small")
        if candidate.is_round and arc >= 180:
            found = roundness(candidate, noise)
            if found is not None:
                out["roundness_mm"] = Measured(found[0] * pitch, found[1] * pitch)
        if candidate.is_round and not candidate.relieved and (arc < 360 or candidate.share < 0.97):
            flags.append("rim_damaged")
    elif candidate.rectangle is not None:
        out.update(_flats(squared, one, grown, u_grown, flags, budget))
    elif candidate.sides is not None:
        budget["flats_mm"] = budget_of(fit, {"inradius": 2.0}, unit=pitch)
        turn = np.degrees(fit.value("turn")) % (360 / candidate.sides)
        out.update(
            flats_mm=Measured(2 * fit.value("inradius") * pitch, 2 * fit.u("inradius") * pitch), sides=candidate.sides,
            turn_deg=Measured(float(turn), float(np.degrees(fit.u("turn")))),
        )  # fmt: skip
    else:
        out.update(sizes_of_fit(KINDS[_kind(candidate)].of_fit, fit, pitch, budget))
    if taper is not None:
        out["taper_mm_per_mm"] = taper
        if abs(taper.value) > max(4 * (taper.u or 0), 0.002):
            flags.append("tapered")
    return out


def _taper(one: FittedCandidate) -> Measured | None:
    """Change of diameter (or flats) per mm along the axis, where it was fitted."""
    fit = one.fit
    assert isinstance(fit, ShapeFit)
    if "growth" not in fit.names or fit.u("growth") == 0 or one.candidate.is_relief:
        return None
    factor = 1.0 if one.candidate.shape is None else 2.0 * one.candidate.shape.wall_share
    return Measured(factor * fit.value("growth"), factor * fit.u("growth"))


def _arc(candidate: Candidate) -> tuple[float, float | None]:
    """Degrees of the circle that are there, and where the present arc starts."""
    assert candidate.shape is not None
    least = max(2.0, _DEEP_GAP * candidate.shape.half_width)
    deep = [g for g in candidate.gaps_deg if g[2] > least and g[1] - g[0] >= 3]
    if not deep:
        return 360.0, None
    missing = sum(g[1] - g[0] for g in deep)
    widest = max(deep, key=lambda g: g[1] - g[0])
    return round(max(360.0 - missing, 0.0), 1), round(widest[1] % 360, 1) % 360


def _flats(
    squared: SquaredStack, one: FittedCandidate, grown: float, u_grown: float, flags: list[str],
    budget: dict[str, dict[str, float]],
) -> dict[str, Any]:  # fmt: skip
    fit, candidate = one.fit, one.candidate
    assert isinstance(fit, ShapeFit)
    pitch = squared.pitch_mm
    a, b = fit.value("a") + grown, fit.value("b") + grown
    ua, ub = (float(np.hypot(fit.u(n), u_grown)) or 0.2 for n in ("a", "b"))
    turn = float(np.degrees(fit.value("turn")))
    u_turn = float(np.degrees(fit.u("turn")))
    if candidate.kind == "square":
        quarter = int(np.floor(turn / 90))
        turn -= 90 * quarter
        if quarter % 2:
            a, b, ua, ub = b, a, ub, ua
        out: dict[str, Any] = {"flats_mm": Measured((a + b) / 2 * pitch, float(np.hypot(ua, ub)) / 2 * pitch)}
        budget["flats_mm"] = budget_of(fit, {"a": 0.5, "b": 0.5}, unit=pitch, carried=u_grown / 2**0.5)
    else:
        longer_a = a >= b
        if not longer_a:
            a, b, ua, ub, turn = b, a, ub, ua, turn + 90
        turn %= 180
        out = {}
        budget["flats_pair_mm"] = budget_of(fit, {"a" if longer_a else "b": 1.0}, unit=pitch, carried=u_grown)
    out["flats_pair_mm"] = (Measured(a * pitch, ua * pitch), Measured(b * pitch, ub * pitch))
    out["turn_deg"] = Measured(turn, u_turn)
    if not candidate.is_slot:
        found = corner_radius(one)
        if found is not None:
            out["corner_radius_mm"] = Measured(found[0] * pitch, found[1] * pitch)
        if candidate.share < 0.96:
            flags.append("corner_missing" if _lost_corner(candidate) else "rim_damaged")
    return out


def _lost_corner(candidate: Candidate) -> bool:
    """Return whether a corner of the rectangle is in the air by more than 3 px."""
    shape = candidate.rectangle
    assert shape is not None
    sharp = replace(shape, corner_radius=0.0)
    corners = sharp.outline(8)[:-1]
    corners = np.unique(np.round(corners, 6), axis=0)
    reach = np.array([np.hypot(*(candidate.spans[0].points - c).T).min() for c in corners])
    return bool(reach.max() > max(3.0, 0.6 * shape.corner_radius + 2.0))


def _free(squared: SquaredStack, candidate: Candidate, inside: GreyArea, middle: float) -> dict[str, Any]:
    """Area, and the outline where the slice plane at mid-depth cuts it (stack x, y)."""
    span = candidate.spans[len(candidate.spans) // 2]
    ring = shapely.Polygon(span.points).simplify(0.1)
    points = shapely.get_coordinates(ring)
    pitch = squared.pitch_mm
    x, y = float(np.mean(points[:-1, 0])), float(np.mean(points[:-1, 1]))
    z_mid = float(squared.to_stack_mm(x, y, middle)[2])
    outline = squared.cut_by_slice(points, z_mid)
    return {
        "area_mm2": Measured(inside.area * pitch**2, inside.u_area * pitch**2),
        "outline_mm": tuple((round(float(px), 5), round(float(py), 5)) for px, py in outline),
    }


def _worn(squared: SquaredStack, wear: Wear, centre: tuple[float, float], middle: float) -> Worn:
    """Return the wear in mm; its stretches as the slice plane at mid depth cuts them (stack x, y)."""
    x, y = centre
    z_mid = float(squared.to_stack_mm(x, y, middle)[2])
    stretches = []
    for one in wear.stretches:
        edge = squared.cut_by_slice(one.points, z_mid)
        z = [None, None] if one.planes is None else [float(squared.to_stack_mm(x, y, p)[2]) for p in one.planes]
        stretches.append(
            WornStretch(
                edge_mm=tuple((round(float(px), 4), round(float(py), 4)) for px, py in edge),
                deepest_mm=round(one.deepest_px * squared.pitch_mm, 4), depth_from_mm=z[0], depth_to_mm=z[1],
            )
        )  # fmt: skip
    deepest = Measured(wear.deepest_px * squared.pitch_mm, wear.u_px * squared.pitch_mm)
    return Worn(share=wear.share, deepest_mm=deepest, says=wear.says, stretches=tuple(stretches))


def _with_spokes(drafts: list[MeasuredFeature]) -> list[MeasuredFeature]:
    """Flag wheels that have windows between rim and hub: free holes off its axis that go through it."""
    out = []
    for draft in drafts:
        rim = draft.sized.rim
        if isinstance(rim, WheelFit):
            windows = 0
            for other in drafts:
                low, high = max(draft.depths[0], other.depths[0]), min(draft.depths[1], other.depths[1])
                if not is_hole(other.feature) or high - low < _THROUGH * (draft.depths[1] - draft.depths[0]):
                    continue
                points = other.sized.candidate.spans[0].points
                off = np.hypot(points[:, 0].mean() - rim.x, points[:, 1].mean() - rim.y)
                wide = float(np.ptp(points, axis=0).max())
                # a pin hole is small; a window takes a good part of the ring between hub and rim
                windows += bool(off > _OFF_AXIS * rim.tooth.root and wide > _WIDE * rim.tooth.root)
            if windows >= _FEWEST_WINDOWS or (windows and draft.feature.arc_deg not in (None, 360.0)):
                draft = replace(draft, feature=replace(draft.feature, flags=(*draft.feature.flags, "spoked")))
        out.append(draft)
    return out


def _with_openings(drafts: list[MeasuredFeature]) -> list[MeasuredFeature]:
    """Say of every hole which of the part's own ends it reaches."""
    outside = [d for d in drafts if is_outside(d.feature)]
    start = min((d.depths[0] for d in outside), default=-np.inf)
    end = max((d.depths[1] for d in outside), default=np.inf)
    out = []
    for draft in drafts:
        f = draft.feature
        if is_hole(f):
            if f.depth_from_mm is None or f.depth_to_mm is None:
                why = f.unknown.get("depth_from_mm") or f.unknown.get("depth_to_mm") or ""
                f = replace(f, unknown=dict(sorted({**f.unknown, "opens_at": why}.items())))
            else:
                at_start, at_end = draft.depths[0] < start + 1.5, draft.depths[1] > end - 1.5
                f = replace(f, opens_at=(*(("start",) if at_start else ()), *(("end",) if at_end else ())))
        out.append(replace(draft, feature=f))
    return out
