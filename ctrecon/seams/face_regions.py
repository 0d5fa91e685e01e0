"""Where in the section a flat seam may lie: all of it, or one side of an outline, a side seam or a circle."""

from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from ctrecon.core.fit_result import ShapeFit
from ctrecon.core.frames import Floats
from ctrecon.features.build import MeasuredFeature
from ctrecon.record.kinds import is_outside
from ctrecon.seams.face_profile import Tiles
from ctrecon.seams.layout import is_pin
from ctrecon.shapes import Circle

__all__ = ["Region", "known_places", "regions_of"]

_MOST_OUTLINES = 10
_RADII = 4
_LEAST_TILES = 4
_ALIKE, _ALIKE_KNOWN = 0.93, 0.985
_HARDLY = 0.1
_POINTS = 5  # a side, to tell how much of a tile lies inside a line


@dataclass(frozen=True, eq=False)
class Region:
    """A part of the section: `share` of each tile in use that lies in it, and the outline (px) that bounds it.

    `outline` is None for the whole section; `inside` tells on which side of it the region lies, `known` whether
    the outline is one that was found in the stack. What lies inside the outlines of `pins` is no part of it.
    """

    share: Floats
    outline: Floats | None = None
    inside: bool = True
    known: bool = True
    pins: tuple[Floats, ...] = ()

    @property
    def tiles(self) -> NDArray[np.bool_]:
        """Tiles that lie mostly in the region."""
        return np.asarray(self.share > 0.5)

    @property
    def outside(self) -> NDArray[np.bool_]:
        """Tiles that lie hardly in it at all."""
        return np.asarray(self.share < _HARDLY)

    def covers(self, x: Floats, y: Floats) -> NDArray[np.bool_]:
        """Return which places (px) lie in the region."""
        out = np.ones(np.shape(x), dtype=bool)
        for pin in self.pins:
            out &= ~shapely.contains_xy(shapely.make_valid(shapely.Polygon(pin)), x, y)
        if self.outline is not None:
            within = shapely.contains_xy(shapely.make_valid(shapely.Polygon(self.outline)), x, y)
            out &= within == self.inside
        return np.asarray(out)


def regions_of(
    tiles: Tiles, used: NDArray[np.bool_], drafts: list[MeasuredFeature], side_seams: list[MeasuredFeature]
) -> list[Region]:
    """List regions that differ: the whole first, then both sides of every line, known ones before circles.

    Pins run through flat seams: no region reaches into them.
    """
    x, y = tiles.x[used], tiles.y[used]
    edge = float(tiles.x[0, 1] - tiles.x[0, 0]) if tiles.x.shape[1] > 1 else 1.0
    inner = (np.arange(_POINTS) + 0.5) / _POINTS - 0.5
    finer_x, finer_y = (a.ravel() * edge for a in np.meshgrid(inner, inner))
    through = [d for d in side_seams if is_pin(d, drafts)]
    pins = tuple(_points(d) for d in through)

    def shared(region: Region) -> Region:
        return replace(region, share=region.covers(x[:, None] + finer_x, y[:, None] + finer_y).mean(axis=1))

    out = [shared(Region(np.ones(len(x)), pins=pins))]
    lines = [(_points(d), True) for d in [*(s for s in side_seams if s not in through), *_outlines(drafts)]]
    lines += [(circle.outline(), False) for circle in _circles(x, y, drafts)]
    for points, known in lines:
        if len(points) < 4:
            continue
        for inside in (True, False):
            region = shared(Region(out[0].share, points, inside, known, pins))
            if region.tiles.sum() >= _LEAST_TILES and not any(_alike(region, other, known) for other in out):
                out.append(region)
    return out


def known_places(drafts: list[MeasuredFeature], side_seams: list[MeasuredFeature]) -> list[float]:
    """List the planes in which side seams and outlines end: a flat seam is likelier there."""
    ends = [d for d in drafts if d.feature.kind.endswith(("_outside", "_hole"))]
    return sorted(float(p) for d in [*side_seams, *ends] for p in d.depths)


def _points(draft: MeasuredFeature) -> Floats:
    spans = draft.sized.candidate.spans
    return spans[len(spans) // 2].points


def _outlines(drafts: list[MeasuredFeature]) -> list[MeasuredFeature]:
    closed = [d for d in drafts if is_outside(d.feature)]
    return sorted(closed, key=lambda d: d.depths[0] - d.depths[1])[:_MOST_OUTLINES]


def _circles(x: Floats, y: Floats, drafts: list[MeasuredFeature]) -> list[Circle]:
    """Circles about the longest axis that divide the metal evenly, in case no outline shows where the seam ends."""
    fits = [d for d in sorted(drafts, key=lambda d: d.depths[0] - d.depths[1]) if isinstance(d.sized.fit, ShapeFit)]
    middle = float(x.mean()), float(y.mean())
    if fits and isinstance(fits[0].sized.fit, ShapeFit):
        middle = fits[0].sized.fit.value("x"), fits[0].sized.fit.value("y")
    off = np.hypot(x - middle[0], y - middle[1])
    shares = np.arange(1, _RADII + 1) / (_RADII + 1)
    return [Circle(*middle, float(r)) for r in np.quantile(off, shares) if r > 3]


def _alike(one: Region, other: Region, known: bool) -> bool:
    both = (one.tiles & other.tiles).sum()
    return bool(both >= (_ALIKE_KNOWN if known else _ALIKE) * max(one.tiles.sum(), other.tiles.sum()))
