"""Reasons for and against a second piece: each a sentence to check on named slices, with its weight.

A weight is the natural log of the factor by which the reason changes the odds that the
piece is separate. Weights are kept below what chance could bring about.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.core.listed import listed
from ctrecon.core.measured import format_percent
from ctrecon.features.build import MeasuredFeature
from ctrecon.grey.square_up import SquaredStack
from ctrecon.record.kinds import is_outside, kind_of
from ctrecon.record.part import Evidence, Feature
from ctrecon.seams.face_limit import FlatLimit
from ctrecon.shapes import Rectangle, Shape

__all__ = ["MOST_FROM_A_SEAM", "against", "flat_limit", "more_pieces", "reach_of", "reasons_for"]

_SEEN = 0.7  # share of true seams that are found at all, over all thicknesses
_LEAST_CHANCE = 1 / 500  # false alarms rarer than this were never tried out
MOST_FROM_A_SEAM = float(np.log(_SEEN / _LEAST_CHANCE))
"""Largest weight one seam can carry."""

MOST_FROM_ONE_SLICE = 1.5
"""Largest weight of a line in a single slice: whether it keeps its place through depth is not known."""

_MOST = 2.5  # any one reason besides a seam
_NEAR_PLANES = 1.5  # planes within which a line begins where a face is


def reasons_for(
    seam: MeasuredFeature, drafts: Sequence[MeasuredFeature], faces: Sequence[MeasuredFeature], squared: SquaredStack
) -> list[Evidence]:
    """Return what speaks for a piece that sits on a side seam.

    Parameters
    ----------
    seam : MeasuredFeature
        The side seam.
    drafts : sequence of MeasuredFeature
        All features but seams.
    faces : sequence of MeasuredFeature
        Flat seams.
    squared : SquaredStack
        The grid they are given on.
    """
    own = seam_reason(seam)
    if len(squared.survey.stack) == 1:
        says = f"{own.says} One slice alone cannot show that the line goes on through depth."
        own = replace(own, weight=min(own.weight, MOST_FROM_ONE_SLICE), says=says)
    out = [own]
    out += [seam_reason(face) for face in faces if any(abs(face.depths[0] - end) <= 2 for end in seam.depths)]
    for reason in (
        _flats_go_on(seam, drafts, squared.pitch_mm),
        _other_axis(seam, drafts, squared.pitch_mm),
        _grey_step(seam, squared),
        _formed_end(seam, drafts),
    ):
        if reason is not None:
            out.append(reason)
    return out


def seam_reason(seam: MeasuredFeature) -> Evidence:
    """Return the seam itself as a reason."""
    if "other_material" in seam.feature.flags:
        says = f"{seam.feature.id} holds another material: its grey differs from that of the metal around it."
        return Evidence(kind="material", features=(seam.feature.id,), weight=0.0, says=says)
    chance = 1.0 if seam.seam is None else max(seam.seam.p_false, _LEAST_CHANCE)
    weight = max(float(np.log(_SEEN / chance)), 0.0)
    return Evidence(kind="seam", features=(seam.feature.id,), weight=round(weight, 2), says=_describe(seam))


def against(squared: SquaredStack, thinnest_px: float | None) -> Evidence:
    """Return what it means that no seam was found: little where a thin one could not have been seen."""
    if len(squared.survey.stack) == 1:
        says = "A single slice cannot show whether an outline goes on through depth."
        return Evidence(kind="no_seam", features=(), weight=0.0, says=says)
    missed = reach_of(thinnest_px)
    pitch = squared.pitch_mm
    limit = "" if thinnest_px is None else f"; {_limit(thinnest_px * pitch)}"
    says = (
        "No closed line inside the metal keeps its place through depth clearly enough to stand out from the noise "
        f"of this stack{limit}, nor would pieces that are soldered or rusted together without a gap."
    )
    return Evidence(kind="no_seam", features=(), weight=round(float(np.log(missed)), 2), says=says)


def more_pieces(squared: SquaredStack, thinnest_px: float) -> Evidence:
    """Return how thin the gap round a further piece must be for it to have been missed."""
    says = f"There may be more pieces than these: {_limit(thinnest_px * squared.pitch_mm)}."
    return Evidence(kind="limit", features=(), weight=0.0, says=says)


def flat_limit(limits: Sequence[FlatLimit]) -> list[Evidence]:
    """Return how thin a flat gap must be to have been missed where one piece may end on another."""
    says = []
    some = [f"{one.gap_mm:.4f} mm at slice {one.slice_at}" for one in limits if one.gap_mm is not None]
    none = [str(one.slice_at) for one in limits if one.gap_mm is None]
    if some:
        says.append(
            "Where an outside ends inside the part, a flat gap would not show if it were thinner than about "
            f"{listed(some)} (slices counted from 0)."
        )
    if none:
        says.append(
            f"At {'slice' if len(none) == 1 else 'slices'} {listed(none)} (counted from 0) there is too little metal "
            "between faces for a flat gap to show."
        )
    return [Evidence(kind="limit", features=(), weight=0.0, says=" ".join(says))] if says else []


def _limit(thinnest_mm: float) -> str:
    return f"a gap thinner than about {thinnest_mm:.4f} mm would not show (round a small pin, about twice that)"


def reach_of(thinnest_px: float | None) -> float:
    """Return the share of seams that would stay hidden, for gaps spread evenly over the decades 0.002 to 0.3 voxel."""
    if thinnest_px is None:
        return 1.0
    return float(np.clip(np.log(thinnest_px / 0.002) / np.log(150.0), 0.05, 1.0))


def _describe(seam: MeasuredFeature) -> str:
    f = seam.feature
    assert f.seam_mm is not None
    assert f.slices_used is not None
    first, last = f.slices_used
    where = f"Slice {first}" if first == last else f"Slices {first} to {last}"
    shade = "brighter" if f.seam_mm.value < 0 else "darker"
    gap = f"as deep as a gap of {abs(f.seam_mm.value):.4f} mm of air"
    if kind_of(f).is_face:
        return (
            f"About slice {(first + last) // 2} (counted from 0) the metal is {shade} all over a flat area square "
            f"to the axis, {gap}, as where one piece lies on another."
        )
    if kind_of(f).is_square and f.flats_mm is not None and f.turn_deg is not None:
        what = f"square line, {f.flats_mm.value:.2f} mm across the flats and turned {f.turn_deg.value:.0f} degrees"
    elif kind_of(f).is_round and f.diameter_mm is not None:
        what = f"round line of {f.diameter_mm.value:.2f} mm diameter"
    else:
        what = "closed line"
    partial = ""
    if seam.seam is not None and seam.seam.filled_share < 0.8:
        share = format_percent(seam.seam.filled_share)
        partial = f" It shows on {share} of its length; elsewhere metal may touch metal."
    keeps = "it is" if first == last else f"it keeps its place and size through all {last - first + 1} of them and is"
    show = "shows" if first == last else "show"
    return (
        f"{where} (counted from 0) {show} a {shade} {what} inside solid metal; {keeps} {gap}, as where one piece "
        f"sits on another.{partial}"
    )


def _flats_go_on(seam: MeasuredFeature, drafts: Sequence[MeasuredFeature], pitch_mm: float) -> Evidence | None:
    """Look for a boss or hole beyond the seam's depths with its flats and turn: the seam is that boss going on."""
    shape = seam.sized.candidate.shape
    if shape is None:
        return None
    for draft in drafts:
        other = draft.sized.candidate.shape
        f = draft.feature
        kind = kind_of(f)
        if other is None or type(other) is not type(shape) or kind.is_seam or kind.is_round_ended:
            continue
        if min(draft.depths[1], seam.depths[1]) - max(draft.depths[0], seam.depths[0]) > 3:
            continue  # it lives beside the seam, not beyond it
        size, mine = _width(other), _width(shape)
        off = float(np.hypot(other.centre[0] - shape.centre[0], other.centre[1] - shape.centre[1]))
        slack = max(3 * float(np.hypot(_u_width(draft), _u_width(seam))) / pitch_mm, 0.3)
        if abs(size - mine) > slack or off > 1.0:
            continue
        chance = 2 * slack / max(0.4 * mine, 1.0)
        turned = ""
        flat, mine_flat = draft.sized.candidate.rectangle, seam.sized.candidate.rectangle
        if flat is not None and mine_flat is not None:
            apart = abs((flat.turn_deg - mine_flat.turn_deg + 45) % 90 - 45)
            if apart > 2.0:
                continue
            chance *= 4.0 / 90
            turned = f" and turned alike to {apart:.1f} degrees"
        gap = max(draft.depths[0] - seam.depths[1], seam.depths[0] - draft.depths[1])
        joins = ", and adjoins it" if abs(gap) <= 2 else ""
        return Evidence(
            kind="flats_go_on" if turned else "size_goes_on",
            features=(seam.feature.id, f.id),
            weight=round(min(float(-np.log(max(chance, 1e-3))), _MOST), 2),
            says=f"{f.id} has the size of {seam.feature.id} within what the scan can tell{turned}{joins}: the line in "
            "the metal looks like the same boss going on through the piece that sits on it.",
        )
    return None


