"""Form and relations of a finished record: gathers voxels once more, fills in `form` and `relations`."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.fit_result import FitFailed, ShapeFit
from ctrecon.core.measured import Measured
from ctrecon.core.progress import Progress, told
from ctrecon.features.axis_lines import axis_lines
from ctrecon.features.bent_plate import faces_wedge, flat_distances
from ctrecon.features.build import MeasuredFeature
from ctrecon.features.collect_voxels import VoxelRequest, Voxels, collect_voxels
from ctrecon.features.edge_deviation import Edge, edge_of_flats, edge_of_round, some_of
from ctrecon.features.faces import Face, face_request, fit_face, plan_face
from ctrecon.features.form import Extreme, FlatAngles, flat_angles, round_form, straightness
from ctrecon.features.size import clear_of_others, request_for
from ctrecon.grey.square_up import SquaredStack
from ctrecon.record.hole_patterns import hole_patterns
from ctrecon.record.kinds import is_outside, is_seam, kind_of
from ctrecon.record.part import Feature, Part, Relation
from ctrecon.record.relations import (
    AxisLine,
    axes_angles,
    axis_offsets,
    centre_distances,
    equal_turns,
    said,
)

__all__ = ["with_form_and_relations"]

_BAND_PX = 4.5  # px either side of the edge that are read
_MOST_VOXELS = 24_000  # of one edge; more cost time only
_ROUND = {"x", "y", "radius", "slope_x", "slope_y", "growth", "blur", "air", "contrast"}
_FLATS = {"x", "y", "a", "b", "turn", "slope_x", "slope_y", "growth", "blur", "air", "contrast"}
_REFERENCES = {"MZCI": "roundness_mz_mm", "MCCI": "roundness_mc_mm", "MICI": "roundness_mi_mm"}
_FITTING_SIZES = {"MICI": "inscribed_mm", "MCCI": "circumscribed_mm"}


def with_form_and_relations(
    part: Part, squared: SquaredStack, drafts: list[MeasuredFeature], noise: float, *, progress: Progress | None = None
) -> Part:
    """Return the record with the form of its features and how they are placed to each other.

    Parameters
    ----------
    part : Part
        The record, features in the order of `drafts`.
    squared : SquaredStack
        The stack on its part grid.
    drafts : list of MeasuredFeature
        Where each feature came from.
    noise : float
        Noise of one voxel over the contrast.
    """
    edges = [d for d in drafts if _has_edge(d)]
    outsides = [d for d in drafts if is_outside(d.feature)]
    faces = [
        (d, start, plan)
        for d in outsides
        for start in (True, False)
        if _ends_here(d, start) and (plan := plan_face(squared, d.sized.candidate, at_start=start)) is not None
    ]
    squared.rest()
    wants: list[VoxelRequest] = [w for d in edges if (w := request_for(d.sized.candidate)) is not None]
    data = iter(
        collect_voxels(squared, [*wants, *(face_request(plan, squared) for _, _, plan in faces)], progress=progress)
    )
    features = {f.id: f for f in part.features}
    relations: list[Relation] = []
    for draft in told("form", edges, progress):
        feature, own = _edge_form(part, features[draft.feature.id], draft, next(data), squared, noise)
        features[feature.id] = feature
        relations += own
    surfaces: dict[tuple[str, bool], Face] = {}
    for draft, start, plan in faces:
        face = fit_face(plan, next(data), squared, noise)
        if isinstance(face, Face):
            surfaces[draft.feature.id, start] = face
            features[draft.feature.id] = _with_face(part, features[draft.feature.id], face, start, squared)
    part = replace(part, features=tuple(features[f.id] for f in part.features))
    lines = axis_lines(part, squared, drafts)
    relations += _between(part, squared, lines, surfaces)
    return replace(part, relations=tuple(relations))


def _between(
    part: Part, squared: SquaredStack, lines: Mapping[str, AxisLine], surfaces: Mapping[tuple[str, bool], Face]
) -> list[Relation]:
    return [
        *faces_wedge(part, surfaces),
        *axis_offsets(part, lines),
        *axes_angles(part, lines),
        *equal_turns(part),
        *hole_patterns(part, lines),
        *centre_distances(part, lines),
        *flat_distances(part, squared, lines, surfaces),
    ]


def _has_edge(draft: MeasuredFeature) -> bool:
    one = draft.sized
    if not isinstance(one.fit, ShapeFit) or is_seam(draft.feature):
        return False
    if "not_along_depth" in draft.feature.flags or "very_small" in draft.feature.flags:
        return False
    names = set(one.fit.names)
    return (one.candidate.is_round and names >= _ROUND) or (one.candidate.has_flats and names >= _FLATS)


def _ends_here(draft: MeasuredFeature, start: bool) -> bool:
    return (draft.feature.depth_from_mm if start else draft.feature.depth_to_mm) is not None


def _near(edge: Edge, clear: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return the voxels close to the edge and clear of other edges, no more than are needed."""
    at = np.flatnonzero(clear & (np.abs(edge.distance) <= _BAND_PX))
    if len(at) > _MOST_VOXELS:
        at = at[np.sort(np.random.default_rng(7).choice(len(at), _MOST_VOXELS, replace=False))]
    return at


