"""The main job: from a stack of slices to the part record."""

import math
from collections.abc import Mapping
from dataclasses import replace
from itertools import compress

import numpy as np
from numpy.typing import ArrayLike

from ctrecon.core.errors import NoScaleError
from ctrecon.core.fit_result import FitFailed, ShapeFit
from ctrecon.core.flags import explain
from ctrecon.core.measured import format_percent
from ctrecon.core.memory import give_back
from ctrecon.core.progress import BEGUN, Progress, told
from ctrecon.core.threads import in_one_thread
from ctrecon.features.axis import part_axis, refine_slopes
from ctrecon.features.behind_gap import ends_behind_gaps
from ctrecon.features.budget import edge_u_px
from ctrecon.features.build import MeasuredFeature, build_features, order_features
from ctrecon.features.candidates import find_candidates
from ctrecon.features.carried_on import plan_ends
from ctrecon.features.collect_voxels import VoxelRequest, Voxels, chosen, collect_voxels
from ctrecon.features.cross_holes import find_cross_holes
from ctrecon.features.crown import crown_ends, join_crowns
from ctrecon.features.cut_through import join_over_cuts
from ctrecon.features.ends import End, EndPlan, end_request, fit_end
from ctrecon.features.form_and_relations import with_form_and_relations
from ctrecon.features.pictures import make_pictures
from ctrecon.features.pores import without_pores
from ctrecon.features.shape_selection import fit_best, request_best
from ctrecon.features.size import FittedCandidate
from ctrecon.features.slope_breaks import mark_broken_edges, meet_at_knees
from ctrecon.features.small_bores import find_small_bores
from ctrecon.features.stack_border import with_reach
from ctrecon.features.thin_walls import less_sure_of_walls, without_far_edges
from ctrecon.features.wear import settle_wear, worn_request
from ctrecon.features.wheel import is_bit_of_tooth, with_rims
from ctrecon.fitting.wheel_fit import WheelFit
from ctrecon.grey.artefacts import Artefacts, find_artefacts
from ctrecon.grey.levels import Levels, find_levels
from ctrecon.grey.square_up import AxisGuess, SquaredStack, axis_from_normals, enough_depth, square_up
from ctrecon.grey.survey import Survey, survey_stack
from ctrecon.outlines.stretches import find_stretches
from ctrecon.pieces.infer import infer_pieces
from ctrecon.pieces.joints import find_joints
from ctrecon.record.measurement import Measurement
from ctrecon.record.part import Axis, ImageInfo, Part, StackInfo, Warn
from ctrecon.record.sensitivity import with_sensitivity
from ctrecon.seams.cutouts import make_seam_pictures
from ctrecon.seams.face_limit import FlatLimit, flat_limits
from ctrecon.seams.face_seams import LayerMetal, find_face_seams
from ctrecon.seams.field import SolidMetal
from ctrecon.seams.find import find_seams
from ctrecon.seams.other_material import is_filling_of
from ctrecon.slices.stack import SliceStack, as_stack

__all__ = ["measure_stack"]

_WALL_ROUNDS = 2  # both sides of a thin wall err at first, by a tenth of a pixel; after the second round by hundredths
_SQUARE_AGAIN = 0.002  # slope; beyond this the first guess is not square enough for sharp steps


