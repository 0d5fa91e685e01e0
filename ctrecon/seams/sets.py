"""Equal circles at one distance from a known axis, sought together: rivets and pins of one set."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from ctrecon.core.frames import Floats
from ctrecon.seams.field import SeamField
from ctrecon.seams.paths import LEAST_RADIUS_PX
from ctrecon.seams.refine import SET, Scale, SeamCandidate, sampled
from ctrecon.shapes import Circle

__all__ = ["SetLead", "mates_of", "most_z", "refine_set", "search_sets"]

_MOST_MEMBERS = 6
_TURNS = 60  # every number of members up to six divides it
_MOST_RADIUS_PX = 20.0
_RADIUS_STEP, _FAR_STEP = 0.5, 1.0  # cells: a line that lies off by so little keeps nine tenths of its dip
_REACH_PX = {1: 100.0, 2: 200.0, 4: 600.0}  # of the metal, by the width of the cells it is sought in
_COARSE_STEP = 1.0  # cells: neighbours share their noise, so every second radius tells the scatter as well
_FILLED = 0.6
_FEWEST_TURNS = 0.3
_FINE = 4  # points of a circle to a cell of its length
_FEWEST = 200
_MEMBER, _MEMBER_SHARE = 2.0, 0.35  # each must show, and none be much fainter than the others
_PLAIN_MEMBERS = 3  # even steps of fewer are no set that noise alone need be asked of
_ARTEFACTS = 4.0  # times the noise: as much as rings and streaks scatter where no place is left to tell
_LOWER = 0.1587  # share of a normal distribution below minus one deviation
_MATE_TURNS_PX, _MATE_PX = 1.6, 1.1  # how far the mates of a seam that was found may lie off


@dataclass(frozen=True, eq=False)
class SetLead:
    """Equal circles that stand out together by `z`; one lead each, its own strength in `own`."""

    members: tuple[SeamCandidate, ...]
    own: tuple[float, ...]
    z: float
    plain: bool = False
    """Whether `z` is against the noise of pixels alone."""


@dataclass(frozen=True, eq=False)
class _Ring:
    """Scores of one circle at all turns about the axis, less what all turns share; NaN where too little is metal."""

    radius: float
    far: float
    score: Floats

    @cached_property
    def peaks(self) -> tuple[float, float]:
        """Greatest score of a bright and of a dark circle: a set has at most this times the root of its count."""
        return -float(np.nanmin(self.score)), float(np.nanmax(self.score))

    def sets(self, count: int) -> Floats:
        """Return scores (members, turns) of sets of some members; each set stands there once."""
        return self.score.reshape(count, -1)


def search_sets(
    field: SeamField, x: float, y: float, reach: float, *, scale_from: SeamField | None = None,
    known: SetLead | None = None,
) -> list[SetLead]:  # fmt: skip
    """Return the strongest set of one to six equal circles about an axis, over all of the depth and its halves.

    What all turns about the axis have in common is taken off: rings of the scanner that lie about it cancel, and
    so does everything else that is round about it. The scatter of sets is that of all sets of as many members, told
    from the fainter half of them: seams, and what lies beside them, make the stronger half no measure of noise.

    Parameters
    ----------
    field : SeamField
    x, y, reach : float
        The axis, and how far the metal goes; px.
    scale_from : SeamField, optional
        Field without the set itself, which tells the scatter.
    known : SetLead, optional
        The set to judge anew by that scatter; nothing else is searched.
    """
    cell = next((c for c, most in _REACH_PX.items() if reach <= most), max(_REACH_PX))
    here = field.coarser(cell)
    if known is not None:
        return [_judged_again(field, (scale_from or field).coarser(cell), (x, y, reach), known)]
    out: list[SetLead] = []
    for (a, b), rings in _rings(here, x, y, reach, _runs(here)).items():
        spreads = {n: _spread(rings, n, here) for n in range(1, _MOST_MEMBERS + 1)}
        # a set that fills a small part makes the scatter of its like itself: against noise alone it stands out
        noise = {n: None if one is None else here.least_spread or None for n, one in spreads.items()}
        for sign in (1.0, -1.0):
            for each in (spreads, noise):
                best = _best(rings, each, sign)
                if best is not None and (each is spreads or len(best[2]) >= _PLAIN_MEMBERS):
                    out.append(replace(_lead(field, here, (x, y), (a, b), best, sign), plain=each is noise))
    return sorted(out, key=lambda one: -one.z)


def most_z(field: SeamField, one: SetLead) -> float:
    """Return what a set judged anew can come to at most: it cannot scatter less than the noise of pixels makes it."""
    return float(sum(lead.raw for lead in one.members) / len(one.members) ** 0.5 / max(field.least_spread, 1e-12))


def _judged_again(
    field: SeamField, quiet: SeamField, about: tuple[float, float, float], known: SetLead
) -> SetLead:
    """Set a set against the scatter of a field without itself."""
    run, count = (known.members[0].first, known.members[0].last), len(known.members)
    scale = _spread(_rings(quiet, *about, [run], step=_COARSE_STEP)[run], count, field.coarser(quiet.cell))
    if scale is None:
        return replace(known, z=known.z / _ARTEFACTS) if known.plain else known
    total = sum(lead.raw / field.scores_per_cell(quiet.cell) for lead in known.members) / count**0.5
    return SetLead(known.members, known.own, total / scale)


def mates_of(
    field: SeamField, x: float, y: float, reach: float, seam: Circle, blocks: tuple[int, int], *, bright: bool
) -> SetLead | None:
    """Return the set that a circle which was found belongs to, without itself, or None where it has no mates."""
    cell = next((c for c, most in _REACH_PX.items() if reach <= most), max(_REACH_PX))
    here = field.coarser(cell)
    far, turn = float(np.hypot(seam.x - x, seam.y - y)), float(np.arctan2(seam.y - y, seam.x - x))
    near_seam = (seam.radius - _MATE_PX) / cell, (seam.radius + _MATE_PX) / cell
    rings = _rings(here, x, y, reach, [blocks], step=_COARSE_STEP, fine=near_seam)[blocks]
    single = _spread(rings, 1, here)
    if single is None:
        return None
    sign, best = (-1.0 if bright else 1.0), None
    for ring in rings:
        if abs(ring.radius * cell - seam.radius) > _MATE_PX or abs(ring.far * cell - far) > _MATE_PX:
            continue
        turns = len(ring.score)
        off = round(_MATE_TURNS_PX / (2 * np.pi * far / turns))
        for count in range(2, _MOST_MEMBERS + 1):
            first = turn / (2 * np.pi) * turns
            places = np.round(first + np.arange(1, count) * turns / count).astype(int)
            near = sign * np.array([ring.score[np.arange(p - off, p + off + 1) % turns] for p in places])
            at = np.nanargmax(np.where(np.isfinite(near), near, -1e9), axis=1)
            score = near[np.arange(count - 1), at]
            if not _each_shows(score[:, None], single)[0]:
                continue
            z = float(score.sum() / (count - 1) ** 0.5 / single)
            if best is None or z > best[0]:
                best = z, ring, (places + at - off) % turns, score / single
    if best is None:
        return None
    z, ring, places, own = best
    return _lead(field, here, (x, y), blocks, (z, ring, places, own), sign)


def _runs(field: SeamField) -> list[tuple[int, int]]:
    count = len(field.starts) - 1
    return [(0, count - 1)] + ([(0, count // 2 - 1), (count // 2, count - 1)] if count >= 4 else [])


def _rings(
    field: SeamField, x: float, y: float, reach: float, runs: Sequence[tuple[int, int]], *,
    step: float = _RADIUS_STEP, fine: tuple[float, float] = (0.0, 0.0),
) -> dict[tuple[int, int], list[_Ring]]:  # fmt: skip
    """Return the scores of every radius and distance in some runs of blocks; lengths in cells of this field.

    A circle of one radius is summed about every cell at once (a convolution); its scores about the axis are then
    read from that plane. Between the bounds `fine` radii go by the finest step whatever `step` is.
    """
    joined = [field.run(a, b) for a, b in runs]
    x, y, reach = (x + 0.5) / field.cell - 0.5, (y + 0.5) / field.cell - 0.5, reach / field.cell
    # nothing beyond the reach is asked for
    left, top = (max(int(v - reach) - 2, 0) for v in (x, y))
    cut = (slice(top, int(y + reach) + 3), slice(left, int(x + reach) + 3))
    maps = np.array([m[cut] for f, w in joined for m in (f * w, w)], np.float32)
    x, y = x - left, y - top
    most = min(_MOST_RADIUS_PX, reach / 2 - 2)
    margin = int(np.ceil(max(most, LEAST_RADIUS_PX))) + 1
    size = [fft.next_fast_len(n + margin, real=True) for n in maps.shape[1:]]
    spectra = fft.rfft2(maps, size)
    out: dict[tuple[int, int], list[_Ring]] = {run: [] for run in runs}
    for i, radius in enumerate(np.arange(LEAST_RADIUS_PX, most, _RADIUS_STEP)):
        if i % round(step / _RADIUS_STEP) and not fine[0] <= radius <= fine[1]:
            continue
        fars = np.arange(radius + 1, reach - radius - 2, _FAR_STEP)
        if not len(fars):
            continue
        count = max(12, round(2 * np.pi * radius))
        line = fft.rfft2(_circle_kernel(float(radius), count).astype(np.float32), size)
        half = int(np.ceil(radius)) + 1
        sums = fft.irfft2(spectra * line, size)
        turns = (_TURNS * np.ceil(2 * np.pi * fars / _TURNS)).astype(int)
        at = np.concatenate([np.arange(n) * 2 * np.pi / n for n in turns])
        far_of = np.repeat(fars, turns)
        place = np.stack([y + far_of * np.sin(at), x + far_of * np.cos(at)]) + half
        ends = np.cumsum(turns)
        for k, (a, b) in enumerate(runs):
            dips, filled = (ndimage.map_coordinates(one, place, order=1) for one in sums[2 * k : 2 * k + 2])
            good = filled > _FILLED * count
            # as the sum over blocks, like all other scores
            every = np.where(good, -dips / np.sqrt(np.maximum(filled, 1e-6)), np.nan) * (b - a + 1) ** 0.5
            for far, first, end in zip(fars, ends - turns, ends, strict=True):
                seen = good[first:end]
                if seen.sum() < _FEWEST_TURNS * (end - first):
                    continue
                score = every[first:end]
                out[a, b].append(_Ring(float(radius), float(far), score - np.median(score[seen])))
    return out


def _circle_kernel(radius: float, count: int) -> Floats:
    """Return how much of a circle of `count` points falls into each cell about its centre."""
    half = int(np.ceil(radius)) + 1
    angle = np.arange(_FINE * count) * 2 * np.pi / (_FINE * count)
    row, column = (np.rint(radius * v).astype(int) + half for v in (np.sin(angle), np.cos(angle)))
    size = 2 * half + 1
    return np.bincount(row * size + column, minlength=size * size).reshape(size, size) / _FINE


def _spread(rings: Sequence[_Ring], count: int, field: SeamField) -> float | None:
    """Return the scatter of sets of some members, by those fainter than most; None where there are too few."""
    pools = [ring.sets(count).sum(axis=0) / count**0.5 for ring in rings]
    values = np.concatenate(pools) if pools else np.empty(0)
    values = values[np.isfinite(values)]
    if len(values) < _FEWEST:
        return None
    lower = float(np.median(values) - np.quantile(values, _LOWER))
    return max(lower, field.least_spread) or None  # slices that were drawn scatter not at all


_Best = tuple[float, _Ring, NDArray[np.int64], Floats]


def _best(rings: Sequence[_Ring], spreads: dict[int, float | None], sign: float) -> _Best | None:
    """Return the strongest set of any number of members: strength, ring, turns and each member's own strength."""
    single, best = spreads[1], None
    if single is None:
        return None
    for ring in rings:
        for count, spread in spreads.items():
            if spread is None:
                continue
            if best is not None and best[0] * spread >= count**0.5 * ring.peaks[sign > 0]:
                continue
            sets = sign * ring.sets(count)
            z = sets.sum(axis=0) / count**0.5 / spread
            better = np.flatnonzero(np.isfinite(z) if best is None else z > best[0])
            better = better[_each_shows(sets[:, better], single)] if len(better) else better
            if len(better):
                i = int(better[np.argmax(z[better])])
                turns = i + np.arange(count) * sets.shape[1]
                best = float(z[i]), ring, turns, sets[:, i] / single
    return best


