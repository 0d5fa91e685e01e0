"""Which pieces the part is built from: hypotheses compared by their evidence, with stated priors."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from ctrecon.core.listed import listed
from ctrecon.core.measured import Measured
from ctrecon.features.build import MeasuredFeature
from ctrecon.grey.health import thinnest_seam_px
from ctrecon.grey.square_up import SquaredStack
from ctrecon.pieces.evidence import (
    MOST_FROM_A_SEAM,
    against,
    flat_limit,
    more_pieces,
    reach_of,
    reasons_for,
    seam_reason,
)
from ctrecon.pieces.names import name_pieces
from ctrecon.record.kinds import is_outside, is_seam, kind_of
from ctrecon.record.part import Evidence, Feature, Hypothesis, Piece
from ctrecon.record.priors import PRIORS
from ctrecon.seams.face_limit import FlatLimit
from ctrecon.seams.layout import is_pin, stack_ends
from ctrecon.shapes import Shape

__all__ = ["infer_pieces"]

_SURE, _UNLIKELY = 0.8, 0.3
_WIDE_BLUR_PX = 1.2  # where the stack does not tell: more than most scans have, so that the limit holds
_FACE_PLANES = 1.5  # planes; an end so near a flat seam is that of the seam
_SAYS = {
    "one_piece": "one piece of metal",
    "pressed_in": "a piece pressed or slipped onto another",
    "sandwich": "pieces stacked face to face",
    "riveted": "pieces stacked and held by a headed end",
}
_BEYOND = {
    "finer": "a scan with finer voxels",
    "energy": "a scan at another energy, at which two alloys differ more",
}


def infer_pieces(
    drafts: list[MeasuredFeature], squared: SquaredStack, *, priors: Mapping[str, float] | None = None,
    limits: Sequence[FlatLimit] = (),
) -> tuple[tuple[Piece, ...], tuple[Hypothesis, ...]]:  # fmt: skip
    """List the body, then one piece for every seam found, each with its probability and reasons.

    Parameters
    ----------
    drafts : list of MeasuredFeature
        Features with their ids, seams among them.
    squared : SquaredStack
        The grid the drafts are given on.
    priors : mapping, optional
        Prior probability of each hypothesis in `PRIORS`, from which those left out are
        taken; they are scaled to a sum of 1.
    limits : sequence of FlatLimit
        How thin a flat gap would have stayed unseen, and where.

    Returns
    -------
    pieces, hypotheses
        Probabilities follow from the priors and the weights of the evidence (Bayes' rule
        on odds). No piece is called more certain than its own seam's detection allows.

    Raises
    ------
    ValueError
        If a prior is negative or of an unknown hypothesis, or none is above 0.
    """
    prior = _checked(priors)
    sides = [d for d in drafts if is_seam(d.feature) and not kind_of(d.feature).is_face]
    faces = [d for d in drafts if kind_of(d.feature).is_face]
    outside = [d for d in drafts if d not in sides and d not in faces]
    single = len(squared.survey.stack) == 1
    if not sides and not faces:
        return _one_piece(outside, squared, prior, limits, single=single)
    pins = [seam for seam in sides if is_pin(seam, outside)]
    seats = [(seam, reasons_for(seam, outside, faces, squared)) for seam in sides if seam not in pins]
    held = [(pin, reasons_for(pin, outside, [], squared)) for pin in pins]
    within = {f.feature.id for seam, _ in seats for f in _cuts(seam, faces)}
    explained = within | {name for _, found in seats for one in found for name in one.features}
    loose = [face for face in faces if face.feature.id not in explained]
    stacked = [face for face in faces if face.feature.id in within or face in loose]
    hypotheses = _weigh(prior, seats, held, stacked, faces, outside)
    pieces: list[Piece] = []
    taken: set[str] = set()
    for seam, found in seats:
        for one in _stack_on(seam, found, _cuts(seam, faces), outside, prior, first=len(pieces) + 2):
            taken |= set(one.features)
            pieces.append(one)
    low, high, unknown = _depths(outside, single)
    for face, following in stack_ends(loose):
        pieces.append(_piece(len(pieces) + 2, "layer", face, [], [seam_reason(face)], prior))
        pieces[-1] = _layer(pieces[-1], face, following, outside, pieces[:-1])
        if any(d.feature.id not in taken | set(pieces[-1].features) for d in outside):
            taken |= set(pieces[-1].features)  # what is beyond belongs to one of the two, and the body keeps some
    for pin, found in held:
        through = any(pin.depths[0] < f.depths[0] < pin.depths[1] for f in loose)
        pieces.append(_piece(len(pieces) + 2, "rivet" if through else "pin", pin, [], found, prior))
    rest = tuple(d.feature.id for d in outside if d.feature.id not in taken)
    none_separate = float(np.prod([1 - (p.probability_separate or 0.0) for p in pieces]))
    if loose and not seats:  # nothing runs through the flat seams but pins: the body is the lowest of the stack
        high = min(loose, key=lambda f: f.depths[0]).feature.depth_from_mm
        unknown = {name: why for name, why in unknown.items() if name != "depth_to_mm"}
    body = Piece(
        id="P1", name="body", depth_from_mm=low, depth_to_mm=high, features=rest, verdict=_verdict(1 - none_separate),
        probability_separate=round(1 - none_separate, 3),
        evidence=(_listed_with(pieces), *_beside(squared, single=single), *flat_limit(limits)), unknown=unknown,
    )  # fmt: skip
    return name_pieces([body, *pieces], [d.feature for d in drafts]), hypotheses


def _checked(priors: Mapping[str, float] | None) -> dict[str, float]:
    unknown = sorted(set(priors or ()) - set(PRIORS))
    if unknown:
        raise ValueError(f"'{unknown[0]}' is not a hypothesis; choose among {', '.join(PRIORS)}")
    merged = {**PRIORS, **(priors or {})}
    total = sum(merged.values())
    if min(merged.values()) < 0 or total <= 0:
        raise ValueError("priors must be 0 or more, and one of them above 0")
    return {name: value / total for name, value in merged.items()}


def _one_piece(
    outside: list[MeasuredFeature], squared: SquaredStack, prior: dict[str, float], limits: Sequence[FlatLimit], *,
    single: bool,
) -> tuple[tuple[Piece, ...], tuple[Hypothesis, ...]]:  # fmt: skip
    thinnest = None if single else _thinnest(squared)
    hidden = reach_of(thinnest)
    separate = 1 - prior["one_piece"]
    chance = separate * hidden / (separate * hidden + prior["one_piece"])
    low, high, unknown = _depths(outside, single)
    body = Piece(
        id="P1", name="body", depth_from_mm=low, depth_to_mm=high, features=tuple(d.feature.id for d in outside),
        verdict="one_piece" if chance <= _UNLIKELY else _verdict(chance), probability_separate=round(chance, 3),
        evidence=(against(squared, thinnest), *flat_limit(limits)), unknown=unknown,
    )  # fmt: skip
    others = {name: p * hidden for name, p in prior.items() if name != "one_piece"}
    return (body,), _normalised({"one_piece": prior["one_piece"], **others}, prior)


def _thinnest(squared: SquaredStack) -> float | None:
    """Thickness (px) of the thinnest seam through a quarter of the part that this stack would show."""
    found = squared.survey.artefacts
    if found is None or not np.isfinite(found.snr):
        return None
    # a gap is summed over its whole surface, and there noise that many voxels share counts by all of them: more
    # than their nearest neighbours tell
    shared = max(squared.survey.correlation.sum, 1.0)
    neighbours = 1.0 + max(found.noise_correlation or 0.0, 0.0)
    return thinnest_seam_px(
        snr=found.snr / max(float(np.sqrt(shared)) / neighbours, 1.0),
        psf_px=_WIDE_BLUR_PX if found.psf_px is None else found.psf_px,
        slices=max(1, squared.survey.body_slices // 4),
        correlation=found.noise_correlation or 0.0,
        rings=found.ring_left_rel,
    )


def _weigh(
    prior: dict[str, float],
    seats: Sequence[tuple[MeasuredFeature, list[Evidence]]],
    pins: Sequence[tuple[MeasuredFeature, list[Evidence]]],
    stacked: Sequence[MeasuredFeature],
    faces: Sequence[MeasuredFeature],
    outside: Sequence[MeasuredFeature],
) -> tuple[Hypothesis, ...]:
    """Weigh the ways of building the part: each takes credit only for the reasons it accounts for."""
    side = sum(_capped(found) for _, found in seats)
    pinned = sum(_capped(found) for _, found in pins)
    flat = sum(seam_reason(face).weight for face in stacked)
    headed = [d for d in outside if "tapered" in d.feature.flags]
    at_ends = any(
        min(abs(h.depths[0] - d.depths[1]), abs(d.depths[0] - h.depths[1])) <= 2 for h in headed for d in faces
    )
    through = any(pin.depths[0] < face.depths[0] < pin.depths[1] for pin, _ in pins for face in stacked)
    ln = {
        "one_piece": 0.0,
        "pressed_in": side + pinned,
        "sandwich": (flat + side) if faces else side - 1.0,
        "riveted": (flat + side + pinned + (0.7 if at_ends or through else -1.0)) if faces else side + pinned - 2.0,
    }
    top = max(ln.values())  # taken off, so that no odds overflow
    odds = {name: prior[name] * float(np.exp(value - top)) for name, value in ln.items()}
    return _normalised(odds, prior)


def _normalised(odds: dict[str, float], prior: dict[str, float]) -> tuple[Hypothesis, ...]:
    total = sum(odds.values())
    ranked = sorted(odds, key=lambda name: (-odds[name], name))
    return tuple(
        Hypothesis(name=name, says=_SAYS[name], prior=round(prior[name], 4), probability=_rounded(odds[name] / total))
        for name in ranked
    )


def _rounded(probability: float) -> float:
    """Keep three digits of what is left to either side, so that a change of the priors shows."""
    return float(f"{probability:.3g}") if probability < 0.5 else 1 - float(f"{1 - probability:.3g}")


def _capped(found: Sequence[Evidence]) -> float:
    """Sum of the weights, no more than twice what the seams themselves allow."""
    seams = sum(e.weight for e in found if e.kind == "seam")
    return min(sum(e.weight for e in found), 2 * max(seams, 0.0), seams + MOST_FROM_A_SEAM)


def _piece(
    number: int,
    name: str,
    seam: MeasuredFeature,
    members: Sequence[Feature],
    found: Sequence[Evidence],
    prior: dict[str, float],
) -> Piece:
    separate = 1 - prior["one_piece"]
    odds = separate / max(prior["one_piece"], 1e-6) * float(np.exp(_capped(found)))
    sure = odds / (1 + odds)
    if seam.seam is not None:  # never surer than the detection itself
        sure = min(sure, 1 - max(seam.seam.p_false, 1 / 500))
    settle = () if _verdict(sure) != "undecided" else (_what_would_settle(seam),)
    unknown = {k: v for k, v in seam.feature.unknown.items() if k in ("depth_from_mm", "depth_to_mm")}
    return Piece(
        id=f"P{number}", name=name, depth_from_mm=seam.feature.depth_from_mm, depth_to_mm=seam.feature.depth_to_mm,
        features=tuple(sorted((seam.feature.id, *(f.id for f in members)), key=_number)), verdict=_verdict(sure),
        probability_separate=round(float(sure), 3), evidence=(*found, *settle), unknown=unknown,
    )  # fmt: skip


def _cuts(seam: MeasuredFeature, faces: Sequence[MeasuredFeature]) -> list[MeasuredFeature]:
    """Flat seams that cut what sits on a side seam, in the order of their depth."""
    low, high = seam.depths
    return sorted((f for f in faces if low + 2 < f.depths[0] < high - 2), key=lambda f: f.depths[0])


def _stack_on(
    seam: MeasuredFeature,
    found: Sequence[Evidence],
    cuts: Sequence[MeasuredFeature],
    outside: list[MeasuredFeature],
    prior: dict[str, float],
    *,
    first: int,
) -> list[Piece]:
    """Return the piece that sits on a side seam, or the several ones into which flat seams cut it."""
    if not cuts:
        return [_piece(first, _name(seam), seam, _members(seam, outside), found, prior)]
    bounds = [seam.depths[0], *(f.depths[0] for f in cuts), seam.depths[1]]
    depths = [seam.feature.depth_from_mm, *(f.feature.depth_from_mm for f in cuts), seam.feature.depth_to_mm]
    out = []
    for i in range(len(cuts) + 1):
        part = replace(seam, depths=(bounds[i], bounds[i + 1]))
        members = _members(part, outside)
        beside = [cuts[k] for k in (i - 1, i) if 0 <= k < len(cuts)]
        known = {e.features for e in found}
        reasons = [*found, *(r for r in map(seam_reason, beside) if r.features not in known)]
        piece = _piece(first + i, "", seam, members, reasons, prior)
        ids = {*piece.features, *(f.feature.id for f in beside)}
        out.append(replace(
            piece, depth_from_mm=depths[i], depth_to_mm=depths[i + 1], features=tuple(sorted(ids, key=_number)),
        ))  # fmt: skip
    return out


def _layer(
    piece: Piece,
    face: MeasuredFeature,
    following: MeasuredFeature | None,
    outside: Sequence[MeasuredFeature],
    before: Sequence[Piece],
) -> Piece:
    """Give a piece that is on a flat seam the depths and outsides beyond it, up to the next flat seam or the end."""
    _, high, _ = _depths(list(outside), False)
    until = np.inf if following is None else following.depths[0] - _FACE_PLANES
    beyond = [
        d.feature for d in outside if face.depths[0] - _FACE_PLANES <= d.depths[0] < until and is_outside(d.feature)
    ]
    taken = {name for one in before for name in one.features}
    ids = [f.id for f in beyond if f.id not in taken]
    if following is not None:
        high = following.feature.depth_from_mm
    unknown = {} if high is not None else {"depth_to_mm": "the part runs out of the stack at its end"}
    return replace(
        piece, depth_from_mm=face.feature.depth_from_mm, depth_to_mm=high,
        features=tuple(sorted((face.feature.id, *ids), key=_number)), unknown=unknown,
    )  # fmt: skip


def _listed_with(pieces: Sequence[Piece]) -> Evidence:
    """Return where the body's own evidence is listed: what makes another piece separate makes the body one, too."""
    says = f"P1 is the remainder; the evidence is listed under {listed([p.id for p in pieces])}."
    return Evidence(kind="rest", features=(), weight=0.0, says=says)


