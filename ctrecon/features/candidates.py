"""From stretches of outline to candidates: one shape each, joined where it goes on through depth."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from ctrecon.core.frames import Floats
from ctrecon.features.open_between import stays_open
from ctrecon.fitting.choose import Choice, choose_shape, gaps_of, reliefs_of
from ctrecon.fitting.wheel_start import shows_teeth
from ctrecon.grey.square_up import SquaredStack
from ctrecon.outlines.same_section import Run
from ctrecon.outlines.stretches import Stretch
from ctrecon.outlines.trace import Outline, even_points, trace
from ctrecon.shapes import Circle, Rectangle, RegularPolygon, Shape

__all__ = ["Candidate", "RivalShape", "Span", "find_candidates"]

_MARGIN = 10  # px round an outline that its window shows
_JOIN_GAP = 3  # planes; a wider gap ends a feature, but a round hole that stands open there
_SAME_GROWTH, _FEW = 0.08, 5  # px a plane; stretches of fewer planes show their growth less surely
_FREE_LEAST_PLANES = 4  # a free outline on fewer is what a face or noise leaves
_NEAR_PX = 0.6  # of one run's outline, which has more noise than the whole's: as where the grey values choose
_METAL = 0.75  # of the grey of metal
_SOUND_RUN = 0.8  # share of the outline that must be sound for a run's planes to show the section
_RELIEF_PLANES = 3  # a run of fewer only goes on from another
_PIT_PX = 4.0  # radius; blur leaves no form of a hole so small and so short
_SPOILT = 0.6  # of the soundest run's share
_WALL_PX = 2.0  # a thinner wall than twice the blur is not seen as one
_HALF = 0.5  # of an arc, from which a shorter one over some of its depth is no other
_PARTLY = 0.6  # share of an outline on its circle below which it shows an arc, as of a ring fragment
_SAME_RIM, _SAME_RIM_PX = 0.6, 1.0  # share of two outlines that lie this near to each other on one rim
SOUND, AWAY, OTHER = 1, 2, 3


@dataclass(frozen=True, eq=False)
class Span:
    """One stretch of a candidate: planes (inclusive), the map of which outline each pixel is nearest to.

    `nearest` holds SOUND, AWAY (own outline off the shape) or OTHER; its first pixel
    is at `corner` (column, row). `mean` is the mean plane on the same window.
    """

    first: int
    last: int
    corner: tuple[int, int]
    nearest: NDArray[np.int8]
    mean: Floats
    points: Floats
    choice: Choice


@dataclass(frozen=True, eq=False)
class RivalShape:
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
    """A feature before its grey-value fit; lengths in px of the part grid, depth in planes."""

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
    others: tuple[RivalShape, ...] = ()
    reach: tuple[int, int] | None = None
    """First and last plane to measure on, where it runs out of the stack."""

    @property
    def is_round(self) -> bool:
        """Whether it is a circle, or what is left of one, and no relief."""
        return self.kind == "round"

    @property
    def is_relief(self) -> bool:
        """Whether it is an arc that takes metal off an outside."""
        return self.kind == "relief"

    @property
    def is_slot(self) -> bool:
        """Whether its shape is a rectangle whose ends are half circles."""
        return self.kind == "slot"

    @property
    def has_flats(self) -> bool:
        """Whether its shape is a rectangle with four flats."""
        return self.kind in ("square", "rectangular")

    @property
    def circle(self) -> Circle | None:
        """Its shape where that is a circle."""
        return self.shape if isinstance(self.shape, Circle) else None

    @property
    def rectangle(self) -> Rectangle | None:
        """Its shape where that is a rectangle, a square or a slot."""
        return self.shape if isinstance(self.shape, Rectangle) else None

    @property
    def sides(self) -> int | None:
        """How many sides its shape has where that is a regular polygon."""
        return self.shape.sides if isinstance(self.shape, RegularPolygon) else None

    def is_like(self, other: "Candidate") -> bool:
        """Return whether the other has the same kind of shape, with metal on the same side."""
        return (self.kind, self.hole) == (other.kind, other.hole)

    @property
    def metal_outside(self) -> bool:
        """True for holes and for reliefs: the metal is outside the shape."""
        return self.hole or self.is_relief

    @property
    def spoilt(self) -> tuple[tuple[int, int], ...]:
        """Planes (first, last) of so little sound outline, or none, that it would not be called by this shape."""
        best = max(s.choice.share for s in self.spans)
        bad = [(s.first, s.last) for s in self.spans if s.choice.share < _SPOILT * best]
        lost = [(a.last + 1, b.first - 1) for a, b in pairwise(self.spans) if b.first - a.last - 1 > _JOIN_GAP]
        return tuple(sorted(bad + lost))

    @property
    def planes(self) -> int:
        """How many planes show it."""
        return sum(s.last - s.first + 1 for s in self.spans)

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
        if not _is_pit(squared, stretch):
            out += _from_stretch(squared, stretch, smooth_px)
    return tuple(_join(squared, sorted(out, key=lambda c: (c.first, c.hole, c.kind, c.last))))


def _is_pit(squared: SquaredStack, stretch: Stretch) -> bool:
    """Recognise a small hole no deeper than wide with a metal floor: a pit or a pore, not a bore."""
    radius = float(np.sqrt(stretch.middle.area_px2 / np.pi))
    deep = (stretch.last - stretch.first + 1) * squared.depth_step_mm / squared.pitch_mm
    if not stretch.hole or radius > _PIT_PX or deep > 2 * radius:
        return False
    # a bore that noise lets go of for some planes is dark there still
    place = stretch.middle.x_px, stretch.middle.y_px
    return any(is_metal_at(squared, place, radius / 2, k) for k in (stretch.first - 3, stretch.last + 3))


def is_metal_at(squared: SquaredStack, place: tuple[float, float], reach: float, plane: int) -> bool:
    """Return whether a plane shows metal about a place (x, y; px) within some reach; False beyond the planes."""
    if not 0 <= plane < len(squared):
        return False
    column, row, by = round(place[0]), round(place[1]), max(1, round(reach))
    core = squared.window(plane, np.s_[max(row - by, 0) : row + by + 1, max(column - by, 0) : column + by + 1])
    return core.size > 0 and float(core.mean()) > _METAL  # not where there is no data


def trimmed(first: int, last: int) -> tuple[int, int]:
    """Leave out the planes at either end that the blurred end faces reach into."""
    length = last - first + 1
    # two planes off a face its blur still weighs some percent: enough to feign a taper where there is room to avoid it,
    # which costs shorter ones more of their lever arm than it is worth
    trim = 3 if length >= 15 else 2 if length >= 9 else 1 if length >= 4 else 0
    return first + trim, last - trim


def mean_window(
    squared: SquaredStack, first: int, last: int, box: tuple[int, int, int, int], *, most: int = 24
) -> Floats:
    """Mean of up to `most` planes in a window (left, top, right, bottom); NaN where most are NaN."""
    left, top, right, bottom = box
    total: Floats = np.zeros((bottom - top, right - left))
    count = np.zeros(total.shape, dtype=np.int32)
    for k in sorted({round(v) for v in np.linspace(first, last, min(most, last - first + 1))}):
        window = squared.window(k, np.s_[top:bottom, left:right])
        good = np.isfinite(window)
        np.add(total, window, out=total, where=good)
        count += good
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(count > 0, total / count, np.nan))


@dataclass(frozen=True, eq=False)
class _Look:
    """The mean plane of a run with its outlines, in px of the stretch's window."""

    first: int
    last: int
    mean: Floats
    outlines: tuple[Outline, ...]
    own: Outline
    points: Floats


