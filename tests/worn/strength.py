"""How plainly a seam shows to the best filter there is, with rings and streaks counted as noise."""

from collections.abc import Callable

import numpy as np
from worn.render import Pose
from worn.scan import Scanner
from worn.shapes import Floats

_REACH = 25.0  # px beside a line: metal that tells the filter what rings and streaks there are
_DEPTHS = 6  # slices that stand for all: over a leaning seam rings and streaks wander
_BANDS = 60  # streaks drawn to stand for all that may be
_RING_SIGMA = 0.7  # px, over which the scanner's rings are smoothed

Line = Callable[[Floats, Floats], Floats]
"""Distance (px) of places x, y of the part's own frame from a seam."""


def noise_of(scanner: Scanner, pose: Pose, blur: float) -> float:
    """Return the noise per px³ (variance, in contrasts) that a filter shaped like a seam's dip meets.

    Along the seam the filter is flat and takes in all that neighbours share, (4 pi g²) for a grain g; across it only
    what is as fine as the dip of width b, a share b / sqrt(b² + g²) of sqrt(4 pi g²) (their spectra multiplied).
    """
    g = scanner.grain
    shared = (4 * np.pi * g**2) ** 1.5 * blur / np.hypot(blur, g) if g else 0.0
    return float(max(np.prod(pose.voxel), shared)) / scanner.snr**2


def share_left(line: Line, half: float, low: float, high: float, pose: Pose, scanner: Scanner, reach: float) -> float:
    """Return what rings and streaks leave of the strength a side seam has against the noise of single voxels.

    Both are the same in every slice, so depth does not average them; the metal beside the seam does tell of them.
    With s the dip, n² the noise of a sample and B B' the covariance of rings and streaks, the best linear filter has
    the strength s' (n² I + B B')^-1 s (textbook: generalised matched filter), taken over the metal within 25 px.

    Parameters
    ----------
    line : callable
        Distance from the seam.
    half : float
        Half its width, px.
    low, high : float
        Its ends on its own axis, px.
    reach : float
        Radius of the metal, px.
    """
    if not (scanner.rings or scanner.streaks):
        return 1.0
    blur = float(np.hypot(scanner.psf, np.sqrt(1 / 12)))
    wide = int(np.ceil(half + _REACH)) + 1
    v, u = (a.ravel().astype(float) for a in np.mgrid[-wide : wide + 1, -wide : wide + 1])
    middle = np.array([(n - 1) / 2 * edge for n, edge in zip(pose.shape[:0:-1], pose.voxel[:0:-1], strict=True)])
    bands = _bands(pose, reach)
    depths = low + (np.arange(_DEPTHS) + 0.5) / _DEPTHS * (high - low)
    white = noise_of(scanner, pose, blur) / max((high - low) / _DEPTHS, 1e-6)
    knots = int(max(np.hypot(*(np.array(pose.shape[:0:-1]) * pose.voxel[:0:-1])), 4))
    size = np.concatenate([np.full(knots, scanner.rings), np.full(_BANDS, scanner.streaks * np.sqrt(12 / _BANDS))])
    gram, seen, power = np.zeros((len(size),) * 2), np.zeros(len(size)), 0.0
    for z in depths:
        at = pose.to_stack(0.0, 0.0, float(z))
        d = line(u, v)
        keep = (np.abs(d) < _REACH) & (np.hypot(u, v) < reach)
        x, y = u[keep] + at[0], v[keep] + at[1]
        dip = np.exp(-0.5 * (d[keep] / blur) ** 2) / (blur * np.sqrt(2 * np.pi))
        basis = np.column_stack([_rings(x - middle[0], y - middle[1], knots), _streaks(x, y, bands)])
        gram += basis.T @ basis
        seen += basis.T @ dip
        power += float(dip @ dip)
    gram, seen = gram * size[:, None] * size[None], seen * size
    left = power - float(seen @ np.linalg.solve(white * np.eye(len(size)) + gram, seen))
    return float(np.sqrt(np.clip(left / max(power, 1e-12), 0.0, 1.0)))


def _bands(pose: Pose, reach: float) -> Floats:
    """Return angle, x, y and width of streaks as the scanner draws them."""
    rng = np.random.default_rng(0)
    off = rng.uniform(-0.5, 0.5, (_BANDS, 2)) * reach + np.array(pose.centre[:2])
    return np.column_stack([rng.uniform(0, np.pi, _BANDS), off, rng.uniform(1, 3, _BANDS)])


def _rings(x: Floats, y: Floats, knots: int) -> Floats:
    """Return what each of some independent amplitudes, smoothed as rings are, adds at places about the rings' middle."""
    far = np.hypot(x, y)[:, None] - np.arange(knots)[None]
    out = np.exp(-0.5 * (far / _RING_SIGMA) ** 2)
    # the sum of squares over all amplitudes is 1: each ring then has the scanner's own standard deviation
    return np.asarray(out / np.sqrt(_RING_SIGMA * np.sqrt(np.pi)))


def _streaks(x: Floats, y: Floats, bands: Floats) -> Floats:
    angle, bx, by, wide = bands.T
    off = (x[:, None] - bx) * np.cos(angle) + (y[:, None] - by) * np.sin(angle)
    return np.asarray(np.exp(-0.5 * (off / wide) ** 2))
