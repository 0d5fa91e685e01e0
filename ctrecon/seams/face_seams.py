"""Flat seams between stacked pieces: thin planes of lower grey square to the axis, inside solid metal."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from scipy.special import ndtr

from ctrecon.core.fit_result import FitFailed
from ctrecon.core.frames import Floats
from ctrecon.core.measured import Measured
from ctrecon.features.build import MeasuredFeature, SeamStrength
from ctrecon.features.candidates import Candidate, Span
from ctrecon.features.size import FittedCandidate
from ctrecon.fitting.choose import Choice
from ctrecon.grey.square_up import SquaredStack
from ctrecon.outlines.trace import trace
from ctrecon.record.part import Feature
from ctrecon.seams.face_judge import FaceSeam, judge, spread_of
from ctrecon.seams.face_profile import DipFilter, Dips, Tiles, metal_of, template, tiles_of
from ctrecon.seams.face_regions import Region, known_places, regions_of
from ctrecon.seams.false_alarm import FILLED_BRIGHT

__all__ = ["LayerMetal", "find_face_seams", "is_told"]

_MOST_SEAMS = 8
_MOST_DEPTHS = 8
_MOST_REGIONS = 3
_LEAST_SCREEN = 3.5
_MOST_CHANCE = 0.02
_LEAST_THICKNESS = 0.01  # slices; where two alloys meet without a gap a fainter line is left of their step
_NEAR_PLACE = 2.0
_AT_PLACE = 1.2
_RUNS_ON = 3.0  # planes past an end: a seam that ends there too says nothing of what lies beyond
_SIDE_BLUR_PX = 1.0  # of a side seam; tiles are several times as wide
_CROSSED, _WHOLE = 0.01, 0.5
_FEWEST_TILES = 4
_FEWEST_PLANES = 8

# Solid parts with rings, drifting and flickering slices, correlated noise and cupping: one in a hundred shows a flat
# dip this strong, and the chance falls by e with every further `_FALL` (measured; see tests/pieces). Where nothing
# but its shape tells the dip from slices that came out dark by themselves, it must be stronger. Where an outline ends
# on a side seam that runs on, one piece ends on another more often than not, and there are only a few such places.
_ONE_IN_HUNDRED = {"expected": 3.6, "known": 4.6, "anywhere": 5.2, "unwitnessed": 6.0}
_FALL = {"expected": 0.35, "known": 0.35, "anywhere": 0.35, "unwitnessed": 0.6}
_UNWITNESSED, _UNWITNESSED_SPREAD = 0.01, 0.005  # never surer than that of it
_SPREAD_CHI2 = 25.0
_RATHER = 1.15

# what one reads on the slices is a plane: its place across is that of the metal that touches
_U_RIM_PX = 0.5


@dataclass(frozen=True, eq=False)
class LayerMetal:
    """Sound metal by tiles, which of them are in use, and the dips they show: the same for every search of a part.

    `sigma` is the noise that a single pixel counts with in a mean of many.
    """

    tiles: Tiles
    used: NDArray[np.bool_]
    dips_of: DipFilter
    dips: Dips
    sigma: float

    @classmethod
    def of(cls, squared: SquaredStack, seen: Callable[[Floats], None] | None = None) -> "LayerMetal | None":
        """Read the planes once, hand each to `seen`; None where there is too little metal to search."""
        tiles = tiles_of(squared, seen) if len(squared) >= _FEWEST_PLANES else None
        if tiles is None:
            return None
        used = (tiles.count > 0).sum(axis=0) >= 6
        if used.sum() < _FEWEST_TILES:
            return None
        dips_of = DipFilter(tiles, used)
        dips = dips_of(tiles)
        sigma = min(spread_of(dips), _most_noise(squared))
        return cls(tiles, used, dips_of, dips, sigma) if sigma > 0 else None

    def without(self, side_seams: Sequence[MeasuredFeature], squared: SquaredStack) -> "LayerMetal":
        """Give back what side seams take off the tiles they cross: where one begins it would pass for a dip.

        What a seam takes off a tile of which only some pixels are sound is not known: there such tiles are left out.
        """
        tiles = self.tiles
        rows, columns = tiles.x.shape
        edge = round(float(tiles.x[0, 1] - tiles.x[0, 0])) if columns > 1 else 0
        if not side_seams or not edge:
            return self
        y, x = np.mgrid[: rows * edge, : columns * edge]
        points = np.column_stack([x.ravel(), y.ravel()]).astype(float)
        planes = np.arange(len(tiles.grey))
        grey, count = tiles.grey.copy(), tiles.count.copy()
        for seam in side_seams:
            shape, gap = seam.sized.candidate.shape, seam.feature.seam_mm
            if shape is None or gap is None:
                continue
            dip = template(shape.signed_distance(points), _SIDE_BLUR_PX).reshape(rows, edge, columns, edge)
            first, last = ((planes - end) / tiles.blur for end in seam.depths)
            through = (ndtr(first) - ndtr(last))[:, None, None]
            crossed = dip.max(axis=(1, 3)) > _CROSSED * template(np.zeros(1), _SIDE_BLUR_PX)
            count[(through > _CROSSED) & crossed & (count < _WHOLE * edge**2)] = 0.0
            grey += through * gap.value / squared.pitch_mm * dip.mean(axis=(1, 3))
        tiles = replace(tiles, grey=np.where(count > 0, grey, 0.0), count=count)
        dips_of = DipFilter(tiles, self.used)
        return replace(self, tiles=tiles, dips_of=dips_of, dips=dips_of(tiles))


@dataclass(frozen=True, eq=False)
class _Lead:
    region: Region
    depth: float
    screen: float
    known: bool
    expected: bool


def find_face_seams(
    squared: SquaredStack, drafts: list[MeasuredFeature], side_seams: list[MeasuredFeature],
    metal: LayerMetal | None = None,
) -> list[MeasuredFeature]:  # fmt: skip
    """Search the solid metal for flat seams square to the axis.

    Parameters
    ----------
    squared : SquaredStack
        The part's planes square to its axis.
    drafts, side_seams : list of MeasuredFeature
        Outlines and side seams: where they end a flat seam is likelier, and they bound where it may lie. Every
        other depth and the whole section are searched too.
    metal : LayerMetal, optional
        The part's metal where it was read already.

    Returns
    -------
    list of MeasuredFeature
        face_seam features without ids, each with its `SeamStrength`: `filled_share` is the share of the touching
        area where the gap shows, `sides` its strength in each quarter. None that solid metal scanned like this
        shows in more than 2 of 100 cases.
    """
    metal = LayerMetal.of(squared) if metal is None else metal
    if metal is None:
        return []
    metal = metal.without(side_seams, squared)
    tiles, used, sigma = metal.tiles, metal.used, metal.sigma
    regions = regions_of(tiles, used, drafts, side_seams)
    places = known_places(drafts, side_seams)
    passed = _passed(places, side_seams)
    seen: list[tuple[_Lead, FaceSeam]] = []
    for _ in range(_MOST_SEAMS):
        rest, left = _without(metal, seen)
        leads = _leads(left, regions, places, passed, sigma)
        told = _first_told(metal, rest, left, leads, places, [verdict.depth for _, verdict in seen])
        if told is None:
            break
        seen.append(told)
    out = []
    for i, (lead, first) in enumerate(seen):
        # once the others are known, each is looked at without them
        rest, left = _without(metal, seen[:i] + seen[i + 1 :])
        verdict = first
        if len(seen) > 1:
            beside = _beside(places, [other.depth for _, other in seen])
            again = judge(rest, used, left, lead.region, first.depth, sigma, expected=lead.expected, beside=beside)
            verdict = again if again is not None and again.z > first.z else first
        chance = _chance(verdict, lead)
        draft = _draft(squared, rest, used, left, lead.region, verdict, chance, sigma)
        out += [] if draft is None else [draft]
    return out


def is_told(
    metal: LayerMetal, tiles: Tiles, dips: Dips, regions: list[Region], places: list[float],
    side_seams: Sequence[MeasuredFeature], depth: float,
) -> bool:  # fmt: skip
    """Return whether the search would tell a flat seam of these tiles and dips at `depth` (planes)."""
    leads = _leads(dips, regions, places, _passed(places, side_seams), metal.sigma)
    here = [lead for lead in leads if abs(lead.depth - depth) < _AT_PLACE]
    return _first_told(metal, tiles, dips, here, places, []) is not None


def _passed(places: Sequence[float], side_seams: Sequence[MeasuredFeature]) -> list[float]:
    """Return the places that a side seam runs past."""
    return [p for p in places if any(s.depths[0] + _RUNS_ON < p < s.depths[1] - _RUNS_ON for s in side_seams)]


def _first_told(
    metal: LayerMetal, tiles: Tiles, dips: Dips, leads: Sequence[_Lead], places: Sequence[float], own: Sequence[float]
) -> tuple[_Lead, FaceSeam] | None:  # fmt: skip
    """Return the first of some leads that solid metal hardly shows, and what was judged; `own` are seams told."""
    for lead in leads:
        beside = _beside(places, [lead.depth, *own])
        verdict = judge(
            tiles, metal.used, dips, lead.region, lead.depth, metal.sigma, expected=lead.expected, beside=beside
        )  # fmt: skip
        if verdict is None or abs(verdict.thickness) < _LEAST_THICKNESS:
            continue
        if _chance(verdict, lead) <= _MOST_CHANCE:
            return lead, verdict
    return None


def _most_noise(squared: SquaredStack) -> float:
    """Return the noise one pixel counts with in a mean of many, by what neighbouring voxels share; rather too much.

    A seam that is shut in places scatters from tile to tile as well, and must not pass for noise.
    """
    survey = squared.survey
    same_slice = survey.correlation.lags[:, 0] == 0 if len(survey.correlation.rho) else np.zeros(0, dtype=bool)
    shared = 1.0 + 2.0 * float(survey.correlation.rho[same_slice].sum())
    return _RATHER * survey.noise_rel * float(np.sqrt(max(shared, 1.0)))


def _leads(
    dips: Dips, regions: list[Region], places: list[float], passed: list[float], sigma: float
) -> list[_Lead]:
    """List the strongest dips of the regions, strongest first: a few depths, a few regions each."""
    found: list[_Lead] = []
    for region in regions:
        info = dips.info @ region.share**2
        strength = (dips.info * dips.size) @ region.share / np.sqrt(np.maximum(info, 1e-12)) / sigma
        size = np.where(info > 0.08 * info.max(), np.abs(strength), 0.0)
        peaks = (size == ndimage.maximum_filter1d(size, 5)) & (size > _LEAST_SCREEN)
        for i in np.flatnonzero(peaks):
            depth = float(dips.depth[i])
            known = any(abs(depth - p) < _NEAR_PLACE for p in places)
            expected = region.known and any(abs(depth - p) < _AT_PLACE for p in passed)
            found.append(_Lead(region, depth, float(size[i]), known, expected))
    found.sort(key=lambda lead: -lead.screen)
    out: list[_Lead] = []
    for lead in found:
        near = [one for one in out if abs(one.depth - lead.depth) < 1.2]
        same = any(_alike(dips, lead, one) for one in near)
        depths = {round(one.depth) for one in (*out, lead)}
        if not same and len(near) < _MOST_REGIONS and len(depths) <= _MOST_DEPTHS:
            out.append(lead)
    return out


def _alike(dips: Dips, one: _Lead, other: _Lead) -> bool:
    """Return whether two regions hold the same metal at a depth."""
    info = dips.info[int(np.argmin(np.abs(dips.depth - one.depth)))]
    a, b = info[one.region.tiles].sum(), info[other.region.tiles].sum()
    return bool(info[one.region.tiles & other.region.tiles].sum() > 0.97 * max(a, b))


def _beside(places: Sequence[float], own: Sequence[float]) -> list[float]:
    """Return the planes, one for those that agree, in which known things end and no seam of `own` is."""
    out: list[float] = []
    for place in places:
        if all(abs(place - other) > _NEAR_PLACE for other in (*own, *out)):
            out.append(place)
    return out


def _chance(verdict: FaceSeam, lead: _Lead) -> float:
    """Return the chance that solid metal shows a flat dip this strong somewhere."""
    case = "expected" if lead.expected else "known" if lead.known else "anywhere"
    if not verdict.witnessed:
        case = "known" if lead.expected else "unwitnessed"
    expected = 0.01005 * np.exp(-np.clip((verdict.z - _ONE_IN_HUNDRED[case]) / _FALL[case], -8, 60))
    rare = FILLED_BRIGHT if verdict.thickness < 0 else 1.0
    chance = min(rare * float(-np.expm1(-expected)), 1.0)
    if verdict.witnessed:
        return chance
    return max(chance, rare * (_UNWITNESSED_SPREAD if verdict.spread > _SPREAD_CHI2 else _UNWITNESSED))


def _without(metal: LayerMetal, seen: list[tuple[_Lead, FaceSeam]]) -> tuple[Tiles, Dips]:
    """Take known seams out of the grey, and the depths that they reach out of what is left to search."""
    tiles, used, dips = metal.tiles, metal.used, metal.dips
    if not seen:
        return tiles, dips
    grey = tiles.grey.copy()
    gone = np.zeros(dips.info.shape, dtype=bool)
    for lead, verdict in seen:
        depth = verdict.depth + verdict.lean.by(tiles.x[used], tiles.y[used])
        dip = verdict.thickness * template(np.arange(len(grey))[:, None] - depth[None], tiles.blur) * lead.region.share
        grey[:, used] += np.where(tiles.count[:, used] > 0, dip, 0.0)
        gone |= np.abs(dips.depth[:, None] - depth[None]) < 3 * tiles.blur + 1
    tiles = replace(tiles, grey=grey)
    dips = metal.dips_of(tiles)
    return tiles, replace(dips, info=np.where(gone, 0.0, dips.info))


def _shares(
    tiles: Tiles, used: NDArray[np.bool_], dips: Dips, region: Region, verdict: FaceSeam, sigma: float
) -> tuple[float, tuple[float, ...]]:
    """Return the share of the area where the gap shows, and its strength in each quarter of the area."""
    x, y = tiles.x[used], tiles.y[used]
    at = np.clip(np.round(2 * (verdict.depth + verdict.lean.by(x, y))).astype(int), 0, len(dips.depth) - 1)
    tile = np.arange(len(x))
    info = np.where(region.tiles, dips.info[at, tile], 0.0)
    size = np.sign(verdict.thickness) * dips.size[at, tile]
    if info.sum() <= 0:
        return 1.0, ()
    cx, cy = (info * x).sum() / info.sum(), (info * y).sum() / info.sum()
    angle = np.degrees(np.arctan2(y - cy, x - cx))
    quarter = ((angle + 45) % 360 // 90).astype(int)
    sides = tuple(
        float((info * size)[quarter == q].sum() / np.sqrt(max(info[quarter == q].sum(), 1e-12)) / sigma)
        for q in range(4)
    )
    # patches large enough that a full gap shows in each with about four deviations
    whole = float((info * size).sum() / np.sqrt(info.sum()) / sigma)
    patches = int(np.clip((whole / 4) ** 2, 1, 24))
    if patches < 4:
        return 1.0, sides
    off = np.hypot(x - cx, y - cy)
    order = np.lexsort((angle, off > np.median(off[info > 0])))
    patch = np.empty(len(x), dtype=int)
    patch[order] = np.minimum((np.cumsum(info[order]) / info.sum() * patches).astype(int), patches - 1)
    weight = np.bincount(patch, info, patches)
    mean = np.bincount(patch, info * size, patches) / np.maximum(weight, 1e-12)
    noise = sigma / np.sqrt(max(float(np.median(weight)), 1e-12))
    full = float(np.mean(np.sort(mean)[patches // 2 :])) - 0.8 * noise
    return float(np.clip(mean.mean() / full, 0.0, 1.0)) if full > 0 else 1.0, sides


def _touching(squared: SquaredStack, tiles: Tiles, region: Region, depth: float) -> NDArray[np.bool_]:
    """Return the pixels with metal on both sides of the seam, in its region."""
    off = int(np.ceil(2.5 * tiles.blur))
    near = [k for k in (round(depth) - off, round(depth) + off) if 0 <= k < len(squared)]
    metal = np.logical_and.reduce([metal_of(squared.plane(k)) for k in near])
    y, x = np.nonzero(metal)
    out = np.zeros_like(metal)
    out[y, x] = region.covers(x.astype(float), y.astype(float))
    labels, count = ndimage.label(out)
    if count > 1:
        out = np.asarray(labels == 1 + int(np.argmax(np.bincount(labels.ravel())[1:])))
    return np.asarray(out, dtype=bool)


def _draft(
    squared: SquaredStack, tiles: Tiles, used: NDArray[np.bool_], dips: Dips, region: Region, verdict: FaceSeam,
    chance: float, sigma: float,
) -> MeasuredFeature | None:  # fmt: skip
    touching = _touching(squared, tiles, region, verdict.depth)
    outlines = [o for o in trace(touching.astype(np.float32), smooth_px=0.7) if not o.hole]
    if not outlines:
        return None
    pitch, step = squared.pitch_mm, squared.depth_step_mm
    rows, columns = np.nonzero(touching)
    x, y = float(columns.mean()), float(rows.mean())
    area = len(rows) * pitch**2
    points = outlines[0].points
    rim = float(shapely.Polygon(points).length) * pitch
    u_rim = (_U_RIM_PX if region.known else 3 * (tiles.x[0, 1] - tiles.x[0, 0]) / 2) * pitch
    depth = verdict.depth + float(verdict.lean.by(np.array(x), np.array(y)))
    at = squared.to_stack_mm(x, y, depth)
    place = Measured(float(at[2]), verdict.u_depth * step)
    drawn = shapely.get_coordinates(shapely.Polygon(points).simplify(0.2))
    cut = squared.cut_by_slice(drawn, float(at[2]))
    slices = sorted((float(at[2]) / step - tiles.blur, float(at[2]) / step + tiles.blur))
    last = len(squared.survey.stack) - 1
    flags: tuple[str, ...] = ("seam_bright",) if verdict.thickness < 0 else ()
    if not verdict.witnessed:
        flags = (*flags, "seam_or_dark_slice")
    feature = Feature(
        id="", kind="face_seam", flags=flags,
        x_mm=Measured(float(at[0]), u_rim), y_mm=Measured(float(at[1]), u_rim), depth_from_mm=place, depth_to_mm=place,
        seam_mm=Measured(verdict.thickness * step, verdict.u_thickness * step),
        area_mm2=Measured(area, rim * u_rim),
        outline_mm=tuple((round(float(px), 5), round(float(py), 5)) for px, py in cut),
        slices_used=(min(max(int(np.floor(slices[0])), 0), last), min(max(int(np.ceil(slices[1])), 0), last)),
    )  # fmt: skip
    empty = np.zeros((1, 1))
    span = Span(
        round(depth), round(depth), (0, 0), empty.astype(np.int8), empty, points,
        Choice("free", None, np.ones(len(points), dtype=bool), 1.0),
    )  # fmt: skip
    candidate = Candidate("seam", False, None, 0.0, (span,), True, share=verdict.z, area_px2=float(len(rows)))
    sized = FittedCandidate(candidate, FitFailed("a flat seam is fitted by its own dip"), depth, False)
    filled, sides = _shares(tiles, used, dips, region, verdict, sigma)
    strength = SeamStrength(
        round(verdict.z, 2), float(f"{chance:.3g}"), round(filled, 2), tuple(round(s, 1) for s in sides)
    )
    return MeasuredFeature(feature, sized, (depth, depth), strength)
