"""Form of features: roundness about four references, straightness of an axis, squareness of flats.

Every extreme is larger than the truth by what noise adds to it. Each is therefore stated
beside the figure that noise alone would give, and where it does not stand out of that, it
is called not resolved: then the part is at least that good.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.fit_result import FitFailed
from ctrecon.core.frames import Floats
from ctrecon.core.measured import Measured
from ctrecon.features.edge_deviation import Edge, solve_departures, some_of
from ctrecon.fitting.roundness_zones import (
    Zone,
    least_squares_circle,
    maximum_inscribed,
    minimum_circumscribed,
    minimum_zone,
)
from ctrecon.grey.noise import Correlation

__all__ = [
    "CUT_OFF_UPR", "Extreme", "FlatAngles", "RoundForm", "extreme_of", "flat_angles", "round_form", "straightness",
]  # fmt: skip

CUT_OFF_UPR = 15
"""Undulations per revolution above which form is left out (one of the usual filter steps; fewer on small rims)."""

_LEAST_SLICES = 8  # fewer show no straightness
_MOST_STATIONS = 24  # along the axis; more follow the noise
_SPARE = 12  # waves beyond those reported, so that these are not bent by what is left out
_ANGLES = 120  # sectors in which the edge must be seen
_DRAWS = 400  # of noise; its spread is then known to 4 %
_FLOOR_PX = 0.003  # px; u of a form is never smaller


@dataclass(frozen=True)
class Extreme:
    """An extreme with its u, what noise alone gives (mean, standard deviation), and whether it stands out of that."""

    value: float
    u: float
    noise_mean: float
    noise_sd: float
    resolved: bool


@dataclass(frozen=True)
class RoundForm:
    """Roundness (px) about LSCI, and the widths about the other references; `upr` is the cut-off used.

    `departures` says how far the radius of each reference lies from the least-squares radius.
    """

    least_squares: Extreme
    widths: dict[str, float]
    departures: dict[str, float]
    upr: int
    share: float


@dataclass(frozen=True, eq=False)
class FlatAngles:
    """Inner angles (degrees) at four corners, departures of opposite flats from parallel, difference of widths (px).

    `square` and `parallel` are the extremes of their departures, degrees.
    """

    corners: tuple[Measured, ...]
    pairs: tuple[Measured, Measured]
    square: Extreme
    parallel: Extreme
    wider: Measured


def extreme_of(
    found: float, noise_only: Floats, with_noise: Floats, *, floor: float = 0.0, resolution: float = 0.99
) -> Extreme:
    """Judge an extreme against draws of noise alone, and of noise added to what was found.

    A resolved extreme carries the scatter and the inflation (at least half of what noise
    alone gives) in its u; one that noise explains is uncertain by so much that nothing is
    claimed (down to zero within 2u).
    """
    limit = float(np.quantile(noise_only, resolution))
    mean, sd = float(noise_only.mean()), float(noise_only.std())
    inflation = max(float(with_noise.mean()) - found, mean / 2)
    u = float(np.hypot(np.hypot(with_noise.std(), inflation), floor))
    resolved = found > limit
    if not resolved:
        u = max(u, found / 2 * 1.05, sd)
    return Extreme(found, max(u, 1e-9), mean, max(sd, 1e-9), resolved)


def _waves(angle: Floats, most: int) -> Floats:
    """Columns 1, cos, sin, cos 2, sin 2, ... up to the harmonic `most`."""
    k = np.arange(1, most + 1)
    both = np.stack([np.cos(angle[:, None] * k), np.sin(angle[:, None] * k)], axis=2).reshape(len(angle), -1)
    return np.column_stack([np.ones(len(angle)), both])


def _clusters(edge: Edge, sectors: int) -> NDArray[np.int64]:
    depth = max(2.0, float(np.ptp(edge.plane) + 1) / 12)
    block = ((edge.plane - edge.plane.min()) // depth).astype(np.int64)
    sector = ((edge.along + np.pi) / (2 * np.pi) * sectors).astype(np.int64) % sectors
    return np.asarray(sector * 1000 + block, dtype=np.int64)


def round_form(edge: Edge, radius_px: float, *, seed: int = 0) -> RoundForm | None:
    """Return roundness of the sound rim, averaged over all its slices up to a cut-off.

    The radius is a Fourier series in the angle. Twelve harmonics above the cut-off show how
    much noise, of whatever kind, is in those below.
    """
    upr = min(CUT_OFF_UPR, int(2 * np.pi * radius_px / 6))
    if upr < 3:
        return None
    every = upr + _SPARE
    ridge = np.full(2 * every + 1, 0.5)
    clusters = _clusters(edge, 48)
    solved = solve_departures(edge, _waves(edge.along, every), _waves(edge.along, 2), clusters, ridge=ridge)
    if solved is None:
        return None
    keep = 2 * upr + 1
    spare, spare_var = solved.values[keep:], np.diag(solved.covariance)[keep:]
    covariance = solved.covariance[:keep, :keep] * max(float(np.mean(spare**2 / spare_var)), 1.0)
    angle = -np.pi + 2 * np.pi * (np.arange(_ANGLES) + 0.5) / _ANGLES
    counts = np.bincount(
        np.clip(((edge.along + np.pi) / (2 * np.pi) * _ANGLES).astype(int), 0, _ANGLES - 1), minlength=_ANGLES
    )
    sound = counts > 0.3 * np.median(counts[counts > 0])
    if sound.sum() < _ANGLES // 2:
        return None
    angle = angle[sound]
    basis = _waves(angle, upr)
    profile = basis @ solved.values[:keep]
    spread, ways = np.linalg.eigh(covariance)  # waves that few voxels settle may come out a rounding below nothing
    draws = np.random.default_rng(seed).standard_normal((_DRAWS, keep)) @ (ways * np.sqrt(np.maximum(spread, 0.0))).T
    draws = draws @ basis.T
    low = basis[:, :3]
    centred = np.eye(len(angle)) - low @ np.linalg.pinv(low)  # takes the least-squares circle out
    points = (radius_px + profile)[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    zones = [make(points) for make in (least_squares_circle, minimum_zone, minimum_circumscribed, maximum_inscribed)]
    rings = [zone for zone in zones if isinstance(zone, Zone)]
    found = {zone.kind: zone.width for zone in rings}
    if "LSCI" not in found:
        return None
    departures = {zone.kind: zone.radius - rings[0].radius for zone in rings}
    only = np.ptp(draws @ centred, axis=1)
    more = np.ptp((draws + profile) @ centred, axis=1)
    least_squares = extreme_of(found["LSCI"], only, more, floor=_FLOOR_PX)
    return RoundForm(least_squares, found, departures, upr, float(sound.mean()))


def straightness(edge: Edge, *, seed: int = 0) -> tuple[Extreme, int] | FitFailed:
    """Return twice the largest distance (px) of the centres, slice by slice, from their line; and how many stations.

    Slices are joined to at most 24 stations. Their scatter from one to the next but one
    shows the noise, whatever its kind.
    """
    number = np.round(edge.plane).astype(np.int64)
    planes = np.unique(number)
    if len(planes) < _LEAST_SLICES:
        return FitFailed(f"{len(planes)} slices are too few to show whether the axis is straight")
    group = -(-len(planes) // _MOST_STATIONS)
    station = (number - planes[0]) // group
    z, centres, spread = [], [], []
    for one in np.unique(station):
        some = some_of(edge, np.flatnonzero(station == one))
        moves = _waves(some.along, 1)
        solved = solve_departures(some, moves, _waves(some.along, 1), _clusters(some, 24), ridge=np.full(3, 0.3))
        if solved is None:
            continue
        z.append(float(some.plane.mean()))
        centres.append(solved.values[1:])
        spread.append(np.diag(solved.covariance)[1:])
    if len(z) < _LEAST_SLICES // 2 + 1:
        return FitFailed("too few slices show the whole edge")
    at_z, c, var = np.array(z), np.array(centres), np.array(spread)
    if len(z) >= 6:
        second = np.diff(c, n=2, axis=0)
        var = var * max(float(np.mean(second**2 / (var[:-2] + 4 * var[1:-1] + var[2:]))), 1.0)
    line = np.column_stack([np.ones(len(at_z)), at_z - at_z.mean()])
    off_line = np.eye(len(at_z)) - line @ np.linalg.pinv(line)
    left = off_line @ c
    draws = np.random.default_rng(seed).standard_normal((_DRAWS, len(at_z), 2)) * np.sqrt(var)

    def farthest(these: Floats) -> Floats:
        away = np.einsum("ij,njk->nik", off_line, these)
        return np.asarray(2 * np.hypot(away[..., 0], away[..., 1]).max(axis=1))

    found = float(2 * np.hypot(left[:, 0], left[:, 1]).max())
    return extreme_of(found, farthest(draws), farthest(draws + c), floor=_FLOOR_PX), len(z)


def flat_angles(
    edge: Edge, width_difference_px: float, *, voxel: NDArray[np.int64] | None = None,
    correlation: Correlation | None = None, seed: int = 0,
) -> FlatAngles | None:  # fmt: skip
    """Return how square and parallel the four flats of a rectangle are, each flat free to turn and shift on its own.

    `voxel` (N, 3; slice, row, column) and `correlation` count noise that neighbours share; what wear is left in the
    flats is counted by leaving out each twelfth of a flat in turn.
    """
    counts = np.bincount(edge.side, minlength=4)
    if counts.min() < 60:
        return None
    own = edge.side[:, None] == np.arange(4)
    reach = edge.along / edge.half[edge.side]
    moves = np.column_stack([own, own * reach[:, None]]).astype(float)
    bins = np.clip(((reach + 1) * 6).astype(np.int64), 0, 11)
    depth = max(2.0, float(np.ptp(edge.plane) + 1) / 12)
    block = ((edge.plane - edge.plane.min()) // depth).astype(np.int64)
    cluster = (edge.side * 100 + bins) * 1000 + block
    nuisance = np.column_stack([own, own * reach[:, None]]).astype(float)
    solved = solve_departures(
        edge, moves, nuisance, cluster, sector=cluster // 1000, voxel=voxel, correlation=correlation
    )
    if solved is None:
        return None
    # a flat that moves out further along it turns its outward normal back
    to_turn = np.zeros((4, 8))
    to_turn[np.arange(4), 4 + np.arange(4)] = -np.degrees(1 / edge.half)
    step = np.roll(np.eye(4), 1, axis=1) - np.eye(4)
    corner = -step @ to_turn  # inner angle less 90
    pair = (np.eye(4)[2:] - np.eye(4)[:2]) @ to_turn
    wider = np.array([1.0, -1.0, 1.0, -1.0, 0, 0, 0, 0])
    corners, pairs = corner @ solved.values, pair @ solved.values
    draws = np.random.default_rng(seed).multivariate_normal(
        np.zeros(8), solved.covariance, _DRAWS, method="eigh"
    )

    def u_of(row: Floats) -> float:
        return float(np.sqrt(row @ solved.covariance @ row) + 1e-9)

    def worst(rows: Floats) -> Extreme:
        alone = np.abs(draws @ rows.T).max(axis=1)
        more = np.abs((draws + solved.values) @ rows.T).max(axis=1)
        return extreme_of(float(np.abs(rows @ solved.values).max()), alone, more)

    return FlatAngles(
        tuple(Measured(float(90 + c), u_of(row)) for c, row in zip(corners, corner, strict=True)),
        (Measured(float(pairs[0]), u_of(pair[0])), Measured(float(pairs[1]), u_of(pair[1]))),
        worst(corner), worst(pair),
        Measured(float(width_difference_px + wider @ solved.values), max(u_of(wider), 0.002)),
    )  # fmt: skip
