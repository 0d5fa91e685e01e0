"""The shapes of a contest: each fitted to the same voxels and weighed by the evidence for it."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ctrecon.core.fit_result import ShapeFit
from ctrecon.core.frames import Floats
from ctrecon.features.candidates import Candidate
from ctrecon.features.collect_voxels import Voxels
from ctrecon.features.size import FittedCandidate
from ctrecon.fitting.blurred_models import BlurredCircle, BlurredPolygon, BlurredRectangle, OvalModel
from ctrecon.fitting.choose import as_good_as_round
from ctrecon.fitting.misfit import Misfit, compare
from ctrecon.fitting.models import SlotModel
from ctrecon.fitting.solve import GreyModel, Samples, fit_grey, misfit_of_sharp
from ctrecon.grey.square_up import SquaredStack
from ctrecon.shapes import Circle, Ellipse, FittedShape, Rectangle, RegularPolygon, Shape, inwards

__all__ = ["Contestant", "binned", "blur_ratio", "contestants", "model_of", "prior_of", "sizes_px"]

_MOST = 6_000  # voxels of a comparison; more cost time only
_NEAR_PX, _ALL_SOUND, _MOSTLY = 0.6, 0.95, 0.6
_PRIOR = {3: -1.0, 5: -2.0, 6: -1.0, 8: -1.0}
_PRIOR_RARE = -5.0
"""Ln odds of a regular polygon against the other shapes before looking (common practice, no source)."""
_PRIOR_HOLE = -4.0
"""More of that for holes: a drill makes a round one in no time, a polygon wants a broach or a file (the same)."""


@dataclass(frozen=True, eq=False)
class Contestant:
    """One shape with its fit and the log of its evidence."""

    kind: str
    shape: Shape
    fit: ShapeFit
    score: float

    @property
    def sides(self) -> int | None:
        """Number of sides of a polygon."""
        return self.shape.sides if isinstance(self.shape, RegularPolygon) else None


def contestants(
    candidate: Candidate,
    first: FittedCandidate,
    data: Voxels,
    squared: SquaredStack,
    noise: float,
) -> list[Contestant]:
    """Fit every shape to the same voxels and weigh them."""
    ratio = squared.depth_step_mm / squared.pitch_mm
    samples, level = binned(candidate, first, data, ratio, noise)
    runs: list[tuple[str, Shape, ShapeFit, Misfit]] = []
    pairs = [(candidate.kind, candidate.shape), *candidate.rivals]
    for kind, shape in pairs:
        if shape is None or (kind == "square" and any(k == "rectangular" for k, *_ in runs)):
            continue
        model, start, active = model_of(kind, shape, candidate, ratio)
        prior = np.full(len(start), np.inf)
        if "corner" in model.names:  # a sharp corner settles its radius only from above
            prior[model.names.index("corner")] = shape.signed_distance(np.array([shape.centre]))[0]
        across = blur_ratio(squared, shape, samples)
        sound = _sound(samples, shape, candidate)
        fit = fit_grey(
            model, start, samples if sound is None else samples.thin(sound), noise=level, active=active, prior_sd=prior,
            blur_ratio=across if sound is None or isinstance(across, float) else across[sound],
        )  # fmt: skip
        if isinstance(fit, ShapeFit):
            if any(k == "round" for k, _ in pairs) and as_good_as_round(kind, _as_fitted(shape, fit)):
                continue
            d, _ = model.distance(fit.values[: len(start)], samples, fit.value("blur"))
            runs.append((kind, shape, fit, Misfit(samples, d / fit.value("blur"))))
    if not runs:
        return []
    # where the slices are not blurred, all shapes miss alike in every slice, and no number of slices helps
    sharp = misfit_of_sharp(min(fit.value("blur") for *_, fit, _ in runs))
    edges = [_edge_px(shape) for _, shape, *_ in runs]
    logs = compare([m for *_, m in runs], max(level, sharp), edges_px=edges)
    return [
        Contestant(
            kind, shape if shape is candidate.shape else _as_fitted(shape, fit), fit,
            log - _cost(shape, fit) + prior_of(shape, hole=candidate.hole),
        )
        for (kind, shape, fit, _), log in zip(runs, logs, strict=True)
    ]  # fmt: skip


def binned(
    candidate: Candidate,
    first: FittedCandidate,
    data: Voxels,
    ratio: float,
    noise: float,
) -> tuple[Samples, float]:
    """Average the voxels that are one behind the other along the axis, and return the noise that is left.

    Cells of half a pixel; a taper keeps four depths apart. A contest needs every voxel's
    say but not every voxel.
    """
    column, row, plane, grey = data
    middle = (candidate.first + candidate.last) / 2
    z = (plane - middle) * ratio
    lean = np.zeros(2)
    if isinstance(first.fit, ShapeFit) and first.axis_free:
        lean = np.array([first.fit.value("slope_x"), first.fit.value("slope_y")])
    x, y = column - lean[0] * z, row - lean[1] * z
    depths = 4 if candidate.growth_px else 1
    layer = np.floor((z - z.min()) / max(float(np.ptp(z)), 1e-9) * depths * 0.9999).astype(np.int64)
    keys = np.column_stack([np.floor(x * 2 + 0.25), np.floor(y * 2 + 0.25), layer]).astype(np.int64)
    _, cell, count = np.unique(keys, axis=0, return_inverse=True, return_counts=True)
    cell = cell.ravel()

    def mean(values: Floats) -> Floats:
        return np.asarray(np.bincount(cell, weights=values) / count)

    usual = float(np.median(count))
    full = count >= 0.6 * usual
    index = np.flatnonzero(full)
    if len(index) > _MOST:
        index = np.sort(np.random.default_rng(31).permutation(index)[:_MOST])
    x, y, z, grey = (mean(v)[index] for v in (x, y, z if depths > 1 else np.zeros(len(z)), grey))
    angle = np.arctan2(y - float(np.mean(y)), x - float(np.mean(x)))
    cluster = ((angle + np.pi) / (2 * np.pi) * 144).astype(np.int64) % 144
    return Samples(x, y, z, grey, cluster), noise / float(np.sqrt(usual))


def blur_ratio(squared: SquaredStack, shape: Shape, samples: Samples) -> Floats | float:
    """Extent of a voxel along the edge's normal, for voxels that are not square."""
    _, dy, dx = squared.survey.stack.voxel_mm or (1.0, 1.0, 1.0)
    if abs(dy - dx) < 1e-9:
        return 1.0
    gx, gy = inwards(shape, np.column_stack([samples.x, samples.y])).T
    size = np.maximum(np.hypot(gx, gy), 1e-8)
    return np.asarray(np.hypot(gx / size * dx, gy / size * dy) / squared.pitch_mm)


