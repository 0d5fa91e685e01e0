"""Seams: thin closed lines of lower grey inside solid metal that keep their shape through depth."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.fit_result import ShapeFit
from ctrecon.features.build import Draft, SeamStrength
from ctrecon.grey.square_up import SquaredStack
from ctrecon.record.kinds import is_outside, kind_of
from ctrecon.seams.depth import Depths, find_depths
from ctrecon.seams.false_alarm import FILLED_BRIGHT, chance_of, closed, is_ring
from ctrecon.seams.field import SeamField, SolidMetal
from ctrecon.seams.outline_fit import OutlineFit, band_of, fit_outline
from ctrecon.seams.paths import Base
from ctrecon.seams.refine import Lead, grown, refine, sampled
from ctrecon.seams.search import Centre, judged_without_itself, search
from ctrecon.seams.to_feature import seam_draft
from ctrecon.shapes import Circle, Rectangle

__all__ = ["find_seams"]

_MOST_CENTRES = 4
_MOST_OUTLINES = 3
_MOST_SEAMS = 6
_ENDS_IN_METAL = 100.0  # one seam in a hundred ends within solid metal: a plug in a blind hole
_AT_A_FACE = 1.5  # planes
# what is left of rings runs through all slices, too, and bends to many an outline: such a seam must be far surer
_AMONG_RINGS = 1e5
_MOST_CHANCE = 0.03
_OVER_ALL = 1.1
_PART_OF_IT = 0.01  # however strong: a crack that bends may follow two or three sides of an outline
_WORTH_A_LOOK = 3.9
_OWN_PX = 4.0
_PSF_PX = 0.8
_END_BLUR = 1.0
_SAME_GROWTH = 0.05
_BESIDE = 1.2
_OTHER_FITS = 4.0
_BLUR_KNOWN = 0.1
_FREE_DEPTH = 2.0


def find_seams(squared: SquaredStack, drafts: list[Draft]) -> list[Draft]:
    """Search the solid metal for seams: about every axis of the part, inside its outlines, and anywhere else.

    Returns
    -------
    list of Draft
        square_seam, round_seam and free_seam features, without ids, each with its `SeamStrength`; none that solid
        metal scanned like this shows in more than 3 of 100 cases.
    """
    solid = SolidMetal(squared.plane, len(squared))
    field = SeamField.of(squared.plane, solid)
    if field is None:
        return []
    centres, outlines = _centres(drafts), _outlines(drafts)
    out: list[Draft] = []
    for _ in range(_MOST_SEAMS):
        draft, field = _next_seam(squared, solid, field, centres, outlines, drafts)
        if draft is None:
            break
        out.append(draft)
    return out


def _next_seam(
    squared: SquaredStack, solid: SolidMetal, field: SeamField, centres: list[Centre], outlines: list[Base],
    drafts: list[Draft],
) -> tuple[Draft | None, SeamField]:  # fmt: skip
    """Return the strongest line that is a seam, and the field without it."""
    leads = [refine(field, lead) for lead in search(field, centres, outlines) if lead.z > _WORTH_A_LOOK]
    for lead in _simplest_first(field, leads):
        form = closed(field, lead)
        if form.reason:
            continue
        near = _near(squared, field, lead)
        # the same line may have been met in several searches: the surest of them counts
        surest = min((one for one in leads if _same(one, lead)), key=_chance)
        every = [lead] if surest is lead else [lead, surest]
        judged = min((judged_without_itself(field, near, one) for one in every), key=_chance)
        # what its four sides show against the lines beside it can't be much less than what it shows against all lines
        judged = replace(judged, z=min(judged.z, _BESIDE * sum(form.sides) / len(form.sides) ** 0.5))
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
        found = seam_draft(squared, fit, depths, strength, (planes[0] + planes[1]) / 2)
        return found, field.cleaned(_near(squared, field, replace(lead, shape=fit.shape, growth=fit.growth)))
    return None, field


def _over_all(field: SeamField, near: NDArray[np.bool_], lead: Lead, fit: OutlineFit) -> Lead:
    """Judge a straight line over all the depth it was followed through: there it must be as strong as at its best."""
    if lead.growth:
        return lead
    fine, weight = sampled(field, fit.shape, lead.first, lead.last)
    raw = -float((fine * weight).sum()) / max(float(weight.sum()), 1e-6) ** 0.5
    whole = judged_without_itself(field, near, replace(lead, raw=raw, against=False))
    return replace(lead, z=min(lead.z, _OVER_ALL * whole.z))


def _doubt(squared: SquaredStack, lead: Lead, depths: Depths, drafts: list[Draft]) -> float:
    """Return by how much likelier a false alarm is where such a seam would be rare, or where rings look like it."""
    doubt = _ENDS_IN_METAL ** _ends_in_metal(depths, drafts, len(squared))
    plain = lead.name in ("square", "circle")
    doubt *= FILLED_BRIGHT if lead.bright else 1.0
    return doubt * (_AMONG_RINGS if _ringed(squared) and (not plain or _through_all(depths, drafts)) else 1.0)


def _ends_in_metal(depths: Depths, drafts: list[Draft], planes: int) -> int:
    """Count the ends of a seam that lie at no face of the part: a piece ends where metal ends."""
    faces = [0.0, planes - 1.0, *(end for d in drafts for end in d.depths)]
    ends = ((depths.first, depths.u_first), (depths.last, depths.u_last))
    return sum(min(abs(face - at) for face in faces) > max(2 * u, _AT_A_FACE) for at, u in ends)


def _through_all(depths: Depths, drafts: list[Draft]) -> bool:
    """Tell a seam that runs from the first to the last face of the part."""
    ends = [end for d in drafts for end in d.depths]
    return bool(ends) and depths.first < min(ends) + 2 and depths.last > max(ends) - 2


def _ringed(squared: SquaredStack) -> bool:
    artefacts = squared.survey.artefacts
    return artefacts is not None and artefacts.rings is not None


def _chance(lead: Lead) -> float:
    many = not lead.lines or lead.growth != 0.0 or lead.name == "rectangle"
    return chance_of(lead.z, anywhere=many)


def _same(one: Lead, other: Lead) -> bool:
    """Tell whether two leads are one line."""
    away = np.abs(one.shape.signed_distance(other.shape.outline(36)))
    alike = float(np.median(away)) < 1.0 and float(away.max()) < 4.0 and abs(one.growth - other.growth) < _SAME_GROWTH
    return one is other or (one.bright is other.bright and alike)


def _measure(
    squared: SquaredStack, solid: SolidMetal, field: SeamField, lead: Lead, ends: list[tuple[float, float]]
) -> tuple[OutlineFit, Depths, Lead] | None:
    """Fit outline and depths, then the outline again over the whole of these depths."""
    noise = squared.survey.noise_rel
    measured: tuple[OutlineFit, Depths, Lead] | None = None
    for _ in range(2):
        blur, known = _blur(squared, lead.shape.centre, _planes(field, lead))
        fit = fit_outline(field, lead, blur=blur, blur_known=known, noise=noise)
        for other in _others(lead) if measured is None else ():
            rival = fit_outline(field, other, blur=blur, blur_known=known, noise=noise, about=lead)
            if rival is not None and (fit is None or fit.worse_than(rival) > _OTHER_FITS):
                lead, fit = replace(other, shape=rival.shape), rival
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


def _others(lead: Lead) -> list[Lead]:
    """Return what a small or faint circle may be as well: a square of its area, in some turns; and the reverse."""
    shape = lead.shape
    if isinstance(shape, Circle):
        flats = shape.radius * np.pi**0.5
        return [replace(lead, shape=Rectangle(shape.x, shape.y, flats, flats, t)) for t in (0.0, 30.0, 60.0)]
    if isinstance(shape, Rectangle) and shape.a == shape.b:
        return [replace(lead, shape=Circle(shape.x, shape.y, shape.a / np.pi**0.5))]
    return []


def _blur(squared: SquaredStack, centre: tuple[float, float], planes: tuple[int, int]) -> tuple[float, float]:
    """Return the blur to expect on the mean of square planes (sigma, px), and its relative uncertainty.

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


