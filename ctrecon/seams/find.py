"""Seams: thin closed lines of lower grey inside solid metal that keep their shape through depth."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.fit_result import ShapeFit
from ctrecon.features.build import MeasuredFeature, SeamStrength
from ctrecon.grey.square_up import SquaredStack
from ctrecon.record.kinds import is_outside, kind_of
from ctrecon.seams.base import Base
from ctrecon.seams.depth import Depths, find_depths
from ctrecon.seams.false_alarm import (
    FILLED_BRIGHT,
    Continuity,
    chance_of,
    closed,
    closed_set,
    drifts,
    is_ring,
    stays_in_slices,
)
from ctrecon.seams.field import SeamField, SolidMetal
from ctrecon.seams.line_kinds import SeamShape, grown, line_kind
from ctrecon.seams.other_material import grey_inside
from ctrecon.seams.outline_fit import OutlineFit, band_of, fit_outline
from ctrecon.seams.refine import SET, SeamCandidate, refine, sampled
from ctrecon.seams.rod import rod_round
from ctrecon.seams.search import Centre, judged_without_itself, search
from ctrecon.seams.sets import SetLead, mates_of, most_z, refine_set, search_sets
from ctrecon.seams.to_feature import of_one_size, seam_draft

__all__ = ["find_seams"]

_MOST_CENTRES = 4
_ONE_AXIS_PX = 1.0
_MOST_OUTLINES = 3
_MOST_SEAMS = 6
_MOST_SETS = 3
_STRONG_FACE = 6.0  # deviations, all of its area taken together: fainter ones leave no trace at a line
_FACE_PLANES = 1  # either side: the blur along depth
_ODD = 0.34  # of a set: one in three may look like a ring, being too faint to tell, or lying about the rings' middle
_TELL_A_MATE = 3  # rivets of one set go through the same layers: two that agree tell where a faint third ends
_MATES_PLANES = 2.0
_FEW_PLACES = 2.0  # deviations by which the best of a hundred places falls short of the best of some ten thousand
_ENDS_IN_METAL = 100.0  # one seam in a hundred ends within solid metal: a plug in a blind hole
_AT_A_FACE = 1.5  # planes
# what is left of rings runs through all slices, too, and bends to many an outline: such a seam must be far surer
_AMONG_RINGS = 1e5
_MOST_CHANCE = 0.03
_OVER_ALL = 1.1
_PART_OF_IT = 0.01  # however strong: a crack that bends may follow two or three sides of an outline
_WORTH_A_LOOK = 3.9
_SLACK = 1.0  # the middle of the scores may move by as much once a line is judged without itself
_OWN_PX = 4.0
_PSF_PX = 0.8
_END_BLUR = 1.0
_SAME_GROWTH = 0.05
_BESIDE = 1.2
_OTHER_FITS = 4.0
_BLUR_KNOWN = 0.1
_FREE_DEPTH = 2.0


def find_seams(
    squared: SquaredStack, drafts: list[MeasuredFeature], faces: Sequence[MeasuredFeature] = (),
    solid: SolidMetal | None = None, tell: Callable[[float], None] = lambda _: None,
) -> list[MeasuredFeature]:  # fmt: skip
    """Search the solid metal for seams: about every axis of the part, inside its outlines, and anywhere else.

    Parameters
    ----------
    squared : SquaredStack
        The part's planes square to its axis.
    drafts : list of MeasuredFeature
        All features but seams.
    faces : sequence of MeasuredFeature
        Flat seams that are known already. The planes of strong ones are left out: all metal about an arbor is darker
        there, and the arbor's rim would pass for a line in them.
    solid : SolidMetal, optional
        The sound metal of all planes, where it is known already.
    tell : callable
        Told now and then how far the search is, 0 to 1: a guess, since nobody knows how many seams there are.

    Returns
    -------
    list of MeasuredFeature
        square_seam, round_seam and free_seam features, without ids, each with its `SeamStrength`; none that solid
        metal scanned like this shows in more than 3 of 100 cases.
    """
    if solid is None or len(solid) < len(squared):
        solid = SolidMetal(squared.plane, len(squared))
    field = SeamField.of(squared.plane, solid, _darkened(faces))
    squared.rest()
    if field is None:
        return []
    centres, outlines = _centres(drafts), _outlines(drafts)
    out: list[MeasuredFeature] = []
    once, done = len(centres) + len(outlines) + 1, 0

    def step() -> None:
        nonlocal done
        done += 1
        tell(done / (done + once))  # half after the first search; each seam that is found makes another

    for _ in range(_MOST_SEAMS):
        draft, field = _next_seam(squared, solid, field, centres, outlines, drafts, step)
        if draft is None:
            break
        out.append(draft)
    turned = _turned_about(centres, drafts)
    for _ in range(_MOST_SETS):
        members, field = _next_set(squared, solid, field, turned, drafts, out)
        if not members:
            break
        out += members
    return out


def _darkened(faces: Sequence[MeasuredFeature]) -> set[int]:
    """Return the planes that strong flat seams darken."""
    strong = [f.depths[0] for f in faces if f.seam is not None and f.seam.z > _STRONG_FACE]
    return {k for at in strong for k in range(round(at) - _FACE_PLANES, round(at) + _FACE_PLANES + 1)}


def _next_seam(
    squared: SquaredStack, solid: SolidMetal, field: SeamField, centres: list[Centre], outlines: list[Base],
    drafts: list[MeasuredFeature], step: Callable[[], None],
) -> tuple[MeasuredFeature | None, SeamField]:  # fmt: skip
    """Return the strongest line that is a seam, and the field without it."""
    leads = [refine(field, lead) for lead in search(field, centres, outlines, step) if _may_be(field, lead)]
    for lead in _simplest_first(field, leads):
        form = closed(field, lead)
        if form.reason:
            continue
        near = _near(squared, field, lead)
        # the same line may have been met in several searches: the surest of them counts
        surest = min((one for one in leads if _same(one, lead)), key=_chance)
        every = [lead] if surest is lead else [lead, surest]
        # what its four sides show against the lines beside it can't be much less than what it shows against all lines
        most = _BESIDE * sum(form.sides) / len(form.sides) ** 0.5
        if all(_chance(replace(one, z=most)) > _MOST_CHANCE for one in every):
            continue
        judged = min((judged_without_itself(field, near, one) for one in every), key=_chance)
        judged = replace(judged, z=min(judged.z, most))
        lead = replace(lead, z=judged.z, scale=judged.scale)
        if _chance(judged) > _MOST_CHANCE or _ring(squared, solid, field, lead):
            continue
        measured = _measure(squared, solid, field, lead, [d.depths for d in drafts])
        if measured is None:
            continue
        fit, depths, lead = measured
        form = closed(field, replace(lead, shape=fit.shape, growth=fit.growth))
        if form.reason:  # the fit may have moved to another line
            continue
        lead = _over_all(field, near, lead, fit)
        doubt = _doubt(squared, lead, depths, drafts)
        chance = max(min(_chance(lead) * doubt, 1.0), _PART_OF_IT if form.part_of_it else 0.0)
        if chance > _MOST_CHANCE:
            continue
        sides = tuple(round(s, 1) for s in form.sides)
        strength = SeamStrength(round(lead.z, 2), float(f"{chance:.3g}"), round(form.filled_share, 2), sides)
        planes = _planes(field, lead)
        inside = grey_inside(squared, fit.shape, depths.first, depths.last)
        rod = rod_round(squared, fit.shape, depths.first, depths.last) if inside and inside.other_material else None
        if rod is not None:
            fit = replace(fit, shape=rod.shape, u=rod.u, growth=0.0, u_growth=0.0)
        found = seam_draft(squared, fit, depths, strength, (planes[0] + planes[1]) / 2, inside, stepped=rod is not None)
        # the line as it was met, too: a rod of another material may be far smaller than what was taken for its outline
        covered = near | _near(squared, field, replace(lead, shape=fit.shape, growth=fit.growth))
        if inside is not None and inside.other_material:  # nothing more is looked for in it
            covered |= _within(squared, fit.shape)
        return found, field.cleaned(covered)
    return None, field


def _next_set(
    squared: SquaredStack, solid: SolidMetal, field: SeamField, centres: list[Centre], drafts: list[MeasuredFeature],
    found: list[MeasuredFeature],
) -> tuple[list[MeasuredFeature], SeamField]:  # fmt: skip
    """Return the surest set of equal circles round an axis that are seams, and the field without them.

    A rivet alone may be too faint to tell from the rings and streaks that cross it; its mates, at the same distance
    and evenly spaced, tell it. What belongs to a seam that was found needs less, for its mates have few places to be.
    """
    sets: list[tuple[float, SetLead, Centre]] = []
    for centre in centres:
        about = (centre.x, centre.y, centre.reach)
        for one in search_sets(field, *about):
            if one.z > _WORTH_A_LOOK and chance_of(most_z(field, one), anywhere=True) <= _MOST_CHANCE:
                near = np.logical_or.reduce([_near(squared, field, lead) for lead in one.members])
                again = search_sets(field, *about, scale_from=field.cleaned(near), known=one)
                sets += [(chance_of(a.z, anywhere=True), a, centre) for a in again]
        for seam in found:
            shape = seam.sized.candidate.circle
            if shape is not None and float(np.hypot(shape.x - centre.x, shape.y - centre.y)) > shape.radius:
                bright = "seam_bright" in seam.feature.flags
                mates = mates_of(field, *about, shape, _blocks_of(field, seam.depths), bright=bright)
                if mates is not None:
                    sets.append((chance_of(mates.z + _FEW_PLACES, anywhere=False), mates, centre))
    for chance, one, centre in sorted(sets, key=lambda three: (three[0], -three[1].z)):
        if chance > _MOST_CHANCE:
            break
        each = one.z / len(one.members) ** 0.5
        name = SET if len(one.members) > 1 else "circle"  # one alone has no mates that tell what it is like
        leads = [replace(lead, z=each, name=name) for lead in refine_set(field, centre.x, centre.y, one).members]
        turns = [float(np.arctan2(m.shape.centre[1] - centre.y, m.shape.centre[0] - centre.x)) for m in leads]
        form = closed_set(field, leads, turns) if len(leads) >= _TELL_A_MATE else None
        rings = (_ring(squared, solid, field, lead) for lead in leads)
        if (form is not None and form.reason) or sum(rings) > _ODD * len(leads):
            continue
        members, left = _members(squared, solid, field, leads, (chance, form), drafts, [d.depths for d in drafts])
        if len(members) == len(leads) >= _TELL_A_MATE:
            usual = np.median([m.depths for m in members], axis=0)
            if max(float(np.abs(np.array(m.depths) - usual).max()) for m in members) > _MATES_PLANES:
                ends = [(float(usual[0]), float(usual[1]))]
                members, left = _members(squared, solid, field, leads, (chance, form), drafts, ends)
        if len(members) == len(leads):
            return of_one_size(members), left
    return [], field


def _members(
    squared: SquaredStack, solid: SolidMetal, field: SeamField, leads: Sequence[SeamCandidate],
    judged: tuple[float, Continuity | None], drafts: list[MeasuredFeature], ends: list[tuple[float, float]],
) -> tuple[list[MeasuredFeature], SeamField]:  # fmt: skip
    """Measure the circles of a set that likely end at `ends`, and return the field without them.

    `judged` is the chance of the whole set, and how its circles go round; None where they are too few to tell together.
    """
    out: list[MeasuredFeature] = []
    for lead in leads:
        draft, field = _member(squared, solid, field, lead, judged, drafts, ends)
        out += [] if draft is None else [draft]
    return out, field


def _member(
    squared: SquaredStack, solid: SolidMetal, field: SeamField, lead: SeamCandidate,
    judged: tuple[float, Continuity | None], drafts: list[MeasuredFeature], ends: list[tuple[float, float]],
) -> tuple[MeasuredFeature | None, SeamField]:  # fmt: skip
    """Measure one circle of a set; return the field without it, too."""
    measured = _measure(squared, solid, field, lead, ends)
    if measured is None:
        return None, field
    fit, depths, lead = measured
    chance = min(judged[0] * _rarer(lead, depths, drafts, len(squared)), 1.0)
    form = judged[1] or closed(field, replace(lead, shape=fit.shape))
    if chance > _MOST_CHANCE or form.reason:
        return None, field
    sides = tuple(round(s, 1) for s in form.sides)
    strength = SeamStrength(round(lead.z, 2), float(f"{chance:.3g}"), round(form.filled_share, 2), sides)
    planes = _planes(field, lead)
    draft = seam_draft(squared, fit, depths, strength, (planes[0] + planes[1]) / 2)
    return draft, field.cleaned(_near(squared, field, replace(lead, shape=fit.shape)))


def _blocks_of(field: SeamField, depths: tuple[float, float]) -> tuple[int, int]:
    """Return the first and last block that lie within some depths; the nearest one where none does."""
    blocks = list(enumerate(pairwise(field.starts)))
    inner = [b for b, (p, q) in blocks if depths[0] <= (p + q - 1) / 2 <= depths[1]]
    middle = (depths[0] + depths[1]) / 2
    near = min(blocks, key=lambda block: abs(sum(block[1]) / 2 - middle))[0]
    return (inner[0], inner[-1]) if inner else (near, near)


def _over_all(field: SeamField, near: NDArray[np.bool_], lead: SeamCandidate, fit: OutlineFit) -> SeamCandidate:
    """Judge a straight line over all the depth it was followed through: there it must be as strong as at its best."""
    if lead.growth:
        return lead
    fine, weight = sampled(field, fit.shape, lead.first, lead.last)
    raw = -float((fine * weight).sum()) / max(float(weight.sum()), 1e-6) ** 0.5
    whole = judged_without_itself(field, near, replace(lead, raw=raw, against=False))
    return replace(lead, z=min(lead.z, _OVER_ALL * whole.z))


def _doubt(squared: SquaredStack, lead: SeamCandidate, depths: Depths, drafts: list[MeasuredFeature]) -> float:
    """Return by how much likelier a false alarm is where such a seam would be rare, or where rings look like it."""
    plain = lead.name in ("square", "circle")
    among_rings = _ringed(squared) and (not plain or _through_all(depths, drafts))
    return _rarer(lead, depths, drafts, len(squared)) * (_AMONG_RINGS if among_rings else 1.0)


def _rarer(lead: SeamCandidate, depths: Depths, drafts: list[MeasuredFeature], planes: int) -> float:
    """Return by how much rarer than others a seam is that ends within metal, or is filled with something heavier."""
    return _ENDS_IN_METAL ** _ends_in_metal(depths, drafts, planes) * (FILLED_BRIGHT if lead.bright else 1.0)


def _ends_in_metal(depths: Depths, drafts: list[MeasuredFeature], planes: int) -> int:
    """Count the ends of a seam that lie at no face of the part: a piece ends where metal ends."""
    faces = [0.0, planes - 1.0, *(end for d in drafts for end in d.depths)]
    ends = ((depths.first, depths.u_first), (depths.last, depths.u_last))
    return sum(min(abs(face - at) for face in faces) > max(2 * u, _AT_A_FACE) for at, u in ends)


def _through_all(depths: Depths, drafts: list[MeasuredFeature]) -> bool:
    """Recognise a seam that runs from the first to the last face of the part."""
    ends = [end for d in drafts for end in d.depths]
    return bool(ends) and depths.first < min(ends) + 2 and depths.last > max(ends) - 2


def _ringed(squared: SquaredStack) -> bool:
    artefacts = squared.survey.artefacts
    return artefacts is not None and artefacts.rings is not None


def _may_be(field: SeamField, lead: SeamCandidate) -> bool:
    """Return whether a lead is worth a look: judged without itself its scatter can't be less than noise allows."""
    most = max(abs(lead.raw), abs(lead.raw - lead.scale.middle)) / max(field.least_spread, 1e-12) + _SLACK
    return lead.z > _WORTH_A_LOOK and _chance(replace(lead, z=most)) <= _MOST_CHANCE