# long: the order of the stages, in one place; half of it documents the options
@in_one_thread
def measure_stack(
    stack: SliceStack | ArrayLike,
    *,
    voxel_mm: tuple[float, float, float] | float | None = None,
    name: str | None = None,
    boundary: str = "metal",
    priors: Mapping[str, float] | None = None,
    progress: Progress | None = None,
) -> Measurement:
    """Measure everything that can be measured on the largest body of a stack.

    Parameters
    ----------
    stack : SliceStack or array
        Slices with their voxel size; or grey values, shape (slices, rows, columns) or (rows, columns).
    voxel_mm : (float, float, float) or float, optional
        Voxel edges (dz, dy, dx) in mm, or one edge for all; overrules that of the stack.
    name : str, optional
        Name of the part; the stack's own name where none is given.
    boundary : {"metal", "outer"}
        Where corrosion product clings to the metal: measure the sound metal, or the outer skin.
    priors : mapping, optional
        How likely each way of building a part is before the slices are looked at; see `ctrecon.record.priors.PRIORS`.
    progress : callable, optional
        Called with (what, done, of) as the work goes on; `ctrecon.core.progress.Whole` makes one bar of it.

    Returns
    -------
    Measurement
        The record (empty lists and a warning where nothing could be measured) and pictures.

    Raises
    ------
    NoScaleError
        If the stack has no voxel size.
    InputError
        If the stack holds no data or one constant grey value.

    Examples
    --------
    A plate of 2.8 by 2 mm in one slice, blurred and noisy:

    >>> import numpy as np
    >>> from scipy.ndimage import gaussian_filter
    >>> from ctrecon import measure_stack
    >>> y, x = np.mgrid[:40, :40]
    >>> metal = np.clip(14.5 - abs(x - 19.4), 0, 1) * np.clip(10.5 - abs(y - 19.7), 0, 1)
    >>> grey = 100 + 800 * gaussian_filter(metal, 1.0) + np.random.default_rng(1).normal(0, 5, x.shape)
    >>> found = measure_stack(grey.astype(np.uint16), voxel_mm=0.1, name="plate")
    >>> for feature in found.part.features:
    ...     print(feature.id, feature.kind, *(round(one.value, 1) for one in feature.flats_pair_mm))
    F1 rectangular_outside 2.8 2.0
    >>> [warning.says for warning in found.part.warnings]
    ['a single slice has no depth']
    """
    stack = as_stack(stack, by="measure_stack", voxel_mm=voxel_mm)
    if stack.voxel_mm is None:
        raise NoScaleError(
            f"{stack.source}: nobody states the voxel size, so nothing can be measured in mm; "
            "give it as voxel_mm=(dz, dy, dx) (slice spacing, row spacing, column spacing)"
        )
    warnings = [Warn(flag=n.flag, says=n.says) for n in stack.notes]
    tell = progress or (lambda *_: None)
    tell(BEGUN, 0, math.prod(stack.shape))
    levels = find_levels(stack)
    if levels is not None and levels.product is not None:
        warnings.append(_product_warning(levels, boundary))
        levels = levels.at_boundary(boundary)
    artefacts = None if levels is None else find_artefacts(stack, levels, progress=progress)
    give_back()
    survey = None if levels is None else survey_stack(stack, levels, artefacts=artefacts, progress=progress)
    if survey is None or not survey.bodies:
        tell("form", 1, 1)
        return Measurement(_empty(stack, name, boundary, warnings))
    warnings += _survey_warnings(survey)
    warnings += [Warn(flag=n.flag, says=n.says) for n in (artefacts.notes() if artefacts is not None else ())]
    guess = axis_from_normals(survey.normals) if enough_depth(survey) else None
    squared, sized, plans = _find(survey, guess, progress)
    axis: Axis | None = None
    grain = survey.correlation.sum
    if guess is not None:
        slopes, u_slope = refine_slopes(guess, sized, [], grain=grain)
        if float(np.abs(slopes).max()) > _SQUARE_AGAIN:
            guess = _turned(squared, slopes, u_slope)
            squared.rest()
            squared, sized, plans = _find(survey, guess, progress)
    rimmed = with_rims(squared, sized, survey.noise_rel)
    whole = [not is_bit_of_tooth(one, rimmed) for one in rimmed]
    sized, plans = list(compress(rimmed, whole)), list(compress(plans, whole))
    ends = _fit_ends(squared, sized, plans, progress)
    ends = meet_at_knees(sized, ends, squared.depth_step_mm / squared.pitch_mm)
    sized = mark_broken_edges(sized, ends)
    if guess is not None:
        slopes, u_slope = refine_slopes(guess, sized, [e for pair in ends for e in pair], grain=grain)
        axis = part_axis(squared, slopes, u_slope)
    drafts = build_features(squared, sized, ends, survey.noise_rel)
    seams, limits = _find_seams(squared, drafts, progress) if axis is not None or len(stack) == 1 else ([], [])
    drafts = [d for d in drafts if not any(is_filling_of(seam, d) for seam in seams)]
    sides = {id(one): (_side(pair[0]), _side(pair[1])) for one, pair in zip(sized, plans, strict=True)}
    drafts = _behind_gaps(squared, drafts, seams, limits, sides)
    across = find_cross_holes(squared, [one.candidate for one in sized], survey.noise_rel) if axis is not None else []
    ordered = order_features([*drafts, *seams, *across])
    features = tuple(d.feature for d in ordered)
    if not features:
        warnings.append(Warn(flag="nothing_to_measure", says=explain("nothing_to_measure")))
    squared.rest()
    tell("pieces", 0, 1)
    pieces, hypotheses = infer_pieces(ordered, squared, priors=priors, limits=limits) if features else ((), ())
    part = Part(
        name=name or stack.source, made_with=_made_with(), stack=_info(stack), axis=axis, features=features,
        pieces=pieces, hypotheses=hypotheses, boundary=boundary, warnings=tuple(warnings),
        joints=find_joints(pieces, ordered, squared),
        unknown={} if axis is not None else {"axis": _why_no_axis(survey)},
        image=None if artefacts is None else _image(artefacts),
    )  # fmt: skip
    part = with_sensitivity(part, {d.feature.id: sides[id(d.sized)] for d in ordered if id(d.sized) in sides})
    part = with_form_and_relations(part, squared, ordered, survey.noise_rel, progress=progress)
    tell("form", 1, 1)
    return Measurement(part, make_pictures(squared, ordered), make_seam_pictures(squared, ordered))


