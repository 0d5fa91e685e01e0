"""From stretches of outline to candidates: one shape each, joined where it goes on through depth."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.frames import Floats
from ctrecon.fitting.choose import Choice, choose_shape, gaps_of, reliefs_of
from ctrecon.outlines.stretches import Stretch
from ctrecon.outlines.trace import Outline, even_points, trace
from ctrecon.shapes import Circle, Ellipse, Rectangle, RegularPolygon, Shape
from ctrecon.slices.square_up import SquaredStack

__all__ = ["Candidate", "Other", "Span", "find_candidates"]

_MARGIN = 10
_JOIN_GAP = 3
_FREE_LEAST_PLANES = 4
SOUND, AWAY, OTHER = 1, 2, 3


@dataclass(frozen=True, eq=False)
class Span:
    """One stretch of a candidate: planes (inclusive), the map of which outline each pixel is nearest to.

    `nearest` holds SOUND, AWAY (own outline off the shape) or OTHER; its first pixel
    lies at `corner` (column, row). `mean` is the mean plane on the same window.
    """

    first: int
    last: int
    corner: tuple[int, int]
    nearest: NDArray[np.int8]
    mean: Floats
    points: Floats
    choice: Choice


@dataclass(frozen=True, eq=False)
class Other:
    """Another shape the grey values allow: ln odds of the chosen one over it; sizes in px by the record's names.

    `words` says what it is where the kind does not: parallel, tapered.
    """

    kind: str
    ln_odds: float
    sizes_px: Mapping[str, float]
    sides: int | None = None
    words: str = ""


@dataclass(frozen=True, eq=False)
class Candidate:
    """A feature before its grey-value fit; lengths in px of the square grid, depth in planes."""

    kind: str
    hole: bool
    shape: Shape | None
    growth_px: float
    spans: tuple[Span, ...]
    whole: bool
    flags: tuple[str, ...] = ()
    gaps_deg: tuple[tuple[float, float, float], ...] = ()
    share: float = 1.0
    area_px2: float = 0.0
    relieved: bool = False
    rivals: tuple[tuple[str, Shape], ...] = ()
    others: tuple[Other, ...] = ()
    reach: tuple[int, int] | None = None
    """First and last plane to measure on, where it runs out of the stack."""

    @property
    def metal_outside(self) -> bool:
        """True for holes and for reliefs: the metal lies outside the shape."""
        return self.hole or self.kind == "relief"

    @property
    def first(self) -> int:
        """First plane that shows it."""
        return self.spans[0].first

    @property
    def last(self) -> int:
        """Last plane that shows it."""
        return self.spans[-1].last


def find_candidates(
    squared: SquaredStack, stretches: tuple[Stretch, ...], *, smooth_px: float = 0.7
) -> tuple[Candidate, ...]:
    """Choose a shape for every stretch on its mean plane and join what goes on."""
    out: list[Candidate] = []
    for stretch in stretches:
        out += _from_stretch(squared, stretch, smooth_px)
    return tuple(_join(sorted(out, key=lambda c: (c.first, c.hole, c.kind, c.last))))


def trimmed(first: int, last: int) -> tuple[int, int]:
    """Leave out the planes at either end that the blurred end faces reach into."""
    length = last - first + 1
    trim = 2 if length >= 9 else 1 if length >= 4 else 0
    return first + trim, last - trim


def mean_window(
    squared: SquaredStack, first: int, last: int, box: tuple[int, int, int, int], *, most: int = 24
) -> Floats:
    """Mean of up to `most` planes in a window (left, top, right, bottom); NaN where most are NaN."""
    left, top, right, bottom = box
    total: Floats | None = None
    count: Floats | None = None
    for k in sorted({round(v) for v in np.linspace(first, last, min(most, last - first + 1))}):
        window = squared.plane(k)[top:bottom, left:right].astype(float)
        good = np.isfinite(window)
        add = np.where(good, window, 0.0)
        total = add if total is None else total + add
        count = good.astype(float) if count is None else count + good
    assert total is not None
    assert count is not None
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(count > 0, total / count, np.nan))


def _from_stretch(squared: SquaredStack, stretch: Stretch, smooth_px: float) -> list[Candidate]:
    _, rows, columns = squared.shape
    x0, y0, x1, y1 = stretch.box
    box = (
        max(0, int(x0) - _MARGIN), max(0, int(y0) - _MARGIN),
        min(columns, int(x1) + _MARGIN + 2), min(rows, int(y1) + _MARGIN + 2),
    )  # fmt: skip
    first, last = trimmed(stretch.first, stretch.last)
    if abs(stretch.growth_px) > 0.02:  # a taper: average only where it moves less than 0.6 px
        half = int(0.3 / abs(stretch.growth_px))
        middle = (first + last) // 2
        first, last = max(first, middle - half), min(last, middle + half)
    mean = mean_window(squared, first, last, box)
    outlines = trace(mean, smooth_px=0.0 if last - first >= 3 else smooth_px)
    own = _same(outlines, stretch, box)
    if own is None:
        return []
    points = even_points(own.points)
    choice = choose_shape(points, hole=own.hole)
    corner = box[:2]
    flags: tuple[str, ...] = ("toothed_rim",) if choice.toothed else ()
    if choice.kind == "free":
        if stretch.last - stretch.first + 1 < min(_FREE_LEAST_PLANES, len(squared)):
            return []
        nearest = np.full(mean.shape, SOUND, dtype=np.int8)
        span = Span(stretch.first, stretch.last, corner, nearest, mean, points + corner, choice)
        return [
            Candidate(
                "free", stretch.hole, None, stretch.growth_px, (span,), stretch.whole, flags, area_px2=own.area_px2
            )
        ]
    shape = _moved(choice.shape, corner)
    moved = replace(choice, shape=shape)
    nearest = _nearest_map(mean.shape, points, choice.near, outlines, own)
    span = Span(stretch.first, stretch.last, corner, nearest, mean, points + corner, moved)
    growth = stretch.growth_px * (1.0 if choice.kind == "round" else 2.0)
    main = Candidate(
        choice.kind, stretch.hole, shape, growth if abs(growth) > 0.004 else 0.0, (span,), stretch.whole, flags,
        tuple(gaps_of(moved, span.points)) if choice.kind == "round" else (), choice.share, own.area_px2,
        rivals=tuple((k, one) for k, s in choice.rivals if (one := _moved(s, corner)) is not None),
    )  # fmt: skip
    reliefs: list[Candidate] = []
    for circle, low, arc, concave in reliefs_of(moved, span.points, hole=stretch.hole):
        near = np.abs(circle.signed_distance(span.points)) <= 0.6
        ring = _concentric(circle, shape)
        if not concave or (not ring and _inside(circle, shape)):
            continue
        part_map = _nearest_map(mean.shape, points, near, outlines, own)
        sub = Choice("round", circle, near, float(near.mean()))
        part_span = Span(stretch.first, stretch.last, corner, part_map, mean, span.points, sub)
        gap = ((low + arc, low + 360.0, float("inf")),)
        kind = "round" if ring else "relief"
        reliefs.append(Candidate(kind, ring, circle, 0.0, (part_span,), stretch.whole, (), gap, 1.0, own.area_px2))
    return [replace(main, relieved=bool(reliefs)), *reliefs]


def _same(outlines: tuple[Outline, ...], stretch: Stretch, box: tuple[int, int, int, int]) -> Outline | None:
    """Pick the outline of the mean plane that is the stretch's own."""
    middle = stretch.middle
    best, best_miss = None, 0.35
    for one in outlines:
        if one.hole != stretch.hole:
            continue
        size = np.sqrt(middle.area_px2)
        miss = float(
            np.hypot(one.x_px + box[0] - middle.x_px, one.y_px + box[1] - middle.y_px) / size
            + abs(np.sqrt(one.area_px2) / size - 1)
        )
        if miss < best_miss:
            best, best_miss = one, miss
    return best


