"""Where and how deep an edge is eaten, in figures and in one sentence."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.fit_result import ShapeFit
from ctrecon.core.frames import Floats
from ctrecon.core.measured import format_percent
from ctrecon.features.edge_cells import CELL_PX, EdgeCells
from ctrecon.features.size import FittedCandidate, Wear, WearStretch
from ctrecon.features.sound_edge import SoundEdge
from ctrecon.grey.square_up import SquaredStack
from ctrecon.shapes import FittedShape, Rectangle, inwards

__all__ = ["wear_of"]

_LEAST_SHARE = 0.01  # of the edge: less is a nick, and named by nobody
_LEAST_PX = 0.15  # px; wear less deep is not mentioned
_SURE = 3.0  # u by which a cell must be below the shape to count in the share
_GONE = 0.5  # of half the width: an edge lost deeper than this is broken off, and said by arc_deg or corner_missing
_MOST_NAMED = 4  # places named; the others are counted
_NEAR_CORNER = 3.0  # px
_LEAST_CELLS = 3  # of a stretch that is drawn: fewer make no line


@dataclass(frozen=True)
class _Cells:
    """Eaten cells in a row: direction from the middle (degrees), place, depth lost and its u, planes, and weight."""

    angle: Floats
    place: Floats
    lost: Floats
    u: Floats
    low: Floats
    high: Floats


def wear_of(
    one: FittedCandidate, edge: SoundEdge, cut: Sequence[NDArray[np.bool_]], squared: SquaredStack
) -> Wear | None:
    """Return how much of an edge is eaten, how deep and where.

    Parameters
    ----------
    one : FittedCandidate
        The feature, fitted to its sound edge.
    edge : SoundEdge
        Its edge cell by cell.
    cut : sequence of bool arrays
        The cells (B, S) of each stretch that belong to a relief.
    squared : SquaredStack
        The stack.

    Returns
    -------
    Wear or None
        None where less than a hundredth of the edge is eaten, or nowhere by 0.15 px.
    """
    if not isinstance(one.fit, ShapeFit):
        return None
    total, parts, rows = 0.0, [], []
    gone = _GONE * _half_width(edge.shape)
    for cells, lost, u, eaten, tool in zip(edge.cells, edge.lost, edge.u, edge.eaten, cut, strict=True):
        depth = (cells.planes[:, 1] - cells.planes[:, 0] + 1).astype(float)[:, None]
        weight = depth * _along(edge.shape, cells)
        with np.errstate(invalid="ignore"):
            mine = eaten & ~tool & (lost > np.maximum(_SURE * u, 0.05)) & (lost < gone)
        total += float(weight[~tool & ~(lost >= gone)].sum())
        b, s = np.nonzero(mine)
        parts.append(float(weight[mine].sum()))
        rows.append((cells.places[b, s], lost[b, s], u[b, s], cells.planes[b, 0], cells.planes[b, 1]))
    place, lost, u, low, high = (np.concatenate(v) for v in zip(*rows, strict=True))
    share = sum(parts) / max(total, 1.0)
    if share < _LEAST_SHARE or float(lost.max()) < _LEAST_PX:
        return None
    x, y = edge.shape.centre
    angle = np.degrees(np.arctan2(place[:, 1] - y, place[:, 0] - x)) % 360
    found = _Cells(angle, place, lost, u, low, high)
    deepest = int(np.argmax(lost))
    runs = sorted(_runs(found, edge.shape), key=lambda r: -float(lost[r].max()))
    planes = (min(int(c.planes.min()) for c in edge.cells), max(int(c.planes.max()) for c in edge.cells))
    where = [_where(found, r, edge.shape, planes, squared) for r in runs[:_MOST_NAMED]]
    left = len(runs) - _MOST_NAMED
    more = f", and at {left} more place{'s' if left > 1 else ''}" if left > 0 else ""
    places = f"{'; '.join(where)}{more}"
    says = f"Eaten over {format_percent(share)} of its edge: {places}; the size is that of the sound edge."
    size = max(one.fit.u(n) for n in ("radius", "a", "b", "inradius") if n in one.fit.names)
    u_deepest = float(np.hypot(u[deepest], size / 2))
    return Wear(round(share, 3), float(lost[deepest]), u_deepest, says, _stretches(edge, cut, planes))


def _stretches(
    edge: SoundEdge, cut: Sequence[NDArray[np.bool_]], planes: tuple[int, int]
) -> tuple[WearStretch, ...]:
    """Return the edge as found along every eaten stretch, at each place where it is eaten deepest."""
    out = []
    for cells, lost, u, eaten, tool in zip(edge.cells, edge.lost, edge.u, edge.eaten, cut, strict=True):
        mine = eaten & ~tool
        with np.errstate(invalid="ignore"):
            sure = mine & (lost > np.maximum(_SURE * u, _LEAST_PX))
        deep = np.where(mine & np.isfinite(lost), lost, -np.inf)
        for run in _cyclic_runs(np.asarray(mine.any(axis=0))):
            run = run[np.isfinite(deep[:, run].max(axis=0))]
            if not sure[:, run].any() or len(run) < _LEAST_CELLS:
                continue
            blocks = np.flatnonzero(sure[:, run].any(axis=1))
            first, last = int(cells.planes[blocks, 0].min()), int(cells.planes[blocks, 1].max())
            whole = first <= planes[0] + 1 and last >= planes[1] - 1
            which = np.argmax(deep[:, run], axis=0)
            points, depth = cells.places[which, run], float(deep[:, run].max())
            out.append(WearStretch(points, depth, None if whole else (first - 0.5, last + 0.5)))
    return tuple(out)


def _cyclic_runs(marks: NDArray[np.bool_]) -> list[NDArray[np.int64]]:
    """Return the indices of every run of marked cells of a closed row, in order."""
    if marks.all():
        return [np.append(np.arange(len(marks)), 0)]  # closed: its first cell once more
    first = int(np.argmin(marks))
    labels, count = ndimage.label(np.roll(marks, -first))
    return [(np.flatnonzero(labels == k) + first) % len(marks) for k in range(1, count + 1)]


def _along(shape: FittedShape, cells: EdgeCells) -> Floats:
    """Return the share (B, S) of each cell's length that runs along the sound shape: the walls of a bite do not."""
    along = np.abs((_slope(shape, cells.points) * cells.normal).sum(axis=1))
    if shape.round_of is None:
        return np.broadcast_to(along, cells.offset.shape)
    away = np.hypot(*(np.where(np.isfinite(cells.places), cells.places, cells.points) - np.array(shape.centre)).T).T
    return np.asarray(along * _half_width(shape) / np.maximum(away, 1.0))