def _behind_gaps(
    squared: SquaredStack, drafts: list[MeasuredFeature], seams: list[MeasuredFeature], limits: list[FlatLimit],
    sides: dict[int, tuple[int | None, int | None]],
) -> list[MeasuredFeature]:  # fmt: skip
    """Move ends by the gaps that show; what is known to be of several pieces may have others that do not, too."""
    unseen = [(one.depth, one.gap_mm) for one in limits if one.gap_mm is not None] if seams else []
    return ends_behind_gaps(
        drafts, seams, sides, pitch_mm=squared.pitch_mm, depth_step_mm=squared.depth_step_mm, unseen=unseen
    )


def _find_seams(
    squared: SquaredStack, drafts: list[MeasuredFeature], progress: Progress | None
) -> tuple[list[MeasuredFeature], list[FlatLimit]]:
    """Find flat seams, side seams without their planes, and flat seams anew where side seams bound them."""
    tell = progress or (lambda *_: None)
    squared.rest()
    tell("seams", 0, 100)
    solid = SolidMetal()
    metal = LayerMetal.of(squared, solid.add)
    if metal is None:
        return find_seams(squared, drafts, solid=solid), []
    squared.rest()
    tell("seams", 20, 100)
    faces = find_face_seams(squared, drafts, [], metal)
    sides = find_seams(squared, drafts, faces, solid, lambda share: tell("seams", 30 + round(60 * share), 100))
    tell("seams", 90, 100)
    seams = [*sides, *(find_face_seams(squared, drafts, sides, metal) if sides else faces)]
    return seams, flat_limits(squared, metal, drafts, seams)