def _width(shape: Shape) -> float:
    """Diameter or flats, px of the part grid."""
    return shape.a if isinstance(shape, Rectangle) else 2 * shape.half_width


def _u_width(draft: MeasuredFeature) -> float:
    """Return the standard uncertainty (mm) of diameter or flats; 0 where none was stated."""
    f = draft.feature
    quantity = f.diameter_mm or f.flats_mm or (f.flats_pair_mm[0] if f.flats_pair_mm else None)
    return 0.0 if quantity is None or quantity.u is None else quantity.u


def _other_axis(seam: MeasuredFeature, drafts: Sequence[MeasuredFeature], pitch_mm: float) -> Evidence | None:
    """Look for outsides within the seam's depths that do not share the axis of those beyond."""
    inside: list[MeasuredFeature] = []
    beyond: list[MeasuredFeature] = []
    for draft in drafts:
        if not is_outside(draft.feature) or draft.sized.candidate.shape is None:
            continue
        if not draft.sized.fit:
            continue
        shared = min(draft.depths[1], seam.depths[1]) - max(draft.depths[0], seam.depths[0])
        length = max(draft.depths[1] - draft.depths[0], 1e-6)
        if shared > 0.8 * length:
            inside.append(draft)
        elif shared < 0.2 * length:
            beyond.append(draft)
    for one in inside:
        for other in beyond:
            a, b = one.feature, other.feature
            off = float(np.hypot(*(_centre(one) - _centre(other))))
            if off > max(5 * _u_place(a, b) / pitch_mm, 0.5):
                return Evidence(
                    kind="other_axis",
                    features=(a.id, b.id),
                    weight=0.7,
                    says=f"The axis of {a.id}, which lives in the depths of the seam, lies "
                    f"{off * pitch_mm:.3f} mm beside that of {b.id}: they need not have been turned in one setting.",
                )
    return None


