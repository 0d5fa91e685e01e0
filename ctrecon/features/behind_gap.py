"""Ends behind a gap: what ends an outside to the eye is its neighbour's face, its own is a seam farther in."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from ctrecon.core.measured import Measured
from ctrecon.features.build import MeasuredFeature
from ctrecon.record.kinds import is_outside, kind_of
from ctrecon.record.part import Feature

__all__ = ["ends_behind_gaps"]

_NEAR_PX = 0.25  # between the middle of a flat seam and where it must be, beyond three u of both
_NEAR_PLANES = 1.5  # between an end and the depth at which a gap may be


def ends_behind_gaps(
    drafts: Sequence[MeasuredFeature],
    seams: Sequence[MeasuredFeature],
    sides: Mapping[int, tuple[int | None, int | None]],
    *,
    pitch_mm: float,
    depth_step_mm: float,
    unseen: Sequence[tuple[float, float]] = (),
) -> list[MeasuredFeature]:
    """Return the features with the ends of outsides that a flat seam parts from a wider neighbour moved by its gap.

    Parameters
    ----------
    drafts, seams : sequence of MeasuredFeature
        What was measured, and the seams found in it.
    sides : {id of `sized`: (at the start, at the end)}
        Which way each face moves when the metal grows: -1 shallower, +1 deeper. A start that moves deeper is the face
        of the neighbour.
    pitch_mm, depth_step_mm : float
        Pixel and plane of the part grid.
    unseen : sequence of (float, float)
        Depths (planes) at which a gap of up to so many mm may be there unseen: u of an end there holds it.
    """
    gaps = [d.feature for d in seams if kind_of(d.feature).is_face and d.feature.seam_mm is not None]
    out = []
    for draft in drafts:
        side = sides.get(id(draft.sized), (None, None))
        if is_outside(draft.feature):
            for name, own, sign in (("depth_from_mm", side[0], 1), ("depth_to_mm", side[1], -1)):
                if own == sign:
                    moved = _moved(draft, name, sign, gaps, pitch_mm, depth_step_mm)
                    draft = _doubted(draft, name, unseen) if moved is draft else moved
        out.append(draft)
    return out


def _moved(
    draft: MeasuredFeature, name: str, sign: int, gaps: Sequence[Feature], pitch_mm: float, step_mm: float
) -> MeasuredFeature:
    feature = draft.feature
    end: Measured | None = getattr(feature, name)
    if end is None or end.u is None:
        return draft
    for gap in gaps:
        wide, at = gap.seam_mm, gap.depth_from_mm
        if wide is None or at is None or wide.u is None or wide.value <= 0:
            continue
        off = abs(end.value + sign * wide.value / 2 - at.value)
        if off > _NEAR_PX * pitch_mm + 3 * float(np.hypot(end.u, at.u or 0.0)):
            continue
        moved: dict[str, Any] = {name: Measured(end.value + sign * wide.value, float(np.hypot(end.u, wide.u)))}
        if feature.length_mm is not None:
            u = float(np.hypot(feature.length_mm.u or 0.0, wide.u))
            moved["length_mm"] = Measured(feature.length_mm.value - wide.value, u)
        shift = sign * wide.value / step_mm
        low, high = draft.depths
        depths = (low + shift, high) if sign > 0 else (low, high + shift)
        return replace(draft, feature=replace(feature, **moved), depths=depths)
    return draft


def _doubted(draft: MeasuredFeature, name: str, unseen: Sequence[tuple[float, float]]) -> MeasuredFeature:
    """Widen u of an end that a gap too thin to show may part from the face that is seen."""
    end: Measured | None = getattr(draft.feature, name)
    at = draft.depths[0 if name == "depth_from_mm" else 1]
    most = max((gap for depth, gap in unseen if abs(depth - at) < _NEAR_PLANES), default=0.0)
    if end is None or end.u is None or not most:
        return draft
    u = most / np.sqrt(3)  # the gap lies anywhere from nothing to `most`: root of its mean square
    wider: dict[str, Any] = {name: Measured(end.value, float(np.hypot(end.u, u)))}
    length = draft.feature.length_mm
    if length is not None:
        wider["length_mm"] = Measured(length.value, float(np.hypot(length.u or 0.0, u)))
    return replace(draft, feature=replace(draft.feature, **wider))