def _find(
    survey: Survey, guess: AxisGuess | None, progress: Progress | None
) -> tuple[SquaredStack, list[FittedCandidate], list[tuple[EndPlan | End, EndPlan | End]]]:
    """Square up, trace, choose shapes and fit their sizes; plan where each ends."""
    squared = square_up(survey, guess)
    clean = survey.levels.snr > 12
    smooth = 0.7 if clean else 1.2
    stretches = find_stretches(
        squared.plane,
        len(squared),
        smooth_px=smooth,
        least_area_px2=9.0 if clean else 28.0,
        least_planes=survey.body_slices,
        pixels=squared.shape[1] * squared.shape[2],
        progress=progress,
    )
    squared.rest()
    candidates = join_over_cuts(squared, find_candidates(squared, stretches, smooth_px=smooth))
    candidates = without_pores(squared, (*candidates, *find_small_bores(squared, candidates)))
    candidates = tuple(with_reach(squared, c) for c in candidates)
    candidates, crowns = join_crowns(squared, candidates)
    squared.rest()
    wants = [request_best(c) for c in candidates]
    wide = [worn_request(c, w) for c, w in zip(candidates, wants, strict=True)]
    gathered = iter(collect_voxels(squared, [w for w in wide if w is not None], progress=progress))
    data = [None if w is None else next(gathered) for w in wide]
    noise = survey.noise_rel
    free = FitFailed("a free shape has no size to fit")
    first = [
        FittedCandidate(c, free, (c.first + c.last) / 2, False) if w is None or d is None
        else fit_best(c, _own(w, more, d), squared, noise)
        for c, w, more, d in told("sizes", list(zip(candidates, wants, wide, data, strict=True)), progress)
    ]  # fmt: skip
    freed, plain = data, first
    for _ in range(_WALL_ROUNDS):
        freed = without_far_edges(first, data, squared)
        first = [
            one if w is None or f is None or f is d
            else less_sure_of_walls(one, fit_best(c, _own(w, more, f), squared, noise))
            for one, c, w, more, d, f in zip(plain, candidates, wants, wide, data, freed, strict=True)
        ]  # fmt: skip
    first = [replace(one, crown=crowns.get(i)) for i, one in enumerate(first)]
    settled = settle_wear(squared, first, freed, noise)
    candidates = tuple(c for c, one in zip(candidates, settled, strict=True) if one is not None)
    sized = [one for one in settled if one is not None]
    single = len(survey.stack) == 1
    no_depth = End(None, None, "a single slice has no depth")
    plans: list[tuple[EndPlan | End, EndPlan | End]] = (
        [(no_depth, no_depth) for _ in candidates] if single else plan_ends(squared, candidates)
    )
    if not single:
        plans = crown_ends(sized, plans)
    return squared, sized, plans


def _own(want: VoxelRequest, wide: VoxelRequest | None, voxels: Voxels) -> Voxels:
    """Return those voxels that a candidate's own fit asks for; `wide` is what was gathered."""
    return voxels if wide is want else chosen(want, voxels)


def _fit_ends(
    squared: SquaredStack,
    sized: list[FittedCandidate],
    plans: list[tuple[EndPlan | End, EndPlan | End]],
    progress: Progress | None,
) -> list[tuple[End, End]]:
    flat = [plan for pair in plans for plan in pair if isinstance(plan, EndPlan)]
    data = iter(collect_voxels(squared, [end_request(plan) for plan in flat], progress=progress))
    noise, shared = squared.survey.noise_rel, squared.survey.correlation.by_depth
    ratio = squared.depth_step_mm / squared.pitch_mm
    out = []
    for one, pair in told("ends", list(zip(sized, plans, strict=True)), progress):
        ends = []
        for plan in pair:
            if isinstance(plan, End):
                ends.append(plan)
                continue
            voxels = next(data)
            if isinstance(one.rim, WheelFit):  # where its place will be stated: a face leans a little
                centre = one.rim.x, one.rim.y
            elif isinstance(one.fit, ShapeFit):
                centre = one.centre_at(plan.rough, ratio)
            else:
                points = one.candidate.spans[0].points
                centre = (float(points[:, 0].mean()), float(points[:, 1].mean()))
            end = _less_sure(fit_end(plan, voxels, centre, squared, noise, shared=shared), squared)
            ends.append(_or_out(squared, end, centre))
        out.append((ends[0], ends[1]))
    return out


def _side(plan: EndPlan | End) -> int | None:
    """Which way an end face moves when the metal grows: -1 shallower, +1 deeper; None where no face was seen."""
    return (-1 if plan.metal_above else 1) if isinstance(plan, EndPlan) else None


def _less_sure(end: End, squared: SquaredStack) -> End:
    """Widen u where the grey drifts through depth: right at a face its level can't be told from the face's place."""
    artefacts = squared.survey.artefacts
    if end.u is None or artefacts is None or artefacts.drift is None:
        return end
    return replace(end, u=float(np.hypot(end.u, artefacts.drift.face_u)))


