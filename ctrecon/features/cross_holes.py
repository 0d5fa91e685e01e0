"""Holes across the part axis: a cylinder on its own axis, fitted to the original voxels near its wall."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.fit_result import FitFailed, ShapeFit
from ctrecon.core.frames import Floats
from ctrecon.core.measured import Measured
from ctrecon.features.build import MeasuredFeature
from ctrecon.features.candidates import SOUND, Candidate, Span
from ctrecon.features.collect_voxels import VoxelRequest, collect_voxels
from ctrecon.features.cut_through import gaps_in
from ctrecon.features.size import FittedCandidate
from ctrecon.fitting.choose import Choice
from ctrecon.fitting.solve import Samples, fit_grey
from ctrecon.grey.square_up import SquaredStack
from ctrecon.record.part import Feature

__all__ = ["CrossModel", "find_cross_holes"]

Clear = Callable[[Floats, Floats], NDArray[np.bool_]]

_BAND_PX = 4.5  # px either side of the wall that are fitted
_WALL_PX = 4.5  # kept off the walls that the hole cuts through
_LEAST = 150  # points or voxels; fewer do not settle a cylinder
_MOST_VOXELS = 40_000  # of a fit; more cost time and change nothing seen
_LONG = 2.0  # times as long as wide; what is rounder is a pore


@dataclass(frozen=True)
class CrossModel:
    """A cylinder across: place of its axis square to it, depth, radius, direction (radians) and rise along it."""

    names: tuple[str, ...] = ("offset", "depth", "radius", "direction", "rise")

    def distance(self, p: Floats, s: Samples, blur_px: float) -> tuple[Floats, Floats]:
        """Distance to the half-height edge, metal outside; blur pulls it towards the axis by σ²/2R."""
        offset, depth, radius, direction, rise = p
        c, n = np.cos(direction), np.sin(direction)
        along = s.x * c + s.y * n
        across = -s.x * n + s.y * c - offset
        down = s.z - depth - rise * along
        rho = np.maximum(np.hypot(across, down), 1e-9)
        pull = blur_px**2 / (2 * max(radius, 0.5))
        d = rho - radius + pull
        turned = across + offset  # what the along place gains by a turn
        jac = np.column_stack([
            -across / rho, -down / rho, np.full(len(rho), -(1 + pull / max(radius, 0.5))),
            (-across * along - down * rise * turned) / rho, -down * along / rho,
        ])  # fmt: skip
        return d, jac


def find_cross_holes(squared: SquaredStack, candidates: list[Candidate], noise: float) -> list[MeasuredFeature]:
    """Find the holes across the axis that cut through the given candidates.

    Parameters
    ----------
    squared : SquaredStack
        The planes.
    candidates : list of Candidate
        Those with a gap between their spans were cut.
    noise : float
        Noise of one voxel as a share of the contrast.

    Returns
    -------
    list of MeasuredFeature
        Free shapes flagged `not_along_depth`, with diameter and direction of the hole.
    """
    outsides = [c for c in candidates if not c.hole and c.shape is not None and not c.is_relief]
    cut = sorted((c for c in candidates if c.shape is not None), key=lambda c: (c.hole, c.first, -c.area_px2))
    found: list[tuple[int, int]] = []
    drafts = []
    for candidate in cut:
        for first, last in gaps_in(candidate):
            if any(first <= b and last >= a for a, b in found):
                continue
            round_it = [c for c in outsides if c.first < first and c.last > last]
            if not round_it:
                continue
            found.append((first, last))
            outside = max(round_it, key=lambda c: c.area_px2)
            holes = [c for c in candidates if c.hole and c.shape is not None]
            draft = _fit(squared, outside, holes, first, last, noise)
            if draft is not None:
                drafts.append(draft)
    return drafts


def _fit(
    squared: SquaredStack, outside: Candidate, holes: list[Candidate], first: int, last: int, noise: float
) -> MeasuredFeature | None:
    shape = outside.shape
    assert shape is not None
    near = [h for h in holes if h.first <= last and h.last >= first]
    ratio = squared.depth_step_mm / squared.pitch_mm

    def clear(column: Floats, row: Floats) -> NDArray[np.bool_]:
        points = np.column_stack([column, row])
        keep = shape.signed_distance(points) > _WALL_PX
        for hole in near:
            assert hole.shape is not None
            keep &= hole.shape.signed_distance(points) < -_WALL_PX
        return np.asarray(keep)

    rows, columns = squared.shape[1:]
    yy, xx = np.mgrid[0:rows, 0:columns]
    solid = clear(xx.ravel().astype(float), yy.ravel().astype(float)).reshape(xx.shape)
    empty = []
    for k in range(max(0, first - 3), min(len(squared), last + 4)):
        with np.errstate(invalid="ignore"):
            row, column = np.nonzero(solid & (squared.plane(k) < 0.5))
        empty.append(np.column_stack([column, row, np.full(len(row), k * ratio)]))
    points = np.concatenate(empty).astype(float)
    if len(points) < _LEAST:
        return None
    middle = points.mean(axis=0)
    values, vectors = np.linalg.eigh(np.cov((points - middle)[:, :2].T))
    if values[1] < _LONG * values[0]:
        return None
    direction = float(np.arctan2(vectors[1, 1], vectors[0, 1])) % np.pi
    across = (points - middle)[:, :2] @ vectors[:, 0]
    radius = float(np.sqrt(2 * (across.var() + points[:, 2].var())))
    start = np.array([0.0, middle[2], radius, direction, 0.0])
    data = _gathered(squared, clear, middle, start, ratio)
    if len(data) < _LEAST:
        return None
    fit = fit_grey(CrossModel(), start, data, noise=max(noise, 0.02))
    if isinstance(fit, FitFailed) or not 0.5 * radius < fit.value("radius") < 2 * radius:
        return None
    return _draft(squared, outside, fit, middle, points, ratio)


def _gathered(squared: SquaredStack, clear: Clear, middle: Floats, start: Floats, ratio: float) -> Samples:
    _, depth, radius, direction, _ = start
    reach = radius + _BAND_PX

    def select(column: Floats, row: Floats, plane: Floats) -> NDArray[np.bool_]:
        x, y = column - middle[0], row - middle[1]
        rho = np.hypot(-x * np.sin(direction) + y * np.cos(direction), plane * ratio - depth)
        return np.asarray((np.abs(rho - radius) < _BAND_PX) & clear(column, row))

    rows, columns = squared.shape[1:]
    planes = ((depth - reach) / ratio, (depth + reach) / ratio)
    band = 2 * np.pi * radius * 2 * _BAND_PX * max(rows, columns) / ratio
    want = VoxelRequest((0.0, 0.0, float(columns), float(rows)), planes, select, min(1.0, _MOST_VOXELS / band))
    ((column, row, plane, grey),) = collect_voxels(squared, [want])
    x, y, z = column - middle[0], row - middle[1], plane * ratio
    along = x * np.cos(direction) + y * np.sin(direction)
    angle = np.arctan2(z - depth, -x * np.sin(direction) + y * np.cos(direction))
    sector = ((angle + np.pi) / (2 * np.pi) * 24).astype(np.int64) % 24
    return Samples(x, y, z, grey, sector * 1000 + np.floor(along / 6).astype(np.int64) + 500)


def _draft(
    squared: SquaredStack, outside: Candidate, fit: ShapeFit, middle: Floats, points: Floats, ratio: float
) -> MeasuredFeature:
    pitch, step = squared.pitch_mm, squared.depth_step_mm
    c, n = np.cos(fit.value("direction")), np.sin(fit.value("direction"))
    radius, offset, rise = fit.value("radius"), fit.value("offset"), fit.value("rise")
    assert outside.shape is not None
    centre = np.array(outside.shape.centre)
    along = np.array([c, n])
    square = np.array([-n, c])
    origin = middle[:2] + offset * square
    foot_at = float((centre - origin) @ along)  # where it passes the part's middle
    foot = origin + foot_at * along
    plane = (fit.value("depth") + rise * foot_at) / ratio
    reach = (points[:, :2] - origin) @ along
    low, high = float(reach.min()) - _WALL_PX, float(reach.max()) + _WALL_PX
    corners = np.array(
        [origin + t * along + s * radius * square for t, s in ((low, -1), (high, -1), (high, 1), (low, 1))]
    )
    floor = 0.02
    u_place = float(np.hypot(fit.u("offset"), floor))
    u_radius = float(np.hypot(fit.u("radius"), floor))
    u_end = float(np.hypot(np.hypot(fit.u("depth"), foot_at * fit.u("rise")), u_radius)) / ratio * step
    at = squared.to_stack_mm(foot[0], foot[1], plane)
    ends = [float(squared.to_stack_mm(foot[0], foot[1], plane + s * radius / ratio)[2]) for s in (-1, 1)]
    direction = squared.rotation.T @ np.array([c, n, rise])
    direction *= (1 if direction[np.argmax(np.abs(direction))] > 0 else -1) / np.linalg.norm(direction)
    outline = squared.cut_by_slice(np.vstack([corners, corners[:1]]), float(at[2]))
    count = len(squared.survey.stack)
    used = [min(max(round(z / step), 0), count - 1) for z in ends]
    feature = Feature(
        id="", kind="free_hole", flags=("not_along_depth",),
        x_mm=Measured(float(at[0]), u_place * pitch), y_mm=Measured(float(at[1]), u_place * pitch),
        depth_from_mm=Measured(ends[0], u_end), depth_to_mm=Measured(ends[1], u_end),
        length_mm=Measured(2 * radius * pitch, 2 * u_radius * pitch), opens_at=(),
        area_mm2=Measured(2 * radius * (high - low) * pitch**2, (2 * u_radius * (high - low) + 2 * radius) * pitch**2),
        outline_mm=tuple((round(float(x), 5), round(float(y), 5)) for x, y in outline),
        slices_used=(used[0], used[1]), fit_rms_noise=round(fit.rms, 3),
        cross_diameter_mm=Measured(2 * radius * pitch, 2 * u_radius * pitch),
        cross_direction_xyz=(float(direction[0]), float(direction[1]), float(direction[2])),
    )  # fmt: skip
    depths = (plane - radius / ratio, plane + radius / ratio)
    nothing = np.zeros((1, 1))
    choice = Choice("free", None, np.ones(len(corners), dtype=bool), 1.0)
    span = Span(
        round(depths[0]), round(depths[1]), (0, 0), np.full((1, 1), SOUND, dtype=np.int8), nothing, corners, choice
    )
    candidate = Candidate("free", True, None, 0.0, (span,), True, ("not_along_depth",))
    return MeasuredFeature(
        feature, FittedCandidate(candidate, FitFailed("it lies across the axis"), plane, False), depths
    )