def _edge_form(
    part: Part, feature: Feature, draft: MeasuredFeature, voxels: Voxels, squared: SquaredStack, noise: float
) -> tuple[Feature, list[Relation]]:
    one, pitch = draft.sized, squared.pitch_mm
    voxel = squared.survey.stack.voxel_mm or (1.0, 1.0, 1.0)
    if len(voxels[0]) < 200 or not isinstance(one.fit, ShapeFit):
        return feature, []
    form: dict[str, Measured] = dict(feature.form)
    says: list[str] = list(feature.form_says)
    if one.candidate.is_round:
        edge = edge_of_round(one, voxels, voxel, pitch)
        edge = some_of(edge, _near(edge, clear_of_others(edge.distance, edge.along, voxels[3], noise)))
        found = round_form(edge, one.fit.value("radius"))
        if found is not None:
            words = f"roundness up to {found.upr} waves a turn"
            main = _put(part, form, says, "roundness", found.least_squares, pitch, words)
            feature = replace(feature, roundness_mm=main)
            for circle, name in _REFERENCES.items():
                if circle in found.widths:
                    form[name] = Measured(found.widths[circle] * pitch, main.u)
            for ring, name in _FITTING_SIZES.items():
                if ring in found.departures and feature.diameter_mm is not None:
                    form[name] = _fitting_size(feature.diameter_mm, 2 * found.departures[ring] * pitch, main)
        straight = straightness(edge) if one.axis_free and found is not None else FitFailed("too short")
        if not isinstance(straight, FitFailed):
            words = f"straightness of its axis from {straight[1]} stations"
            _put(part, form, says, "straightness", straight[0], pitch, words)
        return replace(feature, form=form, form_says=tuple(says)), []
    edge = edge_of_flats(one, voxels, voxel, pitch)
    at = _near(edge, clear_of_others(edge.distance, edge.side * np.pi / 2 - np.pi + 0.1, voxels[3], noise))
    angles = flat_angles(
        some_of(edge, at), one.fit.value("a") - one.fit.value("b"),
        voxel=squared.voxels_of(*(v[at] for v in voxels[:3])), correlation=squared.survey.correlation,
    )  # fmt: skip
    return feature, [] if angles is None else _flats(part, feature, angles, pitch)


def _put(
    part: Part, form: dict[str, Measured], says: list[str], name: str, found: Extreme, pitch: float, words: str
) -> Measured:
    """Store an extreme and what noise alone gives, and say whether it stands out."""
    value = Measured(found.value * pitch, found.u * pitch)
    form[f"{name}_mm"] = value
    form[f"{name}_by_noise_mm"] = Measured(found.noise_mean * pitch, found.noise_sd * pitch)
    noise = f"noise alone gives about {found.noise_mean * pitch:.4f} mm"
    if found.resolved:
        says.append(f"{words}: {said(value, part)}; {noise}")
    else:
        most = max(found.value, found.noise_mean) * pitch
        says.append(f"{words}: not significant, at most about {most:.4f} mm; {noise}")
    return value


def _fitting_size(diameter: Measured, departure: float, roundness: Measured) -> Measured:
    """Return the diameter of a reference circle; the u of roundness holds what noise adds to extremes."""
    return Measured(diameter.value + departure, float(np.hypot(diameter.u or 0.0, roundness.u or 0.0)))


def _flats(part: Part, feature: Feature, angles: FlatAngles, pitch: float) -> list[Relation]:
    def relation(kind: str, found: Extreme, each: str, words: str) -> Relation:
        value = Measured(found.value, found.u)
        verdict = "" if found.resolved else "; not significant (within noise)"
        noise = f"noise alone gives {found.noise_mean:.3f}°"
        says = f"{feature.id}: {words} {said(value, part, 'deg')} ({each}); {noise}{verdict}"
        return Relation(kind=kind, features=(feature.id,), value=value, says=says)

    corners = ", ".join(said(c, part, "deg") for c in angles.corners)
    pairs = ", ".join(f"{p.value:+.3f}°" for p in angles.pairs)
    out = [
        relation("flats_square", angles.square, f"corners {corners}", "flats out of square by at most"),
        relation("flats_parallel", angles.parallel, f"pairs {pairs}", "opposite flats out of parallel by at most"),
    ]
    if kind_of(feature).is_square:
        wider = Measured(abs(angles.wider.value) * pitch, (angles.wider.u or 0.0) * pitch)
        same = wider.value <= 2 * (wider.u or 0.0)
        verdict = "equal within U" if same else "the square is not quite one"
        says = f"{feature.id}: its two widths across flats differ by {said(wider, part)}: {verdict}"
        out.append(Relation(kind="flats_differ", features=(feature.id,), value=wider, says=says))
    return out


def _with_face(part: Part, feature: Feature, face: Face, start: bool, squared: SquaredStack) -> Feature:
    form, says = dict(feature.form), list(feature.form_says)
    pitch = squared.pitch_mm
    where = "start" if start else "end"
    words = f"flatness of its {where} face over {face.cells} cells"
    _put(part, form, says, f"flatness_{where}", face.flat, pitch, words)
    flags = feature.flags
    if face.bent:
        bend = Measured(face.bend.value * pitch, face.bend.u * pitch)
        form[f"bend_{where}_mm"] = bend
        says.append(f"its {where} face is bent: a smooth curve takes {said(bend, part)} of that")
        flags = tuple(dict.fromkeys((*flags, "bent")))
    return replace(feature, form=form, form_says=tuple(says), flags=flags)