def _or_out(squared: SquaredStack, end: End, centre: tuple[float, float]) -> End:
    """Call an end within a slice of the first or last slice out of the stack: its face is not seen whole."""
    if end.plane is None:
        return end
    index = float(squared.to_stack_mm(*centre, end.plane)[2]) / squared.depth_step_mm
    if index < 0.6 or index > len(squared.survey.stack) - 1.6:
        return End(None, None, "the feature runs out of the stack at this end")
    return end


def _product_warning(levels: Levels, boundary: str) -> Warn:
    assert levels.product is not None
    share = (levels.product - levels.air) / (levels.metal - levels.air)
    measured = "the sound metal under it" if boundary == "metal" else "its outer skin"
    return Warn(
        flag="corrosion_product",
        says=f"{explain('corrosion_product')} (its grey stands at {format_percent(share)} from air to metal); what "
        f"was measured "
        f"is {measured}",
    )


def _turned(squared: SquaredStack, slopes: np.ndarray, u_slope: float) -> AxisGuess:
    direction = squared.rotation.T @ np.array([slopes[0], slopes[1], 1.0])
    return AxisGuess(float(direction[0] / direction[2]), float(direction[1] / direction[2]), u_slope)


def _survey_warnings(survey: Survey) -> list[Warn]:
    out = []
    flags = []
    if survey.levels.dark_metal:
        flags.append("metal_dark")
    if survey.levels.field is not None:
        flags.append("no_data_outside")
    if survey.levels.snr < 5:
        flags.append("low_contrast")
    if len(survey.stack) == 1:
        flags.append("single_slice")
    elif not enough_depth(survey):
        flags.append("few_slices")
    out += [Warn(flag=f, says=explain(f)) for f in flags]
    big = [b for b in survey.bodies[1:] if b.voxels > 0.002 * survey.bodies[0].voxels]
    if big:
        where = ", ".join(f"{b.voxels} voxels in slices {b.low[0]} to {b.high[0]}" for b in big[:3])
        out.append(Warn(flag="several_bodies", says=f"{explain('several_bodies')}; left out: {where}"))
    return out


def _why_no_axis(survey: Survey | None) -> str:
    if survey is not None and len(survey.stack) > 1:
        return "too few slices or surfaces to show a direction"
    return "a single slice has no depth"


def _info(stack: SliceStack) -> StackInfo:
    assert stack.voxel_mm is not None
    slices, rows, columns = stack.shape
    return StackInfo(
        source=stack.source,
        slices=slices,
        rows=rows,
        columns=columns,
        voxel_mm=stack.voxel_mm,
        scale_basis=stack.scale_basis or "stated",
        handedness_basis=stack.handedness_basis,
        taken=stack.taken,
    )


def _image(artefacts: Artefacts) -> ImageInfo:
    def plain(value: float | None) -> float | None:
        return None if value is None or not np.isfinite(value) else float(value)

    return ImageInfo(
        snr=plain(artefacts.snr),
        psf_px=plain(artefacts.psf_px),
        psf_slices=plain(artefacts.psf_slices),
        noise_correlation=plain(artefacts.noise_correlation),
        ring_amplitude_rel=plain(artefacts.ring_amplitude_rel),
        drift_rel=plain(artefacts.drift_rel),
        cupping_rel=plain(artefacts.cupping_rel),
        clipped_share=plain(artefacts.clipped_share),
        edge_u_px=None if artefacts.psf_px is None else edge_u_px(artefacts.psf_px),
    )


def _empty(stack: SliceStack, name: str | None, boundary: str, warnings: list[Warn]) -> Part:
    nothing = Warn(flag="nothing_to_measure", says=explain("nothing_to_measure"))
    return Part(
        name=name or stack.source,
        made_with=_made_with(),
        stack=_info(stack),
        axis=None,
        boundary=boundary,
        warnings=(*warnings, nothing),
        unknown={"axis": "nothing was found that could show a direction"},
    )


def _made_with() -> str:
    from ctrecon import __version__

    return f"ctrecon {__version__}"
