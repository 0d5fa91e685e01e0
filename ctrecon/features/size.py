"""Sizes of candidates: the grey-value fit of each shape over all its slices at once."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from ctrecon.core.fit_result import FitFailed, ShapeFit
from ctrecon.core.frames import Floats
from ctrecon.features.candidates import SOUND, Candidate, Span
from ctrecon.features.collect_voxels import VoxelRequest, Voxels
from ctrecon.features.stack_border import stretched, used_planes
from ctrecon.fitting.by_shape import Setting, off_corners, start_of
from ctrecon.fitting.crown_fit import CrownFit
from ctrecon.fitting.ring_share import with_rings
from ctrecon.fitting.solve import Samples, fit_grey_by_ratio
from ctrecon.fitting.wheel_fit import WheelFit
from ctrecon.grey.square_up import SquaredStack
from ctrecon.shapes import Shape

__all__ = ["FittedCandidate", "Wear", "WearStretch", "fit_size", "request_for"]

_BAND_PX = 4.5  # px either side of the edge that are read whole
_WIDE_PX = 12.0  # farther voxels tell how air and metal shade away from the edge
_SLOPE_SD = 0.1  # contrasts per 4.5 px, where the stack does not show how its grey shades
_SLOPE_MARGIN = 1.5  # near an edge grey may shade more than in the middle of the metal
_MOST_FAR = 16_000  # voxels farther out, for the levels
_BENT_PX2 = 10.0  # px²: how far bent shading pulls an edge, by rendered cupping of 30 % of the contrast
_MOST_VOXELS = 40_000  # beyond these what limits a size is the image model, not the noise
_SLOPE_LEAST_PLANES = 5  # with fewer the axis is taken from the part
_SHADES = (0.003, 0.025)  # contrasts per px that shading may do, where it was found out how much there is
_WHOLE_SHARE = 0.97  # of the outline; below, the edge counts as damaged
_THIRD = 0.25  # contrasts; more than that is another material
_PLACES, _WIDTHS = ("x", "y"), ("radius", "a", "b", "inradius")
_SQUARE_VOXELS = 1.03  # edge over edge; blurs that differ by less fit all voxels alike
_USUAL_PSF = 0.85  # px; where the scan shows no blur of its own
_TRUST_PX = 0.002  # below this the image model itself is not trusted; beside other material far less
_ALONG = ("slope_x", "slope_y", "growth")


@dataclass(frozen=True, eq=False)
class WearStretch:
    """The edge as found along one eaten stretch: points (N, 2; px), what it lost at most (px), its planes.

    `planes` is None where it runs through the whole feature.
    """

    points: Floats
    deepest_px: float
    planes: tuple[float, float] | None


@dataclass(frozen=True)
class Wear:
    """What is eaten of an edge: its share, the greatest depth and its u (px), a sentence on where, the stretches."""

    share: float
    deepest_px: float
    u_px: float
    says: str
    stretches: tuple[WearStretch, ...] = ()


@dataclass(frozen=True, eq=False)
class FittedCandidate:
    """A candidate with its fitted size; `middle` is the plane at which x, y and size hold."""

    candidate: Candidate
    fit: ShapeFit | FitFailed
    middle: float
    axis_free: bool
    crowded: bool = False
    wear: Wear | None = None
    rim: WheelFit | FitFailed | None = None
    """The fit of its rim, where it is toothed."""
    crown: CrownFit | None = None
    """The fit of its teeth, where they stand along the axis."""

    def centre_at(self, plane: float, ratio: float) -> tuple[float, float]:
        """Return column and row (px) of the axis at a plane; `ratio` is depth step over pitch."""
        assert isinstance(self.fit, ShapeFit)
        dz = (plane - self.middle) * ratio
        return self.fit.value("x") + self.fit.value("slope_x") * dz, self.fit.value("y") + self.fit.value(
            "slope_y"
        ) * dz


def request_for(candidate: Candidate) -> VoxelRequest | None:
    """Return which voxels the fit of this candidate needs; None for a free shape."""
    shape = candidate.shape
    if shape is None:
        return None
    spans = candidate.spans
    low, high = used_planes(candidate)
    middle = (candidate.first + candidate.last) / 2
    outline = np.concatenate([s.points for s in spans])
    reach = _WIDE_PX + abs(candidate.growth_px) * (high - low + 1) / 2 + 1
    box = (
        float(outline[:, 0].min() - reach), float(outline[:, 1].min() - reach),
        float(outline[:, 0].max() + reach), float(outline[:, 1].max() + reach),
    )  # fmt: skip
    inner = [(a - 0.5, b + 0.5, s) for a, b, s in stretched(spans, low, high)]

    def select(column: Floats, row: Floats, plane: Floats) -> np.ndarray:
        grown = candidate.growth_px * (plane - middle)
        d = _distance(candidate, column, row, grown)
        keep = np.abs(d) <= _WIDE_PX
        if far_share < 1:
            keep &= (np.abs(d) <= _BAND_PX) | (_even(column, row, plane) < far_share)
        keep &= off_corners(candidate.kind, shape, np.column_stack([column, row]), grown)
        sound = np.zeros(len(column), dtype=bool)
        if candidate.is_relief:
            keep &= _beside_arc(candidate, shape, column, row)
        index = np.flatnonzero(keep)
        for a, b, span in inner:
            at = index[(plane[index] >= a) & (plane[index] <= b)]
            sound[at] = _nearest(span, column[at], row[at], candidate, grown[at]) == SOUND
        return np.asarray(keep & sound)

    perimeter = float(np.hypot(*np.diff(outline[: len(spans[0].points)], axis=0).T).sum())
    expected = perimeter * 2 * _BAND_PX * (high - low + 1)
    far_share = _MOST_FAR / max(expected * (_WIDE_PX / _BAND_PX - 1), 1.0)
    return VoxelRequest(box, (low - 0.5, high + 0.5), select, min(1.0, _MOST_VOXELS / max(expected, 1.0)))


def _beside_arc(candidate: Candidate, shape: Shape, column: Floats, row: Floats) -> np.ndarray:
    """Return which voxels are in the directions in which an arc is there: there is no metal across its mouth."""
    angle = np.degrees(np.arctan2(row - shape.centre[1], column - shape.centre[0]))
    out = np.ones(len(column), dtype=bool)
    for low, high, _ in candidate.gaps_deg:
        out &= (angle - low) % 360 >= high - low
    return out


def _even(column: Floats, row: Floats, plane: Floats) -> Floats:
    """Return numbers spread evenly over 0 to 1, always the same for the same place."""
    return np.asarray(np.sin(column * 12.9898 + row * 78.233 + plane * 37.719) * 43758.5453 % 1.0)


def _distance(candidate: Candidate, column: Floats, row: Floats, grown: Floats) -> Floats:
    shape = candidate.shape
    points = np.column_stack([column, row])
    assert shape is not None
    return np.asarray(shape.signed_distance(points) + grown * shape.wall_share)


def _nearest(span: Span, column: Floats, row: Floats, candidate: Candidate, grown: Floats) -> np.ndarray:
    """Look up which outline each voxel is nearest to, following a taper of round shapes."""
    shape = candidate.circle
    if shape is not None and candidate.growth_px:
        middle = (span.first + span.last) / 2
        away = candidate.growth_px * (middle - (candidate.first + candidate.last) / 2)
        factor = np.maximum(shape.radius + away, 1.0) / np.maximum(shape.radius + grown, 1.0)
        column = shape.x + (column - shape.x) * factor
        row = shape.y + (row - shape.y) * factor
    i = np.clip(np.round(row - span.corner[1]).astype(int), 0, span.nearest.shape[0] - 1)
    j = np.clip(np.round(column - span.corner[0]).astype(int), 0, span.nearest.shape[1] - 1)
    return np.asarray(span.nearest[i, j])


def _blur_ratios(normal: Floats | float, squared: SquaredStack) -> list[Floats]:
    """Return how the blur may go with the direction of an edge's normal, over that along the finer voxel edge.

    It may be the same in mm, or grow with the voxel where rows and columns were binned differently: with square
    voxels both are the same, with others the grey itself must tell.
    """
    _, dy, dx = squared.survey.stack.voxel_mm or (1.0, 1.0, 1.0)
    wide = np.asarray(np.hypot(np.cos(normal) * dx, np.sin(normal) * dy) / squared.pitch_mm)
    if max(dx, dy) < _SQUARE_VOXELS * min(dx, dy):
        return [wide]
    artefacts = squared.survey.artefacts
    psf = _USUAL_PSF if artefacts is None or artefacts.psf_px is None else artefacts.psf_px
    # the blur is stated in columns, lengths here are in the finer edge
    psf *= dx / squared.pitch_mm
    return [wide, np.asarray(np.sqrt((psf**2 + wide**2 / 12) / (psf**2 + 1 / 12)))]


def clear_of_others(
    distance: Floats, angle: Floats, grey: Floats, noise: float, *, shades: float = 0.025
) -> np.ndarray:
    """Keep the voxels whose grey belongs to this edge alone.

    Going away from the edge, air must not brighten again nor metal darken again (a
    holder beside the rim, a wall behind it) by more than it `shades` per px; nor may either
    leave its level for a third one (the far side of a crust). Judged on medians in 12
    sectors and half pixels of distance; what is beyond the turn is left out.
    """
    sector = ((angle + np.pi) / (2 * np.pi) * 12).astype(int) % 12
    keep = np.ones(len(grey), dtype=bool)
    bins = np.floor(np.abs(distance) * 2).astype(int)
    for side in (-1, 1):
        level = side * grey  # rises away from the edge on the metal side, also on the air side once turned
        mine = distance * side > 0
        for s in range(12):
            here = np.flatnonzero(mine & (sector == s))
            best, plateau = -np.inf, np.inf
            for b in range(3, int(2 * _WIDE_PX) + 1):
                at = here[bins[here] == b]
                if len(at) < 5:
                    continue
                median = float(np.median(level[at]))
                slack = max(0.06, 5 * noise / np.sqrt(len(at))) + shades * (b - 3) / 2
                if median < best - slack or median > plateau + _THIRD + slack:
                    keep[here[bins[here] >= b - 1]] = False
                    break
                best = max(best, median)
                if b >= 5:
                    plateau = min(plateau, median)
    return keep


def _with_floor(
    fit: ShapeFit, shape: Shape, *, half_depth: float, crowded: bool, planes_of_thin: int | None,
    planes: int, from_face_px: float,
) -> ShapeFit:  # fmt: skip
    """Return the fit with what the image model itself leaves open added to its covariance."""
    trust = 0.08**2 if crowded else _TRUST_PX**2
    if planes_of_thin is not None:  # the faces at both ends blur into all of its slices
        trust += (0.15 / planes_of_thin) ** 2
    # shading is taken as straight over 12 px; cupping bends by its slope over the radius
    bent = (_BENT_PX2 * fit.shading / max(shape.half_width, _WIDE_PX)) ** 2
    floor = np.array([trust * (n in _PLACES) + (trust + bent) * (n in _WIDTHS) for n in fit.names])
    # what is not trusted at either end of its depth is not trusted as a lean or taper
    arm = max(half_depth, 1.0)
    floor += np.array([(_TRUST_PX / arm) ** 2 * (n in _ALONG and fit.u(n) > 0) for n in fit.names])
    # the faces at both ends blur into the outermost planes: half height moves there by up to as much as grey is
    # lacking, and anywhere between is as likely (GUM 4.3.7)
    faint = np.sqrt(np.pi / 6) * fit.value("blur") * float(ndtr(-from_face_px / fit.value("blur")))
    floor += np.array([(2 * faint / planes) ** 2 * (n in _WIDTHS) for n in fit.names])
    floor += np.array([(3 * faint / (planes * arm)) ** 2 * (n == "growth" and fit.u(n) > 0) for n in fit.names])
    return replace(fit, covariance=fit.covariance + np.diag(floor), budget={**fit.budget, "model": floor})


def fit_size(
    candidate: Candidate, data: Voxels, squared: SquaredStack, noise: float
) -> FittedCandidate:
    """Fit the candidate's shape to its voxels: one size, axis and taper over all slices."""
    column, row, plane, grey = data
    shape = candidate.shape
    middle = (candidate.first + candidate.last) / 2
    if shape is None or not len(grey):
        return FittedCandidate(candidate, FitFailed("no voxels near its edge"), middle, False)
    ratio = squared.depth_step_mm / squared.pitch_mm
    low, high = used_planes(candidate)
    axis_free = high - low + 1 >= _SLOPE_LEAST_PLANES
    taper_free = axis_free and (candidate.is_round or bool(candidate.growth_px))
    cx, cy = shape.centre
    angle = np.arctan2(row - cy, column - cx)
    inside = _distance(candidate, column, row, candidate.growth_px * (plane - middle))
    shading = squared.survey.shading
    shades = _SHADES[1] if shading is None else float(np.clip(4 * shading, *_SHADES))
    clear = clear_of_others(
        -inside if candidate.metal_outside else inside, angle, grey, noise, shades=shades
    )
    crowded = bool(clear.mean() < 0.95)
    column, row, plane, grey, angle = column[clear], row[clear], plane[clear], grey[clear], angle[clear]
    voxel = squared.voxels_of(column, row, plane)
    sector = ((angle + np.pi) / (2 * np.pi) * 36).astype(np.int64) % 36
    block = ((plane - low) // max(2.0, (high - low + 1) / 12)).astype(np.int64)
    samples = Samples(column, row, (plane - middle) * ratio, grey, sector * 1000 + block, voxel)
    per_depth = candidate.growth_px / ratio
    setting = Setting(candidate.metal_outside, axis_free, taper_free, per_depth, bool(candidate.growth_px))
    begin = start_of(candidate.kind, shape, setting, np.column_stack([column, row]))
    model, start, active, normal = begin.model, begin.values, begin.active, begin.normal
    ratios = _blur_ratios(normal, squared)
    prior = np.full(len(start), np.inf)
    for i, name in enumerate(model.names):
        if name.startswith("slope"):
            prior[i] = 0.1
    slope_sd = _SLOPE_SD if shading is None else max(_SLOPE_MARGIN * 4.5 * shading, 1e-3)
    cupping_px = None if candidate.metal_outside else max(shape.half_width, _WIDE_PX)
    fit, best = fit_grey_by_ratio(
        model, start, samples, ratios, noise=noise, active=active, prior_sd=prior,
        correlation=squared.survey.correlation, slope_sd=slope_sd, cupping_px=cupping_px,
        lasting=squared.survey.lasting,
        damaged=candidate.share < _WHOLE_SHARE or bool(candidate.gaps_deg), through_depth=axis_free,
    )  # fmt: skip
    blur_ratio = ratios[best]
    found = squared.survey.artefacts
    if fit and found is not None and found.rings is not None:
        fit = with_rings(
            fit, model, samples, found.rings, noise=noise, active=active, blur_ratio=blur_ratio, slope_sd=slope_sd,
            cupping_px=cupping_px, correlation=squared.survey.correlation, through_depth=axis_free,
        )  # fmt: skip
    if not fit and not candidate.is_relief:
        # the outline is there all the same: report it as it runs
        return FittedCandidate(replace(candidate, kind="free", shape=None, growth_px=0.0), fit, middle, False)
    if fit:
        half_depth = float(np.abs(samples.z).max())
        thin = high - low + 1 if high - low < 3 and len(squared.survey.stack) > 1 else None
        from_face = (low - candidate.first + 0.5) * ratio if candidate.reach is None else np.inf
        fit = _with_floor(
            fit, shape, half_depth=half_depth, crowded=crowded, planes_of_thin=thin, planes=high - low + 1,
            from_face_px=from_face,
        )  # fmt: skip
    return FittedCandidate(candidate, fit, middle, axis_free, crowded)
