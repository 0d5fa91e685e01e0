"""Joints: which piece sits on which, how large the contact is, and from which side it can have been put on."""

from collections.abc import Sequence

import numpy as np
import shapely

from ctrecon.core.measured import COVERAGE_FACTOR, Measured
from ctrecon.features.build import MeasuredFeature
from ctrecon.grey.square_up import SquaredStack
from ctrecon.record.kinds import is_outside, kind_of
from ctrecon.record.part import Joint, Piece
from ctrecon.seams.layout import is_pin, ring_of

__all__ = ["find_joints"]

_SLACK_PX = 0.5  # a body may stand out over the seam by so much and still slide through


def find_joints(pieces: Sequence[Piece], drafts: Sequence[MeasuredFeature], squared: SquaredStack) -> tuple[Joint, ...]:
    """Describe the joint of every piece that sits on a side seam or is on a flat one.

    Parameters
    ----------
    pieces : sequence of Piece
        The body first.
    drafts : sequence of MeasuredFeature
        All features with their ids.
    squared : SquaredStack
        The grid they are given on.

    Notes
    -----
    A piece can have been put on from a side when nothing of the body beyond it, on that
    side, stands out over the seam's outline (looked at along the axis); a pin can have been
    pushed in from a side where no metal covers it.
    """
    if len(squared) == 1:  # without depth there is neither contact nor side
        return ()
    by_id = {d.feature.id: d for d in drafts}
    plain = [d for d in drafts if d.seam is None]
    out: list[Joint] = []
    for piece in pieces[1:]:
        seams = [by_id[i] for i in piece.features if i in by_id and by_id[i].seam is not None]
        sides = [s for s in seams if not kind_of(s.feature).is_face]
        if sides:
            out.append(_on_a_side_seam(piece, sides[0], pieces[0], by_id, squared, is_pin(sides[0], plain)))
        elif seams:
            out.append(_on_a_flat_seam(piece, seams[0]))
    return tuple(out)


def _on_a_side_seam(
    piece: Piece,
    seam: MeasuredFeature,
    body: Piece,
    by_id: dict[str, MeasuredFeature],
    squared: SquaredStack,
    pin: bool,
) -> Joint:
    ring = shapely.Polygon(ring_of(seam))
    pitch, step = squared.pitch_mm, squared.depth_step_mm
    depth = (seam.depths[1] - seam.depths[0]) * step
    around = float(ring.length) * pitch
    ends = (seam.feature.depth_from_mm, seam.feature.depth_to_mm)
    u_depth = float(np.sqrt(sum(step**2 if q is None or q.u is None else q.u**2 for q in ends)))
    contact = Measured(around * depth, float(np.hypot(around * u_depth, 0.01 * around * depth)))
    free = []
    grows = _grows(seam, depth)
    for side, word in ((0, "start"), (1, "end")):
        # on a tapered seat a piece comes off towards the narrow end only
        open_ = _uncovered(ring, seam, side, by_id) if pin else _passes(ring, seam, side, body, by_id)
        if open_ and grows != ((-1 if side else 1) if pin else (1 if side else -1)):
            free.append(word)
    gap = seam.feature.seam_mm
    clearance = None if gap is None or gap.value < 0 else gap
    return Joint(
        piece=piece.id, on=body.id, features=(seam.feature.id,), contact_mm2=contact, clearance_mm=clearance,
        put_on_from=tuple(free), says=_says(piece, body, free, gap, pin),
    )  # fmt: skip


def _grows(seam: MeasuredFeature, depth_mm: float) -> int:
    """Return whether the seat plainly widens (1) or narrows (-1) with depth, 0 where neither."""
    taper = seam.feature.taper_mm_per_mm
    if taper is None or taper.u is None or abs(taper.value) <= COVERAGE_FACTOR * taper.u or depth_mm <= 0:
        return 0
    return 1 if taper.value > 0 else -1


def _passes(
    ring: shapely.Polygon, seam: MeasuredFeature, side: int, body: Piece, by_id: dict[str, MeasuredFeature]
) -> bool:
    """Return whether everything of the body beyond one end of the seam fits through the seam's outline."""
    hole = ring.buffer(_SLACK_PX)
    for ident in body.features:
        draft = by_id.get(ident)
        if draft is None or not is_outside(draft.feature):
            continue
        beyond = draft.depths[0] < seam.depths[0] - 1 if side == 0 else draft.depths[1] > seam.depths[1] + 1
        if beyond and not hole.contains(shapely.Polygon(ring_of(draft))):
            return False
    return True


def _uncovered(ring: shapely.Polygon, seam: MeasuredFeature, side: int, by_id: dict[str, MeasuredFeature]) -> bool:
    """Return whether no metal covers a pin beyond one end of its seam."""
    for draft in by_id.values():
        if not is_outside(draft.feature):
            continue
        beyond = draft.depths[0] < seam.depths[0] - 1 if side == 0 else draft.depths[1] > seam.depths[1] + 1
        if beyond and ring.intersects(shapely.Polygon(ring_of(draft))):
            return False
    return True


def _says(piece: Piece, body: Piece, free: Sequence[str], gap: Measured | None, pin: bool) -> str:
    words = {"start": "the start (low slice numbers)", "end": "the end (high slice numbers)"}
    put, sits = ("pushed in", "sits in") if pin else ("put on", "sits on")
    if len(free) == 2:
        way = f"can have been {put} from either side"
    elif free:
        way = f"can only have been {put} from {words[free[0]]}"
    else:
        way = "cannot be slid off either side as it is now: what holds it (a rivet head, an upset end) came after it"
    if gap is None:
        fit = "the gap was not measured"
    elif gap.value < 0:
        fit = "the joint is filled with something heavier than the metal, so the fit can't be told"
    else:
        most = gap.value + COVERAGE_FACTOR * (gap.u or 0.0)
        fit = (
            f"the gap is as good as {gap.value:.4f} mm of air on each side (at most {most:.4f} mm if it is empty; more "
            "if corrosion product fills it); whether it was a press fit before it corroded, the scan can't say"
        )
    return f"{piece.id} ({piece.name}) {sits} {body.id} ({body.name}); it {way}; {fit}."


def _on_a_flat_seam(piece: Piece, seam: MeasuredFeature) -> Joint:
    f = seam.feature
    return Joint(
        piece=piece.id, on="P1", features=(f.id,), contact_mm2=f.area_mm2, clearance_mm=f.seam_mm, put_on_from=(),
        says=f"{piece.id} ({piece.name}) lies flat on the piece below it, at the depth of {f.id}; what holds the two "
        "together does not show in a flat seam.",
    )  # fmt: skip
