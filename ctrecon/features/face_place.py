"""The place of an end face from the sum of grey through depth: free of any assumption about the form of the blur."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from ctrecon.core.frames import Floats

__all__ = ["Face", "place_by_sum"]

_PATCH_PX = 6.0  # side of a patch; noise that neighbours share is smaller than it
_LEVEL_PLANES = 3.0  # planes beyond the blur from which the levels of air and metal are taken
_SHARED = 2.5  # variance of a mean of noise of a grain of 1.2 px over that of patches 6 px wide is 1.8; some margin
_DOUBT = 12.0  # patches that speak for the grain as it was measured elsewhere
_SLACK = 0.1  # slice; patches nearer than this to the plane are never called stray


@dataclass(frozen=True, eq=False)
class Face:
    """Place and slopes of a face (slices, slices per px) with covariance; share of it that was sound."""

    values: Floats
    covariance: Floats
    sound: float
    scatter: float


# many: the voxels come in columns, and each of the others is known from elsewhere
def place_by_sum(
    x: Floats, y: Floats, z: Floats, grey: Floats, *, start: Floats, metal_above: bool, blur: float, prior_sd: float,
    shared: Floats,
) -> Face | None:  # fmt: skip
    """Refine a face so that model and measured grey have equal sums across it.

    The sum of grey through depth finds the mean place of a blurred step whatever the
    blur's form, even or not, where a fit of a bell-shaped blur finds it a few hundredths
    of a slice off. Air and metal come from the planes beyond the blur. Patches that stray
    are left out; what scatter is left beyond the noise widens the covariance.

    Parameters
    ----------
    x, y, z, grey : (N,) array
        Voxels of the columns through the face: place in px from its middle, plane, grey.
    start : (3,) array
        Place and slopes, within a quarter of a slice.
    metal_above : bool
        Metal at higher planes.
    blur : float
        Sigma of the blur in planes.
    prior_sd : float
        Standard deviation of the slopes about zero, in the unit of the slopes.
    shared : (K,) array
        Sums of the correlation of a voxel's noise with the voxels of its own plane, of the next one and so on.

    Returns
    -------
    Face or None
        None where the planes on either side do not show air and metal beyond the blur.
    """
    side = 1.0 if metal_above else -1.0
    scale = np.array([1.0, max(float(np.abs(x).max()), 1.0), max(float(np.abs(y).max()), 1.0)])
    flat = np.column_stack([np.ones(len(x)), x / scale[1], y / scale[2]])
    p = start * scale
    levels = np.zeros(6)
    use = np.ones(len(x), dtype=bool)
    patch, patches = _patches(x, y)
    scatter, sound, freedom = 1.0, 1.0, 0
    covariance: Floats = np.eye(3)
    for _ in range(6):
        d = side * (z - flat @ p)
        below, above = -d[use].min(), d[use].max()
        reach = min(3.0 * blur, below - 0.6, above - 0.6)
        if reach < 1.6 * blur:
            return None
        near = use & (np.abs(d) <= reach)
        beyond = min(reach, 2.6 * blur)
        air, metal = (use & (s * d > beyond) & (s * d < reach + _LEVEL_PLANES) for s in (-1.0, 1.0))
        if min(air.sum(), metal.sum(), near.sum()) < 20:
            return None
        if not levels.any():
            levels[0], levels[3] = np.median(grey[air]), np.median(grey[metal])
        moved = _equal_sums(flat, side, d, blur, grey, levels, (near, air, metal), shared)
        if moved is None:
            return None
        change, covariance, residual, pull, variance = moved
        p, levels = p + change[:3], levels + change[3:]
        lost, sound, scatter, freedom = _strays((patch, patches), near, air | metal, residual, pull, variance)
        fresh = ~lost[patch]
        if sound < 0.4 or fresh.sum() < 60:
            return None
        settled = np.array_equal(fresh, use) and float(np.abs(change[:3]).max()) < 1e-3
        use = fresh
        if settled:
            break
    # patches that scatter less than the grain foretells say that it is smaller here; noise that they share with their
    # neighbours does not show in them
    if scatter < 1.0:
        scatter = min(1.0, (_SHARED * scatter * freedom + _DOUBT) / (max(freedom, 0) + _DOUBT))
    covariance = covariance * scatter
    # the weak prior on the slopes comes in as one more measurement of them
    prior = np.diag((prior_sd * scale[1:]) ** 2)
    gain = covariance[:, 1:] @ np.linalg.inv(covariance[1:, 1:] + prior)
    p = p - gain @ p[1:]
    covariance = covariance - gain @ covariance[1:, :]
    return Face(p / scale, covariance / np.outer(scale, scale), sound, scatter)


def _equal_sums(
    flat: Floats, side: float, d: Floats, blur: float, grey: Floats, levels: Floats,
    groups: tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.bool_]], shared: Floats,
) -> tuple[Floats, Floats, Floats, Floats, float] | None:  # fmt: skip
    """Take one step to equal sums near the face, in air and in metal.

    Returns the change of plane and levels, the plane's covariance, what is left of the grey, how much each voxel
    changes as the face moves, and the variance of a voxel.
    """
    near, air, metal = groups
    step = ndtr(d / blur)
    bell = np.exp(-0.5 * (d / blur) ** 2) / np.sqrt(2 * np.pi) / blur
    model = np.column_stack([flat * (1 - step)[:, None], flat * step[:, None]])
    pull = (flat @ (levels[3:] - levels[:3])) * bell
    residual = grey - model @ levels
    jac = np.column_stack([-side * pull[:, None] * flat, model])
    ask = np.column_stack([flat * near[:, None], flat * air[:, None], flat * metal[:, None]])
    square = ask.T @ jac
    if not np.isfinite(square).all() or np.linalg.cond(square) > 1e10:
        return None
    inverse = np.linalg.inv(square)
    change = inverse @ (ask.T @ residual)
    residual = residual - jac @ change
    variance = float((residual[air | metal] ** 2).mean()) * _grain(d, step, groups, shared)
    meat = (ask * variance).T @ ask
    return change, (inverse @ meat @ inverse.T)[:3, :3], residual, pull, variance


def _grain(
    d: Floats, step: Floats, groups: tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.bool_]], shared: Floats
) -> float:
    """Return by how much correlated noise raises the variance of a place.

    Grey near the face counts up and that of the levels down: what planes of both share with each other cancels, so
    that the factor is far smaller than that of a mean.
    """
    near, air, metal = groups
    weight = near.astype(float)
    weight[air] -= (1 - step[near]).sum() / air.sum()
    weight[metal] -= step[near].sum() / metal.sum()
    plane = np.floor(d).astype(np.int64)
    column = np.bincount(plane - plane.min(), weights=weight)
    pairs = np.array([column[: max(len(column) - k, 0)] @ column[k:] for k in range(len(shared))])
    return max(float(shared[0] + 2 * (shared[1:] @ pairs[1:]) / pairs[0]), 1.0)


def _strays(
    cells: tuple[NDArray[np.int64], int], near: NDArray[np.bool_], far: NDArray[np.bool_], residual: Floats,
    pull: Floats, variance: float,
) -> tuple[NDArray[np.bool_], float, float, int]:  # fmt: skip
    """Say of each patch by itself how far its own sum puts the face from the plane, and which stray.

    Returns the patches that stray, the share of sound ones, the scatter of these about the noise expected and how
    many degrees of freedom it has.
    """
    patch, patches = cells
    sums = np.bincount(patch[near], weights=residual[near], minlength=patches)
    many_near, many_far = (np.bincount(patch[at], minlength=patches) for at in (near, far))
    # what its air and metal are off by alike, a streak along depth, moves no face
    alike = np.bincount(patch[far], weights=residual[far], minlength=patches) / np.maximum(many_far, 1)
    own = sums - alike * many_near
    pulls = np.bincount(patch[near], weights=pull[near], minlength=patches)
    votes = many_near * (1.0 + many_near / np.maximum(many_far, 1))
    there = (many_near >= 0.25 * np.max(many_near)) & (many_far >= 0.25 * np.max(many_far))
    miss = own[there] / np.maximum(pulls[there], 1e-9)
    expected = np.sqrt(variance * votes[there]) / np.maximum(pulls[there], 1e-9)
    stray = np.abs(miss - np.median(miss)) > np.maximum(4.5 * expected, _SLACK)
    sound = 1.0 - float(stray.mean()) if len(stray) else 1.0
    good = ~stray
    freedom = int(good.sum()) - 3
    scatter = float(((miss[good] / expected[good]) ** 2).sum() / freedom) if freedom >= 4 else 1.0
    lost = np.zeros(patches, dtype=bool)
    lost[np.flatnonzero(there)[stray]] = True
    return lost, sound, scatter, freedom


def _patches(x: Floats, y: Floats) -> tuple[NDArray[np.int64], int]:
    cell = np.floor(x / _PATCH_PX).astype(np.int64) * 100_003 + np.floor(y / _PATCH_PX).astype(np.int64)
    _, patch = np.unique(cell, return_inverse=True)
    return patch.astype(np.int64), int(patch.max()) + 1
