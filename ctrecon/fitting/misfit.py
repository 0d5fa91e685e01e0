"""How well several fitted shapes explain the same voxels, as log likelihoods on one scale."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from ctrecon.core.frames import Floats
from ctrecon.fitting.solve import Samples

__all__ = ["Misfit", "compare"]

_WELSCH = 3.0


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


def compare(runs: Sequence[Misfit], noise: float) -> list[float]:
    """Return the log likelihood of each run under Welsch's loss, up to one common constant.

    The scale is that of the run that leaves least over, never below the noise. Where its
    residuals of neighbouring voxels go together, the voxels count for fewer: the misfits
    are divided by the mean square of patch sums over that of single voxels.
    """
    left = [run.residuals() for run in runs]
    spread = [1.4826 * float(np.median(np.abs(r))) for r in left]
    scale = max(noise, min(spread), 1e-6)
    lost = [float(np.sum(_WELSCH**2 * (1 - np.exp(-((r / scale / _WELSCH) ** 2))))) for r in left]
    best = int(np.argmin(lost))
    crowd = _togetherness(runs[best].samples, left[best], scale)
    return [-0.5 * value / crowd for value in lost]


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
