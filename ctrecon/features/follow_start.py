"""Where following begins: a shape from the record or given roughly, its first slice, and how the grey shades there."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ctrecon.core.errors import InputError
from ctrecon.core.fit_result import FitFailed
from ctrecon.core.frames import Floats, axis_slopes
from ctrecon.fitting.by_shape import track_start
from ctrecon.fitting.models import RectangleModel, RoundModel
from ctrecon.fitting.track_band import Grid, lever
from ctrecon.fitting.tracked import EdgeFit, EdgeTracker
from ctrecon.fitting.uncertainty import sandwich
from ctrecon.grey.noise import Correlation, measure_correlation
from ctrecon.grey.shading import measure_shading
from ctrecon.record.kinds import is_hole, kind_of
from ctrecon.record.part import Feature, Part
from ctrecon.shapes import Circle, Rectangle, RegularPolygon
from ctrecon.slices.stack import SliceStack

__all__ = ["Around", "Begun", "Edge", "begin", "edge_of"]

_ROUND_ABOUT_PX = 20  # px of surroundings beside the shape that are looked at
_WINDOW_PX = 200  # half width of the largest window
_SLOPE_MARGIN = 1.5  # near an edge grey may shade more than in the middle of the metal
_SLOPE_SD = 0.1  # contrasts per 4.5 px, where the slices do not show how their grey shades
_INSET = 0.15  # of its length: ends blur into the slices beside them
_WORST = 4.0  # most that correlated noise may widen u by


@dataclass(frozen=True, kw_only=True)
class Edge:
    """A shape to follow, roughly: mm in the stack's frame, where it crosses the slice at `depth_mm`.

    A shape given by hand need not state more than the first three.

    Attributes
    ----------
    shape : Circle, Rectangle or RegularPolygon
        Place and size, mm.
    hole : bool
        Metal is outside it.
    depth_mm : float
        Depth of the slice in which it is begun.
    name : str
        Carried over to what is found.
    square : bool
        Both pairs of flats of a rectangle are one size.
    span_mm : (float, float), optional
        Depths between which it is known to be there.
    lean : (float, float)
        dx/dz and dy/dz of its axis.
    taper : float
        Growth of the size per depth.

    Examples
    --------
    >>> from ctrecon import Edge
    >>> from ctrecon.shapes import Circle
    >>> bore = Edge(shape=Circle(3.1, 2.9, 1.2), hole=True, depth_mm=0.5)
    >>> bore.kind, bore.size_mm
    ('round', 2.4)
    """

    shape: Circle | Rectangle | RegularPolygon
    hole: bool
    depth_mm: float
    name: str = ""
    square: bool = False
    span_mm: tuple[float, float] | None = None
    lean: tuple[float, float] = (0.0, 0.0)
    taper: float = 0.0

    @property
    def kind(self) -> str:
        """What it is called."""
        return "square" if self.square else self.shape.family

    @property
    def size_mm(self) -> float:
        """Its largest size."""
        shape = self.shape
        return max(shape.a, shape.b) if isinstance(shape, Rectangle) else 2 * shape.half_width

    def moved_to(self, depth_mm: float) -> "Edge":
        """Return the same shape where it crosses another slice."""
        away = depth_mm - self.depth_mm
        shape = self.shape.moved(self.lean[0] * away, self.lean[1] * away).widened(self.taper * away)
        return replace(self, shape=shape, depth_mm=depth_mm)


@dataclass(frozen=True, eq=False)
class Begun:
    """A shape fitted in its first slice, and what is needed to go on."""

    edge: Edge
    slice: int
    fit: EdgeFit
    tracker: EdgeTracker
    rotation: Floats
    voxel_mm: tuple[float, float, float]

    @property
    def levers(self) -> Floats:
        """By how many px the edge moves for a change of each parameter."""
        return lever(self.tracker.model, self.fit.p)

    def centre_mm(self, fit: EdgeFit) -> tuple[Floats, Floats]:
        """Return x, y of the axis in the slice, mm, and their standard uncertainties."""
        _, dy, dx = self.voxel_mm
        back = np.array([[dx], [dy]]) * np.linalg.inv(self.tracker.grid.matrix)
        return back @ fit.p[:2], np.sqrt(np.diag(back @ fit.covariance[:2, :2] @ back.T))

    def sizes_mm(self, fits: Sequence[EdgeFit]) -> dict[str, Floats]:
        """Return the columns of a `Followed` that hold sizes and turns."""
        pitch, model = self.tracker.grid.pitch_mm, self.tracker.model
        p = np.array([f.p for f in fits])
        u = np.sqrt(np.array([np.diag(f.covariance) for f in fits]))
        if not isinstance(model, RectangleModel):
            out = {"value_mm": 2 * pitch * p[:, 2], "u_mm": 2 * pitch * u[:, 2]}
            turn = None if isinstance(model, RoundModel) else 3
        elif self.edge.square:
            both = np.array([f.covariance[2:4, 2:4].sum() for f in fits])
            out = {"value_mm": pitch * (p[:, 2] + p[:, 3]) / 2, "u_mm": pitch * np.sqrt(both) / 2}
            turn = 4
        else:
            out = {
                "value_mm": pitch * p[:, 2], "u_mm": pitch * u[:, 2],
                "second_mm": pitch * p[:, 3], "u_second_mm": pitch * u[:, 3],
            }  # fmt: skip
            turn = 4
        if turn is not None:
            out |= {"turn_deg": np.degrees(p[:, turn]), "u_turn_deg": np.degrees(u[:, turn])}
        return out


def edge_of(
    what: Feature | Edge, part: Part | None, voxel_mm: tuple[float, float, float], count: int, source: str
) -> Edge:
    """Return the edge of a feature of a record at its mid depth.

    Raises
    ------
    InputError
        If its kind can't be followed, or its size or place is unknown.
    """
    if isinstance(what, Edge):
        return what
    last = (count - 1) * voxel_mm[0]
    low = 0.0 if what.depth_from_mm is None else what.depth_from_mm.value
    high = last if what.depth_to_mm is None else what.depth_to_mm.value
    if what.x_mm is None or what.y_mm is None:
        raise InputError(f"{source}: the place of feature {what.id} is unknown, so it can't be followed; give an Edge")
    x, y = what.x_mm.value, what.y_mm.value
    turn = 0.0 if what.turn_deg is None else what.turn_deg.value
    kind = kind_of(what)
    alone = replace(what, flats_pair_mm=None) if kind.is_square else what
    shape = kind.shape(alone, x, y, turn) if kind.is_hole or kind.is_outside else None
    if not isinstance(shape, Circle | Rectangle | RegularPolygon) or kind.is_round_ended or kind.is_toothed:
        raise InputError(
            f"{source}: feature {what.id} ({what.kind}) can't be followed; "
            "choose a round, square, rectangular or polygonal hole or outside"
        )
    leans = (0.0, 0.0) if part is None or part.axis is None else axis_slopes(np.array(part.axis.direction_xyz))
    return Edge(
        shape=shape, hole=is_hole(what), depth_mm=(low + high) / 2, name=what.id, square=kind.is_square,
        span_mm=(low + _INSET * (high - low), high - _INSET * (high - low)), lean=leans,
        taper=0.0 if what.taper_mm_per_mm is None else what.taper_mm_per_mm.value,
    )  # fmt: skip


@dataclass(frozen=True)
class Around:
    """How grey behaves round about: prior of its slopes, contrasts per 4.5 px, and how far its noise agrees."""

    slope_sd: float
    correlation: Correlation


def begin(
    stack: SliceStack, edge: Edge, voxel_mm: tuple[float, float, float], rotation: Floats, around: Around | None
) -> tuple[Begun, Around] | FitFailed:
    """Fit the first slice; where it is not known, find out how the grey behaves round about."""
    dz, dy, dx = voxel_mm
    grid = Grid.of(rotation, dy, dx)
    there = [i for i in range(len(stack)) if i not in stack.missing]
    k = min(there, key=lambda i: (abs(i - edge.depth_mm / dz), i))
    shape, pitch = edge.shape, grid.pitch_mm
    place = grid.matrix @ np.array([shape.x / dx, shape.y / dy])
    model, own, corner = track_start(shape, edge.hole, pitch)
    plane = stack.plane(k)
    tracker = EdgeTracker(
        model, grid, slope_sd=_SLOPE_SD if around is None else around.slope_sd, corner_px=corner
    )
    fit = tracker.start(plane, np.concatenate([place, own]))
    if isinstance(fit, FitFailed):
        return fit
    if around is None:
        around = _around(stack, k, grid, fit, tracker.levels)
        levels = tracker.levels
        tracker = EdgeTracker(model, grid, slope_sd=around.slope_sd, corner_px=corner)
        tracker.levels = levels
        fit = tracker.follow(plane, fit)
        if isinstance(fit, FitFailed):
            return fit
    tracker.neighbours = _neighbours(tracker, plane, fit, k, around.correlation)
    return Begun(edge, k, fit, tracker, rotation, voxel_mm), around


def _around(stack: SliceStack, k: int, grid: Grid, fit: EdgeFit, levels: tuple[float, float]) -> Around:
    """Look at the shape and what is near it in up to four slices from the first one on."""
    row, column = grid.voxel_near(fit.p)
    reach = int(float(fit.p[2:4].max()) / min(grid.voxel_px))
    half = min(reach + _ROUND_ABOUT_PX, _WINDOW_PX)
    if reach > half:  # a large shape: its rim on one side shows enough
        column += reach if column + reach < stack.shape[2] else -reach
    rows, columns = (slice(max(at - half, 0), max(at + half + 1, 0)) for at in (row, column))
    near = [i for i in (k, k + 1, k + 3, k + 4) if i < len(stack) and i not in stack.missing]
    air, contrast = (np.float32(v) for v in levels)
    window = {i: np.asarray((stack.plane(i)[rows, columns].astype(np.float32) - air) / contrast) for i in near}
    pairs = [(i, i + 1 if i + 1 in near else None) for i in near if i in (k, k + 3)]
    shading = measure_shading(window.__getitem__, pairs)
    slope_sd = _SLOPE_SD if shading is None else max(_SLOPE_MARGIN * 4.5 * shading, 1e-3)
    return Around(slope_sd, measure_correlation(window.__getitem__, pairs))


def _neighbours(tracker: EdgeTracker, plane: Floats, fit: EdgeFit, k: int, correlation: Correlation) -> Floats | float:
    """Return by how much noise that neighbouring voxels share stretches u of each parameter."""
    jac, left, ties, at = tracker.residuals(plane, fit)
    voxel = np.column_stack([np.full(len(at), k), at])
    found = sandwich(
        jac / fit.noise, left / fit.noise, ties, shape=len(fit.p), cluster=np.arange(len(left)), voxel=voxel,
        correlation=correlation,
    )
    if found is None:
        return 1.0
    _, budget = found
    alone = budget["noise"] + budget["edge_level"] + budget["blur"]
    ratio = budget["correlation"][: len(fit.p)] / np.maximum(alone[: len(fit.p)], 1e-300)
    return np.asarray(np.clip(np.sqrt(1 + ratio), 1.0, _WORST))