def _each_shows(sets: Floats, single: float) -> NDArray[np.bool_]:
    """Return in which sets (members, sets) every member shows, and none is much fainter than the mean."""
    filled = np.where(np.isfinite(sets), sets, -np.inf)
    faintest = filled.min(axis=0)
    mean = np.where(np.isfinite(faintest), sets.mean(axis=0), 0.0)
    return np.asarray((faintest > _MEMBER * single) & (faintest > _MEMBER_SHARE * mean))


def _lead(
    field: SeamField, here: SeamField, axis: tuple[float, float], blocks: tuple[int, int], best: _Best, sign: float
) -> SetLead:
    """Turn a set into leads in px, each with the strength of all together."""
    z, ring, turns, own = best
    by, cell = field.scores_per_cell(here.cell), here.cell
    members = []
    for turn in turns:
        at = 2 * np.pi * int(turn) / len(ring.score)
        shape = _at(axis, ring.far * cell, at, ring.radius * cell)
        raw = float(sign * ring.score[int(turn) % len(ring.score)]) * by
        scale = Scale(0.0, abs(raw) / max(z, 1e-6))
        members.append(SeamCandidate(SET, shape, *blocks, z, sign < 0, 0.0, scale, raw, cell=cell))
    return SetLead(tuple(members), tuple(float(v) for v in own), z)


