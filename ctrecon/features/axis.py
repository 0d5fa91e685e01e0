"""The part axis, refined from the features' own axes and the end faces."""

from collections.abc import Iterable

import numpy as np

from ctrecon.core.fit_result import ShapeFit
from ctrecon.core.frames import Floats, direction_from_slopes
from ctrecon.core.measured import Measured
from ctrecon.features.ends import End
from ctrecon.features.size import FittedCandidate
from ctrecon.grey.square_up import AxisGuess, SquaredStack
from ctrecon.record.part import Axis

__all__ = ["part_axis", "refine_slopes"]

_FLOOR = 2e-4  # slope; no surface of a real part is truer than this
_SAME_FACE = 0.75  # planes; ends nearer than this share a face
_SMOOTHED = 12.0
_IN_TWO_DIRECTIONS = 1.22  # 2.45 u of one slope hold the direction in 95 %: so that 2 u of the direction do


def refine_slopes(
    guess: AxisGuess, sized: Iterable[FittedCandidate], ends: Iterable[End], *, grain: float = 1.0
) -> tuple[Floats, float]:
    """Combine all directions that agree, in the squared frame: mean slope (2,) and its u.

    Weighted mean of the features' axes and of the end faces, each outlier beyond four
    times its own uncertainty left out. One face counts once however many features end in
    it. The first guess (zero by construction) comes from the same surfaces, so it counts
    only where it is better than all of them together. `grain` is the factor by which
    correlated noise raises the variance of a mean.
    """
    rows: list[tuple[float, float, float]] = []
    for one in sized:
        if isinstance(one.fit, ShapeFit) and one.axis_free:
            u = max(one.fit.u("slope_x"), one.fit.u("slope_y"))
            rows.append((one.fit.value("slope_x"), one.fit.value("slope_y"), float(np.hypot(u, _FLOOR))))
    rows += _faces(ends)
    # normals are smoothed over about a dozen voxels: noise that reaches as far counts on top
    u_guess = float(np.hypot(guess.u_slope * np.sqrt(1 + (grain - 1) / _SMOOTHED), _FLOOR))
    if not rows or sum(r[2] ** -2 for r in rows) < u_guess**-2:
        rows.append((0.0, 0.0, u_guess))
    table = np.array(rows)
    weight = 1 / table[:, 2] ** 2
    order = np.argsort(table[:, 0]), np.argsort(table[:, 1])
    centre = np.array([_weighted_median(table[o, i], weight[o]) for i, o in enumerate(order)])
    for _ in range(3):
        miss = np.abs(table[:, :2] - centre).max(axis=1)
        agree = miss < 4 * np.hypot(table[:, 2], 5e-4)
        if not agree.any():
            break
        centre = np.average(table[agree, :2], axis=0, weights=weight[agree])
    chosen = agree if agree.any() else np.ones(len(table), dtype=bool)
    total = weight[chosen].sum()
    chi2 = float((weight[chosen, None] * (table[chosen, :2] - centre) ** 2).sum())
    freedom = 2 * (int(chosen.sum()) - 1)
    u = float(np.sqrt(1 / total) * max(1.0, np.sqrt(chi2 / freedom) if freedom else 1.0))
    return centre, u


def _faces(ends: Iterable[End]) -> list[tuple[float, float, float]]:
    """Return slopes of the axis as each end face shows them, best first, every face once."""
    known = [
        (e.u_slope, e.plane, e.slope_x, e.slope_y)
        for e in ends
        if e.plane is not None and e.slope_x is not None and e.slope_y is not None and e.u_slope is not None
    ]
    rows: list[tuple[float, float, float]] = []
    seen: list[float] = []
    for u, plane, slope_x, slope_y in sorted(known):
        if u < 0.01 and all(abs(plane - other) > _SAME_FACE for other in seen):
            seen.append(plane)
            rows.append((-slope_x, -slope_y, float(np.hypot(u, _FLOOR))))
    return rows


def _weighted_median(values: Floats, weights: Floats) -> float:
    return float(values[int(np.searchsorted(np.cumsum(weights), weights.sum() / 2))])


def part_axis(squared: SquaredStack, slopes: Floats, u_slope: float) -> Axis:
    """Return the axis record from slopes in the squared frame."""
    direction = squared.rotation.T @ direction_from_slopes(float(slopes[0]), float(slopes[1]))
    tilt = float(np.degrees(np.arctan2(np.hypot(direction[0], direction[1]), direction[2])))
    u_deg = float(np.degrees(u_slope))
    return Axis(
        tilt_deg=Measured(tilt, u_deg),
        direction_xyz=(float(direction[0]), float(direction[1]), float(direction[2])),
        direction_u_deg=_IN_TWO_DIRECTIONS * u_deg,
    )