def _look(stretch: Stretch, run: Run, mean: Floats, corner: tuple[int, int], smooth_px: float) -> _Look | None:
    outlines = trace(mean, smooth_px=smooth_px)
    own = _same(outlines, stretch, corner)
    if own is None:
        return None
    # kept to the end of the measuring, for every run of every stretch: half the room is fine enough by far
    return _Look(run.first, run.last, mean.astype(np.float32), outlines, own, even_points(own.points))


def _from_stretch(squared: SquaredStack, stretch: Stretch, smooth_px: float) -> list[Candidate]:
    _, rows, columns = squared.shape
    x0, y0, x1, y1 = stretch.box
    box = (
        max(0, int(x0) - _MARGIN), max(0, int(y0) - _MARGIN),
        min(columns, int(x1) + _MARGIN + 2), min(rows, int(y1) + _MARGIN + 2),
    )  # fmt: skip
    corner = box[:2]
    planes = _typical_planes(stretch)
    mean = mean_window(squared, planes[0], planes[-1], box) if len(stretch.runs) < 2 else _typical(squared, planes, box)
    run = Run(stretch.first, stretch.last)
    look = _look(stretch, run, mean, corner, 0.0 if len(planes) > 3 else smooth_px)
    if look is None:
        return []
    choice = choose_shape(look.points, hole=look.own.hole)
    if not stretch.hole and choice.may_hide_teeth:
        # teeth too fine for the outline show in the grey
        shown = np.where(np.isfinite(mean), mean, 0.0)
        if shows_teeth(shown, look.points):
            choice = Choice("free", None, np.zeros(len(look.points), dtype=bool), 0.0, toothed=True)
    flags: tuple[str, ...] = ("toothed_rim",) if choice.toothed else ()
    if choice.shape is None:
        if stretch.last - stretch.first + 1 < min(_FREE_LEAST_PLANES, len(squared)):
            return []
        nearest = np.full(mean.shape, SOUND, dtype=np.int8)
        span = Span(stretch.first, stretch.last, corner, nearest, look.mean, look.points + corner, choice)
        return [
            Candidate(
                "free", stretch.hole, None, stretch.growth_px, (span,), stretch.whole, flags, area_px2=look.own.area_px2
            )
        ]
    shape = _moved(choice.shape, corner)
    moved = replace(choice, shape=shape)
    looks = [look] if len(stretch.runs) < 2 else _looks(squared, stretch, look, box, smooth_px)
    spans = tuple(_span(one, moved, corner, stretch) for one in looks)
    growth = stretch.growth_px / choice.shape.wall_share
    main = Candidate(
        choice.kind, stretch.hole, shape, growth if abs(growth) > 0.004 else 0.0, spans, stretch.whole, flags,
        tuple(gaps_of(moved, look.points + corner)) if choice.kind == "round" else (), _share_of(spans),
        look.own.area_px2, rivals=tuple((k, one) for k, s in choice.rivals if (one := _moved(s, corner)) is not None),
    )  # fmt: skip
    longest = max(len(r) for r in stretch.runs) if stretch.runs else 0
    reliefs = [
        c for one, span in zip(looks, spans, strict=True)
        if one.last - one.first + 1 >= min(_RELIEF_PLANES, longest) for c in _reliefs(one, span, stretch)
    ]  # fmt: skip
    return [replace(main, relieved=bool(reliefs)), *reliefs]


