"""Which runs of one followed outline show the same section, however much of it a bite or noise spoils."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from ctrecon.core.frames import Floats
from ctrecon.outlines.trace import even_points

__all__ = ["Run", "same_sections"]

_MOST_POINTS = 360
_MOST_PLANES = 7
_ON_PX = 0.6
"""An outline lies on another within this: the tolerance of the choice of shape (0.45) and noise of half as much."""
_SAME = 0.6
"""Share of the outline that must do so; as much as a shape needs to be called by its name."""
_LEFT = 0.3
"""Share that must be left where a run between two like ones is bridged: a groove leaves nothing, a bite most."""
_SIZE_PX, _SIZE_SHARE, _PLACE_PX = 0.35, 0.004, 0.6
"""How far size (half width) and place may differ: as where candidates are joined."""
_REACH = 0.15
"""What a taper may be wrong by, as a share of how far it is carried on."""
_SHORT = 3
_TUKEY_PX = 1.2
"""Beyond this a point counts nothing for size and place: a bite, not noise."""


@dataclass(frozen=True)
class Run:
    """Rows (first, last inclusive) of a followed outline; `share` of the section's outline is sound there."""

    first: int
    last: int
    share: float = 1.0

    def __len__(self) -> int:
        return self.last - self.first + 1


def same_sections(
    outlines: Sequence[Floats], runs: Sequence[tuple[int, int]], *, least: int = 1
) -> list[tuple[tuple[Run, ...], float]]:
    """Gather the runs of a followed outline that show one section, and how it grows.

    Parameters
    ----------
    outlines : sequence of (N, 2) arrays
        The outline on each plane, closed.
    runs : sequence of (first, last)
        Rows of `outlines` between which the outline keeps or evenly changes all its figures.
    least : int
        Shorter runs make no section of their own: they only go on from another.

    Returns
    -------
    list of (runs, growth_px)
        For each section its runs in order, one after the other without gaps, and the change of its half
        width per plane.

    Notes
    -----
    The longest run is the reference. Every other outline is told by how far it lies from the reference's points,
    square to them; size and place come from a redescending fit of these distances, so that a bite moves neither.
    """
    left = list(runs)
    out = []
    while left:
        best = max(left, key=lambda r: (r[1] - r[0], -r[0]))
        if best[1] - best[0] + 1 < least:
            break
        at = left.index(best)
        section = _Section(outlines, best)
        found = {at: 1.0}
        for step in (1, -1):
            held: dict[int, float] = {}
            i = at + step
            while 0 <= i < len(left) and _next_to(left[i], left[i - step]):
                share, same = section.judge(left[i])
                held[i] = share
                if same:
                    found |= held
                    held = {}
                elif share < _LEFT and sum(left[j][1] - left[j][0] + 1 for j in held if held[j] < _LEFT) > _SHORT:
                    break
                i += step
        out.append((_tiled(left, found), section.growth(left, found)))
        left = [r for i, r in enumerate(left) if i not in found]
    return sorted(out, key=lambda one: one[0][0].first)


def _next_to(a: tuple[int, int], b: tuple[int, int]) -> bool:
    """Recognise runs that follow each other but for a few planes; between others lies another section."""
    return max(a[0] - b[1], b[0] - a[1]) - 1 <= _SHORT


def _tiled(runs: list[tuple[int, int]], found: dict[int, float]) -> tuple[Run, ...]:
    """Put the found runs in order, each up to where the next begins."""
    order = sorted(found)
    ends = [runs[j][0] - 1 for j in order[1:]] + [runs[order[-1]][1]]
    return tuple(Run(runs[i][0], end, found[i]) for i, end in zip(order, ends, strict=True))


