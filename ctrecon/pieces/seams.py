"""Seams: thin closed lines of lower grey inside solid metal that keep their shape through depth."""

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from ctrecon.core.frames import Floats
from ctrecon.core.measured import Measured
from ctrecon.features.build import Draft
from ctrecon.features.candidates import Candidate, Span
from ctrecon.features.size import Sized
from ctrecon.fitting.choose import Choice
from ctrecon.fitting.result import FitFailed, ShapeFit
from ctrecon.part import Feature
from ctrecon.pieces.seam_fit import SeamFit, fit_seam
from ctrecon.pieces.seam_search import Found, search
from ctrecon.slices.square_up import SquaredStack

__all__ = ["find_seams"]

_MOST_CENTRES = 4
_CLEAR_PX = 5.0
_WINDOW = 16


@dataclass(frozen=True)
class _Centre:
    x: float
    y: float
    reach: float


def find_seams(squared: SquaredStack, drafts: list[Draft]) -> list[Draft]:
    """Search round every axis of the part for square and round seams.

    Returns
    -------
    list of Draft
        square_seam and round_seam features, without ids.
    """
    solid = _solid_planes(squared)
    out: list[Draft] = []
    axes = _centres(drafts)
    for centre in [*axes, *_line_centres(squared, solid, axes)]:
        found = search(squared, solid, centre.x, centre.y, centre.reach)
        if found is None or _known(found, out):
            continue
        seam = fit_seam(squared, solid, found, [d.depths for d in drafts])
        if seam is not None:
            out.append(_draft(squared, seam))
    return out


class _Solid(dict[int, Floats]):
    """Distances kept in eighths of a pixel (31 px at most), so that a large stack stays small."""

    def __setitem__(self, plane: int, distance: Floats) -> None:
        super().__setitem__(plane, np.minimum(distance * 8, 255).astype(np.uint8))

    def __getitem__(self, plane: int) -> Floats:
        return np.asarray(super().__getitem__(plane), dtype=np.float16) / np.float16(8)


def _solid_planes(squared: SquaredStack) -> dict[int, Floats]:
    """Give, per plane, the distance (px) of every metal pixel to the nearest edge, zero outside sound metal."""
    out = _Solid()
    for k in range(len(squared)):
        plane = squared.plane(k)
        with np.errstate(invalid="ignore"):
            metal = ndimage.gaussian_filter(np.nan_to_num(plane), 0.8) > 0.45
        # pores and the seam itself are small; only what is wider counts as an edge
        metal = ndimage.binary_closing(np.pad(metal, 3), iterations=1)[3:-3, 3:-3]
        out[k] = ndimage.distance_transform_edt(np.pad(metal, 1))[1:-1, 1:-1]
    return out


def _centres(drafts: list[Draft]) -> list[_Centre]:
    """List the distinct axes of the part, the longest first, each with the reach of the metal round it."""
    found: list[_Centre] = []
    outside = [d for d in drafts if d.feature.kind.endswith("_outside") and isinstance(d.sized.fit, ShapeFit)]
    for draft in sorted(drafts, key=lambda d: d.depths[0] - d.depths[1]):
        fit = draft.sized.fit
        if not isinstance(fit, ShapeFit) or draft.feature.kind == "arc_outside":
            continue
        x, y = fit.value("x"), fit.value("y")
        if any(np.hypot(x - c.x, y - c.y) < 1.5 for c in found):
            continue
        points = [
            d.sized.candidate.spans[0].points
            for d in outside
            if d.depths[1] > draft.depths[0] and d.depths[0] < draft.depths[1]
        ]
        if not points:
            continue
        reach = max(float(np.hypot(p[:, 0] - x, p[:, 1] - y).max()) for p in points)
        found.append(_Centre(x, y, reach))
        if len(found) == _MOST_CENTRES:
            break
    return found