def model_of(
    kind: str, shape: Shape, candidate: Candidate, ratio: float
) -> tuple[GreyModel, Floats, NDArray[np.bool_]]:
    """Model, start and free parameters; the voxels have been moved to one axis already."""
    hole = candidate.metal_outside
    lean, free_axis = [0.0, 0.0], False
    x, y = shape.centre
    if isinstance(shape, Ellipse):
        return OvalModel(hole), np.array([x, y, shape.a, shape.b, np.radians(shape.turn_deg)]), np.ones(5, dtype=bool)
    # of a radius or of a width
    growth = candidate.growth_px / ratio * (candidate.shape or shape).wall_share / shape.wall_share
    tapers = bool(candidate.growth_px)
    if isinstance(shape, Circle):
        values = [x, y, shape.radius, *lean, growth]
        return BlurredCircle(hole), np.array(values), np.array([True] * 3 + [free_axis] * 2 + [tapers])
    if isinstance(shape, RegularPolygon):
        values = [x, y, shape.inradius, np.radians(shape.turn_deg), 0.02, *lean, growth / 2]
        active = [True] * 4 + [False] + [free_axis] * 2 + [tapers]
        return BlurredPolygon(hole, shape.sides), np.array(values), np.array(active)
    assert isinstance(shape, Rectangle)
    turn = np.radians(shape.turn_deg)
    if kind == "slot":
        long_u = shape.a >= shape.b
        values = [
            x, y, max(shape.a, shape.b), min(shape.a, shape.b), turn + (0.0 if long_u else np.pi / 2), *lean,
        ]  # fmt: skip
        return SlotModel(hole), np.array(values), np.array([True] * 5 + [free_axis] * 2)
    values = [x, y, shape.a, shape.b, turn, max(shape.corner_radius, 0.3), *lean, growth]
    return BlurredRectangle(hole), np.array(values), np.array([True] * 6 + [free_axis] * 2 + [tapers])