class _Section:
    """The reference outline with its figures on any plane: half width and place, and how they change."""

    def __init__(self, outlines: Sequence[Floats], run: tuple[int, int]) -> None:
        self.outlines = outlines
        self.middle = (run[0] + run[1]) // 2
        points = even_points(outlines[self.middle].astype(float))
        self.points = points[:: max(1, len(points) // _MOST_POINTS)]
        ahead, behind = np.roll(self.points, -1, axis=0), np.roll(self.points, 1, axis=0)
        normal = np.column_stack([(ahead - behind)[:, 1], -(ahead - behind)[:, 0]])
        turn = float(points[:, 0] @ np.roll(points[:, 1], -1) - np.roll(points[:, 0], -1) @ points[:, 1])
        size = np.hypot(*normal.T)[:, None]
        self.normals = normal / np.where(size > 0, size, 1) * (1 if turn > 0 else -1)
        self.radius = float(np.sqrt(abs(turn) / 2 / np.pi))
        own = _planes(run)
        off = self._off(own)
        # the middle plane's own noise goes out of the reference
        self.points = self.points + np.median(off, axis=0)[:, None] * self.normals
        figures = self._figures(self._off(own))
        self.line = np.array([_line(own - self.middle, column) for column in figures.T])

    def _off(self, rows: Floats) -> Floats:
        """Distances (planes, points) of the outlines from the reference's points, positive outwards."""
        out = np.empty((len(rows), len(self.points)))
        for i, row in enumerate(rows):
            other = self.outlines[int(row)].astype(float)
            away, at = cKDTree(other).query(self.points)
            square = np.einsum("ij,ij->i", other[at] - self.points, self.normals)
            # an outline's points lie within a pixel of each other: nearby the foot is nearer than the point
            out[i] = np.where(away < 1.5, square, np.copysign(away, square))
        return out

    def _figures(self, off: Floats) -> Floats:
        """Return half width and place (planes, 3) that the distances show, whatever is bitten out of them."""
        design = np.column_stack([np.ones(len(self.normals)), self.normals])
        figures = np.column_stack([np.median(off, axis=1), np.zeros((len(off), 2))])
        for _ in range(6):
            rest = off - figures @ design.T
            weight = np.clip(1 - (rest / _TUKEY_PX) ** 2, 0, None) ** 2
            lhs = np.einsum("pn,ni,nj->pij", weight, design, design) + 1e-3 * np.eye(3)
            figures = np.linalg.solve(lhs, np.einsum("pn,ni,pn->pi", weight, design, off)[..., None])[..., 0]
        return np.asarray(figures)

    def judge(self, run: tuple[int, int]) -> tuple[float, bool]:
        """Return the share of the reference that a run's outline lies on, and whether it is the same section."""
        rows = _planes(run)
        off = self._off(rows)
        wanted = self.line[:, 0] + np.outer(rows - self.middle, self.line[:, 1])
        figures = self._figures(off) - wanted
        design = np.column_stack([np.ones(len(self.normals)), self.normals])
        typical = np.median(off - wanted @ design.T, axis=0)
        share = float(np.mean(np.abs(typical) <= _ON_PX))
        carried = _REACH * np.abs(self.line[:, 1]) * float(np.abs(rows - self.middle).max())
        allowed = np.array([_SIZE_PX + _SIZE_SHARE * self.radius, _PLACE_PX, _PLACE_PX]) + carried
        far = np.array([np.abs(_ends(rows, column)).max() for column in figures.T])
        return share, bool(share >= _SAME and (far <= allowed).all())

    def growth(self, runs: list[tuple[int, int]], found: dict[int, float]) -> float:
        """Return the change of half width per plane over all runs found."""
        if len(found) == 1:
            return float(self.line[0, 1])
        rows = np.concatenate([_planes(runs[i]) for i in sorted(found) if found[i] >= _SAME])
        return _line(rows - self.middle, self._figures(self._off(rows))[:, 0])[1]


def _planes(run: tuple[int, int]) -> Floats:
    """Up to seven rows of a run; blurred end faces reach into its outermost ones."""
    trim = 1 if run[1] - run[0] >= 4 else 0
    low, high = run[0] + trim, run[1] - trim
    return np.unique(np.round(np.linspace(low, high, min(_MOST_PLANES, high - low + 1))))


def _line(at: Floats, values: Floats) -> tuple[float, float]:
    """Value at 0 and slope of a straight line; no slope where it rises less than the values scatter."""
    if len(at) < 4:
        return float(np.median(values)), 0.0
    slope, start = np.polyfit(at, values, 1)
    scatter = float(np.std(values - start - slope * at))
    if abs(slope) * np.ptp(at) < max(0.3, 3 * scatter):
        return float(np.median(values)), 0.0
    return float(start), float(slope)


def _ends(rows: Floats, values: Floats) -> Floats:
    """Values at both ends of a run: those of its straight line, or its median where it is short."""
    if len(rows) < 5:
        return np.asarray([np.median(values)])
    slope, start = np.polyfit(rows - rows.mean(), values, 1)
    return np.asarray([start + slope * (r - rows.mean()) for r in (rows[0], rows[-1])])