def _moved(shape: Shape | None, by: tuple[int, int]) -> Shape | None:
    if isinstance(shape, (Circle, Ellipse, Rectangle, RegularPolygon)):
        return replace(shape, x=shape.x + by[0], y=shape.y + by[1])
    return shape


def _nearest_map(
    size: tuple[int, ...], points: Floats, near: NDArray[np.bool_], outlines: tuple[Outline, ...], own: Outline
) -> NDArray[np.int8]:
    """Label every pixel of the window by the outline it is nearest to."""
    seeds = np.zeros(size, dtype=np.int8)

    def mark(where: Floats, label: int) -> None:
        at = np.round(where).astype(int)
        seeds[np.clip(at[:, 1], 0, size[0] - 1), np.clip(at[:, 0], 0, size[1] - 1)] = label

    for one in outlines:
        if one is not own:
            mark(even_points(one.points), OTHER)
    # points close to a place where the outline leaves the shape are not trusted either
    unsure = ~near
    for shift in (1, 2, 3):
        unsure = unsure | np.roll(~near, shift) | np.roll(~near, -shift)
    lone = ~near & np.roll(near, 1) & np.roll(near, -1)
    sound = near & (~unsure | np.roll(lone, 1) | np.roll(lone, -1))
    mark(points[sound], SOUND)
    mark(points[~sound], AWAY)
    if not (seeds == SOUND).any():
        return np.full(size, AWAY, dtype=np.int8)
    where = ndimage.distance_transform_edt(seeds == 0, return_distances=False, return_indices=True)
    return np.asarray(seeds[tuple(where)], dtype=np.int8)


