"""Named shapes followed from slice to slice: how size and centre run through depth, each slice on its own."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.errors import InputError, NoScaleError
from ctrecon.core.fit_result import FitFailed
from ctrecon.core.frames import Floats, axis_slopes, direction_from_slopes, rotation_to_part
from ctrecon.core.measured import format_percent
from ctrecon.core.threads import in_one_thread
from ctrecon.features.follow_start import Around, Begun, Edge, begin, edge_of
from ctrecon.fitting.tracked import EdgeFit
from ctrecon.record.part import Feature, Part
from ctrecon.slices.stack import SliceStack

__all__ = ["Edge", "Followed", "follow_features"]

_GIVE_UP = 3  # slices on end in which the edge is not found
_CONTRAST = (0.5, 1.8)  # over that of the first slice
_BLUR = (0.4, 2.5)  # times the first slice's blur; beyond, the fit is of another edge
_LEAST_SHARE = 0.4  # of the edge that must fit; below, the shape has ended
_JUMP_PX = 1.0  # px beyond six u that an edge may jump from slice to slice
_SCOUT = 8  # slices either way that show how an axis leans
_LEANS = 0.002  # slope; less bends no circle that can be seen
_DRIFT = 0.3


@dataclass(frozen=True, eq=False, kw_only=True)
class Followed:
    """One shape through depth; arrays hold the slices in which its edge was found, shallowest first.

    Attributes
    ----------
    name : str
        Id of the feature; empty for a shape that was given.
    kind : str
        ``"round"``, ``"square"``, ``"rectangular"`` or ``"polygon"``.
    hole : bool
        Metal is outside it.
    slices, depth_mm : (N,) arrays
        Slice numbers, and their depth in the stack.
    value_mm, u_mm : (N,) arrays
        Diameter, or distance across flats, square to the axis, and its standard uncertainty. What errs alike in
        all slices (scale, rings) is not in it.
    second_mm, u_second_mm : (N,) arrays or None
        The other pair of flats of a rectangle.
    turn_deg, u_turn_deg : (N,) arrays or None
        Direction of the first flats' normal, where there are flats.
    x_mm, y_mm, u_x_mm, u_y_mm : (N,) arrays
        Where the axis crosses the slice, in the stack's frame.
    contrast, blur_px, share, seen : (N,) arrays
        Contrast over that of the first slice fitted, blur (sigma), weight that voxels kept (less than 1 where the
        edge is damaged), part of the edge that is in the slice.
    failed : mapping
        Slice number to reason, for slices between the ends in which the edge was not found.
    ends : (str, str)
        Why it was followed no further, towards slice 0 and away from it.
    tilt_deg : float
        Lean of the axis against the slices that was allowed for.
    axis_basis : str
        ``"record"``, ``"own centres"`` or ``"assumed"`` (square to the slices).
    """

    name: str
    kind: str
    hole: bool
    slices: NDArray[np.int64]
    depth_mm: Floats
    value_mm: Floats
    u_mm: Floats
    second_mm: Floats | None = None
    u_second_mm: Floats | None = None
    turn_deg: Floats | None = None
    u_turn_deg: Floats | None = None
    x_mm: Floats
    y_mm: Floats
    u_x_mm: Floats
    u_y_mm: Floats
    contrast: Floats
    blur_px: Floats
    share: Floats
    seen: Floats
    failed: Mapping[int, str] = field(default_factory=dict)
    ends: tuple[str, str]
    tilt_deg: float
    axis_basis: str


@in_one_thread
def follow_features(
    stack: SliceStack,
    what: Sequence[Feature | Edge],
    *,
    part: Part | None = None,
    slices: tuple[int, int] | None = None,
    progress: Callable[[str, int, int], None] | None = None,
) -> tuple[Followed, ...]:
    """Fit shapes in every slice that shows them, each slice started from the one before.

    Parameters
    ----------
    stack : SliceStack
        Slices with their voxel size.
    what : sequence of Feature or Edge
        Round, square, rectangular and polygonal holes or outsides of a record, or shapes given roughly.
    part : Part, optional
        Record the features come from: its axis says how they lean. Without it a lean is found from the centres.
    slices : (first, last), optional
        Slices to stay within.
    progress : callable, optional
        Called with (what, done, of).

    Returns
    -------
    tuple of Followed
        One for each of `what`, in its order.

    Raises
    ------
    NoScaleError
        If neither stack nor part has a voxel size.
    InputError
        If a feature is of a kind that can't be followed, lacks a size, or shows no edge where it should begin.

    Notes
    -----
    Maximum likelihood for a step blurred by a Gaussian (air and metal with slopes, redescending loss), as in the main
    fit, but slice by slice: each value is by itself, so that scatter and trend through depth can be seen. Where all
    begin in one slice, every slice is read once and a few near the start once more.

    Examples
    --------
    A bar of 3 mm diameter, 12 slices long, with a little noise:

    >>> import numpy as np
    >>> from ctrecon import Edge, SliceStack, follow_features
    >>> from ctrecon.shapes import Circle
    >>> y, x = np.mgrid[:50, :50]
    >>> bar = 5000 + 20000 * np.clip(15.5 - np.hypot(x - 24.2, y - 24.6), 0, 1)
    >>> noise = np.random.default_rng(1).normal(0, 400, (12, 50, 50))
    >>> stack = SliceStack.from_array((bar + noise).astype(np.uint16), voxel_mm=0.1)
    >>> start = Edge(shape=Circle(2.4, 2.5, 1.4), hole=False, depth_mm=0.5)
    >>> (found,) = follow_features(stack, [start])
    >>> len(found.slices), round(float(found.value_mm.mean()), 2)
    (12, 3.0)
    """
    within = (0, len(stack) - 1) if slices is None else slices
    voxel = _voxel_mm(stack, part, within)
    edges = _starts(stack, what, part, voxel, within)
    rotation = np.eye(3) if part is None else part.rotation
    basis = "assumed" if part is None or part.axis is None else "record"
    begun_at: dict[int, _Walk] = {}
    around: Around | None = None
    for i in sorted(range(len(edges)), key=lambda i: -edges[i].size_mm):  # the largest sees most of its surroundings
        begun, around = _begin(stack, edges[i], voxel, rotation, around)
        lean = basis
        if basis == "assumed":
            direction = _lean(stack, begun, within)
            if direction is not None:
                begun, _ = _begin(stack, edges[i], voxel, rotation_to_part(direction), around)
                lean = "own centres"
        begun_at[i] = _Walk(begun, lean)
    walks = [begun_at[i] for i in range(len(edges))]
    _walk(stack, walks, within, progress)
    return tuple(one.result(voxel[0]) for one in walks)


def _voxel_mm(stack: SliceStack, part: Part | None, within: tuple[int, int]) -> tuple[float, float, float]:
    """Return the voxel size, once stack, record and slices are found to agree."""
    voxel = stack.voxel_mm if part is None else part.stack.voxel_mm
    if voxel is None:
        raise NoScaleError(f"{stack.source}: has no voxel size, so nothing can be measured in mm; state voxel_mm")
    if part is not None and (part.stack.slices, part.stack.rows, part.stack.columns) != stack.shape:
        raise InputError(f"{stack.source}: is not the stack the record {part.name} was made from; give that one")
    first, last = within
    if not 0 <= first <= last < len(stack):
        raise InputError(f"{stack.source}: has slices 0 to {len(stack) - 1}, so {first} to {last} can't be followed")
    return voxel


def _starts(
    stack: SliceStack, what: Sequence[Feature | Edge], part: Part | None, voxel: tuple[float, float, float],
    within: tuple[int, int],
) -> list[Edge]:  # fmt: skip
    """Return where each begins, in one slice if possible; refuse what begins outside the slices asked for."""
    edges = _together([edge_of(one, part, voxel, len(stack), stack.source) for one in what], voxel[0], within)
    for edge in edges:
        if not within[0] <= round(edge.depth_mm / voxel[0]) <= within[1]:
            where = f"slice {edge.depth_mm / voxel[0]:.0f}, and slices {within[0]} to {within[1]} are asked for"
            raise InputError(f"{stack.source}: {edge.name or 'the shape'} begins in {where}; give a depth among them")
    return edges


def _begin(
    stack: SliceStack, edge: Edge, voxel: tuple[float, float, float], rotation: Floats, around: Around | None
) -> tuple[Begun, Around]:
    found = begin(stack, edge, voxel, rotation, around)
    if isinstance(found, FitFailed):
        raise InputError(
            f"{stack.source}: {edge.name or 'the shape'} shows no edge in slice {round(edge.depth_mm / voxel[0])} "
            f"({found.reason}); give its place and size within a few voxels, at a depth where it is seen"
        )
    return found


def _together(edges: list[Edge], dz: float, within: tuple[int, int]) -> list[Edge]:
    """Begin in one slice where there is one that shows all shapes."""
    low = max([within[0] * dz, *(e.span_mm[0] for e in edges if e.span_mm is not None)])
    high = min([within[1] * dz, *(e.span_mm[1] for e in edges if e.span_mm is not None)])
    fixed = {e.depth_mm for e in edges if e.span_mm is None}
    if len(fixed) > 1 or low > high:
        return edges
    middle = fixed.pop() if fixed else (low + high) / 2
    return [e.moved_to(middle) if low <= middle <= high else e for e in edges]


def _lean(stack: SliceStack, begun: Begun, within: tuple[int, int]) -> Floats | None:
    """Return the direction of the axis where centres near the start show that it leans, else None."""
    walk = _Walk(begun, "")
    near = (max(within[0], begun.slice - _SCOUT), min(within[1], begun.slice + _SCOUT))
    _walk(stack, [walk], near, None)
    if len(walk.fits) < 5:
        return None
    dz = begun.voxel_mm[0]
    at = np.array(sorted(walk.fits), dtype=float)
    centre = np.array([begun.centre_mm(walk.fits[int(k)])[0] for k in at])
    u = np.array([begun.centre_mm(walk.fits[int(k)])[1] for k in at]).mean(axis=0)
    off = (at - at.mean()) * dz
    slopes = off @ centre / (off @ off)
    sure = u / np.sqrt(off @ off)
    leaning = (np.abs(slopes) > np.maximum(4 * sure, _LEANS)).any()
    return direction_from_slopes(float(slopes[0]), float(slopes[1])) if leaning else None


def _walk(
    stack: SliceStack, walks: Sequence["_Walk"], within: tuple[int, int],
    progress: Callable[[str, int, int], None] | None,
) -> None:  # fmt: skip
    """Go away from slice 0 and then towards it, every slice read once where all begin in the same one."""
    first, last = within
    starts = [w.begun.slice for w in walks]
    total = last - first + 1
    done = 0
    for way, order in ((1, range(min(starts), last + 1)), (-1, range(max(starts), first - 1, -1))):
        for one in walks:
            one.turn(way)
        for k in order:
            due = [w for w in walks if w.going and (k - w.begun.slice) * way > 0]
            if not due:
                if all(not w.going for w in walks):
                    break
                continue
            plane = None if k in stack.missing else stack.plane(k)
            for one in due:
                one.step(k, plane)
            done += 1
            if progress is not None:
                progress("follow", min(done, total), total)


class _Walk:
    """One shape on its way through the slices."""

    def __init__(self, begun: Begun, basis: str) -> None:
        self.begun, self.basis = begun, basis
        self.fits: dict[int, EdgeFit] = {begun.slice: begun.fit}
        self.failed: dict[int, str] = {}
        self.ends = ["the stack ends", "the stack ends"]
        self.turn(1)

    def turn(self, way: int) -> None:
        """Begin again at the first slice, in one direction."""
        self.way, self.going = way, True
        self.last, self.at = self.begun.fit, self.begun.slice
        self.drift = np.zeros(len(self.last.p))
        self.misses: list[int] = []

    def step(self, k: int, plane: NDArray[np.generic] | None) -> None:
        """Fit the slice, or note why not."""
        if plane is None:
            self.failed[k] = "the slice is missing"
            return
        steps = abs(k - self.at)
        expected = EdgeFit(self.last.p + self.drift * steps, self.last.covariance, self.last.extra, self.last.noise)
        found = self.begun.tracker.follow(plane, expected)
        reason = found.reason if isinstance(found, FitFailed) else self._doubt(found, expected)
        if reason or isinstance(found, FitFailed):
            self.failed[k] = reason
            self.misses.append(k)
            if len(self.misses) >= _GIVE_UP:
                self._stop()
            return
        share = _DRIFT if self.drift.any() else 1.0
        self.drift = self.drift + share * ((found.p - self.last.p) / steps - self.drift)
        self.last, self.at, self.misses = found, k, []
        self.fits[k] = found

    def _doubt(self, found: EdgeFit, expected: EdgeFit) -> str:
        """Say why a fit is none of this shape; empty where it is."""
        first = self.begun.fit
        contrast = found.contrast / first.contrast
        if not _CONTRAST[0] <= contrast <= _CONTRAST[1]:
            return f"the contrast at its edge is {format_percent(contrast)} of that in slice {self.begun.slice}"
        if not _BLUR[0] <= found.blur_px / first.blur_px <= _BLUR[1]:
            return f"the edge is {found.blur_px / first.blur_px:.1f} times as blurred as in slice {self.begun.slice}"
        if found.share < _LEAST_SHARE:
            return f"only {format_percent(found.share)} of the voxels at its edge fit it"
        jump = np.abs(found.p - expected.p) * self.begun.levers
        if float((jump - 6 * np.sqrt(np.diag(found.covariance)) * self.begun.levers).max()) > _JUMP_PX:
            return f"its edge jumps by {float(jump.max()):.1f} voxels"
        return ""

    def _stop(self) -> None:
        self.going = False
        side = 1 if self.way > 0 else 0
        self.ends[side] = f"slice {self.misses[0]}: {self.failed[self.misses[0]]}"
        for k in self.misses:
            del self.failed[k]

    def result(self, dz: float) -> Followed:
        """Put what was found into arrays."""
        for k in [k for k in self.failed if not min(self.fits) < k < max(self.fits)]:
            side = 1 if k > max(self.fits) else 0
            if self.ends[side] == "the stack ends":
                self.ends[side] = f"slice {k}: {self.failed[k]}"
            del self.failed[k]
        at = np.array(sorted(self.fits), dtype=np.int64)
        fits = [self.fits[int(k)] for k in at]
        sizes = self.begun.sizes_mm(fits)
        centres = [self.begun.centre_mm(f) for f in fits]
        centre, u = np.array([c for c, _ in centres]), np.array([s for _, s in centres])
        slope = axis_slopes(self.begun.rotation[2])
        return Followed(
            name=self.begun.edge.name, kind=self.begun.edge.kind, hole=self.begun.edge.hole,
            slices=at, depth_mm=at * dz, **sizes,
            x_mm=centre[:, 0], y_mm=centre[:, 1], u_x_mm=u[:, 0], u_y_mm=u[:, 1],
            contrast=np.array([f.contrast / self.begun.fit.contrast for f in fits]),
            blur_px=np.array([f.blur_px for f in fits]), share=np.array([f.share for f in fits]),
            seen=np.array([f.seen for f in fits]), failed=dict(sorted(self.failed.items())),
            ends=(self.ends[0], self.ends[1]), tilt_deg=float(np.degrees(np.arctan(np.hypot(*slope)))),
            axis_basis=self.basis,
        )  # fmt: skip