def _chance(lead: SeamCandidate) -> float:
    many = not lead.makers or lead.growth != 0.0 or lead.name == "rectangle"
    return chance_of(lead.z, anywhere=many)


def _same(one: SeamCandidate, other: SeamCandidate) -> bool:
    """Return whether two leads are one line."""
    away = np.abs(one.shape.signed_distance(other.shape.outline(36)))
    alike = float(np.median(away)) < 1.0 and float(away.max()) < 4.0 and abs(one.growth - other.growth) < _SAME_GROWTH
    return one is other or (one.bright is other.bright and alike)


def _measure(
    squared: SquaredStack, solid: SolidMetal, field: SeamField, lead: SeamCandidate, ends: list[tuple[float, float]]
) -> tuple[OutlineFit, Depths, SeamCandidate] | None:
    """Fit outline and depths, then the outline again over the whole of these depths."""
    noise, shared = squared.survey.noise_rel, float(squared.survey.correlation.by_depth[0])
    measured: tuple[OutlineFit, Depths, SeamCandidate] | None = None
    for _ in range(2):
        blur, known = _blur(squared, lead.shape.centre, _planes(field, lead))
        fit = fit_outline(field, lead, blur=blur, blur_known=known, noise=noise, shared=shared)
        if fit is None and lead.name == SET:
            fit = fit_outline(field, lead, blur=blur, blur_known=known, noise=noise, shared=shared, held=True)
        for other in _others(lead) if measured is None and lead.name != SET else ():  # pins are round
            rival = fit_outline(field, other, blur=blur, blur_known=known, noise=noise, about=lead)
            if rival is None or (fit is not None and fit.worse_than(rival) <= _OTHER_FITS):
                continue
            other = replace(other, shape=rival.shape)
            if not closed(field, other).reason:  # what shows on a part of itself only is no better line
                lead, fit = other, rival
        depths = None if fit is None else find_depths(squared, solid, fit, _planes(field, lead), ends)
        if fit is None or depths is None:
            return measured
        measured = fit, depths, lead
        blocks = list(enumerate(pairwise(field.starts)))
        # blocks that reach over an end would make the gap look thinner
        inner = [b for b, (p, q) in blocks if depths.first + _END_BLUR <= p and q - 1 <= depths.last - _END_BLUR]
        inner = inner or [b for b, (p, q) in blocks if depths.first <= (p + q - 1) / 2 <= depths.last]
        if not inner or (inner[0], inner[-1]) == (lead.first, lead.last):
            break
        other = replace(lead, first=inner[0], last=inner[-1], growth=fit.growth)
        by = fit.growth * (sum(_planes(field, other)) - sum(_planes(field, lead))) / 2
        lead = replace(other, shape=grown(fit.shape, by))
    return measured