def _line_centres(squared: SquaredStack, solid: dict[int, Floats], axes: list[_Centre]) -> list[_Centre]:
    """List the middles of dark or bright closed lines seen on mean planes, off the known axes.

    They only say where to search: the search itself decides.
    """
    planes = [k for k in range(len(squared)) if (solid[k] > _CLEAR_PX).sum() > 200]
    found: list[_Centre] = []
    if len(planes) < 4:
        return found
    for start in range(0, max(len(planes) - _WINDOW // 2, 1), _WINDOW // 2):
        window = planes[start : start + _WINDOW]
        clear = solid[window[0]]
        for k in window[1:]:
            clear = np.minimum(clear, solid[k])
        inside = clear > _CLEAR_PX
        if inside.sum() < 200:
            continue
        mean = np.zeros(clear.shape)
        for k in window:
            mean += np.nan_to_num(squared.plane(k)) / len(window)
        smooth = ndimage.gaussian_filter(mean, 1.0)
        curve = [ndimage.gaussian_filter(smooth, 0.8, order=o) for o in ((2, 0), (1, 1), (0, 2))]
        half, root = (curve[0] + curve[2]) / 2, np.hypot((curve[0] - curve[2]) / 2, curve[1])
        for ridge in (half + root, root - half):  # dark lines, bright lines
            scatter = 1.4826 * float(np.median(np.abs(ridge[inside] - np.median(ridge[inside]))))
            line = inside & (ridge > np.median(ridge[inside]) + 5 * scatter)
            labels, count = ndimage.label(ndimage.binary_dilation(line, iterations=2))
            for rows, columns in ndimage.find_objects(labels, count):
                height, width = rows.stop - rows.start, columns.stop - columns.start
                if min(height, width) < 16 or max(height, width) > 1.5 * min(height, width):
                    continue
                x, y = (columns.start + columns.stop - 1) / 2, (rows.start + rows.stop - 1) / 2
                if all(np.hypot(x - c.x, y - c.y) >= 1.5 for c in [*axes, *found]):
                    found.append(_Centre(x, y, 0.8 * max(height, width) + 8))
    return found[:_MOST_CENTRES]


def _known(found: Found, drafts: list[Draft]) -> bool:
    """Tell the same seam seen from another centre."""
    for draft in drafts:
        shape = draft.sized.candidate.shape
        if shape is not None:
            ring = shape.outline(36)
            mine = found.shape.signed_distance(ring)
            if float(np.median(np.abs(mine))) < 2.0:
                return True
    return False


def _draft(squared: SquaredStack, seam: SeamFit) -> Draft:
    pitch, step = squared.pitch_mm, squared.depth_step_mm

    def to_stack(plane: float) -> Floats:
        return squared.to_stack_mm(*seam.shape.centre, plane)

    middle = (seam.first + seam.last) / 2
    at = to_stack(middle)
    feature = Feature(
        id="",
        kind=seam.kind,
        x_mm=Measured(float(at[0]), seam.u_place_px * pitch),
        y_mm=Measured(float(at[1]), seam.u_place_px * pitch),
        depth_from_mm=Measured(float(to_stack(seam.first)[2]), seam.u_first * step),
        depth_to_mm=Measured(float(to_stack(seam.last)[2]), seam.u_last * step),
        length_mm=Measured((seam.last - seam.first) * step, float(np.hypot(seam.u_first, seam.u_last)) * step),
        seam_mm=Measured(seam.thickness_px * pitch, seam.u_thickness_px * pitch),
        flags=("seam_bright",) if seam.thickness_px < 0 else (),
    )
    if seam.kind == "square_seam":
        feature = replace(
            feature,
            flats_mm=Measured(seam.size_px * pitch, seam.u_size_px * pitch),
            turn_deg=Measured(seam.turn_deg % 90, seam.u_turn_deg),
        )
    else:
        feature = replace(feature, diameter_mm=Measured(seam.size_px * pitch, seam.u_size_px * pitch), arc_deg=360.0)
    used = sorted(round(float(to_stack(p)[2]) / step) for p in (seam.first + 0.5, seam.last - 0.5))
    feature = replace(
        feature,
        slices_used=(max(used[0], 0), min(used[1], len(squared.survey.stack) - 1)),
        fit_rms_noise=round(seam.rms, 3),
    )
    points = seam.shape.outline()
    empty = np.zeros((1, 1))
    span = Span(
        round(seam.first),
        round(seam.last),
        (0, 0),
        empty.astype(np.int8),
        empty,
        points,
        Choice("seam", seam.shape, np.ones(len(points), bool), 1.0),
    )
    candidate = Candidate("seam", False, seam.shape, 0.0, (span,), True, share=seam.strength)
    return Draft(
        feature, Sized(candidate, FitFailed("a seam is fitted by its own dip"), middle, False), (seam.first, seam.last)
    )
