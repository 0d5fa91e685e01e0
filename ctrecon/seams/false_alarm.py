"""What tells a seam from a crack, a streak, a ring of the scanner or plain chance."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.circle_points import circle_start
from ctrecon.core.frames import Floats
from ctrecon.seams.field import SeamField, SolidMetal, average
from ctrecon.seams.line_kinds import SeamShape, along, grown, line_kind
from ctrecon.seams.outline_fit import band_of
from ctrecon.seams.refine import SeamCandidate, sampled
from ctrecon.seams.smooth import PLAIN, smooth_field
from ctrecon.shapes import Circle

__all__ = ["FILLED_BRIGHT", "Continuity", "chance_of", "closed", "closed_set", "drifts", "is_ring", "stays_in_slices"]

_SEGMENTS = 16
_LOUD_SHARE = 0.25
_REST = 2.2
_SIDE = 1.3
_TWO_SIDES = 5.0
_LEAST_SIDE, _SECOND_SIDE = 0.25, 0.35
_ALIKE, _ALIKE_SHARE = 1.7, 0.45
_OPEN_SHARE = 0.35
_SEGMENTS_OPEN = 12
_NEXT_SIDE = 0.4
_OPEN_STRENGTH = 7.0
_ROUGH = "it is uneven along the outline, as a crack or a streak is"
_BESIDE = (-8.0, -7.0, -6.0, -5.0, -4.0, 4.0, 5.0, 6.0, 7.0, 8.0)
_FEWEST_BESIDE = 8  # segments that a scatter is taken from
_OWN_PX = 4.0  # either side: what a gap and its blur cover
_WINDOW_PX = 6  # of metal beyond the outermost line beside, for the trend there: two of its widths
_OFF = tuple(np.arange(-3.0, 3.1, 0.5))
_NEXT = slice(3, 10)  # within 1.5 px
_PLAIN_DIP = 4.0
_FEW_PLAIN = 3
_OFF_PX = 0.9
_OFF_SHARE = 0.12
_RING_CENTRE_PX = 2.5
_RINGS = 1.5
_NEARLY_ROUND_PX = 1.5  # between the least and the most radius: a ring's width
_FEWEST_ROUND = 3  # points that settle a circle
_FAINT = 2.0  # deviations, all places beyond the seam taken together
_BEYOND = 14
_DRIFT_PX = 2.0  # by which part and slices drift apart over a line's depth: less than two blurs does not tell them
_ABOUT = (-1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5)  # where the ring would be: the line has met it somewhere on its way
_WIDER = (-1.0, -0.5, 0.0, 0.5, 1.0)

# Solid parts with rings, correlated noise, cupping, streaks and cracks: one in a hundred shows a closed line this
# strong, and the chance falls by e with every further `_FALL` (measured; see the section "seams" of the bench).
_ONE_IN_HUNDRED = {"known": 6.3, "anywhere": 8.0}
_FALL = 0.5
FILLED_BRIGHT = 3.0
"""How much likelier a bright line is a false alarm: a filling heavier than the metal is rarer than a gap."""


@dataclass(frozen=True)
class Continuity:
    """How a line goes round: `reason` says why it is no seam, empty where it may be one.

    `filled_share` is the share of its length where the gap shows; `sides` the strength on each quarter. `part_of_it`
    tells a line that is open on a part of its sides only: cracks can look like that.
    """

    reason: str
    filled_share: float
    sides: tuple[float, ...]

    @property
    def part_of_it(self) -> bool:
        """Whether only a part of its sides shows."""
        return not _all_round(self.sides)


def closed(field: SeamField, lead: SeamCandidate) -> Continuity:
    """Judge whether a line dips all round and all through its depth.

    A crack or a streak runs along a part of the outline, however strongly: without its loudest quarter nothing may
    be left of it. A gap that is closed in places leaves three sides, or two that meet in a corner. A crack also
    wanders: both halves of the depth must show the same line.
    """
    sign = -1.0 if lead.bright else 1.0
    fine, weight = sampled(field, lead.shape, lead.first, lead.last, lead.growth)
    dip, seen = _dips(fine, weight, sign)
    pieces = _pieces(len(dip))
    noise = _segment_noise(field, lead, pieces)
    every = line_kind(lead.shape).quarters(lead.shape, along(lead.shape))
    form, whole = _all_the_way(dip, seen, noise, every)
    if form.reason:
        return form
    if not _even_through_depth(fine, weight, sign, whole):
        return replace(form, reason="it does not keep its place through depth, as a crack wanders")
    if _wanders(field, lead, pieces, noise):
        return replace(form, reason="it wanders off the outline, as a crack does")
    return form


def closed_set(field: SeamField, leads: Sequence[SeamCandidate], turns: Sequence[float]) -> Continuity:
    """Judge whether equal circles dip all round, taken together; each is turned back by its turn about their axis.

    One that is faint alone is crossed here by a streak, there by a wall: what all share is what they are. A piece of
    a ring about the axis, or of a streak, stays on the same side of each.
    """
    each = []
    for lead, turn in zip(leads, turns, strict=True):
        dip, seen = _dips(*sampled(field, lead.shape, lead.first, lead.last), -1.0 if lead.bright else 1.0)
        back = -round(turn / (2 * np.pi) * len(dip))
        each.append((np.roll(dip, back), np.roll(seen, back)))
    dips, seen = (np.array([one[i] for one in each]) for i in range(2))
    number = seen.sum(axis=0)
    noise = float(np.mean([_segment_noise(field, lead, _pieces(dips.shape[1])) for lead in leads])) / len(leads) ** 0.5
    every = line_kind(leads[0].shape).quarters(leads[0].shape, along(leads[0].shape))
    together = (dips * seen).sum(axis=0) / np.maximum(number, 1)
    return _all_the_way(together, number > len(leads) / 2, noise, every)[0]


def _dips(fine: Floats, weight: Floats, sign: float) -> tuple[Floats, NDArray[np.bool_]]:
    """Return the dip at each point of a line, all its depth taken together, and whether metal shows it."""
    total = weight.sum(axis=0)
    return -sign * (fine * weight).sum(axis=0) / np.maximum(total, 1e-9), total > 0.3 * len(fine)


def _pieces(count: int) -> int:
    return max(4, min(_SEGMENTS, count // 4))


def _all_the_way(
    dip: Floats, seen: NDArray[np.bool_], noise: float, every: NDArray[np.int64]
) -> tuple[Continuity, float]:
    """Judge the dips along a line, and return its whole strength; `every` tells the quarter of each point."""
    count = len(dip)
    pieces = _pieces(count)
    segment = np.arange(count) * pieces // count
    number = np.bincount(segment[seen], minlength=pieces)
    parts = np.where(number > 1, np.bincount(segment[seen], dip[seen], pieces) / np.maximum(number, 1), np.nan)
    known = np.isfinite(parts)
    if known.sum() < 0.5 * pieces or noise <= 0:
        return Continuity("too little of it lies in sound metal", 0.0, ()), 0.0
    z = parts / noise
    middle = np.array([(np.median(np.flatnonzero(segment == s)) + 0.5) for s in range(pieces)])
    quarter = every[np.minimum(middle.astype(int), count - 1)]
    sides = tuple(
        float(z[own].sum() / own.sum() ** 0.5) if own.any() else _side(dip[seen & (every == q)], noise, count / pieces)
        for q, own in enumerate(known & (quarter == q) for q in range(4))
    )
    share = _filled(z[known])
    ordered = np.sort(z[known])[::-1]
    rest = ordered[round(_LOUD_SHARE * len(ordered)) :]
    left = float(rest.sum() / len(rest) ** 0.5)
    whole = float(z[known].sum() / known.sum() ** 0.5)
    if left < max(_REST, 0.12 * whole):
        why = "it shows on a part of the outline only, as a crack or a streak does"
    else:
        why = _uneven(z[known], sides)
    return Continuity(why, share, sides), whole


def _side(dips: Floats, noise: float, segment: float) -> float:
    """Strength of a quarter in which no segment of a small outline has its middle, from its own points."""
    return float(dips.mean() / noise * (len(dips) / segment) ** 0.5) if len(dips) else 0.0


def _wanders(field: SeamField, lead: SeamCandidate, pieces: int, noise: float) -> bool:
    """Return whether the dip lies beside the outline in much of what shows it plainly, in either half of the depth.

    A made surface follows its outline all along; a crack that an outline happens to meet crosses it.
    """
    blocks = lead.last - lead.first + 1
    halves = [(0, blocks)] if blocks < 2 else [(0, blocks // 2), (blocks // 2, blocks)]
    strength = np.full((len(_OFF), len(halves), pieces), np.nan)
    for i, by in enumerate(_OFF):
        fine, weight = sampled(field, grown(lead.shape, float(by)), lead.first, lead.last, lead.growth)
        segment = np.arange(fine.shape[1]) * pieces // max(fine.shape[1], 1)
        for j, (a, b) in enumerate(halves):
            total = weight[a:b].sum(axis=0)
            dip = (fine[a:b] * weight[a:b]).sum(axis=0) / np.maximum(total, 1e-9)
            seen = total > 0.3 * (b - a)
            number = np.bincount(segment[seen], minlength=pieces)
            dips = np.bincount(segment[seen], dip[seen], pieces) / np.maximum(number, 1)
            root = ((b - a) / blocks) ** 0.5
            strength[i, j] = np.where(number > 1, (dips if lead.bright else -dips) / noise * root, np.nan)
    parts = strength.reshape(len(_OFF), -1)
    parts = parts[:, np.isfinite(parts).all(axis=0)]
    plain = parts[:, parts[_NEXT].max(axis=0) > _PLAIN_DIP]
    if plain.shape[1] < _FEW_PLAIN:
        return False
    off = np.abs(np.array(_OFF)[np.argmax(plain, axis=0)])
    return bool((off > _OFF_PX).sum() > max(1, _OFF_SHARE * len(off)))


def _all_round(sides: tuple[float, ...]) -> bool:
    return min(sides) > _LEAST_SIDE * max(sides) and sorted(sides)[1] > _SECOND_SIDE * max(sides)


def _uneven(z: Floats, sides: tuple[float, ...]) -> str:
    """Say why the line does not dip evenly enough all round; empty where it does.

    A whole gap is alike on its four sides. One that is closed on a part of them is alike where it is open and nothing
    elsewhere: two levels, each kept. A crack that an outline happens to follow has strong and weak stretches.
    """
    inner = np.sort(z)[1:-1] if len(z) > 6 else z
    if _all_round(sides):
        return "" if float(inner.std()) < max(_ALIKE, _ALIKE_SHARE * float(inner.mean())) else _ROUGH
    if len(z) < _SEGMENTS_OPEN or sorted(sides)[-2] < _NEXT_SIDE * max(sides):
        return _ROUGH  # too short to tell two levels from the few loud places of a crack, or loud on one side alone
    order = np.sort(z)[::-1]
    cut = min(range(2, len(z) - 1), key=lambda n: float(order[:n].var() * n + order[n:].var() * (len(z) - n)))
    full, rest = order[:cut], order[cut:]
    level = float(full.mean())
    if sum(s > max(_SIDE, 0.12 * max(sides)) for s in sides) < 3:
        meet = any(min(sides[q], sides[(q + 1) % 4]) > max(_TWO_SIDES, 0.4 * max(sides)) for q in range(4))
        if not meet:
            return "it does not go round: it shows on two sides at most"
    if cut < _OPEN_SHARE * len(z) or level * cut**0.5 < _OPEN_STRENGTH:
        return "it shows on a part of the outline only, as a crack or a streak does"
    alike = float(full.std()) < max(_ALIKE, 0.3 * level) and abs(float(rest.mean())) < max(0.2 * level, 1.0)
    return "" if alike else _ROUGH


def chance_of(z: float, *, anywhere: bool) -> float:
    """Return the chance that solid metal shows a closed line this strong somewhere; never more than one.

    `anywhere` tells lines of which very many are tried (any centre, cones, rectangles) from circles, squares and
    parallels about what is known.

    Examples
    --------
    >>> round(chance_of(_ONE_IN_HUNDRED["known"], anywhere=False), 3)
    0.01
    """
    middle = _ONE_IN_HUNDRED["anywhere" if anywhere else "known"]
    expected = 0.01005 * np.exp(-(z - middle) / _FALL) if z > middle - 8 * _FALL else 30.0
    return float(1 - np.exp(-expected)) if expected > 1e-12 else float(expected)


def is_ring(
    plane: Callable[[int], Floats], solid: SolidMetal, lead: SeamCandidate, planes: tuple[int, int],
    centre: tuple[float, float] | None, ring_amplitude: float, dip: float, kernel: tuple[float, float] = PLAIN,
) -> bool:  # fmt: skip
    """Distinguish a ring of the scanner from a round seam.

    A ring is centred on the scanner's axis and goes through every slice, in air as in metal: the same line, half as
    strong at least, is then there beyond the seam's own depth. Where rings are known, a line about their centre
    that does not stand well above them is one of them.

    Parameters
    ----------
    plane, solid
        Planes of the part grid and their sound metal.
    planes : tuple of int
        First and last plane in which the line was found.
    centre : tuple of float or None
        Where the rings' axis meets the middle of these planes (column, row), None where no rings are known.
    ring_amplitude : float
        Standard deviation of the strongest rings that may be left, share of the contrast.
    dip : float
        Mean depth of the line in the fine grey, positive.
    kernel : tuple of float
        Widths of the filter that made the grey fine.
    """
    shape = _as_circle(lead.shape)
    if shape is None or abs(lead.growth) > 0.02:
        return False
    sign = -1.0 if lead.bright else 1.0
    x, y = shape.centre
    about_rings = centre is not None and float(np.hypot(x - centre[0], y - centre[1])) < _RING_CENTRE_PX
    if about_rings and dip < _RINGS * ring_amplitude:
        return True
    last = min(planes[1] + _BEYOND + 1, len(solid))
    faint: list[tuple[float, float]] = []
    for window in (range(max(planes[0] - _BEYOND, 0), planes[0] - 2), range(planes[1] + 3, last)):
        for metal in (True, False):
            beyond = _beyond(plane, solid, shape, window, kernel, metal=metal)
            if beyond is None:
                continue
            seen, u = -sign * beyond[0], beyond[1]
            if seen > 0.5 * dip and seen > 4 * u:
                return True
            faint.append((seen, u))
    if not faint:
        return False
    weight = np.array([1 / u**2 for _, u in faint])
    seen = float(weight @ [s for s, _ in faint] / weight.sum())
    return bool(seen > 0.5 * dip and seen > _FAINT * weight.sum() ** -0.5)


def stays_in_slices(field: SeamField, lead: SeamCandidate, drift: tuple[float, float]) -> bool:
    """Return whether a round line is stronger when it keeps its place in the slices than in the part, as rings do.

    `drift` is by how many px a plane what stays in the slices moves across the part (columns, rows). It tells only
    where that adds up over the line's depth.
    """
    shape = _as_circle(lead.shape)
    if shape is None or not drifts(field, lead, drift):
        return False
    blocks = np.arange(lead.first, lead.last + 1)
    starts = np.asarray(field.starts)
    off = (starts[blocks] + starts[blocks + 1] - starts[lead.first] - starts[lead.last + 1]) / 2

    def strength(x: float, y: float, by: float) -> float:
        moved = [Circle(shape.x + x + drift[0] * d, shape.y + y + drift[1] * d, shape.radius + by) for d in off]
        read = [sampled(field, one, b, b) for one, b in zip(moved, blocks.tolist(), strict=True)]
        weight = sum(float(w.sum()) for _, w in read)
        return float(sum(float((f * w).sum()) for f, w in read) / max(weight, 1e-6) ** 0.5)

    fine, weight = sampled(field, lead.shape, lead.first, lead.last, lead.growth)
    own = float((fine * weight).sum()) / max(float(weight.sum()), 1e-6) ** 0.5
    sign = 1.0 if lead.bright else -1.0
    wider = [by for by in _WIDER if shape.radius + by > 1]
    return bool(max(sign * strength(x, y, by) for x in _ABOUT for y in _ABOUT for by in wider) > sign * own)


def drifts(field: SeamField, lead: SeamCandidate, drift: tuple[float, float]) -> bool:
    """Return whether part and slices drift apart so far over a line's depth that it shows which of them keeps it."""
    return float(np.hypot(*drift)) * (field.starts[lead.last + 1] - field.starts[lead.first]) >= _DRIFT_PX


