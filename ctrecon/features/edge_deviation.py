"""How an edge departs from its fitted shape: one linear step from the fit, on the original voxels.

Near the fitted edge grey changes by contrast x bell / blur for each px the edge moves,
so any set of small departures (lobes, shifted slices, turned flats) follows from one
robust linear fit beside local air, contrast and blur.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from ctrecon.core.fit_result import ShapeFit
from ctrecon.core.frames import Floats
from ctrecon.features.collect_voxels import Voxels
from ctrecon.features.size import FittedCandidate
from ctrecon.fitting.uncertainty import left_out, stretch_by_neighbours
from ctrecon.grey.noise import Correlation

__all__ = ["Departures", "Edge", "edge_of_flats", "edge_of_round", "solve_departures", "some_of"]

_WELSCH = 3.0  # noises at which the loss of a voxel levels off
_REACH = 4.5  # px over which slopes of the grey are counted
_THIN = 8  # every eighth voxel for the first rounds
_SETTLED = 1e-3  # of the largest unknown: far below its u, which is a tenth of it at best


@dataclass(frozen=True, eq=False)
class Edge:
    """Voxels near a fitted edge: place along it, plane, distance into the metal, what the fit leaves, and its slope.

    `along` is the angle (radians) of a round edge, or the px along a flat; `side` is the
    number of the flat (0 for round). `pull` is the change of grey per px the edge moves
    away from the shape's middle; `half` half the length of each flat.
    """

    along: Floats
    side: NDArray[np.int64]
    plane: Floats
    distance: Floats
    left: Floats
    pull: Floats
    step: Floats
    widen: Floats
    half: Floats


@dataclass(frozen=True, eq=False)
class Departures:
    """Coefficients (px) of the departures asked for and their covariance."""

    values: Floats
    covariance: Floats


def some_of(edge: Edge, at: NDArray[np.int64]) -> Edge:
    """Return the voxels at these indices."""
    return Edge(
        along=edge.along[at], side=edge.side[at], plane=edge.plane[at], distance=edge.distance[at], left=edge.left[at],
        pull=edge.pull[at], step=edge.step[at], widen=edge.widen[at], half=edge.half,
    )  # fmt: skip


def _edge(
    one: FittedCandidate, data: Voxels, along: Floats, side: NDArray[np.int64], inside: Floats, blur_ratio: Floats,
    half: Floats,
) -> Edge:  # fmt: skip
    fit = one.fit
    assert isinstance(fit, ShapeFit)
    plane, grey = data[2:]
    blur, air, contrast = fit.value("blur"), fit.value("air"), fit.value("contrast")
    outward = -1.0 if one.candidate.metal_outside else 1.0
    width = blur * blur_ratio
    distance = outward * inside
    t = distance / width
    step = np.asarray(ndtr(t))
    bell = np.exp(-0.5 * t * t) / np.sqrt(2 * np.pi)
    return Edge(
        along, side, plane, distance, grey - air - contrast * step, outward * contrast * bell / width, step,
        -contrast * bell * t, half,
    )  # fmt: skip


def _ratio(direction: Floats, voxel_mm: tuple[float, float, float], pitch_mm: float) -> Floats:
    return np.asarray(np.hypot(np.cos(direction) * voxel_mm[2], np.sin(direction) * voxel_mm[1]) / pitch_mm)


def _from_axis(
    one: FittedCandidate, data: Voxels, voxel_mm: tuple[float, float, float], pitch_mm: float
) -> tuple[ShapeFit, Floats, Floats, Floats]:
    """Return the fit, and how far (px) along x, y and depth voxels are from its axis at their depth and its middle."""
    fit = one.fit
    assert isinstance(fit, ShapeFit)
    column, row, plane, _ = data
    z = (plane - one.middle) * voxel_mm[0] / pitch_mm
    dx = column - fit.value("x") - fit.value("slope_x") * z
    dy = row - fit.value("y") - fit.value("slope_y") * z
    return fit, dx, dy, z


def edge_of_round(one: FittedCandidate, data: Voxels, voxel_mm: tuple[float, float, float], pitch_mm: float) -> Edge:
    """Place voxels (column, row, plane, grey) by angle round a fitted round feature."""
    fit, dx, dy, z = _from_axis(one, data, voxel_mm, pitch_mm)
    angle = np.arctan2(dy, dx)
    radius = np.maximum(fit.value("radius") + fit.value("growth") * z, 0.5)
    inside = radius - fit.value("blur") ** 2 / (2 * radius) - np.hypot(dx, dy)
    side = np.zeros(len(dx), dtype=np.int64)
    return _edge(one, data, angle, side, inside, _ratio(angle, voxel_mm, pitch_mm), np.zeros(1))


def edge_of_flats(one: FittedCandidate, data: Voxels, voxel_mm: tuple[float, float, float], pitch_mm: float) -> Edge:
    """Place voxels along the four flats of a fitted rectangle: normals at turn, turn + 90, + 180, + 270 degrees."""
    fit, dx, dy, z = _from_axis(one, data, voxel_mm, pitch_mm)
    turn = fit.value("turn")
    u, v = dx * np.cos(turn) + dy * np.sin(turn), dy * np.cos(turn) - dx * np.sin(turn)
    grown = fit.value("growth") * z
    du, dv = (fit.value("a") + grown) / 2 - np.abs(u), (fit.value("b") + grown) / 2 - np.abs(v)
    on_u = du < dv
    side = np.where(on_u, np.where(u > 0, 0, 2), np.where(v > 0, 1, 3)).astype(np.int64)
    along = np.choose(side, [v, -u, -v, u])
    a, b = fit.value("a") / 2, fit.value("b") / 2
    ratio = _ratio(turn + side * np.pi / 2, voxel_mm, pitch_mm)
    return _edge(one, data, along, side, np.minimum(du, dv), ratio, np.array([b, a, b, a]))


def solve_departures(
    edge: Edge, moves: Floats, nuisance: Floats, cluster: NDArray[np.int64], *, ridge: Floats | None = None,
    sector: NDArray[np.int64] | None = None, voxel: NDArray[np.int64] | None = None,
    correlation: Correlation | None = None,
) -> Departures | None:  # fmt: skip
    """Fit the moves (N, M; px of departure for each unknown) beside air, contrast and blur.

    Welsch's loss; covariance as a sandwich summed over clusters of voxels that may share
    errors, never below that of independent ones. `ridge` are 1/sd of weak priors of the moves.
    `sector` are parts of the edge that may err whole, as where it is eaten: each is left out in turn. `voxel` (N, 3;
    slice, row, column) and `correlation` count noise that neighbours share.
    """
    count = moves.shape[1]
    away = np.column_stack([np.minimum(edge.distance, 0), np.maximum(edge.distance, 0) * edge.step]) / _REACH
    design = np.column_stack([edge.pull[:, None] * moves, nuisance, nuisance * edge.step[:, None], edge.widen, away])
    if len(design) < 3 * design.shape[1]:
        return None
    penalty = np.zeros(design.shape[1])
    penalty[:count] = 1e-12 if ridge is None else ridge**2
    q = np.zeros(design.shape[1])
    # a first answer from few of many voxels: all of them then settle in a round or two
    for step in (_THIN, 1) if len(design) > 4 * _THIN * design.shape[1] else (1,):
        some, left = design[::step], edge.left[::step]
        raw = left - some @ q
        scale = max(1.4826 * float(np.median(np.abs(raw))), 1e-9)
        for _ in range(4):
            before = q
            weight = np.exp(-((raw / scale / _WELSCH) ** 2))
            weighted = some * weight[:, None]
            normal = weighted.T @ some + np.diag(penalty * scale**2 + 1e-10 * len(raw))
            q = np.linalg.solve(normal, weighted.T @ left)
            raw = left - some @ q
            scale = max(1.4826 * float(np.median(np.abs(raw))), 1e-9)
            if float(np.abs(q - before).max()) < _SETTLED * float(np.abs(q).max()):
                break
    weight = np.exp(-((raw / scale / _WELSCH) ** 2))
    slope = weight * (1 - 2 * (raw / scale / _WELSCH) ** 2)
    bread = (design * slope[:, None]).T @ design + np.diag(penalty * scale**2 + 1e-10 * len(raw))
    if np.linalg.eigvalsh(bread)[0] <= 0:
        bread = normal
    inverse = np.linalg.inv(bread)
    score = design * (weight * raw)[:, None]
    plain = inverse @ (score.T @ score + np.diag(penalty * scale**4)) @ inverse
    _, group = np.unique(cluster, return_inverse=True)
    groups = int(group.max()) + 1
    stretch = np.ones(len(plain))
    if groups >= 2 * design.shape[1]:
        sums = np.column_stack([np.bincount(group, weights=c, minlength=groups) for c in score.T])
        shared = inverse @ (sums.T @ sums * (groups / (groups - design.shape[1]))) @ inverse
        stretch = np.sqrt(np.maximum(np.diag(shared) / np.maximum(np.diag(plain), 1e-300), 1.0))
    if sector is not None:
        out = left_out(design, slope, weight * raw, np.diag(penalty * scale**2 + 1e-10 * len(raw)), sector)
        if out is not None:
            stretch = np.maximum(stretch, np.sqrt(out / np.maximum(np.diag(plain), 1e-300)))
    stretch = np.maximum(stretch, stretch_by_neighbours(design, weight, inverse, voxel, correlation))
    covariance = plain * np.outer(stretch, stretch)
    return Departures(q[:count], covariance[:count, :count])