def _slope(shape: FittedShape, places: Floats) -> Floats:
    """Return the direction (N, 2) in which the signed distance of a shape grows at places: inwards."""
    into = inwards(shape, places)
    return np.asarray(into / np.maximum(np.hypot(*into.T), 1e-8)[:, None])


def _half_width(shape: FittedShape) -> float:
    return float(np.abs(shape.signed_distance(np.array([shape.centre])))[0])


def _runs(found: _Cells, shape: FittedShape) -> list[NDArray[np.int64]]:
    """Return the cells of each eaten stretch: those that follow each other round the middle."""
    bins = np.zeros(360, dtype=bool)
    bins[found.angle.astype(int) % 360] = True
    gap = int(np.ceil(np.degrees(3.0 / max(_half_width(shape), 3.0))))
    closed = ndimage.binary_closing(np.concatenate([bins] * 3), np.ones(2 * (gap // 2) + 1, dtype=bool))[360:720] | bins
    if closed.all():
        return [np.arange(len(found.angle))]
    first = int(np.argmin(closed))
    labels, count = ndimage.label(np.roll(closed, -first))
    label = np.roll(labels, first)[found.angle.astype(int) % 360]
    return [np.flatnonzero(label == k) for k in range(1, count + 1) if (label == k).any()]


def _where(
    found: _Cells, run: NDArray[np.int64], shape: FittedShape, planes: tuple[int, int], squared: SquaredStack
) -> str:
    top = run[int(np.argmax(found.lost[run]))]
    pitch = squared.pitch_mm
    deep = f"up to {found.lost[top] * pitch:.2g} mm deep"
    turned = (found.angle[run] - found.angle[top] + 180) % 360 - 180
    if shape.round_of is not None:
        half = np.degrees(CELL_PX / 2 / _half_width(shape))  # a cell has a width of its own
        low, high = (float(found.angle[top] + v) % 360 for v in (turned.min() - half, turned.max() + half))
        at = f"from {low:.0f}° to {high:.0f}° (from X towards Y)"
    else:
        corner = _corner_near(shape, found.place[top])
        ends = found.place[run[[int(np.argmin(turned)), int(np.argmax(turned))]]]
        along = float(np.hypot(*(ends[1] - ends[0]))) * pitch
        if corner is not None:
            at = f"at the corner towards {corner:.0f}°"
        else:
            at = f"on the flat that faces {_facing(shape, found.place[top]):.0f}°, over {along:.2g} mm of it"
    first, last = int(found.low[run].min()), int(found.high[run].max())
    if first <= planes[0] + 1 and last >= planes[1] - 1:
        return f"{deep} {at}"
    x, y = (float(v) for v in found.place[top])
    z = [float(squared.to_stack_mm(x, y, p)[2]) for p in (first - 0.5, last + 0.5)]
    return f"{deep} {at}, at depths {z[0]:.2f} to {z[1]:.2f} mm"


def _facing(shape: FittedShape, place: Floats) -> float:
    """Return the direction (degrees) that the flat nearest to a place faces."""
    x, y = -_slope(shape, place[None])[0]
    return float(np.degrees(np.arctan2(y, x))) % 360


def _corner_near(shape: FittedShape, place: Floats) -> float | None:
    """Return the direction (degrees) of the corner of a rectangle nearest to a place, None away from corners."""
    if not isinstance(shape, Rectangle):
        return None
    u, v = (float(w[0]) for w in shape.own_axes(place[None]))
    reach = shape.corner_radius + _NEAR_CORNER
    from_u, from_v = shape.a / 2 - abs(u), shape.b / 2 - abs(v)
    lost = float(shape.signed_distance(place[None])[0])
    if max(from_u, from_v) > reach + 2 * max(lost, 0.0):
        return None
    angle = np.arctan2(np.copysign(shape.b, v), np.copysign(shape.a, u)) + np.radians(shape.turn_deg)
    return float(np.degrees(angle)) % 360