def _as_circle(shape: SeamShape) -> Circle | None:
    """Return a line as the circle it is; a parallel far from a toothed rim has no teeth left. None for others."""
    points = along(shape)  # corners alone lie on a circle, too
    found = circle_start(points) if len(points) >= _FEWEST_ROUND else None
    if found is None:
        return None
    x, y, radius = found
    far = np.hypot(points[:, 0] - x, points[:, 1] - y)
    return Circle(x, y, radius) if float(np.ptp(far)) <= _NEARLY_ROUND_PX else None


def _beyond(
    plane: Callable[[int], Floats], solid: SolidMetal, shape: Circle, window: range, kernel: tuple[float, float], *,
    metal: bool,
) -> tuple[float, float] | None:  # fmt: skip
    """Return mean fine grey along the same line in other planes, in metal or in air, and its uncertainty."""
    if len(window) < 2:
        return None
    if metal:
        mean, weight = average(plane, solid, window)
    else:
        mean, weight = np.zeros(solid[0].shape, np.float32), np.zeros(solid[0].shape, np.float32)
        for k in window:
            grey = plane(k)
            known = np.isfinite(grey)
            empty = known & (np.abs(ndimage.gaussian_filter(np.nan_to_num(grey, nan=1.0), 1.5)) < 0.2)
            empty = ndimage.minimum_filter(empty.astype(np.uint8), size=7, mode="constant").astype(bool)
            mean += np.where(empty, np.nan_to_num(grey), 0.0).astype(np.float32)
            weight += empty
        mean = mean / np.maximum(weight, 1)
        weight = weight / np.float32(len(window))
    fine = smooth_field(mean, weight, kernel)
    results = []
    for by in (0.0, *_BESIDE):
        where = along(grown(shape, by)).T[::-1]
        w = ndimage.map_coordinates(weight, where, order=0, mode="constant")
        if (w > 0.3).mean() < 0.6:
            if by == 0.0:
                return None
            continue
        f = ndimage.map_coordinates(fine, where, order=1, mode="nearest")
        results.append(float((f * w).sum() / w.sum()))
    if len(results) < 5:
        return None
    return results[0], 1.4826 * float(np.median(np.abs(np.array(results[1:])))) + 1e-9