def _centre(draft: MeasuredFeature) -> Floats:
    shape = draft.sized.candidate.shape
    assert shape is not None
    return np.array(shape.centre)


def _u_place(a: Feature, b: Feature) -> float:
    places = (a.x_mm, a.y_mm, b.x_mm, b.y_mm)
    return float(np.sqrt(sum(q.u**2 for q in places if q is not None and q.u is not None)))


def _grey_step(seam: MeasuredFeature, squared: SquaredStack) -> Evidence | None:
    """Return whether the grey of the metal steps at the seam, beyond straight shading."""
    shape = seam.sized.candidate.shape
    if shape is None:
        return None
    first, last = int(np.ceil(seam.depths[0])) + 2, int(np.floor(seam.depths[1])) - 2
    if last - first < 3:
        return None
    picks = sorted({round(i) for i in np.linspace(max(first, 0), min(last, len(squared) - 1), 16)})
    steps = np.array([s for s in (_step_at(squared.plane(k), shape) for k in picks) if s is not None])
    if len(steps) < 4:
        return None
    mean, u = float(steps.mean()), float(steps.std(ddof=1) / np.sqrt(len(steps)))
    z = abs(mean) / max(u, 1e-6)
    if z < 6 or abs(mean) < 0.01:
        return None
    side = "outside" if mean > 0 else "inside"
    a, b = seam.feature.slices_used or (first, last)
    return Evidence(
        kind="grey_step",
        features=(seam.feature.id,),
        weight=round(min(0.1 * z, _MOST), 2),
        says=f"In slices {a} to {b} the metal {side} the line is darker by {format_percent(abs(mean), 1)} of the "
        "contrast between metal and air, and the grey steps at the line: two castings, or two alloys.",
    )


def _step_at(plane: Floats, shape: Shape) -> float | None:
    """Step in grey across an outline (inside less outside), straight shading on either side taken off."""
    rows, columns = plane.shape
    row, column = np.mgrid[:rows, :columns]
    d = shape.signed_distance(np.column_stack([column.ravel(), row.ravel()]).astype(float)).reshape(plane.shape)
    with np.errstate(invalid="ignore"):
        used = (np.abs(d) > 2.5) & (np.abs(d) < 8) & (plane > 0.8)
    if min((used & (d > 0)).sum(), (used & (d < 0)).sum()) < 100:
        return None
    x = d[used]
    design = np.column_stack([np.ones_like(x), x, (x > 0).astype(float)])
    return float(np.linalg.lstsq(design, plane[used].astype(float), rcond=None)[0][2])


def _formed_end(seam: MeasuredFeature, drafts: Sequence[MeasuredFeature]) -> Evidence | None:
    """Look for a tapered stretch (chamfer, countersink, rivet head) that begins where the seam ends."""
    shape = seam.sized.candidate.shape
    if shape is None:
        return None
    for draft in drafts:
        if "tapered" not in draft.feature.flags or draft.sized.candidate.shape is None:
            continue
        gap = min(abs(draft.depths[0] - seam.depths[1]), abs(seam.depths[0] - draft.depths[1]))
        away = float(np.hypot(*(np.array(draft.sized.candidate.shape.centre) - np.array(shape.centre))))
        if gap <= _NEAR_PLANES and away < 1.5:
            return Evidence(
                kind="formed_end",
                features=(seam.feature.id, draft.feature.id),
                weight=0.7,
                says=f"{draft.feature.id} widens or narrows right where {seam.feature.id} ends, as a riveted or "
                "countersunk end does.",
            )
    return None