def _sound(samples: Samples, shape: Shape, candidate: Candidate) -> NDArray[np.bool_] | None:
    """Mark the voxels nearest to where the outline is on a shape that may be eaten; None where all of it does."""
    if _edge_px(shape) is None:
        return None
    points = candidate.spans[len(candidate.spans) // 2].points
    on = np.abs(shape.signed_distance(points)) <= _NEAR_PX
    if on.mean() > _ALL_SOUND or on.mean() < _MOSTLY:
        return None
    return np.asarray(on[cKDTree(points).query(np.column_stack([samples.x, samples.y]))[1]])


def _edge_px(shape: Shape) -> float | None:
    """Return the length of an edge that a tool made and time may have eaten; a polygon is too rare to be both."""
    if not isinstance(shape, (Circle, Rectangle)):
        return None
    return float(np.hypot(*np.diff(shape.outline(), axis=0).T).sum())


def _as_fitted(shape: Shape, fit: ShapeFit) -> Shape:
    if isinstance(shape, Ellipse):
        turn = float(np.degrees(fit.value("turn")))
        return Ellipse(fit.value("x"), fit.value("y"), fit.value("a"), fit.value("b"), turn)
    if not isinstance(shape, FittedShape):
        return shape
    corner = abs(fit.value("corner")) if "corner" in fit.names else np.inf  # a slot's ends are round
    if isinstance(shape, Rectangle):
        shape = replace(shape, corner_radius=corner)
    return shape.fitted(fit.value)


def prior_of(shape: Shape, *, hole: bool) -> float:
    """Return the ln odds given to a shape before looking."""
    if not isinstance(shape, RegularPolygon):
        return 0.0
    return _PRIOR.get(shape.sides, _PRIOR_RARE) + (_PRIOR_HOLE if hole else 0.0)


def _cost(shape: Shape, fit: ShapeFit) -> float:
    """Return what free turn, corner radius and second width cost: ln of their range over what the data leave."""
    ranges: dict[str, float] = {}
    if isinstance(shape, RegularPolygon):
        ranges = {"turn": 2 * np.pi / shape.sides}
    elif isinstance(shape, Ellipse):
        ranges = {"turn": np.pi / 2, "b": 0.5 * min(shape.a, shape.b)}
    elif isinstance(shape, Rectangle):
        size = min(shape.a, shape.b)
        ranges = {"turn": np.pi / 2, "b": 0.5 * size, "corner": size / 2}
    cost = 0.0
    for name, span in ranges.items():
        u = fit.u(name) if name in fit.names else 0.0
        if u > 0:
            cost += max(0.0, float(np.log(span / (np.sqrt(2 * np.pi) * u))))
    return cost


def sizes_px(entry: Contestant) -> dict[str, float]:
    """Return the sizes of a fitted shape by the record's names."""
    fit = entry.fit
    if isinstance(entry.shape, Circle):
        return {"diameter_mm": 2 * fit.value("radius")}
    if isinstance(entry.shape, RegularPolygon):
        return {"flats_mm": 2 * fit.value("inradius")}
    a, b = fit.value("a"), fit.value("b")
    if entry.kind == "square":
        return {"flats_mm": (a + b) / 2}
    return {"longer_mm": max(a, b), "shorter_mm": min(a, b)}