def _segment_noise(field: SeamField, lead: SeamCandidate, pieces: int) -> float:
    """Scatter of the mean of one segment, from lines beside this one in the metal without it.

    A dip leaves a brighter band on either side in the fine grey: left in, a plain gap would count as its own noise.
    """
    # segments as long as the line's own, so that they scatter alike
    size = max(len(along(lead.shape)) // pieces, 1)
    least = field.least_spread / (size * (lead.last - lead.first + 1)) ** 0.5
    beside, last = _without(field, lead), 0 if not lead.growth else lead.last - lead.first
    values: list[float] = []
    for by in _BESIDE:
        if line_kind(lead.shape).narrowest(lead.shape) + by < 2:
            continue
        shape = grown(lead.shape, by)
        if len(along(shape)) < 8:
            continue
        fine, weight = sampled(beside, shape, 0, last, lead.growth)
        total = weight.sum(axis=0)
        grey = (fine * weight).sum(axis=0) / np.maximum(total, 1e-9)
        for start in range(0, len(grey) - size + 1, size):
            if (total[start : start + size] > 0.3 * len(fine)).all():
                values.append(float(grey[start : start + size].mean()))
    if len(values) < _FEWEST_BESIDE:
        fine, weight = field.run(lead.first, lead.last)
        inside = weight > 0.5
        # a mean of n samples 1 px apart, each shared by about two
        return 1.4826 * float(np.median(np.abs(fine[inside]))) * (2.5 / size) ** 0.5 if inside.any() else 0.0
    array = np.array(values)
    return float(max(1.4826 * np.median(np.abs(array - np.median(array))), least))


def _without(field: SeamField, lead: SeamCandidate) -> SeamField:
    """Return the metal beside a line, worked out without it: one block, or each of its own for a line that widens."""
    size = (field.weight.shape[1], field.weight.shape[2])
    planes = field.starts[lead.last + 1] - 1 - field.starts[lead.first]
    wider = abs(lead.growth) * planes / 2
    rows, columns, _ = band_of(lead.shape, size, _OWN_PX + wider)
    far = int(np.ceil(max(_BESIDE) + wider)) + _WINDOW_PX
    off = np.ones(size, dtype=bool)
    if len(rows):
        off[max(rows.min() - far, 0) : rows.max() + far, max(columns.min() - far, 0) : columns.max() + far] = False
    off[rows, columns] = True
    blocks = range(lead.first, lead.last + 1)
    if not lead.growth:
        return field.over([blocks], off)
    return replace(field.over([[b] for b in blocks], off), starts=field.starts[lead.first : lead.last + 2])


def _filled(z: Floats) -> float:
    """Share of the segments where the gap shows, each counted by its dip; noise of the dips is allowed for."""
    full = float(np.mean(np.sort(z)[len(z) // 2 :])) - 0.8
    return float(np.clip(z.mean() / full, 0.0, 1.0)) if full > 1.0 else float(np.clip(np.mean(z > 0), 0.0, 1.0))


def _even_through_depth(fine: Floats, weight: Floats, sign: float, whole: float) -> bool:
    """Return whether each half of the depth shows the line at a quarter of its mean strength or better."""
    blocks = len(fine)
    if blocks < 2:
        return True
    total = weight.sum(axis=1)
    per = -sign * (fine * weight).sum(axis=1) / np.maximum(total, 1e-9)
    used = total > 0.3 * total.max()
    if used.sum() < 2:
        return True
    per, total = per[used], total[used]
    mean = float((per * total).sum() / total.sum())
    half = len(per) // 2
    halves = [float((p * t).sum() / t.sum()) for p, t in ((per[:half], total[:half]), (per[half:], total[half:]))]
    # noise of half the depth is the root of two over the whole's
    slack = 2.0 * mean / max(whole, 1.0)
    return min(halves) > 0.25 * mean - slack * float(whole < 8)
