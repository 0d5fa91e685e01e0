"""The record of a seam."""

from dataclasses import replace

import numpy as np
import shapely

from ctrecon.core.fit_result import FitFailed
from ctrecon.core.flags import explain
from ctrecon.core.frames import Floats
from ctrecon.core.measured import Measured
from ctrecon.features.build import MeasuredFeature, SeamStrength
from ctrecon.features.candidates import Candidate, Span
from ctrecon.features.size import FittedCandidate
from ctrecon.fitting.choose import Choice
from ctrecon.grey.square_up import SquaredStack
from ctrecon.record.kinds import kind_of
from ctrecon.record.part import Feature
from ctrecon.seams.depth import Depths
from ctrecon.seams.line_kinds import line_kind
from ctrecon.seams.other_material import Inside
from ctrecon.seams.outline_fit import OutlineFit

__all__ = ["of_one_size", "seam_draft"]

_TAPERED = 4.0
_FAINT_SIZE = 0.03  # u over the size of a rivet: surer ones keep their own
_ONE_SIZE = 3.0  # misfit per degree of freedom of two to four sizes: less than one set in twenty is worse by chance
_WIDEST_PX = 0.5  # a step of grey passes for a gap of about its height times the blur; a gap beside it is thinner


def seam_draft(
    squared: SquaredStack, fit: OutlineFit, depths: Depths, strength: SeamStrength, fitted_at: float,
    inside: Inside | None = None, *, stepped: bool = False,
) -> MeasuredFeature:  # fmt: skip
    """Turn a measured seam into a record with the candidate behind it; sizes are given at the seam's middle.

    Parameters
    ----------
    fitted_at : float
        Plane at which the outline was fitted.
    inside : Inside or None
        How the grey inside differs from that around; what is another material has no gap wider than its blur.
    stepped : bool
        Whether the shape is that of a step of grey: what looked like a gap was the step's flank.
    """
    pitch, step = squared.pitch_mm, squared.depth_step_mm
    single = len(squared.survey.stack) == 1
    first, last = depths.first, depths.last
    middle = (first + last) / 2
    # sizes are given at the seam's middle, as those of every other feature
    by = fit.growth * (middle - fitted_at)
    centre = fit.shape.centre

    def to_stack(plane: float) -> Floats:
        return squared.to_stack_mm(*centre, plane)

    at = to_stack(middle)
    tapered = abs(fit.growth) > _TAPERED * max(fit.u_growth, 1e-9) and fit.growth != 0.0
    flags = (("seam_bright",) if fit.thickness < 0 else ()) + (("tapered",) if tapered else ())
    other = inside is not None and inside.other_material
    flags += ("other_material",) if other else ()
    gap = None if other and (stepped or abs(fit.thickness) > _WIDEST_PX) else fit
    u_length = float(np.hypot(depths.u_first, depths.u_last))
    whole = ("depth_from_mm", "depth_to_mm", "length_mm")
    feature = Feature(
        id="",
        kind="",
        x_mm=Measured(float(at[0]), fit.u[0] * pitch),
        y_mm=Measured(float(at[1]), fit.u[1] * pitch),
        depth_from_mm=None if single else Measured(float(to_stack(first)[2]), depths.u_first * step),
        depth_to_mm=None if single else Measured(float(to_stack(last)[2]), depths.u_last * step),
        length_mm=None if single else Measured((last - first) * step, u_length * step),
        seam_mm=None if gap is None else Measured(gap.thickness * pitch, gap.u_thickness * pitch),
        flags=flags,
        unknown=(dict.fromkeys(whole, "a single slice has no depth") if single else {})
        | ({"seam_mm": explain("other_material")} if gap is None else {}),
    )
    if tapered:
        grow = 2 * pitch / step
        feature = replace(feature, taper_mm_per_mm=Measured(fit.growth * grow, fit.u_growth * grow))
    feature = replace(feature, **line_kind(fit.shape).sizes(fit.shape, fit.u, by, pitch))
    if kind_of(feature).is_outlined:
        feature = _outlined(squared, feature, fit, float(at[2]))
    used = sorted(round(float(to_stack(p)[2]) / step) for p in (first + 0.5, last - 0.5))
    feature = replace(
        feature,
        slices_used=(max(used[0], 0), min(used[1], len(squared.survey.stack) - 1)),
        fit_rms_noise=round(fit.rms, 3),
    )
    points = fit.shape.outline()
    empty = np.zeros((1, 1))
    span = Span(
        round(first), round(last), (0, 0), empty.astype(np.int8), empty, points,
        Choice("seam", fit.shape, np.ones(len(points), bool), 1.0),
    )  # fmt: skip
    candidate = Candidate("seam", False, fit.shape, fit.growth, (span,), True, share=strength.z)
    sized = FittedCandidate(candidate, FitFailed("a seam is fitted by its own dip"), middle, False)
    return MeasuredFeature(feature, sized, (first, last), strength)


def of_one_size(members: list[MeasuredFeature]) -> list[MeasuredFeature]:
    """Give the faint rivets of a set the size that all have in common, where they agree: they come of one rod.

    The mean of all is weighted by 1 / u²; u grows with what they differ by more than they should.
    """
    found = [m.feature.diameter_mm for m in members]
    sizes = np.array([(d.value, d.u) for d in found if d is not None and d.u])
    if len(sizes) < max(len(members), 2):
        return members
    weight = 1 / sizes[:, 1] ** 2
    mean = float(weight @ sizes[:, 0] / weight.sum())
    misfit = float(weight @ (sizes[:, 0] - mean) ** 2) / (len(sizes) - 1)
    if misfit > _ONE_SIZE:
        return members
    common = Measured(mean, float(np.sqrt(max(misfit, 1.0) / weight.sum())))
    return [
        m if u < _FAINT_SIZE * size
        else replace(m, feature=replace(m.feature, diameter_mm=common, flags=(*m.feature.flags, "size_of_set")))
        for m, (size, u) in zip(members, sizes, strict=True)
    ]  # fmt: skip


def _outlined(squared: SquaredStack, feature: Feature, fit: OutlineFit, z_mm: float) -> Feature:
    """Give the outline of a seam that is neither round nor square, and its area."""
    points = fit.shape.outline(120)
    pitch = squared.pitch_mm
    ring = shapely.Polygon(points)
    u_side = line_kind(fit.shape).u_side(fit.u)
    return replace(
        feature,
        area_mm2=Measured(ring.area * pitch**2, ring.length * u_side * pitch**2),
        outline_mm=tuple((round(float(x), 5), round(float(y), 5)) for x, y in squared.cut_by_slice(points, z_mm)),
    )