def _others(lead: SeamCandidate) -> list[SeamCandidate]:
    """Return what a small or faint circle may be as well: a square of its area, in some turns; and the reverse."""
    return [replace(lead, shape=one) for one in line_kind(lead.shape).rivals(lead.shape)]


def _blur(squared: SquaredStack, centre: tuple[float, float], planes: tuple[int, int]) -> tuple[float, float]:
    """Return the blur to expect on the mean of squared planes (sigma, px), and its relative uncertainty.

    To the blur of the scan come the voxel's own width and what linear interpolation adds: f (1 - f) where a square
    pixel lies the fraction f from a voxel to the next.
    """
    found = squared.survey.artefacts
    measured = None if found is None else found.psf_px
    _, dy, dx = squared.survey.stack.voxel_mm or (1.0, 1.0, 1.0)
    total = (_PSF_PX if measured is None else measured) ** 2
    places = np.array([squared.to_stack_mm(*centre, k)[:2] / [dx, dy] for k in range(planes[0], planes[1] + 1)])
    part = places % 1
    ratio = np.array([dx, dy]) / squared.pitch_mm
    total += float(np.mean(ratio**2 / 12 + (part * (1 - part)).mean(axis=0) * ratio**2))
    return float(total**0.5), _BLUR_KNOWN if measured is not None else 2 * _BLUR_KNOWN