def _span(look: _Look, choice: Choice, corner: tuple[int, int], stretch: Stretch) -> Span:
    """Mark where a run's outline is on the shape; on the whole stretch's mean plane that is known already."""
    points, near = look.points, choice.near
    if len(stretch.runs) > 1:
        assert choice.shape is not None
        grown = stretch.growth_px * ((look.first + look.last) - (stretch.first + stretch.last)) / 2
        near = np.abs(choice.shape.signed_distance(points + corner) + grown) <= _NEAR_PX
        choice = replace(choice, near=near, share=float(near.mean()))
    nearest = _nearest_map(look.mean.shape, points, near, look.outlines, look.own)
    return Span(look.first, look.last, corner, nearest, look.mean, points + corner, choice)


def _share_of(spans: tuple[Span, ...]) -> float:
    lengths = [s.last - s.first + 1 for s in spans]
    return float(np.average([s.choice.share for s in spans], weights=lengths))


def _reliefs(look: _Look, span: Span, stretch: Stretch) -> list[Candidate]:
    """Return the arcs that take metal off an outside, or go round its axis, over one run."""
    shape = span.choice.shape
    out = []
    for circle, low, arc, concave in reliefs_of(span.choice, span.points, hole=stretch.hole):
        near = np.abs(circle.signed_distance(span.points)) <= 0.6
        ring = _concentric(circle, shape)
        if not concave or (not ring and _inside(circle, shape)):
            continue
        if ring and not _has_wall(circle, span.points, near):
            continue  # the floor of a bite
        part_map = _nearest_map(look.mean.shape, look.points, near, look.outlines, look.own)
        sub = Choice("round", circle, near, float(near.mean()))
        part_span = Span(span.first, span.last, span.corner, part_map, look.mean, span.points, sub)
        gap = ((low + arc, low + 360.0, float("inf")),)
        kind = "round" if ring else "relief"
        out.append(Candidate(kind, ring, circle, 0.0, (part_span,), stretch.whole, (), gap, 1.0, look.own.area_px2))
    return out


