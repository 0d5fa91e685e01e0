"""How thin a flat gap would have stayed unseen at every depth where one piece may lie on another."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ctrecon.features.build import MeasuredFeature
from ctrecon.grey.square_up import SquaredStack
from ctrecon.record.kinds import is_outside, kind_of
from ctrecon.seams.face_profile import Dips, Tiles, template
from ctrecon.seams.face_regions import Region, known_places, regions_of
from ctrecon.seams.face_seams import LayerMetal, is_told

__all__ = ["FlatLimit", "flat_limits"]

_APART = 1.5  # planes between two places that are told apart, and between a place and the part's own end
_FIRST, _FACTORS = 4.0, (1.0, 1.4, 2.0, 2.8, 4.0, 8.0)  # deviations of the gap that is tried first; then thicker ones
_MOST_PLANES = 1.0  # a thicker gap is no line any more
_NEARLY_ALL = 1.64  # deviations: 95 in 100 (normal distribution)


@dataclass(frozen=True)
class FlatLimit:
    """At `depth` (planes; `slice_at` in the stack) a flat gap of up to `gap_mm` may be there unseen; None: any may."""

    depth: float
    slice_at: int
    gap_mm: float | None


def flat_limits(
    squared: SquaredStack, metal: LayerMetal, drafts: list[MeasuredFeature], seams: Sequence[MeasuredFeature]
) -> list[FlatLimit]:  # fmt: skip
    """Lay gaps into the part's own metal and see which the search would have told.

    Parameters
    ----------
    squared : SquaredStack
        The part's planes square to its axis.
    metal : LayerMetal
        The part's metal, as it was searched.
    drafts, seams : sequence of MeasuredFeature
        Outlines, and the side and flat seams that were found.

    Returns
    -------
    list of FlatLimit
        One for each depth at which an outside ends inside the part and no flat seam was found, by depth.
    """
    faces = [d for d in seams if kind_of(d.feature).is_face]
    sides = [d for d in seams if not kind_of(d.feature).is_face]
    hidden = _hidden_ends(drafts, faces)
    if not hidden:
        return []
    metal = metal.without(sides, squared)
    regions = regions_of(metal.tiles, metal.used, drafts, sides)
    places = sorted([*known_places(drafts, sides), *(f.depths[0] for f in faces)])

    def told(tiles: Tiles, dips: Dips, depth: float) -> bool:
        return is_told(metal, tiles, dips, regions, places, sides, depth)

    x, y = float(metal.tiles.x[metal.used].mean()), float(metal.tiles.y[metal.used].mean())
    step, out = squared.depth_step_mm, []
    for depth in hidden:
        gap = _thinnest(metal, regions[0], depth, told)
        slice_at = round(float(squared.to_stack_mm(x, y, depth)[2]) / step)
        out.append(FlatLimit(depth, slice_at, None if gap is None else gap * step))
    return out


def _thinnest(
    metal: LayerMetal, region: Region, depth: float, told: Callable[[Tiles, Dips, float], bool]
) -> float | None:  # fmt: skip
    """Return the thinnest gap (planes) at a depth that is told even where noise speaks against it; None for none."""
    tiles, used, dips = metal.tiles, metal.used, metal.dips
    row = int(np.clip(round(2 * depth), 0, len(dips.depth) - 1))
    info = dips.info[row] * region.share
    total = float(info @ region.share)
    if total <= 0:
        return None
    lost = template(np.arange(len(tiles.grey)) - depth, tiles.blur)[:, None] * region.share
    grey = np.zeros_like(tiles.grey)
    grey[:, used] = np.where(tiles.count[:, used] > 0, -lost, 0.0)
    unit = metal.dips_of(replace(tiles, grey=grey)).size
    u = metal.sigma / float(np.sqrt(total))
    there = float(info @ dips.size[row]) / total
    for factor in _FACTORS:
        gap = _FIRST * factor * u
        if gap > _MOST_PLANES:
            return None
        if told(replace(tiles, grey=tiles.grey + gap * grey), replace(dips, size=dips.size + gap * unit), depth):
            return gap + max(there, 0.0) + _NEARLY_ALL * u
    return None


def _hidden_ends(drafts: Sequence[MeasuredFeature], faces: Sequence[MeasuredFeature]) -> list[float]:
    """List the depths (planes) in which outsides end inside the part and no flat seam was found."""
    outside = [d.depths for d in drafts if is_outside(d.feature)]
    if not outside:
        return []
    low, high = min(d[0] for d in outside), max(d[1] for d in outside)
    out: list[float] = []
    for place in sorted(end for depths in outside for end in depths):
        known = [*out, low, high, *(f.depths[0] for f in faces)]
        if all(abs(place - other) > _APART for other in known):
            out.append(place)
    return out
