"""Which pieces the part is built from, said in sentences a maker can check on the slices."""

import numpy as np

from ctrecon.core.measured import Measured
from ctrecon.features.build import Draft
from ctrecon.part import Evidence, Feature, Piece
from ctrecon.shapes import Shape
from ctrecon.slices.square_up import SquaredStack

__all__ = ["infer_pieces"]

_SURE = 14.0
_NO_PROBABILITY = {"probability_separate": "no calibrated probability is available for this kind of evidence"}


def infer_pieces(drafts: list[Draft], squared: SquaredStack) -> tuple[Piece, ...]:
    """List the body, then one piece for every seam found inside it.

    Parameters
    ----------
    drafts : list of Draft
        Features with their ids, seams among them.
    squared : SquaredStack
        The grid the drafts are given on.
    """
    seams = [d for d in drafts if d.feature.kind in ("square_seam", "round_seam")]
    single = len(squared.survey.stack) == 1
    outside = [d for d in drafts if d not in seams]
    depth = (
        {"depth_from_mm": "a single slice has no depth", "depth_to_mm": "a single slice has no depth"} if single else {}
    )
    low, high = _part_depth(outside)
    if not single and low is None:
        depth["depth_from_mm"] = "the part runs out of the stack at its start"
    if not single and high is None:
        depth["depth_to_mm"] = "the part runs out of the stack at its end"
    unknown = {**_NO_PROBABILITY, **depth}
    pieces: list[Piece] = []
    taken: set[str] = set()
    for i, seam in enumerate(seams):
        members = _members(seam, outside)
        taken |= {f.id for f in members}
        strong = seam.sized.candidate.share >= _SURE
        name = "spacer" if seam.feature.kind == "square_seam" else "bush"
        evidence = Evidence(
            kind="seam",
            features=(seam.feature.id,),
            weight=round(seam.sized.candidate.share, 1),
            says=_sentence(seam),
        )
        pieces.append(
            Piece(
                id=f"P{i + 2}",
                name=name,
                depth_from_mm=seam.feature.depth_from_mm,
                depth_to_mm=seam.feature.depth_to_mm,
                features=tuple(sorted((seam.feature.id, *(f.id for f in members)), key=_number)),
                verdict="separate" if strong else "undecided",
                probability_separate=None,
                evidence=(evidence,),
                unknown=dict(_NO_PROBABILITY),
            )
        )
    rest = tuple(d.feature.id for d in outside if d.feature.id not in taken)
    verdict = "one_piece" if not pieces else "separate" if any(p.verdict == "separate" for p in pieces) else "undecided"
    body = Piece(
        id="P1",
        name="body",
        depth_from_mm=low,
        depth_to_mm=high,
        features=rest,
        verdict=verdict,
        probability_separate=None,
        evidence=() if pieces else (_none_found(single),),
        unknown=dict(sorted(unknown.items())),
    )
    return (body, *pieces)


def _number(ident: str) -> int:
    return int(ident[1:])


def _part_depth(drafts: list[Draft]) -> tuple[Measured | None, Measured | None]:
    outside = [d for d in drafts if d.feature.kind.endswith("_outside") and d.feature.kind != "arc_outside"] or drafts
    first = min(outside, key=lambda d: d.depths[0])
    last = max(outside, key=lambda d: d.depths[1])
    return first.feature.depth_from_mm, last.feature.depth_to_mm


def _members(seam: Draft, outside: list[Draft]) -> list[Feature]:
    """Outsides that enclose the seam and live in its depth range."""
    shape = seam.sized.candidate.shape
    assert shape is not None
    low, high = seam.depths
    out = []
    for draft in outside:
        a, b = draft.depths
        shared = min(high, b) - max(low, a)
        if shared < 0.7 * (b - a) or b - a <= 0:
            continue
        if draft.feature.kind == "arc_outside" or (
            draft.feature.kind.endswith("_outside") and _encloses(draft.sized.candidate.shape, draft, shape)
        ):
            out.append(draft.feature)
    return out


def _encloses(outer: Shape | None, draft: Draft, inner: Shape) -> bool:
    ring = inner.outline(36)
    if outer is not None:
        return bool(np.median(outer.signed_distance(ring)) > 0)
    points = draft.sized.candidate.spans[0].points
    return bool((points.min(axis=0) < ring.min(axis=0)).all() and (points.max(axis=0) > ring.max(axis=0)).all())


def _sentence(seam: Draft) -> str:
    f = seam.feature
    assert f.seam_mm is not None
    assert f.slices_used is not None
    first, last = f.slices_used
    if f.kind == "square_seam":
        assert f.flats_mm is not None
        assert f.turn_deg is not None
        what = f"square line, {f.flats_mm.value:.2f} mm across the flats and turned {f.turn_deg.value:.0f} degrees"
    else:
        assert f.diameter_mm is not None
        what = f"round line of {f.diameter_mm.value:.2f} mm diameter"
    shade = "brighter" if f.seam_mm.value < 0 else "darker"
    return (
        f"Slices {first} to {last} (counted from 0) show a {shade} {what} inside solid metal; it keeps its place "
        f"and size through all {last - first + 1} of them and is as deep as "
        f"a gap of {abs(f.seam_mm.value):.3f} mm of air, as where one piece sits on another."
    )


def _none_found(single: bool) -> Evidence:
    says = (
        "A single slice cannot show whether an outline goes on through depth."
        if single
        else "No square or round line inside the metal keeps its place through depth clearly enough to stand out "
        "from the noise of this stack."
    )
    return Evidence(kind="no_seam", features=(), weight=0.0, says=says)