def _planes(field: SeamField, lead: SeamCandidate) -> tuple[int, int]:
    """First and last plane of a lead's stretch."""
    return field.starts[lead.first], field.starts[lead.last + 1] - 1


def _near(squared: SquaredStack, field: SeamField, lead: SeamCandidate) -> NDArray[np.bool_]:
    """Return the pixels that a line and its blur cover in any of its planes."""
    first, last = _planes(field, lead)
    size = (squared.shape[1], squared.shape[2])
    rows, columns, _ = band_of(lead.shape, size, _OWN_PX + abs(lead.growth) * (last - first) / 2)
    near = np.zeros(size, dtype=bool)
    near[rows, columns] = True
    return near


def _within(squared: SquaredStack, shape: SeamShape) -> NDArray[np.bool_]:
    """Return the pixels inside a line."""
    rows, columns = squared.shape[1:]
    y, x = np.mgrid[:rows, :columns]
    inside = shape.signed_distance(np.column_stack([x.ravel(), y.ravel()]).astype(float)) > 0
    return np.asarray(inside.reshape(rows, columns))


def _simplest_first(field: SeamField, leads: list[SeamCandidate]) -> list[SeamCandidate]:
    """Order leads by how well each explains the grey of one and the same stretch, freedom of shape charged for."""
    if not leads:
        return []
    first = leads[0]
    spread = min(lead.scale.spread for lead in leads)

    def worth(lead: SeamCandidate) -> float:
        fine, weight = sampled(field, lead.shape, lead.first, lead.last, lead.growth)
        total = float(weight.sum())
        raw = abs(float((fine * weight).sum())) / total**0.5 if total > 0 else 0.0
        free = line_kind(lead.shape).charge(lead.shape) + (1 if lead.growth else 0)
        return (raw / spread) ** 2 / 2 - free * (_FREE_DEPTH + 0.005 * (raw / spread) ** 2)

    return [first] if len(leads) == 1 else sorted(leads, key=lambda lead: -worth(lead))