def _planes(field: SeamField, lead: Lead) -> tuple[int, int]:
    """First and last plane of a lead's stretch."""
    return field.starts[lead.first], field.starts[lead.last + 1] - 1


def _near(squared: SquaredStack, field: SeamField, lead: Lead) -> NDArray[np.bool_]:
    """Return the pixels that a line and its blur cover in any of its planes."""
    first, last = _planes(field, lead)
    size = (squared.shape[1], squared.shape[2])
    rows, columns, _ = band_of(lead.shape, size, _OWN_PX + abs(lead.growth) * (last - first) / 2)
    near = np.zeros(size, dtype=bool)
    near[rows, columns] = True
    return near


def _simplest_first(field: SeamField, leads: list[Lead]) -> list[Lead]:
    """Order leads by how well each explains the grey of one and the same stretch, freedom of shape charged for."""
    if not leads:
        return []
    first = leads[0]
    spread = min(lead.scale.spread for lead in leads)

    def worth(lead: Lead) -> float:
        fine, weight = sampled(field, lead.shape, lead.first, lead.last, lead.growth)
        total = float(weight.sum())
        raw = abs(float((fine * weight).sum())) / total**0.5 if total > 0 else 0.0
        free = 3 if isinstance(lead.shape, Circle) else 4 if _is_square(lead) else 5
        free += 1 if lead.growth else 0
        return (raw / spread) ** 2 / 2 - free * (_FREE_DEPTH + 0.005 * (raw / spread) ** 2)

    return [first] if len(leads) == 1 else sorted(leads, key=lambda lead: -worth(lead))


