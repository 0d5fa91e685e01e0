"""Wear: edges measured by what is sound of them, hollows judged, and what is eaten noted on the edge it eats."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.fit_result import ShapeFit
from ctrecon.features.bite_or_relief import Verdict, bite_or_relief
from ctrecon.features.candidates import Candidate, RivalShape
from ctrecon.features.collect_voxels import VoxelRequest, Voxels, chosen
from ctrecon.features.edge_cells import cells_of, levelled, with_whole_edge
from ctrecon.features.size import FittedCandidate, fit_size, request_for
from ctrecon.features.small_bores import fit_small, is_small
from ctrecon.features.sound_edge import SoundEdge, fitted_shape, resettled, with_sound_spans
from ctrecon.features.special_cases import MARGIN, round_again, special_case, undecided
from ctrecon.features.wear_words import wear_of
from ctrecon.grey.square_up import SquaredStack
from ctrecon.shapes import Circle

__all__ = ["settle_wear", "wants_whole_edge", "worn_request"]

_WHOLE = 0.97  # share of an outline on its shape above which nothing is eaten that a robust fit would feel
_MARGIN_WORN = 3.0
"""Ln odds (20 to 1) wanted to call a hollow eaten: the edge says where and how deep anyway."""
_MISFIT = 1.1
"""Times the noise; what fits within a tenth of it can't hide a bite that moves a size by more than its u."""
_SHARP_PX = 0.4  # blur of slices that were drawn, or thresholded: that of a voxel's own edges
_TINY = 2.5  # blurs; below, half height of a blurred disc is no measure of its edge (it is gone at 1.2)
_LEAST_RADIUS_PX = 3.0  # of an arc that is looked for; a doubtful one that shrinks below is none
_BREAK_SKIRT_PX = 4.0  # beside a break, which leans and is rough: not wear of the round edge
_WORSE_PX = 1.0  # u of a size beyond which the sound edge is too little to measure by


def wants_whole_edge(candidate: Candidate) -> bool:
    """Return whether a candidate's edge is to be read where it leaves its shape, too."""
    whole = candidate.is_round or candidate.has_flats or candidate.sides is not None
    return whole and (candidate.share < _WHOLE or bool(candidate.gaps_deg) or candidate.relieved)


def _misfits(candidate: Candidate, fit: ShapeFit) -> bool:
    """Return whether a bore leaves more over than noise: a bite in a small one hardly bends its outline.

    Slices sharper than any scan leave more over, too: the edges of whole voxels.
    """
    return candidate.is_round and candidate.hole and fit.rms > _MISFIT and fit.value("blur") > _SHARP_PX


def _tiny(candidate: Candidate, fit: ShapeFit) -> bool:
    """Return whether blur leaves no half height along the edge of a bore to say where it is eaten."""
    return candidate.is_round and fit.value("radius") < _TINY * fit.value("blur")


def worn_request(candidate: Candidate, want: VoxelRequest | None) -> VoxelRequest | None:
    """Return the want of a candidate with what the judgement on wear needs added."""
    return with_whole_edge(candidate, want) if wants_whole_edge(candidate) else want


def settle_wear(
    squared: SquaredStack, sized: Sequence[FittedCandidate], data: Sequence[Voxels | None], noise: float
) -> list[FittedCandidate | None]:
    """Measure eaten edges by their sound parts, judge every hollow, and note the wear.

    Parameters
    ----------
    squared : SquaredStack
        The stack.
    sized : sequence of FittedCandidate
        All candidates with their first fits.
    data : sequence of tuple of arrays, or None
        The voxels that `worn_request` asked for, for each candidate.
    noise : float
        Standard deviation of one voxel in units of the contrast.

    Returns
    -------
    list of FittedCandidate or None
        In the same order; None for an arc that turned out to be eaten. A hollow whose ln odds are between -3 and 5
        stays, flagged `undecided`, with the other reading beside it.
    """
    out: list[FittedCandidate | None] = list(sized)
    for i, one in enumerate(sized):
        voxels = data[i]
        if voxels is None or not isinstance(one.fit, ShapeFit) or "slope_x" not in one.fit.names:
            continue
        if not (wants_whole_edge(one.candidate) or _misfits(one.candidate, one.fit)) or _tiny(one.candidate, one.fit):
            continue
        edge = resettled(one, cells_of(one, voxels, squared, noise))
        if edge is None or not edge.cells:
            continue
        hollows = [
            j for j, other in enumerate(sized)
            if other.candidate.is_relief and _shares(one.candidate, other.candidate)
        ]  # fmt: skip
        cut = [np.zeros(e.shape, dtype=bool) for e in edge.eaten]
        kept = False
        for j in hollows:
            verdict = bite_or_relief(sized[j], one, edge)
            judged = _judged(sized[j], verdict, edge, data[j], squared, noise)
            out[j] = judged
            if judged is not None:
                kept = True
                for k, marks in verdict.arc.items():
                    cut[k] |= np.asarray(marks.any(axis=0))[None, :]
        again = _again(one, edge, voxels, squared, noise)
        ring = _ringed(one, sized)
        if ring:
            cut = [marks | _beyond(one, ring, edge, k) for k, marks in enumerate(cut)]
        wear = wear_of(again, edge, cut, squared)
        out[i] = replace(again, wear=wear, candidate=replace(again.candidate, relieved=kept or bool(ring)))
    return out