def _ring(squared: SquaredStack, solid: SolidMetal, field: SeamField, lead: SeamCandidate) -> bool:
    found = squared.survey.artefacts
    rings = None if found is None else found.rings
    planes = _planes(field, lead)
    along = squared.rotation[:, 2] / squared.rotation[2, 2] * squared.depth_step_mm / squared.pitch_mm
    drift = float(along[0]), float(along[1])
    centre = None
    if rings is not None and not drifts(field, lead, drift):
        _, dy, dx = squared.survey.stack.voxel_mm or (1.0, 1.0, 1.0)
        x0, y0, _ = squared.origin_mm
        depth = squared.to_stack_mm(*lead.shape.centre, (planes[0] + planes[1]) / 2)[2]
        place = squared.rotation @ np.array([rings.x_px * dx, rings.y_px * dy, depth])
        centre = ((float(place[0]) - x0) / squared.pitch_mm, (float(place[1]) - y0) / squared.pitch_mm)
    fine, weight = sampled(field, lead.shape, lead.first, lead.last)
    dip = abs(float((fine * weight).sum() / max(weight.sum(), 1e-9)))
    # rings are taken out of the planes: what even metal does not show of one leaves half of it, or twice the usual rest
    amplitude = 0.0 if rings is None else max(rings.amplitude / 2, 2 * rings.left)
    return is_ring(squared.plane, solid, lead, planes, centre, amplitude, dip, field.kernel) or stays_in_slices(
        field, lead, drift
    )