def _typical_planes(stretch: Stretch) -> list[int]:
    """Planes whose mean shows the section: those of sound runs; of a taper where it moves less than 0.6 px."""
    first, last = trimmed(stretch.first, stretch.last)
    low, high = first, last
    if abs(stretch.growth_px) > 0.02:
        half = int(0.3 / abs(stretch.growth_px))
        middle = (first + last) // 2
        low, high = max(first, middle - half), min(last, middle + half)
    planes = list(range(low, high + 1))
    if len(stretch.runs) < 2:
        return planes
    sound = {k for r in stretch.runs if r.share >= _SOUND_RUN for k in range(r.first, r.last + 1)}
    return [k for k in planes if k in sound] or planes


def _typical(squared: SquaredStack, planes: list[int], box: tuple[int, int, int, int], *, most: int = 24) -> Floats:
    """Median of up to `most` planes in a window: a bite that goes through less than half of them does not show."""
    left, top, right, bottom = box
    picks = sorted({planes[round(v)] for v in np.linspace(0, len(planes) - 1, min(most, len(planes)))})
    windows = np.stack([squared.window(k, np.s_[top:bottom, left:right]) for k in picks])
    return np.asarray(np.median(windows, axis=0), dtype=float)


def _looks(
    squared: SquaredStack, stretch: Stretch, whole: _Look, box: tuple[int, int, int, int], smooth_px: float
) -> list[_Look]:
    """Look at every run on its own, to see where it is bitten; what shows no outline like the whole is left out."""
    out = []
    for run in stretch.runs:
        inner = 1 if len(run) >= 5 else 0  # beside a run the outline is on its way to another
        mean = mean_window(squared, run.first + inner, run.last - inner, box)
        found = _look(stretch, run, mean, box[:2], 0.0 if len(run) > 3 else smooth_px)
        if found is not None:
            out.append(found)
    return out or [whole]


def _same(outlines: tuple[Outline, ...], stretch: Stretch, box: tuple[int, int]) -> Outline | None:
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
    return None if shape is None else shape.moved(*by)


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


def _has_wall(circle: Circle, points: Floats, near: NDArray[np.bool_]) -> bool:
    """Return whether the outline passes outside an arc in most of the arc's directions, as that of a ring fragment."""
    away = points - (circle.x, circle.y)
    sector = np.floor(np.degrees(np.arctan2(away[:, 1], away[:, 0])) / 10).astype(int)
    outer = sector[np.hypot(*away.T) > circle.radius + _WALL_PX]
    return bool(np.isin(sector[near], outer).mean() > _HALF)


def _inside(circle: Circle, shape: Shape | None) -> bool:
    """Distinguish a circle well inside the shape, which is not a relief, from one that cuts its rim."""
    if shape is None:
        return False
    return float(shape.signed_distance(np.array([[circle.x, circle.y]]))[0]) > 0.9 * circle.radius