def _ringed(one: FittedCandidate, sized: Sequence[FittedCandidate]) -> list[FittedCandidate]:
    """Return the other edges of a ring fragment, found in the same outline."""
    return [o for o in sized if o is not one and o.candidate.is_round and _shares(one.candidate, o.candidate)]


def _beyond(one: FittedCandidate, ring: list[FittedCandidate], edge: SoundEdge, which: int) -> NDArray[np.bool_]:
    """Mark the cells (B, S) of a ring fragment's outline that are another edge or its breaks: neither is wear."""
    places, lost = edge.cells[which].places, edge.lost[which]
    out = np.zeros(lost.shape, dtype=bool)
    for shape in (fitted_shape(other) for other in ring):
        if shape is not None:
            away = np.abs(shape.signed_distance(places.reshape(-1, 2)).reshape(lost.shape))
            out |= away < np.abs(lost)
    low, high, _ = max(one.candidate.gaps_deg, key=lambda gap: gap[1] - gap[0], default=(0.0, 0.0, 0.0))
    x, y = edge.shape.centre
    skirt = float(np.degrees(_BREAK_SKIRT_PX / max(edge.shape.half_width, 1.0)))
    angle = np.degrees(np.arctan2(places[..., 1] - y, places[..., 0] - x))
    return np.asarray(out | ((angle - low + skirt) % 360 < high - low + 2 * skirt))


def _shares(a: Candidate, b: Candidate) -> bool:
    """Return whether two candidates were found in one outline."""
    spans = {id(s.points) for s in a.spans}
    return any(id(s.points) in spans for s in b.spans)


def _judged(
    relief: FittedCandidate,
    verdict: Verdict,
    edge: SoundEdge,
    voxels: Voxels | None,
    squared: SquaredStack,
    noise: float,
) -> FittedCandidate | None:
    """Return the relief measured on its sound arc, flagged where the odds are close; None where it is eaten."""
    if verdict.ln_odds <= -_MARGIN_WORN:
        return None
    if verdict.arc and voxels is not None and len(voxels[0]):
        relief = _on_arc(relief, verdict, edge, voxels, squared, noise)
    if verdict.ln_odds >= MARGIN:
        return relief
    if isinstance(relief.fit, ShapeFit) and relief.fit.value("radius") < _LEAST_RADIUS_PX:
        return None
    other = RivalShape("worn", verdict.ln_odds, {}, words="an edge that was eaten or broke, and no relief at all")
    return replace(relief, candidate=undecided(relief.candidate, (other,)))


def _on_arc(
    relief: FittedCandidate, verdict: Verdict, edge: SoundEdge, voxels: Voxels, squared: SquaredStack, noise: float
) -> FittedCandidate:
    """Fit the arc again to the cells of its sound part, clear of the corners where it meets the edge."""
    marks = {k: _clear_of_ends(m) for k, m in verdict.arc.items()}
    used = sorted(marks)
    circle = Circle(*(float(v) for v in verdict.circle))
    candidate = with_sound_spans(
        relief.candidate, circle, [edge.cells[k] for k in used], [marks[k] for k in used]
    )  # fmt: skip
    fitted = fit_size(candidate, _beside(candidate, voxels), squared, noise)
    if not isinstance(fitted.fit, ShapeFit):
        return relief
    kept = replace(relief.candidate, shape=fitted_shape(fitted) or circle)
    return replace(fitted, candidate=kept)


def _clear_of_ends(marks: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Leave out the outermost cell of an arc at either end, where blur mixes it with the edge it meets."""
    inner = marks & np.roll(marks, 1, axis=1) & np.roll(marks, -1, axis=1)
    return inner if inner.any(axis=0).sum() >= 3 else marks


def _beside(candidate: Candidate, voxels: Voxels) -> Voxels:
    """Return the voxels beside the sound cells of a candidate that has a shape."""
    want = request_for(candidate)
    return voxels if want is None else chosen(want, voxels)


def _again(
    one: FittedCandidate, edge: SoundEdge, voxels: Voxels, squared: SquaredStack, noise: float
) -> FittedCandidate:
    """Fit the shape again to its sound cells alone; the first fit stays where too little is sound."""
    sound = [~e for e in edge.eaten]
    if all(s.all() for s in sound):
        return one
    candidate = with_sound_spans(one.candidate, edge.shape, edge.cells, sound)
    beside = _beside(candidate, levelled(edge.cells, voxels))
    again = fit_size(candidate, beside, squared, noise)
    fit = again.fit
    sizes = ("radius", "a", "b", "inradius")
    if not isinstance(fit, ShapeFit) or any(n in sizes and fit.u(n) > _WORSE_PX for n in fit.names):
        return one
    want = request_for(candidate)
    if want is not None and is_small(again, damaged=True):
        again = fit_small(again, chosen(want, voxels), squared, noise)
    share = min(one.candidate.share, float(np.mean([s.mean() for s in sound])))
    own = replace(one.candidate, shape=fitted_shape(again), share=share, flags=again.candidate.flags)
    again = replace(again, candidate=own)
    if one.candidate.has_flats and not one.candidate.rivals:
        # its two widths may read otherwise now
        plain = replace(again, candidate=replace(again.candidate, others=(), flags=_less(again.candidate.flags)))
        return special_case(plain, voxels, squared, noise)
    return round_again(again, beside, squared, noise) if one.candidate.is_round else again


def _less(flags: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(f for f in flags if f != "undecided")