def _centres(drafts: list[MeasuredFeature]) -> list[Centre]:
    """List the distinct axes of the part, the longest first, each with the reach of the metal round it.

    What shares an axis shares its reach: a thin pin end says where the middle lies, a wheel below it how far the metal
    goes that may hold a seam.
    """
    found: list[Centre] = []
    outside = [d for d in drafts if is_outside(d.feature) or kind_of(d.feature).is_relief]
    for draft in sorted(drafts, key=lambda d: d.depths[0] - d.depths[1]):
        fit = draft.sized.fit
        if not isinstance(fit, ShapeFit) or kind_of(draft.feature).is_relief:
            continue
        x, y = fit.value("x"), fit.value("y")
        points = [
            d.sized.candidate.spans[0].points
            for d in outside
            if d.depths[1] >= draft.depths[0] and d.depths[0] <= draft.depths[1]
        ]
        if not points:
            continue
        same = next((i for i, c in enumerate(found) if np.hypot(x - c.x, y - c.y) < _ONE_AXIS_PX), None)
        if same is None and len(found) == _MOST_CENTRES:
            continue
        own = Centre(x, y, 0.0) if same is None else found[same]
        far = max(float(np.hypot(p[:, 0] - own.x, p[:, 1] - own.y).max()) for p in points)
        own = replace(own, reach=max(own.reach, far))
        if same is None:
            found.append(own)
        else:
            found[same] = own
    return found


def _turned_about(centres: list[Centre], drafts: list[MeasuredFeature]) -> list[Centre]:
    """Return the axes that an outside runs round: a set of rivets holds layers together about the axis of these."""
    round_it = [
        d.sized.fit for d in drafts
        if (kind := kind_of(d.feature)).is_outside and (kind.is_round or kind.is_square or kind.is_outlined)
    ]  # fmt: skip
    fits = [fit for fit in round_it if isinstance(fit, ShapeFit)]
    places = [(fit.value("x"), fit.value("y")) for fit in fits]
    return [c for c in centres if any(np.hypot(x - c.x, y - c.y) < _ONE_AXIS_PX for x, y in places)]


def _outlines(drafts: list[MeasuredFeature]) -> list[Base]:
    """List outlines whose parallels are neither circles nor squares: the longest through depth first."""
    odd = [
        d for d in drafts
        if (kind := kind_of(d.feature)).is_outside and not kind.is_round and not kind.is_four_sided
    ]  # fmt: skip
    odd.sort(key=lambda d: d.depths[0] - d.depths[1])
    return [Base(d.sized.candidate.spans[len(d.sized.candidate.spans) // 2].points) for d in odd[:_MOST_OUTLINES]]