def _join(squared: SquaredStack, candidates: list[Candidate]) -> list[Candidate]:
    """Join candidates of one kind, size and place that follow each other through depth."""
    joined: list[Candidate] = []
    for candidate in candidates:
        for i, earlier in enumerate(joined):
            if _goes_on(squared, earlier, candidate) or _rim_goes_on(earlier, candidate):
                spans = (*earlier.spans, *candidate.spans)
                longer = max(earlier, candidate, key=lambda c: c.planes)
                flags = tuple(dict.fromkeys((*earlier.flags, *candidate.flags)))
                whole, share = earlier.whole and candidate.whole, min(earlier.share, candidate.share)
                joined[i] = replace(longer, spans=spans, whole=whole, flags=flags, share=share)
                break
        else:
            joined.append(candidate)
    return [c for c in joined if not any(_piece_of(c, other) for other in joined if other is not c)]


def _piece_of(c: Candidate, whole: Candidate) -> bool:
    """Recognise an arc that noise or a spot of crust has split from the longer one that covers its depth."""
    if not c.is_like(whole):
        return False
    if c.circle is None or whole.circle is None:
        return False
    if not (whole.first <= c.first and c.last <= whole.last and c.last - c.first < whole.last - whole.first):
        return False
    apart = float(np.hypot(c.circle.x - whole.circle.x, c.circle.y - whole.circle.y))
    return apart < whole.circle.radius and _lie_together(whole, c, _HALF)


def _goes_on(squared: SquaredStack, a: Candidate, b: Candidate) -> bool:
    if not a.is_like(b) or a.shape is None or b.shape is None:
        return False
    gap = b.first - a.last - 1
    far = gap > _JOIN_GAP
    if gap < 0 or (far and not (a.hole and stays_open(squared, a.circle, b.circle, a.last + 1, b.first - 1))):
        return False
    if a.circle is not None and min(a.share, b.share) < _PARTLY and _lie_together(a, b) and _lie_together(b, a):
        return True  # an arc alone settles its centre and radius badly
    if np.hypot(a.shape.centre[0] - b.shape.centre[0], a.shape.centre[1] - b.shape.centre[1]) > 0.6:
        return False
    sizes_a, sizes_b = a.shape.widths(), b.shape.widths()
    if abs(a.growth_px - b.growth_px) > _SAME_GROWTH * max(1.0, _FEW / min(a.planes, b.planes)):
        return False
    reach = (b.first + b.last - a.first - a.last) / 2
    # a few planes show no growth worth carrying on, and fewer planes show it less surely
    longer = max(a, b, key=lambda c: c.planes)
    ways = (0.5 * (a.growth_px + b.growth_px) * reach, longer.growth_px * reach, *([0.0] if far else []))
    return any(all(abs(y - x - w) < 0.35 + 0.004 * x for x, y in zip(sizes_a, sizes_b, strict=True)) for w in ways)


def _rim_goes_on(a: Candidate, b: Candidate) -> bool:
    """Return whether two stretches are one toothed rim, which wear or a fracture has cut in two along its depth."""
    if a.hole or b.hole or "toothed_rim" not in (*a.flags, *b.flags):
        return False
    if not (-1 <= b.first - a.last - 1 <= _JOIN_GAP):
        return False
    one, other = a.spans[-1].points, b.spans[0].points
    near = [float(np.mean(cKDTree(q).query(p)[0] < _SAME_RIM_PX)) for p, q in ((one, other), (other, one))]
    return min(near) > _SAME_RIM


def _lie_together(a: Candidate, b: Candidate, least: float = _SOUND_RUN) -> bool:
    """Return whether the arc of one candidate is on the other's circle."""
    assert b.shape is not None
    on = np.concatenate([s.points[s.choice.near] for s in a.spans])
    reach = (a.first + a.last - b.first - b.last) / 2
    off = b.shape.signed_distance(on)
    # a few planes of an arc show no growth worth carrying on
    grown = (b.growth_px * reach, 0.0)
    return len(on) > 0 and max(float(np.mean(np.abs(off + g) <= _NEAR_PX)) for g in grown) > least