def _beside(squared: SquaredStack, *, single: bool) -> tuple[Evidence, ...]:
    """Return what thickness of gap more pieces than those listed would need to show."""
    thinnest = None if single else _thinnest(squared)
    return () if thinnest is None else (more_pieces(squared, thinnest),)


def _verdict(probability: float) -> str:
    return "separate" if probability >= _SURE else "one_piece" if probability < 0.05 else "undecided"


def _what_would_settle(seam: MeasuredFeature) -> Evidence:
    says = f"What would settle it: {_BEYOND['finer']}, or {_BEYOND['energy']}, of these slices."
    if seam.feature.depth_from_mm is None and seam.feature.depth_to_mm is None:
        says = "What would settle it: the slices above and below, for a seam goes on through depth."
    return Evidence(kind="would_settle", features=(), weight=0.0, says=says)


def _name(seam: MeasuredFeature) -> str:
    if "other_material" in seam.feature.flags:
        return "insert"
    return {"square_seam": "spacer", "round_seam": "bush"}.get(seam.feature.kind, "piece")


def _number(ident: str) -> int:
    return int(ident[1:])


def _depths(drafts: list[MeasuredFeature], single: bool) -> tuple[Measured | None, Measured | None, dict[str, str]]:
    """Depths of the whole part, and why one is unknown."""
    outside = [d for d in drafts if is_outside(d.feature)] or drafts
    low = min(outside, key=lambda d: d.depths[0]).feature.depth_from_mm
    high = max(outside, key=lambda d: d.depths[1]).feature.depth_to_mm
    if single:
        return low, high, dict.fromkeys(("depth_from_mm", "depth_to_mm"), "a single slice has no depth")
    unknown = {}
    if low is None:
        unknown["depth_from_mm"] = "the part runs out of the stack at its start"
    if high is None:
        unknown["depth_to_mm"] = "the part runs out of the stack at its end"
    return low, high, unknown


def _members(seam: MeasuredFeature, outside: list[MeasuredFeature]) -> list[Feature]:
    """Outsides that enclose the seam and live in its depth range."""
    shape = seam.sized.candidate.shape
    ring = shape.outline(36) if shape is not None else seam.sized.candidate.spans[0].points
    low, high = seam.depths
    out = []
    for draft in outside:
        a, b = draft.depths
        shared = min(high, b) - max(low, a)
        if shared < 0.7 * (b - a) or b - a <= 0:
            continue
        if kind_of(draft.feature).is_relief or (
            is_outside(draft.feature) and _encloses(draft.sized.candidate.shape, draft, ring)
        ):
            out.append(draft.feature)
    return out


def _encloses(outer: Shape | None, draft: MeasuredFeature, ring: np.ndarray) -> bool:
    if outer is not None:
        return bool(np.median(outer.signed_distance(ring)) > 0)
    points = draft.sized.candidate.spans[0].points
    return bool((points.min(axis=0) < ring.min(axis=0)).all() and (points.max(axis=0) > ring.max(axis=0)).all())