def _is_square(lead: Lead) -> bool:
    return isinstance(lead.shape, Rectangle) and lead.shape.a == lead.shape.b


def _ring(squared: SquaredStack, solid: SolidMetal, field: SeamField, lead: Lead) -> bool:
    found = squared.survey.artefacts
    rings = None if found is None else found.rings
    planes = _planes(field, lead)
    centre = None
    if rings is not None:
        _, dy, dx = squared.survey.stack.voxel_mm or (1.0, 1.0, 1.0)
        x0, y0, _ = squared.origin_mm
        depth = squared.to_stack_mm(*lead.shape.centre, (planes[0] + planes[1]) / 2)[2]
        place = squared.rotation @ np.array([rings.x_px * dx, rings.y_px * dy, depth])
        centre = ((float(place[0]) - x0) / squared.pitch_mm, (float(place[1]) - y0) / squared.pitch_mm)
    fine, weight = sampled(field, lead.shape, lead.first, lead.last)
    dip = abs(float((fine * weight).sum() / max(weight.sum(), 1e-9)))
    amplitude = 0.0 if rings is None else rings.amplitude
    return is_ring(squared.plane, solid, lead, planes, centre, amplitude, dip, field.kernel)


def _centres(drafts: list[Draft]) -> list[Centre]:
    """List the distinct axes of the part, the longest first, each with the reach of the metal round it."""
    found: list[Centre] = []
    outside = [
        d for d in drafts
        if (is_outside(d.feature) or kind_of(d.feature).is_relief) and isinstance(d.sized.fit, ShapeFit)
    ]  # fmt: skip
    for draft in sorted(drafts, key=lambda d: d.depths[0] - d.depths[1]):
        fit = draft.sized.fit
        if not isinstance(fit, ShapeFit) or kind_of(draft.feature).is_relief:
            continue
        x, y = fit.value("x"), fit.value("y")
        if any(np.hypot(x - c.x, y - c.y) < 1.0 for c in found):
            continue
        points = [
            d.sized.candidate.spans[0].points
            for d in outside
            if d.depths[1] >= draft.depths[0] and d.depths[0] <= draft.depths[1]
        ]
        if not points:
            continue
        reach = max(float(np.hypot(p[:, 0] - x, p[:, 1] - y).max()) for p in points)
        found.append(Centre(x, y, reach))
        if len(found) == _MOST_CENTRES:
            break
    return found


def _outlines(drafts: list[Draft]) -> list[Base]:
    """List outlines whose parallels are neither circles nor squares: the longest through depth first."""
    odd = [
        d for d in drafts
        if (kind := kind_of(d.feature)).is_outside and not kind.is_round and not kind.is_four_sided
    ]  # fmt: skip
    odd.sort(key=lambda d: d.depths[0] - d.depths[1])
    return [Base(d.sized.candidate.spans[len(d.sized.candidate.spans) // 2].points) for d in odd[:_MOST_OUTLINES]]