def _at(axis: tuple[float, float], far: float, turn: float, radius: float) -> Circle:
    return Circle(float(axis[0] + far * np.cos(turn)), float(axis[1] + far * np.sin(turn)), float(radius))


def refine_set(field: SeamField, x: float, y: float, one: SetLead) -> SetLead:
    """Move a set until its members dip most together: one radius, one distance, one turn for all of them.

    Alone a faint member would climb after the noise beside it.
    """
    first = one.members[0]
    sign = -1.0 if first.bright else 1.0
    turns = np.array([np.arctan2(m.shape.centre[1] - y, m.shape.centre[0] - x) for m in one.members])
    far = float(np.hypot(first.shape.centre[0] - x, first.shape.centre[1] - y))
    place, step = np.array([first.shape.half_width, far, 0.0]), np.array([0.4, 0.6, 0.6 / far])

    def shapes(p: Floats) -> list[Circle]:
        return [_at((x, y), p[1], t + p[2], max(p[0], LEAST_RADIUS_PX - 0.7)) for t in turns]

    def worth(p: Floats) -> float:
        total = 0.0
        for shape in shapes(p):
            fine, weight = sampled(field, shape, first.first, first.last)
            total -= sign * float((fine * weight).sum()) / max(float(weight.sum()), 1e-6) ** 0.5
        return total

    best = worth(place)
    for shrunk in (1.0, 0.5, 0.25):
        for i in (0, 1, 2, 0, 1, 2):
            for way in (-shrunk, shrunk):
                other = place.copy()
                other[i] += way * step[i]
                value = worth(other)
                if value > best:
                    best, place = value, other
    members = [replace(lead, shape=shape) for lead, shape in zip(one.members, shapes(place), strict=True)]
    return replace(one, members=tuple(members))