def _concentric(circle: Circle, shape: Shape | None) -> bool:
    return (
        isinstance(shape, Circle)
        and bool(np.hypot(circle.x - shape.x, circle.y - shape.y) < 1.0 + 0.03 * shape.radius)
        and circle.radius < shape.radius
    )


def _inside(circle: Circle, shape: Shape | None) -> bool:
    """Tell a circle well inside the shape, which is no relief, from one that cuts its rim."""
    if shape is None:
        return False
    return float(shape.signed_distance(np.array([[circle.x, circle.y]]))[0]) > 0.9 * circle.radius


def _join(candidates: list[Candidate]) -> list[Candidate]:
    """Join candidates of one kind, size and place that follow each other through depth."""
    joined: list[Candidate] = []
    for candidate in candidates:
        for i, earlier in enumerate(joined):
            if _goes_on(earlier, candidate):
                spans = (*earlier.spans, *candidate.spans)
                longer = max(earlier, candidate, key=lambda c: sum(s.last - s.first + 1 for s in c.spans))
                flags = tuple(dict.fromkeys((*earlier.flags, *candidate.flags)))
                joined[i] = replace(
                    longer,
                    spans=spans,
                    whole=earlier.whole and candidate.whole,
                    flags=flags,
                    share=min(earlier.share, candidate.share),
                )
                break
        else:
            joined.append(candidate)
    return joined


def _goes_on(a: Candidate, b: Candidate) -> bool:
    if (a.kind, a.hole) != (b.kind, b.hole) or a.shape is None or b.shape is None:
        return False
    if not 0 <= b.first - a.last - 1 <= _JOIN_GAP:
        return False
    if np.hypot(a.shape.centre[0] - b.shape.centre[0], a.shape.centre[1] - b.shape.centre[1]) > 0.6:
        return False
    sizes_a, sizes_b = _sizes(a.shape), _sizes(b.shape)
    if abs(a.growth_px - b.growth_px) > 0.08:
        return False
    reach = (b.first + b.last - a.first - a.last) / 2
    grown = 0.5 * (a.growth_px + b.growth_px) * reach
    return all(abs(y - x - grown) < 0.35 + 0.004 * x for x, y in zip(sizes_a, sizes_b, strict=True))


def _sizes(shape: Shape) -> tuple[float, ...]:
    if isinstance(shape, Circle):
        return (shape.radius,)
    if isinstance(shape, Rectangle):
        return (min(shape.a, shape.b), max(shape.a, shape.b))
    if isinstance(shape, RegularPolygon):
        return (shape.inradius,)
    return ()
