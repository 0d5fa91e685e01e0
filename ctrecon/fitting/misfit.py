"""How well several fitted shapes explain the same voxels, as log likelihoods on one scale."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from ctrecon.core.frames import Floats
from ctrecon.fitting.solve import Samples

__all__ = ["Misfit", "compare"]

_WELSCH = 3.0  # noises at which the loss of a voxel levels off
_BITE, _BITE_PX = 5.0, 1.0
"""What a bite costs in ln odds, and each px of its length: edges are eaten in a few stretches, over a tenth to a
quarter of their length (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Misfit:
    """Voxels and the distance of each to a fitted shape's edge, in units of the blur."""

    samples: Samples
    t: Floats

    def residuals(self) -> Floats:
        """Return what the blurred step leaves over, with air and contrast free to slope across the shape."""
        s = self.samples
        step = ndtr(self.t)
        x, y = s.x - s.x.mean(), s.y - s.y.mean()
        size = max(float(np.abs(x).max()), float(np.abs(y).max()), 1.0)
        one = np.ones(len(step))
        places = np.column_stack([one, x / size, y / size, np.minimum(self.t, 0) / 5])
        inner = np.column_stack([one, x / size, y / size, np.maximum(self.t, 0) / 5])
        design = np.hstack([places, inner * step[:, None]])
        weight = one
        left = s.grey
        for _ in range(5):
            root = np.sqrt(weight)
            solved = np.linalg.lstsq(design * root[:, None], s.grey * root, rcond=None)[0]
            left = s.grey - design @ solved
            scale = max(1.4826 * float(np.median(np.abs(left))), 1e-9)
            weight = np.exp(-((left / scale / _WELSCH) ** 2))
        return np.asarray(left)


def compare(runs: Sequence[Misfit], noise: float, *, edges_px: Sequence[float | None] | None = None) -> list[float]:
    """Return the log likelihood of each run under Welsch's loss, up to one common constant.

    The scale is that of the run that leaves least over, never below the noise. Where its
    residuals of neighbouring voxels go together, the voxels count for fewer: the misfits
    are divided by the mean square of patch sums over that of single voxels.

    Parameters
    ----------
    runs : sequence of Misfit
        On the same voxels.
    noise : float
        Standard deviation of one voxel.
    edges_px : sequence of float or None, optional
        Length of each run's edge, where it is made by a tool and may be eaten: in a bite it loses no more than the
        best run there does, at a price for each bite and its length. Clusters are then sectors in order round it.
    """
    left = [run.residuals() for run in runs]
    spread = [1.4826 * float(np.median(np.abs(r))) for r in left]
    scale = max(noise, min(spread), 1e-6)
    lost = [_WELSCH**2 * (1 - np.exp(-((r / scale / _WELSCH) ** 2))) for r in left]
    best = int(np.argmin([one.sum() for one in lost]))
    crowd = _togetherness(runs[best].samples, left[best], scale)
    if edges_px is None:
        return [-0.5 * float(one.sum()) / crowd for one in lost]
    sector = runs[0].samples.cluster
    many = int(sector.max()) + 1
    sums = [np.bincount(sector, weights=one, minlength=many) * 0.5 / crowd for one in lost]
    least = np.min(sums, axis=0)
    return [
        -float(one.sum()) if edge is None else -_eaten(one, least + _BITE_PX * edge / many)
        for one, edge in zip(sums, edges_px, strict=True)
    ]


def _eaten(sound: Floats, bitten: Floats) -> float:
    """Return the least cost round a closed edge whose sectors are sound or bitten, each bite paid for once."""
    costs = []
    for first in (0, 1):
        cost = [np.inf, np.inf]
        cost[first] = float((sound, bitten)[first][0])
        for a, b in zip(sound[1:], bitten[1:], strict=True):
            cost = [float(a) + min(cost), float(b) + min(cost[1], cost[0] + _BITE)]
        # the edge closes: a bite that runs over its beginning is one bite
        costs += [cost[0] + (_BITE if first else 0.0), cost[1]]
    return min(costs)


def _togetherness(samples: Samples, left: Floats, scale: float) -> float:
    """Mean square of the sums over small patches, divided by that of single voxels; at least 1."""
    z = np.asarray(samples.z)
    keys = np.column_stack([np.floor(samples.x / 4), np.floor(samples.y / 4), np.floor(z / 4)]).astype(np.int64)
    _, patch = np.unique(keys, axis=0, return_inverse=True)
    sound = left * np.exp(-((left / scale / _WELSCH) ** 2))
    sound = sound - sound.mean()
    sums = np.bincount(patch.ravel(), weights=sound)
    factor = float((sums**2).sum() / max(float((sound**2).sum()), 1e-12))
    by_chance = 1 + 2 * float(np.sqrt(2 / max(len(sums), 1)))
    return factor if factor > by_chance else 1.0
