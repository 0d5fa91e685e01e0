"""One edge offset and the scale factors from known sizes, by generalised least squares.

The state holds the edge offset e (mm), one relative error a group of directions, and the
errors of the measurements the known sizes hang on. Priors are rows like any other.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import gammaincc

from ctrecon.calibration.known import Known, Reading
from ctrecon.core.frames import Floats

__all__ = ["GROUPS", "Solution", "chance_of", "solve"]

GROUPS: dict[str, Floats] = {
    "each": np.eye(3),
    "depth": np.array([[1.0, 0.0], [0.0, 1.0], [0.0, 1.0]]),
    "plane": np.array([[0.5, 0.5], [1.0, 0.0], [0.0, 1.0]]),
    "one": np.ones((3, 1)),
}
"""Which directions (z, y, x) share a factor: each has its own; depth apart from the plane; y and x
apart and depth their mean; one for all. From the finest to the plainest."""


@dataclass(frozen=True, eq=False)
class Solution:
    """Best state with its covariance: e, group factors, then the errors of `columns`."""

    edge_mm: float
    scale: Floats
    errors: dict[tuple[str, str], float]
    columns: tuple[tuple[str, str], ...]
    covariance: Floats
    groups: Floats
    chi2: float
    freedom: int
    residuals: Floats

    @property
    def scale_covariance(self) -> Floats:
        """Covariance (3, 3) of the relative errors of the z, y, x edges."""
        count = self.groups.shape[1]
        return np.asarray(self.groups @ self.covariance[1 : 1 + count, 1 : 1 + count] @ self.groups.T)

    @property
    def scale_u(self) -> Floats:
        """Standard uncertainty of the relative errors of the z, y, x edges."""
        return np.asarray(np.sqrt(np.maximum(np.diag(self.scale_covariance), 0.0)))

    def row(self, edge: float, scale_zyx: Floats, parts: dict[tuple[str, str], float]) -> Floats:
        """Return how a quantity answers to the state; what it hangs on that is not in the state is left out."""
        own = [-parts.get(column, 0.0) for column in self.columns]
        return np.array([edge, *(np.asarray(scale_zyx) @ self.groups), *own])


def chance_of(chi2: float, freedom: int) -> float:
    """Return the chance of a chi-square at least this large; 1 without freedom."""
    return 1.0 if freedom < 1 else float(gammaincc(freedom / 2, max(chi2, 0.0) / 2))


def solve(
    knowns: Sequence[Known],
    readings: Sequence[Reading],
    *,
    u_of: dict[tuple[str, str], float],
    edge_u_mm: float,
    scale_prior: tuple[Floats, Floats] | None,
    groups: str,
) -> Solution | None:
    """Solve for edge and scale, or return None where the known sizes do not settle them.

    Parameters
    ----------
    knowns, readings
        The known sizes and what the record says of each, in the same order.
    u_of : mapping
        Standard uncertainty (mm) of every measurement the readings hang on.
    edge_u_mm : float
        Standard uncertainty (mm) of an edge offset of zero.
    scale_prior : ((3,), (3,)) or None
        Relative errors of the z, y, x edges expected beforehand, and their u; None where nothing is known.
    groups : str
        Key of `GROUPS`.
    """
    shared = GROUPS[groups]
    count = shared.shape[1]
    columns = tuple(sorted({key for reading in readings for key in reading.parts}))
    width = 1 + count + len(columns)
    rows, right = [], []

    def add(row: Floats, value: float, u: float) -> None:
        rows.append(row / u)
        right.append(value / u)

    unit = np.eye(width)
    add(unit[0], 0.0, edge_u_mm)
    if scale_prior is not None:
        for k in range(count):
            share = shared[:, k] / shared[:, k].sum()
            # the directions of a group err together: their u is averaged, not shrunk
            add(unit[1 + k], float(share @ scale_prior[0]), float(share @ scale_prior[1]))
    for k, key in enumerate(columns):
        add(unit[1 + count + k], 0.0, u_of[key])
    first = len(rows)
    for known, reading in zip(knowns, readings, strict=True):
        own = [-reading.parts.get(key, 0.0) for key in columns]
        row = np.array([reading.edge, *(reading.scale @ shared), *own])
        add(row, known.value_mm - reading.value_mm, _u(known, reading))
    a, b = np.array(rows), np.array(right)
    size = np.linalg.norm(a, axis=0)
    if (size == 0).any() or np.linalg.matrix_rank(a / size, tol=1e-9) < width:
        return None
    state = np.linalg.lstsq(a / size, b, rcond=None)[0] / size
    inverse = np.linalg.inv((a / size).T @ (a / size)) / np.outer(size, size)
    miss = b - a @ state
    # what is left between known and scan, once scale and edge alone are put right
    mean = state.copy()
    mean[1 + count :] = 0.0
    left = (b[first:] - a[first:] @ mean) * np.array([_u(*pair) for pair in zip(knowns, readings, strict=True)])
    return Solution(
        edge_mm=float(state[0]),
        scale=np.asarray(shared @ state[1 : 1 + count]),
        errors={key: float(state[1 + count + k]) for k, key in enumerate(columns)},
        columns=columns,
        covariance=inverse,
        groups=shared,
        chi2=float(miss @ miss),
        freedom=len(rows) - width,
        residuals=left,
    )


def _u(known: Known, reading: Reading) -> float:
    return float(np.hypot(known.u_mm, reading.own_u_mm))
